//! Entry bytes: `{"kept":{…},"said":{…},"v":1}`. `said` is made and hashed on the author's device; `kept` is the
//! server's part. The stored bytes are hashed, never re-derived.

use std::fmt;

use serde_json::{Map, Value, json};
use uuid::Uuid;

use crate::canon;
use crate::digest::Digest;
use crate::time;

/// Largest entry, in bytes, so that an export as log tiles stays possible.
pub const MAX_ENTRY: usize = 65_535;

/// Who said it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Author {
    /// A staff member on a device.
    Staff {
        /// The staff member.
        staff: Uuid,
        /// The device.
        device: Uuid,
    },
    /// The server itself.
    Server {
        /// Version of the program.
        version: String,
    },
}

/// What was said.
#[derive(Clone, Debug, PartialEq)]
pub struct Said {
    /// Who.
    pub author: Author,
    /// What; personal members stand as digests in `_sd`.
    pub body: Map<String, Value>,
    /// The device's clock, milliseconds UTC.
    pub at: i64,
    /// The device's local offset from UTC, minutes.
    pub offset_minutes: i32,
    /// The entry's id, a UUIDv7. It orders nothing.
    pub id: Uuid,
    /// The intake, a UUIDv7; none for entries of the shop itself.
    pub intake: Option<Uuid>,
    /// Highest log index of the intake the author had seen.
    pub seen: Option<u64>,
    /// The shop.
    pub shop: Uuid,
    /// The type.
    pub kind: String,
    /// Version of the type.
    pub v: u32,
}

/// The server's part.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Kept {
    /// Log time, milliseconds UTC; never earlier than the entry before.
    pub at: i64,
    /// The server's own clock, where it differs from the log time.
    pub raw: Option<i64>,
    /// Server clock minus device clock, milliseconds, as the device measured it.
    pub clock_offset_ms: Option<i64>,
    /// Round trip of that measurement, milliseconds.
    pub round_trip_ms: Option<u64>,
}

/// An entry.
#[derive(Clone, Debug, PartialEq)]
pub struct Entry {
    /// What was said.
    pub said: Said,
    /// The server's part.
    pub kept: Kept,
}

/// Why something is not an entry: where, and a sentence.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct EntryError {
    /// JSON pointer.
    pub pointer: String,
    /// A sentence.
    pub sentence: String,
}

impl fmt::Display for EntryError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "at {}: {}", if self.pointer.is_empty() { "/" } else { &self.pointer }, self.sentence)
    }
}

impl std::error::Error for EntryError {}

impl From<canon::CanonError> for EntryError {
    fn from(e: canon::CanonError) -> EntryError {
        EntryError { pointer: e.pointer, sentence: e.sentence.to_owned() }
    }
}

fn wrong<T>(pointer: &str, sentence: &str) -> Result<T, EntryError> {
    Err(EntryError { pointer: pointer.to_owned(), sentence: sentence.to_owned() })
}

/// The members of an object, taken one by one; what is left over is unknown.
struct Members {
    at: &'static str,
    map: Map<String, Value>,
}

impl Members {
    fn of(value: &Value, at: &'static str) -> Result<Members, EntryError> {
        match value {
            Value::Object(map) => Ok(Members { at, map: map.clone() }),
            _ => wrong(at, "this is an object"),
        }
    }

    fn take(&mut self, name: &str) -> Result<Value, EntryError> {
        match self.map.remove(name) {
            Some(v) => Ok(v),
            None => wrong(&format!("{}/{name}", self.at), "this member is missing"),
        }
    }

    fn text(&mut self, name: &str) -> Result<String, EntryError> {
        match self.take(name)? {
            Value::String(s) => Ok(s),
            _ => wrong(&format!("{}/{name}", self.at), "this is a text"),
        }
    }

    fn uuid(&mut self, name: &str, version: Option<usize>) -> Result<Uuid, EntryError> {
        let text = self.text(name)?;
        let at = format!("{}/{name}", self.at);
        match text.parse::<Uuid>() {
            Ok(id) if id.to_string() == text && version.is_none_or(|v| id.get_version_num() == v) => Ok(id),
            Ok(id) if id.to_string() == text => wrong(&at, "this is a UUID of version 7"),
            _ => wrong(&at, "this is a UUID in lower case"),
        }
    }

    fn time(&mut self, name: &str) -> Result<i64, EntryError> {
        let text = self.text(name)?;
        match time::parse(&text) {
            Some(ms) => Ok(ms),
            None => wrong(
                &format!("{}/{name}", self.at),
                "this is a time in UTC with milliseconds, 2026-11-25T13:02:11.123Z",
            ),
        }
    }

