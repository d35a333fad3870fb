//! The kind of machine: which views, questions, parts, safety devices and accessories an intake asks for, and when.
//!
//! A kind is a TOML file. It is pinned by the SHA-256 of its bytes when an intake is opened. `kind_file` reads it,
//! `kind_rules` says what has to hold.

use std::collections::BTreeMap;

use evidence::digest::Digest;
use serde::{Deserialize, Serialize};

pub use super::kind_file::{Fault, KindError};

/// One text in several languages, by language tag.
pub type Text = BTreeMap<String, String>;

/// When a view or an answer is due.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub enum Due {
    /// Before the machine is accepted.
    #[serde(rename = "at counter")]
    AtCounter,
    /// Before the machine is opened.
    #[serde(rename = "before opening")]
    BeforeOpening,
    /// While it is on the bench.
    #[serde(rename = "at bench")]
    AtBench,
}

/// A named camera position.
#[derive(Clone, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct View {
    /// Identifier, unique in the kind.
    pub id: String,
    /// When it is due.
    pub due: Due,
    /// The stage it belongs to: `received`, `opened` or `left`.
    pub stage: String,
    /// Name of the line drawing.
    pub drawing: String,
    /// What is shown on the phone.
    pub name: Text,
    /// The name in a few words, for buttons and lists.
    pub short: Text,
    /// Where to stand.
    pub stand: Text,
    /// Why the view is asked for.
    pub why: Text,
    /// Condition under which it is asked for; always, when absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub when: Option<When>,
    /// A caution that belongs to this view alone.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub caution: Option<Text>,
}

/// Something with an identifier and a name.
#[derive(Clone, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Named {
    /// Identifier, unique in its list.
    pub id: String,
    /// What is shown.
    pub name: Text,
}

/// A question about the machine's history.
#[derive(Clone, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Question {
    /// Identifier, unique in the kind.
    pub id: String,
    /// When it is due.
    pub due: Due,
    /// What is asked.
    pub name: Text,
    /// `choice`, `text` or `number`.
    pub kind: String,
    /// The choices of a `choice` question.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub choices: Vec<Named>,
    /// Condition under which it is asked.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub when: Option<When>,
    /// Why it is asked.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub why: Option<Text>,
    /// Whether the answer holds from one visit to the next, so that it may be taken over.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub lasting: bool,
}

/// Something measured on the bench. What is read is kept as read: never judged here, never converted.
#[derive(Clone, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Reading {
    /// Identifier, unique in the kind.
    pub id: String,
    /// When it is due.
    pub due: Due,
    /// What is measured.
    pub name: Text,
    /// The unit suggested, e.g. `psi`; the gauge at hand may have another.
    pub unit: String,
    /// How it is measured, so that two readings can be compared.
    pub method: Text,
    /// Why it is asked for.
    pub why: Text,
    /// Condition under which it is asked for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub when: Option<When>,
    /// A caution that belongs to this reading alone.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub caution: Option<Text>,
}

/// A note to the bench: shown to staff beside the machine, on no sheet and no receipt.
#[derive(Clone, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Note {
    /// Identifier, unique in the kind.
    pub id: String,
    /// What it says; `{question}` stands for the answer to that question.
    pub text: Text,
    /// Condition under which it is shown.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub when: Option<When>,
    /// The questions whose answers it names.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub with: Vec<String>,
}

/// A word of the condition vocabulary.
#[derive(Clone, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Condition {
    /// The word.
    pub id: String,
    /// Whether a line with this word asks for a photo.
    pub photo: bool,
    /// What is shown.
    pub name: Text,
}

/// A condition on earlier answers, as data.
#[derive(Clone, Debug, Serialize, Deserialize)]
#[serde(untagged, deny_unknown_fields)]
pub enum When {
    /// Every one holds.
    All {
        /// The conditions.
        all: Vec<When>,
    },
    /// At least one holds.
    Any {
        /// The conditions.
        any: Vec<When>,
    },
    /// One field compared with a value.
    Field {
        /// `question:<id>`, `safety:<id>`, `line:<part>` or `block:<block>`.
        field: String,
        /// `is`, `is-not`, `one-of`, `answered` or `at-least`.
        op: String,
        /// The value of `is` and `is-not`, and the number of `at-least`.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        value: Option<String>,
        /// The values of `one-of`.
        #[serde(default, skip_serializing_if = "Vec::is_empty")]
        values: Vec<String>,
    },
}

