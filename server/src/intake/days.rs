//! Days that go differently: a machine found outside hours, a tag that was lost, a photo on the wrong machine. What is said
//! then, and its rules. Pure.

use evidence::digest::Digest;
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use super::body::{Body, BodyError, Opened, Person, PhotoTaken, STAGES, is_tag, one_of};
use super::kind::Kind;
use super::rules::{is_wall_time, need};
use super::state::{Intake, Photo};

/// The machine has another tag now; the old one was lost and is never used again.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TagReplaced {
    /// The new tag.
    pub tag: String,
    /// Why.
    pub because: String,
}

/// What was written by hand before it was entered.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Written {
    /// When, on the wall clock there: `2026-11-25T14:05`. It has no zone and is given none.
    pub at: String,
    /// Who wrote it.
    pub by: String,
}

/// The rules of an opening about what was written by hand.
///
/// # Errors
/// The pointer and a sentence.
pub(super) fn written(b: &Opened) -> Result<(), BodyError> {
    let sentence = "what is entered from paper says when and by whom it was written, and nothing else does";
    need("/written", b.written.is_some() == (b.how == "on paper"), sentence)?;
    let Some(written) = &b.written else { return Ok(()) };
    need("/written/at", is_wall_time(&written.at), "a day and a time as on the wall clock, 2026-11-25T14:05")?;
    need("/written/by", written.by.chars().count() <= 200, "at most 200 characters here")
}

/// A machine was found: left outside hours, by nobody who could be asked.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FoundNoted {
    /// Where it stood.
    pub place: String,
    /// When it was seen, on the wall clock there: `2026-11-25T07:40`. It has no zone and is given none.
    pub seen_at: String,
    /// A note (personal).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
}

/// The owner of a found machine came, answered, or did not.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct OwnerAnswered {
    /// `came in`, `by phone`, `by message` or `no answer`.
    pub how: String,
    /// A note (personal).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
}

/// How an owner may answer. Silence is an answer about nothing: the machine stays found.
pub const ANSWERED: [&str; 4] = ["came in", "by phone", "by message", "no answer"];

/// A photo shows another machine: it belongs to that one's intake. Both intakes show it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PhotoMoved {
    /// The photo.
    pub photo: Uuid,
    /// The intake it belongs to.
    pub to: Uuid,
    /// Why.
    pub because: String,
}

/// A photo came from an intake it was moved away from.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PhotoCame {
    /// The photo.
    pub photo: Uuid,
    /// The intake it was taken for.
    pub from: Uuid,
    /// Digest of its bytes.
    pub file: Digest,
    /// Their number.
    pub size: u64,
    /// `received`, `opened` or `left`.
    pub stage: String,
    /// The view it shows here.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub view: Option<String>,
}

/// A photo was erased: its bytes leave the disk. What was signed stays visible as signed.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PhotoErased {
    /// The photo.
    pub photo: Uuid,
    /// Why.
    pub because: String,
}

impl PhotoCame {
    /// The photo as if it had been taken for this intake.
    pub fn taken(&self) -> PhotoTaken {
        let PhotoCame { photo, file, size, stage, view, .. } = self.clone();
        PhotoTaken { photo, file, size, view, stage, of_paper: false, film: false, file_name: None }
    }
}

/// The rules of a moved photo that need neither the state nor the kind.
///
/// # Errors
/// The pointer and a sentence.
pub(super) fn moved(b: &PhotoMoved) -> Result<(), BodyError> {
    because(&b.because)
}

/// The rules of an erased photo that need neither the state nor the kind.
///
/// # Errors
/// The pointer and a sentence.
pub(super) fn erased(b: &PhotoErased) -> Result<(), BodyError> {
    because(&b.because)
}

/// The rules of a photo that came that need neither the state nor the kind.
///
/// # Errors
/// The pointer and a sentence.
pub(super) fn came(b: &PhotoCame) -> Result<(), BodyError> {
    one_of("/stage", &b.stage, &STAGES)
}