    fn whole(&mut self, name: &str, from: i64, to: i64) -> Result<i64, EntryError> {
        match self.take(name)?.as_i64() {
            Some(n) if (from..=to).contains(&n) => Ok(n),
            _ => wrong(&format!("{}/{name}", self.at), &format!("this is a whole number from {from} to {to}")),
        }
    }

    fn has(&self, name: &str) -> bool {
        self.map.contains_key(name)
    }

    fn done(self) -> Result<(), EntryError> {
        match self.map.keys().next() {
            Some(k) => wrong(&format!("{}/{k}", self.at), "this member is not known"),
            None => Ok(()),
        }
    }
}

impl Said {
    /// Reads what was said; unknown members are refused.
    ///
    /// # Errors
    /// Where and why it is not understood; pointers begin below `said`.
    pub fn parse(value: &Value) -> Result<Said, EntryError> {
        canon::check(value)?;
        let mut m = Members::of(value, "")?;
        let author = author(&m.take("author")?)?;
        let Value::Object(body) = m.take("body")? else { return wrong("/body", "this is an object") };
        if let Some(sd) = body.get("_sd") {
            let texts: Option<Vec<&str>> = sd.as_array().and_then(|l| l.iter().map(Value::as_str).collect());
            let sorted = texts
                .is_some_and(|t| !t.is_empty() && t.windows(2).all(|w| w[0] < w[1]) && t.iter().all(|d| d.len() == 43));
            if !sorted {
                return wrong("/body/_sd", "this lists the digests of disclosures, sorted, each once");
            }
        }
        let mut clock = Members::of(&m.take("clock")?, "/clock")?;
        let at = clock.time("at")?;
        let offset_minutes = i32::try_from(clock.whole("offset_minutes", -1080, 1080)?).unwrap_or(0);
        clock.done()?;
        let said = Said {
            author,
            body,
            at,
            offset_minutes,
            id: m.uuid("id", Some(7))?,
            intake: if m.has("intake") { Some(m.uuid("intake", Some(7))?) } else { None },
            seen: if m.has("seen") { u64::try_from(m.whole("seen", 0, canon::MAX_INT)?).ok() } else { None },
            shop: m.uuid("shop", None)?,
            kind: m.text("type")?,
            v: u32::try_from(m.whole("v", 1, 1_000)?).unwrap_or(1),
        };
        m.done()?;
        let plain = !said.kind.is_empty()
            && said.kind.len() <= 64
            && said.kind.bytes().all(|c| c.is_ascii_lowercase() || c == b'-');
        if plain { Ok(said) } else { wrong("/type", "a type is lower-case letters and -") }
    }

    /// What was said as JSON.
    pub fn to_value(&self) -> Value {
        let author = match &self.author {
            Author::Staff { staff, device } => json!({"staff": staff.to_string(), "device": device.to_string()}),
            Author::Server { version } => json!({"server": version}),
        };
        let mut m = Map::new();
        m.insert("author".into(), author);
        m.insert("body".into(), Value::Object(self.body.clone()));
        m.insert("clock".into(), json!({"at": time::format(self.at), "offset_minutes": self.offset_minutes}));
        m.insert("id".into(), json!(self.id.to_string()));
        if let Some(intake) = self.intake {
            m.insert("intake".into(), json!(intake.to_string()));
        }
        if let Some(seen) = self.seen {
            m.insert("seen".into(), json!(seen));
        }
        m.insert("shop".into(), json!(self.shop.to_string()));
        m.insert("type".into(), json!(self.kind));
        m.insert("v".into(), json!(self.v));
        Value::Object(m)
    }

    /// The canonical bytes of what was said.
    ///
    /// # Errors
    /// Where and why it has none.
    pub fn bytes(&self) -> Result<Vec<u8>, EntryError> {
        Ok(canon::to_bytes(&self.to_value())?)
    }

    /// The said digest.
    ///
    /// # Errors
    /// Where and why it has no canonical bytes.
    pub fn digest(&self) -> Result<Digest, EntryError> {
        Ok(Digest::of(&self.bytes()?))
    }
}

fn author(value: &Value) -> Result<Author, EntryError> {
    let mut m = Members::of(value, "/author")?;
    let author = if m.has("server") {
        Author::Server { version: m.text("server")? }
    } else {
        Author::Staff { staff: m.uuid("staff", None)?, device: m.uuid("device", None)? }
    };
    m.done()?;
    Ok(author)
}

impl Kept {
    /// The server's part as JSON.
    pub fn to_value(&self) -> Value {
        let mut m = Map::new();
        m.insert("at".into(), json!(time::format(self.at)));
        if let Some(raw) = self.raw {
            m.insert("raw".into(), json!(time::format(raw)));
        }
        if let Some(ms) = self.clock_offset_ms {
            m.insert("clock_offset_ms".into(), json!(ms));
        }
        if let Some(ms) = self.round_trip_ms {
            m.insert("round_trip_ms".into(), json!(ms));
        }
        Value::Object(m)
    }

