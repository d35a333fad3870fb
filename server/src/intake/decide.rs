//! Deciding: a command, judged against the state of its intake, gives its entry or a refusal. Pure.

use serde_json::{Map, Value, json};
use uuid::Uuid;

use evidence::digest::Digest;

use super::bench;
use super::body::{Body, BodyError, PhotoTaken};
use super::check::{self, Gap, Mode};
use super::custody;
use super::days;
use super::dispute;
use super::erasure;
use super::hand_back::{self, HandBack};
use super::keeping;
use super::kind::{Kind, number};
use super::part;
use super::redaction;
use super::state::{Intake, Mark, Standing};

/// A sentence: message key and what it names.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct Sentence {
    /// Message key.
    pub key: String,
    /// What the sentence names.
    pub with: Map<String, Value>,
}

impl Sentence {
    /// A sentence with nothing named.
    pub fn plain(key: &str) -> Sentence {
        Sentence { key: key.into(), with: Map::new() }
    }

    /// A sentence that names one thing.
    pub fn with(key: &str, name: &str, value: Value) -> Sentence {
        Sentence { key: key.into(), with: Map::from_iter([(name.to_owned(), value)]) }
    }
}

/// Why a command was refused.
#[derive(Clone, Debug, PartialEq)]
pub enum Refusal {
    /// The body breaks a rule of its type.
    NotValid(BodyError),
    /// A rule of the counter speaks against it.
    Refused(Sentence),
    /// The record is not complete.
    Gaps(Vec<Gap>),
    /// The intake has ended.
    Ended(Sentence),
    /// This caller may not do it.
    MayNot(Sentence),
    /// This caller may not leave this gap open.
    MayNotLeaveOpen(Sentence),
    /// No such intake.
    NoIntake,
    /// The intake holds entries this server does not understand.
    NotUnderstood,
    /// What it is about was erased.
    Erased(Sentence),
    /// The server said so before; said once is enough.
    SaidBefore,
}

impl From<BodyError> for Refusal {
    fn from(e: BodyError) -> Refusal {
        Refusal::NotValid(e)
    }
}

/// Who commands.
#[derive(Clone, Debug)]
pub struct Author<'a> {
    /// The staff member; absent for the server itself.
    pub staff: Option<Uuid>,
    /// Patterns of gaps this author may leave open.
    pub may_leave_open: &'a [String],
    /// Whether the author may take in and record at the counter. Who may not stands at the bench: readings, service
    /// entries, and views and questions that are not due at the counter, once the machine is in care.
    pub counter: bool,
    /// Whether the author is the owner, who alone erases.
    pub owner: bool,
}

