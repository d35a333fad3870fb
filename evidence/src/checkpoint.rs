//! Checkpoints (C2SP tlog-checkpoint): origin, size and root of a log, as a signed note.

use base64::Engine;
use base64::engine::general_purpose::STANDARD as BASE64;

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
pub fn origin(name: &str, shop: &str, epoch: u64) -> String {
    format!("{name}/{shop}/{epoch}")
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
        let decimal =
            !size.is_empty() && size.bytes().all(|c| c.is_ascii_digit()) && (size == "0" || !size.starts_with('0'));
        let size =
            size.parse().ok().filter(|_| decimal).ok_or(NoteError("a checkpoint's size is a plain decimal number"))?;
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

    /// Opens a signed checkpoint of an origin that one of the keys is named by.
    ///
    /// # Errors
    /// Why it is not accepted.
    pub fn open(note: &str, keys: &[&VerifierKey]) -> Result<Checkpoint, NoteError> {
        let checkpoint = Checkpoint::parse(note::open(note, keys)?)?;
        if keys.iter().any(|k| k.name == checkpoint.origin) {
            Ok(checkpoint)
        } else {
            Err(NoteError("the checkpoint's origin is not the name of its key"))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_checkpoint_comes_back_from_its_note() {
        let origin = origin("counterfoil", "01890a5d-ac96-774b-bcce-b302099a8058", 1);
        let key = SignerKey::new(&origin, [3; 32]);
        let c = Checkpoint { origin, size: 10, root: [9; 32] };
        let note = c.sign(&[&key]).unwrap();
        assert_eq!(Checkpoint::open(&note, &[&key.verifier()]).unwrap(), c);
        let other = SignerKey::new("other", [3; 32]);
        let foreign = c.sign(&[&other]).unwrap();
        assert!(Checkpoint::open(&foreign, &[&other.verifier()]).is_err());
    }

    #[test]
    fn other_shapes_are_refused() {
        let root = BASE64.encode([0; 32]);
        for bad in [
            format!("o\n01\n{root}\n"),
            format!("o\n-1\n{root}\n"),
            format!("o\n+1\n{root}\n"),
            format!("o\n1\n{root}"),
            format!("o\n1\n{root}\nextension\n"),
            "o\n1\nAAAA\n".to_owned(),
            format!("\n1\n{root}\n"),
        ] {
            assert!(Checkpoint::parse(&bad).is_err(), "{bad}");
        }
        assert!(Checkpoint::parse(&format!("o\n0\n{root}\n")).is_ok());
    }
}