/// Whether a photo may be moved away from this intake.
///
/// # Errors
/// The pointer and a sentence.
pub(super) fn may_move(intake: &Intake, b: &PhotoMoved) -> Result<(), BodyError> {
    need("/to", b.to != intake.whose.intake, "it is on this machine already")?;
    there(intake, b.photo)
}

/// Whether a photo may come to this intake: one that is here is not brought again.
///
/// # Errors
/// The pointer and a sentence.
pub(super) fn may_come(kind: &Kind, intake: &Intake, b: &PhotoCame) -> Result<(), BodyError> {
    let view = b.view.as_deref().is_none_or(|v| kind.view(v).is_some());
    need("/view", view, "this kind has no such view")?;
    need("/photo", intake.photo(b.photo).is_none_or(|p| p.moved.is_some()), "this photo is here already")?;
    need("/photo", intake.photos.len() < 400, "an intake holds at most 400 photos")
}

/// Whether this photo was moved away to that intake: what a photo that comes has to match.
pub fn was_moved(source: &Intake, to: Uuid, b: &PhotoCame) -> bool {
    let same = |p: &Photo| {
        p.moved.as_ref().is_some_and(|m| m.what.to == to) && p.taken.file == b.file && p.taken.size == b.size
    };
    source.photo(b.photo).is_some_and(same)
}

/// Whether a photo is here: not moved away, not erased.
///
/// # Errors
/// The pointer and a sentence.
pub(super) fn there(intake: &Intake, photo: Uuid) -> Result<(), BodyError> {
    let photo = intake.photo(photo);
    need("/photo", photo.is_some(), "there is no such photo here")?;
    need("/photo", photo.is_some_and(|p| p.moved.is_none()), "this photo was moved away before")?;
    need("/photo", photo.is_some_and(|p| p.erased.is_none()), "this photo was erased before")
}

/// The rules of a find that need neither the state nor the kind.
///
/// # Errors
/// The pointer and a sentence.
pub(super) fn found(b: &FoundNoted) -> Result<(), BodyError> {
    need("/place", b.place.chars().count() <= 200, "at most 200 characters here")?;
    need("/seen_at", is_wall_time(&b.seen_at), "a day and a time as on the wall clock, 2026-11-25T07:40")?;
    need("/note", b.note.as_ref().is_none_or(|n| n.chars().count() <= 1000), "at most 1000 characters here")
}

/// The rules of an owner's answer that need neither the state nor the kind.
///
/// # Errors
/// The pointer and a sentence.
pub(super) fn answered(b: &OwnerAnswered) -> Result<(), BodyError> {
    one_of("/how", &b.how, &ANSWERED)?;
    need("/note", b.note.as_ref().is_none_or(|n| n.chars().count() <= 1000), "at most 1000 characters here")
}

/// Whether something waits until the owner of a found machine is here: nobody can be shown a sheet, nothing can be agreed.
pub(super) fn needs_owner(body: &Body) -> bool {
    matches!(body, Body::TakenIn(_) | Body::Acknowledged(_) | Body::Arranged(_))
}

/// How somebody who brings another's machine stands to it.
const STANDING: [&str; 3] = ["minor", "not sure", "sent by owner"];

/// The rules of a bringer's standing.
///
/// # Errors
/// The pointer and a sentence.
pub(super) fn standing(b: &Person) -> Result<(), BodyError> {
    let Some(standing) = &b.standing else { return Ok(()) };
    one_of("/standing", standing, &STANDING)?;
    need("/standing", b.who == "bringer" && !b.same_as_owner, "only who brings another's machine has a standing")
}

/// The rules of a new tag that need neither the state nor the kind.
///
/// # Errors
/// The pointer and a sentence.
pub(super) fn tag(b: &TagReplaced) -> Result<(), BodyError> {
    need("/tag", is_tag(&b.tag), "a tag is up to 12 letters, digits and -")?;
    because(&b.because)
}

/// A reason is a few words.
fn because(text: &str) -> Result<(), BodyError> {
    need("/because", text.chars().count() <= 400, "at most 400 characters here")
}