/// Judges a command. `kind` is the kind pinned at opening (or to be pinned by this command).
///
/// # Errors
/// The refusal; nothing is written then.
pub fn decide(
    kind: &Kind,
    intake: &Intake,
    author: &Author<'_>,
    seen: Option<u64>,
    body: &Body,
) -> Result<Vec<Sentence>, Refusal> {
    if intake.not_understood > 0 {
        return Err(Refusal::NotUnderstood);
    }
    body.well_formed()?;
    let server = author.staff.is_none();
    let at_bench = matches!(intake.state, Standing::InCare | Standing::HandedBack) && bench::belongs(kind, body);
    if !server && !author.counter && !at_bench {
        return Err(Refusal::MayNot(Sentence::plain("refused.counter-only")));
    }
    standing(kind, intake, body)?;
    match body {
        Body::Opened(b) => known(b.kind_id == kind.id, "/kind_id", "the kind's own id stands here")?,
        Body::Answer(b) => {
            let question = kind.question(&b.question);
            known(question.is_some(), "/question", "this kind has no such question")?;
            let choice =
                b.choice.as_ref().is_none_or(|c| question.is_some_and(|q| q.choices.iter().any(|x| &x.id == c)));
            known(choice, "/choice", "this question has no such choice")?;
            let counted = question.is_some_and(|q| q.kind == "number");
            let number = !counted || b.text.as_ref().is_none_or(|t| number(t).is_some());
            known(number, "/text", "this question is answered with a number")?;
        }
        Body::Line(b) => {
            known(kind.parts.iter().any(|p| p.id == b.part), "/part", "this kind has no such part")?;
            known(kind.condition(&b.word).is_some(), "/word", "this is not a word of the condition vocabulary")?;
            let there = b.photos.iter().all(|p| intake.photo(*p).is_some());
            known(there, "/photos", "a photo of a line belongs to the same intake and is said to be taken first")?;
        }
        Body::LineWithdrawn(b) => {
            known(intake.lines.iter().any(|l| l.what.line == b.line), "/line", "there is no such line")?
        }
        Body::Safety(b) => {
            known(kind.safety.iter().any(|s| s.id == b.item), "/item", "this kind has no such safety device")?
        }
        Body::Accessory(b) => {
            known(kind.accessories.iter().any(|a| a.id == b.item), "/item", "this kind has no such accessory")?
        }
        Body::TagReplaced(b) => known(intake.tag() != Some(b.tag.as_str()), "/tag", "this tag hangs on it already")?,
        Body::PhotoTaken(b) => photo(kind, intake, b)?,
        Body::PhotoErased(b) => {
            if !server && !author.owner {
                return Err(Refusal::MayNot(Sentence::plain("refused.owner-erases")));
            }
            if intake.custody.hold.is_some() {
                return Err(Refusal::Refused(Sentence::plain("refused.held")));
            }
            // By a rule of the shop's: what has come up since it was listed keeps it.
            if b.because == erasure::WHY[1]
                && let Some(against) = keeping::against(intake)
            {
                return Err(Refusal::Refused(against));
            }
            days::there(intake, b.photo)?;
        }
        Body::PhotoMoved(b) => days::may_move(intake, b)?,
        Body::PhotoCame(b) => days::may_come(kind, intake, b)?,
        Body::ReadingNoted(b) => {
            let general = crate::reading::BENCH.iter().any(|(id, _)| *id == b.reading);
            known(general || kind.reading(&b.reading).is_some(), "/reading", "this kind has no such reading")?;
            let part = b.part.is_none_or(|p| intake.parts.card(p).is_some());
            known(part, "/part", "there is no such part here")?;
            theirs(intake, b.photo)?;
        }
        Body::ServiceNoted(b) => {
            known(kind.services.contains(&b.service), "/service", "this kind has no such service entry")?;
            theirs(intake, b.photo)?;
        }
        Body::PhotoReceived(b) if intake.photo(b.photo).is_some_and(|p| p.erased.is_some()) => {
            return Err(Refusal::Refused(Sentence::plain("refused.erased")));
        }
        Body::PhotoJudged(b) if intake.photo(b.photo).is_some_and(|p| p.erased.is_some()) => {
            return Err(Refusal::Refused(Sentence::plain("refused.erased")));
        }
        Body::PhotoReceived(b) if intake.photo(b.photo).is_some_and(|p| p.received.is_some()) => {
            return Err(Refusal::SaidBefore);
        }
        Body::FileReceived(b) if intake.erasures.iter().any(|e| e.what.files.contains(&b.file)) => {
            return Err(Refusal::Erased(Sentence::plain("refused.erased-customer")));
        }
        Body::PhotoRedacted(b) => redaction::decide(intake, b)?,
        Body::CustomerErased(b) => erasure::decide(intake, author, b)?,
        Body::Custody(b) => custody::decide(kind, intake, author, b)?,
        Body::HandBack(b) => {
            if !server && !author.counter && matches!(b.as_ref(), HandBack::ShownBack(_) | HandBack::HandedBack(_)) {
                return Err(Refusal::MayNot(Sentence::plain("refused.counter-only")));
            }
            hand_back::decide(kind, intake, b)?;
        }
        Body::Part(b) => part::decide(intake, b)?,
        Body::Dispute(b) => dispute::decide(kind, intake, author, b)?,
        Body::LeftOpen(b) => left_open(kind, intake, author, &b.gap)?,
        Body::Acknowledged(b) => {
            let sheet = super::sheet::as_acknowledged(kind, intake, b);
            if sheet.is_none_or(|s| s.digest() != b.sheet) {
                return Err(Refusal::Refused(Sentence::plain("refused.sheet-changed")));
            }
        }
        Body::TakenIn(_) => {
            let gaps = check::check(kind, intake, Mode::Server).at_counter();
            if !gaps.is_empty() {
                return Err(Refusal::Gaps(gaps));
            }
        }
        _ => {}
    }
    Ok(meanwhile(intake, author.staff, seen, body))
}

