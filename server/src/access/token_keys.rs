//! Access tokens: short EdDSA JWTs (RFC 7519, RFC 8037), and the keys that sign them.
//!
//! The keys have a file of their own, `keys/token.key`: stealing it lets in, but changes no record, and the log's key
//! stays out of reach of whatever signs tokens all day. Several keys count at once, so that one can follow another
//! without anybody noticing: the newest signs, the others still check.

use std::io;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicI64, Ordering};
use std::sync::{Once, PoisonError, RwLock};

use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use ed25519_dalek::{Signature, Signer as _, SigningKey, VerifyingKey};
use jsonwebtoken::crypto::{CryptoProvider, JwtSigner, JwtVerifier, KeyUtils};
use jsonwebtoken::errors::{Error, ErrorKind};
use jsonwebtoken::{Algorithm, AlgorithmFamily, DecodingKey, EncodingKey, Header, Validation, signature};
use serde::{Deserialize, Serialize};
use sha2::{Digest as _, Sha256};
use uuid::Uuid;

use super::roles::Roles;
use super::secret_file;
use crate::edge::{Clock, Millis, Random};
use crate::problem::Problem;

/// How long an access token holds: ten minutes.
pub const ACCESS_SECONDS: i64 = 600;

/// A key signs for 90 days; it checks until the last token it signed has run out.
const SIGNS: Millis = 90 * 24 * 3600 * 1000;
/// Tokens are a few hundred bytes; longer ones are not looked at.
const LONGEST: usize = 4096;
/// Servers that share keys may differ by this much about `nbf`.
const LEEWAY_SECONDS: i64 = 5;

/// What an access token states.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(crate) struct Claims {
    pub iss: String,
    /// The staff.
    pub sub: Uuid,
    pub shop: Uuid,
    pub device: Uuid,
    /// The roles when it was made. What the caller may do is asked of the table.
    pub roles: Roles,
    /// The family of refresh tokens it comes from: ending that ends this at once.
    pub family: Uuid,
    pub iat: i64,
    pub nbf: i64,
    pub exp: i64,
    pub jti: Uuid,
}

#[derive(Serialize, Deserialize)]
struct Kept {
    v: u32,
    /// Newest first.
    keys: Vec<KeptKey>,
}

#[derive(Clone, Serialize, Deserialize)]
struct KeptKey {
    /// base64url of the 32-byte seed (RFC 8032).
    seed: String,
    made_at: Millis,
}

struct Key {
    kid: String,
    made_at: Millis,
    signing: SigningKey,
}

/// The keys in use.
pub struct TokenKeys {
    path: PathBuf,
    issuer: String,
    keys: RwLock<Vec<Key>>,
    /// When the file was last read because of a key that is not known here.
    read_at: AtomicI64,
}

impl TokenKeys {
    /// Reads the key file, or makes it at the first start; renews the signing key when it is due.
    ///
    /// # Errors
    /// When the file cannot be read or written, is not ours, or others may read it.
    pub fn open(path: &Path, issuer: &str, clock: &Clock, random: &Random) -> io::Result<Self> {
        use_our_signatures();
        let keys = RwLock::new(Vec::new());
        let this = TokenKeys { path: path.to_owned(), issuer: issuer.to_owned(), keys, read_at: AtomicI64::new(0) };
        this.renew_if_due(clock.now(), random)?;
        Ok(this)
    }

    /// Takes the keys that the file has now: another process may have renewed them.
    fn read_again(&self) -> io::Result<()> {
        let Some(bytes) = secret_file::read(&self.path)? else { return Ok(()) };
        let found = read(&bytes).ok_or_else(|| io::Error::other(format!("{} is no key file", self.path.display())))?;
        *self.keys.write().unwrap_or_else(PoisonError::into_inner) = found;
        Ok(())
    }

    fn public(&self, kid: &str) -> Option<VerifyingKey> {
        let keys = self.keys.read().unwrap_or_else(PoisonError::into_inner);
        keys.iter().find(|k| k.kid == kid).map(|k| k.signing.verifying_key())
    }

