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

/// Key ID: the first four bytes of SHA-256(name ‖ 0A ‖ algorithm ‖ public key).
pub(crate) fn key_id(name: &str, algorithm: u8, public: &[u8; 32]) -> [u8; 4] {
    let mut bytes = name.as_bytes().to_vec();
    bytes.extend_from_slice(&[b'\n', algorithm]);
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
    /// The first four bytes of SHA-256(name ‖ 0A ‖ 01 ‖ public key).
    pub fn id(&self) -> [u8; 4] {
        key_id(&self.name, ED25519, &self.public)
    }

    /// The same as eight hexadecimal digits.
    pub fn id_text(&self) -> String {
        format!("{:08x}", u32::from_be_bytes(self.id()))
    }
}

impl fmt::Display for VerifierKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&key_text(&self.name, ED25519, &self.public))
    }
}

impl FromStr for VerifierKey {
    type Err = NoteError;

    fn from_str(s: &str) -> Result<VerifierKey, NoteError> {
        let (name, public) = read_key(s, ED25519)?;
        Ok(VerifierKey { name, public })
    }
}

/// A key as text: name, id, algorithm and public key.
pub(crate) fn key_text(name: &str, algorithm: u8, public: &[u8; 32]) -> String {
    let mut key = vec![algorithm];
    key.extend_from_slice(public);
    let id = u32::from_be_bytes(key_id(name, algorithm, public));
    format!("{name}+{id:08x}+{}", BASE64.encode(key))
}

/// Reads a key of this algorithm.
pub(crate) fn read_key(text: &str, algorithm: u8) -> Result<(String, [u8; 32]), NoteError> {
    let bad = NoteError("a verifier key is name+id+base64");
    let mut parts = text.splitn(3, '+');
    let (Some(name), Some(id), Some(key)) = (parts.next(), parts.next(), parts.next()) else { return Err(bad) };
    let bytes = BASE64.decode(key).map_err(|_| bad)?;
    let Some((_, public)) = bytes.split_first().filter(|(a, _)| **a == algorithm) else {
        return Err(NoteError("this kind of key is not known"));
    };
    let public: [u8; 32] = public.try_into().map_err(|_| bad)?;
    if !good_name(name) || id != format!("{:08x}", u32::from_be_bytes(key_id(name, algorithm, &public))) {
        return Err(NoteError("the verifier key's id does not belong to its name and key"));
    }
    // A point of small order signs anything; what is no point signs nothing.
    match VerifyingKey::from_bytes(&public) {
        Ok(point) if !point.is_weak() => Ok((name.to_owned(), public)),
        _ => Err(NoteError("the verifier key is not a usable Ed25519 key")),
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
    let (text, lines) = signatures(note)?;
    let mut signed = Vec::new();
    for (name, bytes) in &lines {
        let Some(key) = keys.iter().find(|k| k.name == *name && k.id()[..] == bytes[..4]) else { continue };
        if !held(&key.public, text, &bytes[4..]) {
            return Err(NoteError("a signature by a known key is wrong"));
        }
        signed.push(*key);
    }
    if signed.is_empty() { Err(NoteError("no known key signed this note")) } else { Ok((text, signed)) }
}

/// The text of a note and its signature lines, unchecked: whose, and the bytes of key ID and signature.
///
/// # Errors
/// When it is no note.
#[allow(clippy::type_complexity, reason = "a list of lines")]
pub(crate) fn signatures(note: &str) -> Result<(&str, Vec<(&str, Vec<u8>)>), NoteError> {
    if note.len() > MAX_NOTE || !plain(note) {
        return Err(NoteError("this is too long for a note, or has control characters"));
    }
    // The text may have empty lines of its own: the last one parts it from the signatures.
    let end = note.rfind("\n\n").ok_or(NoteError("a note has an empty line before its signatures"))?;
    let (text, signatures) = (&note[..=end], &note[end + 2..]);
    let Some(lines) = signatures.strip_suffix('\n') else {
        return Err(NoteError("a note ends in a signature and a line end"));
    };
    let mut out = Vec::new();
    for line in lines.split('\n') {
        if out.len() >= MAX_SIGNATURES {
            return Err(NoteError("a note has too many signatures"));
        }
        out.push(signature_line(line).ok_or(NoteError("a signature line is a dash, a name and base64"))?);
    }
    Ok((text, out))
}

fn signature_line(line: &str) -> Option<(&str, Vec<u8>)> {
    let (name, encoded) = line.strip_prefix("\u{2014} ")?.split_once(' ')?;
    let bytes = BASE64.decode(encoded).ok()?;
    (good_name(name) && bytes.len() >= 5).then_some((name, bytes))
}

/// Whose signatures a note bears, unchecked: the names and key IDs, in order.
///
/// # Errors
/// When it is no note.
pub fn signers(note: &str) -> Result<Vec<(&str, [u8; 4])>, NoteError> {
    let (_, lines) = signatures(note)?;
    Ok(lines.into_iter().filter_map(|(name, bytes)| Some((name, *bytes.first_chunk::<4>()?))).collect())
}

/// Whether an Ed25519 key signed a text.
pub(crate) fn held(public: &[u8; 32], text: &str, signature: &[u8]) -> bool {
    let (Ok(key), Ok(signature)) = (VerifyingKey::from_bytes(public), Signature::from_slice(signature)) else {
        return false;
    };
    key.verify_strict(text.as_bytes(), &signature).is_ok()
}
