//! From a picture's bytes to what the shop can say about it: its kind, its claims, whether it shows enough, its renditions.
//!
//! Pure: no clock, no disk, no network. Every input is hostile. Nothing here changes the original.

pub mod claims;
pub mod decode;
mod heif;
mod jpeg;
pub mod judge;
pub mod kind;
pub mod layout;
pub mod rendition;
pub mod sharpness;
#[cfg(test)]
mod synth;
mod tiff;
pub mod when;

use std::panic::{AssertUnwindSafe, catch_unwind};

use claims::{Claims, Personal};
use decode::NoPicture;
use judge::{Judged, Reason, Verdict};
use kind::Kind;
use layout::Layout;
use rendition::Rendition;

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
    /// `small` and `large`, or nothing where the picture could not be looked at.
    pub renditions: Vec<Rendition>,
}

/// Why a file is not kept. Terminal: sending it again changes nothing.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Refused {
    /// Not a kind of picture that is kept.
    #[error("this is not a JPEG, PNG, WebP or HEIC picture")]
    Type,
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
    let turn = claims.turn();
    let (mut judged, renditions) = match look(kind, &layout, bytes, turn) {
        Ok(looked) => looked,
        Err(NoPicture::Bomb) => return Err(Refused::Bomb),
        Err(NoPicture::TooLarge) => (not_judged("photo.too-large"), Vec::new()),
        Err(NoPicture::Unreadable) if kind == Kind::Heic => (not_judged("photo.heic"), Vec::new()),
        Err(NoPicture::Unreadable) => {
            let why = if layout.whole { "photo.unreadable" } else { "photo.cut-off" };
            (Judged::start(Verdict::Poor, vec![Reason::new(why)]), Vec::new())
        }
    };
    if layout.width > 0 && layout.height > 0 {
        judged.measures.extend([("width", i64::from(layout.width)), ("height", i64::from(layout.height))]);
    }
    judged.measures.insert("turn", i64::from(turn));
    judged.measures.insert("bytes_after", i64::try_from(layout.after).unwrap_or(i64::MAX));
    Ok(Outcome { kind, claims, personal, judged, renditions })
}

/// The most bytes that [`judge()`] takes beside the file: ask for them before calling it.
pub fn memory_needed(bytes: &[u8]) -> u64 {
    let layout = kind::sniff(bytes).and_then(|kind| quietly(|| layout::read(kind, bytes)));
    layout.map_or(0, |layout| decode::memory_needed(&layout, bytes.len()))
}

/// The picture part: limits, decoding, judgement, renditions.
fn look(kind: Kind, layout: &Layout<'_>, bytes: &[u8], turn: u8) -> Result<(Judged, Vec<Rendition>), NoPicture> {
    decode::allowed(layout, bytes.len())?;
    let mut picture = decode::decode(kind, layout, bytes)?;
    let (width, height, whole) = (picture.width, picture.height, picture.whole);
    let profile = picture.profile.take();
    let looked = quietly(|| {
        let large = rendition::shrink(picture)?;
        let mut judged = judge::look(width, height, whole, &large);
        if layout.moving {
            judged.reasons.push(Reason::new("photo.moving"));
        }
        let renditions = rendition::renditions(large, turn, profile.as_deref())?;
        Some((judged, renditions))
    });
    looked.flatten().ok_or(NoPicture::Unreadable)
}

fn not_judged(key: &str) -> Judged {
    Judged::start(Verdict::NotJudged, vec![Reason::new(key)])
}

/// Runs a step on hostile bytes; a panic in it is the same as no answer.
fn quietly<T>(step: impl FnOnce() -> T) -> Option<T> {
    catch_unwind(AssertUnwindSafe(step)).ok()
}

#[cfg(test)]
mod tests;
