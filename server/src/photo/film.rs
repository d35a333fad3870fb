//! A film beside the photos: what its container says of itself. It is kept and played, never decoded.
//!
//! ISO base media files (ISO/IEC 14496-12) and QuickTime, as phones record them. Only headers are read, wherever in the file
//! they stand: a film of 256 MB takes no more memory than a short one.

use std::io::{self, Read, Seek, SeekFrom};

use super::claims::Claims;
use super::judge::{Judged, Reason, Verdict};
use super::kind::Kind;

/// The longest film, in milliseconds: 30 seconds, and the one that a phone takes to stop (common practice, no source).
pub const LONGEST_MS: u64 = 31_000;
/// Most of the movie box that is read, bytes; a phone's for 30 seconds has some 30 KB.
const MAX_MOOV: u64 = 4 * 1024 * 1024;
/// Most boxes of one level that are looked at.
const MAX_BOXES: usize = 4096;
/// Seconds from 1904, from which these files count (14496-12 8.2.2.3), to 1970.
const SINCE_1904: i64 = 2_082_844_800;

/// What a container says, unbelieved.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Film {
    /// Which container.
    pub kind: Kind,
    /// Its length in milliseconds; none where the header does not say, as in one that was recorded in pieces.
    pub duration_ms: Option<u64>,
    /// When it was made, seconds since 1970, UTC by the standard; none where it says 0.
    pub created: Option<i64>,
    /// The largest track, pixels across and down; 0 where none says.
    pub size: (u32, u32),
    /// Whether the boxes reach the end of the file.
    pub whole: bool,
}

/// Reads the headers of a file of `len` bytes. `None`: this is no film that is kept.
///
/// # Errors
/// The source's.
pub fn read(source: &mut (impl Read + Seek), len: u64) -> io::Result<Option<Film>> {
    let mut film: Option<Film> = None;
    let mut at = 0u64;
    for _ in 0..MAX_BOXES {
        let Some((name, header, size)) = head(source, at, len)? else { break };
        if at == 0 {
            if &name != b"ftyp" || !(16..=1024).contains(&size) {
                return Ok(None);
            }
            let Some(kind) = brands(&body(source, at + header, size - header)?) else { return Ok(None) };
            film = Some(Film { kind, duration_ms: None, created: None, size: (0, 0), whole: false });
        } else if &name == b"moov" {
            let moov = body(source, at + header, (size - header).min(MAX_MOOV).min(len.saturating_sub(at + header)))?;
            if let Some(film) = &mut film {
                movie(&moov, film);
            }
        }
        at = at.saturating_add(size);
        if at >= len {
            break;
        }
    }
    if let Some(film) = &mut film {
        film.whole = at == len && film.size != (0, 0);
    }
    Ok(film)
}

/// A box's name, the length of its header, its whole length.
fn head(source: &mut (impl Read + Seek), at: u64, len: u64) -> io::Result<Option<([u8; 4], u64, u64)>> {
    if at.checked_add(8).is_none_or(|end| end > len) {
        return Ok(None);
    }
    let start = body(source, at, 16.min(len - at))?;
    let (Some(short), Some(name)) = (be32(&start, 0), start.get(4..8).and_then(<[u8]>::first_chunk)) else {
        return Ok(None);
    };
    let (header, size) = match short {
        0 => (8, len - at),
        1 => (16, start.get(8..16).and_then(<[u8]>::first_chunk).map_or(0, |b| u64::from_be_bytes(*b))),
        n => (8, u64::from(n)),
    };
    Ok((size >= header).then_some((*name, header, size)))
}

fn body(source: &mut (impl Read + Seek), at: u64, len: u64) -> io::Result<Vec<u8>> {
    source.seek(SeekFrom::Start(at))?;
    let mut out = Vec::new();
    source.take(len).read_to_end(&mut out)?;
    Ok(out)
}

