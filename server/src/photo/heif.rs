//! What the container of a HEIC file says (ISO/IEC 14496-12 8.11: item information, location and references).
//!
//! Our own reader: the EXIF library's refuses a block over 128 KB and phones write larger ones, and what a decoder would
//! copy has to be known before it is asked.

use std::borrow::Cow;

use super::layout::MAX_EXIF;

/// The most items that are looked at; a tiled phone picture has some 50.
const MAX_ITEMS: u32 = 4096;

/// The most copies of an item that a picture without a grid asks for: itself, its transparency, what it is derived from.
const MOST_COPIES: u64 = 4;

/// What the container says of its pictures, unbelieved.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Pictures {
    /// The size of the largest picture in it, pixels across and lines; 0 where it says none.
    pub size: (u32, u32),
    /// Whether a picture is put together from tiles.
    pub grid: bool,
    /// At most so many bytes a decoder copies out of the file.
    pub copies: u64,
    /// Whether the boxes reach the end of the file and the items lie inside it.
    pub whole: bool,
}

/// Reads what the container says of its pictures.
pub fn pictures(bytes: &[u8]) -> Pictures {
    let mut out = Pictures::default();
    let Some(meta) = boxes(bytes).find(|(name, _)| name == b"meta").and_then(|(_, body)| body.get(4..)) else {
        return out;
    };
    let of = |wanted: &'static [u8; 4]| boxes(meta).find(|(name, _)| name == wanted).map(|(_, body)| body);
    let properties = of(b"iprp").and_then(|body| boxes(body).find(|(name, _)| name == b"ipco")).map(|(_, body)| body);
    for (name, body) in properties.into_iter().flat_map(boxes).take(MAX_ITEMS as usize) {
        let mut cursor = Cursor(body.get(4..).unwrap_or_default());
        if name == *b"ispe"
            && let (Some(width), Some(height)) = (cursor.number(4), cursor.number(4))
            && width * height > u64::from(out.size.0) * u64::from(out.size.1)
        {
            out.size = (width as u32, height as u32);
        }
    }
    out.grid = of(b"iinf").is_some_and(|body| item_of_type(body, b"grid").is_some());
    let located = of(b"iloc").and_then(|body| extents(body, bytes.len() as u64));
    let (largest, end) = located.unwrap_or((u64::MAX, 0));
    // Each reference takes two bytes at least (8.11.12).
    let references = of(b"iref").map_or(0, |body| body.len() as u64 / 2).max(1);
    let times = if out.grid { references } else { references.min(MOST_COPIES) };
    out.copies = largest.saturating_mul(times);
    let mut all = boxes(bytes);
    all.by_ref().for_each(drop);
    out.whole = all.rest.is_empty() && end <= bytes.len() as u64;
    out
}

/// The bytes of the largest item, and where the last one ends.
fn extents(body: &[u8], file: u64) -> Option<(u64, u64)> {
    let (mut largest, mut last) = (0u64, 0u64);
    each_item(body, |_, location| {
        let sum = location
            .extents
            .iter()
            .fold(0u64, |sum, (_, len)| sum.saturating_add(if *len == 0 { file } else { (*len).min(file) }));
        largest = largest.max(sum);
        if !location.in_idat {
            let end = location.extents.iter().map(|(from, len)| from.saturating_add(*len)).max();
            last = last.max(end.unwrap_or(0));
        }
        None::<()>
    });
    (largest > 0).then_some((largest, last))
}

/// The first item of type `Exif`, from its TIFF header on. `None` where there is none or the boxes make no sense.
pub fn exif(bytes: &[u8]) -> Option<Cow<'_, [u8]>> {
    let meta = boxes(bytes).find(|(name, _)| name == b"meta")?.1.get(4..)?;
    let item = boxes(meta).find(|(name, _)| name == b"iinf").and_then(|(_, body)| item_of_type(body, b"Exif"))?;
    let location = boxes(meta).find(|(name, _)| name == b"iloc").and_then(|(_, body)| locate(body, item))?;
    let idat = boxes(meta).find(|(name, _)| name == b"idat").map(|(_, body)| body);
    let source = if location.in_idat { idat? } else { bytes };
    let block = gather(source, &location.extents)?;
    // The item begins with the distance to the TIFF header (ISO/IEC 23008-12 A.2.1).
    let skip = u32::from_be_bytes(*block.first_chunk()?) as usize;
    let from = skip.checked_add(4).filter(|n| *n <= block.len())?;
    Some(match block {
        Cow::Borrowed(b) => Cow::Borrowed(&b[from..]),
        Cow::Owned(b) => Cow::Owned(b[from..].to_vec()),
    })
}

