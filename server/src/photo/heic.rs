//! From a HEIC file to an RGB picture, tile by tile: a phone's picture is a grid of small ones, and only one of them is
//! ever held beside the whole.
//!
//! The decoder is told nothing that was not bounded before: how many bytes it may copy, how large each coded picture is.

use heic_decoder::bitreader::strip_emulation_prevention;
use heic_decoder::hevc::nal::{NAL_SPS, parse_nal_header};
use heic_decoder::hevc::params::{Sps, parse_sps};
use heic_decoder::isobmff::{self, ResolvedImage, Transform};
use heic_decoder::{ChromaSampling, ChromaUpsampling, ColorInfo, DecodedImage, Metadata, RgbOptions};

use super::decode::{MAX_PIXELS, Picture, Whole};
use super::layout::Layout;
use super::rendition;

/// The most pixels of one tile of a grid. Phones use 512 × 512; some cameras 1024 × 1024 and more.
const MAX_TILE: u64 = 2 * 1024 * 1024;

/// Bytes a pixel that decoding one coded picture takes: planes of four-byte samples, marks of what is decoded, RGB.
const WORK: u64 = 14;

/// How much larger than the picture its coded pictures may be together: tiles are whole, the picture's edge is not.
const MARGIN: u64 = 2;

/// Bytes that decoding takes for each 16 pixels of the picture beside its RGB: the planes of a single coded picture.
pub const WORK_PER_16: u64 = 16 * WORK;

/// Bytes that decoding a grid takes beside its RGB picture: one tile.
pub const TILE_WORK: u64 = MAX_TILE * WORK;

/// ITU-T H.273 colour primaries that are shown as they are: BT.709 (as sRGB) and "not said".
const PLAIN_PRIMARIES: [u16; 2] = [1, 2];

/// Decodes the main picture. `None`: the decoder cannot, or a bound speaks against it.
///
/// The container's turns are given along in `turns`, as EXIF orientations to be applied one after the other; EXIF's own
/// orientation means nothing here (ISO/IEC 23008-12 A.2.1). A clean aperture is not cut: more is shown, never less.
pub fn decode(layout: &Layout<'_>, bytes: &[u8]) -> Option<Picture> {
    let parsed = isobmff::parse(bytes).ok()?;
    let first = sps(parsed.images.first()?)?;
    // A picture that is predicted from another one is left to other programs.
    if parsed.reference_image.is_some() {
        return None;
    }
    let (width, height, columns) = match parsed.grid {
        Some(grid) => (grid.output_width, grid.output_height, grid.columns as usize),
        None => {
            let [left, right, top, bottom] = first.conformance_window;
            let width = first.pic_width_in_luma_samples.checked_sub(left.checked_add(right)?)?;
            (width, first.pic_height_in_luma_samples.checked_sub(top.checked_add(bottom)?)?, 1)
        }
    };
    let pixels = u64::from(width) * u64::from(height);
    let announced = u64::from(layout.width) * u64::from(layout.height);
    if pixels == 0 || columns == 0 || pixels > announced.min(MAX_PIXELS) {
        return None;
    }
    let single = parsed.grid.is_none();
    let (mut sum, most) = (0u64, if single { pixels + pixels / 4 + 65_536 } else { MAX_TILE });
    for image in &parsed.images {
        let sps = sps(image)?;
        let coded = u64::from(sps.pic_width_in_luma_samples) * u64::from(sps.pic_height_in_luma_samples);
        sum = sum.checked_add(coded).filter(|sum| coded <= most && *sum <= MARGIN * pixels + MAX_TILE)?;
    }
    let container = parsed.metadata.color_info;
    let mut rgb = vec![255; usize::try_from(pixels * 3).ok()?];
    let (mut place, mut colours) = (Place { width, height, columns, tile: None }, container);
    for (n, image) in parsed.images.iter().enumerate() {
        let (tile, said) = tile(image, container)?;
        colours = colours.or(said);
        place.put(&mut rgb, n, &tile)?;
    }
    let profile = parsed.metadata.icc_profile;
    let unnamed = profile.is_none() && colours.is_some_and(|c| !PLAIN_PRIMARIES.contains(&c.color_primaries));
    let left_out = unnamed || profile.as_ref().is_some_and(|p| rendition::too_large(p));
    Some(Picture {
        width,
        height,
        rgb,
        profile: profile.filter(|p| rendition::worth_keeping(p)),
        colours_left_out: left_out,
        turns: Some(parsed.transforms.iter().filter_map(turn).collect()),
        whole: if layout.whole { Whole::Yes } else { Whole::CutOff },
    })
}