/// The container, by its brands (14496-12 4.3): QuickTime's own, or one of the usual ones of films.
fn brands(body: &[u8]) -> Option<Kind> {
    const FILMS: [&[u8]; 14] = [
        b"isom", b"iso2", b"iso4", b"iso5", b"iso6", b"mp41", b"mp42", b"avc1", b"M4V ", b"M4VH", b"MSNV", b"3gp4",
        b"3gp5", b"3gp6",
    ];
    let mut all = body.chunks_exact(4);
    let major = all.next()?;
    if major == b"qt  " {
        return Some(Kind::QuickTime);
    }
    // A picture's file may name a film's brand among the others; its own comes first.
    FILMS.contains(&major).then_some(Kind::Mp4)
}

/// The boxes of one level in memory.
fn boxes(bytes: &[u8]) -> impl Iterator<Item = ([u8; 4], &[u8])> {
    let mut rest = bytes;
    std::iter::from_fn(move || {
        let short = be32(rest, 0)?;
        let name = *rest.get(4..8)?.first_chunk()?;
        let (header, size) = match short {
            0 => (8, rest.len()),
            1 => (16, usize::try_from(u64::from_be_bytes(*rest.get(8..16)?.first_chunk()?)).ok()?),
            n => (8, usize::try_from(n).ok()?),
        };
        let body = rest.get(header..size)?;
        rest = &rest[size..];
        Some((name, body))
    })
    .take(MAX_BOXES)
}

/// The movie's own header, and the largest of its tracks (14496-12 8.2.2, 8.3.2).
fn movie(moov: &[u8], film: &mut Film) {
    for (name, body) in boxes(moov) {
        match &name {
            b"mvhd" => {
                let long = body.first() == Some(&1);
                let (created, scale, duration) = if long {
                    (be64(body, 4), be32(body, 20), be64(body, 24))
                } else {
                    (be32(body, 4).map(u64::from), be32(body, 12), be32(body, 16).map(u64::from))
                };
                film.created = created
                    .filter(|c| *c > 0)
                    .and_then(|c| i64::try_from(c).ok())
                    .and_then(|c| c.checked_sub(SINCE_1904));
                let known = duration.filter(|d| *d > 0 && *d != u64::from(u32::MAX) && *d != u64::MAX);
                film.duration_ms = match (known, scale) {
                    (Some(d), Some(s)) if s > 0 => Some(d.saturating_mul(1000) / u64::from(s)),
                    _ => None,
                };
            }
            b"trak" => {
                let Some((_, tkhd)) = boxes(body).find(|(n, _)| n == b"tkhd") else { continue };
                let at = if tkhd.first() == Some(&1) { 88 } else { 76 };
                // 16.16 fixed point; a track without a picture says 0.
                if let (Some(width), Some(height)) = (be32(tkhd, at), be32(tkhd, at + 4)) {
                    film.size = film.size.max((width >> 16, height >> 16));
                }
            }
            _ => {}
        }
    }
}

fn be32(bytes: &[u8], at: usize) -> Option<u32> {
    Some(u32::from_be_bytes(*bytes.get(at..)?.first_chunk()?))
}

fn be64(bytes: &[u8], at: usize) -> Option<u64> {
    Some(u64::from_be_bytes(*bytes.get(at..)?.first_chunk()?))
}

/// What is said of a film: it is kept, and a person has to look.
pub fn judged(film: &Film) -> (Judged, Claims) {
    let seconds = film.duration_ms.map(|ms| i64::try_from(ms.div_ceil(1000)).unwrap_or(i64::MAX));
    let told = match seconds {
        Some(seconds) => Reason::new("photo.film").and("seconds", seconds),
        None => Reason::new("photo.film-no-length"),
    };
    let mut judged = Judged::start(Verdict::NotJudged, vec![told]);
    if !film.whole {
        judged.reasons.push(Reason::new("photo.film-cut-off"));
    }
    if film.size != (0, 0) {
        judged.measures.extend([("width", i64::from(film.size.0)), ("height", i64::from(film.size.1))]);
    }
    if let Some(ms) = film.duration_ms {
        judged.measures.insert("duration_ms", i64::try_from(ms).unwrap_or(i64::MAX));
    }
    let made = film.created.and_then(|s| s.checked_mul(1000)).filter(|ms| *ms >= 0);
    (judged, Claims { film_created: made.map(evidence::time::format), ..Claims::default() })
}

