//! Boxes over a photo: what must not leave the shop is covered in a copy; the original stays as it was. A later redaction replaces
//! the one before; one without boxes takes it back. Pure.

use evidence::digest::Digest;
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use super::body::{BodyError, one_of};
use super::custody::entries;
use super::days;
use super::decide::{Refusal, Sentence, known};
use super::rules::need;
use super::state::{Intake, Photo};

/// Coordinates are ten thousandths of the upright picture's width and height.
pub const WHOLE: u32 = 10_000;
/// Most boxes on a photo.
pub const MOST: usize = 40;
/// Shortest side of a box, in ten thousandths: a slip of the finger is none.
pub const LEAST: u32 = 50;

entries! {
/** One box, in ten thousandths of the upright picture. */ Area {
    /** From the left. */ x: u32,
    /** From the top. */ y: u32,
    /** Width. */ w: u32,
    /** Height. */ h: u32,
}
/** A copy in which the boxes are filled. */ Covered {
    /** `small` or `large`. */ purpose: String,
    /** Digest of its bytes. */ file: Digest,
    /** Their number. */ size: u64,
    /** Pixels across. */ width: u32,
    /** Pixels down. */ height: u32,
}
/** Boxes were put over a photo, or taken off it. */ PhotoRedacted {
    /** The photo. */ photo: Uuid,
    /** Digest of the original. */ file: Digest,
    /** The boxes; none takes a redaction back. */ boxes: Vec<Area>,
    /** The copies made. */ renditions: Vec<Covered>,
    /** The staff member who drew them. */ by: Uuid,
}
}

/// The rules of boxes.
///
/// # Errors
/// The pointer and a sentence.
pub fn boxes(all: &[Area]) -> Result<(), BodyError> {
    need("/boxes", all.len() <= MOST, "at most 40 boxes on a photo")?;
    for (i, b) in all.iter().enumerate() {
        let inside =
            b.x.checked_add(b.w).is_some_and(|r| r <= WHOLE) && b.y.checked_add(b.h).is_some_and(|r| r <= WHOLE);
        need(&format!("/boxes/{i}"), inside, "a box lies inside its photo, in ten thousandths of it")?;
        need(&format!("/boxes/{i}"), b.w >= LEAST && b.h >= LEAST, "a box is at least half a hundredth wide and high")?;
    }
    Ok(())
}

/// The rules that need neither the state nor the kind.
///
/// # Errors
/// The pointer and a sentence.
pub(super) fn well_formed(b: &PhotoRedacted) -> Result<(), BodyError> {
    boxes(&b.boxes)?;
    need("/renditions", b.boxes.is_empty() == b.renditions.is_empty(), "boxes have copies, and no boxes none")?;
    need("/renditions", b.renditions.len() <= 2, "a small and a large copy")?;
    b.renditions.iter().try_for_each(|r| one_of("/renditions", &r.purpose, &["small", "large"]))
}

/// Judges a redaction: of a picture that is here.
///
/// # Errors
/// The refusal.
pub(super) fn decide(intake: &Intake, b: &PhotoRedacted) -> Result<(), Refusal> {
    days::there(intake, b.photo)?;
    let photo = intake.photo(b.photo);
    known(photo.is_some_and(|p| p.taken.file == b.file), "/file", "these are another photo's bytes")?;
    match photo.is_some_and(|p| p.received.is_some() && !p.taken.film) {
        true => Ok(()),
        false => Err(Refusal::Refused(Sentence::plain("refused.no-picture"))),
    }
}

/// The redaction that holds for a photo's bytes: of the photo itself, or of another one here with the same bytes.
pub fn of<'a>(intake: &'a Intake, photo: &Photo) -> Option<&'a PhotoRedacted> {
    let same = intake.photos.iter().filter(|p| p.taken.file == photo.taken.file);
    same.filter_map(|p| p.redacted.as_ref()).map(|r| &r.what).next_back()
}
