//! What kind of picture the bytes are, by the bytes alone: never by the file's name or by the media type that was sent.

use serde::{Deserialize, Serialize};

/// A kind of file that the shop keeps.
///
/// The decoder is told this kind and nothing else, so a file that is two things at once is only ever read as one.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Kind {
    /// JPEG (ISO/IEC 10918-1).
    Jpeg,
    /// PNG (W3C PNG, third edition).
    Png,
    /// WebP (RFC 9649).
    Webp,
    /// HEIC (ISO/IEC 23008-12). Kept, its claims are read; its picture is looked at where the decoder manages.
    Heic,
    /// A film in an ISO base media file (ISO/IEC 14496-12). Kept and played, never told by [`sniff`]: it has to be said first.
    Mp4,
    /// A film in QuickTime's own container.
    QuickTime,
}

impl Kind {
    /// Whether it is a film.
    pub fn is_film(self) -> bool {
        matches!(self, Kind::Mp4 | Kind::QuickTime)
    }

    /// The media type under which the original is stored and served.
    pub fn media_type(self) -> &'static str {
        match self {
            Kind::Jpeg => "image/jpeg",
            Kind::Png => "image/png",
            Kind::Webp => "image/webp",
            Kind::Heic => "image/heic",
            Kind::Mp4 => "video/mp4",
            Kind::QuickTime => "video/quicktime",
        }
    }
}

/// Tells the kind from the first bytes. `None` means: refuse it.
///
/// The checks are stricter than the usual magic numbers, because what passes here is given to a decoder:
/// a PNG must begin with its header chunk, a WebP with one of its three picture chunks, and an ISO media file must
/// name a HEIC brand (an AVIF or a film is refused).
pub fn sniff(bytes: &[u8]) -> Option<Kind> {
    if bytes.starts_with(&[0xFF, 0xD8, 0xFF]) {
        return Some(Kind::Jpeg);
    }
    if bytes.starts_with(b"\x89PNG\r\n\x1a\n\0\0\0\x0dIHDR") {
        return Some(Kind::Png);
    }
    if bytes.starts_with(b"RIFF") && bytes.get(8..12) == Some(b"WEBP") {
        let picture = bytes.get(12..16)?;
        return [b"VP8 ", b"VP8L", b"VP8X"].iter().any(|c| c.as_slice() == picture).then_some(Kind::Webp);
    }
    if bytes.get(4..8) == Some(b"ftyp") && names_heic(bytes) {
        return Some(Kind::Heic);
    }
    None
}

/// Whether an ISO base media file says it is HEIC: by its major brand, or as a plain image file with a HEIC brand
/// among the compatible ones (ISO/IEC 23008-12 B.4).
fn names_heic(bytes: &[u8]) -> bool {
    const HEIC: [&[u8]; 6] = [b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx"];
    const PLAIN: [&[u8]; 2] = [b"mif1", b"msf1"];
    let Some((size, rest)) = bytes.split_first_chunk::<4>() else { return false };
    let size = u32::from_be_bytes(*size) as usize;
    // Type, major brand, minor version, then the compatible brands; a real one names a handful.
    if !(16..=1024).contains(&size) {
        return false;
    }
    let Some(body) = rest.get(4..size.min(bytes.len()) - 4) else { return false };
    let mut brands = body.chunks_exact(4);
    let Some(major) = brands.next() else { return false };
    if HEIC.contains(&major) {
        return true;
    }
    PLAIN.contains(&major) && brands.skip(1).any(|b| HEIC.contains(&b))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ftyp(major: &[u8; 4], compatible: &[&[u8; 4]]) -> Vec<u8> {
        let size = u32::try_from(16 + 4 * compatible.len()).unwrap();
        let mut out = size.to_be_bytes().to_vec();
        out.extend_from_slice(b"ftyp");
        out.extend_from_slice(major);
        out.extend_from_slice(&[0; 4]);
        compatible.iter().for_each(|b| out.extend_from_slice(*b));
        out
    }

    // Magic numbers: ISO/IEC 10918-1 B.1.1.3, PNG 5.2 and 5.6, RFC 9649 2.7, ISO/IEC 23008-12 B.4 (from memory).
    #[test]
    fn knows_the_four_kinds() {
        assert_eq!(sniff(&[0xFF, 0xD8, 0xFF, 0xE0]), Some(Kind::Jpeg));
        assert_eq!(sniff(b"\x89PNG\r\n\x1a\n\0\0\0\x0dIHDR"), Some(Kind::Png));
        assert_eq!(sniff(b"RIFF\x10\0\0\0WEBPVP8L"), Some(Kind::Webp));
        assert_eq!(sniff(&ftyp(b"heic", &[])), Some(Kind::Heic));
        assert_eq!(sniff(&ftyp(b"mif1", &[b"mif1", b"heic"])), Some(Kind::Heic));
    }

    #[test]
    fn refuses_everything_else() {
        for other in [
            &b""[..],
            b"\xFF",
            b"\xFF\xD8",
            b"GIF89a",
            b"%PDF-1.7",
            b"<svg xmlns=",
            b"II*\0\x08\0\0\0",
            b"\x89PNG\r\n\x1a\n\0\0\0\x0dIDAT",
            b"RIFF\x10\0\0\0WAVEfmt ",
            b"RIFF\x10\0\0\0WEBPJUNK",
            b"PK\x03\x04",
        ] {
            assert_eq!(sniff(other), None, "{other:?}");
        }
        assert_eq!(sniff(&ftyp(b"avif", &[b"mif1", b"heic"])), None);
        assert_eq!(sniff(&ftyp(b"isom", &[b"mp41"])), None);
        assert_eq!(sniff(&ftyp(b"mif1", &[b"avif"])), None);
    }

    // A file may be a valid archive or page as well: only what stands first counts (own rule, no source).
    #[test]
    fn a_file_that_is_two_things_is_read_as_one() {
        let mut page = b"<html>".to_vec();
        page.extend_from_slice(&[0xFF, 0xD8, 0xFF, 0xE0]);
        assert_eq!(sniff(&page), None);
        let mut picture = vec![0xFF, 0xD8, 0xFF, 0xFE, 0, 8];
        picture.extend_from_slice(b"<html>PK\x03\x04");
        assert_eq!(sniff(&picture), Some(Kind::Jpeg));
    }
}
