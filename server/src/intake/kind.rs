//! The kind of machine: which views, questions, parts, safety devices and accessories an intake asks for, and when.
//!
//! A kind is a TOML file. It is pinned by the SHA-256 of its bytes when an intake is opened.

use std::collections::{BTreeMap, BTreeSet};

use evidence::digest::Digest;
use serde::{Deserialize, Serialize};

/// Largest kind file read, in bytes.
pub const MAX_BYTES: usize = 256 * 1024;

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
        /// `is`, `is-not`, `one-of` or `answered`.
        op: String,
        /// The value of `is` and `is-not`.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        value: Option<String>,
        /// The values of `one-of`.
        #[serde(default, skip_serializing_if = "Vec::is_empty")]
        values: Vec<String>,
    },
}

impl When {
    /// Whether the condition holds, given what a field says (`None`: not answered). `is-not` needs an answer.
    pub fn holds(&self, said: &dyn Fn(&str) -> Option<String>) -> bool {
        match self {
            When::All { all } => all.iter().all(|w| w.holds(said)),
            When::Any { any } => any.iter().any(|w| w.holds(said)),
            When::Field { field, op, value, values } => match (op.as_str(), said(field)) {
                ("answered", answer) => answer.is_some(),
                ("is", Some(answer)) => value.as_deref() == Some(answer.as_str()),
                ("is-not", Some(answer)) => value.as_deref() != Some(answer.as_str()),
                ("one-of", Some(answer)) => values.contains(&answer),
                _ => false,
            },
        }
    }
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
}

/// Why a kind file was not loaded.
#[derive(Debug, thiserror::Error)]
#[error("{0}")]
pub struct KindError(pub String);

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
    /// Reads and validates a kind file.
    ///
    /// # Errors
    /// A sentence with the place when the file is too large, not UTF-8, not TOML, or breaks a rule of kinds.
    pub fn parse(bytes: &[u8]) -> Result<LoadedKind, KindError> {
        if bytes.len() > MAX_BYTES {
            return Err(KindError(format!("a kind file may have at most {MAX_BYTES} bytes")));
        }
        let text = std::str::from_utf8(bytes).map_err(|_| KindError("the kind file is not UTF-8".into()))?;
        let kind: Kind = toml::from_str(text).map_err(|e| KindError(e.to_string()))?;
        kind.validate()?;
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

    fn validate(&self) -> Result<(), KindError> {
        let fail = |s: String| Err(KindError(s));
        if self.v != 1 {
            return fail(format!("kind version {} is not known here", self.v));
        }
        let lists: [(&str, Vec<&str>); 6] = [
            ("view", self.views.iter().map(|v| v.id.as_str()).collect()),
            ("question", self.questions.iter().map(|v| v.id.as_str()).collect()),
            ("part", self.parts.iter().map(|v| v.id.as_str()).collect()),
            ("condition", self.conditions.iter().map(|v| v.id.as_str()).collect()),
            ("safety", self.safety.iter().map(|v| v.id.as_str()).collect()),
            ("accessory", self.accessories.iter().map(|v| v.id.as_str()).collect()),
        ];
        for (list, ids) in &lists {
            let mut seen = BTreeSet::new();
            for id in ids {
                let plain = !id.is_empty()
                    && id.len() <= 64
                    && id.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-' || c == ' ');
                if !plain {
                    return fail(format!("{list} \"{id}\": an id is lower-case letters, digits, - and spaces"));
                }
                if !seen.insert(*id) {
                    return fail(format!("{list} \"{id}\" stands twice"));
                }
            }
        }
        let at_counter = self.views.iter().filter(|v| v.due == Due::AtCounter && v.when.is_none()).count();
        if at_counter > 6 {
            return fail(format!("{at_counter} views are due at the counter; at most 6 may be"));
        }
        let asked = self.questions.iter().filter(|q| q.due == Due::AtCounter && q.when.is_none()).count();
        if asked > 3 {
            return fail(format!("{asked} questions are due at the counter; at most 3 may be"));
        }
        for q in &self.questions {
            if !["choice", "text", "number"].contains(&q.kind.as_str()) {
                return fail(format!("question \"{}\": kind is choice, text or number", q.id));
            }
            if (q.kind == "choice") == q.choices.is_empty() {
                return fail(format!("question \"{}\": a choice question lists its choices, others list none", q.id));
            }
        }
        for (owner, when) in self
            .views
            .iter()
            .filter_map(|v| v.when.as_ref().map(|w| (&v.id, w)))
            .chain(self.questions.iter().filter_map(|q| q.when.as_ref().map(|w| (&q.id, w))))
        {
            self.validate_when(owner, when)?;
        }
        Ok(())
    }

    fn validate_when(&self, owner: &str, when: &When) -> Result<(), KindError> {
        match when {
            When::All { all: list } | When::Any { any: list } => {
                list.iter().try_for_each(|w| self.validate_when(owner, w))
            }
            When::Field { field, op, value, values } => {
                let known = match field.split_once(':') {
                    Some(("question", id)) => self.question(id).is_some(),
                    Some(("safety", id)) => self.safety.iter().any(|s| s.id == id),
                    Some(("line", id)) => self.parts.iter().any(|p| p.id == id),
                    Some(("block", id)) => super::body::BLOCKS.contains(&id),
                    _ => false,
                };
                let complete = match op.as_str() {
                    "is" | "is-not" => value.is_some() && values.is_empty(),
                    "one-of" => value.is_none() && !values.is_empty(),
                    "answered" => value.is_none() && values.is_empty(),
                    _ => false,
                };
                if known && complete {
                    Ok(())
                } else {
                    Err(KindError(format!(
                        "\"{owner}\": the condition on \"{field}\" names no field or is not complete"
                    )))
                }
            }
        }
    }
}
