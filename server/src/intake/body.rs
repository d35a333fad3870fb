//! The bodies of the entries, version 1, as types. A body that does not parse is refused before anything is decided.

use std::collections::{BTreeMap, BTreeSet};

use evidence::digest::Digest;
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use serde_json::{Map, Value};
use uuid::Uuid;

use super::bench::{self, ReadingNoted, ServiceNoted};
use super::custody::{self, Custody};
use super::days::{self, FoundNoted, OwnerAnswered, PhotoCame, PhotoErased, PhotoMoved, TagReplaced, Written};
use super::dispute::{self, Dispute};
use super::erasure::{self, CustomerErased};
use super::hand_back::{self, HandBack};
use super::part::{self, Part};
use super::redaction::{self, PhotoRedacted};
use crate::photo::codes::Code;
use crate::photo::same::Look;

/// Longest ordinary text, in characters.
pub const MAX_TEXT: usize = 4_000;
/// Longest statement, in bytes.
pub const MAX_STATEMENT: usize = 16_000;
/// Largest photo, in bytes.
pub const MAX_PHOTO: u64 = 64 * 1024 * 1024;
/// Largest film, in bytes: 30 seconds at some 50 Mbit/s with room to spare, as phones record 4K (common practice, no source).
pub const MAX_FILM: u64 = 256 * 1024 * 1024;
/// Largest sheet or strokes file, in bytes.
pub const MAX_SIDE_FILE: u64 = 1024 * 1024;
/// The parts of the record one sentence may answer.
pub const BLOCKS: [&str; 4] = ["questions", "walk-round", "safety", "accessories"];
/// Why a question has no answer.
pub const NOT_ANSWERED: [&str; 3] = ["does not know", "refused", "not asked"];
/// How a safety device was found at the counter.
pub const SEEN: [&str; 4] = ["seen", "not with it", "not seen", "not tested here"];
/// When in the life of a machine a photo was taken.
pub const STAGES: [&str; 3] = ["received", "opened", "left"];
/// The short service entries.
pub const SERVICES: [&str; 3] = ["carburettor", "plug", "oil"];
/// The machine's fields.
pub const MACHINE_FIELDS: [&str; 4] = ["make", "model", "serial", "engine-numbers"];
/// Money, dates and terms, in the order they are asked for.
pub const ARRANGEMENTS: [&str; 8] =
    ["fee", "limit", "deposit", "diagnosis_by", "terms", "over_limit", "old_parts", "ready_by"];

/// Why a body was refused: where, and a sentence.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BodyError {
    /// JSON pointer below `/said/body`.
    pub pointer: String,
    /// What is wrong, in a sentence.
    pub sentence: String,
}

pub(super) fn wrong<T>(pointer: &str, sentence: impl Into<String>) -> Result<T, BodyError> {
    Err(BodyError { pointer: pointer.into(), sentence: sentence.into() })
}

