//! Personal members, kept apart from the entry that binds them (RFC 9901, SD-JWT, section 4.2).
//!
//! To withhold one is to leave its disclosure out; to erase it is to delete the disclosure. The log never notices.

use std::collections::BTreeSet;
use std::fmt;

use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD as BASE64URL;
use serde_json::{Map, Value};

use crate::digest::Digest;

/// Longest disclosure, in characters of base64url.
pub const MAX_ENCODED: usize = 65_535;
/// Shortest salt: 128 bits as base64url.
pub const MIN_SALT: usize = 22;

/// One withheld member: salt, name, value.
#[derive(Clone, Debug, PartialEq)]
pub struct Disclosure {
    /// At least 128 random bits, as base64url; made on the author's device.
    pub salt: String,
    /// The member's name.
    pub name: String,
    /// The member's value.
    pub value: Value,
}

/// Why a disclosure does not fit.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DisclosureError(pub &'static str);

impl fmt::Display for DisclosureError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.0)
    }
}

impl std::error::Error for DisclosureError {}

impl Disclosure {
    /// The base64url text; its bytes are what the digest is over.
    pub fn encode(&self) -> String {
        let array =
            Value::Array(vec![Value::from(self.salt.clone()), Value::from(self.name.clone()), self.value.clone()]);
        BASE64URL.encode(array.to_string())
    }

    /// Reads a disclosure; any JSON array of salt, name and value will do, since the digest is over the text.
    ///
    /// # Errors
    /// A sentence.
    pub fn decode(encoded: &str) -> Result<Disclosure, DisclosureError> {
        if encoded.len() > MAX_ENCODED {
            return Err(DisclosureError("a disclosure is too long"));
        }
        let bytes =
            BASE64URL.decode(encoded).map_err(|_| DisclosureError("a disclosure is base64url without padding"))?;
        let parts: Vec<Value> =
            serde_json::from_slice(&bytes).map_err(|_| DisclosureError("a disclosure is a JSON array"))?;
        let Ok([Value::String(salt), Value::String(name), value]) = <[Value; 3]>::try_from(parts) else {
            return Err(DisclosureError("a disclosure is salt, name and value"));
        };
        if salt.len() < MIN_SALT {
            return Err(DisclosureError("a salt has at least 128 bits"));
        }
        Ok(Disclosure { salt, name, value })
    }
}

/// The digest of a disclosure's text, as it stands in `_sd`.
///
/// ```
/// // RFC 9901 4.2.3.
/// let text = "WyJfMjZiYzRMVC1hYzZxMktJNmNCVzVlcyIsICJmYW1pbHlfbmFtZSIsICJNw7ZiaXVzIl0";
/// assert_eq!(evidence::disclosure::digest_of(text), "X9yH0Ajrdm1Oij4tWso9UzzKJvPoDxwmuEcO3XAdRC0");
/// ```
pub fn digest_of(encoded: &str) -> String {
    BASE64URL.encode(Digest::of(encoded.as_bytes()).0)
}

/// Puts the sorted digests of disclosures into a body; none, no member.
pub fn attach(body: &mut Map<String, Value>, disclosures: &[String]) {
    let digests: BTreeSet<String> = disclosures.iter().map(|d| digest_of(d)).collect();
    if !digests.is_empty() {
        body.insert("_sd".into(), digests.into_iter().map(Value::from).collect());
    }
}

/// A body with its disclosed members put back beside `_sd`.
///
/// # Errors
/// When a disclosure's digest is not in `_sd`, stands twice, or its name is taken.
pub fn disclose(body: &Map<String, Value>, disclosures: &[String]) -> Result<Map<String, Value>, DisclosureError> {
    let empty = Vec::new();
    let named: BTreeSet<&str> =
        body.get("_sd").map_or(Some(&empty), Value::as_array).into_iter().flatten().filter_map(Value::as_str).collect();
    let mut out = body.clone();
    let mut used = BTreeSet::new();
    for text in disclosures {
        let digest = digest_of(text);
        if !named.contains(digest.as_str()) {
            return Err(DisclosureError("a disclosure belongs to no digest of this entry"));
        }
        if !used.insert(digest) {
            return Err(DisclosureError("a disclosure stands twice"));
        }
        let Disclosure { name, value, .. } = Disclosure::decode(text)?;
        if name == "_sd" || out.insert(name, value).is_some() {
            return Err(DisclosureError("a disclosed member has a name that is taken"));
        }
    }
    Ok(out)
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    fn one(name: &str, value: Value) -> String {
        Disclosure { salt: "AAAAAAAAAAAAAAAAAAAAAA".into(), name: name.into(), value }.encode()
    }

    #[test]
    fn the_rfc_s_disclosure_is_read() {
        let d = Disclosure::decode("WyJfMjZiYzRMVC1hYzZxMktJNmNCVzVlcyIsICJmYW1pbHlfbmFtZSIsICJNw7ZiaXVzIl0").unwrap();
        assert_eq!((d.name.as_str(), d.value), ("family_name", json!("Möbius")));
    }

    #[test]
    fn members_come_back_only_with_their_disclosure() {
        let (a, b) = (one("name", json!("M. Okafor")), one("phone", json!("0151")));
        let mut body = Map::new();
        body.insert("who".into(), json!("owner"));
        attach(&mut body, &[a.clone(), b.clone()]);
        assert_eq!(disclose(&body, &[a.clone()]).unwrap().get("name"), Some(&json!("M. Okafor")));
        assert_eq!(disclose(&body, &[a.clone()]).unwrap().get("phone"), None);
        assert!(disclose(&body, &[a.clone(), a.clone()]).is_err());
        assert!(disclose(&body, &[one("name", json!("X"))]).is_err());
        let mut clash = Map::from_iter([("name".to_owned(), json!("Y"))]);
        attach(&mut clash, &[a.clone()]);
        assert!(disclose(&clash, &[a]).is_err());
    }

    #[test]
    fn short_salts_and_odd_shapes_are_refused() {
        for bad in [
            json!(["short", "a", 1]),
            json!(["AAAAAAAAAAAAAAAAAAAAAA", "a"]),
            json!({"a": 1}),
            json!(["AAAAAAAAAAAAAAAAAAAAAA", 1, 2]),
        ] {
            assert!(Disclosure::decode(&BASE64URL.encode(bad.to_string())).is_err());
        }
        assert!(Disclosure::decode("no=").is_err());
    }
}
