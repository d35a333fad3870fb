//! The catalogues: every shown sentence is a message key with one text a language. Two are part of the program; a shop
//! adds others by a file (`own`).

use std::borrow::Cow;
use std::collections::BTreeMap;
use std::sync::{LazyLock, OnceLock};

use evidence::digest::Digest;
use serde_json::{Map, Value};

pub mod own;

/// The language that is always there.
pub const FIRST: &str = "en";

/// One language's catalogue.
#[derive(Debug, Clone)]
pub struct Catalogue {
    /// Language tag.
    pub language: String,
    /// The catalogue as it is served; a sheet names the digest of these bytes.
    pub bytes: Cow<'static, [u8]>,
    /// Digest of the bytes.
    pub digest: Digest,
    texts: BTreeMap<String, String>,
}

static SHIPPED: LazyLock<Vec<Catalogue>> = LazyLock::new(|| {
    vec![
        Catalogue::new("en", include_bytes!("../../schema/words/en.json").as_slice()),
        Catalogue::new("de", include_bytes!("../../schema/words/de.json").as_slice()),
    ]
});

/// The shop's own, read once at start.
static OWN: OnceLock<Vec<Catalogue>> = OnceLock::new();

impl Catalogue {
    /// A catalogue from its bytes. Those of the program parse (a test), those of a shop were read before.
    pub fn new(language: &str, bytes: impl Into<Cow<'static, [u8]>>) -> Catalogue {
        let bytes = bytes.into();
        let texts = serde_json::from_slice(&bytes).unwrap_or_default();
        Catalogue { language: language.to_owned(), digest: Digest::of(&bytes), bytes, texts }
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

    /// What the language calls itself; its tag where the catalogue does not say.
    pub fn name(&self) -> &str {
        self.texts.get("language.name").map_or(&self.language, String::as_str)
    }

    /// A value as text: a table of texts gives its text in this language, a key-and-names its sentence.
    pub fn value(&self, value: &Value) -> String {
        match value {
            Value::String(s) => s.clone(),
            Value::Object(m) => match (m.get("key").and_then(Value::as_str), m.get("with")) {
                (Some(key), with) => self.say(key, with.and_then(Value::as_object).unwrap_or(&Map::new())),
                _ => self.pick(|l| m.get(l)).and_then(Value::as_str).unwrap_or_default().to_owned(),
            },
            Value::Array(list) => list.iter().map(|v| self.value(v)).collect::<Vec<_>>().join("; "),
            other => other.to_string(),
        }
    }

    /// The text of a kind's table in this language.
    pub fn text<'a>(&self, table: &'a BTreeMap<String, String>) -> &'a str {
        self.pick(|l| table.get(l)).map_or("", String::as_str)
    }

    /// What a table has for this language: `de-AT` is served by `de`, anything by the first language.
    fn pick<T>(&self, get: impl Fn(&str) -> Option<T>) -> Option<T> {
        get(&self.language).or_else(|| get(primary(&self.language))).or_else(|| get(FIRST))
    }

    /// A calendar day and, where it is given, the time with its zone, in the order the language has.
    pub fn day(&self, date: jiff::civil::Date, time: Option<&str>) -> String {
        let month = self.plain(&format!("date.month.{}", date.month()));
        let mut with = Map::new();
        with.insert("day".into(), Value::String(date.day().to_string()));
        with.insert("month".into(), Value::String(month));
        with.insert("year".into(), Value::String(date.year().to_string()));
        let Some(time) = time else { return self.say("date.day", &with) };
        with.insert("time".into(), Value::String(time.to_owned()));
        self.say("date.time", &with)
    }

    /// A time on a zone's wall clock, with the zone said.
    pub fn wall(&self, millis: i64, zone: &str) -> String {
        let stamp = jiff::Timestamp::from_millisecond(millis).unwrap_or(jiff::Timestamp::UNIX_EPOCH);
        let zone = jiff::tz::TimeZone::get(zone).unwrap_or(jiff::tz::TimeZone::UTC);
        let there = stamp.to_zoned_datetime(zone);
        self.day(there.date(), Some(&there.strftime("%H:%M %Z").to_string()))
    }
}

/// The language of a tag without region and script.
fn primary(tag: &str) -> &str {
    tag.split(['-', '_']).next().unwrap_or(FIRST)
}

/// Those that are part of the program, the first language first.
pub fn shipped() -> &'static [Catalogue] {
    &SHIPPED
}

/// All catalogues: those shipped, then the shop's own.
pub fn all() -> Vec<&'static Catalogue> {
    SHIPPED.iter().chain(OWN.get().into_iter().flatten()).collect()
}

/// Makes the shop's own catalogues known. Once a process: the program reads them when it starts.
pub fn know(own: Vec<Catalogue>) {
    // A second folder opened by one process keeps to the first one's.
    let _ = OWN.set(own);
}

/// The catalogue of a language: of exactly this tag, else of the same language without region or script.
pub fn find(tag: &str) -> Option<&'static Catalogue> {
    let all = all();
    let exact = all.iter().find(|c| c.language.eq_ignore_ascii_case(tag));
    exact.or_else(|| all.iter().find(|c| c.language.eq_ignore_ascii_case(primary(tag)))).copied()
}

/// The catalogue of a language, or the first one.
pub fn language(tag: &str) -> &'static Catalogue {
    find(tag).unwrap_or(&SHIPPED[0])
}

/// The first language of an `Accept-Language` header that there is a catalogue for.
pub fn accepted(header: Option<&str>) -> &'static Catalogue {
    let tags = header.unwrap_or(FIRST).split(',').filter_map(|t| t.split(';').next()).map(str::trim);
    // A header is as long as a stranger likes; nobody reads twenty languages.
    tags.take(20).find_map(find).unwrap_or(&SHIPPED[0])
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn every_catalogue_parses_and_puts_names_in() {
        for c in shipped() {
            let parsed: BTreeMap<String, String> = serde_json::from_slice(&c.bytes).unwrap();
            assert!(!parsed.is_empty());
        }
        let c = Catalogue::new("en", br#"{"a":"{x} and {y}"}"#.as_slice());
        let with = json!({"x": {"en": "bar side"}, "y": 3});
        assert_eq!(c.say("a", with.as_object().unwrap()), "bar side and 3");
        assert_eq!(c.plain("missing"), "missing");
    }

    #[test]
    fn a_language_is_found_by_its_tag_then_without_its_region() {
        assert_eq!(language("de-AT").language, "de");
        assert_eq!(language("DE").language, "de");
        assert_eq!(language("xx").language, FIRST);
        assert_eq!(language("").language, FIRST);
        assert_eq!(accepted(Some("fr-CH, de;q=0.8, en;q=0.7")).language, "de");
        assert_eq!(accepted(None).language, FIRST);
    }

    #[test]
    fn days_and_names_follow_the_language() {
        // 2026-03-29 00:30 UTC: half an hour before Berlin's clocks go to summer time (IANA tzdb).
        let at = 1_774_744_200_000;
        assert_eq!(language("en").wall(at, "Europe/Berlin"), "29 Mar 2026, 01:30 CET");
        assert_eq!(language("de").wall(at, "Europe/Berlin"), "29. März 2026, 01:30 CET");
        assert_eq!(language("de").name(), "Deutsch");
        let table = BTreeMap::from([("en".to_owned(), "chain".to_owned()), ("de".to_owned(), "Kette".to_owned())]);
        let austrian = Catalogue::new("de-AT", b"{}".as_slice());
        assert_eq!(austrian.text(&table), "Kette");
        assert_eq!(austrian.name(), "de-AT");
    }
}
