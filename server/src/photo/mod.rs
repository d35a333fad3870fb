//! From a picture's bytes to what the shop can say about it: its kind, its claims, whether it shows enough, its renditions.
//!
//! Pure: no clock, no disk, no network. Every input is hostile. Nothing here changes the original.

pub mod claims;
pub mod codes;
pub mod cover;
pub mod decode;
pub mod film;
pub mod flags;
mod heic;
mod heif;
mod jpeg;
pub mod judge;
pub mod kind;
pub mod layout;
pub mod rendition;
pub mod same;
pub mod sharpness;
#[cfg(test)]
mod synth;
mod tiff;
pub mod when;

use std::io::{self, Read, Seek};
use std::panic::{AssertUnwindSafe, catch_unwind};

use scale::Samples;

use claims::{Claims, Personal};
use codes::Code;
use decode::NoPicture;
use judge::{Judged, Reason, Verdict};
use kind::Kind;
use layout::Layout;
use rendition::{Pixels, Rendition};
use same::Look;

/// What became of a picture that is kept.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Outcome {
    /// What the bytes are.
    pub kind: Kind,
    /// What the file says of itself.
    pub claims: Claims,
    /// The part of it that is personal data.
    pub personal: Personal,
    /// Whether it shows enough.
    pub judged: Judged,
    /// What it looks like, to find the same picture again; nothing where it could not be looked at or shows too little.
    pub look: Option<Look>,
    /// Codes that were read in it.
    pub codes: Vec<Code>,
    /// `small` and `large`, or nothing where the picture could not be looked at.
    pub renditions: Vec<Rendition>,
}

/// What looking at the picture itself gave.
#[derive(Default)]
struct Seen {
    judged: Option<Judged>,
    look: Option<Look>,
    codes: Vec<Code>,
    renditions: Vec<Rendition>,
}

/// Why a file is not kept. Terminal: sending it again changes nothing.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Refused {
    /// Not a kind of picture that is kept.
    #[error("this is not a JPEG, PNG, WebP or HEIC picture")]
    Type,
    /// A film that is longer than the shop keeps.
    #[error("this film is longer than 30 seconds")]
    Long,
    /// It claims to be far larger than its bytes can hold.
    #[error("this file claims to be a far larger picture than it can hold")]
    Bomb,
}

/// Whether a file is kept, and as what: told from its bytes in one quick walk, before anything is decoded.
///
/// [`judge()`] refuses exactly what this refuses.
pub fn admit(bytes: &[u8]) -> Result<Kind, Refused> {
    let kind = kind::sniff(bytes).ok_or(Refused::Type)?;
    let layout = quietly(|| layout::read(kind, bytes)).unwrap_or_default();
    match decode::allowed(&layout, bytes.len()) {
        Err(NoPicture::Bomb) => Err(Refused::Bomb),
        _ => Ok(kind),
    }
}

/// Looks at a picture. Anything of a known kind is kept, however poor: only a refused type and a bomb are not.
///
/// Takes up to [`memory_needed`] bytes beside the file.
pub fn judge(bytes: &[u8]) -> Result<Outcome, Refused> {
    let kind = kind::sniff(bytes).ok_or(Refused::Type)?;
    let layout = quietly(|| layout::read(kind, bytes)).unwrap_or_default();
    let (claims, personal) =
        layout.exif.as_deref().and_then(|block| quietly(|| claims::read(block))).unwrap_or_default();
    let seen = match look(kind, &layout, bytes, claims.turn()) {
        Ok(seen) => seen,
        Err(NoPicture::Bomb) => return Err(Refused::Bomb),
        Err(NoPicture::TooLarge) => Seen::unseen(Verdict::NotJudged, "photo.too-large"),
        Err(NoPicture::Unreadable) if !layout.whole => Seen::unseen(Verdict::Poor, "photo.cut-off"),
        Err(NoPicture::Unreadable) if kind == Kind::Heic => Seen::unseen(Verdict::NotJudged, "photo.heic"),
        Err(NoPicture::Unreadable) => Seen::unseen(Verdict::Poor, "photo.unreadable"),
    };
    let mut judged = seen.judged.unwrap_or_else(|| Judged::start(Verdict::NotJudged, Vec::new()));
    if layout.width > 0 && layout.height > 0 {
        judged.measures.extend([("width", i64::from(layout.width)), ("height", i64::from(layout.height))]);
    }
    // What the container turned itself is not to be turned again.
    judged.measures.insert("turn", if kind == Kind::Heic { 1 } else { i64::from(claims.turn()) });
    judged.measures.insert("bytes_after", i64::try_from(layout.after).unwrap_or(i64::MAX));
    Ok(Outcome { kind, claims, personal, judged, look: seen.look, codes: seen.codes, renditions: seen.renditions })
}

