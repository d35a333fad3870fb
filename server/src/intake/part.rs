//! A suspect part and its case against a supplier: what it is, how its days and numbers agree, what is seen on it, and the two
//! ways it may go. Observations, never accusations. Pure; the phone reckons the same in `server/web/core/part.js`.

use jiff::ToSpan;
use jiff::civil::Date;
use serde::{Deserialize, Serialize};
use serde_json::{Map, Value, json};
use uuid::Uuid;

use super::body::{BodyError, one_of, typed};
use super::custody::entries;
use super::decide::{Refusal, known};
use super::rules::{day, need, short};
use super::state::{Intake, Mark, Said};

/// Guided views before a part is fitted: without them it cannot go back as unused.
pub const BEFORE: [&str; 8] = ["bag-label", "face-1", "face-2", "face-3", "face-4", "flange", "bore", "ring-gap"];
/// Guided views after it failed.
pub const AFTER: [&str; 8] =
    ["plug-in-head", "nose-side-light", "nose-turned", "body", "piston-exhaust", "piston-intake", "crown", "pin"];
/// What is looked at on a part.
pub const ABOUT: [&str; 8] =
    ["makers-mark", "casting-number", "ports", "faces", "bore", "rings", "insulator", "piston"];

entries! {
/** A suspect part's card; replaces the earlier card of the same part. */ Card {
    /** The part. */ part: Uuid,
    /** What it is, in the shop's words. */ what: String,
    /** `in it when it came`, `bought by us` or `brought by the customer`. */ origin: String,
    /** Where it was bought. */ #[serde(default, skip_serializing_if = "Option::is_none")] supplier: Option<String>,
    /** The invoice's number. */ #[serde(default, skip_serializing_if = "Option::is_none")] invoice: Option<String>,
    /** Part number on the bag. */ #[serde(default, skip_serializing_if = "Option::is_none")] on_bag: Option<String>,
    /** Part number on the invoice. */ #[serde(default, skip_serializing_if = "Option::is_none")] on_invoice: Option<String>,
    /** Number on the casting. */ #[serde(default, skip_serializing_if = "Option::is_none")] on_casting: Option<String>,
    /** Lot or batch. */ #[serde(default, skip_serializing_if = "Option::is_none")] lot: Option<String>,
    /** Day it was made, as it says. */ #[serde(default, skip_serializing_if = "Option::is_none")] made: Option<String>,
    /** Day it was bought. */ #[serde(default, skip_serializing_if = "Option::is_none")] bought: Option<String>,
    /** Day it was fitted. */ #[serde(default, skip_serializing_if = "Option::is_none")] fitted: Option<String>,
    /** Day it failed. */ #[serde(default, skip_serializing_if = "Option::is_none")] failed: Option<String>,
    /** How many were bought. */ #[serde(default, skip_serializing_if = "Option::is_none")] count: Option<u32>,
    /** How many of them were fitted. */ #[serde(default, skip_serializing_if = "Option::is_none")] count_fitted: Option<u32>,
    /** A note (personal). */ #[serde(default, skip_serializing_if = "Option::is_none")] note: Option<String>,
}
/** A photo is a guided view of a part. */ Pictured {
    /** The part. */ part: Uuid,
    /** The guided view. */ view: String,
    /** The photo. */ photo: Uuid,
}
/** Something was looked for on a part: what was seen, or not. */ Observed {
    /** The part. */ part: Uuid,
    /** What was looked for. */ about: String,
    /** `seen`, `not seen` or `not looked for`. */ seen: String,
    /** Photos that show it, or the bare place. */ #[serde(default, skip_serializing_if = "Vec::is_empty")] photos: Vec<Uuid>,
    /** In a few words (personal). */ #[serde(default, skip_serializing_if = "Option::is_none")] note: Option<String>,
}
/** A claim against a supplier. */ Claimed {
    /** The claim. */ claim: Uuid,
    /** The part. */ part: Uuid,
    /** `return` (unused) or `warranty` (fitted). */ route: String,
    /** Days of the window, as the shop entered them from the supplier's terms. */ days: u32,
    /** The day the window runs from: `bought`, `fitted` or `failed`. */ from: String,
}
/** The physical part went to the supplier. */ Posted {
    /** The claim. */ claim: Uuid,
    /** Day. */ on: String,
    /** Number of the parcel or return. */ tracking: String,
}
/** How a claim ended. */ ClaimEnded {
    /** The claim. */ claim: Uuid,
    /** `replaced`, `refunded`, `refused`, `let go` or `something else`. */ outcome: String,
    /** In the supplier's words (personal). */ #[serde(default, skip_serializing_if = "Option::is_none")] note: Option<String>,
}
}

