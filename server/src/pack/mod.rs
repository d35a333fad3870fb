//! The pack: what leaves the shop for a dispute or a claim, as one archive that can be checked without us. What goes in is
//! decided by `choose` (pure), `gather` reads it, `page`, `report` and `by_hand` write the three files a person reads, `write` streams it.

pub mod by_hand;
pub mod choose;
pub mod gather;
pub mod letter;
pub mod outside;
pub mod page;
mod part_words;
mod printed;
pub mod report;
pub mod run;
pub mod write;

use std::fs::File;
use std::sync::Arc;

use evidence::digest::Digest;
use uuid::Uuid;

use crate::originals::{Originals, Shelf};

/// Where the bytes of a planned file are.
#[derive(Clone, Debug)]
pub enum Bytes {
    /// In memory.
    Here(Vec<u8>),
    /// On a shelf.
    On(Originals, Uuid, Shelf),
    /// On disk, made for this pack; it has no name and goes with it.
    Aside(Arc<File>),
}

/// A file that will be in a pack. What is on disk was read once, so that it can be listed; it is read again to be sent.
#[derive(Clone, Debug)]
pub struct Planned {
    /// Its path in the pack.
    pub path: String,
    /// CRC-32.
    pub crc: u32,
    /// Length.
    pub size: u64,
    /// SHA-256.
    pub digest: Digest,
    /// The bytes.
    pub bytes: Bytes,
}

impl Planned {
    /// A file whose bytes are at hand.
    pub fn here(path: impl Into<String>, bytes: impl Into<Vec<u8>>) -> Planned {
        let bytes = bytes.into();
        Planned {
            path: path.into(),
            crc: crc32fast::hash(&bytes),
            size: bytes.len() as u64,
            digest: Digest::of(&bytes),
            bytes: Bytes::Here(bytes),
        }
    }
}

/// What is not in a pack, or not as one would wish it: told openly in it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Lack {
    /// Names a sentence: `pack.lack.<code>`.
    pub code: &'static str,
    /// The photo's number or the gap's name.
    pub of: String,
}
