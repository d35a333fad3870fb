//! The sheet: the list of what was shown to the customer. Its digest stands in the acknowledgement.

use std::collections::BTreeSet;

use serde::{Deserialize, Serialize};
use serde_json::{Map, Value};
use uuid::Uuid;

use crate::canon::{self, CanonError};
use crate::digest::Digest;

/// Largest sheet, in bytes.
pub const MAX_SHEET: usize = 1024 * 1024;

/// What was shown.
///
/// ```
/// use evidence::{digest::Digest, sheet::Sheet};
/// let shown = Sheet {
///     entries: vec![Digest::of(b"said: chain does not stop"), Digest::of(b"said: tag 0417")],
///     files: vec![Digest::of(b"bytes of photo 1")],
///     intake: "0199c0de-0000-7000-8000-000000000002".parse()?,
///     kind: Digest::of(b"the kind's file"),
///     language: "en".into(),
///     reader: None,
///     shop: "0199c0de-0000-7000-8000-000000000001".parse()?,
///     terms: None,
///     words: Digest::of(b"the catalogue's file"),
/// };
/// let bytes = shown.bytes()?;
/// assert_eq!(Digest::of(&bytes), shown.digest());
/// assert_eq!(Sheet::parse(&bytes)?.digest(), shown.digest());
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Sheet {
    /// Said digests of the facts shown, sorted.
    pub entries: Vec<Digest>,
    /// Digests of the photos, in the order they are numbered.
    pub files: Vec<Digest>,
    /// The intake.
    pub intake: Uuid,
    /// Digest of the kind.
    pub kind: Digest,
    /// Language it was shown in.
    pub language: String,
    /// Who read or translated it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reader: Option<String>,
    /// The shop.
    pub shop: Uuid,
    /// Digest of the terms shown.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub terms: Option<Digest>,
    /// Digest of the catalogue of words.
    pub words: Digest,
}

impl Sheet {
    fn value(&self) -> Value {
        let texts = |list: &[Digest]| Value::from_iter(list.iter().map(Digest::to_string));
        let mut m = Map::new();
        m.insert("entries".into(), texts(&Vec::from_iter(BTreeSet::from_iter(self.entries.iter().copied()))));
        m.insert("files".into(), texts(&self.files));
        m.insert("intake".into(), self.intake.to_string().into());
        m.insert("kind".into(), self.kind.to_string().into());
        m.insert("language".into(), self.language.clone().into());
        if let Some(reader) = &self.reader {
            m.insert("reader".into(), reader.clone().into());
        }
        m.insert("shop".into(), self.shop.to_string().into());
        if let Some(terms) = &self.terms {
            m.insert("terms".into(), terms.to_string().into());
        }
        m.insert("v".into(), 1.into());
        m.insert("words".into(), self.words.to_string().into());
        Value::Object(m)
    }

    /// The canonical bytes. The entries are written sorted, each once, however they stand here.
    ///
    /// # Errors
    /// When they are more than [`MAX_SHEET`].
    pub fn bytes(&self) -> Result<Vec<u8>, CanonError> {
        let bytes = canon::to_bytes(&self.value())?;
        if bytes.len() > MAX_SHEET { wrong("", "a sheet has at most 1 MiB") } else { Ok(bytes) }
    }

    /// The digest of the canonical bytes, as it stands in the acknowledgement.
    pub fn digest(&self) -> Digest {
        Digest::of(&canon::written(&self.value()))
    }

    /// Reads a sheet: canonical, complete, nothing unknown in it, UUIDs and digests as they are written here.
    ///
    /// # Errors
    /// Where and why the bytes are not a sheet.
    pub fn parse(bytes: &[u8]) -> Result<Sheet, CanonError> {
        if bytes.len() > MAX_SHEET {
            return wrong("", "a sheet has at most 1 MiB");
        }
        let mut value = canon::parse(bytes)?;
        if value.as_object_mut().and_then(|m| m.remove("v")) != Some(Value::from(1)) {
            return wrong("/v", "this is not a sheet of version 1");
        }
        let Ok(sheet) = serde_json::from_value::<Sheet>(value) else {
            return wrong("", "this is not a sheet: a member is missing, unknown or of another form");
        };
        if sheet.entries.windows(2).any(|w| w[0] >= w[1]) {
            return wrong("/entries", "a sheet's entries are sorted, each once");
        }
        let blank = |text: &str| text.trim().is_empty();
        if blank(&sheet.language) || sheet.reader.as_deref().is_some_and(blank) {
            return wrong("", "a sheet's language and reader are not empty");
        }
        // A UUID in capitals or braces parses too: only what is written back the same is this sheet.
        if sheet.bytes()? == bytes { Ok(sheet) } else { wrong("", "this is not how a sheet is written") }
    }
}

fn wrong<T>(pointer: &str, sentence: &'static str) -> Result<T, CanonError> {
    Err(CanonError { pointer: pointer.to_owned(), sentence })
}
