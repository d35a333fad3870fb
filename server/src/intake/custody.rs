//! What happens to a machine in the shop's care: opened up, found, told, approved, put under quarantine, sent out. What is
//! said then, its rules, and where it leaves the machine. Pure.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};
use serde_json::{Map, Value};
use uuid::Uuid;

use super::body::{BodyError, money, one_of, typed};
use super::check::{self, Mode};
use super::decide::{Author, Refusal, Sentence, known};
use super::kind::{Due, Kind};
use super::rules::{is_wall_time, need, short};
use super::state::{Intake, Mark, Said};

/// How something was said.
pub const CHANNELS: [&str; 4] = ["in person", "by phone", "by message", "in writing"];
/// What a machine may be kept from.
pub const QUARANTINE: [&str; 2] = ["do not start", "do not use"];

macro_rules! entries {
    ($($(#[$doc:meta])* $name:ident { $($(#[$fdoc:meta])* $field:ident : $ty:ty),* $(,)? })*) => {
        $($(#[$doc])*
        #[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
        #[serde(deny_unknown_fields)]
        pub struct $name { $($(#[$fdoc])* pub $field: $ty),* })*
    };
}
pub(super) use entries;

entries! {
/** Covers come off: what was due before opening stands. */ OpenedUp {}
/** Something seen on the bench, pinned on a photo: an opinion with its author and time. The same finding again replaces it. */ Finding {
    /** The finding. */ finding: Uuid,
    /** The photo it is pinned on. */ photo: Uuid,
    /** From the left, in ten thousandths of the upright picture's width. */ x: u32,
    /** From the top, in ten thousandths of its height. */ y: u32,
    /** Width of a box, likewise; a point has none. */ #[serde(default, skip_serializing_if = "Option::is_none")] w: Option<u32>,
    /** Height of a box. */ #[serde(default, skip_serializing_if = "Option::is_none")] h: Option<u32>,
    /** The part, in the shop's words. */ part: String,
    /** A word of the condition vocabulary. */ word: String,
    /** What the author thinks of it (personal). */ #[serde(default, skip_serializing_if = "Option::is_none")] text: Option<String>,
}
/** A finding taken back; it stays in the log. */ FindingWithdrawn {
    /** The finding. */ finding: Uuid,
    /** Why. */ because: String,
}
/** What somebody said about the machine once the shop had it, verbatim. */ WordsHeard {
    /** Who heard or read it. */ heard_by: Uuid,
    /** `in person`, `by phone`, `by message` or `in writing`. */ how: String,
    /** When, on the wall clock there, if it is entered later. */ #[serde(default, skip_serializing_if = "Option::is_none")] at: Option<String>,
    /** The words (personal). */ #[serde(default, skip_serializing_if = "Option::is_none")] text: Option<String>,
    /** Who said it (personal); the owner when absent. */ #[serde(default, skip_serializing_if = "Option::is_none")] speaker: Option<String>,
}
/** A price was told; a later one is another version. */ PriceTold {
    /** The price. */ price: Uuid,
    /** How much in all. */ amount: Value,
    /** For what. */ what: String,
    /** How it was told. */ how: String,
}
/** What was answered to a price, or to more work. A yes moves the limit. */ Approval {
    /** `yes`, `no` or `no answer`. */ answer: String,
    /** The price it is about. */ #[serde(default, skip_serializing_if = "Option::is_none")] price: Option<Uuid>,
    /** How it was said. */ how: String,
    /** When, on the wall clock there. */ at: String,
    /** What is added. */ #[serde(default, skip_serializing_if = "Option::is_none")] added: Option<Value>,
    /** Up to how much in all: the limit from now on. */ #[serde(default, skip_serializing_if = "Option::is_none")] total: Option<Value>,
    /** Who said it (personal). */ #[serde(default, skip_serializing_if = "Option::is_none")] who: Option<String>,
    /** The number called (personal). */ #[serde(default, skip_serializing_if = "Option::is_none")] number: Option<String>,
    /** Conditions (personal). */ #[serde(default, skip_serializing_if = "Option::is_none")] note: Option<String>,
}
/** A step of the work, and what it adds to the bill. */ Work {
    /** What. */ what: String,
    /** What it adds. */ #[serde(default, skip_serializing_if = "Option::is_none")] adds: Option<Value>,
}
/** A part that was taken out, of whatever kind: where it lies until the machine goes home, or that the customer let it be thrown
    away. The same part again replaces it. */ OldPart {
    /** The old part. */ old: Uuid,
    /** What was taken out. */ what: String,
    /** `kept here` or `thrown away`. */ fate: String,
    /** Where it lies. */ #[serde(default, skip_serializing_if = "Option::is_none")] place: Option<String>,
    /** The words by which the customer let it be thrown away (personal). */ #[serde(default, skip_serializing_if = "Option::is_none")] word: Option<String>,
}
/** Kept from being started or used. */ Quarantined {
    /** `do not start` or `do not use`. */ word: String,
    /** Why, as on the red tag: "chain brake failed". */ because: String,
}
/** Not kept from it any more. */ Lifted {
    /** `do not start` or `do not use`. */ word: String,
    /** What was done about it. */ because: String,
}
/** Loss, damage or theft in the shop's care. */ Incident {
    /** `loss`, `damage`, `theft` or `something else`. */ what: String,
    /** Photos of it. */ #[serde(default, skip_serializing_if = "Vec::is_empty")] photos: Vec<Uuid>,
    /** Whether the customer was told: `told`, `not reached` or `not told yet`. */ told: String,
    /** When they were told, on the wall clock there. */ #[serde(default, skip_serializing_if = "Option::is_none")] told_at: Option<String>,
    /** What happened (personal). */ #[serde(default, skip_serializing_if = "Option::is_none")] note: Option<String>,
}
/** The machine, or a part of it, went to somebody else. */ SentOut {
    /** This sending. */ sent: Uuid,
    /** What went. */ what: String,
    /** To whom. */ to: String,
    /** Why. */ because: String,
    /** Their receipt's or the parcel's number. */ #[serde(default, skip_serializing_if = "Option::is_none")] reference: Option<String>,
}
/** It came back. */ CameBack {
    /** The sending. */ sent: Uuid,
    /** As what it came back. */ #[serde(default, skip_serializing_if = "Option::is_none")] note: Option<String>,
}
/** Somebody tried to reach the customer. */ ContactTried {
    /** How. */ how: String,
    /** `reached`, `message left`, `no answer` or `not theirs`. */ result: String,
    /** About what. */ about: String,
    /** The number or address used (personal). */ #[serde(default, skip_serializing_if = "Option::is_none")] number: Option<String>,
}
/** Nothing of this intake may be deleted. */ HoldSet {
    /** Why. */ because: String,
}
/** It may again. */ HoldLifted {
    /** Why. */ because: String,
}
}

/// An entry about custody.
#[derive(Clone, Debug, PartialEq)]
#[allow(missing_docs, reason = "each variant is documented at its type")]
pub enum Custody {
    OpenedUp(OpenedUp),
    Finding(Finding),
    FindingWithdrawn(FindingWithdrawn),
    WordsHeard(WordsHeard),
    PriceTold(PriceTold),
    Approval(Approval),
    Work(Work),
    OldPart(OldPart),
    Quarantined(Quarantined),
    Lifted(Lifted),
    Incident(Incident),
    SentOut(SentOut),
    CameBack(CameBack),
    ContactTried(ContactTried),
    HoldSet(HoldSet),
    HoldLifted(HoldLifted),
}

/// Members that are personal.
pub fn personal(kind: &str) -> &'static [&'static str] {
    match kind {
        "finding-noted" => &["text"],
        "words-heard" => &["text", "speaker"],
        "approval-noted" => &["who", "number", "note"],
        "incident-noted" => &["note"],
        "contact-tried" => &["number"],
        "old-part-noted" => &["word"],
        _ => &[],
    }
}

/// Parses a body of version 1; none when its type is not of this module.
pub fn parse(kind: &str, plain: Map<String, Value>) -> Option<Result<Custody, BodyError>> {
    Some(match kind {
        "opened-up" => typed(plain).map(Custody::OpenedUp),
        "finding-noted" => typed(plain).map(Custody::Finding),
        "finding-withdrawn" => typed(plain).map(Custody::FindingWithdrawn),
        "words-heard" => typed(plain).map(Custody::WordsHeard),
        "price-told" => typed(plain).map(Custody::PriceTold),
        "approval-noted" => typed(plain).map(Custody::Approval),
        "work-noted" => typed(plain).map(Custody::Work),
        "old-part-noted" => typed(plain).map(Custody::OldPart),
        "quarantined" => typed(plain).map(Custody::Quarantined),
        "quarantine-lifted" => typed(plain).map(Custody::Lifted),
        "incident-noted" => typed(plain).map(Custody::Incident),
        "sent-out" => typed(plain).map(Custody::SentOut),
        "came-back" => typed(plain).map(Custody::CameBack),
        "contact-tried" => typed(plain).map(Custody::ContactTried),
        "hold-set" => typed(plain).map(Custody::HoldSet),
        "hold-lifted" => typed(plain).map(Custody::HoldLifted),
        _ => return None,
    })
}

/// The rules that need neither the state nor the kind.
///
/// # Errors
/// The pointer and a sentence.
pub fn well_formed(body: &Custody) -> Result<(), BodyError> {
    let long = |pointer: &str, text: &str| short(pointer, Some(text), 400);
    let wall = |pointer: &str, at: &Option<String>| {
        need(pointer, at.as_deref().is_none_or(is_wall_time), "a day and a time as on the wall clock, 2026-11-25T14:05")
    };
    let amount = |pointer: &str, value: &Option<Value>| {
        need(pointer, value.as_ref().is_none_or(money), "an amount and its currency stand here")
    };
    match body {
        Custody::OpenedUp(_) => Ok(()),
        Custody::Finding(b) => {
            let inside = |at: u32, size: Option<u32>| at.saturating_add(size.unwrap_or(0)) <= 10_000;
            need("/w", b.w.is_some() == b.h.is_some(), "a box has a width and a height, a point has neither")?;
            need("/w", b.w != Some(0) && b.h != Some(0), "a box has a size")?;
            need("/x", inside(b.x, b.w) && inside(b.y, b.h), "a pin stands inside its photo")?;
            short("/part", Some(&b.part), 80)?;
            short("/text", b.text.as_deref(), 1000)
        }
        Custody::FindingWithdrawn(b) => long("/because", &b.because),
        Custody::WordsHeard(b) => {
            one_of("/how", &b.how, &CHANNELS)?;
            wall("/at", &b.at)?;
            need("/text", b.text.is_some(), "the words themselves are needed here")
        }
        Custody::PriceTold(b) => {
            one_of("/how", &b.how, &CHANNELS)?;
            need("/amount", money(&b.amount), "an amount and its currency stand here")?;
            long("/what", &b.what)
        }
        Custody::Approval(b) => {
            one_of("/answer", &b.answer, &["yes", "no", "no answer"])?;
            one_of("/how", &b.how, &CHANNELS)?;
            wall("/at", &Some(b.at.clone()))?;
            amount("/added", &b.added)?;
            amount("/total", &b.total)?;
            need(
                "/total",
                (b.answer == "yes") == b.total.is_some(),
                "a yes says up to how much in all; only a yes does",
            )?;
            need("/who", b.answer == "no answer" || b.who.is_some(), "say who answered")?;
            need("/number", b.how != "by phone" || b.number.is_some(), "say which number was called")
        }
        Custody::Work(b) => {
            amount("/adds", &b.adds)?;
            long("/what", &b.what)
        }
        Custody::Quarantined(Quarantined { word, because }) | Custody::Lifted(Lifted { word, because }) => {
            one_of("/word", word, &QUARANTINE)?;
            short("/because", Some(because), 200)
        }
        Custody::Incident(b) => {
            one_of("/what", &b.what, &["loss", "damage", "theft", "something else"])?;
            one_of("/told", &b.told, &["told", "not reached", "not told yet"])?;
            wall("/told_at", &b.told_at)?;
            need("/told_at", (b.told == "told") == b.told_at.is_some(), "say when they were told, if they were")?;
            need("/photos", b.photos.len() <= 20, "at most 20 photos here")?;
            need("/note", b.note.is_some(), "say what happened")
        }
        Custody::SentOut(b) => {
            short("/what", Some(&b.what), 200)?;
            short("/to", Some(&b.to), 200)?;
            short("/reference", b.reference.as_deref(), 80)?;
            long("/because", &b.because)
        }
        Custody::CameBack(b) => short("/note", b.note.as_deref(), 400),
        Custody::OldPart(b) => {
            short("/what", Some(&b.what), 200)?;
            one_of("/fate", &b.fate, &["kept here", "thrown away"])?;
            let kept = b.fate == "kept here";
            need("/place", kept == b.place.is_some(), "say where it lies, if it is kept here")?;
            need("/word", !kept || b.word.is_none(), "only what is thrown away needs the customer's word")?;
            short("/place", b.place.as_deref(), 120)?;
            short("/word", b.word.as_deref(), 400)
        }
        Custody::ContactTried(b) => {
            one_of("/how", &b.how, &CHANNELS)?;
            one_of("/result", &b.result, &["reached", "message left", "no answer", "not theirs"])?;
            short("/about", Some(&b.about), 200)
        }
        Custody::HoldSet(HoldSet { because }) | Custody::HoldLifted(HoldLifted { because }) => {
            long("/because", because)
        }
    }
}

/// What custody adds to the state of an intake.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Kept {
    /// When covers came off first.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub opened_up: Option<Mark>,
    /// Findings, in the order they were first noted.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub findings: Vec<Said<Finding>>,
    /// What was said since, in order.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub heard: Vec<Said<WordsHeard>>,
    /// Prices told, in order: their versions.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub prices: Vec<Said<PriceTold>>,
    /// What was answered, in order.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub approvals: Vec<Said<Approval>>,
    /// Steps of the work, in order.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub work: Vec<Said<Work>>,
    /// What was taken out, in the order it was first noted.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub old_parts: Vec<Said<OldPart>>,
    /// What it is kept from now.
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    pub quarantine: BTreeMap<String, Said<Quarantined>>,
    /// What it was kept from and is not any more, in order.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub lifted: Vec<Said<Lifted>>,
    /// Incidents, in order.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub incidents: Vec<Said<Incident>>,
    /// What was sent out, in order.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub sent: Vec<Said<SentOut>>,
    /// What came back, by its sending.
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    pub back: BTreeMap<Uuid, Said<CameBack>>,
    /// Attempts to reach the customer, in order.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub contacts: Vec<Said<ContactTried>>,
    /// Why nothing may be deleted now.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub hold: Option<Said<HoldSet>>,
}

impl Kept {
    /// Whether nothing was said of it.
    pub fn is_empty(&self) -> bool {
        *self == Kept::default()
    }

    /// Applies one entry.
    pub(super) fn apply(&mut self, body: &Custody, mark: Mark) {
        match body {
            Custody::OpenedUp(_) => {
                self.opened_up.get_or_insert(mark);
            }
            Custody::Finding(b) => {
                let said = Said { what: b.clone(), mark };
                match self.findings.iter_mut().find(|f| f.what.finding == b.finding) {
                    Some(old) => *old = said,
                    None => self.findings.push(said),
                }
            }
            Custody::FindingWithdrawn(b) => self.findings.retain(|f| f.what.finding != b.finding),
            Custody::WordsHeard(b) => self.heard.push(Said { what: b.clone(), mark }),
            Custody::PriceTold(b) => self.prices.push(Said { what: b.clone(), mark }),
            Custody::Approval(b) => self.approvals.push(Said { what: b.clone(), mark }),
            Custody::Work(b) => self.work.push(Said { what: b.clone(), mark }),
            Custody::OldPart(b) => {
                let said = Said { what: b.clone(), mark };
                match self.old_parts.iter_mut().find(|p| p.what.old == b.old) {
                    Some(old) => *old = said,
                    None => self.old_parts.push(said),
                }
            }
            Custody::Quarantined(b) => {
                self.quarantine.insert(b.word.clone(), Said { what: b.clone(), mark });
            }
            Custody::Lifted(b) => {
                self.quarantine.remove(&b.word);
                self.lifted.push(Said { what: b.clone(), mark });
            }
            Custody::Incident(b) => self.incidents.push(Said { what: b.clone(), mark }),
            Custody::SentOut(b) => self.sent.push(Said { what: b.clone(), mark }),
            Custody::CameBack(b) => {
                self.back.insert(b.sent, Said { what: b.clone(), mark });
            }
            Custody::ContactTried(b) => self.contacts.push(Said { what: b.clone(), mark }),
            Custody::HoldSet(b) => self.hold = Some(Said { what: b.clone(), mark }),
            Custody::HoldLifted(_) => self.hold = None,
        }
    }
}

/// Up to how much the shop may go: the newest yes, else what was arranged at the counter. None: no limit was agreed.
pub fn limit(intake: &Intake) -> Option<&Value> {
    let yes =
        intake.custody.approvals.iter().rev().find_map(|a| a.what.total.as_ref().filter(|_| a.what.answer == "yes"));
    yes.or_else(|| intake.arrangements.get("limit").map(|l| &l.what.value).filter(|v| v.is_object()))
}

/// What the steps add up to in this currency's smallest unit, and whether all of them are in it.
fn spent(intake: &Intake, currency: &Value, next: Option<&Value>) -> Option<u64> {
    let mut sum = 0u64;
    for adds in intake.custody.work.iter().filter_map(|w| w.what.adds.as_ref()).chain(next) {
        if adds.get("currency") != Some(currency) {
            return None;
        }
        sum = sum.saturating_add(adds.get("minor").and_then(Value::as_u64).unwrap_or(0));
    }
    Some(sum)
}

/// Judges a command about custody.
///
/// # Errors
/// The refusal.
pub(super) fn decide(kind: &Kind, intake: &Intake, author: &Author<'_>, body: &Custody) -> Result<(), Refusal> {
    let kept = &intake.custody;
    let photo = |pointer: &str, id: Uuid| {
        let there = intake.photo(id).is_some_and(|p| p.gone().is_none());
        known(there, pointer, "a photo that is named belongs to the same intake and is said to be taken first")
    };
    match body {
        Custody::OpenedUp(_) => {
            let gaps = check::check_facts(kind, intake, Mode::Server).gaps;
            let due: Vec<_> = gaps.into_iter().filter(|g| g.due == Due::BeforeOpening).collect();
            if due.is_empty() { Ok(()) } else { Err(Refusal::Gaps(due)) }
        }
        Custody::Finding(b) => {
            known(kind.condition(&b.word).is_some(), "/word", "this is not a word of the condition vocabulary")?;
            known(kept.findings.len() < 200, "/finding", "an intake holds at most 200 findings")?;
            photo("/photo", b.photo)
        }
        Custody::FindingWithdrawn(b) => {
            known(kept.findings.iter().any(|f| f.what.finding == b.finding), "/finding", "there is no such finding")
        }
        Custody::Approval(b) => {
            let told = b.price.is_none_or(|p| kept.prices.iter().any(|x| x.what.price == p));
            known(told, "/price", "there is no such price")
        }
        Custody::Work(b) => {
            if kept.opened_up.is_none() {
                return Err(Refusal::Refused(Sentence::plain("refused.not-opened-up")));
            }
            let (Some(limit), Some(adds)) = (limit(intake), &b.adds) else { return Ok(()) };
            let most = limit.get("minor").and_then(Value::as_u64).unwrap_or(0);
            let sum = limit.get("currency").and_then(|c| spent(intake, c, Some(adds)));
            match sum {
                Some(sum) if sum <= most => Ok(()),
                _ => Err(Refusal::Refused(Sentence::plain("refused.over-limit"))),
            }
        }
        Custody::OldPart(b) => {
            let more = kept.old_parts.iter().any(|p| p.what.old == b.old) || kept.old_parts.len() < 200;
            known(more, "/old", "an intake holds at most 200 old parts")?;
            let let_go =
                b.word.is_some() || intake.arrangements.get("old_parts").is_some_and(|a| a.what.value == "dispose");
            if b.fate == "thrown away" && !let_go {
                return Err(Refusal::Refused(Sentence::plain("refused.old-part-word")));
            }
            Ok(())
        }
        Custody::Lifted(b) => known(kept.quarantine.contains_key(&b.word), "/word", "it is not kept from this"),
        Custody::Incident(b) => b.photos.iter().try_for_each(|p| photo("/photos", *p)),
        Custody::CameBack(b) => {
            let out = kept.sent.iter().any(|s| s.what.sent == b.sent) && !kept.back.contains_key(&b.sent);
            known(out, "/sent", "nothing is out under this number")
        }
        Custody::HoldSet(_) | Custody::HoldLifted(_) if !author.owner => {
            Err(Refusal::MayNot(Sentence::plain("refused.owner-holds")))
        }
        Custody::HoldLifted(_) => known(kept.hold.is_some(), "", "nothing is held"),
        _ => Ok(()),
    }
}

/// Whether it may be said after the machine went home too.
pub(super) fn afterwards(body: &Custody) -> bool {
    matches!(
        body,
        Custody::WordsHeard(_)
            | Custody::ContactTried(_)
            | Custody::HoldSet(_)
            | Custody::HoldLifted(_)
            | Custody::Incident(_)
    )
}
