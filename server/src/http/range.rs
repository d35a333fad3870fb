//! `Range` (RFC 9110 14): one range of bytes, so that a film can be played from its middle.

/// What of a file is asked for: from the first byte to the last one, both included.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Wanted {
    /// All of it: there is no range, or one of a form that may be ignored (RFC 9110 14.2).
    Whole,
    /// These bytes.
    Part(u64, u64),
    /// Bytes that the file does not have.
    Nothing,
}

/// Reads the header for a file of `size` bytes. Several ranges at once are answered by the whole file.
pub fn wanted(header: Option<&str>, size: u64) -> Wanted {
    let Some(spec) = header.and_then(|h| h.trim().strip_prefix("bytes=")) else { return Wanted::Whole };
    let Some((first, last)) = spec.trim().split_once('-') else { return Wanted::Whole };
    let digits = |s: &str| s.len() <= 19 && s.bytes().all(|b| b.is_ascii_digit());
    if !digits(first) || !digits(last) {
        return Wanted::Whole;
    }
    match (first.parse::<u64>().ok(), last.parse::<u64>().ok()) {
        (None, None) => Wanted::Whole,
        // The last so many bytes (14.1.2).
        (None, Some(0)) => Wanted::Nothing,
        (None, Some(n)) if size > 0 => Wanted::Part(size.saturating_sub(n), size - 1),
        (Some(first), Some(last)) if last < first => Wanted::Whole,
        (Some(first), last) if first < size => Wanted::Part(first, last.map_or(size - 1, |l| l.min(size - 1))),
        _ => Wanted::Nothing,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // The examples of RFC 9110 14.1.2, for a file of 10,000 bytes.
    #[test]
    fn the_examples_of_the_standard_hold() {
        let of = |h: &str| wanted(Some(h), 10_000);
        assert_eq!(of("bytes=0-499"), Wanted::Part(0, 499));
        assert_eq!(of("bytes=500-999"), Wanted::Part(500, 999));
        assert_eq!(of("bytes=-500"), Wanted::Part(9_500, 9_999));
        assert_eq!(of("bytes=9500-"), Wanted::Part(9_500, 9_999));
        assert_eq!(of("bytes=0-0,-1"), Wanted::Whole);
        assert_eq!(of("bytes=9999-20000"), Wanted::Part(9_999, 9_999));
        assert_eq!(of("bytes=-20000"), Wanted::Part(0, 9_999));
    }

    #[test]
    fn what_is_no_range_is_the_whole_and_what_is_beyond_is_nothing() {
        for whole in [
            "",
            "bytes",
            "bytes=",
            "bytes=-",
            "bytes=x-1",
            "items=0-1",
            "bytes=5-2",
            "bytes=0x1-2",
            "bytes=99999999999999999999-",
        ] {
            assert_eq!(wanted(Some(whole), 10), Wanted::Whole, "{whole}");
        }
        assert_eq!(wanted(None, 10), Wanted::Whole);
        for nothing in ["bytes=10-", "bytes=10-20", "bytes=-0"] {
            assert_eq!(wanted(Some(nothing), 10), Wanted::Nothing, "{nothing}");
        }
        assert_eq!(wanted(Some("bytes=0-"), 0), Wanted::Nothing);
        assert_eq!(wanted(Some("bytes=-1"), 0), Wanted::Nothing);
    }
}
