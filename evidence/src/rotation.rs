//! A change of a log's key. An entry, `key-rotated`, carries a note in which the key so far and the key from then on both sign
//! which one comes next; for a while both sign every head, until an entry, `key-retired`, lets the old one go. What a size of
//! the log must be signed by follows from the entries below it alone.

use serde_json::{Map, Value};

use crate::entry::{Author, Entry};
use crate::note::{self, NoteError, SignerKey, VerifierKey};
use crate::verify::same_log;

/// The type of the entry that announces a key.
pub const ROTATED: &str = "key-rotated";
/// The type of the entry from which on the old key signs no longer.
pub const RETIRED: &str = "key-retired";
/// First line of the note in that entry.
const NOTE: &str = "counterfoil next log key";
/// Most changes of key that are followed in one file.
pub const MAX_CHANGES: usize = 256;

/// Why an entry changes no key.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fault {
    /// It is not written as such an entry is, or the server did not say it.
    Form,
    /// The note was not signed by both keys.
    Signature,
    /// The keys that it names were not the log's there.
    NotTheirs,
}

/// The text of the note. Two lines: it can never be read as a checkpoint, which has three.
fn text(new: &VerifierKey) -> String {
    format!("{NOTE}\n{new}\n")
}

/// The note in which a key names its successor, which signs too: nobody announces a key that they do not hold.
///
/// # Errors
/// When a key's name cannot stand in a note.
pub fn announce(old: &SignerKey, new: &SignerKey) -> Result<String, NoteError> {
    note::sign(&text(&new.verifier()), &[new, old])
}

fn key(body: &Map<String, Value>, member: &str) -> Option<VerifierKey> {
    body.get(member)?.as_str()?.parse().ok()
}

/// One change: the public keys.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Change {
    old: [u8; 32],
    new: [u8; 32],
}

/// The keys of a log one after the other, as its entries say.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Keys {
    changes: Vec<Change>,
    /// The old one of two that both sign.
    leaving: Option<[u8; 32]>,
}

impl Keys {
    /// Takes the next entry of a log, in ascending order. `None`: it is about something else.
    ///
    /// # Errors
    /// Why it changes nothing.
    pub fn take(&mut self, origin: &str, entry: &Entry) -> Option<Result<(), Fault>> {
        match entry.said.kind.as_str() {
            ROTATED => Some(self.rotated(origin, entry)),
            RETIRED => Some(self.retired(entry)),
            _ => None,
        }
    }

    fn rotated(&mut self, origin: &str, entry: &Entry) -> Result<(), Fault> {
        let body = &entry.said.body;
        let by_server = matches!(entry.said.author, Author::Server { .. });
        let (Some(old), Some(new)) = (key(body, "old"), key(body, "new")) else { return Err(Fault::Form) };
        let note = body.get("note").and_then(Value::as_str).ok_or(Fault::Form)?;
        if !by_server || old.name != new.name || !same_log(&old.name, origin) || self.changes.len() >= MAX_CHANGES {
            return Err(Fault::Form);
        }
        let wanted = text(&new);
        if [&old, &new].iter().any(|k| note::open(note, &[*k]) != Ok(wanted.as_str())) {
            return Err(Fault::Signature);
        }
        let (old, new) = (old.public, new.public);
        // A key that was let go comes back no more, and announces nothing.
        let known = self.changes.iter().any(|c| c.old == new || c.new == new);
        if old == new || known || self.changes.last().is_some_and(|c| c.new != old) {
            return Err(Fault::NotTheirs);
        }
        self.changes.push(Change { old, new });
        self.leaving = Some(old);
        Ok(())
    }

    fn retired(&mut self, entry: &Entry) -> Result<(), Fault> {
        let old = key(&entry.said.body, "old").ok_or(Fault::Form)?;
        if !matches!(entry.said.author, Author::Server { .. }) {
            return Err(Fault::Form);
        }
        // Where the file does not hold the change before it, nothing is known of the key.
        if self.leaving.take_if(|l| *l == old.public).is_some() { Ok(()) } else { Err(Fault::NotTheirs) }
    }

    /// Whether no change is known.
    pub fn is_empty(&self) -> bool {
        self.changes.is_empty()
    }

    /// The public keys that have to sign a head over these entries, the newest first; empty where no change is known.
    pub fn signing(&self) -> Vec<[u8; 32]> {
        self.changes.last().map(|c| c.new).into_iter().chain(self.leaving).collect()
    }

    /// The public keys that were the log's and sign no longer.
    pub fn gone(&self) -> Vec<[u8; 32]> {
        self.changes.iter().map(|c| c.old).filter(|old| self.leaving != Some(*old)).collect()
    }

    /// Every public key that a change names.
    pub fn all(&self) -> Vec<[u8; 32]> {
        self.changes.first().map(|c| c.old).into_iter().chain(self.changes.iter().map(|c| c.new)).collect()
    }

    /// Whether one key announced the other, through as many changes as it takes.
    pub fn leads(&self, from: &[u8; 32], to: &[u8; 32]) -> bool {
        let all = self.all();
        let at = |key: &[u8; 32]| all.iter().position(|k| k == key);
        matches!((at(from), at(to)), (Some(from), Some(to)) if from < to)
    }

    /// Whether a head's note is signed by all keys that have to and by none that was let go. True where no change is known.
    pub fn signed(&self, note: &str, origin: &str) -> bool {
        let by = |public: &[u8; 32]| {
            let key = VerifierKey { name: origin.to_owned(), public: *public };
            note::open(note, &[&key]).is_ok()
        };
        self.signing().iter().all(by) && !self.gone().iter().any(by)
    }
}
