//! How a picture file is laid out: its size in pixels, where its EXIF block lies, whether it reaches its end.
//!
//! Read by our own bounded walk over the container, before any decoder sees the bytes: no copy is made, nothing is
//! decompressed, and every step moves forward.

use std::borrow::Cow;

use super::kind::Kind;
use super::{heic, heif, jpeg};

/// The most of an EXIF block that is read. JPEG cannot hold more than 64 KB; a phone's HEIC was seen with 192 KB, nearly
/// all of it a thumbnail.
pub const MAX_EXIF: usize = 256 * 1024;

/// What the container says, unbelieved until it is decoded.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Layout<'a> {
    /// Width in pixels as stored; 0 when the file does not say.
    pub width: u32,
    /// Height in pixels as stored; 0 when the file does not say.
    pub height: u32,
    /// The EXIF block from its TIFF header on, cut at [`MAX_EXIF`].
    pub exif: Option<Cow<'a, [u8]>>,
    /// Whether the container reaches its own end mark.
    pub whole: bool,
    /// Bytes that follow the picture's end: a second picture, a film, or padding. No reason to doubt it.
    pub after: u64,
    /// Bytes that a decoder needs for each 16 pixels beside the RGB picture.
    pub work_per_16: u64,
    /// Bytes that a decoder needs whatever the picture's size, beside a copy of the file.
    pub work: u64,
    /// Whether the file holds moving pictures, of which the first is looked at.
    pub moving: bool,
}

/// Walks the file.
pub fn read(kind: Kind, bytes: &[u8]) -> Layout<'_> {
    match kind {
        Kind::Jpeg => jpeg::read(bytes),
        Kind::Png => png(bytes),
        Kind::Webp => webp(bytes),
        Kind::Heic => heic(bytes),
        // Nothing of a film is decoded.
        Kind::Mp4 | Kind::QuickTime => Layout::default(),
    }
}

/// HEIC: boxes (ISO/IEC 14496-12 4.2). The size is that of the largest picture in the file, which is the main one.
fn heic(bytes: &[u8]) -> Layout<'_> {
    let found = heif::pictures(bytes);
    Layout {
        width: found.size.0,
        height: found.size.1,
        exif: heif::exif(bytes).map(cut),
        whole: found.whole,
        work_per_16: if found.grid { 0 } else { heic::WORK_PER_16 },
        work: found.copies.saturating_add(if found.grid { heic::TILE_WORK } else { 0 }),
        ..Layout::default()
    }
}

/// Bounds an EXIF block.
pub(super) fn cut(block: Cow<'_, [u8]>) -> Cow<'_, [u8]> {
    match block {
        Cow::Borrowed(b) => Cow::Borrowed(&b[..b.len().min(MAX_EXIF)]),
        Cow::Owned(mut b) => {
            b.truncate(MAX_EXIF);
            Cow::Owned(b)
        }
    }
}

fn be32(bytes: &[u8], at: usize) -> Option<u32> {
    Some(u32::from_be_bytes(*bytes.get(at..)?.first_chunk()?))
}

fn le32(bytes: &[u8], at: usize) -> Option<u32> {
    Some(u32::from_le_bytes(*bytes.get(at..)?.first_chunk()?))
}

fn le24(bytes: &[u8], at: usize) -> Option<u32> {
    let b: [u8; 3] = *bytes.get(at..)?.first_chunk()?;
    Some(u32::from_le_bytes([b[0], b[1], b[2], 0]))
}

/// PNG: chunks of length, type, data, checksum (PNG 5.3) after a signature of 8 bytes.
fn png(bytes: &[u8]) -> Layout<'_> {
    let mut out = Layout {
        width: be32(bytes, 16).unwrap_or(0),
        height: be32(bytes, 20).unwrap_or(0),
        // The decoder's own picture beside the RGB one: up to four channels of two bytes.
        work_per_16: match (bytes.get(24), bytes.get(25)) {
            (Some(16), Some(0)) => 32,
            (Some(16), Some(2 | 4)) => 96,
            (Some(16), _) => 128,
            (_, Some(0)) => 16,
            (_, Some(4)) => 32,
            (_, Some(6)) => 64,
            // A palette may bring transparency.
            (_, Some(3)) => 64,
            _ => 0,
        },
        ..Layout::default()
    };
    let mut at = 8;
    while let (Some(len), Some(name)) = (be32(bytes, at), bytes.get(at + 4..at + 8)) {
        let end = (at + 12).saturating_add(len as usize);
        if end > bytes.len() {
            break;
        }
        match name {
            b"eXIf" if out.exif.is_none() => out.exif = Some(cut(Cow::Borrowed(&bytes[at + 8..end - 4]))),
            b"acTL" => out.moving = true,
            b"IEND" => {
                out.whole = true;
                out.after = (bytes.len() - end) as u64;
                break;
            }
            _ => {}
        }
        at = end;
    }
    out
}

