//! From bytes to an RGB picture, under limits that are checked before anything is allocated.

use std::io::Cursor;
use std::panic::{AssertUnwindSafe, catch_unwind};

use image::codecs::png::PngDecoder;
use image::codecs::webp::WebPDecoder;
use image::{ColorType, ImageDecoder, ImageResult, Limits};
use zune_core::bytestream::ZCursor;
use zune_core::colorspace::ColorSpace;
use zune_core::options::DecoderOptions;
use zune_jpeg::JpegDecoder;

use super::kind::Kind;
use super::layout::Layout;
use super::{heic, rendition};

/// The longest side that is decoded, in pixels.
pub const MAX_SIDE: u32 = 12_000;

/// The most pixels that are decoded. Phones' full-resolution modes of 48 and 64 megapixels fit.
pub const MAX_PIXELS: u64 = 80_000_000;

/// The most bytes that a decoder may hold beside the RGB picture: coefficients of a progressive JPEG, four channels of a PNG.
pub const MAX_WORK: u64 = 320_000_000;

/// A picture over the limits that has at least one byte for so many pixels may be a photo (a flat grey JPEG comes to some
/// 150, a 200-megapixel photo to 20); one that has fewer is only a claim.
const BOMB: u64 = 64;

/// The most that a PNG's side chunks (profile, texts, one line) may take.
const MAX_SIDE_CHUNKS: u64 = 64 * 1024 * 1024;

/// A progressive JPEG has some ten scans; more only cost time.
const MAX_SCANS: usize = 64;

/// A decoded picture: three bytes a pixel, lines without gaps, not turned.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Picture {
    /// Pixels across.
    pub width: u32,
    /// Lines.
    pub height: u32,
    /// `width × height × 3` bytes.
    pub rgb: Vec<u8>,
    /// The colour profile of these RGB values, where it is one and not sRGB's own.
    pub profile: Option<Vec<u8>>,
    /// Whether the colours have a meaning that the copies cannot carry: a profile too large for them, or none that we know.
    pub colours_left_out: bool,
    /// EXIF orientations to be applied one after the other; where absent, the one in the EXIF claims counts.
    pub turns: Option<Vec<u8>>,
    /// How much of the file could be read.
    pub whole: Whole,
}

impl Picture {
    /// No picture yet, with the profile that its copies are to carry.
    fn with_profile(profile: Option<Vec<u8>>) -> Picture {
        let colours_left_out = profile.as_ref().is_some_and(|p| rendition::too_large(p));
        let profile = profile.filter(|p| rendition::worth_keeping(p));
        Picture { width: 0, height: 0, rgb: Vec::new(), profile, colours_left_out, turns: None, whole: Whole::Yes }
    }
}

/// Whether the file held the whole picture.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Whole {
    /// All of it.
    Yes,
    /// The file ends before the picture does; what is missing is grey.
    CutOff,
    /// The file reaches its end, but its data have an error; part of the picture may be wrong.
    Damaged,
}

/// Why there is no picture.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NoPicture {
    /// It claims far more than its bytes can hold. Terminal.
    Bomb,
    /// A photo, but larger than is decoded here. Kept, not judged.
    TooLarge,
    /// No decoder could make anything of it. Kept.
    Unreadable,
}

/// What the limits say of a layout.
pub fn allowed(layout: &Layout<'_>, len: usize) -> Result<(), NoPicture> {
    let (w, h) = (u64::from(layout.width), u64::from(layout.height));
    let pixels = w * h;
    if pixels == 0 {
        return Err(NoPicture::Unreadable);
    }
    let work = pixels.saturating_mul(layout.work_per_16) / 16;
    let large = w.max(h) > u64::from(MAX_SIDE) || pixels > MAX_PIXELS || work.saturating_add(layout.work) > MAX_WORK;
    match large {
        false => Ok(()),
        true if pixels / BOMB > len as u64 => Err(NoPicture::Bomb),
        true => Err(NoPicture::TooLarge),
    }
}

/// The bytes that judging the picture may take beside the file itself: to be had before decoding.
///
/// An upper bound by the claimed size, rounded up generously; 0 where nothing will be decoded.
pub fn memory_needed(layout: &Layout<'_>, len: usize) -> u64 {
    if allowed(layout, len).is_err() {
        return 0;
    }
    let (w, h) = (u64::from(layout.width), u64::from(layout.height));
    let picture = w * h * 3;
    let work = w * h * layout.work_per_16 / 16 + layout.work;
    // The decoder's lines, one band of blocks for each component, upsampled.
    let lines = w * 512;
    // Half-way through the resizing: new width, old height.
    let resizing = u64::from(rendition::LARGE).min(w) * h * 3;
    // The data without their end mark.
    let copy = len as u64;
    picture + (work + lines + copy).max(resizing) + 32 * 1024 * 1024
}

/// Decodes a picture of the given kind. The caller has checked [`allowed`].
///
/// A panic inside a decoder is an unreadable picture, nothing more.
pub fn decode(kind: Kind, layout: &Layout<'_>, bytes: &[u8]) -> Result<Picture, NoPicture> {
    let decoded = catch_unwind(AssertUnwindSafe(|| match kind {
        Kind::Jpeg => jpeg(layout, bytes),
        Kind::Png => {
            let mut limits = Limits::no_limits();
            limits.max_image_width = Some(MAX_SIDE);
            limits.max_image_height = Some(MAX_SIDE);
            limits.max_alloc = Some(MAX_SIDE_CHUNKS);
            other(layout, PngDecoder::with_limits(Cursor::new(bytes), limits))
        }
        Kind::Webp => other(layout, WebPDecoder::new(Cursor::new(bytes))),
        Kind::Heic => heic::decode(layout, bytes),
        Kind::Mp4 | Kind::QuickTime => None,
    }));
    decoded.ok().flatten().ok_or(NoPicture::Unreadable)
}

