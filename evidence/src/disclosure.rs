//! Personal members, kept apart from the entry that binds them (RFC 9901, SD-JWT, section 4.2).
//!
//! To withhold one is to leave its disclosure out; to erase it is to delete the disclosure. The log never notices.

use std::collections::BTreeSet;
use std::fmt;

use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD as BASE64URL;
use serde_json::{Map, Value};

use crate::canon;
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
        if salt.len() < MIN_SALT || !salt.bytes().all(|c| c.is_ascii_alphanumeric() || c == b'-' || c == b'_') {
            return Err(DisclosureError("a salt has at least 128 bits, as base64url"));
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

/// A body with its disclosed members put back beside `_sd`; what is not disclosed stays out.
///
/// # Errors
/// When a disclosure's digest is not in `_sd`, stands twice, or its name is taken or none a member may have.
///
/// ```
/// use evidence::disclosure::{Disclosure, attach, disclose};
/// let text = |name: &str, value: &str| {
///     Disclosure { salt: "AAAAAAAAAAAAAAAAAAAAAA".into(), name: name.into(), value: value.into() }.encode()
/// };
/// let card = [text("name", "M. Okafor"), text("phone", "01632 960 417")];
/// let mut body = serde_json::Map::from_iter([("who".to_owned(), "owner".into())]);
/// attach(&mut body, &card);
/// let shown = disclose(&body, &card[..1])?;
/// assert_eq!(shown["name"], "M. Okafor");
/// assert!(!shown.contains_key("phone"));
/// # Ok::<(), evidence::disclosure::DisclosureError>(())
/// ```
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
        if !canon::plain_key(&name) {
            return Err(DisclosureError("a disclosed member's name is lower-case letters, digits and _"));
        }
        if name == "_sd" || out.insert(name, value).is_some() {
            return Err(DisclosureError("a disclosed member has a name that is taken"));
        }
    }
    Ok(out)
}
