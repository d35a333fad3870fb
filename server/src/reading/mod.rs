//! Readings: what a measured number may be compared with, and whether at all. The value stays as read; the *specification* is
//! brought to where the engine stands, never the reading. Pure; the phone runs the same in `server/web/core/reading.js`, and
//! `schema/vectors/readings.json` holds both to one answer.

pub mod atmosphere;
pub mod units;

use serde::{Deserialize, Serialize};

use units::{number, pascals, places, rounded};

/// Version of the comparison, stored beside what it says.
pub const VERSION: &str = "compression/1";

/// Readings of a bench beside those a kind asks for, and the units they are read in.
pub const BENCH: [(&str, &[&str]); 8] = [
    ("compression", &units::PRESSURE),
    ("leak-down", &["%"]),
    ("plug-gap", &["mm", "in"]),
    ("ring-end-gap", &["mm", "in"]),
    ("bore", &["mm", "in"]),
    ("crankcase-pressure", &units::PRESSURE),
    ("crankcase-vacuum", &units::PRESSURE),
    ("hours", &["h"]),
];

/// A number with its unit.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Measure {
    /// The number as written.
    pub value: String,
    /// Its unit.
    pub unit: String,
}

/// A manual's value.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Manual {
    /// The least it names.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub least: Option<String>,
    /// The most it names.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub most: Option<String>,
    /// Their unit.
    pub unit: String,
    /// Which manual and page.
    pub page: String,
}

/// How it was measured.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Method {
    /// `two-stroke` or `four-stroke`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub engine: Option<String>,
    /// The compression release: `none`, `closed`, `pulled open`, `automatic` or `not known`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub release: Option<String>,
    /// Which gauge.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub gauge: Option<String>,
    /// When the gauge was last checked, YYYY-MM-DD.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub gauge_checked: Option<String>,
    /// What one mark on the gauge is, in the unit read.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub division: Option<String>,
    /// Where the check valve sits: `at the tip`, `at the gauge` or `not known`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub valve: Option<String>,
    /// `wide open` or `closed`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub throttle: Option<String>,
    /// Pulls until the needle stopped.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pulls: Option<u32>,
    /// What it showed after the first pull.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub first: Option<String>,
    /// `cold` or `warm`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub engine_is: Option<String>,
    /// `dry` or `wet`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cylinder: Option<String>,
    /// The same again, as read.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub repeats: Vec<String>,
    /// Height of the place above the sea.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub altitude: Option<Measure>,
    /// Pressure of the air there, not brought to sea level.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub station: Option<Measure>,
    /// What the manual says.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub manual: Option<Manual>,
}

/// The shop's own rule for two-strokes without a manual's value. Common practice, no source; the shop may change it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Rule {
    /// From here on it is what the shop expects of a sound engine.
    pub good: String,
    /// Below this it will hardly run.
    pub low: String,
    /// Their unit.
    pub unit: String,
}

/// How one way of bringing the specification here compares.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Compared {
    /// `standard atmosphere`, `station pressure` or `circulating table`.
    pub by: &'static str,
    /// The factor, in ten thousandths.
    pub factor: u32,
    /// The lower end of the band here, in the unit read, rounded to the gauge.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub low: Option<String>,
    /// The upper end.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub high: Option<String>,
    /// What the reading would be at sea level.
    pub sea: String,
    /// `below`, `within` or `above`.
    pub stands: &'static str,
}

/// What may be said about a reading.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Judged {
    /// `compared`, `not comparable`, `void` or `not judged`.
    pub verdict: &'static str,
    /// Message key of why it is not compared; none when it is.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub why: Option<&'static str>,
    /// What has to be recorded to compare it.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub record: Vec<&'static str>,
    /// `manual` or `shop rule`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub against: Option<&'static str>,
    /// Each way, the one to go by first.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub compared: Vec<Compared>,
    /// Largest less smallest of the repeats, in the unit read.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub spread: Option<String>,
    /// Message keys of what else to know.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub notes: Vec<&'static str>,
}

