//! Pictures made up for tests: drawn from a seed, detailed enough to be judged sharp and well lit.

use jpeg_encoder::{ColorType, Encoder};

use crate::seeded::Seeded;

/// Width of a usual picture, pixels.
pub const WIDTH: u16 = 1280;
/// Its height.
pub const HEIGHT: u16 = 960;

/// A JPEG of the usual size that shows many hard edges in a middling light.
///
/// # Panics
/// Never, as long as the encoder takes RGB.
pub fn sharp(seed: u64) -> Vec<u8> {
    sharp_of(seed, WIDTH, HEIGHT)
}

/// The same of another size.
///
/// # Panics
/// When a side is 0.
pub fn sharp_of(seed: u64, width: u16, height: u16) -> Vec<u8> {
    jpeg(&drawn(&mut Seeded::new(seed), width, height), width, height)
}

/// The sharp one with a long bar across its middle that was not there.
///
/// # Panics
/// Never, as long as the encoder takes RGB.
pub fn marked(seed: u64) -> Vec<u8> {
    let mut pixels = drawn(&mut Seeded::new(seed), WIDTH, HEIGHT);
    for row in 470..484 {
        pixels[(row * usize::from(WIDTH) + 560) * 3..(row * usize::from(WIDTH) + 720) * 3].fill(10);
    }
    jpeg(&pixels, WIDTH, HEIGHT)
}

/// A black JPEG: received, kept, and too dark to be used.
///
/// # Panics
/// Never, as long as the encoder takes RGB.
pub fn dark(seed: u64) -> Vec<u8> {
    let mut random = Seeded::new(seed);
    let pixels: Vec<u8> =
        (0..usize::from(WIDTH) * usize::from(HEIGHT) * 3).map(|_| (random.number() & 3) as u8).collect();
    jpeg(&pixels, WIDTH, HEIGHT)
}

fn jpeg(rgb: &[u8], width: u16, height: u16) -> Vec<u8> {
    let mut out = Vec::new();
    Encoder::new(&mut out, 85).encode(rgb, width, height, ColorType::Rgb).expect("a JPEG");
    out
}

/// Rectangles over rectangles on a grey ground, each in a flat colour: edges in both directions and few bytes.
fn drawn(random: &mut Seeded, width: u16, height: u16) -> Vec<u8> {
    let (w, h) = (u64::from(width), u64::from(height));
    let mut pixels = vec![120u8; usize::from(width) * usize::from(height) * 3];
    for _ in 0..160 {
        let (x, y) = (random.below(w), random.below(h));
        let (right, bottom) = ((x + 12 + random.below(w / 6 + 1)).min(w), (y + 12 + random.below(h / 6 + 1)).min(h));
        let colour: [u8; 3] = std::array::from_fn(|_| 40 + u8::try_from(random.below(180)).unwrap_or(0));
        for row in y..bottom {
            let from = usize::try_from((row * w + x) * 3).unwrap_or(0);
            let to = usize::try_from((row * w + right) * 3).unwrap_or(0);
            for pixel in pixels[from..to].as_chunks_mut::<3>().0 {
                *pixel = colour;
            }
        }
    }
    pixels
}
