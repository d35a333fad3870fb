//! Checkpoints (C2SP tlog-checkpoint): origin, size and root of a log, as a signed note.

use base64::Engine;
use base64::engine::general_purpose::STANDARD as BASE64;
use uuid::Uuid;

use crate::note::{self, NoteError, SignerKey, VerifierKey};
use crate::tree::Hash;

/// The head of a log.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Checkpoint {
    /// `<name>/<shop uuid>/<epoch>`; also the name of the key that signs it.
    pub origin: String,
    /// Number of entries.
    pub size: u64,
    /// Root of the tree.
    pub root: Hash,
}

/// The origin of a shop's log in an epoch. Never a listen address.
///
/// ```
/// use evidence::checkpoint::{origin, origin_parts};
/// let of = origin("counterfoil", "0199c0de-0000-7000-8000-000000000001", 2);
/// assert_eq!(of, "counterfoil/0199c0de-0000-7000-8000-000000000001/2");
/// let (name, shop, epoch) = origin_parts(&of).unwrap();
/// assert_eq!((name, shop.get_version_num(), epoch), ("counterfoil", 7, 2));
/// ```
pub fn origin(name: &str, shop: &str, epoch: u64) -> String {
    format!("{name}/{shop}/{epoch}")
}

/// The name, shop and epoch of an origin that is written as [`origin`] writes it.
pub fn origin_parts(of: &str) -> Option<(&str, Uuid, u64)> {
    let (rest, epoch) = of.rsplit_once('/')?;
    let (name, shop) = rest.rsplit_once('/')?;
    let (shop, epoch) = (shop.parse::<Uuid>().ok()?, epoch.parse().ok()?);
    (!name.is_empty() && origin(name, &shop.to_string(), epoch) == of).then_some((name, shop, epoch))
}

/// A decimal number as the formats write it: digits, no sign, no leading zero.
pub(crate) fn decimal(text: &str) -> Option<u64> {
    let n: u64 = text.parse().ok()?;
    (n.to_string() == text).then_some(n)
}

impl Checkpoint {
    /// The text that is signed; no extension lines.
    pub fn text(&self) -> String {
        format!("{}\n{}\n{}\n", self.origin, self.size, BASE64.encode(self.root))
    }

    /// Reads the text of a checkpoint.
    ///
    /// # Errors
    /// A sentence.
    pub fn parse(text: &str) -> Result<Checkpoint, NoteError> {
        let bad = NoteError("a checkpoint is origin, size and root, a line each");
        let lines: Vec<&str> = text.strip_suffix('\n').ok_or(bad)?.split('\n').collect();
        let [origin, size, root] = lines[..] else { return Err(bad) };
        let size = decimal(size).ok_or(NoteError("a checkpoint's size is a plain decimal number"))?;
        let root = BASE64
            .decode(root)
            .ok()
            .and_then(|r| r.try_into().ok())
            .ok_or(NoteError("a checkpoint's root has 32 bytes"))?;
        if origin.is_empty() {
            return Err(bad);
        }
        Ok(Checkpoint { origin: origin.to_owned(), size, root })
    }

    /// Signs it.
    ///
    /// # Errors
    /// When the origin cannot be a key's name.
    pub fn sign(&self, keys: &[&SignerKey]) -> Result<String, NoteError> {
        note::sign(&self.text(), keys)
    }

    /// Opens a signed checkpoint. One of the keys that signed it must bear the origin's name: another log's key does not
    /// speak for this one, even where both are known.
    ///
    /// # Errors
    /// Why it is not accepted.
    pub fn open(note: &str, keys: &[&VerifierKey]) -> Result<Checkpoint, NoteError> {
        let (text, signed) = note::open_by(note, keys)?;
        let checkpoint = Checkpoint::parse(text)?;
        if signed.iter().any(|k| k.name == checkpoint.origin) {
            Ok(checkpoint)
        } else {
            Err(NoteError("the checkpoint's origin is not the name of a key that signed it"))
        }
    }
}