impl Judged {
    fn not(verdict: &'static str, why: &'static str) -> Judged {
        let (record, compared, notes) = (Vec::new(), Vec::new(), Vec::new());
        Judged { verdict, why: Some(why), record, against: None, compared, spread: None, notes }
    }

    /// Whether the ways of comparing disagree.
    pub fn disagree(&self) -> bool {
        self.compared.iter().any(|c| self.compared.first().is_some_and(|f| f.stands != c.stands))
    }
}

/// What may be said about a compression reading, and against what. Only the recorded method makes a number comparable:
/// the same sound engine reads 153 or 86 psi by the gauge's dead volume alone.
pub fn compression(value: &str, unit: &str, method: &Method, rule: &Rule) -> Judged {
    let (Some(read), Some(own)) = (number(value), pascals(unit)) else {
        return Judged::not("not comparable", "reading.why.unit");
    };
    let is = |field: &Option<String>, word: &str| field.as_deref() == Some(word);
    let mut judged = judge(value, read, own, method, rule);
    let mut all: Vec<f64> = method.repeats.iter().filter_map(|r| number(r)).collect();
    if !all.is_empty() {
        all.push(read);
        let (least, most) = all.iter().fold((read, read), |(a, b), v| (a.min(*v), b.max(*v)));
        let written = method.repeats.iter().map(|r| places(r)).fold(places(value), usize::max);
        judged.spread = Some(rounded(most - least, 10f64.powi(-i32::try_from(written).unwrap_or(6)), written));
    }
    if !is(&method.valve, "at the tip") {
        judged.notes.push("reading.note.dead-volume");
    }
    if is(&method.engine_is, "cold") {
        judged.notes.push("reading.note.cold");
    }
    if reduced(method) {
        judged.notes.push("reading.note.reduced");
    }
    if judged.disagree() {
        judged.notes.push("reading.note.disagree");
    }
    judged
}

fn judge(value: &str, read: f64, own: f64, method: &Method, rule: &Rule) -> Judged {
    let is = |field: &Option<String>, word: &str| field.as_deref() == Some(word);
    if is(&method.release, "pulled open") {
        return Judged::not("void", "reading.why.release-open");
    }
    let lacks = missing(method);
    if !lacks.is_empty() {
        let mut judged = Judged::not("not comparable", "reading.why.method");
        judged.record = lacks;
        return judged;
    }
    if !is(&method.throttle, "wide open") {
        return Judged::not("not comparable", "reading.why.throttle");
    }
    if is(&method.cylinder, "wet") {
        return Judged::not("not comparable", "reading.why.wet");
    }
    let band = |low: Option<&str>, high: Option<&str>, unit: &str| {
        let to = pascals(unit)? / own;
        Some((low.and_then(number).map(|v| v * to), high.and_then(number).map(|v| v * to)))
    };
    let (against, (low, high)) = match &method.manual {
        Some(m) => match band(m.least.as_deref(), m.most.as_deref(), &m.unit) {
            Some(ends) => ("manual", ends),
            None => return Judged::not("not comparable", "reading.why.unit"),
        },
        // A release that opens by itself lets a sound engine read 28 to 57 psi: no rule of thumb fits.
        None if !is(&method.engine, "two-stroke") => return Judged::not("not judged", "reading.why.four-stroke"),
        None if !(is(&method.release, "none") || is(&method.release, "closed")) => {
            return Judged::not("not judged", "reading.why.release");
        }
        None => match band(Some(&rule.low), Some(&rule.good), &rule.unit) {
            Some(ends) => ("shop rule", ends),
            None => return Judged::not("not judged", "reading.why.rule"),
        },
    };
    let written = places(value);
    let division = method.division.as_deref().and_then(number).filter(|d| *d > 0.0);
    let division = division.unwrap_or_else(|| 10f64.powi(-i32::try_from(written).unwrap_or(6)));
    let digits = method.division.as_deref().map_or(written, places);
    let compare = |(by, factor): (&'static str, f64)| {
        // The specification times the factor; to say what the reading would be at sea level, it is divided.
        let here = |end: Option<f64>| end.map(|v| rounded(v * factor, division, digits));
        let (low, high) = (here(low), here(high));
        let at = |end: &Option<String>| end.as_deref().and_then(number);
        let stands = if at(&low).is_some_and(|l| read < l) {
            "below"
        } else if at(&high).is_some_and(|h| read > h || (against == "shop rule" && read >= h)) {
            "above"
        } else {
            "within"
        };
        let factor_shown = (factor * 10_000.0).round();
        let factor_shown = if (0.0..=20_000.0).contains(&factor_shown) { factor_shown as u32 } else { 0 };
        Compared { by, factor: factor_shown, low, high, sea: rounded(read / factor, division, digits), stands }
    };
    let compared = factors(method).into_iter().map(compare).collect();
    Judged {
        verdict: "compared",
        why: None,
        record: Vec::new(),
        against: Some(against),
        compared,
        spread: None,
        notes: Vec::new(),
    }
}

