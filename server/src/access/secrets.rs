//! Secrets that are handed out once and kept as a hash only.

use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use sha2::{Digest as _, Sha256};

use crate::edge::Random;

/// SHA-256 of a secret: all that is stored of it. A secret has at least 128 random bits, so a plain hash is enough.
pub(crate) type Digest = [u8; 32];

/// A secret as it was just made: the text for its holder, and the digest to store.
pub(crate) struct Secret {
    /// base64url, goes to the holder and nowhere else.
    pub text: String,
    /// What is stored.
    pub digest: Digest,
}

/// 256 random bits: sessions, refresh tokens, links, the set-up token.
pub(crate) fn secret(random: &Random) -> Secret {
    of(&random.bytes::<32>())
}

/// 128 random bits: a pairing code, which has to fit a small QR code and lives five minutes.
pub(crate) fn code(random: &Random) -> Secret {
    of(&random.bytes::<16>())
}

fn of(bytes: &[u8]) -> Secret {
    let text = URL_SAFE_NO_PAD.encode(bytes);
    let digest = digest(&text);
    Secret { text, digest }
}

/// The digest of a secret that somebody presents.
pub(crate) fn digest(text: &str) -> Digest {
    Sha256::digest(text.as_bytes()).into()
}