macro_rules! body {
    ($(#[$doc:meta])* $name:ident { $($(#[$fdoc:meta])* $field:ident : $ty:ty),* $(,)? }) => {
        $(#[$doc])*
        #[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
        #[serde(deny_unknown_fields)]
        pub struct $name { $($(#[$fdoc])* pub $field: $ty),* }
    };
}

body!(/** An earlier intake this one goes back to. */ Earlier {
    /** The earlier intake. */ intake: Uuid,
    /** Its tag, as printed on its receipt. */ tag: String,
    /** `same machine`, `same customer` (another machine) or `after our repair`. */ again: String,
});
body!(/** The intake is opened: kind pinned, tag given. */ Opened {
    /** Digest of the kind's bytes. */ kind: Digest,
    /** The kind's identifier. */ kind_id: String,
    /** The numbered tag. */ tag: String,
    /** How: `at counter`, `found` (left outside hours) or `on paper` (written by hand, entered later). */ how: String,
    /** When and by whom it was written by hand. */ #[serde(default, skip_serializing_if = "Option::is_none")] written: Option<Written>,
    /** The earlier intake of this machine or customer, where it is known. */ #[serde(default, skip_serializing_if = "Option::is_none")] earlier: Option<Earlier>,
});
body!(/** One field of the machine: a value, or why there is none. */ Machine {
    /** `make`, `model`, `serial` or `engine-numbers`. */ field: String,
    /** What it says. */ #[serde(default, skip_serializing_if = "Option::is_none")] value: Option<String>,
    /** `no plate`, `not readable` or `not known`. */ #[serde(default, skip_serializing_if = "Option::is_none")] not: Option<String>,
    /** `typed`, `told`, `earlier intake`, or `code`: taken from a code on a photo. */ #[serde(default, skip_serializing_if = "Option::is_none")] from: Option<String>,
});
body!(/** A person's card; replaces the earlier card of the same person. */ Person {
    /** `owner` or `bringer`. */ who: String,
    /** The bringer is the owner. */ #[serde(default, skip_serializing_if = "std::ops::Not::not")] same_as_owner: bool,
    /** Of a bringer who is not the owner: `minor`, `not sure` (whether they may sign) or `sent by owner`. */ #[serde(default, skip_serializing_if = "Option::is_none")] standing: Option<String>,
    /** What the person does not have or give: `phone`, `email`. */ #[serde(default, skip_serializing_if = "Vec::is_empty")] none: Vec<String>,
    /** Name (personal). */ #[serde(default, skip_serializing_if = "Option::is_none")] name: Option<String>,
    /** Telephone (personal). */ #[serde(default, skip_serializing_if = "Option::is_none")] phone: Option<String>,
    /** Email (personal). */ #[serde(default, skip_serializing_if = "Option::is_none")] email: Option<String>,
    /** Address (personal). */ #[serde(default, skip_serializing_if = "Option::is_none")] address: Option<String>,
});
body!(/** What somebody said, verbatim. */ Statement {
    /** `complaint`. */ topic: String,
    /** Staff member who heard it. */ heard_by: Uuid,
    /** The words (personal). */ #[serde(default, skip_serializing_if = "Option::is_none")] text: Option<String>,
    /** Who said it (personal); the owner when absent. */ #[serde(default, skip_serializing_if = "Option::is_none")] speaker: Option<String>,
});
body!(/** The answer to one question of the kind. */ Answer {
    /** The question. */ question: String,
    /** A choice of the question. */ #[serde(default, skip_serializing_if = "Option::is_none")] choice: Option<String>,
    /** `does not know`, `refused` or `not asked`. */ #[serde(default, skip_serializing_if = "Option::is_none")] not: Option<String>,
    /** Why it was not asked. */ #[serde(default, skip_serializing_if = "Option::is_none")] because: Option<String>,
    /** Free words (personal). */ #[serde(default, skip_serializing_if = "Option::is_none")] text: Option<String>,
});
body!(/** A condition line: part, word, photos. The same line again replaces it. */ Line {
    /** The line. */ line: Uuid,
    /** The part. */ part: String,
    /** The condition word. */ word: String,
    /** Photos that show it. */ #[serde(default)] photos: Vec<Uuid>,
    /** A note (personal). */ #[serde(default, skip_serializing_if = "Option::is_none")] note: Option<String>,
});
body!(/** A condition line taken back; it stays in the log. */ LineWithdrawn {
    /** The line. */ line: Uuid,
    /** Why. */ because: String,
});
body!(/** One safety device as seen at the counter. */ Safety {
    /** The device. */ item: String,
    /** `seen`, `not with it`, `not seen` or `not tested here`. */ seen: String,
});
body!(/** One accessory. */ Accessory {
    /** The accessory. */ item: String,
    /** How many. */ count: u32,
    /** `kept here`, `handed back` or `not with it`. */ stays: String,
    /** A note (personal). */ #[serde(default, skip_serializing_if = "Option::is_none")] note: Option<String>,
});
body!(/** A block answered by a printed sentence. */ Block {
    /** `questions`, `walk-round`, `safety` or `accessories`. */ block: String,
    /** Message key of the sentence. */ sentence: String,
});
body!(/** Money, dates and terms as arranged; each member's latest wins. */ Arranged {
    /** The members. */ values: BTreeMap<String, Value>,
});
body!(/** The device says it took a photo. */ PhotoTaken {
    /** The photo. */ photo: Uuid,
    /** Digest of its bytes. */ file: Digest,
    /** Their number. */ size: u64,
    /** The view it is meant for. */ #[serde(default, skip_serializing_if = "Option::is_none")] view: Option<String>,
    /** `received`, `opened` or `left`. */ stage: String,
    /** It shows the sheet that was written by hand, not the machine. */ #[serde(default, skip_serializing_if = "std::ops::Not::not")] of_paper: bool,
    /** It is a film of at most 30 seconds, and fills no view. */ #[serde(default, skip_serializing_if = "std::ops::Not::not")] film: bool,
    /** The file's name on the device (personal). */ #[serde(default, skip_serializing_if = "Option::is_none")] file_name: Option<String>,
});
body!(/** The server holds the photo's bytes. */ PhotoReceived {
    /** The photo. */ photo: Uuid,
    /** Digest of its bytes. */ file: Digest,
    /** Their number. */ size: u64,
    /** Type by magic bytes. */ media_type: String,
});
body!(/** A smaller copy made from the original. */ Rendition {
    /** `small` or `large`. */ purpose: String,
    /** Digest of its bytes. */ file: Digest,
    /** Pixels across. */ width: u32,
    /** Pixels down. */ height: u32,
});
body!(/** Another photo that may be the same picture. */ Alike {
    /** The photo, of the same shop. */ photo: Uuid,
    /** Its intake. */ intake: Uuid,
    /** `same file` or `alike`. */ how: String,
    /** Bits of the look in which they differ, 0 to 10; none for the same file. */ #[serde(default, skip_serializing_if = "Option::is_none")] bits: Option<u32>,
});
body!(/** The server judged the photo. */ PhotoJudged {
    /** The photo. */ photo: Uuid,
    /** Digest of the original. */ file: Digest,
    /** Version of the algorithm. */ by: String,
    /** `usable`, `poor` or `not judged`. */ verdict: String,
    /** Sentences. */ reasons: Vec<Value>,
    /** Numbers, in per mille unless named otherwise. */ measures: BTreeMap<String, i64>,
    /** Time and camera claims, each apart. */ claims: Map<String, Value>,
    /** Copies made. */ renditions: Vec<Rendition>,
    /** What it looks like, upright. */ #[serde(default, skip_serializing_if = "Option::is_none")] look: Option<Look>,
    /** Photos that may be the same picture, at most eight. */ #[serde(default, skip_serializing_if = "Vec::is_empty")] alike: Vec<Alike>,
    /** Codes read in it: claims of whoever printed them. */ #[serde(default, skip_serializing_if = "Vec::is_empty")] codes: Vec<Code>,
    /** Sentences that inform; none speaks against the photo. */ #[serde(default, skip_serializing_if = "Vec::is_empty")] flags: Vec<Value>,
    /** Place (personal, never shown). */ #[serde(default, skip_serializing_if = "Option::is_none")] gps: Option<Value>,
    /** The camera's serial (personal). */ #[serde(default, skip_serializing_if = "Option::is_none")] body_serial: Option<String>,
    /** The picture's identifier (personal). */ #[serde(default, skip_serializing_if = "Option::is_none")] unique_id: Option<String>,
});
body!(/** The server holds a sheet or a signature's strokes. */ FileReceived {
    /** Digest of the bytes. */ file: Digest,
    /** Their number. */ size: u64,
    /** `sheet` or `strokes`. */ of: String,
});
body!(/** A gap let through by a named person with a reason. */ LeftOpen {
    /** The gap. */ gap: String,
    /** Why. */ reason: String,
});
body!(/** The customer was shown the sheet and signed, or did not. */ Acknowledged {
    /** `signed` or `not now`. */ how: String,
    /** Digest of the sheet. */ sheet: Digest,
    /** Digest of the strokes file of a signature. */ #[serde(default, skip_serializing_if = "Option::is_none")] strokes: Option<Digest>,
    /** Why there is no signature. */ #[serde(default, skip_serializing_if = "Option::is_none")] because: Option<String>,
    /** Language the sheet was shown in. */ language: String,
    /** Digest of that language's catalogue. */ words: Digest,
    /** Who read or translated it. */ #[serde(default, skip_serializing_if = "Option::is_none")] reader: Option<String>,
    /** Who signed (personal); the owner or bringer when absent. */ #[serde(default, skip_serializing_if = "Option::is_none")] signer: Option<String>,
});
body!(/** The shop takes the machine into its care. */ TakenIn {});
body!(/** The machine goes home from the counter. */ NotTakenIn {
    /** Why. */ because: String,
});
body!(/** The machine stands somewhere else now. */ Moved {
    /** The place. */ place: String,
});
body!(/** A share link was made. */ LinkMade {
    /** The link. */ link: Uuid,
    /** What it opens: `receipt`. */ what: String,
    /** Until when (RFC 3339, UTC). */ expires: String,
});
body!(/** A share link was revoked. */ LinkRevoked {
    /** The link. */ link: Uuid,
});

/// The body of an entry of an intake.
#[derive(Clone, Debug, PartialEq)]
#[allow(missing_docs, reason = "each variant is documented at its type")]
pub enum Body {
    Opened(Opened),
    Machine(Machine),
    Person(Person),
    Statement(Statement),
    Answer(Answer),
    Line(Line),
    LineWithdrawn(LineWithdrawn),
    Safety(Safety),
    Accessory(Accessory),
    Block(Block),
    Arranged(Arranged),
    PhotoTaken(PhotoTaken),
    PhotoReceived(PhotoReceived),
    PhotoJudged(Box<PhotoJudged>),
    FileReceived(FileReceived),
    LeftOpen(LeftOpen),
    Acknowledged(Acknowledged),
    TakenIn(TakenIn),
    NotTakenIn(NotTakenIn),
    Moved(Moved),
    TagReplaced(TagReplaced),
    FoundNoted(FoundNoted),
    OwnerAnswered(OwnerAnswered),
    PhotoMoved(PhotoMoved),
    PhotoCame(PhotoCame),
    PhotoErased(PhotoErased),
    ReadingNoted(Box<ReadingNoted>),
    ServiceNoted(ServiceNoted),
    Custody(Box<Custody>),
    HandBack(Box<HandBack>),
    Part(Box<Part>),
    Dispute(Box<Dispute>),
    CustomerErased(Box<CustomerErased>),
    PhotoRedacted(Box<PhotoRedacted>),
    LinkMade(LinkMade),
    LinkRevoked(LinkRevoked),
}

/// Members of a type that are personal: they stand in disclosures, never in the body itself.
pub fn personal_members(kind: &str) -> &'static [&'static str] {
    match kind {
        "person-named" => &["name", "phone", "email", "address"],
        "statement-made" => &["text", "speaker"],
        "question-answered" => &["text"],
        "condition-noted" | "accessory-noted" | "service-noted" | "found-noted" | "owner-answered" => &["note"],
        "photo-taken" => &["file_name"],
        "photo-judged" => &["gps", "body_serial", "unique_id"],
        "acknowledged" => &["signer"],
        "staff-changed" => &["name"],
        "device-paired" => &["label"],
        _ => [custody::personal, hand_back::personal, part::personal, dispute::personal]
            .iter()
            .map(|of| of(kind))
            .find(|names| !names.is_empty())
            .unwrap_or(&[]),
    }
}

impl Body {
    /// Parses the disclosed body of `(kind, v)`. `None`: this type or version is not known here.
    ///
    /// # Errors
    /// The pointer and a sentence when a member is missing, unknown, of the wrong type or out of bounds.
    pub fn parse(kind: &str, v: u32, body: &Map<String, Value>) -> Option<Result<Body, BodyError>> {
        // Older versions are upcast here, one arm a step; version 1 is the first.
        if v != 1 {
            return None;
        }
        let mut plain = body.clone();
        plain.remove("_sd");
        Some(match kind {
            "intake-opened" => typed(plain).map(Body::Opened),
            "machine-described" => typed(plain).map(Body::Machine),
            "person-named" => typed(plain).map(Body::Person),
            "statement-made" => typed(plain).map(Body::Statement),
            "question-answered" => typed(plain).map(Body::Answer),
            "condition-noted" => typed(plain).map(Body::Line),
            "condition-withdrawn" => typed(plain).map(Body::LineWithdrawn),
            "safety-noted" => typed(plain).map(Body::Safety),
            "accessory-noted" => typed(plain).map(Body::Accessory),
            "block-answered" => typed(plain).map(Body::Block),
            "arrangement-made" => typed(plain).map(Body::Arranged),
            "photo-taken" => typed(plain).map(Body::PhotoTaken),
            "photo-received" => as_stated(plain).map(Body::PhotoReceived),
            "photo-judged" => as_stated(plain).map(|b| Body::PhotoJudged(Box::new(b))),
            "file-received" => typed(plain).map(Body::FileReceived),
            "left-open" => typed(plain).map(Body::LeftOpen),
            "acknowledged" => typed(plain).map(Body::Acknowledged),
            "taken-in" => typed(plain).map(Body::TakenIn),
            "not-taken-in" => typed(plain).map(Body::NotTakenIn),
            "moved" => typed(plain).map(Body::Moved),
            "tag-replaced" => typed(plain).map(Body::TagReplaced),
            "found-noted" => typed(plain).map(Body::FoundNoted),
            "owner-answered" => typed(plain).map(Body::OwnerAnswered),
            "photo-moved" => typed(plain).map(Body::PhotoMoved),
            "photo-came" => typed(plain).map(Body::PhotoCame),
            "photo-erased" => typed(plain).map(Body::PhotoErased),
            "reading-noted" => typed(plain).map(|b| Body::ReadingNoted(Box::new(b))),
            "service-noted" => typed(plain).map(Body::ServiceNoted),
            "photo-redacted" => typed(plain).map(|b| Body::PhotoRedacted(Box::new(b))),
            "customer-erased" => typed(plain).map(|b| Body::CustomerErased(Box::new(b))),
            "link-made" => typed(plain).map(Body::LinkMade),
            "link-revoked" => typed(plain).map(Body::LinkRevoked),
            _ => return Self::parse_later(kind, plain),
        })
    }
}

impl Body {
    /// What is said once the shop has the machine: custody, going home, suspect parts, disputes.
    fn parse_later(kind: &str, plain: Map<String, Value>) -> Option<Result<Body, BodyError>> {
        if let Some(b) = custody::parse(kind, plain.clone()) {
            return Some(b.map(|b| Body::Custody(Box::new(b))));
        }
        if let Some(b) = hand_back::parse(kind, plain.clone()) {
            return Some(b.map(|b| Body::HandBack(Box::new(b))));
        }
        if let Some(b) = part::parse(kind, plain.clone()) {
            return Some(b.map(|b| Body::Part(Box::new(b))));
        }
        dispute::parse(kind, plain).map(|b| b.map(|b| Body::Dispute(Box::new(b))))
    }
}

/// Parses a body into its type and checks every text in it.
///
/// # Errors
/// The pointer and a sentence.
pub fn typed<T: DeserializeOwned>(body: Map<String, Value>) -> Result<T, BodyError> {
    for (key, value) in &body {
        texts(&format!("/{key}"), value)?;
    }
    as_stated(body)
}

/// A body the server itself stated: what a camera wrote stands in it as it was, blank or odd.
fn as_stated<T: DeserializeOwned>(body: Map<String, Value>) -> Result<T, BodyError> {
    serde_json::from_value(Value::Object(body))
        .map_err(|e| BodyError { pointer: String::new(), sentence: format!("this is not how it is written: {e}") })
}

fn texts(pointer: &str, value: &Value) -> Result<(), BodyError> {
    match value {
        Value::String(s) => {
            let limit = if pointer == "/text" { MAX_STATEMENT } else { MAX_TEXT };
            if s.trim().is_empty() {
                return wrong(pointer, "a text that is given may not be empty");
            }
            if s.len() > limit * if pointer == "/text" { 1 } else { 4 } || s.chars().count() > limit {
                return wrong(pointer, format!("a text may have at most {limit} characters here"));
            }
            if s.chars().any(|c| c.is_control() && c != '\n') {
                return wrong(pointer, "a text may have no control characters but line ends");
            }
            Ok(())
        }
        Value::Array(list) => list.iter().enumerate().try_for_each(|(i, v)| texts(&format!("{pointer}/{i}"), v)),
        Value::Object(map) => map.iter().try_for_each(|(k, v)| texts(&format!("{pointer}/{k}"), v)),
        _ => Ok(()),
    }
}

/// Whether a value is one of the words allowed.
///
/// # Errors
/// The pointer and a sentence that lists the words.
pub fn one_of(pointer: &str, value: &str, words: &[&str]) -> Result<(), BodyError> {
    if words.contains(&value) { Ok(()) } else { wrong(pointer, format!("this is one of: {}", words.join(", "))) }
}

impl Body {
    /// The rules of a body that need neither the state nor the kind. Run on commands only: what is in the log stands.
    ///
    /// # Errors
    /// The pointer and a sentence.
    pub fn well_formed(&self) -> Result<(), BodyError> {
        let need = |pointer: &str, there: bool, sentence: &str| {
            if there { Ok(()) } else { wrong::<()>(pointer, sentence) }
        };
        match self {
            Body::Opened(b) => {
                one_of("/how", &b.how, &["at counter", "found", "on paper"])?;
                days::written(b)?;
                need("/tag", is_tag(&b.tag), "a tag is up to 12 letters, digits and -")?;
                let Some(earlier) = &b.earlier else { return Ok(()) };
                one_of("/earlier/again", &earlier.again, &["same machine", "same customer", "after our repair"])?;
                need("/earlier/tag", is_tag(&earlier.tag), "a tag is up to 12 letters, digits and -")
            }
            Body::Machine(b) => {
                one_of("/field", &b.field, &MACHINE_FIELDS)?;
                if let Some(not) = &b.not {
                    one_of("/not", not, &["no plate", "not readable", "not known"])?;
                }
                if let Some(from) = &b.from {
                    one_of("/from", from, &["typed", "told", "earlier intake", "code"])?;
                }
                need("/value", b.value.is_some() != b.not.is_some(), "give a value, or say why there is none")?;
                need("/value", b.value.as_ref().is_none_or(|v| v.chars().count() <= 200), "at most 200 characters here")
            }
            Body::Person(b) => {
                one_of("/who", &b.who, &["owner", "bringer"])?;
                let known: BTreeSet<&str> = ["phone", "email"].into();
                need("/none", b.none.iter().all(|n| known.contains(n.as_str())), "this lists phone and email only")?;
                need(
                    "/same_as_owner",
                    !(b.same_as_owner && b.who == "owner"),
                    "only the bringer can be the same as the owner",
                )?;
                days::standing(b)?;
                need("/name", b.same_as_owner || b.name.is_some(), "a name is needed here")
            }
            Body::Statement(b) => {
                one_of("/topic", &b.topic, &["complaint"])?;
                need("/text", b.text.is_some(), "the words themselves are needed here")
            }
            Body::Answer(b) => {
                if let Some(not) = &b.not {
                    one_of("/not", not, &NOT_ANSWERED)?;
                }
                let given =
                    usize::from(b.choice.is_some()) + usize::from(b.not.is_some()) + usize::from(b.text.is_some());
                need("/choice", given == 1, "give one answer: a choice, words, or why there is none")
            }
            Body::Line(b) => need("/photos", b.photos.len() <= 20, "at most 20 photos a line"),
            Body::Safety(b) => one_of("/seen", &b.seen, &SEEN),
            Body::Accessory(b) => {
                one_of("/stays", &b.stays, &["kept here", "handed back", "not with it"])?;
                need("/count", b.count <= 999, "at most 999")
            }
            Body::Block(b) => {
                one_of("/block", &b.block, &BLOCKS)?;
                let prefix = format!("block.{}.", b.block);
                need(
                    "/sentence",
                    b.sentence.starts_with(&prefix) && b.sentence.len() <= 80,
                    "this sentence does not answer this block",
                )
            }
            Body::Arranged(b) => arranged(b),
            Body::PhotoTaken(b) => {
                one_of("/stage", &b.stage, &STAGES)?;
                need("/of_paper", !(b.of_paper && b.view.is_some()), "a photo of the paper is no view of the machine")?;
                need("/film", !(b.film && b.view.is_some()), "a film fills no view")?;
                need("/size", b.film || b.size <= MAX_PHOTO, "a photo has between 1 byte and 64 MB")?;
                need("/size", b.size > 0 && b.size <= MAX_FILM, "a film has between 1 byte and 256 MB")
            }
            Body::Acknowledged(b) => match b.how.as_str() {
                "signed" => need(
                    "/strokes",
                    b.strokes.is_some_and(|s| s != b.sheet) && b.because.is_none(),
                    "a signature needs its strokes and no reason",
                ),
                "not now" => {
                    need("/because", b.strokes.is_none() && b.because.is_some(), "say why it is not signed now")
                }
                _ => wrong("/how", "this is one of: signed, not now"),
            },
            Body::Moved(b) => need("/place", b.place.chars().count() <= 80, "at most 80 characters here"),
            Body::TagReplaced(b) => days::tag(b),
            Body::FoundNoted(b) => days::found(b),
            Body::OwnerAnswered(b) => days::answered(b),
            Body::PhotoMoved(b) => days::moved(b),
            Body::PhotoCame(b) => days::came(b),
            Body::PhotoErased(b) => days::erased(b),
            Body::ReadingNoted(b) => bench::reading(b),
            Body::ServiceNoted(b) => bench::service(b),
            Body::Custody(b) => custody::well_formed(b),
            Body::HandBack(b) => hand_back::well_formed(b),
            Body::Part(b) => part::well_formed(b),
            Body::Dispute(b) => dispute::well_formed(b),
            Body::CustomerErased(b) => erasure::well_formed(b),
            Body::PhotoRedacted(b) => redaction::well_formed(b),
            _ => Ok(()),
        }
    }
}

fn arranged(b: &Arranged) -> Result<(), BodyError> {
    if b.values.is_empty() {
        return wrong("/values", "nothing is arranged here");
    }
    for (field, value) in &b.values {
        let pointer = format!("/values/{field}");
        let word = value.as_str();
        let good = match field.as_str() {
            "fee" | "limit" | "deposit" => word == Some("none") || money(value),
            "over_limit" => matches!(word, Some("ask first" | "do not go over")),
            "old_parts" => matches!(word, Some("give back" | "dispose" | "keep for supplier")),
            "diagnosis_by" | "ready_by" => {
                word == Some("no promise")
                    || word.is_some_and(|w| w.parse::<jiff::civil::Date>().is_ok() && w.len() == 10)
            }
            "terms" => word.is_some_and(|w| w.parse::<Digest>().is_ok()),
            _ => return wrong(&pointer, format!("this is one of: {}", ARRANGEMENTS.join(", "))),
        };
        if !good {
            return wrong(&pointer, "this value is not understood");
        }
    }
    Ok(())
}

/// Whether a text can stand on a tag.
pub fn is_tag(text: &str) -> bool {
    (1..=12).contains(&text.len()) && text.chars().all(|c| c.is_ascii_alphanumeric() || c == '-')
}

/// Whether a value is money: `{"currency": ISO 4217 code, "minor": 0 or more of its smallest unit}`.
pub(super) fn money(value: &Value) -> bool {
    value.as_object().is_some_and(|m| {
        m.len() == 2
            && m.get("minor").and_then(Value::as_u64).is_some_and(|n| n <= 1_000_000_000_000)
            && m.get("currency")
                .and_then(Value::as_str)
                .is_some_and(|c| c.len() == 3 && c.chars().all(|c| c.is_ascii_uppercase()))
    })
}