/// The first parameter set of a coded picture.
fn sps(image: &ResolvedImage) -> Option<Sps> {
    // The one that the decoder itself will take: the first of the base layer.
    let payload = image.hevc_config.nalus_of_type(NAL_SPS).find_map(|unit| {
        let (header, payload) = parse_nal_header(unit).ok()?;
        (header.nal_unit_type == NAL_SPS && header.nuh_layer_id == 0).then_some(payload)
    })?;
    parse_sps(&strip_emulation_prevention(payload)).ok()
}

/// One coded picture as RGB, and what colours its stream names.
fn tile(image: &ResolvedImage, container: Option<ColorInfo>) -> Option<(Tile, Option<ColorInfo>)> {
    let (sps, coded) = heic_decoder::decode_one_image(image).ok()?;
    let (cb_width, cb_height) = (coded.cb.width, coded.cb.height);
    let (sub_x, sub_y) = match sps.chroma_format_idc {
        1 => (2, 2),
        2 => (2, 1),
        _ => (1, 1),
    };
    let decoded = DecodedImage {
        alpha: None,
        width: sps.pic_width_in_luma_samples as usize,
        height: sps.pic_height_in_luma_samples as usize,
        bit_depth_luma: sps.bit_depth_luma,
        bit_depth_chroma: sps.bit_depth_chroma,
        chroma_format_idc: sps.chroma_format_idc,
        color_info: container.or(sps.color_info),
        chroma_sampling: ChromaSampling { sub_x, sub_y, origin_x: 0.0, origin_y: 0.0 },
        y: coded.y.into_samples(),
        cb: coded.cb.into_samples(),
        cr: coded.cr.into_samples(),
        cb_width,
        cb_height,
        metadata: Metadata::default(),
    };
    // The nearest colour sample: the copies are smaller than the picture, and half the work.
    let options = RgbOptions { color: None, upsampling: ChromaUpsampling::Nearest };
    let rgb = decoded.to_rgb8_with_options(&options).ok()?;
    let [left, right, top, bottom] = sps.conformance_window.map(|n| n as usize);
    Some((
        Tile {
            stride: decoded.width,
            left,
            top,
            width: decoded.width.checked_sub(left.checked_add(right)?)?,
            height: decoded.height.checked_sub(top.checked_add(bottom)?)?,
            rgb: rgb.data,
        },
        sps.color_info,
    ))
}

/// A decoded tile with the part of it that is shown.
struct Tile {
    stride: usize,
    left: usize,
    top: usize,
    width: usize,
    height: usize,
    rgb: Vec<u8>,
}

/// Where tiles go: row by row, from the left.
struct Place {
    width: u32,
    height: u32,
    columns: usize,
    /// The size of all tiles, which is that of the first.
    tile: Option<(usize, usize)>,
}

impl Place {
    fn put(&mut self, rgb: &mut [u8], n: usize, tile: &Tile) -> Option<()> {
        let (across, down) = *self.tile.get_or_insert((tile.width, tile.height));
        if (tile.width, tile.height) != (across, down) {
            return None;
        }
        let (x, y) = (n % self.columns * across, n / self.columns * down);
        let (width, height) = (self.width as usize, self.height as usize);
        let shown = across.min(width.saturating_sub(x));
        for line in 0..down.min(height.saturating_sub(y)) {
            let from = ((tile.top + line) * tile.stride + tile.left) * 3;
            let to = ((y + line) * width + x) * 3;
            rgb.get_mut(to..to + shown * 3)?.copy_from_slice(tile.rgb.get(from..from + shown * 3)?);
        }
        Some(())
    }
}

/// A turn of the container as an EXIF orientation (ISO/IEC 23008-12 6.5.10 and 6.5.12: `irot` anticlockwise, `imir`).
fn turn(transform: &Transform) -> Option<u8> {
    match transform {
        Transform::Rotate90Ccw(1) => Some(8),
        Transform::Rotate90Ccw(2) => Some(3),
        Transform::Rotate90Ccw(3) => Some(6),
        Transform::MirrorVertical => Some(4),
        Transform::MirrorHorizontal => Some(2),
        _ => None,
    }
}
