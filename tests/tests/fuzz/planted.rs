//! Faults put in on purpose, of each sort the driver says it finds: it has to find every one of them.

use crate::targets::{Rounds, Target};

const ROUNDS: Rounds = Rounds { short: 3_000, long: 3_000, input_ms: 1_500, memory_kb: 600_000 };

/// The planted targets.
pub fn all() -> Vec<Target> {
    let planted =
        |name, run| Target { name, seeds: || vec![SEED.to_vec()], words: &[], most: 4096, rounds: ROUNDS, run };
    vec![
        planted("planted: panic", panics),
        planted("planted: promise", breaks),
        planted("planted: memory", allocates),
        planted("planted: time", loops),
        planted("planted: stack", recurses),
    ]
}

/// What the driver says of each.
pub fn found_by(name: &str) -> &'static str {
    match name {
        "planted: panic" => "panic",
        "planted: promise" => "broken: ",
        "planted: memory" => "memory allocation",
        "planted: time" => "too slow",
        _ => "overflow",
    }
}

/// Pieces as `length, bytes`; then a text in brackets.
const SEED: &[u8] = b"\x03abc\x01d\x02ef\x00[0417]";

/// Believes a length.
fn panics(bytes: &[u8]) -> Result<String, String> {
    let mut rest = bytes;
    let mut pieces = 0;
    while let Some((length, more)) = rest.split_first().filter(|(l, _)| **l > 0) {
        rest = &more[usize::from(*length)..];
        pieces += 1;
    }
    Ok(format!("{pieces}"))
}

/// Reads what it would write otherwise: a number with a nought in front.
fn breaks(bytes: &[u8]) -> Result<String, String> {
    let text = String::from_utf8_lossy(bytes);
    let number = text.split(['[', ']']).nth(1).and_then(|t| t.parse::<u64>().ok());
    match number {
        Some(n) if n > 9_999 => Err(format!("a tag of {n}")),
        Some(_) => Ok("number".into()),
        None => Ok("none".into()),
    }
}

/// Allocates what a header announces.
fn allocates(bytes: &[u8]) -> Result<String, String> {
    let announced = bytes.first_chunk().map_or(0, |b: &[u8; 4]| u32::from_be_bytes(*b));
    let room: Vec<u8> = Vec::with_capacity(usize::try_from(announced).unwrap_or(0));
    Ok(format!("{}", room.capacity() > 0))
}

/// Does not move on from an empty piece.
fn loops(bytes: &[u8]) -> Result<String, String> {
    let mut at = 0;
    while at < bytes.len() {
        // The first 0 of the seed stands where pieces end.
        at += if bytes[at] == 0 && at < 5 { 0 } else { 1 + usize::from(bytes[at]) };
        std::hint::black_box(at);
    }
    Ok("through".into())
}

/// Goes one deeper at every bracket, without a limit.
fn recurses(bytes: &[u8]) -> Result<String, String> {
    fn deeper(bytes: &[u8], pad: [u8; 16 * 1024]) -> usize {
        let pad = std::hint::black_box(pad);
        match bytes.split_first() {
            Some((b'[', rest)) => 1 + deeper(rest, pad) + usize::from(pad[0]),
            Some((_, rest)) => rest.iter().position(|b| *b == b'[').map_or(0, |at| deeper(&rest[at..], pad)),
            None => 0,
        }
    }
    Ok(format!("{}", deeper(bytes, [0; 16 * 1024]).min(4)))
}