/// An entry about a suspect part.
#[derive(Clone, Debug, PartialEq)]
#[allow(missing_docs, reason = "each variant is documented at its type")]
pub enum Part {
    Card(Box<Card>),
    Pictured(Pictured),
    Observed(Observed),
    Claimed(Claimed),
    Posted(Posted),
    ClaimEnded(ClaimEnded),
}

/// Members that are personal.
pub fn personal(kind: &str) -> &'static [&'static str] {
    match kind {
        "part-noted" | "part-observed" | "claim-ended" => &["note"],
        _ => &[],
    }
}

/// Parses a body of version 1; none when its type is not of this module.
pub fn parse(kind: &str, plain: Map<String, Value>) -> Option<Result<Part, BodyError>> {
    Some(match kind {
        "part-noted" => typed(plain).map(|b| Part::Card(Box::new(b))),
        "part-pictured" => typed(plain).map(Part::Pictured),
        "part-observed" => typed(plain).map(Part::Observed),
        "claim-opened" => typed(plain).map(Part::Claimed),
        "part-posted" => typed(plain).map(Part::Posted),
        "claim-ended" => typed(plain).map(Part::ClaimEnded),
        _ => return None,
    })
}

/// The rules that need neither the state nor the kind.
///
/// # Errors
/// The pointer and a sentence.
pub fn well_formed(body: &Part) -> Result<(), BodyError> {
    match body {
        Part::Card(b) => {
            one_of("/origin", &b.origin, &["in it when it came", "bought by us", "brought by the customer"])?;
            short("/what", Some(&b.what), 120)?;
            let texts = [
                ("/supplier", &b.supplier),
                ("/invoice", &b.invoice),
                ("/on_bag", &b.on_bag),
                ("/on_invoice", &b.on_invoice),
                ("/on_casting", &b.on_casting),
                ("/lot", &b.lot),
            ];
            texts.into_iter().try_for_each(|(pointer, text)| short(pointer, text.as_deref(), 120))?;
            for (pointer, text) in
                [("/made", &b.made), ("/bought", &b.bought), ("/fitted", &b.fitted), ("/failed", &b.failed)]
            {
                need(pointer, text.as_deref().is_none_or(|t| day(t).is_some()), "a day, YYYY-MM-DD")?;
            }
            need("/count", [b.count, b.count_fitted].iter().flatten().all(|n| *n <= 9_999), "at most 9999")?;
            short("/note", b.note.as_deref(), 1000)
        }
        Part::Pictured(b) => {
            let known = BEFORE.contains(&b.view.as_str()) || AFTER.contains(&b.view.as_str());
            need("/view", known, "there is no such guided view")
        }
        Part::Observed(b) => {
            one_of("/about", &b.about, &ABOUT)?;
            one_of("/seen", &b.seen, &["seen", "not seen", "not looked for"])?;
            need("/photos", b.photos.len() <= 20, "at most 20 photos here")?;
            short("/note", b.note.as_deref(), 400)
        }
        Part::Claimed(b) => {
            one_of("/route", &b.route, &["return", "warranty"])?;
            one_of("/from", &b.from, &["bought", "fitted", "failed"])?;
            need("/days", (1..=3_660).contains(&b.days), "1 to 3660 days")
        }
        Part::Posted(b) => {
            need("/on", day(&b.on).is_some(), "a day, YYYY-MM-DD")?;
            short("/tracking", Some(&b.tracking), 120)
        }
        Part::ClaimEnded(b) => {
            one_of("/outcome", &b.outcome, &["replaced", "refunded", "refused", "let go", "something else"])?;
            short("/note", b.note.as_deref(), 1000)
        }
    }
}