/// Whether a film is kept, and as what.
///
/// # Errors
/// The source's.
pub fn admit_film(source: &mut (impl Read + Seek), len: u64) -> io::Result<Result<Kind, Refused>> {
    Ok(match film::read(source, len)? {
        None => Err(Refused::Type),
        Some(film) if film.duration_ms.is_some_and(|ms| ms > film::LONGEST_MS) => Err(Refused::Long),
        Some(film) => Ok(film.kind),
    })
}

/// What is said of a film. `None`: it is none.
///
/// # Errors
/// The source's.
pub fn judge_film(source: &mut (impl Read + Seek), len: u64) -> io::Result<Option<Outcome>> {
    Ok(film::read(source, len)?.map(|film| {
        let (judged, claims) = film::judged(&film);
        let (look, codes, renditions) = (None, Vec::new(), Vec::new());
        Outcome { kind: film.kind, claims, personal: Personal::default(), judged, look, codes, renditions }
    }))
}

/// The most bytes that [`judge()`] takes beside the file: ask for them before calling it.
pub fn memory_needed(bytes: &[u8]) -> u64 {
    let layout = kind::sniff(bytes).and_then(|kind| quietly(|| layout::read(kind, bytes)));
    layout.map_or(0, |layout| decode::memory_needed(&layout, bytes.len()))
}

/// The picture alone, upright, at most as large as the large rendition.
///
/// Takes up to [`memory_needed`] bytes beside the file.
///
/// # Errors
/// Why there is none.
pub fn upright(bytes: &[u8]) -> Result<Pixels, NoPicture> {
    let kind = kind::sniff(bytes).ok_or(NoPicture::Unreadable)?;
    let layout = quietly(|| layout::read(kind, bytes)).unwrap_or_default();
    decode::allowed(&layout, bytes.len())?;
    let claims = layout.exif.as_deref().and_then(|block| quietly(|| claims::read(block)));
    let turn = claims.map_or(1, |(claims, _)| claims.turn());
    let mut picture = decode::decode(kind, &layout, bytes)?;
    let turns = picture.turns.take().unwrap_or_else(|| vec![turn]);
    let large = quietly(|| rendition::shrink(picture)).flatten().ok_or(NoPicture::Unreadable)?;
    Ok(turns.iter().fold(large, |pixels, turn| rendition::upright(pixels, *turn)))
}

/// The picture part: limits, decoding, judgement, what it looks like, codes, renditions.
fn look(kind: Kind, layout: &Layout<'_>, bytes: &[u8], turn: u8) -> Result<Seen, NoPicture> {
    decode::allowed(layout, bytes.len())?;
    let mut picture = decode::decode(kind, layout, bytes)?;
    let (width, height, whole) = (picture.width, picture.height, picture.whole);
    let (profile, left_out) = (picture.profile.take(), picture.colours_left_out);
    let turns = picture.turns.take().unwrap_or_else(|| vec![turn]);
    let seen = quietly(|| {
        let large = rendition::shrink(picture)?;
        let grey = judge::grey(&large);
        let mut judged = judge::look(width, height, whole, &grey);
        if layout.moving {
            judged.reasons.push(Reason::new("photo.moving"));
        }
        if left_out {
            judged.reasons.push(Reason::new("photo.colours"));
        }
        // A reader of codes that gives up is no reason to have no picture.
        let codes = quietly(|| codes::read(grey)).unwrap_or_default();
        let large = turns.iter().fold(large, |pixels, turn| rendition::upright(pixels, *turn));
        let small = rendition::resized(&large, rendition::SMALL, Samples::Rgb);
        let small = small.as_ref().unwrap_or(&large);
        let renditions = rendition::renditions(&large, small, profile.as_deref())?;
        Some(Seen { judged: Some(judged), look: Look::of(&judge::grey(small)), codes, renditions })
    });
    seen.flatten().ok_or(NoPicture::Unreadable)
}

impl Seen {
    /// Nothing was seen, and why.
    fn unseen(verdict: Verdict, key: &str) -> Seen {
        Seen { judged: Some(Judged::start(verdict, vec![Reason::new(key)])), ..Seen::default() }
    }
}

/// Runs a step on hostile bytes; a panic in it is the same as no answer.
fn quietly<T>(step: impl FnOnce() -> T) -> Option<T> {
    catch_unwind(AssertUnwindSafe(step)).ok()
}

#[cfg(test)]
mod tests;