/// One extent in place, several joined; never more than [`MAX_EXIF`] and its header.
fn gather<'a>(source: &'a [u8], extents: &[(u64, u64)]) -> Option<Cow<'a, [u8]>> {
    let part = |&(offset, len): &(u64, u64)| {
        let offset = usize::try_from(offset).ok()?;
        let rest = source.get(offset..)?;
        Some(if len == 0 { rest } else { &rest[..usize::try_from(len).ok()?.min(rest.len())] })
    };
    if let [one] = extents {
        return part(one).map(Cow::Borrowed);
    }
    let mut out = Vec::new();
    for extent in extents {
        let part = part(extent)?;
        out.extend_from_slice(&part[..part.len().min((MAX_EXIF + 64).saturating_sub(out.len()))]);
    }
    Some(Cow::Owned(out))
}

/// The boxes of one level: type and body. Ends at the first that does not fit.
fn boxes(bytes: &[u8]) -> Boxes<'_> {
    Boxes { rest: bytes }
}

struct Boxes<'a> {
    /// What was not taken yet; in the end, what did not fit.
    rest: &'a [u8],
}

impl<'a> Iterator for Boxes<'a> {
    type Item = ([u8; 4], &'a [u8]);

    fn next(&mut self) -> Option<Self::Item> {
        let mut cursor = Cursor(self.rest);
        let size = cursor.number(4)?;
        let name = *cursor.take(4)?.first_chunk()?;
        let (header, size) = match size {
            0 => (8, self.rest.len()),
            1 => (16, usize::try_from(cursor.number(8)?).ok()?),
            n => (8, usize::try_from(n).ok()?),
        };
        let body = self.rest.get(header..size)?;
        self.rest = &self.rest[size..];
        Some((name, body))
    }
}

/// The number of the first item of a type in an item information box.
fn item_of_type(body: &[u8], wanted: &[u8; 4]) -> Option<u64> {
    let mut cursor = Cursor(body);
    let version = cursor.full_box()?;
    cursor.number(if version == 0 { 2 } else { 4 })?;
    boxes(cursor.0).take(MAX_ITEMS as usize).filter(|(name, _)| name == b"infe").find_map(|(_, entry)| {
        let mut cursor = Cursor(entry);
        let item = match cursor.full_box()? {
            2 => cursor.number(2)?,
            3 => cursor.number(4)?,
            _ => return None,
        };
        cursor.number(2)?;
        (cursor.take(4)? == wanted).then_some(item)
    })
}

struct Location {
    in_idat: bool,
    /// In this file, at a place that is said outright.
    here: bool,
    /// Offset and length; length 0 is "to the end".
    extents: Vec<(u64, u64)>,
}

/// Finds an item in an item location box.
fn locate(body: &[u8], wanted: u64) -> Option<Location> {
    each_item(body, |item, location| (item == wanted).then_some(location)).filter(|l| l.extents.len() <= 64 && l.here)
}

/// Goes through an item location box until something is found.
fn each_item<T>(body: &[u8], mut found: impl FnMut(u64, Location) -> Option<T>) -> Option<T> {
    let mut cursor = Cursor(body);
    let version = cursor.full_box()?;
    let sizes = cursor.number(2)?;
    let size = |shift: u64| usize::try_from(sizes >> shift & 15).ok().filter(|n| matches!(n, 0 | 4 | 8));
    let (offset_size, length_size, base_size) = (size(12)?, size(8)?, size(4)?);
    let index_size = if version == 0 { 0 } else { size(0)? };
    let id_size = if version < 2 { 2 } else { 4 };
    let count = cursor.number(id_size)?;
    for _ in 0..count.min(u64::from(MAX_ITEMS)) {
        let item = cursor.number(id_size)?;
        let method = if version == 0 { 0 } else { cursor.number(2)? & 15 };
        let elsewhere = cursor.number(2)? != 0;
        let base = cursor.number(base_size)?;
        let mut extents = Vec::new();
        for _ in 0..cursor.number(2)? {
            cursor.number(index_size)?;
            let offset = base.checked_add(cursor.number(offset_size)?)?;
            extents.push((offset, cursor.number(length_size)?));
        }
        let location = Location { in_idat: method == 1, here: method < 2 && !elsewhere, extents };
        if let Some(out) = found(item, location) {
            return Some(out);
        }
    }
    None
}

/// The bytes not yet read.
struct Cursor<'a>(&'a [u8]);