fn theirs(intake: &Intake, photo: Option<Uuid>) -> Result<(), Refusal> {
    let there = photo.is_none_or(|p| intake.photo(p).is_some());
    known(there, "/photo", "a photo that is named belongs to the same intake and is said to be taken first")
}

pub(super) fn known(there: bool, pointer: &str, sentence: &str) -> Result<(), Refusal> {
    if there {
        Ok(())
    } else {
        Err(Refusal::NotValid(BodyError { pointer: pointer.into(), sentence: sentence.into() }))
    }
}

/// What may still be written, by where the intake stands.
fn standing(kind: &Kind, intake: &Intake, body: &Body) -> Result<(), Refusal> {
    let opens = matches!(body, Body::Opened(_));
    let always = matches!(
        body,
        Body::PhotoReceived(_)
            | Body::PhotoJudged(_)
            | Body::FileReceived(_)
            | Body::PhotoErased(_)
            | Body::CustomerErased(_)
            | Body::PhotoRedacted(_)
            | Body::LinkMade(_)
            | Body::LinkRevoked(_)
    );
    let was_found = intake.opened.as_ref().is_some_and(|o| o.what.how == "found");
    if matches!(body, Body::FoundNoted(_) | Body::OwnerAnswered(_)) && !opens && intake.opened.is_some() && !was_found {
        return Err(Refusal::Refused(Sentence::plain("refused.not-found-outside")));
    }
    match intake.state {
        Standing::None if opens => Ok(()),
        Standing::None => Err(Refusal::NoIntake),
        Standing::Open | Standing::Found if opens => Err(Refusal::Refused(Sentence::plain("refused.opened-already"))),
        Standing::Open if matches!(body, Body::OwnerAnswered(_)) => {
            Err(Refusal::Refused(Sentence::plain("refused.owner-came")))
        }
        Standing::Open | Standing::Found | Standing::NotTakenIn if in_care_only(body) => {
            Err(Refusal::Refused(Sentence::plain("refused.not-in-care")))
        }
        Standing::Found if days::needs_owner(body) => Err(Refusal::Refused(Sentence::plain("refused.found"))),
        Standing::Open | Standing::Found => Ok(()),
        _ if always => Ok(()),
        Standing::InCare if bench::belongs(kind, body) => Ok(()),
        Standing::InCare => Err(Refusal::Ended(Sentence::plain("refused.in-care"))),
        Standing::HandedBack if afterwards(body) => Ok(()),
        Standing::HandedBack => Err(Refusal::Ended(Sentence::plain("refused.handed-back"))),
        Standing::NotTakenIn => Err(Refusal::Ended(Sentence::plain("refused.not-taken-in"))),
    }
}

/// Whether something can only be said of a machine that the shop has, or had.
fn in_care_only(body: &Body) -> bool {
    matches!(body, Body::Custody(_) | Body::HandBack(_) | Body::Part(_) | Body::Dispute(_))
}

/// Whether it may still be said once the machine went home: parts and disputes outlast it.
fn afterwards(body: &Body) -> bool {
    match body {
        Body::Part(_) | Body::Dispute(_) => true,
        Body::Custody(b) => custody::afterwards(b),
        _ => false,
    }
}

fn photo(kind: &Kind, intake: &Intake, b: &PhotoTaken) -> Result<(), Refusal> {
    if let Some(view) = &b.view {
        known(kind.view(view).is_some(), "/view", "this kind has no such view")?;
    }
    known(intake.photo(b.photo).is_none(), "/photo", "this photo was said to be taken before")?;
    known(intake.photos.len() < 400, "/photo", "an intake holds at most 400 photos")?;
    let other = intake.photos.iter().any(|p| p.taken.file == b.file && p.taken.size != b.size);
    known(!other, "/size", "the same bytes were said to have another size")
}

/// Whether a pattern list lets a gap through: `*` at the end matches any rest, a leading `!` takes back.
pub fn lets(patterns: &[String], gap: &str) -> bool {
    let hit = |p: &str| p.strip_suffix('*').map_or(p == gap, |head| gap.starts_with(head));
    patterns.iter().any(|p| !p.starts_with('!') && hit(p))
        && !patterns.iter().any(|p| p.strip_prefix('!').is_some_and(hit))
}

