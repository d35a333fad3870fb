//! Reading a kind file: its shape, fault by fault, each with its line. Nothing of a file with a fault is used.

use std::fmt;
use std::ops::Range;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::kind::Kind;
use super::kind_rules;

/// Largest kind file read, in bytes.
pub const MAX_BYTES: usize = 256 * 1024;

/// One thing that is wrong in a kind file.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Fault {
    /// Line of the file, from 1.
    pub line: usize,
    /// What is wrong, in a sentence.
    pub reason: String,
}

/// Why a kind file was not loaded: every fault found in it, in the order of the file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct KindError(pub Vec<Fault>);

impl std::error::Error for KindError {}

impl fmt::Display for KindError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.in_file("kind file"))
    }
}

impl KindError {
    /// The faults as lines `file:line: reason`.
    pub fn in_file(&self, file: &str) -> String {
        self.0.iter().map(|f| format!("{file}:{}: {}", f.line, f.reason)).collect::<Vec<_>>().join("\n")
    }
}

/// Faults as they are found, at places in the text.
pub(super) struct Faults<'a> {
    text: &'a str,
    found: Vec<Fault>,
}

impl Faults<'_> {
    /// Notes a fault at a place in the text.
    pub fn at(&mut self, span: Range<usize>, reason: impl Into<String>) {
        let line = 1 + self.text.bytes().take(span.start).filter(|b| *b == b'\n').count();
        self.found.push(Fault { line, reason: reason.into() });
    }
}

/// Reads and validates a kind file.
pub(super) fn read(bytes: &[u8]) -> Result<Kind, KindError> {
    let whole = |reason: String| KindError(vec![Fault { line: 1, reason }]);
    if bytes.len() > MAX_BYTES {
        return Err(whole(format!("a kind file may have at most {MAX_BYTES} bytes")));
    }
    let text = std::str::from_utf8(bytes).map_err(|_| whole("the kind file is not UTF-8".into()))?;
    let mut faults = Faults { text, found: Vec::new() };
    let (table, errors) = DeTable::parse_recoverable(text);
    for e in &errors {
        faults.at(e.span().unwrap_or(0..0), e.message());
    }
    if errors.is_empty() {
        fields("the kind", KIND, table.get_ref(), table.span(), &mut faults);
    }
    // Rules are judged once the shape is right: a view that could not be read is not one that is missing.
    if faults.found.is_empty() {
        match toml::from_str::<Kind>(text) {
            Ok(kind) => {
                kind_rules::judge(&kind, table.get_ref(), &mut faults);
                if faults.found.is_empty() {
                    return Ok(kind);
                }
            }
            Err(e) => faults.at(e.span().unwrap_or(0..0), e.message()),
        }
    }
    faults.found.sort();
    Err(KindError(faults.found))
}

/// What stands in a field.
#[derive(Clone, Copy)]
enum Shape {
    Word,
    Words,
    Whole,
    Truth,
    /// A text by language; English is always there.
    Text,
    /// One of these words.
    One(&'static [&'static str]),
    When,
    /// What was answered, by field of a condition.
    Answers,
    /// Tables of these fields.
    List(&'static [Field]),
}

