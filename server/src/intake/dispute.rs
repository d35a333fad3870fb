//! An open disagreement about an intake: the other side's words, each of their points beside the evidence that bears on it,
//! and how it ended. It informs and takes no side. Pure; the phone lays out the same in `server/web/core/dispute.js`.

use serde::{Deserialize, Serialize};
use serde_json::{Map, Value};
use uuid::Uuid;

use super::body::{BodyError, one_of, typed};
use super::custody::{CHANNELS, entries};
use super::decide::{Author, Refusal, Sentence, known};
use super::kind::Kind;
use super::rules::{need, short};
use super::state::{Intake, Mark, Said};

entries! {
/** A dispute is opened, with the other side's words. */ Opened {
    /** The dispute. */ dispute: Uuid,
    /** `customer`, `supplier` or `somebody else`. */ side: String,
    /** How they said it. */ how: String,
    /** Who heard or read it. */ heard_by: Uuid,
    /** Their words (personal). */ #[serde(default, skip_serializing_if = "Option::is_none")] text: Option<String>,
    /** Who (personal). */ #[serde(default, skip_serializing_if = "Option::is_none")] who: Option<String>,
}
/** One thing they say, and what it is about. */ Point {
    /** The dispute. */ dispute: Uuid,
    /** The point. */ point: Uuid,
    /** `view:<id>`, `part:<id>` of the kind, `accessory:<id>`, `suspect:<id>`, `money`, `time` or `other`. */ about: String,
    /** In their words (personal). */ #[serde(default, skip_serializing_if = "Option::is_none")] text: Option<String>,
}
/** How it ended. */ Ended {
    /** The dispute. */ dispute: Uuid,
    /** `agreed`, `not agreed`, `withdrawn` or `decided elsewhere`. */ outcome: String,
    /** What was agreed or decided (personal). */ #[serde(default, skip_serializing_if = "Option::is_none")] note: Option<String>,
}
}

/// An entry about a dispute.
#[derive(Clone, Debug, PartialEq)]
#[allow(missing_docs, reason = "each variant is documented at its type")]
pub enum Dispute {
    Opened(Opened),
    Point(Point),
    Ended(Ended),
}

/// Members that are personal.
pub fn personal(kind: &str) -> &'static [&'static str] {
    match kind {
        "dispute-opened" => &["text", "who"],
        "dispute-point" => &["text"],
        "dispute-ended" => &["note"],
        _ => &[],
    }
}

/// Parses a body of version 1; none when its type is not of this module.
pub fn parse(kind: &str, plain: Map<String, Value>) -> Option<Result<Dispute, BodyError>> {
    Some(match kind {
        "dispute-opened" => typed(plain).map(Dispute::Opened),
        "dispute-point" => typed(plain).map(Dispute::Point),
        "dispute-ended" => typed(plain).map(Dispute::Ended),
        _ => return None,
    })
}

/// The rules that need neither the state nor the kind.
///
/// # Errors
/// The pointer and a sentence.
pub fn well_formed(body: &Dispute) -> Result<(), BodyError> {
    match body {
        Dispute::Opened(b) => {
            one_of("/side", &b.side, &["customer", "supplier", "somebody else"])?;
            one_of("/how", &b.how, &CHANNELS)?;
            need("/text", b.text.is_some(), "their words are needed here")
        }
        Dispute::Point(b) => {
            short("/about", Some(&b.about), 120)?;
            need("/text", b.text.is_some(), "their words are needed here")
        }
        Dispute::Ended(b) => {
            one_of("/outcome", &b.outcome, &["agreed", "not agreed", "withdrawn", "decided elsewhere"])?;
            short("/note", b.note.as_deref(), 4000)
        }
    }
}

/// What disputes add to the state of an intake.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Disputes {
    /// Disputes, in order.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub opened: Vec<Said<Opened>>,
    /// Their points, in order.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub points: Vec<Said<Point>>,
    /// How they ended, in order.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub ended: Vec<Said<Ended>>,
}

impl Disputes {
    /// Whether nothing was said of any.
    pub fn is_empty(&self) -> bool {
        *self == Disputes::default()
    }

    /// Whether a dispute is open.
    pub fn open(&self, dispute: Uuid) -> bool {
        self.opened.iter().any(|d| d.what.dispute == dispute) && !self.ended.iter().any(|d| d.what.dispute == dispute)
    }

    /// Applies one entry.
    pub(super) fn apply(&mut self, body: &Dispute, mark: Mark) {
        match body {
            Dispute::Opened(b) => self.opened.push(Said { what: b.clone(), mark }),
            Dispute::Point(b) => self.points.push(Said { what: b.clone(), mark }),
            Dispute::Ended(b) => self.ended.push(Said { what: b.clone(), mark }),
        }
    }
}

/// Judges a command about a dispute.
///
/// # Errors
/// The refusal.
pub(super) fn decide(kind: &Kind, intake: &Intake, author: &Author<'_>, body: &Dispute) -> Result<(), Refusal> {
    let disputes = &intake.disputes;
    let open = |id: Uuid| known(disputes.open(id), "/dispute", "there is no such open dispute");
    match body {
        Dispute::Opened(b) => {
            let new = !disputes.opened.iter().any(|d| d.what.dispute == b.dispute);
            known(new, "/dispute", "this dispute was opened before")
        }
        Dispute::Point(b) => {
            open(b.dispute)?;
            let there = match b.about.split_once(':') {
                Some(("view", id)) => kind.view(id).is_some(),
                Some(("part", id)) => kind.parts.iter().any(|p| p.id == id),
                Some(("accessory", id)) => kind.accessories.iter().any(|a| a.id == id),
                Some(("suspect", id)) => id.parse::<Uuid>().is_ok_and(|id| intake.parts.card(id).is_some()),
                None => ["money", "time", "other"].contains(&b.about.as_str()),
                _ => false,
            };
            known(there, "/about", "this is about nothing that is recorded here")
        }
        Dispute::Ended(b) => {
            if !author.owner {
                return Err(Refusal::MayNot(Sentence::plain("refused.owner-ends")));
            }
            open(b.dispute)
        }
    }
}
