//! Measuring time, for benches alone: a test never looks at a clock.

use std::time::Instant;

/// Now.
#[allow(clippy::disallowed_methods, reason = "a bench measures time")]
pub fn now() -> Instant {
    Instant::now()
}

/// Seconds since then.
#[allow(clippy::disallowed_methods, reason = "a bench measures time")]
pub fn seconds(started: Instant) -> f64 {
    started.elapsed().as_secs_f64()
}

/// Milliseconds since then.
pub fn millis(started: Instant) -> f64 {
    seconds(started) * 1000.0
}

/// The middle one of some numbers; of an even count the upper one.
///
/// # Panics
/// When there are none.
pub fn middle(mut all: Vec<f64>) -> f64 {
    all.sort_by(f64::total_cmp);
    all[all.len() / 2]
}
