//! Cosignatures (C2SP tlog-cosignature, `cosignature/v1`, Ed25519; <https://c2sp.org/tlog-cosignature>): a witness signs that
//! this is the largest head of a log it has seen, at a time, and that it goes on from all it saw before.

use std::fmt;
use std::str::FromStr;

use base64::Engine;
use base64::engine::general_purpose::STANDARD as BASE64;
use ed25519_dalek::{Signer, SigningKey};

use crate::note::{self, NoteError, key_id, key_text, read_key};

/// The algorithm byte of an Ed25519 cosignature.
const COSIGNATURE: u8 = 4;
/// Key ID, time, signature.
const LENGTH: usize = 4 + 8 + 64;

/// A witness that signs.
pub struct Witness {
    name: String,
    key: SigningKey,
}

impl fmt::Debug for Witness {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Witness({})", self.name)
    }
}

/// The key that checks a witness's cosignatures.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct WitnessKey {
    /// The witness's name.
    pub name: String,
    /// The public key.
    pub public: [u8; 32],
}

/// What is signed: two lines, then the checkpoint's text.
fn message(text: &str, time: u64) -> String {
    format!("cosignature/v1\ntime {time}\n{text}")
}

impl Witness {
    /// A witness from its 32-byte seed. One key serves one witness only: what is signed does not name it.
    ///
    /// # Errors
    /// When the name cannot stand in a note.
    pub fn new(name: &str, seed: [u8; 32]) -> Result<Witness, NoteError> {
        let witness = Witness { name: name.to_owned(), key: SigningKey::from_bytes(&seed) };
        // A name that can be read back.
        witness.verifier().to_string().parse::<WitnessKey>().map(|_| witness)
    }

    /// The key that checks it.
    pub fn verifier(&self) -> WitnessKey {
        WitnessKey { name: self.name.clone(), public: self.key.verifying_key().to_bytes() }
    }

    /// The signature line, with its line end, over a checkpoint's text at a time, in seconds since the Unix epoch.
    pub fn cosign(&self, text: &str, time: u64) -> String {
        let mut bytes = self.verifier().id().to_vec();
        bytes.extend_from_slice(&time.to_be_bytes());
        bytes.extend_from_slice(&self.key.sign(message(text, time).as_bytes()).to_bytes());
        format!("\u{2014} {} {}\n", self.name, BASE64.encode(bytes))
    }
}

impl WitnessKey {
    /// The first four bytes of SHA-256(name ‖ 0A ‖ 04 ‖ public key).
    pub fn id(&self) -> [u8; 4] {
        key_id(&self.name, COSIGNATURE, &self.public)
    }
}

impl fmt::Display for WitnessKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&key_text(&self.name, COSIGNATURE, &self.public))
    }
}

impl FromStr for WitnessKey {
    type Err = NoteError;

    fn from_str(s: &str) -> Result<WitnessKey, NoteError> {
        let (name, public) = read_key(s, COSIGNATURE)?;
        Ok(WitnessKey { name, public })
    }
}

/// A line of a note that has the form of a cosignature.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Cosigned {
    /// Who, as the line says.
    pub name: String,
    /// When, in seconds since the Unix epoch, as the line says.
    pub time: u64,
    /// Whether a known witness signed it; `None`: none of the keys is this witness's.
    pub holds: Option<bool>,
}

/// The cosignatures on a note, in order: lines of their length whose key is not `origin`'s own.
///
/// ```
/// use evidence::cosignature::{Witness, cosignatures};
/// use evidence::note::SignerKey;
/// let log = SignerKey::new("tarn-street.example/log", [7; 32]);
/// let witness = Witness::new("witness.example/w1", [8; 32])?;
/// let text = "tarn-street.example/log\n1\nAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA=\n";
/// let note = evidence::note::sign(text, &[&log])? + &witness.cosign(text, 1_795_612_931);
/// let found = cosignatures(&note, &[witness.verifier()])?;
/// assert_eq!((found[0].time, found[0].holds), (1_795_612_931, Some(true)));
/// assert_eq!(cosignatures(&note.replace("\n1\n", "\n2\n"), &[witness.verifier()])?[0].holds, Some(false));
/// # Ok::<(), evidence::note::NoteError>(())
/// ```
///
/// # Errors
/// When it is no note.
pub fn cosignatures(note: &str, keys: &[WitnessKey]) -> Result<Vec<Cosigned>, NoteError> {
    let (text, lines) = note::signatures(note)?;
    let origin = text.lines().next().unwrap_or_default();
    let of = |(name, bytes): &(&str, Vec<u8>)| {
        let (id, rest) = bytes.split_first_chunk::<4>()?;
        let (time, signature) = rest.split_first_chunk::<8>()?;
        let time = u64::from_be_bytes(*time);
        let key = keys.iter().find(|k| k.name == *name && k.id() == *id);
        let holds = key.map(|k| i64::try_from(time).is_ok() && note::held(&k.public, &message(text, time), signature));
        (bytes.len() == LENGTH && *name != origin).then(|| Cosigned { name: (*name).to_owned(), time, holds })
    };
    Ok(lines.iter().filter_map(of).collect())
}
