//! Tests of what the crate promises. Each published value names its source.
#![allow(missing_docs, reason = "tests")]

#[path = "../../../tests/src/authority.rs"]
mod authority;
mod canon;
mod checkers;
mod checkpoint;
mod damaged;
mod disclosure;
mod entry;
mod golden;
mod made;
mod note;
mod proof;
mod reference;
mod rotated;
mod sheet;
mod stamp;
mod stamped;
mod tampered;
mod time;
mod tree;
mod verify;
mod witness;

/// Bytes from hexadecimal digits.
fn hex(digits: &str) -> Vec<u8> {
    assert!(digits.len().is_multiple_of(2));
    (0..digits.len()).step_by(2).map(|i| u8::from_str_radix(&digits[i..i + 2], 16).unwrap()).collect()
}
