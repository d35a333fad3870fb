//! What a phone does to a scene: shadow, a tilt of the hand, the lens, the sensor, JPEG.

use jpeg_encoder::{ColorType, Encoder, SamplingFactor};
use tiny_skia::Pixmap;

use crate::canvas::MARGIN;
use crate::ground::{Ground, grime, swell};
use crate::{Flaw, HEIGHT, Seeded, WIDTH};

/// Shadows are cast at this fraction of the size.
const COARSE: usize = 8;

/// A picture of three bytes a pixel.
pub struct Picture {
    /// Pixels across.
    pub width: usize,
    /// Pixels down.
    pub height: usize,
    /// Red, green, blue.
    pub rgb: Vec<u8>,
}

/// Lays what is drawn on the ground, with its shadow and some grime.
pub fn lay(sheet: &Pixmap, ground: Ground, scale: f32, seed: u32) -> Picture {
    let (width, height) = (sheet.width() as usize, sheet.height() as usize);
    let (shade, across) = shadow(sheet);
    let mut rgb = vec![0u8; width * height * 3];
    // The ground changes slowly along a line: every second pixel is enough, and the lens softens it anyway.
    let (drawn, _) = sheet.data().as_chunks::<4>();
    for (y, (from, to)) in drawn.chunks_exact(width).zip(rgb.chunks_exact_mut(width * 3)).enumerate() {
        let uy = y as f32 / scale - MARGIN;
        let mut under = [0.0; 3];
        for (x, (p, out)) in from.iter().zip(to.as_chunks_mut::<3>().0).enumerate() {
            let ux = x as f32 / scale - MARGIN;
            let open = 1.0 - f32::from(p[3]) / 255.0;
            let mut dark = 0.0;
            if open > 0.0 {
                if x % 2 == 0 || p[3] > 0 {
                    under = ground.at(ux, uy, seed);
                }
                dark = shade_at(&shade, across, x, y);
            }
            let grime = if p[3] > 0 { 0.9 + 0.16 * grime(ux, uy, seed ^ 0x51) } else { 1.0 };
            for (c, out) in out.iter_mut().enumerate() {
                let below = under[c] * (1.0 - 0.62 * dark) * open;
                *out = (f32::from(p[c]) * grime + below).clamp(0.0, 255.0) as u8;
            }
        }
    }
    Picture { width, height, rgb }
}

/// The soft shadow of what is drawn, coarse, moved to the lower right.
fn shadow(sheet: &Pixmap) -> (Vec<f32>, usize) {
    let (width, height) = (sheet.width() as usize, sheet.height() as usize);
    let (across, down) = (width / COARSE + 1, height / COARSE + 1);
    let mut cast = vec![0.0f32; across * down];
    for y in 0..down {
        for x in 0..across {
            let (px, py) = ((x * COARSE).saturating_sub(14), (y * COARSE).saturating_sub(22));
            let at = (py.min(height - 1) * width + px.min(width - 1)) * 4 + 3;
            cast[y * across + x] = f32::from(sheet.data()[at]) / 255.0;
        }
    }
    for _ in 0..2 {
        cast = boxed(&cast, across, 1, 2);
        cast = boxed(&cast, across, across, 2);
    }
    (cast, across)
}

/// The mean over neighbours along one direction.
fn boxed(from: &[f32], across: usize, step: usize, reach: usize) -> Vec<f32> {
    (0..from.len())
        .map(|i| {
            let (mut sum, mut count) = (from[i], 1.0f32);
            for n in 1..=reach {
                let (back, on) = (i.checked_sub(n * step), i + n * step);
                let same = |j: usize| step > 1 || j / across == i / across;
                for j in back.into_iter().chain((on < from.len()).then_some(on)).filter(|j| same(*j)) {
                    sum += from[j];
                    count += 1.0;
                }
            }
            sum / count
        })
        .collect()
}

fn shade_at(shade: &[f32], across: usize, x: usize, y: usize) -> f32 {
    let (cx, cy) = (x / COARSE, y / COARSE);
    let (tx, ty) = ((x % COARSE) as f32 / COARSE as f32, (y % COARSE) as f32 / COARSE as f32);
    let at = |x: usize, y: usize| shade.get(y * across + x.min(across - 1)).copied().unwrap_or(0.0);
    let upper = at(cx, cy) * (1.0 - tx) + at(cx + 1, cy) * tx;
    let lower = at(cx, cy + 1) * (1.0 - tx) + at(cx + 1, cy + 1) * tx;
    upper * (1.0 - ty) + lower * ty
}

