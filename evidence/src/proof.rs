//! The proof file of one entry (C2SP tlog-proof, `.tlog-proof`).

use std::fmt;
use std::str::FromStr;

use base64::Engine;
use base64::engine::general_purpose::STANDARD as BASE64;

use crate::checkpoint::{Checkpoint, decimal};
use crate::note::{NoteError, VerifierKey};
use crate::tree::{self, Hash};

/// The first line.
const FIRST: &str = "c2sp.org/tlog-proof@v1";
/// Longest proof file read, in bytes.
pub const MAX_PROOF: usize = 128 * 1024;
/// Most hashes in a path: a log of 2⁶³ entries has no longer one.
const MAX_HASHES: usize = 63;

/// A proof that an entry is in a log.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Proof {
    /// Extra data, base64; not used by us and signed by nobody.
    pub extra: Option<String>,
    /// Log index.
    pub index: u64,
    /// The path, from the leaf side; at most 63 hashes.
    pub hashes: Vec<Hash>,
    /// The signed checkpoint, verbatim.
    pub checkpoint: String,
}

impl fmt::Display for Proof {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "{FIRST}")?;
        if let Some(extra) = &self.extra {
            writeln!(f, "extra {extra}")?;
        }
        writeln!(f, "index {}", self.index)?;
        for h in &self.hashes {
            writeln!(f, "{}", BASE64.encode(h))?;
        }
        write!(f, "\n{}", self.checkpoint)
    }
}

impl FromStr for Proof {
    type Err = NoteError;

    fn from_str(text: &str) -> Result<Proof, NoteError> {
        let bad = NoteError("this is not a tlog-proof file");
        let (head, checkpoint) = text.split_once("\n\n").filter(|_| text.len() <= MAX_PROOF).ok_or(bad)?;
        let mut lines = head.split('\n').peekable();
        if lines.next() != Some(FIRST) {
            return Err(bad);
        }
        let extra = lines.peek().and_then(|l| l.strip_prefix("extra ")).map(str::to_owned);
        if let Some(extra) = &extra {
            if extra.is_empty() || BASE64.decode(extra).is_err() {
                return Err(bad);
            }
            lines.next();
        }
        let index = lines.next().and_then(|l| l.strip_prefix("index ")).ok_or(bad)?;
        let index = decimal(index).ok_or(bad)?;
        let hashes = lines
            .by_ref()
            .take(MAX_HASHES)
            .map(|l| BASE64.decode(l).ok().and_then(|h| h.try_into().ok()).ok_or(bad))
            .collect::<Result<Vec<Hash>, _>>()?;
        if lines.next().is_some() {
            return Err(bad);
        }
        Ok(Proof { extra, index, hashes, checkpoint: checkpoint.to_owned() })
    }
}

impl Proof {
    /// Verifies that the entry with these bytes is in the log the checkpoint signs. `extra` is signed by nobody and plays
    /// no part.
    ///
    /// # Errors
    /// Why it is not proven.
    pub fn verify(&self, entry: &[u8], keys: &[&VerifierKey]) -> Result<Checkpoint, NoteError> {
        let checkpoint = Checkpoint::open(&self.checkpoint, keys)?;
        match tree::verify_inclusion(self.index, checkpoint.size, tree::leaf_hash(entry), &self.hashes, checkpoint.root)
        {
            Ok(()) => Ok(checkpoint),
            Err(_) => Err(NoteError("the entry is not in the log that this checkpoint signs")),
        }
    }
}
