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
fn plain_key(key: &str) -> bool {
    let mut chars = key.chars();
    chars.next().is_some_and(|c| c.is_ascii_lowercase() || c == '_')
        && chars.all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_')
}

/// Checks that a value can be written canonically.
///
/// # Errors
/// Where and why not.
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
    let mut out = Vec::new();
    write(value, &mut out);
    Ok(out)
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
        other => out.extend_from_slice(other.to_string().as_bytes()),
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

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn strings_are_escaped_as_rfc_8785_says() {
        // RFC 8785 3.2.2.2's sample string.
        let v = json!({"string": "\u{20ac}$\u{f}\nA'B\"\\\\\"/"});
        assert_eq!(to_bytes(&v).unwrap(), "{\"string\":\"\u{20ac}$\\u000f\\nA'B\\\"\\\\\\\\\\\"/\"}".as_bytes());
    }

    #[test]
    fn rfc_8785_samples_with_floats_and_exotic_keys_are_refused() {
        // RFC 8785 3.2.2 (numbers) and 3.2.3 (keys): outside our restriction, so rejected.
        for bad in [
            r#"{"numbers":[333333333.33333329,1E30,4.50,2e-3,0.000000000000000000000000001]}"#,
            "{\"\u{20ac}\":\"Euro Sign\"}",
            r#"{"1":"One"}"#,
            r#"{"literals":[null,true,false]}"#,
            r#"{"A":1}"#,
            r#"{"a":9007199254740992}"#,
        ] {
            assert!(parse(bad.as_bytes()).is_err(), "{bad}");
        }
    }

    #[test]
    fn what_is_not_canonical_is_refused() {
        for bad in [
            r#"{"b":1,"a":1}"#,
            r#"{"a":1,"a":1}"#,
            r#"{ "a":1}"#,
            r#"{"a":"\u0041"}"#,
            r#"{"a":"\/"}"#,
            r#"{"a":1.0}"#,
            r#"{"a":-0}"#,
            "",
            "{",
        ] {
            assert!(parse(bad.as_bytes()).is_err(), "{bad}");
        }
        let deep = format!("{}1{}", "[".repeat(40), "]".repeat(40));
        assert!(parse(deep.as_bytes()).is_err());
        assert!(parse(br#"{"a":[1,true,"x"],"b":{"c":-5}}"#).is_ok());
    }

    #[test]
    fn errors_say_where() {
        let e = check(&json!({"a": [1, {"b": 1.5}]})).unwrap_err();
        assert_eq!(e.pointer, "/a/1/b");
    }
}
