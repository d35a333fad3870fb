//! SHA-256 digests, written `sha256:<64 hexadecimal digits>`.

use std::fmt;
use std::str::FromStr;

use serde::de::Error as _;
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use sha2::{Digest as _, Sha256};

/// A SHA-256 digest.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Digest(pub [u8; 32]);

/// A text that is not a digest.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct NotADigest;

impl fmt::Display for NotADigest {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a digest is sha256: and 64 lower-case hexadecimal digits")
    }
}

impl std::error::Error for NotADigest {}

impl Digest {
    /// The digest of bytes.
    ///
    /// ```
    /// // FIPS 180-4 / RFC 6234: SHA-256 of the empty string.
    /// let d = evidence::digest::Digest::of(b"");
    /// assert_eq!(d.to_string(), "sha256:e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855");
    /// ```
    pub fn of(bytes: &[u8]) -> Digest {
        Digest(Sha256::digest(bytes).into())
    }

    /// The 64 hexadecimal digits.
    pub fn hex(&self) -> String {
        self.0.iter().map(|b| format!("{b:02x}")).collect()
    }

    /// Reads 64 lower-case hexadecimal digits.
    ///
    /// # Errors
    /// When it is anything else.
    pub fn from_hex(hex: &str) -> Result<Digest, NotADigest> {
        let digits = hex.as_bytes();
        if digits.len() != 64 {
            return Err(NotADigest);
        }
        let nibble = |c: u8| match c {
            b'0'..=b'9' => Ok(c - b'0'),
            b'a'..=b'f' => Ok(c - b'a' + 10),
            _ => Err(NotADigest),
        };
        let mut out = [0; 32];
        for (byte, pair) in out.iter_mut().zip(digits.chunks_exact(2)) {
            *byte = nibble(pair[0])? << 4 | nibble(pair[1])?;
        }
        Ok(Digest(out))
    }
}

impl fmt::Display for Digest {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "sha256:{}", self.hex())
    }
}

impl fmt::Debug for Digest {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{self}")
    }
}

impl FromStr for Digest {
    type Err = NotADigest;

    fn from_str(s: &str) -> Result<Digest, NotADigest> {
        Digest::from_hex(s.strip_prefix("sha256:").ok_or(NotADigest)?)
    }
}

impl Serialize for Digest {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        s.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Digest {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Digest, D::Error> {
        String::deserialize(d)?.parse().map_err(D::Error::custom)
    }
}

/// SHA-256, piece by piece.
#[derive(Clone, Debug, Default)]
pub struct Hasher(Sha256);

impl Hasher {
    /// Nothing hashed yet.
    pub fn new() -> Hasher {
        Hasher::default()
    }

    /// Takes the next piece.
    pub fn update(&mut self, piece: &[u8]) {
        self.0.update(piece);
    }

    /// The digest of all pieces.
    pub fn finish(self) -> Digest {
        Digest(self.0.finalize().into())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pieces_give_the_digest_of_the_whole() {
        // RFC 6234 8.5, test 1: "abc".
        let mut h = Hasher::new();
        h.update(b"a");
        h.update(b"bc");
        let d = h.finish();
        assert_eq!(d.hex(), "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
        assert_eq!(d.to_string().parse(), Ok(d));
    }

    #[test]
    fn other_spellings_are_refused() {
        let hex = Digest::of(b"").hex();
        for bad in [
            hex.clone(),
            format!("sha256:{}", hex.to_uppercase()),
            format!("sha256:{}", &hex[1..]),
            format!("sha256: {hex}"),
        ] {
            assert_eq!(bad.parse::<Digest>(), Err(NotADigest));
        }
    }
}
