//! The proof file of one entry (C2SP tlog-proof, `.tlog-proof`).

use std::fmt;
use std::str::FromStr;

use base64::Engine;
use base64::engine::general_purpose::STANDARD as BASE64;

use crate::checkpoint::Checkpoint;
use crate::note::{NoteError, VerifierKey};
use crate::tree::{self, Hash};

/// The first line.
const FIRST: &str = "c2sp.org/tlog-proof@v1";
/// Longest proof file read, in bytes.
const MAX_PROOF: usize = 128 * 1024;

/// A proof that an entry is in a log.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Proof {
    /// Extra data, base64; not used by us.
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
            BASE64.decode(extra).map_err(|_| bad)?;
            lines.next();
        }
        let index = lines.next().and_then(|l| l.strip_prefix("index ")).ok_or(bad)?;
        let decimal = index.bytes().all(|c| c.is_ascii_digit()) && (index == "0" || !index.starts_with('0'));
        let index = index.parse().ok().filter(|_| decimal).ok_or(bad)?;
        let hashes = lines
            .map(|l| BASE64.decode(l).ok().and_then(|h| h.try_into().ok()).ok_or(bad))
            .collect::<Result<Vec<Hash>, _>>()?;
        if hashes.len() > 63 {
            return Err(bad);
        }
        Ok(Proof { extra, index, hashes, checkpoint: checkpoint.to_owned() })
    }
}

impl Proof {
    /// Verifies that the entry with these bytes is in the log the checkpoint signs.
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::note::SignerKey;

    #[test]
    fn a_proof_is_written_read_and_verified() {
        let entries = [&b"one"[..], b"two", b"three"];
        let leaves: Vec<Hash> = entries.iter().map(|e| tree::leaf_hash(e)).collect();
        let key = SignerKey::new("log.example/1", [5; 32]);
        let checkpoint = Checkpoint { origin: "log.example/1".into(), size: 3, root: tree::root(&leaves) };
        let proof = Proof {
            extra: None,
            index: 2,
            hashes: vec![tree::node_hash(&leaves[0], &leaves[1])],
            checkpoint: checkpoint.sign(&[&key]).unwrap(),
        };
        let text = proof.to_string();
        assert!(text.starts_with("c2sp.org/tlog-proof@v1\nindex 2\n"));
        let read: Proof = text.parse().unwrap();
        assert_eq!(read, proof);
        assert_eq!(read.verify(b"three", &[&key.verifier()]).unwrap(), checkpoint);
        assert!(read.verify(b"four", &[&key.verifier()]).is_err());
        assert!(Proof { index: 1, ..read.clone() }.verify(b"three", &[&key.verifier()]).is_err());
        let with_extra: Proof = text.replace("index 2", "extra AAAA\nindex 2").parse().unwrap();
        assert_eq!(with_extra.extra.as_deref(), Some("AAAA"));
        for bad in [
            text.replace("@v1", "@v2"),
            text.replace("index 2", "index 02"),
            text.replace("index 2", "index -2"),
            text.replace("index 2\n", "index 2\nAAAA\n"),
            String::new(),
        ] {
            assert!(bad.parse::<Proof>().is_err());
        }
    }
}
