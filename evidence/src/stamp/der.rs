//! Reads DER (ITU-T X.690), bounded by the bytes given: lengths in their shortest form, tags of one byte, nothing left over.

/// One element: its tag, its contents, and the bytes of the whole.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Element<'a> {
    /// The tag's byte.
    pub tag: u8,
    /// The contents.
    pub value: &'a [u8],
    /// Tag, length and contents.
    pub whole: &'a [u8],
}

/// Tags that are used here.
pub const BOOLEAN: u8 = 0x01;
/// INTEGER.
pub const INTEGER: u8 = 0x02;
/// BIT STRING.
pub const BITS: u8 = 0x03;
/// OCTET STRING.
pub const OCTETS: u8 = 0x04;
/// OBJECT IDENTIFIER.
pub const OID: u8 = 0x06;
/// UTCTime.
pub const UTC_TIME: u8 = 0x17;
/// GeneralizedTime.
pub const TIME: u8 = 0x18;
/// SEQUENCE.
pub const SEQUENCE: u8 = 0x30;
/// SET.
pub const SET: u8 = 0x31;

/// What is left to be read.
#[derive(Clone, Copy, Debug)]
pub struct Reader<'a>(&'a [u8]);

impl<'a> Reader<'a> {
    /// Reads these bytes.
    pub fn new(bytes: &'a [u8]) -> Reader<'a> {
        Reader(bytes)
    }

    /// The next element.
    pub fn any(&mut self) -> Option<Element<'a>> {
        let (&tag, &first) = (self.0.first()?, self.0.get(1)?);
        // Tags above 30 have more bytes; none is used here.
        if tag & 0x1f == 0x1f {
            return None;
        }
        let (length, head) = match first {
            0..=0x7f => (usize::from(first), 2),
            0x81..=0x83 => {
                let more = usize::from(first & 0x7f);
                let bytes = self.0.get(2..2 + more)?;
                let length = bytes.iter().fold(0, |n, b| n << 8 | usize::from(*b));
                // The shortest form is the only one.
                let least = if more == 1 { 0x80 } else { 1 << (8 * (more - 1)) };
                (length >= least).then_some((length, 2 + more))?
            }
            _ => return None,
        };
        let whole = self.0.get(..head.checked_add(length)?)?;
        self.0 = &self.0[whole.len()..];
        Some(Element { tag, value: &whole[head..], whole })
    }

    /// The next element, which has this tag.
    pub fn take(&mut self, tag: u8) -> Option<Element<'a>> {
        self.any().filter(|e| e.tag == tag)
    }

    /// The next element when it has this tag; otherwise nothing is read.
    pub fn maybe(&mut self, tag: u8) -> Option<Option<Element<'a>>> {
        if self.0.first() == Some(&tag) { self.take(tag).map(Some) } else { Some(None) }
    }

    /// The contents of the next element, which has this tag, to be read in turn.
    pub fn inside(&mut self, tag: u8) -> Option<Reader<'a>> {
        self.take(tag).map(|e| Reader(e.value))
    }

    /// Nothing is left.
    pub fn end(self) -> Option<()> {
        self.0.is_empty().then_some(())
    }

    /// All elements that are left; at most so many.
    pub fn all(mut self, most: usize) -> Option<Vec<Element<'a>>> {
        let mut out = Vec::new();
        while !self.0.is_empty() {
            if out.len() == most {
                return None;
            }
            out.push(self.any()?);
        }
        Some(out)
    }
}

/// A whole document that is one element of this tag.
pub fn only(bytes: &[u8], tag: u8) -> Option<Reader<'_>> {
    let mut reader = Reader::new(bytes);
    let inside = reader.inside(tag)?;
    reader.end()?;
    Some(inside)
}

/// The bits of a BIT STRING of whole bytes.
pub fn whole_bits<'a>(element: &Element<'a>) -> Option<&'a [u8]> {
    match element.value.split_first() {
        Some((0, bits)) => Some(bits),
        _ => None,
    }
}

/// A whole number that is not negative and below 2^31.
pub fn small(element: &Element<'_>) -> Option<u32> {
    let v = element.value;
    let shortest = v.len() < 2 || v[0] != 0 || v[1] >= 0x80;
    ((1..=4).contains(&v.len()) && v[0] < 0x80 && shortest).then(|| v.iter().fold(0, |n, b| n << 8 | u32::from(*b)))
}

/// A BOOLEAN.
pub fn truth(element: &Element<'_>) -> Option<bool> {
    match element.value {
        [0] => Some(false),
        [0xff] => Some(true),
        _ => None,
    }
}

/// Milliseconds since the Unix epoch of a time in UTC; a GeneralizedTime may have a fraction, which is given as it stands.
pub fn time<'a>(element: &Element<'a>) -> Option<(i64, &'a str)> {
    let text = std::str::from_utf8(element.value).ok()?.strip_suffix('Z')?;
    let (whole, fraction) = text.split_once('.').unwrap_or((text, ""));
    if text.contains('.') && (fraction.is_empty() || fraction.len() > 9) {
        return None;
    }
    let digits = |t: &str| t.bytes().all(|c| c.is_ascii_digit());
    let long = match (element.tag, whole.len()) {
        (TIME, 14) => whole.to_owned(),
        // RFC 5280, 4.1.2.5.1: two digits from 50 on are of the last century.
        (UTC_TIME, 12) if fraction.is_empty() => format!("{}{whole}", if whole < "50" { "20" } else { "19" }),
        _ => return None,
    };
    if !digits(whole) || !digits(fraction) {
        return None;
    }
    let part = |from: usize, to: usize| &long[from..to];
    let millis = format!("{fraction:0<3}");
    let written = format!(
        "{}-{}-{}T{}:{}:{}.{}Z",
        part(0, 4),
        part(4, 6),
        part(6, 8),
        part(8, 10),
        part(10, 12),
        part(12, 14),
        &millis[..3]
    );
    Some((crate::time::parse(&written)?, fraction))
}

/// Writes an element.
pub fn write(tag: u8, value: &[u8]) -> Vec<u8> {
    let n = value.len();
    let mut out = vec![tag];
    match n {
        0..=0x7f => out.push(n as u8),
        0x80..=0xff => out.extend([0x81, n as u8]),
        _ => out.extend([0x82, (n >> 8) as u8, n as u8]),
    }
    out.extend_from_slice(value);
    out
}
