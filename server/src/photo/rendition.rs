//! Smaller copies of a picture: upright, JPEG, and without a byte of the original's metadata.

use jpeg_encoder::{ColorType, Encoder};
use scale::{Samples, scale};

use super::decode::Picture;

/// Long side of the large rendition, in pixels.
pub const LARGE: u32 = 1600;

/// Long side of the small rendition, in pixels.
pub const SMALL: u32 = 320;

/// JPEG quality of both.
const QUALITY: u8 = 80;

/// A larger colour profile is left out: it would outweigh the picture.
const MAX_PROFILE: usize = 64 * 1024;

/// What a rendition is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Purpose {
    /// For lists: 320 px.
    Small,
    /// For looking at: 1600 px.
    Large,
}

impl Purpose {
    /// The word in entries and paths.
    pub fn word(self) -> &'static str {
        match self {
            Purpose::Small => "small",
            Purpose::Large => "large",
        }
    }
}

/// A copy made from an original; another file with its own digest.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Rendition {
    /// What it is for.
    pub purpose: Purpose,
    /// Pixels across, upright.
    pub width: u32,
    /// Lines, upright.
    pub height: u32,
    /// The JPEG file.
    pub bytes: Vec<u8>,
}

/// Pixels of one kind with their size: three bytes each, or one.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Pixels {
    /// Pixels across.
    pub width: u32,
    /// Lines.
    pub height: u32,
    /// The samples, lines without gaps.
    pub samples: Vec<u8>,
}

/// The picture at the size of the large rendition, not turned yet; the picture itself where it is no larger.
///
/// Takes the picture's memory: everything after works on this.
pub fn shrink(picture: Picture) -> Option<Pixels> {
    let whole = Pixels { width: picture.width, height: picture.height, samples: picture.rgb };
    resized(&whole, LARGE, Samples::Rgb).or(Some(whole))
}

/// The same at another long side; `None` where it is no larger already.
pub fn resized(from: &Pixels, long: u32, kind: Samples) -> Option<Pixels> {
    let side = from.width.max(from.height);
    if side <= long {
        return None;
    }
    let scaled =
        |n: u32| ((u64::from(n) * u64::from(long) * 2 + u64::from(side)) / (u64::from(side) * 2)).max(1) as u32;
    let (width, height) = (scaled(from.width), scaled(from.height));
    let samples = scale(&from.samples, kind, (from.width, from.height), (width, height))?;
    Some(Pixels { width, height, samples })
}

/// Both renditions. `large` is what [`shrink`] gave, turned upright, and `small` that at [`SMALL`].
///
/// `None` where an encoder gives up; a picture without a preview is still kept.
pub fn renditions(large: &Pixels, small: &Pixels, profile: Option<&[u8]>) -> Option<Vec<Rendition>> {
    Some(vec![encode(Purpose::Small, small, profile)?, encode(Purpose::Large, large, profile)?])
}

pub(crate) fn encode(purpose: Purpose, pixels: &Pixels, profile: Option<&[u8]>) -> Option<Rendition> {
    let (width, height) = (u16::try_from(pixels.width).ok()?, u16::try_from(pixels.height).ok()?);
    let mut bytes = Vec::with_capacity(pixels.samples.len() / 8);
    let mut encoder = Encoder::new(&mut bytes, QUALITY);
    if let Some(profile) = profile {
        encoder.add_icc_profile(profile).ok()?;
    }
    encoder.encode(&pixels.samples, width, height, ColorType::Rgb).ok()?;
    Some(Rendition { purpose, width: pixels.width, height: pixels.height, bytes })
}

/// Turns RGB pixels by an EXIF orientation (Exif 2.32, 4.6.4: which stored edge is the visual top and left).
pub fn upright(from: Pixels, turn: u8) -> Pixels {
    let (w, h) = (from.width as usize, from.height as usize);
    // Where the upright pixel (0, 0) is stored, and the stored steps to the right and down.
    let (start, right, down, swapped): (usize, isize, isize, bool) = match turn {
        2 => (w - 1, -1, w as isize, false),
        3 => (w * h - 1, -1, -(w as isize), false),
        4 => (w * (h - 1), 1, -(w as isize), false),
        5 => (0, w as isize, 1, true),
        6 => (w * (h - 1), -(w as isize), 1, true),
        7 => (w * h - 1, -(w as isize), -1, true),
        8 => (w - 1, w as isize, -1, true),
        _ => return from,
    };
    let (width, height) = if swapped { (h, w) } else { (w, h) };
    let (stored, _) = from.samples.as_chunks::<3>();
    let mut samples = Vec::with_capacity(from.samples.len());
    let mut line = start;
    for _ in 0..height {
        let mut at = line;
        for _ in 0..width {
            samples.extend(stored.get(at).copied().unwrap_or_default());
            at = at.wrapping_add_signed(right);
        }
        line = line.wrapping_add_signed(down);
    }
    let (width, height) = if swapped { (from.height, from.width) } else { (from.width, from.height) };
    Pixels { width, height, samples }
}

/// Whether a colour profile belongs into the renditions: kept and named rather than converted to sRGB, because that loses
/// nothing (a red housing on a wide-gamut phone stays the red that was recorded), costs no time, and every browser and
/// printer that shows the original's colours shows the copy's. It belongs there where it describes RGB values, is no larger than 64 KB, and is not
/// sRGB, which is what a picture without a profile is taken for (ICC.1 7.2: header of 128 bytes, then the tags).
///
/// The profile of a CMYK or grey original describes values that the decoder has already turned into RGB.
pub fn worth_keeping(profile: &[u8]) -> bool {
    let sound = profile.len() > 132
        && profile.len() <= MAX_PROFILE
        && profile[36..40] == *b"acsp"
        && profile[16..20] == *b"RGB "
        && profile.first_chunk().is_some_and(|n| u32::from_be_bytes(*n) as usize == profile.len());
    sound && !names_srgb(profile)
}

/// Whether a colour profile is left out of the renditions only for its size.
pub fn too_large(profile: &[u8]) -> bool {
    profile.len() > MAX_PROFILE && profile.get(16..20) == Some(b"RGB ") && !names_srgb(profile)
}

/// Whether the profile's description says sRGB, in ASCII or in UTF-16.
fn names_srgb(profile: &[u8]) -> bool {
    let number = |at: usize| Some(u32::from_be_bytes(*profile.get(at..)?.first_chunk()?) as usize);
    let tags = number(128).unwrap_or(0).min(100);
    let description = (0..tags).map(|n| 132 + 12 * n).find(|at| profile.get(*at..at + 4) == Some(b"desc"));
    let Some((from, len)) = description.and_then(|at| Some((number(at + 4)?, number(at + 8)?))) else { return false };
    let Some(text) = profile.get(from..from.saturating_add(len).min(profile.len())) else { return false };
    text.windows(4).any(|w| w == b"sRGB") || text.windows(8).any(|w| w == b"\0s\0R\0G\0B")
}

#[cfg(test)]
mod tests;
