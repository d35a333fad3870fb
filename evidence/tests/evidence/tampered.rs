//! Archives changed byte by byte.

/// Bytes with the first place that reads so written otherwise.
pub fn changed(bytes: &[u8], from: &[u8], to: &[u8]) -> Vec<u8> {
    let at = bytes.windows(from.len()).position(|w| w == from).expect("what is changed is there");
    [&bytes[..at], to, &bytes[at + from.len()..]].concat()
}

/// A member's name where it stands in both headers; both names have the same length.
pub fn renamed(bytes: &[u8], from: &[u8], to: &[u8]) -> Vec<u8> {
    let mut out = bytes.to_vec();
    let places: Vec<usize> = (0..bytes.len() - from.len())
        .filter(|i| {
            bytes[*i..].starts_with(from)
                && (bytes[..*i].ends_with(&[0, 0])
                    || i.checked_sub(46).is_some_and(|c| bytes[c..].starts_with(b"PK\x01\x02")))
        })
        .filter(|i| {
            i.checked_sub(30).is_some_and(|l| bytes[l..].starts_with(b"PK\x03\x04"))
                || i.checked_sub(46).is_some_and(|c| bytes[c..].starts_with(b"PK\x01\x02"))
        })
        .collect();
    assert_eq!(places.len(), 2, "a name stands in two headers");
    for place in places {
        out[place..place + to.len()].copy_from_slice(to);
    }
    out
}

/// A member that says it is compressed, in both headers, and is much larger than it looks.
pub fn compressed(bytes: &[u8]) -> Vec<u8> {
    let mut out = bytes.to_vec();
    let central = bytes.windows(4).position(|w| w == b"PK\x01\x02").unwrap();
    out[8] = 8;
    out[central + 10] = 8;
    out[central + 24..central + 28].copy_from_slice(&u32::MAX.to_le_bytes());
    out
}

/// A byte of the central directory changed: where the first member begins.
pub fn central_changed(bytes: &[u8]) -> Vec<u8> {
    let mut out = bytes.to_vec();
    let central = bytes.windows(4).position(|w| w == b"PK\x01\x02").unwrap();
    out[central + 42] ^= 1;
    out
}

/// A byte of the record at the end changed.
pub fn changed_end(bytes: &[u8], at: usize) -> Vec<u8> {
    let mut out = bytes.to_vec();
    let end = out.len() - 22;
    out[end + at] ^= 1;
    out
}
