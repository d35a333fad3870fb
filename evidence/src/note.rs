//! Signed notes (C2SP signed-note), Ed25519.

use std::fmt;
use std::str::FromStr;

use base64::Engine;
use base64::engine::general_purpose::STANDARD as BASE64;
use ed25519_dalek::{Signature, Signer, SigningKey, VerifyingKey};

use crate::digest::Digest;

/// Largest note read, in bytes.
pub const MAX_NOTE: usize = 64 * 1024;
/// Most signatures read; at least 16 have to be.
pub const MAX_SIGNATURES: usize = 100;

/// The algorithm byte of Ed25519.
const ED25519: u8 = 1;

/// Why a note was not signed or not opened.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct NoteError(pub &'static str);

impl fmt::Display for NoteError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.0)
    }
}

impl std::error::Error for NoteError {}

/// No spaces and no `+`, as the specification says; no control characters, as no note may have any.
fn good_name(name: &str) -> bool {
    !name.is_empty() && !name.chars().any(|c| c == '+' || c.is_whitespace() || c.is_control())
}

/// The only ASCII control character in a note is the line end.
fn plain(text: &str) -> bool {
    text.bytes().all(|c| c >= b' ' || c == b'\n')
}

/// Key ID: the first four bytes of SHA-256(name ‖ 0A ‖ 01 ‖ public key).
fn key_id(name: &str, public: &[u8; 32]) -> [u8; 4] {
    let mut bytes = name.as_bytes().to_vec();
    bytes.extend_from_slice(&[b'\n', ED25519]);
    bytes.extend_from_slice(public);
    let d = Digest::of(&bytes).0;
    [d[0], d[1], d[2], d[3]]
}

/// A key that signs.
pub struct SignerKey {
    name: String,
    key: SigningKey,
}

impl fmt::Debug for SignerKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "SignerKey({})", self.name)
    }
}

impl SignerKey {
    /// A key from its 32-byte seed (RFC 8032 5.1.5).
    pub fn new(name: &str, seed: [u8; 32]) -> SignerKey {
        SignerKey { name: name.to_owned(), key: SigningKey::from_bytes(&seed) }
    }

    /// Its name.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// The signature line of a text, with its line end: what [`sign`] puts below the empty line.
    ///
    /// # Errors
    /// When the key's name cannot stand in a note.
    pub fn sign(&self, text: &str) -> Result<String, NoteError> {
        if !good_name(&self.name) {
            return Err(NoteError("a key's name has no spaces and no +"));
        }
        let mut bytes = self.verifier().id().to_vec();
        bytes.extend_from_slice(&self.key.sign(text.as_bytes()).to_bytes());
        Ok(format!("\u{2014} {} {}\n", self.name, BASE64.encode(bytes)))
    }

    /// The key that checks what this one signs.
    pub fn verifier(&self) -> VerifierKey {
        VerifierKey { name: self.name.clone(), public: self.key.verifying_key().to_bytes() }
    }
}

/// A key that checks.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct VerifierKey {
    /// Its name.
    pub name: String,
    /// The public key.
    pub public: [u8; 32],
}

impl VerifierKey {
    fn id(&self) -> [u8; 4] {
        key_id(&self.name, &self.public)
    }
}

impl fmt::Display for VerifierKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut key = vec![ED25519];
        key.extend_from_slice(&self.public);
        let id = u32::from_be_bytes(self.id());
        write!(f, "{}+{id:08x}+{}", self.name, BASE64.encode(key))
    }
}

impl FromStr for VerifierKey {
    type Err = NoteError;

    fn from_str(s: &str) -> Result<VerifierKey, NoteError> {
        let bad = NoteError("a verifier key is name+id+base64");
        let mut parts = s.splitn(3, '+');
        let (Some(name), Some(id), Some(key)) = (parts.next(), parts.next(), parts.next()) else { return Err(bad) };
        let bytes = BASE64.decode(key).map_err(|_| bad)?;
        let Some((&ED25519, public)) = bytes.split_first() else {
            return Err(NoteError("this kind of key is not known"));
        };
        let public: [u8; 32] = public.try_into().map_err(|_| bad)?;
        let key = VerifierKey { name: name.to_owned(), public };
        if !good_name(name) || id != format!("{:08x}", u32::from_be_bytes(key.id())) {
            return Err(NoteError("the verifier key's id does not belong to its name and key"));
        }
        // A point of small order signs anything; what is no point signs nothing.
        match VerifyingKey::from_bytes(&key.public) {
            Ok(point) if !point.is_weak() => Ok(key),
            _ => Err(NoteError("the verifier key is not a usable Ed25519 key")),
        }
    }
}