/// A field: its name, its shape, whether it has to be there.
type Field = (&'static str, Shape, bool);

const DUE: Shape = Shape::One(&["at counter", "before opening", "at bench"]);
const NAMED: &[Field] = &[("id", Shape::Word, true), ("name", Shape::Text, true)];
const VIEW: &[Field] = &[
    ("id", Shape::Word, true),
    ("due", DUE, true),
    ("stage", Shape::One(&["received", "opened", "left"]), true),
    ("drawing", Shape::Word, true),
    ("name", Shape::Text, true),
    ("short", Shape::Text, true),
    ("stand", Shape::Text, true),
    ("why", Shape::Text, true),
    ("when", Shape::When, false),
    ("caution", Shape::Text, false),
];
const QUESTION: &[Field] = &[
    ("id", Shape::Word, true),
    ("due", DUE, true),
    ("kind", Shape::One(&["choice", "text", "number"]), true),
    ("name", Shape::Text, true),
    ("choices", Shape::List(NAMED), false),
    ("when", Shape::When, false),
    ("why", Shape::Text, false),
    ("lasting", Shape::Truth, false),
];
const READING: &[Field] = &[
    ("id", Shape::Word, true),
    ("due", DUE, true),
    ("name", Shape::Text, true),
    ("unit", Shape::Word, true),
    ("method", Shape::Text, true),
    ("why", Shape::Text, true),
    ("when", Shape::When, false),
    ("caution", Shape::Text, false),
];
const NOTE: &[Field] = &[
    ("id", Shape::Word, true),
    ("text", Shape::Text, true),
    ("when", Shape::When, false),
    ("with", Shape::Words, false),
];
const EXAMPLE: &[Field] =
    &[("name", Shape::Word, true), ("answers", Shape::Answers, true), ("asks", Shape::Words, true)];
const CONDITION: &[Field] = &[("id", Shape::Word, true), ("photo", Shape::Truth, true), ("name", Shape::Text, true)];
const KIND: &[Field] = &[
    ("v", Shape::Whole, true),
    ("id", Shape::Word, true),
    ("name", Shape::Text, true),
    ("caution", Shape::Text, true),
    ("services", Shape::Words, false),
    ("view", Shape::List(VIEW), true),
    ("question", Shape::List(QUESTION), false),
    ("part", Shape::List(NAMED), false),
    ("condition", Shape::List(CONDITION), true),
    ("safety", Shape::List(NAMED), false),
    ("accessory", Shape::List(NAMED), false),
    ("reading", Shape::List(READING), false),
    ("note", Shape::List(NOTE), false),
    ("example", Shape::List(EXAMPLE), false),
];

/// The fields of one table: none that is not known, none missing, each of its shape.
fn fields(owner: &str, known: &[Field], table: &DeTable<'_>, span: Range<usize>, faults: &mut Faults<'_>) {
    for (key, value) in table.iter() {
        match known.iter().find(|(name, _, _)| key.get_ref() == name) {
            Some((name, shape, _)) => {
                let owner = if owner == "the kind" { (*name).to_owned() } else { format!("{owner}: {name}") };
                field(&owner, *shape, value, faults);
            }
            None => faults.at(key.span(), format!("{owner}: there is no field \"{}\"", key.get_ref())),
        }
    }
    for (name, _, _) in known.iter().filter(|(name, _, needed)| *needed && !table.contains_key(*name)) {
        faults.at(span.clone(), format!("{owner}: \"{name}\" is missing"));
    }
}

fn field(owner: &str, shape: Shape, value: &Spanned<DeValue<'_>>, faults: &mut Faults<'_>) {
    let it = value.get_ref();
    let good = match shape {
        Shape::Word => it.as_str().is_some_and(|s| !s.trim().is_empty()),
        Shape::Words => it.as_array().is_some_and(|a| a.iter().all(|v| v.get_ref().is_str())),
        Shape::Whole => it.is_integer(),
        Shape::Truth => it.is_bool(),
        Shape::One(words) => it.as_str().is_some_and(|s| words.contains(&s)),
        Shape::Text => return text(owner, value, faults),
        Shape::Answers => it.as_table().is_some_and(|t| t.iter().all(|(_, v)| v.get_ref().is_str())),
        Shape::When => return when(owner, value, faults),
        Shape::List(known) => {
            let Some(list) = it.as_array() else {
                return faults.at(value.span(), format!("{owner}: this is a list of tables"));
            };
            for item in list.iter() {
                let Some(table) = item.get_ref().as_table() else {
                    faults.at(item.span(), format!("{owner}: this is a table"));
                    continue;
                };
                let named = table.get("id").and_then(|id| id.get_ref().as_str());
                let owner = named.map_or_else(|| owner.to_owned(), |id| format!("{owner} \"{id}\""));
                fields(&owner, known, table, item.span(), faults);
            }
            return;
        }
    };
    if !good {
        let wanted = match shape {
            Shape::Words => "a list of words".to_owned(),
            Shape::Answers => "a table of answers, each a word".to_owned(),
            Shape::Whole => "a whole number".to_owned(),
            Shape::Truth => "true or false".to_owned(),
            Shape::One(words) => format!("one of: {}", words.join(", ")),
            _ => "words, not empty".to_owned(),
        };
        faults.at(value.span(), format!("{owner}: this is {wanted}"));
    }
}

fn text(owner: &str, value: &Spanned<DeValue<'_>>, faults: &mut Faults<'_>) {
    let Some(table) = value.get_ref().as_table() else {
        return faults.at(value.span(), format!("{owner}: this is a text by language, {{ en = \"…\" }}"));
    };
    for (language, words) in table.iter() {
        if words.get_ref().as_str().is_none_or(|w| w.trim().is_empty()) {
            faults.at(words.span(), format!("{owner}: the text for \"{}\" is empty", language.get_ref()));
        }
    }
    if !table.contains_key("en") {
        faults.at(value.span(), format!("{owner}: the English text (en) is missing"));
    }
}

/// A condition's shape; what it names is judged by the rules.
fn when(owner: &str, value: &Spanned<DeValue<'_>>, faults: &mut Faults<'_>) {
    const FIELD: &[Field] = &[
        ("field", Shape::Word, true),
        ("op", Shape::One(&["is", "is-not", "one-of", "answered", "at-least"]), true),
        ("value", Shape::Word, false),
        ("values", Shape::Words, false),
    ];
    let Some(table) = value.get_ref().as_table() else {
        return faults.at(value.span(), format!("{owner}: this is a condition: all, any, or field and op"));
    };
    let group = ["all", "any"].into_iter().find(|g| table.contains_key(*g));
    let Some(group) = group else {
        return fields(owner, FIELD, table, value.span(), faults);
    };
    if table.len() > 1 {
        faults.at(value.span(), format!("{owner}: \"{group}\" stands alone in its condition"));
    }
    match table.get(group).and_then(|list| list.get_ref().as_array()) {
        Some(list) if !list.is_empty() => list.iter().for_each(|w| when(owner, w, faults)),
        _ => faults.at(value.span(), format!("{owner}: \"{group}\" is a list of conditions")),
    }
}