/// How the light falls.
#[derive(Clone, Copy, Debug)]
pub struct Light {
    /// How much brighter it is to the right and below.
    pub side: [f32; 2],
    /// Where windows and lamps make it uneven.
    pub patches: u32,
}

/// Uneven light is worked out once in so many pixels.
const PATCH: usize = 32;

/// Takes the picture: the scene seen a little askew, lit more from one side (right, below), through a lens, by a sensor.
pub fn take(scene: &Picture, scale: f32, flaw: Flaw, lit: Light, random: &mut Seeded) -> Vec<u8> {
    let soft = match flaw {
        Flaw::Blurred => blurred(scene, 9),
        _ => Picture { width: scene.width, height: scene.height, rgb: Vec::new() },
    };
    let scene = if soft.rgb.is_empty() { scene } else { &soft };
    let light = if flaw == Flaw::Dark { 0.09 } else { 0.97 + 0.08 * random.share() };
    let warm = (random.share() - 0.5) * 0.05;
    let m = tilt(scale, random);
    let (width, height) = (usize::from(WIDTH), usize::from(HEIGHT));
    let mut out = vec![0u8; width * height * 3];
    let (middle_x, middle_y) = (width as f32 / 2.0, height as f32 / 2.0);
    let far = 1.0 / (middle_x * middle_x + middle_y * middle_y);
    for (y, line) in out.chunks_exact_mut(width * 3).enumerate() {
        let fy = y as f32;
        let mut grain = random.number() | 1;
        let patches: Vec<f32> = (0..=width / PATCH + 1)
            .map(|n| 0.86 + 0.28 * swell((n * PATCH) as f32 / 260.0, fy / 190.0, lit.patches))
            .collect();
        for (x, pixel) in line.as_chunks_mut::<3>().0.iter_mut().enumerate() {
            let fx = x as f32;
            let depth = 1.0 / (m[6] * fx + m[7] * fy + 1.0);
            let at = ((m[0] * fx + m[1] * fy + m[2]) * depth, (m[3] * fx + m[4] * fy + m[5]) * depth);
            let seen = sampled(scene, at.0, at.1);
            let (dx, dy) = (fx - middle_x, fy - middle_y);
            let patch =
                patches[x / PATCH] + (patches[x / PATCH + 1] - patches[x / PATCH]) * (x % PATCH) as f32 / PATCH as f32;
            let falloff = 1.05 - 0.26 * (dx * dx + dy * dy) * far;
            let bright = light * patch * (falloff + lit.side[0] * dx / middle_x + (lit.side[1] - 0.05) * dy / middle_y);
            grain = grain.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            let byte = |n: u32| f32::from((grain >> n) as u8) / 255.0 - 0.5;
            let all = (byte(56) + byte(48)) * 3.6;
            for (c, (out, tint)) in pixel.iter_mut().zip([1.0 + warm, 1.0, 1.0 - warm]).enumerate() {
                *out = (seen[c] * bright * tint + all + byte(24 + 8 * c as u32) * 2.4).clamp(0.0, 255.0) as u8;
            }
        }
    }
    out
}

/// The scene's place for each pixel of the picture, as a homography: the four corners pulled a little.
fn tilt(scale: f32, random: &mut Seeded) -> [f32; 8] {
    let margin = MARGIN * scale;
    let (w, h) = (f32::from(WIDTH), f32::from(HEIGHT));
    let mut pull = |of: f32| (random.share() - 0.5) * of * margin;
    let lean = pull(1.0);
    let mut corner = |x: f32, y: f32, lean: f32| (x + margin + lean + pull(0.5), y + margin + pull(0.8));
    let corners = [corner(0.0, 0.0, lean), corner(w, 0.0, -lean), corner(w, h, 0.0), corner(0.0, h, 0.0)];
    square_to(corners, w, h)
}

