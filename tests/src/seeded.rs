//! Repeatable randomness: what a test does, it does again with the same seed.

use uuid::Uuid;

/// A SplitMix64 sequence (Steele, Lea, Flood 2014; constants from memory). For tests, never for secrets.
#[derive(Clone, Debug)]
pub struct Seeded(u64);

impl Seeded {
    /// The sequence of a seed.
    pub fn new(seed: u64) -> Seeded {
        Seeded(seed)
    }

    /// The next 64 bits.
    pub fn number(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// A number below `end` (not 0).
    pub fn below(&mut self, end: u64) -> u64 {
        self.number() % end
    }

    /// `N` bytes.
    pub fn bytes<const N: usize>(&mut self) -> [u8; N] {
        std::array::from_fn(|_| u8::try_from(self.number() >> 56).unwrap_or_default())
    }

    /// `len` bytes.
    pub fn noise(&mut self, len: usize) -> Vec<u8> {
        (0..len).map(|_| u8::try_from(self.number() >> 56).unwrap_or_default()).collect()
    }

    /// A UUIDv7 (RFC 9562 5.7) for a time in milliseconds since 1970.
    pub fn uuid(&mut self, at: i64) -> Uuid {
        let mut b = [0; 16];
        b[..6].copy_from_slice(&at.unsigned_abs().to_be_bytes()[2..]);
        b[6..].copy_from_slice(&self.bytes::<10>());
        b[6] = (b[6] & 0x0f) | 0x70;
        b[8] = (b[8] & 0x3f) | 0x80;
        Uuid::from_bytes(b)
    }
}