    /// Makes a new signing key when the present one has signed for 90 days, and drops keys whose tokens have all run
    /// out. Called at start and daily.
    ///
    /// # Errors
    /// When the file cannot be written; the keys then stay as they were.
    pub fn renew_if_due(&self, now: Millis, random: &Random) -> io::Result<bool> {
        self.read_again()?;
        let newest = self.keys.read().unwrap_or_else(PoisonError::into_inner).first().map(|k| k.made_at);
        if newest.is_some_and(|made| now.saturating_sub(made) < SIGNS) {
            return Ok(false);
        }
        self.renew(now, random)?;
        Ok(true)
    }

    /// Makes a new signing key now. The present one still checks for as long as its tokens hold.
    ///
    /// # Errors
    /// When the file cannot be written; the keys then stay as they were.
    pub fn renew(&self, now: Millis, random: &Random) -> io::Result<()> {
        let mut keys = self.keys.write().unwrap_or_else(PoisonError::into_inner);
        let mut next = vec![key(random.bytes::<32>(), now)];
        let mut retired_at = now;
        for old in keys.iter() {
            if now.saturating_sub(retired_at) <= (ACCESS_SECONDS + LEEWAY_SECONDS) * 1000 {
                next.push(key(old.signing.to_bytes(), old.made_at));
            }
            retired_at = old.made_at;
        }
        secret_file::write(&self.path, &written(&next)?)?;
        *keys = next;
        Ok(())
    }

    /// Signs a token with the newest key.
    pub(crate) fn sign(&self, claims: &Claims) -> Result<String, Problem> {
        let keys = self.keys.read().unwrap_or_else(PoisonError::into_inner);
        let key = keys.first().ok_or_else(|| Problem::internal("no token key"))?;
        let mut header = Header::new(Algorithm::EdDSA);
        header.kid = Some(key.kid.clone());
        let encoding = EncodingKey::from_ed_der(&pkcs8(&key.signing));
        jsonwebtoken::encode(&header, claims, &encoding).map_err(Problem::internal)
    }

    /// What a token states, if one of our keys signed it and it holds now.
    pub(crate) fn check(&self, token: &str, now: Millis) -> Option<Claims> {
        if token.len() > LONGEST {
            return None;
        }
        let header = jsonwebtoken::decode_header(token).ok()?;
        if header.alg != Algorithm::EdDSA || header.crit.is_some() {
            return None;
        }
        let kid = header.kid?;
        let public = self.public(&kid).or_else(|| {
            // Another process may have a newer key. Asked at most once a second, whatever strangers send.
            if now.abs_diff(self.read_at.load(Ordering::Relaxed)) < 1000 {
                return None;
            }
            self.read_at.store(now, Ordering::Relaxed);
            self.read_again().ok()?;
            self.public(&kid)
        })?;
        let mut rules = Validation::new(Algorithm::EdDSA);
        rules.set_issuer(&[&self.issuer]);
        rules.set_required_spec_claims(&["iss", "sub", "exp", "nbf"]);
        rules.validate_exp = false; // the library would ask the machine's clock; ours is an argument
        rules.validate_nbf = false;
        let claims =
            jsonwebtoken::decode::<Claims>(token, &DecodingKey::from_ed_der(public.as_bytes()), &rules).ok()?.claims;
        let seconds = now.div_euclid(1000);
        (claims.nbf <= seconds + LEEWAY_SECONDS && seconds < claims.exp).then_some(claims)
    }

    /// The issuer named in every token.
    pub(crate) fn issuer(&self) -> &str {
        &self.issuer
    }
}

fn key(seed: [u8; 32], made_at: Millis) -> Key {
    let signing = SigningKey::from_bytes(&seed);
    Key { kid: thumbprint(&signing.verifying_key()), made_at, signing }
}

