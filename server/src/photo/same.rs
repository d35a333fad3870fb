//! Whether two pictures may be the same one: a hash of what a picture looks like, upright.
//!
//! The gradient hash ("difference hash"): the picture in 9 × 8 grey fields, and for each whether the field to its right is
//! brighter. It survives another size, another quality and a little light; it does not survive a crop. Near hashes are a
//! question for a person, never an answer.

use std::fmt;
use std::str::FromStr;

use serde::de::Error;
use serde::{Deserialize, Deserializer, Serialize, Serializer};

use super::rendition::Pixels;

/// Hashes with at most so many bits apart are possibly of the same picture. What this misses and what it wrongly asks
/// about on photos with known changes stands in `tests/standards/RESULTS.md`.
pub const NEAR: u32 = 10;

/// Fields that differ from their neighbour by at least one grey level, of 64: fewer say nothing. A wall or a dark garage
/// gives the same few bits for everything.
const LEAST_STRUCTURE: u32 = 24;

/// What a picture looks like, in 64 bits: field by field, the first in the highest bit.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Look(pub u64);

impl Look {
    /// The hash of an upright grey picture, one byte a pixel; `None` where it has too little structure to be told apart.
    pub fn of(grey: &Pixels) -> Option<Look> {
        let fields = scale::fields(&grey.samples, (grey.width, grey.height), (9, 8))?;
        let (mut bits, mut structure) = (0u64, 0);
        for line in fields.chunks_exact(9) {
            for pair in line.windows(2) {
                bits = bits << 1 | u64::from(pair[1] > pair[0]);
                structure += u32::from(pair[1] != pair[0]);
            }
        }
        (structure >= LEAST_STRUCTURE).then_some(Look(bits))
    }

    /// The number of bits in which two hashes differ, 0 to 64.
    pub fn distance(self, other: Look) -> u32 {
        (self.0 ^ other.0).count_ones()
    }

    /// The four 16-bit parts, the highest first.
    pub fn parts(self) -> [u16; 4] {
        [48, 32, 16, 0].map(|shift| (self.0 >> shift & 0xFFFF) as u16)
    }
}

/// All values that differ from a part in at most two bits, 137 of them.
///
/// Of two hashes at most [`NEAR`] bits apart at least one of the four parts differs in at most two: so looking these up
/// finds every one of them, without reading all hashes of a shop.
pub fn around(part: u16) -> Vec<u16> {
    let mut out = vec![part];
    for a in 0..16 {
        out.push(part ^ 1 << a);
        out.extend((a + 1..16).map(|b| part ^ 1 << a ^ 1 << b));
    }
    out
}

impl Serialize for Look {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        to.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Look {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Look, D::Error> {
        String::deserialize(from)?.parse().map_err(D::Error::custom)
    }
}

/// Sixteen lower-case hexadecimal digits.
impl fmt::Display for Look {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:016x}", self.0)
    }
}

/// Not sixteen lower-case hexadecimal digits.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("a picture's look is sixteen lower-case hexadecimal digits")]
pub struct NoLook;

impl FromStr for Look {
    type Err = NoLook;

    fn from_str(text: &str) -> Result<Look, NoLook> {
        let plain = text.len() == 16 && text.bytes().all(|b| matches!(b, b'0'..=b'9' | b'a'..=b'f'));
        plain.then(|| u64::from_str_radix(text, 16).ok()).flatten().map(Look).ok_or(NoLook)
    }
}

#[cfg(test)]
mod tests {
    use super::super::synth::{blurred, changed, jpeg, scene};
    use super::*;
    use crate::photo::{decode, judge, kind::Kind, layout, rendition};

    fn look(pixels: &Pixels) -> Option<Look> {
        Look::of(&judge::grey(pixels))
    }

    #[test]
    fn another_size_quality_or_light_is_near() {
        let one = scene(1200, 900);
        let here = look(&one).unwrap();
        let bytes = jpeg(&one, |_| {});
        let decoded = decode::decode(Kind::Jpeg, &layout::read(Kind::Jpeg, &bytes), &bytes).unwrap();
        let again = Pixels { width: 1200, height: 900, samples: decoded.rgb };
        let small = rendition::resized(&one, 320, scale::Samples::Rgb).unwrap();
        for other in [again, small, changed(&one, |v| v / 2 + 20), blurred(&one, 5)] {
            assert!(here.distance(look(&other).unwrap()) <= 4);
        }
    }

    #[test]
    fn what_shows_nothing_is_like_nothing() {
        for level in [0, 130, 255] {
            assert_eq!(look(&Pixels { width: 400, height: 300, samples: vec![level; 400 * 300 * 3] }), None);
        }
        assert_eq!(look(&Pixels { width: 1, height: 1, samples: vec![7; 3] }), None);
    }

    // Pigeonhole: ten bits over four parts put at most two into one of them.
    #[test]
    fn every_near_hash_shares_a_part_that_is_looked_up() {
        let mut state = 11u64;
        for _ in 0..2000 {
            let mut step = || {
                state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                state >> 20
            };
            let here = Look(step() << 30 ^ step());
            let there = Look((0..NEAR).fold(here.0, |bits, _| bits ^ 1 << (step() % 64)));
            assert!(here.distance(there) <= NEAR);
            let met = here.parts().into_iter().zip(there.parts()).any(|(a, b)| around(a).contains(&b));
            assert!(met, "{here} {there}");
        }
        let all: std::collections::BTreeSet<u16> = around(0x8001).into_iter().collect();
        assert_eq!(all.len(), 137);
    }

    #[test]
    fn written_and_read() {
        let look = Look(0x00ff_1234_5678_9abc);
        assert_eq!(look.to_string(), "00ff123456789abc");
        assert_eq!(look.to_string().parse(), Ok(look));
        for odd in ["", "00ff123456789ab", "00FF123456789ABC", "+0ff123456789abc", "00ff123456789abcd"] {
            assert_eq!(odd.parse::<Look>(), Err(NoLook));
        }
    }
}
