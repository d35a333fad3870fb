//! Pictures drawn for the tests: nothing here is a photo.

use exif::experimental::Writer;
use exif::{Field, In, Tag, Value};
use image::ImageEncoder;
use jpeg_encoder::{ColorType, Encoder};

use super::rendition::Pixels;

/// A scene with edges in all directions and a little grain, three bytes a pixel.
pub fn scene(width: u32, height: u32) -> Pixels {
    let mut state = 7u64;
    let mut samples = Vec::with_capacity((width * height * 3) as usize);
    for y in 0..height as i32 {
        for x in 0..width as i32 {
            let shade = 70 + x * 50 / width as i32 + y * 40 / height as i32;
            let block = if (x / 61 + y / 47) % 2 == 0 { 60 } else { 0 };
            let (dx, dy) = (x % 211 - 105, y % 211 - 105);
            let ring = if (40 * 40..60 * 60).contains(&(dx * dx + dy * dy)) { -70 } else { 0 };
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            let grain = ((state >> 40) & 7) as i32 - 4;
            samples.extend([0, -15, 12].map(|tint| (shade + block + ring + grain + tint).clamp(0, 255) as u8));
        }
    }
    Pixels { width, height, samples }
}

/// Every sample through a function.
pub fn changed(from: &Pixels, change: impl Fn(u8) -> u8) -> Pixels {
    Pixels { samples: from.samples.iter().map(|v| change(*v)).collect(), ..*from }
}

/// The mean over the given offsets, the border repeated.
pub fn smeared(from: &Pixels, offsets: &[(i32, i32)]) -> Pixels {
    let (w, h) = (from.width as i32, from.height as i32);
    let mut samples = Vec::with_capacity(from.samples.len());
    for y in 0..h {
        for x in 0..w {
            for channel in 0..3 {
                let sum: usize = offsets
                    .iter()
                    .map(|(dx, dy)| {
                        let at = (y + dy).clamp(0, h - 1) * w + (x + dx).clamp(0, w - 1);
                        usize::from(from.samples[at as usize * 3 + channel])
                    })
                    .sum();
                samples.push((sum / offsets.len()) as u8);
            }
        }
    }
    Pixels { samples, ..*from }
}

/// A Gaussian, as three box filters one after the other: σ² = 3 (n² − 1) / 12 for a box of n pixels.
pub fn blurred(from: &Pixels, box_of: i32) -> Pixels {
    let half = box_of / 2;
    let (across, down): (Vec<_>, Vec<_>) = (-half..=half).map(|n| ((n, 0), (0, n))).unzip();
    (0..3).fold(from.clone(), |p, _| smeared(&smeared(&p, &across), &down))
}

pub fn jpeg(pixels: &Pixels, set: impl FnOnce(&mut Encoder<&mut Vec<u8>>)) -> Vec<u8> {
    let mut out = Vec::new();
    let mut encoder = Encoder::new(&mut out, 90);
    set(&mut encoder);
    encoder.encode(&pixels.samples, pixels.width as u16, pixels.height as u16, ColorType::Rgb).unwrap();
    out
}

pub fn png(width: u32, height: u32, samples: &[u8], colours: image::ExtendedColorType) -> Vec<u8> {
    let mut out = Vec::new();
    image::codecs::png::PngEncoder::new(&mut out).write_image(samples, width, height, colours).unwrap();
    out
}

pub fn webp(pixels: &Pixels) -> Vec<u8> {
    let mut out = Vec::new();
    image::codecs::webp::WebPEncoder::new_lossless(&mut out)
        .write_image(&pixels.samples, pixels.width, pixels.height, image::ExtendedColorType::Rgb8)
        .unwrap();
    out
}

/// An EXIF block with these members.
pub fn exif(members: &[(Tag, Value)]) -> Vec<u8> {
    let fields: Vec<Field> =
        members.iter().map(|(tag, value)| Field { tag: *tag, ifd_num: In::PRIMARY, value: value.clone() }).collect();
    let mut writer = Writer::new();
    fields.iter().for_each(|f| writer.push_field(f));
    let mut out = std::io::Cursor::new(Vec::new());
    writer.write(&mut out, false).unwrap();
    out.into_inner()
}

pub fn text(of: &str) -> Value {
    Value::Ascii(vec![of.as_bytes().to_vec()])
}

/// A colour profile of `len` bytes with the given description and no use (ICC.1 7.2 and 7.3).
pub fn profile(space: &[u8; 4], description: &str, len: u32) -> Vec<u8> {
    let mut out = vec![0u8; len as usize];
    out[..4].copy_from_slice(&len.to_be_bytes());
    out[16..20].copy_from_slice(space);
    out[36..40].copy_from_slice(b"acsp");
    out[131] = 1;
    out[132..136].copy_from_slice(b"desc");
    out[136..140].copy_from_slice(&144u32.to_be_bytes());
    out[140..144].copy_from_slice(&(description.len() as u32).to_be_bytes());
    out[144..144 + description.len()].copy_from_slice(description.as_bytes());
    out
}
