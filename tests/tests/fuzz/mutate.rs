//! Changes to inputs: bits, numbers in either order, pieces cut, doubled, moved and taken from others, lines, words.

use std::sync::Arc;

use tests::seeded::Seeded;

/// Numbers at the edges of what fields hold.
const EDGES: [u64; 12] =
    [0, 1, 2, 7, 0x7f, 0xff, 0x7fff, 0xffff, 0x7fff_ffff, 0xffff_ffff, 0x7fff_ffff_ffff_ffff, u64::MAX];

/// Texts at the edges of what readers of text expect.
const TEXTS: [&str; 14] = [
    "-1",
    "0",
    "9007199254740993",
    "1e999",
    "18446744073709551616",
    "null",
    "[]",
    "{}",
    "\"\"",
    "\\u0000",
    "\u{202e}",
    "ß",
    "true",
    "\n",
];

fn below(random: &mut Seeded, end: usize) -> usize {
    usize::try_from(random.below(end.max(1) as u64)).unwrap_or(0)
}

/// A number that is more often small: below a drawn power of 2, itself below 2 to the `bits`.
fn short(random: &mut Seeded, bits: usize) -> usize {
    let end = 1 << below(random, bits);
    below(random, end)
}

/// A mutation of one of the pool, at most `most` bytes long.
pub fn mutated(pool: &[Arc<[u8]>], words: &[&str], most: usize, random: &mut Seeded) -> Vec<u8> {
    let mut bytes = pool[below(random, pool.len())].to_vec();
    let times = 1 + short(random, 4);
    for _ in 0..times {
        change(&mut bytes, pool, words, random);
    }
    bytes.truncate(most);
    bytes
}

fn change(bytes: &mut Vec<u8>, pool: &[Arc<[u8]>], words: &[&str], random: &mut Seeded) {
    let at = below(random, bytes.len());
    let to = (at + 1 + short(random, 9)).min(bytes.len());
    match random.below(15) {
        0 if !bytes.is_empty() => bytes[at] ^= 1 << random.below(8),
        1 if !bytes.is_empty() => bytes[at] = random.bytes::<1>()[0],
        2 | 3 => {
            let number = EDGES[below(random, EDGES.len())].wrapping_sub(random.below(2));
            let wide = 1 << random.below(4);
            let raw = number.to_be_bytes();
            let mut raw = raw[8 - wide..].to_vec();
            if random.below(2) == 0 {
                raw.reverse();
            }
            for (place, byte) in bytes.iter_mut().skip(at).zip(raw) {
                *place = byte;
            }
        }
        4 => drop(bytes.drain(at.min(to)..to)),
        5 => {
            let piece = bytes[at.min(to)..to].to_vec();
            let there = below(random, bytes.len() + 1);
            drop(bytes.splice(there..there, piece));
        }
        6 => bytes.truncate(at),
        7 => {
            let other = &pool[below(random, pool.len())];
            let from = below(random, other.len());
            let until = (from + 1 + short(random, 11)).min(other.len());
            let over = if random.below(2) == 0 { at.min(to)..to } else { at..at };
            drop(bytes.splice(over, other[from.min(until)..until].iter().copied()));
        }
        8 if !words.is_empty() => {
            let word = words[below(random, words.len())];
            drop(bytes.splice(at..at, word.bytes()));
        }
        9 => {
            let text = TEXTS[below(random, TEXTS.len())];
            drop(bytes.splice(at..at, text.bytes()));
        }
        10 => value(bytes, at, random),
        11 | 12 => lines(bytes, random),
        13 => {
            // Deep nesting and long runs.
            let byte = bytes.get(at).copied().unwrap_or(b'[');
            let many = 1 << below(random, 13);
            drop(bytes.splice(at..at, std::iter::repeat_n(byte, many)));
        }
        _ => {
            let noise = random.noise(to.saturating_sub(at).min(64));
            drop(bytes.splice(at.min(to)..at.min(to), noise));
        }
    }
}

/// Puts another text in the place of a number, a word or a quoted text that begins at or after `at`.
fn value(bytes: &mut Vec<u8>, at: usize, random: &mut Seeded) {
    let plain = |b: &u8| b.is_ascii_alphanumeric() || *b == b'-' || *b == b'.';
    let Some(from) = bytes.iter().skip(at).position(plain).map(|n| n + at) else { return };
    let to = bytes.iter().skip(from).position(|b| !plain(b)).map_or(bytes.len(), |n| n + from);
    let text = TEXTS[below(random, TEXTS.len())];
    drop(bytes.splice(from..to, text.bytes()));
}

/// A line left out, said twice, or moved.
fn lines(bytes: &mut Vec<u8>, random: &mut Seeded) {
    let mut all: Vec<Vec<u8>> = bytes.split_inclusive(|b| *b == b'\n').map(<[u8]>::to_vec).collect();
    if all.len() < 2 {
        return;
    }
    let (one, other) = (below(random, all.len()), below(random, all.len()));
    match random.below(3) {
        0 => drop(all.remove(one)),
        1 => {
            let line = all[one].clone();
            all.insert(other, line);
        }
        _ => all.swap(one, other),
    }
    *bytes = all.concat();
}
