//! How sharp a picture is, by blurring it once more: a sharp edge loses much of its gradient, a soft one little.
//!
//! The strength of edges alone (variance of the Laplacian and the like) depends on the subject and the size; the share that
//! is lost does not. Measured apart for four directions of the gradient, the least of them shows a camera that moved.

/// The share of pixels, in per mille, that count as edges: the strongest.
const STRONGEST: usize = 20;

/// A gradient weaker than this (grey levels a pixel) is no edge but noise or shading.
const FLOOR: f32 = 4.0;

/// Fewer edge pixels than this per mille say nothing.
const TOO_FEW: usize = 2;

/// A direction with fewer edge pixels than this per ten thousand says nothing by itself.
const TOO_FEW_THAT_WAY: usize = 10;

/// Gradients are ranked in steps of a quarter of a grey level.
const STEPS: usize = 1024;

/// The Gaussian of σ 1.5 over eleven pixels, half of it from the middle outwards, sum of the whole 1.
const KERNEL: [f32; 6] = [0.266_011_7, 0.213_005_5, 0.109_360_69, 0.036_000_77, 0.007_598_76, 0.001_028_38];

/// What the blurring showed, in per mille of gradient lost.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Sharpness {
    /// Edge pixels, per mille of all; at most the strongest 2 %.
    pub edges: i64,
    /// Lost over all edges.
    pub all: i64,
    /// Lost in the direction that lost least.
    pub least: i64,
    /// Lost in the direction that lost most.
    pub most: i64,
}

/// Measures a grey picture, one byte a pixel, meant to be about 1024 px on its long side.
///
/// `None` where it has too few edges to say anything.
pub fn measure(width: usize, height: usize, grey: &[u8]) -> Option<Sharpness> {
    if width < 16 || height < 16 || grey.len() != width * height {
        return None;
    }
    let sharp: Vec<f32> = grey.iter().map(|v| f32::from(*v)).collect();
    let soft = blurred(width, height, &sharp);
    // The border has no gradient: one pixel for the difference.
    let mut edges = Vec::with_capacity(sharp.len());
    for y in 1..height - 1 {
        for x in 1..width - 1 {
            let (gx, gy) = gradient(&sharp, width, y * width + x);
            let strength = (gx * gx + gy * gy).sqrt();
            if strength >= FLOOR {
                edges.push(Edge { at: y * width + x, strength, way: way(gx, gy) });
            }
        }
    }
    let pixels = width * height;
    let mut all = lost(&edges, None, pixels * STRONGEST / 1000, &soft, width);
    if all.count * 1000 < pixels * TOO_FEW {
        return None;
    }
    // Never more than the share, for whoever reads the number.
    all.count = all.count.min(pixels * STRONGEST / 1000);
    let ways = (0..4)
        .map(|way| lost(&edges, Some(way), pixels * STRONGEST / 4000, &soft, width))
        .filter(|lost| lost.count * 10_000 >= pixels * TOO_FEW_THAT_WAY)
        .map(|lost| lost.per_mille);
    let (least, most) = ways.fold((all.per_mille, all.per_mille), |(least, most), n| (least.min(n), most.max(n)));
    Some(Sharpness { edges: (all.count * 1000 / pixels) as i64, all: all.per_mille, least, most })
}

/// A pixel that may be an edge.
struct Edge {
    at: usize,
    strength: f32,
    /// The gradient's direction: 0 across, 1 falling, 2 up and down, 3 rising.
    way: u8,
}

struct Lost {
    count: usize,
    per_mille: i64,
}

/// The share of gradient that the strongest `wanted` edges of one direction lost.
fn lost(edges: &[Edge], way: Option<u8>, wanted: usize, soft: &[f32], width: usize) -> Lost {
    let of_the_way = || edges.iter().filter(|e| way.is_none_or(|w| w == e.way));
    let mut ranks = [0usize; STEPS];
    let rank = |e: &Edge| ((e.strength * 4.0) as usize).min(STEPS - 1);
    of_the_way().for_each(|e| ranks[rank(e)] += 1);
    let mut count = 0;
    let mut from = STEPS;
    while from > 0 && count < wanted {
        from -= 1;
        count += ranks[from];
    }
    let (mut before, mut after) = (0.0f64, 0.0f64);
    for edge in of_the_way().filter(|e| rank(e) >= from) {
        let (gx, gy) = gradient(soft, width, edge.at);
        before += f64::from(edge.strength);
        after += f64::from((gx * gx + gy * gy).sqrt());
    }
    let share = if before > 0.0 { 1.0 - after / before } else { 0.0 };
    Lost { count, per_mille: (share * 1000.0).round() as i64 }
}

/// Central differences, grey levels a pixel.
fn gradient(plane: &[f32], width: usize, at: usize) -> (f32, f32) {
    ((plane[at + 1] - plane[at - 1]) / 2.0, (plane[at + width] - plane[at - width]) / 2.0)
}

/// The quarter of the half circle in which the gradient points.
fn way(gx: f32, gy: f32) -> u8 {
    /// tan 22.5°.
    const EIGHTH: f32 = 0.414_213_57;
    if gy.abs() <= EIGHTH * gx.abs() {
        0
    } else if gx.abs() <= EIGHTH * gy.abs() {
        2
    } else if gx * gy > 0.0 {
        1
    } else {
        3
    }
}

/// The plane blurred by [`KERNEL`] both ways, mirrored at the border without repeating it.
fn blurred(width: usize, height: usize, plane: &[f32]) -> Vec<f32> {
    const REACH: usize = KERNEL.len() - 1;
    let mut across = vec![0.0f32; plane.len()];
    let mut line = vec![0.0f32; width + 2 * REACH];
    for (from, to) in plane.chunks_exact(width).zip(across.chunks_exact_mut(width)) {
        line[REACH..REACH + width].copy_from_slice(from);
        for n in 1..=REACH {
            line[REACH - n] = from[n];
            line[REACH + width - 1 + n] = from[width - 1 - n];
        }
        for (x, out) in to.iter_mut().enumerate() {
            let window: &[f32] = &line[x..x + 2 * REACH + 1];
            *out = (1..=REACH)
                .fold(window[REACH] * KERNEL[0], |sum, n| sum + (window[REACH - n] + window[REACH + n]) * KERNEL[n]);
        }
    }
    let mut out = vec![0.0f32; plane.len()];
    let mirrored = |y: isize| {
        let last = height as isize - 1;
        (if y < 0 {
            -y
        } else if y > last {
            2 * last - y
        } else {
            y
        }) as usize
    };
    for (y, to) in out.chunks_exact_mut(width).enumerate() {
        let row = |n: isize| &across[mirrored(y as isize + n) * width..][..width];
        to.iter_mut().zip(row(0)).for_each(|(out, v)| *out = v * KERNEL[0]);
        for (n, weight) in (0..).zip(KERNEL).skip(1) {
            to.iter_mut().zip(row(-n).iter().zip(row(n))).for_each(|(out, (a, b))| *out += (a + b) * weight);
        }
    }
    out
}

#[cfg(test)]
mod tests;