/// What suspect parts add to the state of an intake.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Parts {
    /// Cards, in the order they were first noted.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub parts: Vec<Said<Card>>,
    /// Guided views, in order; the newest of a view counts.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub pictures: Vec<Said<Pictured>>,
    /// Observations, in order.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub observed: Vec<Said<Observed>>,
    /// Claims, in order.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub claims: Vec<Said<Claimed>>,
    /// Parts sent to a supplier, in order.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub posted: Vec<Said<Posted>>,
    /// How claims ended, in order.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub ended: Vec<Said<ClaimEnded>>,
}

impl Parts {
    /// Whether nothing was said of any.
    pub fn is_empty(&self) -> bool {
        *self == Parts::default()
    }

    /// The card of a part.
    pub fn card(&self, part: Uuid) -> Option<&Card> {
        self.parts.iter().map(|p| &p.what).find(|p| p.part == part)
    }

    /// Applies one entry.
    pub(super) fn apply(&mut self, body: &Part, mark: Mark) {
        match body {
            Part::Card(b) => {
                let said = Said { what: b.as_ref().clone(), mark };
                match self.parts.iter_mut().find(|p| p.what.part == b.part) {
                    Some(old) => *old = said,
                    None => self.parts.push(said),
                }
            }
            Part::Pictured(b) => self.pictures.push(Said { what: b.clone(), mark }),
            Part::Observed(b) => self.observed.push(Said { what: b.clone(), mark }),
            Part::Claimed(b) => self.claims.push(Said { what: b.clone(), mark }),
            Part::Posted(b) => self.posted.push(Said { what: b.clone(), mark }),
            Part::ClaimEnded(b) => self.ended.push(Said { what: b.clone(), mark }),
        }
    }
}

/// Judges a command about a suspect part.
///
/// # Errors
/// The refusal.
pub(super) fn decide(intake: &Intake, body: &Part) -> Result<(), Refusal> {
    let parts = &intake.parts;
    let part = |id: Uuid| known(parts.card(id).is_some(), "/part", "there is no such part here");
    let open = |id: Uuid| {
        let open = parts.claims.iter().any(|c| c.what.claim == id) && !parts.ended.iter().any(|e| e.what.claim == id);
        known(open, "/claim", "there is no such open claim")
    };
    let photos = |list: &[Uuid]| {
        let there = list.iter().all(|p| intake.photo(*p).is_some_and(|p| p.gone().is_none()));
        known(there, "/photo", "a photo that is named belongs to the same intake and is said to be taken first")
    };
    match body {
        Part::Card(_) => known(parts.parts.len() < 50, "/part", "an intake holds at most 50 suspect parts"),
        Part::Pictured(b) => part(b.part).and_then(|()| photos(&[b.photo])),
        Part::Observed(b) => part(b.part).and_then(|()| photos(&b.photos)),
        Part::Claimed(b) => {
            part(b.part)?;
            known(!parts.claims.iter().any(|c| c.what.claim == b.claim), "/claim", "this claim was opened before")
        }
        Part::Posted(b) => open(b.claim),
        Part::ClaimEnded(b) => open(b.claim),
    }
}