/// JPEG: once strictly, because only that tells a truncated file; then, if that failed, as far as it goes.
///
/// At an end mark the decoder makes up what is missing, strict or not. So where the picture comes in one scan it is given
/// the data without the end mark and whatever follows: then running out of them is an error.
fn jpeg(layout: &Layout<'_>, bytes: &[u8]) -> Option<Picture> {
    let one_scan = layout.whole && layout.work_per_16 == 0;
    let unended = one_scan.then(|| {
        let end = bytes.len().saturating_sub(usize::try_from(layout.after).unwrap_or(0) + 2);
        // The decoder reads some bytes ahead of what it needs.
        [&bytes[..end], &[0; 16]].concat()
    });
    match unended.and_then(|data| jpeg_from(layout, &data, true)) {
        Some(picture) => Some(picture),
        None => jpeg_from(layout, bytes, !one_scan).or_else(|| jpeg_from(layout, bytes, false)),
    }
}

/// One try at a JPEG; not strictly gives what there is, grey where nothing came.
fn jpeg_from(layout: &Layout<'_>, bytes: &[u8], strict: bool) -> Option<Picture> {
    let options = DecoderOptions::default()
        .set_max_width(MAX_SIDE as usize)
        .set_max_height(MAX_SIDE as usize)
        .jpeg_set_max_scans(MAX_SCANS)
        .jpeg_set_out_colorspace(ColorSpace::RGB)
        .set_strict_mode(false);
    let mut decoder = JpegDecoder::new_with_options(ZCursor::new(bytes), options);
    // Odd headers are no sign of a cut file: strict only from here on.
    decoder.decode_headers().ok()?;
    let (width, height) = decoder.dimensions()?;
    let (width, height) = (u32::try_from(width).ok()?, u32::try_from(height).ok()?);
    if (width, height) != (layout.width, layout.height) {
        return None;
    }
    decoder.set_options(options.set_strict_mode(strict));
    let mut rgb = vec![128; decoder.output_buffer_size()?];
    if decoder.decode_into(&mut rgb).is_err() && (strict || rgb.iter().all(|v| *v == 128)) {
        return None;
    }
    let whole = match (layout.whole, strict) {
        (false, _) => Whole::CutOff,
        (true, true) => Whole::Yes,
        (true, false) => Whole::Damaged,
    };
    let profile = decoder.icc_profile();
    Some(Picture { width, height, rgb, whole, ..Picture::with_profile(profile) })
}

/// PNG and WebP: all or nothing.
fn other<D: ImageDecoder>(layout: &Layout<'_>, decoder: ImageResult<D>) -> Option<Picture> {
    let mut decoder = decoder.ok()?;
    let (width, height) = decoder.dimensions();
    let colours = decoder.color_type();
    if width.max(height) > MAX_SIDE
        || u64::from(width) * u64::from(height) > MAX_PIXELS
        || decoder.total_bytes() > MAX_WORK
    {
        return None;
    }
    let profile = decoder.icc_profile().ok().flatten();
    let mut raw = vec![0; usize::try_from(decoder.total_bytes()).ok()?];
    decoder.read_image(&mut raw).ok()?;
    let whole = if layout.whole { Whole::Yes } else { Whole::CutOff };
    Some(Picture { width, height, rgb: to_rgb(colours, raw)?, whole, ..Picture::with_profile(profile) })
}

/// Eight bits, three channels; what shines through is white.
fn to_rgb(colours: ColorType, raw: Vec<u8>) -> Option<Vec<u8>> {
    // 16-bit samples are in the machine's byte order.
    let high = |pair: &[u8]| (u16::from_ne_bytes([pair[0], pair[1]]) >> 8) as u8;
    let on_white = |value: u8, alpha: u8| {
        let (v, a) = (u32::from(value), u32::from(alpha));
        ((v * a + 255 * (255 - a) + 127) / 255) as u8
    };
    let mut out = Vec::with_capacity(raw.len() / usize::from(colours.bytes_per_pixel()) * 3);
    match colours {
        ColorType::Rgb8 => return Some(raw),
        ColorType::L8 => raw.iter().for_each(|v| out.extend([*v; 3])),
        ColorType::La8 => raw.chunks_exact(2).for_each(|p| out.extend([on_white(p[0], p[1]); 3])),
        ColorType::Rgba8 => {
            raw.chunks_exact(4).for_each(|p| out.extend([0, 1, 2].map(|n| on_white(p[n], p[3]))));
        }
        ColorType::L16 => raw.chunks_exact(2).for_each(|p| out.extend([high(p); 3])),
        ColorType::La16 => {
            raw.chunks_exact(4).for_each(|p| out.extend([on_white(high(p), high(&p[2..])); 3]));
        }
        ColorType::Rgb16 => raw.chunks_exact(2).for_each(|p| out.push(high(p))),
        ColorType::Rgba16 => {
            raw.chunks_exact(8).for_each(|p| out.extend([0, 2, 4].map(|n| on_white(high(&p[n..]), high(&p[6..])))));
        }
        _ => return None,
    }
    Some(out)
}

#[cfg(test)]
mod tests;