/// The homography from the rectangle 0…w, 0…h to four corners (Heckbert, Fundamentals of Texture Mapping, 1989, 2.2.3).
fn square_to(c: [(f32, f32); 4], w: f32, h: f32) -> [f32; 8] {
    let (sx, sy) = (c[0].0 - c[1].0 + c[2].0 - c[3].0, c[0].1 - c[1].1 + c[2].1 - c[3].1);
    let (d1x, d1y) = (c[1].0 - c[2].0, c[1].1 - c[2].1);
    let (d2x, d2y) = (c[3].0 - c[2].0, c[3].1 - c[2].1);
    let whole = d1x * d2y - d2x * d1y;
    let g = (sx * d2y - d2x * sy) / whole;
    let k = (d1x * sy - sx * d1y) / whole;
    [
        (c[1].0 - c[0].0 + g * c[1].0) / w,
        (c[3].0 - c[0].0 + k * c[3].0) / h,
        c[0].0,
        (c[1].1 - c[0].1 + g * c[1].1) / w,
        (c[3].1 - c[0].1 + k * c[3].1) / h,
        c[0].1,
        g / w,
        k / h,
    ]
}

/// The scene between its pixels.
fn sampled(from: &Picture, x: f32, y: f32) -> [f32; 3] {
    let (x, y) = (x.clamp(0.0, from.width as f32 - 1.01), y.clamp(0.0, from.height as f32 - 1.01));
    let (ix, iy) = (x as usize, y as usize);
    let (tx, ty) = (x - ix as f32, y - iy as f32);
    let upper = (iy * from.width + ix) * 3;
    let lower = upper + from.width * 3;
    let (Some(a), Some(b)) = (from.rgb.get(upper..upper + 6), from.rgb.get(lower..lower + 6)) else { return [0.0; 3] };
    std::array::from_fn(|c| {
        let up = f32::from(a[c]) * (1.0 - tx) + f32::from(a[c + 3]) * tx;
        let down = f32::from(b[c]) * (1.0 - tx) + f32::from(b[c + 3]) * tx;
        up * (1.0 - ty) + down * ty
    })
}

/// The picture gone soft.
pub fn soften(rgb: Vec<u8>, reach: usize) -> Vec<u8> {
    blurred(&Picture { width: usize::from(WIDTH), height: usize::from(HEIGHT), rgb }, reach).rgb
}

/// A lens far out of focus: three means over `2 reach + 1` pixels, each way.
fn blurred(from: &Picture, reach: usize) -> Picture {
    let mut rgb = from.rgb.clone();
    for _ in 0..3 {
        for (step, count) in [(3, from.width), (from.width * 3, from.height)] {
            let lines = rgb.len() / 3 / count;
            let mut out = rgb.clone();
            for line in 0..lines {
                let start = if step == 3 { line * from.width * 3 } else { line * 3 };
                for c in 0..3 {
                    slide(&rgb, &mut out, start + c, step, count, reach);
                }
            }
            rgb = out;
        }
    }
    Picture { width: from.width, height: from.height, rgb }
}

fn slide(from: &[u8], to: &mut [u8], start: usize, step: usize, count: usize, reach: usize) {
    let at = |i: usize| u32::from(from[start + i.min(count - 1) * step]);
    let size = 2 * reach as u32 + 1;
    let mut sum = at(0) * (reach as u32 + 1) + (1..=reach).map(at).sum::<u32>();
    for i in 0..count {
        to[start + i * step] = (sum / size) as u8;
        sum = sum + at(i + reach + 1) - at(i.saturating_sub(reach));
    }
}

/// The picture as a JPEG with its EXIF block.
pub fn jpeg(rgb: &[u8], exif: &[u8]) -> Vec<u8> {
    let mut out = Vec::with_capacity(400_000);
    let mut encoder = Encoder::new(&mut out, 84);
    encoder.set_sampling_factor(SamplingFactor::F_2_2);
    let mut segment = b"Exif\0\0".to_vec();
    segment.extend(exif);
    // Neither fails: the block is short, the picture has as many bytes as its sides say, and a vector takes all.
    if encoder.add_app_segment(1, segment).is_err() || encoder.encode(rgb, WIDTH, HEIGHT, ColorType::Rgb).is_err() {
        return Vec::new();
    }
    out
}
