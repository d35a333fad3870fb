//! Small rules that bodies share. Pure.

use super::body::{BodyError, wrong};

/// Refuses with a sentence unless it holds.
///
/// # Errors
/// The pointer and the sentence.
pub(super) fn need(pointer: &str, there: bool, sentence: &str) -> Result<(), BodyError> {
    if there { Ok(()) } else { wrong(pointer, sentence) }
}

/// A text of at most so many characters.
///
/// # Errors
/// The pointer and a sentence.
pub(super) fn short(pointer: &str, text: Option<&str>, most: usize) -> Result<(), BodyError> {
    let fits = text.is_none_or(|t| t.chars().count() <= most);
    if fits { Ok(()) } else { wrong(pointer, format!("at most {most} characters here")) }
}

/// A time as people write it down: no zone, minutes.
pub(super) fn is_wall_time(text: &str) -> bool {
    text.len() == 16 && text.as_bytes().get(10) == Some(&b'T') && text.parse::<jiff::civil::DateTime>().is_ok()
}

/// A day as people write it down: YYYY-MM-DD.
pub(super) fn day(text: &str) -> Option<jiff::civil::Date> {
    text.parse().ok().filter(|_| text.len() == 10)
}
