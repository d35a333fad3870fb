//! The catalogues: every shown sentence is a message key with one text a language.

use std::collections::BTreeMap;
use std::sync::LazyLock;

use evidence::digest::Digest;
use serde_json::{Map, Value};

/// The language that is always there.
pub const FIRST: &str = "en";

/// One language's catalogue.
#[derive(Debug)]
pub struct Catalogue {
    /// Language tag.
    pub language: &'static str,
    /// The file's bytes; a sheet names their digest.
    pub bytes: &'static [u8],
    /// Digest of the bytes.
    pub digest: Digest,
    texts: BTreeMap<String, String>,
}

static CATALOGUES: LazyLock<Vec<Catalogue>> =
    LazyLock::new(|| vec![Catalogue::new("en", include_bytes!("../../schema/words/en.json"))]);

impl Catalogue {
    fn new(language: &'static str, bytes: &'static [u8]) -> Catalogue {
        // A catalogue is part of the program; a test parses each one.
        let texts = serde_json::from_slice(bytes).unwrap_or_default();
        Catalogue { language, bytes, digest: Digest::of(bytes), texts }
    }

    /// The sentence of a key, with its names put in. An unknown key shows itself.
    pub fn say(&self, key: &str, with: &Map<String, Value>) -> String {
        // Where one thing is counted, a sentence of its own may stand under `<key>.one`.
        let one = with.values().find(|v| v.is_number()).is_some_and(|n| n.as_i64() == Some(1));
        let single = one.then(|| self.texts.get(&format!("{key}.one"))).flatten();
        let Some(text) = single.or_else(|| self.texts.get(key)) else { return key.to_owned() };
        let mut out = String::with_capacity(text.len() + 32);
        let mut rest = text.as_str();
        while let Some(open) = rest.find('{') {
            out.push_str(&rest[..open]);
            let Some(close) = rest[open..].find('}') else { break };
            let name = &rest[open + 1..open + close];
            out.push_str(&with.get(name).map_or_else(|| format!("{{{name}}}"), |v| self.value(v)));
            rest = &rest[open + close + 1..];
        }
        out.push_str(rest);
        out
    }

    /// The sentence of a key that names nothing.
    pub fn plain(&self, key: &str) -> String {
        self.say(key, &Map::new())
    }

    /// The sentence of a key, if there is one.
    pub fn has(&self, key: &str) -> bool {
        self.texts.contains_key(key)
    }

    /// A value as text: a table of texts gives its text in this language, a key-and-names its sentence.
    pub fn value(&self, value: &Value) -> String {
        match value {
            Value::String(s) => s.clone(),
            Value::Object(m) => match (m.get("key").and_then(Value::as_str), m.get("with")) {
                (Some(key), with) => self.say(key, with.and_then(Value::as_object).unwrap_or(&Map::new())),
                _ => {
                    m.get(self.language).or_else(|| m.get(FIRST)).and_then(Value::as_str).unwrap_or_default().to_owned()
                }
            },
            Value::Array(list) => list.iter().map(|v| self.value(v)).collect::<Vec<_>>().join("; "),
            other => other.to_string(),
        }
    }

    /// The text of a kind's table in this language.
    pub fn text<'a>(&self, table: &'a BTreeMap<String, String>) -> &'a str {
        table.get(self.language).or_else(|| table.get(FIRST)).map_or("", String::as_str)
    }
}

/// All catalogues.
pub fn all() -> &'static [Catalogue] {
    &CATALOGUES
}

/// The catalogue of a language, or the first one.
pub fn language(tag: &str) -> &'static Catalogue {
    let wanted = tag.split(['-', '_']).next().unwrap_or(FIRST);
    CATALOGUES.iter().find(|c| c.language == wanted).unwrap_or(&CATALOGUES[0])
}

/// The first language of an `Accept-Language` header that there is a catalogue for.
pub fn accepted(header: Option<&str>) -> &'static Catalogue {
    let tags = header.unwrap_or(FIRST).split(',').filter_map(|t| t.split(';').next()).map(str::trim);
    tags.filter_map(|t| CATALOGUES.iter().find(|c| t.split('-').next() == Some(c.language)))
        .next()
        .unwrap_or(&CATALOGUES[0])
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn every_catalogue_parses_and_puts_names_in() {
        for c in all() {
            let parsed: BTreeMap<String, String> = serde_json::from_slice(c.bytes).unwrap();
            assert!(!parsed.is_empty());
        }
        let c = Catalogue::new("en", br#"{"a":"{x} and {y}"}"#);
        let with = json!({"x": {"en": "bar side"}, "y": 3});
        assert_eq!(c.say("a", with.as_object().unwrap()), "bar side and 3");
        assert_eq!(c.plain("missing"), "missing");
    }
}