/// What of the method has to be recorded still, in the order it is asked for.
pub fn missing(method: &Method) -> Vec<&'static str> {
    let known = |field: &Option<String>| field.as_deref().is_some_and(|w| w != "not known");
    // An automatic release may be what is not known of a four-stroke: then a manual's value is asked for instead.
    let release =
        known(&method.release) || (method.release.is_some() && method.engine.as_deref() == Some("four-stroke"));
    let asked = [
        ("engine", known(&method.engine)),
        ("release", release),
        ("gauge", known(&method.gauge)),
        ("valve", method.valve.is_some()),
        ("throttle", known(&method.throttle)),
        ("pulls", method.pulls.is_some()),
        ("engine_is", known(&method.engine_is)),
        ("cylinder", known(&method.cylinder)),
        ("altitude", height(method).is_some() || station(method).is_some()),
    ];
    asked.into_iter().filter(|(_, there)| !there).map(|(name, _)| name).collect()
}

/// Height of the place, metres, where it can be one: from 500 m below the sea to 6 km above it.
fn height(method: &Method) -> Option<f64> {
    let m = method.altitude.as_ref()?;
    let metres = number(&m.value)? * units::metres(&m.unit).filter(|_| ["m", "ft"].contains(&m.unit.as_str()))?;
    (-500.0..=6_000.0).contains(&metres).then_some(metres)
}

/// Pressure of the air, pascals, where it can be one: 400 to 1100 hPa.
fn station(method: &Method) -> Option<f64> {
    let m = method.station.as_ref()?;
    let pascal = number(&m.value)? * pascals(&m.unit).filter(|_| ["hPa", "kPa", "inHg"].contains(&m.unit.as_str()))?;
    (40_000.0..=110_000.0).contains(&pascal).then_some(pascal)
}

/// Whether the air's pressure looks brought to sea level, as a forecast shows it: more than 5 % from what the height allows.
fn reduced(method: &Method) -> bool {
    match (height(method), station(method)) {
        (Some(h), Some(p)) => (p / atmosphere::SEA_LEVEL / atmosphere::ratio(h) - 1.0).abs() > 0.05,
        _ => false,
    }
}

/// The ways to bring a specification here, the one to go by first.
fn factors(method: &Method) -> Vec<(&'static str, f64)> {
    let mut out = Vec::new();
    if let Some(p) = station(method) {
        out.push(("station pressure", p / atmosphere::SEA_LEVEL));
    }
    if let Some(h) = height(method) {
        if out.is_empty() {
            out.push(("standard atmosphere", atmosphere::ratio(h)));
        }
        out.extend(atmosphere::tabled(h).map(|f| ("circulating table", f)));
    }
    out
}

#[cfg(test)]
mod tests;
