//! Canonical JSON, restricted so that RFC 8785 is trivial: plain lower-case keys, whole numbers within ±(2⁵³−1), no
//! null, no floats. The bytes are the ones that are hashed.

use std::fmt;

use serde_json::{Map, Value};

/// Deepest nesting allowed.
pub const MAX_DEPTH: usize = 16;
/// Largest whole number, and with a minus the smallest.
pub const MAX_INT: i64 = (1 << 53) - 1;

/// Why a value is not canonical: where, and what.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CanonError {
    /// JSON pointer (RFC 6901).
    pub pointer: String,
    /// A sentence.
    pub sentence: &'static str,
}

impl fmt::Display for CanonError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let place = if self.pointer.is_empty() { "/" } else { &self.pointer };
        write!(f, "at {place}: {}", self.sentence)
    }
}

impl std::error::Error for CanonError {}

fn wrong<T>(pointer: &str, sentence: &'static str) -> Result<T, CanonError> {
    Err(CanonError { pointer: pointer.to_owned(), sentence })
}

/// Whether a key is allowed: `[a-z_][a-z0-9_]*`.
pub(crate) fn plain_key(key: &str) -> bool {
    let mut chars = key.chars();
    chars.next().is_some_and(|c| c.is_ascii_lowercase() || c == '_')
        && chars.all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_')
}

/// Checks that a value can be written canonically.
///
/// # Errors
/// Where and why not.
///
/// ```
/// let e = evidence::canon::check(&serde_json::json!({"pressure": {"psi": 150.5}})).unwrap_err();
/// assert_eq!(e.to_string(), "at /pressure/psi: a number is whole and within plus or minus 2^53 - 1");
/// ```
pub fn check(value: &Value) -> Result<(), CanonError> {
    walk(value, &mut String::new(), 0)
}

fn walk(value: &Value, at: &mut String, depth: usize) -> Result<(), CanonError> {
    if depth > MAX_DEPTH {
        return wrong(at, "this is nested too deeply");
    }
    match value {
        Value::Null => wrong(at, "null is not written; leave the member out"),
        Value::Bool(_) | Value::String(_) => Ok(()),
        Value::Number(n) => match n.as_i64() {
            Some(i) if (-MAX_INT..=MAX_INT).contains(&i) => Ok(()),
            Some(_) => wrong(at, "a number lies within plus or minus 2^53 - 1"),
            None => wrong(at, "a number is whole and within plus or minus 2^53 - 1"),
        },
        Value::Array(list) => {
            for (i, v) in list.iter().enumerate() {
                step(at, &i.to_string(), |at| walk(v, at, depth + 1))?;
            }
            Ok(())
        }
        Value::Object(map) => {
            for (k, v) in map {
                step(at, k, |at| {
                    if plain_key(k) {
                        walk(v, at, depth + 1)
                    } else {
                        wrong(at, "a key is lower-case letters, digits and _")
                    }
                })?;
            }
            Ok(())
        }
    }
}

fn step<T>(
    at: &mut String,
    name: &str,
    inner: impl FnOnce(&mut String) -> Result<T, CanonError>,
) -> Result<T, CanonError> {
    let length = at.len();
    at.push('/');
    at.push_str(&name.replace('~', "~0").replace('/', "~1"));
    let result = inner(at);
    at.truncate(length);
    result
}

/// The canonical bytes of a value.
///
/// # Errors
/// Where and why it has none.
///
/// ```
/// let v = serde_json::json!({"b": 1, "a": "ü"});
/// assert_eq!(evidence::canon::to_bytes(&v).unwrap(), r#"{"a":"ü","b":1}"#.as_bytes());
/// ```
pub fn to_bytes(value: &Value) -> Result<Vec<u8>, CanonError> {
    check(value)?;
    Ok(written(value))
}

/// The bytes of a value that is known to pass [`check`].
pub(crate) fn written(value: &Value) -> Vec<u8> {
    let mut out = Vec::new();
    write(value, &mut out);
    out
}

fn write(value: &Value, out: &mut Vec<u8>) {
    match value {
        Value::Array(list) => {
            out.push(b'[');
            for (i, v) in list.iter().enumerate() {
                if i > 0 {
                    out.push(b',');
                }
                write(v, out);
            }
            out.push(b']');
        }
        Value::Object(map) => {
            out.push(b'{');
            for (i, (k, v)) in sorted(map).into_iter().enumerate() {
                if i > 0 {
                    out.push(b',');
                }
                write_string(k, out);
                out.push(b':');
                write(v, out);
            }
            out.push(b'}');
        }
        Value::String(s) => write_string(s, out),
        // As an i64 and not as the number prints itself: with serde_json's `arbitrary_precision`, which another crate may
        // switch on, -0 prints as it was read.
        Value::Number(n) => out.extend_from_slice(n.as_i64().unwrap_or_default().to_string().as_bytes()),
        Value::Bool(b) => out.extend_from_slice(if *b { b"true" } else { b"false" }),
        Value::Null => out.extend_from_slice(b"null"),
    }
}

/// Sorted here and not left to the map's type: another crate may switch serde_json's map to insertion order.
fn sorted(map: &Map<String, Value>) -> Vec<(&String, &Value)> {
    let mut members: Vec<_> = map.iter().collect();
    members.sort_by(|a, b| a.0.as_bytes().cmp(b.0.as_bytes()));
    members
}

/// RFC 8785 3.2.2.2: short escapes where there are any, `\u00xx` in lower case for other controls, all else as it is.
fn write_string(s: &str, out: &mut Vec<u8>) {
    out.push(b'"');
    for c in s.chars() {
        match c {
            '"' => out.extend_from_slice(b"\\\""),
            '\\' => out.extend_from_slice(b"\\\\"),
            '\u{8}' => out.extend_from_slice(b"\\b"),
            '\u{c}' => out.extend_from_slice(b"\\f"),
            '\n' => out.extend_from_slice(b"\\n"),
            '\r' => out.extend_from_slice(b"\\r"),
            '\t' => out.extend_from_slice(b"\\t"),
            c if (c as u32) < 0x20 => out.extend_from_slice(format!("\\u{:04x}", c as u32).as_bytes()),
            c => out.extend_from_slice(c.encode_utf8(&mut [0; 4]).as_bytes()),
        }
    }
    out.push(b'"');
}

/// Reads canonical bytes: parses, writes again, demands the same bytes. So a key that stands twice, a space or an odd
/// escape is refused.
///
/// # Errors
/// Where and why the bytes are not canonical.
pub fn parse(bytes: &[u8]) -> Result<Value, CanonError> {
    let Ok(value) = serde_json::from_slice::<Value>(bytes) else { return wrong("", "this is not JSON") };
    if to_bytes(&value)? != bytes {
        return wrong("", "this is JSON, but not in canonical form");
    }
    Ok(value)
}
