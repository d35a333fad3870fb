//! The only place where ambient time and randomness enter. Everything else takes a [`Clock`] or a [`Random`].

use std::sync::Arc;
use std::sync::atomic::{AtomicI64, AtomicU64, Ordering};

use uuid::Uuid;

/// Milliseconds since the Unix epoch, UTC.
pub type Millis = i64;

/// Where the time comes from: the machine, or a test's hand.
#[derive(Clone, Debug)]
pub enum Clock {
    /// The machine's own clock.
    System,
    /// A clock that stands until it is moved; for tests.
    Set(Arc<AtomicI64>),
}

impl Clock {
    /// Now, in milliseconds since the Unix epoch. A clock set before 1970 reads as 0.
    #[allow(clippy::disallowed_methods)]
    pub fn now(&self) -> Millis {
        match self {
            Clock::System => std::time::SystemTime::now()
                .duration_since(std::time::UNIX_EPOCH)
                .map_or(0, |d| i64::try_from(d.as_millis()).unwrap_or(i64::MAX)),
            Clock::Set(at) => at.load(Ordering::SeqCst),
        }
    }
}

impl Clock {
    /// The same in nanoseconds, for how long a step takes.
    #[allow(clippy::disallowed_methods)]
    pub fn nanos(&self) -> u64 {
        match self {
            Clock::System => std::time::SystemTime::now()
                .duration_since(std::time::UNIX_EPOCH)
                .map_or(0, |d| u64::try_from(d.as_nanos()).unwrap_or(u64::MAX)),
            Clock::Set(at) => u64::try_from(at.load(Ordering::SeqCst)).unwrap_or(0).saturating_mul(1_000_000),
        }
    }
}

/// Where random bytes come from: the operating system, or a seed in tests.
#[derive(Clone, Debug)]
pub enum Random {
    /// The operating system's generator.
    System,
    /// A repeatable sequence (SplitMix64); for tests and the demo's pictures, never for secrets.
    Seeded(Arc<AtomicU64>),
}

impl Random {
    /// `N` random bytes. Aborts when the operating system has none: going on without would be worse.
    #[allow(clippy::disallowed_methods)]
    pub fn bytes<const N: usize>(&self) -> [u8; N] {
        let mut out = [0u8; N];
        match self {
            Random::System => {
                if getrandom::fill(&mut out).is_err() {
                    std::process::abort();
                }
            }
            Random::Seeded(state) => {
                for chunk in out.chunks_mut(8) {
                    let mut z =
                        state.fetch_add(0x9E37_79B9_7F4A_7C15, Ordering::SeqCst).wrapping_add(0x9E37_79B9_7F4A_7C15);
                    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
                    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
                    z ^= z >> 31;
                    chunk.copy_from_slice(&z.to_le_bytes()[..chunk.len()]);
                }
            }
        }
        out
    }

    /// A UUIDv7 (RFC 9562 5.7) for the given time. It orders nothing; the log index does.
    pub fn uuid(&self, now: Millis) -> Uuid {
        let mut b = [0u8; 16];
        let ms = u64::try_from(now).unwrap_or(0).to_be_bytes();
        b[..6].copy_from_slice(&ms[2..]);
        b[6..].copy_from_slice(&self.bytes::<10>());
        b[6] = (b[6] & 0x0f) | 0x70;
        b[8] = (b[8] & 0x3f) | 0x80;
        Uuid::from_bytes(b)
    }
}
