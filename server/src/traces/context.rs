//! Which trace a request belongs to: W3C Trace Context (`traceparent`), read from whoever asks. Pure.

use std::fmt;

use crate::edge::Random;

/// The id of a trace.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct TraceId(pub [u8; 16]);

/// The id of a span in it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct SpanId(pub [u8; 8]);

/// What a request is a part of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Context {
    /// The trace.
    pub trace: TraceId,
    /// The span of whoever asks; none: the trace begins here.
    pub parent: Option<SpanId>,
    /// Whether whoever asks keeps it; one that begins here is kept.
    pub sampled: bool,
}

/// Length of what version 00 says.
const LEN: usize = 55;
/// The flag that says that the caller keeps the trace.
const SAMPLED: u8 = 1;

impl Context {
    /// What a header says; none where it says nothing that the standard knows, which is then as if it were not there.
    pub fn read(header: &str) -> Option<Context> {
        // A later version may say more, after another hyphen.
        let (known, more) = header.split_at_checked(LEN)?;
        let mut fields = known.split('-');
        let mut next = || fields.next();
        let [version] = bytes(next()?)?;
        if version == 0xff || !(more.is_empty() || version > 0 && more.starts_with('-')) {
            return None;
        }
        let (trace, parent) = (TraceId(bytes(next()?)?), SpanId(bytes(next()?)?));
        let [flags] = bytes(next()?)?;
        let there = next().is_none() && trace.0 != [0; 16] && parent.0 != [0; 8];
        there.then_some(Context { trace, parent: Some(parent), sampled: flags & SAMPLED != 0 })
    }

    /// A trace that begins here.
    pub fn new(random: &Random) -> Context {
        Context { trace: TraceId(random.bytes()), parent: None, sampled: true }
    }
}

/// Small hexadecimal digits, exactly as many as it takes.
fn bytes<const N: usize>(hex: &str) -> Option<[u8; N]> {
    let digit = |b: u8| match b {
        b'0'..=b'9' => Some(b - b'0'),
        b'a'..=b'f' => Some(b - b'a' + 10),
        _ => None,
    };
    let hex = hex.as_bytes();
    if hex.len() != 2 * N {
        return None;
    }
    let mut out = [0; N];
    for (byte, pair) in out.iter_mut().zip(hex.chunks_exact(2)) {
        *byte = digit(pair[0])? << 4 | digit(pair[1])?;
    }
    Some(out)
}

impl std::str::FromStr for TraceId {
    type Err = ();

    fn from_str(hex: &str) -> Result<TraceId, ()> {
        bytes(hex).map(TraceId).ok_or(())
    }
}

impl std::str::FromStr for SpanId {
    type Err = ();

    fn from_str(hex: &str) -> Result<SpanId, ()> {
        bytes(hex).map(SpanId).ok_or(())
    }
}

impl fmt::Display for TraceId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.iter().try_for_each(|b| write!(f, "{b:02x}"))
    }
}

impl fmt::Display for SpanId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.iter().try_for_each(|b| write!(f, "{b:02x}"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const TRACE: &str = "4bf92f3577b34da6a3ce929d0e0e4736";
    const PARENT: &str = "00f067aa0ba902b7";

    #[test]
    fn what_the_standard_says_is_read() {
        let read = |text: String| Context::read(&text);
        let one = read(format!("00-{TRACE}-{PARENT}-01")).unwrap();
        assert_eq!((one.trace.to_string(), one.parent.unwrap().to_string()), (TRACE.into(), PARENT.into()));
        assert!(one.sampled);
        assert!(!read(format!("00-{TRACE}-{PARENT}-00")).unwrap().sampled);
        assert!(read(format!("00-{TRACE}-{PARENT}-03")).unwrap().sampled, "flags of later versions change nothing");
        assert!(read(format!("cc-{TRACE}-{PARENT}-01-what-will-be")).is_some());
        assert_eq!((TRACE.parse(), PARENT.parse()), (Ok(one.trace), Ok(one.parent.unwrap())));
    }

    #[test]
    fn anything_else_is_as_if_it_were_not_there() {
        let zeros = "0".repeat(32);
        for wrong in [
            String::new(),
            format!("00-{TRACE}-{PARENT}"),
            format!("00-{TRACE}-{PARENT}-01-more"),
            format!("00-{TRACE}-{PARENT}-01x"),
            format!("cc-{TRACE}-{PARENT}-01x"),
            format!("ff-{TRACE}-{PARENT}-01"),
            format!("00-{}-{PARENT}-01", TRACE.to_uppercase()),
            format!("00-{zeros}-{PARENT}-01"),
            format!("00-{TRACE}-0000000000000000-01"),
            format!("00-{PARENT}-{TRACE}-01"),
            format!("00-{TRACE}-{}-01", PARENT.replace('f', "g")),
            "ä".repeat(40),
            "-".repeat(55),
        ] {
            assert_eq!(Context::read(&wrong), None, "{wrong}");
        }
    }

    #[test]
    fn one_that_begins_here_is_kept_and_another_each_time() {
        let random = Random::Seeded(Default::default());
        let [one, two] = [0, 1].map(|_| Context::new(&random));
        assert!(one.sampled && one.parent.is_none() && one.trace != two.trace);
    }
}