/// WebP: RIFF chunks of type, length, data, padding to even (RFC 9649 2.3).
///
/// The frames inside may claim another size than the canvas; the largest counts, because that is what is allocated.
fn webp(bytes: &[u8]) -> Layout<'_> {
    let riff = le32(bytes, 4).map_or(0, |n| n as usize).saturating_add(8);
    let mut out = Layout {
        whole: riff <= bytes.len(),
        after: bytes.len().saturating_sub(riff) as u64,
        // Lossy planes, an alpha plane and its own decoding, and the four-channel picture.
        work_per_16: 176,
        ..Layout::default()
    };
    let mut at = 12;
    let mut canvas = false;
    while let (Some(name), Some(len)) = (bytes.get(at..at + 4), le32(bytes, at + 4)) {
        let start = at + 8;
        let end = start.saturating_add(len as usize);
        let data = &bytes[start..end.min(bytes.len())];
        match name {
            b"VP8X" => {
                canvas = true;
                out.moving = data.first().is_some_and(|flags| flags & 2 != 0);
                grow(&mut out, le24(data, 4).map(|n| n + 1), le24(data, 7).map(|n| n + 1));
            }
            b"EXIF" if out.exif.is_none() => {
                // Some writers put JPEG's marker before the block.
                let block = data.strip_prefix(b"Exif\0\0").unwrap_or(data);
                out.exif = Some(cut(Cow::Borrowed(block)));
            }
            b"ANMF" => {
                // 16 bytes of frame header, then the frame's own chunks.
                let mut inner = 16;
                while let (Some(name), Some(len)) = (data.get(inner..inner + 4), le32(data, inner + 4)) {
                    frame(&mut out, name, data.get(inner + 8..).unwrap_or(&[]));
                    inner = (inner + 8).saturating_add(len as usize).saturating_add(len as usize & 1);
                }
            }
            _ => frame(&mut out, name, data),
        }
        if !canvas {
            break;
        }
        at = end.saturating_add(len as usize & 1);
    }
    out
}

/// The size that one WebP frame claims (RFC 6386 9.1 for `VP8 `, RFC 9649 3.4 for `VP8L`).
fn frame(out: &mut Layout<'_>, name: &[u8], data: &[u8]) {
    match name {
        b"VP8 " => {
            let side = |at: usize| Some(u32::from(u16::from_le_bytes(*data.get(at..)?.first_chunk()?)) & 0x3FFF);
            grow(out, side(6), side(8));
        }
        b"VP8L" => {
            let bits = le32(data, 1);
            grow(out, bits.map(|b| (b & 0x3FFF) + 1), bits.map(|b| ((b >> 14) & 0x3FFF) + 1));
        }
        _ => {}
    }
}

fn grow(out: &mut Layout<'_>, width: Option<u32>, height: Option<u32>) {
    out.width = out.width.max(width.unwrap_or(0));
    out.height = out.height.max(height.unwrap_or(0));
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_frame_larger_than_its_canvas_counts() {
        let mut file = b"RIFF\0\0\0\0WEBPVP8X\x0a\0\0\0\0\0\0\0\x0f\0\0\x0f\0\0".to_vec();
        file.extend_from_slice(b"VP8 \x0a\0\0\0\0\0\0\x9d\x01\x2a\xff\x3f\xff\x3f");
        let out = read(Kind::Webp, &file);
        assert_eq!((out.width, out.height), (16383, 16383));
        let mut moving = b"RIFF\0\0\0\0WEBPVP8X\x0a\0\0\0\x02\0\0\0\x0f\0\0\x0f\0\0".to_vec();
        moving.extend_from_slice(b"ANMF\x22\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0");
        moving.extend_from_slice(b"VP8L\x05\0\0\0\x2f\xff\xff\xff\x0f");
        let out = read(Kind::Webp, &moving);
        assert_eq!((out.width, out.height, out.moving), (16384, 16384, true));
    }

    #[test]
    fn finds_exif_wherever_the_container_keeps_it() {
        let mut png = b"\x89PNG\r\n\x1a\n\0\0\0\x0dIHDR\0\0\0\x05\0\0\0\x07\x08\x02\0\0\0\0\0\0\0".to_vec();
        png.extend_from_slice(b"\0\0\0\x04eXIfMM\0*\0\0\0\0\0\0\0\0IEND\0\0\0\0xyz");
        let out = read(Kind::Png, &png);
        assert_eq!((out.width, out.height, out.whole, out.after), (5, 7, true, 3));
        assert_eq!(out.exif.as_deref(), Some(&b"MM\0*"[..]));
        let mut webp = b"RIFF\x2a\0\0\0WEBPVP8X\x0a\0\0\0\0\0\0\0\x0f\0\0\x0f\0\0".to_vec();
        webp.extend_from_slice(b"EXIF\x0a\0\0\0Exif\0\0MM\0*");
        let out = read(Kind::Webp, &webp);
        assert_eq!(out.exif.as_deref(), Some(&b"MM\0*"[..]));
        assert!(!out.whole);
    }
}
