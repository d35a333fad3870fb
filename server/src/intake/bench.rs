//! The bench: readings and short service entries, and what may still be said once the shop has the machine. Pure.

use serde::{Deserialize, Serialize};
use uuid::Uuid;

use super::body::{Body, BodyError, PhotoTaken, SERVICES, one_of, wrong};
use super::kind::{Due, Kind};
use super::rules::{day, need, short};
use crate::reading::{Measure, Method, units};

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
    /// How it was measured, member by member: what makes it comparable.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub how: Option<Method>,
    /// The suspect part it was measured on.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub part: Option<Uuid>,
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
    b.how.as_ref().map_or(Ok(()), how)?;
    match (&b.value, &b.not) {
        (Some(value), None) => {
            need(
                "/value",
                units::number(value).is_some(),
                "a reading is a number as read, with at most 6 digits behind the point",
            )?;
            need("/unit", b.unit.is_some(), "a reading without its unit says nothing")?;
            need("/because", b.because.is_none(), "a reason belongs to a reading that was not taken")
        }
        (None, Some(not)) => {
            one_of("/not", not, &["not taken"])?;
            need("/how", b.how.is_none(), "a reading that was not taken was not measured in any way")?;
            need("/because", b.because.is_some(), "say why it was not taken")?;
            need("/unit", b.unit.is_none(), "a reading that was not taken has no unit")
        }
        _ => wrong("/value", "give a number, or say why there is none"),
    }
}

/// The rules of a recorded method.
///
/// # Errors
/// The pointer and a sentence.
fn how(m: &Method) -> Result<(), BodyError> {
    let word = |name: &str, said: &Option<String>, words: &[&str]| {
        said.as_ref().map_or(Ok(()), |w| one_of(&format!("/how/{name}"), w, words))
    };
    word("engine", &m.engine, &["two-stroke", "four-stroke"])?;
    word("release", &m.release, &["none", "closed", "pulled open", "automatic", "not known"])?;
    word("valve", &m.valve, &["at the tip", "at the gauge", "not known"])?;
    word("throttle", &m.throttle, &["wide open", "closed"])?;
    word("engine_is", &m.engine_is, &["cold", "warm"])?;
    word("cylinder", &m.cylinder, &["dry", "wet"])?;
    short("/how/gauge", m.gauge.as_deref(), 40)?;
    let checked = m.gauge_checked.as_deref().is_none_or(|d| day(d).is_some());
    need("/how/gauge_checked", checked, "a day, YYYY-MM-DD")?;
    let read = |pointer: &str, text: &str| {
        need(pointer, units::number(text).is_some(), "a number as read, with at most 6 digits behind the point")
    };
    let division = m.division.as_deref().is_none_or(|d| units::number(d).is_some_and(|d| d > 0.0));
    need("/how/division", division, "what one mark on the gauge is, a number above 0")?;
    need("/how/pulls", m.pulls.is_none_or(|p| (1..=200).contains(&p)), "1 to 200 pulls")?;
    m.first.as_deref().map_or(Ok(()), |f| read("/how/first", f))?;
    need("/how/repeats", m.repeats.len() <= 10, "at most 10 repeats")?;
    m.repeats.iter().try_for_each(|r| read("/how/repeats", r))?;
    let measure = |pointer: &str, measure: &Option<Measure>, known: &[&str]| {
        let Some(m) = measure else { return Ok(()) };
        read(pointer, &m.value)?;
        one_of(pointer, &m.unit, known)
    };
    measure("/how/altitude", &m.altitude, &["m", "ft"])?;
    measure("/how/station", &m.station, &["hPa", "kPa", "inHg"])?;
    let Some(manual) = &m.manual else { return Ok(()) };
    one_of("/how/manual/unit", &manual.unit, &units::PRESSURE)?;
    need("/how/manual", manual.least.is_some() || manual.most.is_some(), "the manual's least or most stands here")?;
    manual.least.iter().chain(&manual.most).try_for_each(|v| read("/how/manual", v))?;
    short("/how/manual/page", Some(&manual.page), 200)
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

/// Whether something belongs to the bench: it may be said while the shop has the machine, also by somebody who does not
/// stand at the counter. What the counter recorded and the customer was shown stays as it is.
pub(super) fn belongs(kind: &Kind, body: &Body) -> bool {
    let later = |due: Option<Due>| due != Some(Due::AtCounter);
    match body {
        Body::Moved(_) | Body::ReadingNoted(_) | Body::ServiceNoted(_) => true,
        Body::Custody(_) | Body::Part(_) | Body::HandBack(_) | Body::Dispute(_) => true,
        // A tag is lost wherever the machine is, and the wrong machine is photographed wherever two stand.
        Body::TagReplaced(_) | Body::PhotoMoved(_) | Body::PhotoCame(_) => true,
        // What it looks like when it goes home is photographed from the counter's views.
        Body::PhotoTaken(PhotoTaken { stage, .. }) if stage == "left" => true,
        Body::PhotoTaken(PhotoTaken { view, .. }) => view.as_deref().is_none_or(|v| later(kind.view(v).map(|v| v.due))),
        Body::Answer(b) => later(kind.question(&b.question).map(|q| q.due)),
        // The only number of a machine that may need a cover off, and so is due before opening.
        Body::Machine(b) => b.field == "engine-numbers",
        Body::LeftOpen(b) => match b.gap.split_once(':') {
            Some(("view", id)) => later(kind.view(id).map(|v| v.due)),
            Some(("question", id)) => later(kind.question(id).map(|q| q.due)),
            Some(("reading" | "left-view", _)) => true,
            Some(("machine", field)) => field == "engine-numbers",
            _ => false,
        },
        _ => false,
    }
}