    fn parse(value: &Value) -> Result<Kept, EntryError> {
        let mut m = Members::of(value, "/kept")?;
        let kept = Kept {
            at: m.time("at")?,
            raw: if m.has("raw") { Some(m.time("raw")?) } else { None },
            clock_offset_ms: if m.has("clock_offset_ms") {
                Some(m.whole("clock_offset_ms", -canon::MAX_INT, canon::MAX_INT)?)
            } else {
                None
            },
            round_trip_ms: if m.has("round_trip_ms") {
                u64::try_from(m.whole("round_trip_ms", 0, canon::MAX_INT)?).ok()
            } else {
                None
            },
        };
        m.done()?;
        Ok(kept)
    }
}

impl Entry {
    /// The entry's bytes.
    ///
    /// # Errors
    /// When it is larger than [`MAX_ENTRY`], or has no canonical form.
    pub fn bytes(&self) -> Result<Vec<u8>, EntryError> {
        let bytes = canon::to_bytes(&json!({"kept": self.kept.to_value(), "said": self.said.to_value(), "v": 1}))?;
        if bytes.len() > MAX_ENTRY { wrong("", "an entry has at most 65,535 bytes") } else { Ok(bytes) }
    }

    /// Reads an entry. Callers that check a log hash the bytes first and keep them.
    ///
    /// # Errors
    /// Where and why the bytes are not an entry in canonical form.
    pub fn parse(bytes: &[u8]) -> Result<Entry, EntryError> {
        if bytes.len() > MAX_ENTRY {
            return wrong("", "an entry has at most 65,535 bytes");
        }
        let value = canon::parse(bytes)?;
        let mut m = Members::of(&value, "")?;
        let kept = Kept::parse(&m.take("kept")?)?;
        let said =
            Said::parse(&m.take("said")?).map_err(|e| EntryError { pointer: format!("/said{}", e.pointer), ..e })?;
        m.whole("v", 1, 1)?;
        m.done()?;
        Ok(Entry { said, kept })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sample() -> Entry {
        let said = Said {
            author: Author::Server { version: "0.1.0".into() },
            body: Map::from_iter([("tag".to_owned(), json!("0417"))]),
            at: 1_000,
            offset_minutes: -300,
            id: "01890a5d-ac96-774b-bcce-b302099a8057".parse().unwrap(),
            intake: None,
            seen: Some(4),
            shop: "01890a5d-ac96-774b-bcce-b302099a8058".parse().unwrap(),
            kind: "tag-given".into(),
            v: 1,
        };
        Entry { said, kept: Kept { at: 2_000, raw: None, clock_offset_ms: Some(-5), round_trip_ms: Some(80) } }
    }

    #[test]
    fn an_entry_comes_back_from_its_bytes() {
        let bytes = sample().bytes().unwrap();
        assert_eq!(Entry::parse(&bytes).unwrap(), sample());
        assert!(bytes.starts_with(br#"{"kept":{"at":"1970-01-01T00:00:02.000Z","clock_offset_ms":-5"#));
    }

    #[test]
    fn the_said_digest_does_not_depend_on_what_the_server_adds() {
        let mut other = sample();
        other.kept.at = 9_000;
        assert_eq!(other.said.digest().unwrap(), sample().said.digest().unwrap());
        assert_ne!(other.bytes().unwrap(), sample().bytes().unwrap());
    }

    #[test]
    fn strangers_among_the_members_are_refused() {
        let good = sample().said.to_value();
        for (pointer, change) in [
            ("/extra", json!({"extra": 1})),
            ("/id", json!({"id": "01890A5D-AC96-774B-BCCE-B302099A8057"})),
            ("/id", json!({"id": "6ba7b810-9dad-41d1-80b4-00c04fd430c8"})),
            ("/clock/at", json!({"clock": {"at": "2026-11-25", "offset_minutes": 0}})),
            ("/clock/offset_minutes", json!({"clock": {"at": "2026-11-25T00:00:00.000Z", "offset_minutes": 9999}})),
            ("/v", json!({"v": 0})),
            ("/body/_sd", json!({"body": {"_sd": ["x"]}})),
            ("/type", json!({"type": "Tag"})),
        ] {
            let mut bad = good.clone();
            for (k, v) in change.as_object().unwrap() {
                bad[k] = v.clone();
            }
            assert_eq!(Said::parse(&bad).unwrap_err().pointer, pointer);
        }
    }

    #[test]
    fn an_entry_too_large_for_a_tile_is_refused() {
        let mut big = sample();
        big.said.body.insert("text".into(), json!("x".repeat(MAX_ENTRY)));
        assert!(big.bytes().is_err());
    }
}