/// Signs a text that ends in a line end, with one key or more.
///
/// # Errors
/// When the text or a key's name cannot stand in a note, or nobody signs.
///
/// ```
/// use evidence::note::{SignerKey, VerifierKey, open, sign};
/// let key = SignerKey::new("tarn-street.example/log", [7; 32]);
/// let note = sign("A machine came in.\n", &[&key])?;
/// let published: VerifierKey = key.verifier().to_string().parse()?;
/// assert_eq!(open(&note, &[&published])?, "A machine came in.\n");
/// assert!(open(&note.replace("came", "went"), &[&published]).is_err());
/// # Ok::<(), evidence::note::NoteError>(())
/// ```
pub fn sign(text: &str, keys: &[&SignerKey]) -> Result<String, NoteError> {
    if !text.ends_with('\n') || !plain(text) {
        return Err(NoteError("a note's text ends in a line end and has no other control characters"));
    }
    if keys.is_empty() || keys.len() > MAX_SIGNATURES {
        return Err(NoteError("a note is signed by at least one key and not by too many"));
    }
    let mut note = format!("{text}\n");
    for key in keys {
        note.push_str(&key.sign(text)?);
    }
    if note.len() > MAX_NOTE { Err(NoteError("this is too long for a note")) } else { Ok(note) }
}

/// Opens a note: gives its text when at least one known key signed it and none of the known ones fails.
///
/// # Errors
/// Why it is not accepted.
pub fn open<'a>(note: &'a str, keys: &[&VerifierKey]) -> Result<&'a str, NoteError> {
    Ok(open_by(note, keys)?.0)
}

/// Opens a note as [`open`] does, and says which of the known keys signed it, in the order of their signatures.
///
/// # Errors
/// Why it is not accepted.
pub fn open_by<'a, 'k>(note: &'a str, keys: &[&'k VerifierKey]) -> Result<(&'a str, Vec<&'k VerifierKey>), NoteError> {
    if note.len() > MAX_NOTE || !plain(note) {
        return Err(NoteError("this is too long for a note, or has control characters"));
    }
    // The text may have empty lines of its own: the last one parts it from the signatures.
    let end = note.rfind("\n\n").ok_or(NoteError("a note has an empty line before its signatures"))?;
    let (text, signatures) = (&note[..=end], &note[end + 2..]);
    let Some(lines) = signatures.strip_suffix('\n') else {
        return Err(NoteError("a note ends in a signature and a line end"));
    };
    let mut signed = Vec::new();
    for (i, line) in lines.split('\n').enumerate() {
        if i >= MAX_SIGNATURES {
            return Err(NoteError("a note has too many signatures"));
        }
        let bad = NoteError("a signature line is a dash, a name and base64");
        let (name, encoded) = line.strip_prefix("\u{2014} ").and_then(|l| l.split_once(' ')).ok_or(bad)?;
        let bytes = BASE64.decode(encoded).map_err(|_| bad)?;
        if !good_name(name) || bytes.len() < 5 {
            return Err(bad);
        }
        let Some(key) = keys.iter().find(|k| k.name == name && k.id()[..] == bytes[..4]) else { continue };
        let failed = NoteError("a signature by a known key is wrong");
        let signature = Signature::from_slice(&bytes[4..]).map_err(|_| failed)?;
        let public = VerifyingKey::from_bytes(&key.public).map_err(|_| failed)?;
        public.verify_strict(text.as_bytes(), &signature).map_err(|_| failed)?;
        signed.push(*key);
    }
    if signed.is_empty() { Err(NoteError("no known key signed this note")) } else { Ok((text, signed)) }
}
