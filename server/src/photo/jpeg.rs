//! The layout of a JPEG file: one walk over its markers (ISO/IEC 10918-1 B.1.1), without decoding.

use std::borrow::Cow;

use super::layout::{Layout, cut};

/// Walks from marker to marker to the end-of-image mark of the first picture in the file.
///
/// Inside entropy-coded data a 0xFF is followed by 0x00 or a restart mark, so the same walk passes over it. Thumbnails lie
/// inside segments and are stepped over by their length; a second picture after the end (gain map, film) is only counted.
pub fn read(bytes: &[u8]) -> Layout<'_> {
    let mut out = Layout::default();
    let mut frame = None;
    let mut scans = 0u32;
    let mut at = 2;
    while let Some(skip) = bytes.get(at..).and_then(|rest| rest.iter().position(|b| *b == 0xFF)) {
        at += skip + 1;
        let Some(&code) = bytes.get(at) else { break };
        match code {
            // Fill byte: the code is still to come.
            0xFF => continue,
            // Stuffing and marks that stand alone.
            0x00 | 0x01 | 0xD0..=0xD8 => {
                at += 1;
                continue;
            }
            0xD9 => {
                out.whole = frame.is_some() && scans > 0;
                out.after = (bytes.len() - at - 1) as u64;
                break;
            }
            _ => {}
        }
        let Some(segment) = segment(bytes, at + 1) else { break };
        match code {
            0xC0..=0xCF if !matches!(code, 0xC4 | 0xC8 | 0xCC) && frame.is_none() => {
                frame = Frame::read(code, segment);
            }
            // The sixth byte is 0 by the standard; other readers take any.
            0xE1 if out.exif.is_none() && segment.starts_with(b"Exif\0") && segment.len() > 6 => {
                out.exif = Some(cut(Cow::Borrowed(&segment[6..])));
            }
            0xDA => {
                scans += 1;
                if let (1, Some(f)) = (scans, &mut frame) {
                    // Components that come scan by scan are held as coefficients until all are there.
                    f.buffered |= segment.first().is_some_and(|n| usize::from(*n) < f.sampling.len());
                }
            }
            _ => {}
        }
        at += 3 + segment.len();
    }
    if let Some(frame) = frame {
        out.width = u32::from(frame.width);
        out.height = u32::from(frame.height);
        out.work_per_16 = frame.work_per_16();
    }
    out
}

/// The body of the segment whose two length bytes stand at `at`; `None` where the file ends before it.
fn segment(bytes: &[u8], at: usize) -> Option<&[u8]> {
    let len = usize::from(u16::from_be_bytes(*bytes.get(at..)?.first_chunk()?));
    bytes.get(at + 2..at + len.max(2))
}

/// The frame header (B.2.2).
struct Frame {
    width: u16,
    height: u16,
    /// Horizontal and vertical sampling of each component.
    sampling: Vec<(u64, u64)>,
    /// Whether the decoder holds all coefficients before it can make one line.
    buffered: bool,
}

impl Frame {
    fn read(code: u8, body: &[u8]) -> Option<Frame> {
        let side = |at: usize| Some(u16::from_be_bytes(*body.get(at..)?.first_chunk()?));
        Some(Frame {
            height: side(1)?,
            width: side(3)?,
            sampling: body
                .get(6..)?
                .chunks_exact(3)
                .take(4)
                .map(|c| (u64::from(c[1] >> 4).clamp(1, 4), u64::from(c[1] & 15).clamp(1, 4)))
                .collect(),
            buffered: code == 0xC2,
        })
    }

    /// Two bytes for each coefficient of each component, at the component's own resolution, rounded up.
    fn work_per_16(&self) -> u64 {
        if !self.buffered {
            return 0;
        }
        let h = self.sampling.iter().map(|s| s.0).max().unwrap_or(1);
        let v = self.sampling.iter().map(|s| s.1).max().unwrap_or(1);
        self.sampling.iter().map(|s| (2 * 16 * s.0 * s.1).div_ceil(h * v)).sum()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A frame header with three components, 4:2:0, and one scan over all of them.
    fn file(code: u8, scan_of: u8) -> Vec<u8> {
        let mut out = vec![0xFF, 0xD8];
        out.extend_from_slice(b"\xFF\xE1\x00\x0CExif\0\0MM\0*");
        out.extend_from_slice(&[0xFF, code, 0, 17, 8, 0, 30, 0, 40, 3, 1, 0x22, 0, 2, 0x11, 1, 3, 0x11, 1]);
        out.extend_from_slice(&[0xFF, 0xDA, 0, 3, scan_of]);
        // Data with stuffing, a restart mark and fill bytes before the end.
        out.extend_from_slice(&[1, 0xFF, 0, 2, 0xFF, 0xD3, 3, 0xFF, 0xFF, 0xD9]);
        out.extend_from_slice(b"a film");
        out
    }

    #[test]
    fn walks_to_the_end_mark() {
        let bytes = file(0xC0, 3);
        let out = read(&bytes);
        assert_eq!((out.width, out.height, out.whole, out.after, out.work_per_16), (40, 30, true, 6, 0));
        assert_eq!(out.exif.as_deref(), Some(&b"MM\0*"[..]));
        // 4:2:0 holds one and a half samples a pixel, two bytes each.
        assert_eq!(read(&file(0xC2, 3)).work_per_16, 48);
        assert_eq!(read(&file(0xC0, 1)).work_per_16, 48);
    }

    #[test]
    fn every_cut_is_seen() {
        let bytes = file(0xC0, 3);
        let end = bytes.len() - 6;
        for n in 0..end {
            assert!(!read(&bytes[..n]).whole, "cut at {n}");
        }
        assert!(read(&bytes[..end]).whole);
    }
}