impl<'a> Cursor<'a> {
    fn take(&mut self, n: usize) -> Option<&'a [u8]> {
        let (head, rest) = self.0.split_at_checked(n)?;
        self.0 = rest;
        Some(head)
    }

    /// A big-endian number of `n` bytes, at most 8; no bytes are 0.
    fn number(&mut self, n: usize) -> Option<u64> {
        Some(self.take(n)?.iter().fold(0, |sum, b| sum << 8 | u64::from(*b)))
    }

    /// The version of a full box; its flags are skipped.
    fn full_box(&mut self) -> Option<u64> {
        Some(self.number(4)? >> 24)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn boxed(name: &[u8; 4], body: &[u8]) -> Vec<u8> {
        let mut out = u32::try_from(body.len() + 8).unwrap().to_be_bytes().to_vec();
        out.extend_from_slice(name);
        out.extend_from_slice(body);
        out
    }

    fn file(extents: &[(u32, u32)]) -> Vec<u8> {
        let infe = boxed(b"infe", b"\x02\0\0\0\0\x09\0\0Exif\0");
        let iinf = boxed(b"iinf", &[&b"\0\0\0\0\0\x01"[..], &infe].concat());
        let mut iloc = b"\0\0\0\0\x44\0\0\x01\0\x09\0\0".to_vec();
        iloc.extend_from_slice(&u16::try_from(extents.len()).unwrap().to_be_bytes());
        for (offset, len) in extents {
            iloc.extend_from_slice(&offset.to_be_bytes());
            iloc.extend_from_slice(&len.to_be_bytes());
        }
        let meta = boxed(b"meta", &[&b"\0\0\0\0"[..], &iinf, &boxed(b"iloc", &iloc)].concat());
        let mut out = [boxed(b"ftyp", b"heic\0\0\0\0"), meta].concat();
        out.resize(200, 0);
        out.extend_from_slice(b"\0\0\0\x06Exif\0\0MM\0*rest");
        out
    }

    #[test]
    fn finds_the_block_in_one_or_more_extents() {
        assert_eq!(exif(&file(&[(200, 14)])).as_deref(), Some(&b"MM\0*"[..]));
        assert_eq!(exif(&file(&[(200, 3), (203, 11)])).as_deref(), Some(&b"MM\0*"[..]));
        assert_eq!(exif(&file(&[(200, 0)])).as_deref(), Some(&b"MM\0*rest"[..]));
    }

    #[test]
    fn what_a_decoder_would_copy_is_known_before() {
        let ispe = |w: u32, h: u32| boxed(b"ispe", &[&[0; 4][..], &w.to_be_bytes(), &h.to_be_bytes()].concat());
        let properties = boxed(b"iprp", &boxed(b"ipco", &[ispe(512, 512), ispe(4032, 3024), ispe(320, 240)].concat()));
        let grid = boxed(b"infe", b"\x02\0\0\0\0\x01\0\0grid\0");
        let iinf = boxed(b"iinf", &[&b"\0\0\0\0\0\x01"[..], &grid].concat());
        // One item of 1000 bytes, in the picture 30 times.
        let mut iloc = b"\0\0\0\0\x44\0\0\x01\0\x09\0\0\0\x01".to_vec();
        iloc.extend_from_slice(&500u32.to_be_bytes());
        iloc.extend_from_slice(&1000u32.to_be_bytes());
        let meta = [&[0; 4][..], &iinf, &properties, &boxed(b"iloc", &iloc), &boxed(b"iref", &[0; 60])].concat();
        let mut file = [boxed(b"ftyp", b"heic\0\0\0\0"), boxed(b"meta", &meta)].concat();
        let rest = vec![0; 1500 - file.len() - 8];
        file.extend(boxed(b"mdat", &rest));
        let found = pictures(&file);
        assert_eq!(found, Pictures { size: (4032, 3024), grid: true, copies: 30_000, whole: true });
        assert!(!pictures(&file[..1400]).whole);
        assert_eq!(pictures(b""), Pictures::default());
    }

    #[test]
    fn nonsense_is_nothing() {
        assert_eq!(exif(&file(&[(9000, 14)])), None);
        assert_eq!(exif(&file(&[(0, 3)])), None);
        let whole = file(&[(200, 14)]);
        for n in 0..200 {
            assert_eq!(exif(&whole[..n]), None, "cut at {n}");
        }
        for n in 0..whole.len() {
            let mut bent = whole.clone();
            bent[n] ^= 0xFF;
            let _ = exif(&bent);
        }
    }
}