#[cfg(test)]
mod tests {
    use std::io::Cursor;

    use super::*;

    fn a_box(name: &[u8; 4], body: &[u8]) -> Vec<u8> {
        let mut out = u32::try_from(body.len() + 8).unwrap().to_be_bytes().to_vec();
        out.extend_from_slice(name);
        out.extend_from_slice(body);
        out
    }

    /// 12.5 s of 1920 × 1080, made 2026-11-24 09:12:44 UTC. Laid out from memory after 14496-12.
    fn film(major: &[u8; 4]) -> Vec<u8> {
        let mut mvhd = vec![0; 100];
        mvhd[4..8].copy_from_slice(&u32::try_from(1_795_511_564 + SINCE_1904).unwrap().to_be_bytes());
        mvhd[12..16].copy_from_slice(&600u32.to_be_bytes());
        mvhd[16..20].copy_from_slice(&7500u32.to_be_bytes());
        let mut tkhd = vec![0; 84];
        tkhd[76..80].copy_from_slice(&(1920u32 << 16).to_be_bytes());
        tkhd[80..84].copy_from_slice(&(1080u32 << 16).to_be_bytes());
        let moov = [a_box(b"mvhd", &mvhd), a_box(b"trak", &a_box(b"tkhd", &tkhd))].concat();
        let ftyp = [&major[..], &[0; 4], b"isom"].concat();
        [a_box(b"ftyp", &ftyp), a_box(b"mdat", &[7; 1000]), a_box(b"moov", &moov)].concat()
    }

    fn of(bytes: &[u8]) -> Option<Film> {
        read(&mut Cursor::new(bytes), bytes.len() as u64).unwrap()
    }

    #[test]
    fn the_headers_say_length_size_and_time() {
        let told = of(&film(b"mp42")).unwrap();
        assert_eq!((told.kind, told.duration_ms, told.size, told.whole), (Kind::Mp4, Some(12_500), (1920, 1080), true));
        assert_eq!(of(&film(b"qt  ")).unwrap().kind, Kind::QuickTime);
        let (judged, claims) = judged(&told);
        assert_eq!(claims.film_created.as_deref(), Some("2026-11-24T09:12:44.000Z"));
        assert_eq!(judged.verdict, Verdict::NotJudged);
        assert_eq!(judged.reasons, [Reason::new("photo.film").and("seconds", 13)]);
    }

    #[test]
    fn what_is_no_film_is_none_and_what_is_cut_off_is_told() {
        for other in [
            &b""[..],
            b"\xFF\xD8\xFF\xE0",
            b"\0\0\0\x18ftypheic\0\0\0\0mif1heic",
            b"\0\0\0\x18ftypavif\0\0\0\0isommif1",
        ] {
            assert_eq!(of(other), None, "{other:?}");
        }
        let whole = film(b"isom");
        for cut in 24..whole.len() {
            assert!(!of(&whole[..cut]).unwrap().whole, "{cut}");
        }
    }

    #[test]
    fn lengths_that_make_no_sense_end_the_walk() {
        for size in [0u32, 1, 2, 7, 8, u32::MAX] {
            let mut bytes = film(b"isom");
            bytes[20..24].copy_from_slice(&size.to_be_bytes());
            let told = of(&bytes).unwrap();
            assert!(!told.whole && told.duration_ms.is_none(), "{size}: {told:?}");
        }
    }
}