fn left_open(kind: &Kind, intake: &Intake, author: &Author<'_>, gap: &str) -> Result<(), Refusal> {
    if gap == "acknowledgement" {
        return Err(Refusal::MayNotLeaveOpen(Sentence::plain("refused.acknowledgement-left-open")));
    }
    if !lets(author.may_leave_open, gap) {
        let checked = check::check_facts(kind, intake, Mode::Server);
        let named = checked.gaps.into_iter().find(|g| g.gap == gap);
        let what = named
            .and_then(|g| ["view", "question", "reading"].iter().find_map(|n| g.with.get(*n)).cloned())
            .unwrap_or(json!(gap));
        return Err(Refusal::MayNotLeaveOpen(Sentence::with("refused.may-not-leave-open", "gap", what)));
    }
    // A gap that is not asked for now may be asked for later (a judgement may come): naming any known gap is fine.
    let list = match gap.split_once(':') {
        Some(("view", id)) => kind.view(id).is_some(),
        Some(("question", id)) => kind.question(id).is_some(),
        Some(("reading", id)) => kind.reading(id).is_some(),
        Some(("left-view", _)) => hand_back::names(kind, gap),
        Some(("line-photo", id)) => intake.lines.iter().any(|l| l.what.line.to_string() == id),
        Some(("machine", id)) => super::body::MACHINE_FIELDS.contains(&id),
        Some(("arrangement", id)) => super::body::ARRANGEMENTS.contains(&id),
        Some(("person", id)) => ["owner", "owner-contact", "bringer"].contains(&id),
        Some(("statement", id)) => id == "complaint",
        None => ["walk-round", "safety", "accessories"].contains(&gap),
        _ => false,
    };
    known(list, "/gap", "the check knows no such gap")
}

/// Two people on one field: both entries stay in the history; the later one's author is told.
pub fn meanwhile(intake: &Intake, author: Option<Uuid>, seen: Option<u64>, body: &Body) -> Vec<Sentence> {
    let mark: Option<(&Mark, &str)> = match body {
        Body::Machine(b) => intake.machine.get(&b.field).map(|s| (&s.mark, b.field.as_str())),
        Body::Person(b) => intake.people.get(&b.who).map(|s| (&s.mark, b.who.as_str())),
        Body::Statement(b) => intake.statements.get(&b.topic).map(|s| (&s.mark, b.topic.as_str())),
        Body::Answer(b) => intake.answers.get(&b.question).map(|s| (&s.mark, b.question.as_str())),
        Body::Line(b) => intake.lines.iter().find(|l| l.what.line == b.line).map(|l| (&l.mark, b.part.as_str())),
        Body::Safety(b) => intake.safety.get(&b.item).map(|s| (&s.mark, b.item.as_str())),
        Body::Accessory(b) => intake.accessories.get(&b.item).map(|s| (&s.mark, b.item.as_str())),
        Body::Arranged(b) => b.values.keys().find_map(|f| intake.arrangements.get(f).map(|s| (&s.mark, f.as_str()))),
        _ => None,
    };
    let Some((mark, field)) = mark else { return Vec::new() };
    let unseen = mark.index.is_some_and(|i| seen.is_none_or(|s| s < i));
    match (unseen, mark.by) {
        (true, Some(by)) if Some(by) != author => vec![Sentence {
            key: "told.changed-meanwhile".into(),
            with: Map::from_iter([("field".to_owned(), json!(field)), ("by".to_owned(), json!(by))]),
        }],
        _ => Vec::new(),
    }
}

/// The file digests an entry names, so that their bytes may be sent.
pub fn files_named(body: &Body) -> Vec<(Digest, u64, &'static str)> {
    match body {
        Body::PhotoTaken(b) => vec![(b.file, b.size, "photo")],
        Body::PhotoCame(b) => vec![(b.file, b.size, "photo")],
        Body::Acknowledged(b) => {
            let mut out = vec![(b.sheet, super::body::MAX_SIDE_FILE, "sheet")];
            out.extend(b.strokes.map(|s| (s, super::body::MAX_SIDE_FILE, "strokes")));
            out
        }
        Body::HandBack(b) => match b.as_ref() {
            HandBack::ShownBack(b) => {
                let mut out = vec![(b.sheet, super::body::MAX_SIDE_FILE, "sheet")];
                out.extend(b.strokes.map(|s| (s, super::body::MAX_SIDE_FILE, "strokes")));
                out
            }
            _ => Vec::new(),
        },
        _ => Vec::new(),
    }
}