impl When {
    /// Whether the condition holds, given what a field says (`None`: not answered). `is-not` needs an answer, `at-least`
    /// an answer that is a number.
    pub fn holds(&self, said: &dyn Fn(&str) -> Option<String>) -> bool {
        match self {
            When::All { all } => all.iter().all(|w| w.holds(said)),
            When::Any { any } => any.iter().any(|w| w.holds(said)),
            When::Field { field, op, value, values } => match (op.as_str(), said(field)) {
                ("answered", answer) => answer.is_some(),
                ("is", Some(answer)) => value.as_deref() == Some(answer.as_str()),
                ("is-not", Some(answer)) => value.as_deref() != Some(answer.as_str()),
                ("one-of", Some(answer)) => values.contains(&answer),
                ("at-least", Some(answer)) => match (number(&answer), value.as_deref().and_then(number)) {
                    (Some(said), Some(least)) => said >= least,
                    _ => false,
                },
                _ => false,
            },
        }
    }
}

/// A number as people write it, in thousandths: up to 9 digits, then at most 3 behind a point or a comma. Exact, so that
/// phone and server compare alike.
pub fn number(text: &str) -> Option<i64> {
    let (whole, part) = text.split_once(['.', ',']).map_or((text, None), |(w, p)| (w, Some(p)));
    let digits = |s: &str, most: usize| (1..=most).contains(&s.len()) && s.bytes().all(|b| b.is_ascii_digit());
    if !digits(whole, 9) || part.is_some_and(|p| !digits(p, 3)) {
        return None;
    }
    format!("{whole}{:0<3}", part.unwrap_or_default()).parse().ok()
}

/// A kind of machine.
#[derive(Clone, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Kind {
    /// Version of the file's shape; 1.
    pub v: u32,
    /// Identifier, e.g. `chainsaw`.
    pub id: String,
    /// What is shown.
    pub name: Text,
    /// The caution shown while photographing.
    pub caution: Text,
    /// The shot list, in order.
    #[serde(rename = "view")]
    pub views: Vec<View>,
    /// The questions, in order.
    #[serde(rename = "question", default)]
    pub questions: Vec<Question>,
    /// The parts of the walk-round, in order.
    #[serde(rename = "part", default)]
    pub parts: Vec<Named>,
    /// The condition vocabulary.
    #[serde(rename = "condition")]
    pub conditions: Vec<Condition>,
    /// The safety devices.
    #[serde(default)]
    pub safety: Vec<Named>,
    /// The accessories asked for by name.
    #[serde(rename = "accessory", default)]
    pub accessories: Vec<Named>,
    /// The readings, in order.
    #[serde(rename = "reading", default, skip_serializing_if = "Vec::is_empty")]
    pub readings: Vec<Reading>,
    /// The notes to the bench.
    #[serde(rename = "note", default, skip_serializing_if = "Vec::is_empty")]
    pub notes: Vec<Note>,
    /// Its own examples, each run before it is used.
    #[serde(rename = "example", default, skip_serializing_if = "Vec::is_empty")]
    pub examples: Vec<super::example::Example>,
    /// The short service entries it takes; all, when the file names none.
    #[serde(default = "every_service")]
    pub services: Vec<String>,
}

fn every_service() -> Vec<String> {
    super::body::SERVICES.map(str::to_owned).to_vec()
}

/// A kind as loaded: its bytes, their digest, and what they say.
#[derive(Clone, Debug)]
pub struct LoadedKind {
    /// SHA-256 of the bytes.
    pub digest: Digest,
    /// The file's bytes.
    pub bytes: Vec<u8>,
    /// What they say.
    pub kind: Kind,
}

impl LoadedKind {
    /// Reads and validates a kind file: all of it, or nothing.
    ///
    /// # Errors
    /// Every fault with its line when the file is too large, not UTF-8, not TOML, or breaks a rule of kinds.
    pub fn parse(bytes: &[u8]) -> Result<LoadedKind, KindError> {
        let kind = super::kind_file::read(bytes)?;
        Ok(LoadedKind { digest: Digest::of(bytes), bytes: bytes.to_vec(), kind })
    }
}

impl Kind {
    /// The view with this identifier.
    pub fn view(&self, id: &str) -> Option<&View> {
        self.views.iter().find(|v| v.id == id)
    }

    /// The question with this identifier.
    pub fn question(&self, id: &str) -> Option<&Question> {
        self.questions.iter().find(|q| q.id == id)
    }

    /// The condition word with this identifier.
    pub fn condition(&self, id: &str) -> Option<&Condition> {
        self.conditions.iter().find(|c| c.id == id)
    }

    /// The reading with this identifier.
    pub fn reading(&self, id: &str) -> Option<&Reading> {
        self.readings.iter().find(|r| r.id == id)
    }
}
