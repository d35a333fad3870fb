use serde_json::json;

use super::*;
use crate::access::testing::Folder;

const NOON: Millis = 1_795_600_800_000; // 2026-11-25, no source

// RFC 8037 appendix A.1 and A.2: the key; A.3: its thumbprint; A.4: a signed message.
const RFC_D: &str = "nWGxne_9WmC6hEr0kuwsxERJxWl7MmkZcDusAxyuf2A";
const RFC_X: &str = "11qYAYKxCrfVS_7TyWQHOg7hcvPapiMlrwIaaPcHURo";
const RFC_THUMBPRINT: &str = "kPrK_qmxVWaYVA9wwBF6Iuo3vVzz7TxHCTwXBygrS4k";
const RFC_JWS: &str = "eyJhbGciOiJFZERTQSJ9.RXhhbXBsZSBvZiBFZDI1NTE5IHNpZ25pbmc.\
hgyY0il_MGCjP0JzlnLWG1PPOt7-09PGcvMg3AIbQR6dWbhijcNR4ki4iylGjg5BhVsPt9g7sVvpAr_MuM0KAg";

fn rfc_seed() -> [u8; 32] {
    URL_SAFE_NO_PAD.decode(RFC_D).expect("base64url").try_into().expect("32 bytes")
}

fn opened(folder: &Folder, at: Millis) -> TokenKeys {
    let clock = Clock::Set(std::sync::Arc::new(at.into()));
    TokenKeys::open(&folder.0.join("keys/token.key"), "counterfoil", &clock, &Random::System).expect("keys")
}

fn claims() -> Claims {
    let at = NOON / 1000;
    Claims {
        iss: "counterfoil".into(),
        sub: Uuid::from_u128(1),
        shop: Uuid::from_u128(2),
        device: Uuid::from_u128(3),
        roles: Roles::from_stored("bench"),
        family: Uuid::from_u128(4),
        iat: at,
        nbf: at,
        exp: at + ACCESS_SECONDS,
        jti: Uuid::from_u128(5),
    }
}

/// A compact JWS with any header, signed with the newest key over exactly these bytes.
fn forged(keys: &TokenKeys, header: serde_json::Value, claims: &Claims) -> String {
    let header = URL_SAFE_NO_PAD.encode(header.to_string());
    let message = format!("{header}.{}", URL_SAFE_NO_PAD.encode(serde_json::to_vec(claims).expect("claims")));
    let signature = keys.keys.read().expect("keys")[0].signing.sign(message.as_bytes());
    format!("{message}.{}", URL_SAFE_NO_PAD.encode(signature.to_bytes()))
}

/// RFC 2104 with SHA-256, for a key of 32 bytes.
fn hmac(key: &[u8; 32], message: &[u8]) -> [u8; 32] {
    let padded = |with: u8| -> Vec<u8> { (0..64).map(|n| key.get(n).copied().unwrap_or(0) ^ with).collect() };
    let inner = Sha256::new().chain_update(padded(0x36)).chain_update(message).finalize();
    Sha256::new().chain_update(padded(0x5c)).chain_update(inner).finalize().into()
}

#[test]
fn our_signatures_through_the_library_are_those_of_rfc_8037() {
    use_our_signatures();
    let ours = key(rfc_seed(), 0);
    assert_eq!(URL_SAFE_NO_PAD.encode(ours.signing.verifying_key().as_bytes()), RFC_X);
    assert_eq!(ours.kid, RFC_THUMBPRINT);
    let (message, signature) = RFC_JWS.rsplit_once('.').expect("three parts");
    let encoding = EncodingKey::from_ed_der(&pkcs8(&ours.signing));
    let made = jsonwebtoken::crypto::sign(message.as_bytes(), &encoding, Algorithm::EdDSA).expect("signed");
    assert_eq!(made, signature);
    let public = DecodingKey::from_ed_components(RFC_X).expect("key");
    let checked =
        |s: &str, m: &str| jsonwebtoken::crypto::verify(s, m.as_bytes(), &public, Algorithm::EdDSA).expect("checked");
    assert!(checked(signature, message));
    assert!(!checked(signature, &message.replace('R', "S")));
}