/// A sentence about a card: message key and names.
pub type Told = (&'static str, Value);

/// What of a card does not agree with itself: days out of order, more fitted than bought, part numbers that differ. Each
/// is a question to a person, not a fault of anybody.
pub fn disagreements(card: &Card) -> Vec<Told> {
    let mut out = Vec::new();
    let days = [("made", &card.made), ("bought", &card.bought), ("fitted", &card.fitted), ("failed", &card.failed)];
    let known: Vec<(&str, Date)> = days.iter().filter_map(|(n, d)| Some((*n, day(d.as_deref()?)?))).collect();
    for (earlier, later) in known.iter().zip(known.iter().skip(1)) {
        if earlier.1 > later.1 {
            out.push(("part.order", json!({"earlier": earlier.0, "later": later.0})));
        }
    }
    if let (Some(bought), Some(fitted)) = (card.count, card.count_fitted)
        && fitted > bought
    {
        out.push(("part.more-fitted", json!({"fitted": fitted, "bought": bought})));
    }
    let same = |a: &str, b: &str| {
        let plain =
            |t: &str| t.chars().filter(|c| c.is_alphanumeric()).flat_map(char::to_uppercase).collect::<String>();
        plain(a) == plain(b)
    };
    let numbers = [("bag", &card.on_bag), ("invoice", &card.on_invoice), ("casting", &card.on_casting)];
    let numbers: Vec<(&str, &str)> = numbers.iter().filter_map(|(n, t)| Some((*n, t.as_deref()?))).collect();
    for (i, (a, one)) in numbers.iter().enumerate() {
        for (b, other) in numbers.iter().skip(i + 1).filter(|(_, other)| !same(one, other)) {
            out.push(("part.numbers-differ", json!({"a": a, "one": one, "b": b, "other": other})));
        }
    }
    out
}

/// The last day of a claim's window; none while the day it runs from is not known.
pub fn until(card: &Card, claim: &Claimed) -> Option<String> {
    let from = match claim.from.as_str() {
        "bought" => card.bought.as_deref(),
        "fitted" => card.fitted.as_deref(),
        _ => card.failed.as_deref(),
    };
    Some(day(from?)?.checked_add(i64::from(claim.days).days()).ok()?.to_string())
}

/// What a claim still lacks on its way, as message keys with names, in order.
pub fn missing(intake: &Intake, card: &Card, route: &str) -> Vec<Told> {
    let mut out: Vec<Told> = Vec::new();
    let fields =
        [("supplier", &card.supplier), ("invoice", &card.invoice), ("on_bag", &card.on_bag), ("bought", &card.bought)];
    let after = [("fitted", &card.fitted), ("failed", &card.failed)];
    for (field, value) in fields.into_iter().chain(after.into_iter().filter(|_| route == "warranty")) {
        if value.is_none() {
            out.push(("part.missing.field", json!({"field": field})));
        }
    }
    if card.count.is_none() {
        out.push(("part.missing.field", json!({"field": "count"})));
    }
    let pictured = |view: &str| {
        let here = |p: &Said<Pictured>| intake.photo(p.what.photo).is_some_and(|p| p.gone().is_none());
        intake.parts.pictures.iter().any(|p| p.what.part == card.part && p.what.view == view && here(p))
    };
    // A part that was fitted cannot go back as unused, and says so.
    if route == "return" && card.fitted.is_some() {
        out.push(("part.missing.unused", json!({})));
    }
    if !BEFORE.iter().any(|v| pictured(v)) {
        out.push(("part.missing.before", json!({})));
    }
    if route == "warranty" {
        if !AFTER.iter().any(|v| pictured(v)) {
            out.push(("part.missing.after", json!({})));
        }
        if !intake.readings.iter().any(|r| r.what.part == Some(card.part) && r.what.value.is_some()) {
            out.push(("part.missing.reading", json!({})));
        }
        if intake.custody.findings.is_empty() {
            out.push(("part.missing.elsewhere", json!({})));
        }
    }
    if !intake.parts.observed.iter().any(|o| o.what.part == card.part && o.what.about == "makers-mark") {
        out.push(("part.missing.makers-mark", json!({})));
    }
    out
}
