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

fn good_name(name: &str) -> bool {
    !name.is_empty() && !name.contains('+') && !name.chars().any(char::is_whitespace)
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
        Ok(key)
    }
}

/// Signs a text that ends in a line end.
///
/// # Errors
/// When the text or a key's name cannot stand in a note.
pub fn sign(text: &str, keys: &[&SignerKey]) -> Result<String, NoteError> {
    if !text.ends_with('\n') || text.chars().any(|c| c.is_control() && c != '\n') {
        return Err(NoteError("a note's text ends in a line end and has no other control characters"));
    }
    let mut note = format!("{text}\n");
    for key in keys {
        if !good_name(&key.name) {
            return Err(NoteError("a key's name has no spaces and no +"));
        }
        let mut bytes = key.verifier().id().to_vec();
        bytes.extend_from_slice(&key.key.sign(text.as_bytes()).to_bytes());
        note.push_str(&format!("\u{2014} {} {}\n", key.name, BASE64.encode(bytes)));
    }
    Ok(note)
}

/// Opens a note: gives its text when at least one known key signed it and none of the known ones fails.
///
/// # Errors
/// Why it is not accepted.
pub fn open<'a>(note: &'a str, keys: &[&VerifierKey]) -> Result<&'a str, NoteError> {
    if note.len() > MAX_NOTE || note.chars().any(|c| c.is_control() && c != '\n') {
        return Err(NoteError("this is too long for a note, or has control characters"));
    }
    let end = note.rfind("\n\n").ok_or(NoteError("a note has an empty line before its signatures"))?;
    let (text, signatures) = (&note[..=end], &note[end + 2..]);
    if signatures.is_empty() || !signatures.ends_with('\n') {
        return Err(NoteError("a note ends in a signature and a line end"));
    }
    let mut known = 0;
    for (i, line) in signatures.lines().enumerate() {
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
        known += 1;
    }
    if known == 0 { Err(NoteError("no known key signed this note")) } else { Ok(text) }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Published with golang.org/x/mod sumdb/note (note_test.go, package documentation example).
    const PETER: &str = "PeterNeumann+c74f20a3+ARpc2QcUPDhMQegwxbzhKqiBfsVkmqq/LDE4izWy10TW";
    const PETER_SEED: &str = "AYEKFALVFGyNhPJEMzD1QIDr+Y7hfZx09iUvxdXHKDFz";
    const PETER_TEXT: &str =
        "If you think cryptography is the answer to your problem,\nthen you don't know what your problem is.\n";
    const PETER_LINE: &str = "\u{2014} PeterNeumann x08go/ZJkuBS9UG/SffcvIAQxVBtiFupLLr8pAcElZInNIuGUgYN1FFYC2pZSNXgKvqfqdngotpRZb6KE6RyyBwJnAM=\n";

    fn peter() -> SignerKey {
        let bytes = BASE64.decode(PETER_SEED).unwrap();
        SignerKey::new("PeterNeumann", bytes[1..].try_into().unwrap())
    }

    #[test]
    fn the_published_note_is_signed_byte_for_byte_and_opened() {
        let key: VerifierKey = PETER.parse().unwrap();
        assert_eq!(peter().verifier(), key);
        assert_eq!(key.to_string(), PETER);
        let note = sign(PETER_TEXT, &[&peter()]).unwrap();
        assert_eq!(note, format!("{PETER_TEXT}\n{PETER_LINE}"));
        assert_eq!(open(&note, &[&key]).unwrap(), PETER_TEXT);
    }

    #[test]
    fn the_specification_s_verifier_key_is_valid() {
        // C2SP signed-note, "Verifier keys".
        "example.com/foo+530d903a+AekyeRrm56hApGFkyQR4ZCbV54Id2LKaANYcrnKv3U2k".parse::<VerifierKey>().unwrap();
        assert!(
            "example.com/foo+530d903b+AekyeRrm56hApGFkyQR4ZCbV54Id2LKaANYcrnKv3U2k".parse::<VerifierKey>().is_err()
        );
        assert!("a b+530d903a+AekyeRrm56hApGFkyQR4ZCbV54Id2LKaANYcrnKv3U2k".parse::<VerifierKey>().is_err());
    }

    #[test]
    fn rfc_8032_signatures() {
        // RFC 8032 7.1, TEST 1 and TEST 2.
        let hex = |s: &str| -> Vec<u8> {
            (0..s.len()).step_by(2).map(|i| u8::from_str_radix(&s[i..i + 2], 16).unwrap()).collect()
        };
        for (seed, public, message, signature) in [
            (
                "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60",
                "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a",
                "",
                "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb8821590a33bacc61e39701cf9b46bd25bf5f0595bbe24655141438e7a100b",
            ),
            (
                "4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb",
                "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c",
                "72",
                "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00",
            ),
        ] {
            let key = SigningKey::from_bytes(&hex(seed).try_into().unwrap());
            assert_eq!(key.verifying_key().to_bytes().to_vec(), hex(public));
            assert_eq!(key.sign(&hex(message)).to_bytes().to_vec(), hex(signature));
        }
    }

    #[test]
    fn unknown_keys_are_ignored_and_a_known_one_that_fails_rejects() {
        let other = SignerKey::new("other.example", [7; 32]);
        let note = sign(PETER_TEXT, &[&other, &peter()]).unwrap();
        let key = peter().verifier();
        assert!(open(&note, &[&key]).is_ok());
        assert_eq!(open(&note, &[]), Err(NoteError("no known key signed this note")));
        let changed = note.replace("answer", "Answer");
        assert_eq!(open(&changed, &[&key]), Err(NoteError("a signature by a known key is wrong")));
        let both = sign(PETER_TEXT, &[&peter(), &other]).unwrap().replace("other.example", "other.exampl3");
        assert!(open(&both, &[&key, &other.verifier()]).is_ok());
        for bad in [
            "",
            "text\n",
            "text\n\n",
            &note[..note.len() - 1],
            &note.replace('\u{2014}', "-"),
            &format!("{note}\u{2014} x\n"),
            "a\r\n\n\u{2014} x AAAAAAAA\n",
        ] {
            assert!(open(bad, &[&key]).is_err(), "{bad}");
        }
    }

    #[test]
    fn sixteen_signatures_are_read() {
        let keys: Vec<SignerKey> = (0..16).map(|i| SignerKey::new(&format!("k{i}"), [i; 32])).collect();
        let note = sign("x\n", &keys.iter().collect::<Vec<_>>()).unwrap();
        assert!(open(&note, &[&keys[15].verifier()]).is_ok());
        let many = format!("{}{}", note, "\u{2014} y AAAAAAAA\n".repeat(MAX_SIGNATURES));
        assert!(open(&many, &[&keys[15].verifier()]).is_err());
    }
}