#[test]
fn a_token_holds_for_ten_minutes_and_not_a_second_longer() {
    let folder = Folder::new();
    let keys = opened(&folder, NOON);
    let token = keys.sign(&claims()).expect("signed");
    assert_eq!(keys.check(&token, NOON), Some(claims()));
    assert_eq!(keys.check(&token, NOON + 599_999), Some(claims()));
    assert_eq!(keys.check(&token, NOON + 600_000), None);
    assert_eq!(keys.check(&token, NOON - 6_000), None, "not before");
}

#[test]
fn no_other_algorithm_is_taken_however_it_is_signed() {
    let folder = Folder::new();
    let keys = opened(&folder, NOON);
    let kid = keys.keys.read().expect("keys")[0].kid.clone();
    for alg in ["none", "None", "HS256", "ES256", "RS256"] {
        let token = forged(&keys, json!({"alg": alg, "kid": kid, "typ": "JWT"}), &claims());
        assert_eq!(keys.check(&token, NOON), None, "{alg}");
        let unsigned = format!("{}.", token.rsplit_once('.').expect("three parts").0);
        assert_eq!(keys.check(&unsigned, NOON), None, "{alg} without a signature");
    }
    // The classical confusion: a right HMAC whose secret is the public key (RFC 8725 2.1).
    let public = keys.keys.read().expect("keys")[0].signing.verifying_key().to_bytes();
    let token = forged(&keys, json!({"alg": "HS256", "kid": kid}), &claims());
    let message = token.rsplit_once('.').expect("three parts").0;
    let confused = format!("{message}.{}", URL_SAFE_NO_PAD.encode(hmac(&public, message.as_bytes())));
    assert_eq!(keys.check(&confused, NOON), None);
    let token = keys.sign(&claims()).expect("signed");
    let good = forged(&keys, json!({"alg": "EdDSA", "kid": kid}), &claims());
    assert!(keys.check(&good, NOON).is_some() && keys.check(&token, NOON).is_some());
    assert_eq!(keys.check(&forged(&keys, json!({"alg": "EdDSA"}), &claims()), NOON), None, "no kid");
    let critical = forged(&keys, json!({"alg": "EdDSA", "kid": kid, "crit": ["x"]}), &claims());
    assert_eq!(keys.check(&critical, NOON), None, "crit");
}

#[test]
fn another_issuer_or_audience_or_changed_bytes_are_refused() {
    let folder = Folder::new();
    let keys = opened(&folder, NOON);
    let token = keys.sign(&Claims { iss: "elsewhere".into(), ..claims() }).expect("signed");
    assert_eq!(keys.check(&token, NOON), None);
    let token = keys.sign(&claims()).expect("signed");
    let mut parts: Vec<String> = token.split('.').map(str::to_owned).collect();
    parts[1] = URL_SAFE_NO_PAD
        .encode(serde_json::to_vec(&Claims { roles: Roles::from_stored("owner"), ..claims() }).expect("claims"));
    assert_eq!(keys.check(&parts.join("."), NOON), None);
    assert_eq!(keys.check(&"x".repeat(5_000), NOON), None);
    assert_eq!(keys.check("", NOON), None);
}

#[test]
fn a_new_key_signs_while_the_old_one_still_checks_and_the_file_keeps_both() {
    let folder = Folder::new();
    let keys = opened(&folder, NOON);
    let token = keys.sign(&claims()).expect("signed");
    keys.renew(NOON + 60_000, &Random::System).expect("renewed");
    let next = keys.sign(&claims()).expect("signed");
    assert_ne!(
        jsonwebtoken::decode_header(&token).expect("header").kid,
        jsonwebtoken::decode_header(&next).expect("header").kid
    );
    let again = opened(&folder, NOON + 61_000);
    for keys in [&keys, &again] {
        assert!(keys.check(&token, NOON + 61_000).is_some() && keys.check(&next, NOON + 61_000).is_some());
    }
    // 90 days on, at a start: a third key; the first one, retired long ago, is dropped.
    let later = opened(&folder, NOON + 60_000 + SIGNS);
    assert_eq!(later.keys.read().expect("keys").len(), 2);
}

#[cfg(unix)]
#[test]
fn a_key_file_that_others_may_read_is_not_used() {
    use std::os::unix::fs::PermissionsExt;
    let folder = Folder::new();
    drop(opened(&folder, NOON));
    let path = folder.0.join("keys/token.key");
    assert_eq!(std::fs::metadata(&path).expect("file").permissions().mode() & 0o777, 0o600);
    std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o640)).expect("chmod");
    assert!(TokenKeys::open(&path, "counterfoil", &Clock::System, &Random::System).is_err());
}
