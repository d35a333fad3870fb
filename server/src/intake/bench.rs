//! The bench: readings and short service entries, and what may still be said once the shop has the machine. Pure.

use serde::{Deserialize, Serialize};
use uuid::Uuid;

use super::body::{Body, BodyError, PhotoTaken, SERVICES, one_of, wrong};
use super::kind::{Due, Kind};

/// Something was measured, or was not. Kept as read: never judged, never converted.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ReadingNoted {
    /// The reading of the kind.
    pub reading: String,
    /// The number exactly as read.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub value: Option<String>,
    /// Its unit, as the gauge says.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub unit: Option<String>,
    /// `not taken`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub not: Option<String>,
    /// Why it was not taken.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub because: Option<String>,
    /// How it was measured, in a few words.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub method: Option<String>,
    /// A photo of the gauge.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub photo: Option<Uuid>,
}

/// A short service entry: what is fitted or filled, and what was done.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ServiceNoted {
    /// `carburettor`, `plug` or `oil`.
    pub service: String,
    /// How it was found or what was done, in a word of that service.
    pub what: String,
    /// The plug's type or the oil's grade, as printed on it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fitted: Option<String>,
    /// Where the old plug is: `kept here` or `given back`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub old: Option<String>,
    /// Where the oil stood: `above the mark`, `at the mark`, `below the mark` or `none on the dipstick`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub level: Option<String>,
    /// A photo of it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub photo: Option<Uuid>,
    /// A note (personal).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
}

/// What a carburettor shows from outside.
const CARBURETTOR: [&str; 3] = ["mixture screws", "fixed jets", "not seen"];
/// What was done with the plug.
const PLUG: [&str; 3] = ["as found", "cleaned", "changed"];
/// Where the old plug is.
const OLD: [&str; 2] = ["kept here", "given back"];
/// What was done with the oil.
const OIL: [&str; 3] = ["as found", "topped up", "changed"];
/// Where the oil stood before that.
const LEVEL: [&str; 4] = ["above the mark", "at the mark", "below the mark", "none on the dipstick"];
/// Longest text that is typed beside a machine, in characters.
const SHORT: usize = 200;

/// The rules of a reading that need neither the state nor the kind.
///
/// # Errors
/// The pointer and a sentence.
pub(super) fn reading(b: &ReadingNoted) -> Result<(), BodyError> {
    short("/method", b.method.as_deref(), SHORT)?;
    short("/because", b.because.as_deref(), SHORT)?;
    short("/unit", b.unit.as_deref(), 20)?;
    match (&b.value, &b.not) {
        (Some(value), None) => {
            need("/value", as_read(value), "a reading is a number as read, with at most 6 digits behind the point")?;
            need("/unit", b.unit.is_some(), "a reading without its unit says nothing")?;
            need("/because", b.because.is_none(), "a reason belongs to a reading that was not taken")
        }
        (None, Some(not)) => {
            one_of("/not", not, &["not taken"])?;
            need("/because", b.because.is_some(), "say why it was not taken")?;
            need("/unit", b.unit.is_none(), "a reading that was not taken has no unit")
        }
        _ => wrong("/value", "give a number, or say why there is none"),
    }
}

/// The rules of a service entry that need neither the state nor the kind.
///
/// # Errors
/// The pointer and a sentence.
pub(super) fn service(b: &ServiceNoted) -> Result<(), BodyError> {
    short("/fitted", b.fitted.as_deref(), SHORT)?;
    one_of("/service", &b.service, &SERVICES)?;
    let words: &[&str] = match b.service.as_str() {
        "carburettor" => &CARBURETTOR,
        "plug" => &PLUG,
        _ => &OIL,
    };
    one_of("/what", &b.what, words)?;
    let changed = b.what == "changed";
    if let Some(old) = &b.old {
        one_of("/old", old, &OLD)?;
        need("/old", changed && b.service == "plug", "only a plug that was changed leaves an old one")?;
    }
    if let Some(level) = &b.level {
        one_of("/level", level, &LEVEL)?;
        need("/level", b.service == "oil", "only oil has a level")?;
    }
    match b.service.as_str() {
        "carburettor" => need("/fitted", b.fitted.is_none(), "a carburettor is told by what it shows"),
        "plug" => {
            need("/fitted", !changed || b.fitted.is_some(), "say which type is fitted now")?;
            need("/old", !changed || b.old.is_some(), "say where the old one is")
        }
        _ => need("/fitted", b.what == "as found" || b.fitted.is_some(), "say which grade was filled in"),
    }
}

/// A number as it is read off a gauge: kept as text, so that nothing is rounded.
fn as_read(value: &str) -> bool {
    let digits = |s: &str, most: usize| (1..=most).contains(&s.len()) && s.bytes().all(|b| b.is_ascii_digit());
    let value = value.strip_prefix('-').unwrap_or(value);
    value.split_once(['.', ',']).map_or(digits(value, 9), |(whole, part)| digits(whole, 9) && digits(part, 6))
}

fn need(pointer: &str, there: bool, sentence: &str) -> Result<(), BodyError> {
    if there { Ok(()) } else { wrong(pointer, sentence) }
}

fn short(pointer: &str, text: Option<&str>, most: usize) -> Result<(), BodyError> {
    let fits = text.is_none_or(|t| t.chars().count() <= most);
    if fits { Ok(()) } else { wrong(pointer, format!("at most {most} characters here")) }
}

/// Whether something belongs to the bench: it may be said while the shop has the machine, also by somebody who does not
/// stand at the counter. What the counter recorded and the customer was shown stays as it is.
pub(super) fn belongs(kind: &Kind, body: &Body) -> bool {
    let later = |due: Option<Due>| due != Some(Due::AtCounter);
    match body {
        Body::Moved(_) | Body::ReadingNoted(_) | Body::ServiceNoted(_) => true,
        Body::PhotoTaken(PhotoTaken { view, .. }) => view.as_deref().is_none_or(|v| later(kind.view(v).map(|v| v.due))),
        Body::Answer(b) => later(kind.question(&b.question).map(|q| q.due)),
        // The only number of a machine that may need a cover off, and so is due before opening.
        Body::Machine(b) => b.field == "engine-numbers",
        Body::LeftOpen(b) => match b.gap.split_once(':') {
            Some(("view", id)) => later(kind.view(id).map(|v| v.due)),
            Some(("question", id)) => later(kind.question(id).map(|q| q.due)),
            Some(("reading", _)) => true,
            Some(("machine", field)) => field == "engine-numbers",
            _ => false,
        },
        _ => false,
    }
}