/// The JWK thumbprint of an Ed25519 key (RFC 7638, RFC 8037 appendix A.3).
fn thumbprint(key: &VerifyingKey) -> String {
    let x = URL_SAFE_NO_PAD.encode(key.as_bytes());
    URL_SAFE_NO_PAD.encode(Sha256::digest(format!(r#"{{"crv":"Ed25519","kty":"OKP","x":"{x}"}}"#)))
}

fn read(bytes: &[u8]) -> Option<Vec<Key>> {
    let kept: Kept = serde_json::from_slice(bytes).ok()?;
    if kept.v != 1 {
        return None;
    }
    let one = |k: KeptKey| Some(key(URL_SAFE_NO_PAD.decode(k.seed).ok()?.try_into().ok()?, k.made_at));
    kept.keys.into_iter().map(one).collect()
}

fn written(keys: &[Key]) -> io::Result<Vec<u8>> {
    let one = |k: &Key| KeptKey { seed: URL_SAFE_NO_PAD.encode(k.signing.to_bytes()), made_at: k.made_at };
    Ok(serde_json::to_vec(&Kept { v: 1, keys: keys.iter().map(one).collect() })?)
}

/// The fixed beginning of an Ed25519 private key in PKCS #8 (RFC 8410 7); the seed follows.
const PKCS8: [u8; 16] = [0x30, 0x2e, 2, 1, 0, 0x30, 5, 6, 3, 0x2b, 0x65, 0x70, 4, 0x22, 4, 0x20];

fn pkcs8(key: &SigningKey) -> Vec<u8> {
    [PKCS8.as_slice(), key.as_bytes().as_slice()].concat()
}

/// Gives the JWT library signatures by the one Ed25519 implementation that is in the program anyway, instead of its own
/// set with RSA and the NIST curves. Nothing but EdDSA can be signed or checked then.
fn use_our_signatures() {
    static ONCE: Once = Once::new();
    static OURS: CryptoProvider = CryptoProvider {
        signer_factory: |algorithm, key| {
            only_eddsa(algorithm, key.family())?;
            let seed = key.as_bytes().strip_prefix(&PKCS8).and_then(|s| <[u8; 32]>::try_from(s).ok());
            let seed = seed.ok_or(ErrorKind::InvalidEddsaKey)?;
            Ok(Box::new(Ed25519Signer(SigningKey::from_bytes(&seed))))
        },
        verifier_factory: |algorithm, key| {
            only_eddsa(algorithm, key.family())?;
            let bytes = <[u8; 32]>::try_from(key.try_get_as_bytes()?).map_err(|_| ErrorKind::InvalidEddsaKey)?;
            let key = VerifyingKey::from_bytes(&bytes).map_err(|_| ErrorKind::InvalidEddsaKey)?;
            Ok(Box::new(Ed25519Verifier(key)))
        },
        key_utils: KeyUtils::new_unimplemented(), // only for JWKs, which we neither read nor write by the library
    };
    ONCE.call_once(|| {
        let _ = OURS.install_default();
    });
}

fn only_eddsa(algorithm: &Algorithm, family: AlgorithmFamily) -> Result<(), Error> {
    let ours = *algorithm == Algorithm::EdDSA && family == AlgorithmFamily::Ed;
    if ours { Ok(()) } else { Err(ErrorKind::InvalidAlgorithm.into()) }
}

struct Ed25519Signer(SigningKey);

impl signature::Signer<Vec<u8>> for Ed25519Signer {
    fn try_sign(&self, message: &[u8]) -> Result<Vec<u8>, signature::Error> {
        Ok(self.0.sign(message).to_bytes().to_vec())
    }
}

impl JwtSigner for Ed25519Signer {
    fn algorithm(&self) -> Algorithm {
        Algorithm::EdDSA
    }
}

struct Ed25519Verifier(VerifyingKey);

impl signature::Verifier<Vec<u8>> for Ed25519Verifier {
    fn verify(&self, message: &[u8], signature: &Vec<u8>) -> Result<(), signature::Error> {
        let bytes = <[u8; 64]>::try_from(signature.as_slice()).map_err(|_| signature::Error::new())?;
        self.0.verify_strict(message, &Signature::from_bytes(&bytes)).map_err(|_| signature::Error::new())
    }
}

impl JwtVerifier for Ed25519Verifier {
    fn algorithm(&self) -> Algorithm {
        Algorithm::EdDSA
    }
}

#[cfg(test)]
#[path = "token_keys_tests.rs"]
mod tests;
