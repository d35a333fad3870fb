//! Points that can be found again: corners at several sizes, each with a description of its surroundings by directions of
//! its slopes (Lowe 2004), matched both ways.

use crate::plane::Plane;

/// Corners are kept per field of the picture, so that one busy corner does not take them all.
const FIELDS: usize = 12;
const LEVELS: usize = 6;
const STEP: f32 = std::f32::consts::FRAC_1_SQRT_2;
/// At most so many corners at the full size; each smaller level has `STEP` times as many.
const MOST: usize = 900;
/// The best match must be closer than this share of the second best (Lowe 2004, 7.1).
const RATIO: f32 = 0.82;

/// A corner and its description.
pub struct Feature {
    /// Across, in pixels of the full size.
    pub x: f32,
    /// Down.
    pub y: f32,
    description: [i16; 128],
}

/// Two places that look alike, the first in the one picture, the second in the other.
#[derive(Clone, Copy, Debug)]
pub struct Match {
    /// In the first picture.
    pub a: [f32; 2],
    /// In the second.
    pub b: [f32; 2],
}

/// The corners of a picture.
pub fn features(picture: &Plane) -> Vec<Feature> {
    let mut out = Vec::new();
    let mut factor = 1.0;
    let mut most = MOST as f32;
    for level in 0..LEVELS {
        let small = if level == 0 { picture.clone() } else { picture.smaller(factor) };
        if small.w < 48 || small.h < 48 {
            break;
        }
        let soft = small.blurred(1.0);
        let (gx, gy) = soft.slopes();
        for (x, y) in corners(&gx, &gy, most as usize) {
            for way in ways(&gx, &gy, x, y) {
                let full = |v: f32| (v + 0.5) / factor - 0.5;
                out.push(Feature { x: full(x), y: full(y), description: description(&gx, &gy, x, y, way) });
            }
        }
        factor *= STEP;
        most *= STEP;
    }
    out
}

/// Places where the picture changes in both directions (Shi and Tomasi 1994): the strongest of each field.
fn corners(gx: &Plane, gy: &Plane, most: usize) -> Vec<(f32, f32)> {
    let (w, h) = (gx.w, gx.h);
    let xx = gx.with(gx, |a, b| a * b).blurred(1.5);
    let yy = gy.with(gy, |a, b| a * b).blurred(1.5);
    let xy = gx.with(gy, |a, b| a * b).blurred(1.5);
    let strength = Plane::by(w, h, |x, y| {
        let i = y * w + x;
        let (half, apart) = ((xx.v[i] + yy.v[i]) / 2.0, (xx.v[i] - yy.v[i]) / 2.0);
        half - (apart * apart + xy.v[i] * xy.v[i]).sqrt()
    });
    // The description needs this much around it.
    const MARGIN: usize = 12;
    let each = (most / (FIELDS * FIELDS)).max(2) * 2;
    let mut fields: Vec<Vec<(f32, usize, usize)>> = vec![Vec::new(); FIELDS * FIELDS];
    for y in MARGIN..h.saturating_sub(MARGIN) {
        for x in MARGIN..w.saturating_sub(MARGIN) {
            let s = strength.v[y * w + x];
            if s < 0.5 {
                continue;
            }
            let (ix, iy) = (x as isize, y as isize);
            let top = (-1..=1).all(|j| (-1..=1).all(|i| (i, j) == (0, 0) || strength.at(ix + i, iy + j) < s));
            if top {
                fields[y * FIELDS / h * FIELDS + x * FIELDS / w].push((s, x, y));
            }
        }
    }
    let mut kept = Vec::new();
    for field in &mut fields {
        field.sort_by(|a, b| b.0.total_cmp(&a.0));
        kept.extend(field.iter().take(each).copied());
    }
    kept.sort_by(|a, b| b.0.total_cmp(&a.0));
    kept.truncate(most);
    kept.iter().map(|(_, x, y)| (*x as f32, *y as f32)).collect()
}

/// The main directions of the slopes around a place, in radians: one or two.
fn ways(gx: &Plane, gy: &Plane, x: f32, y: f32) -> Vec<f32> {
    const BINS: usize = 36;
    let mut bins = [0f32; BINS];
    for j in -8isize..=8 {
        for i in -8isize..=8 {
            let (px, py) = (x as isize + i, y as isize + j);
            let (dx, dy) = (gx.at(px, py), gy.at(px, py));
            let weight = (-((i * i + j * j) as f32) / (2.0 * 4.5 * 4.5)).exp();
            let bin = dy.atan2(dx).rem_euclid(std::f32::consts::TAU) / std::f32::consts::TAU * BINS as f32;
            bins[bin as usize % BINS] += weight * (dx * dx + dy * dy).sqrt();
        }
    }
    for _ in 0..2 {
        let old = bins;
        for n in 0..BINS {
            bins[n] = (old[(n + BINS - 1) % BINS] + old[n] + old[(n + 1) % BINS]) / 3.0;
        }
    }
    let greatest = bins.iter().copied().fold(0f32, f32::max);
    let mut found: Vec<(f32, f32)> = Vec::new();
    for n in 0..BINS {
        let (before, here, after) = (bins[(n + BINS - 1) % BINS], bins[n], bins[(n + 1) % BINS]);
        if here > before && here >= after && here >= 0.8 * greatest && here > 0.0 {
            let off = (before - after) / (2.0 * (before - 2.0 * here + after)).min(-1e-6);
            found.push((here, (n as f32 + 0.5 + off) / BINS as f32 * std::f32::consts::TAU));
        }
    }
    found.sort_by(|a, b| b.0.total_cmp(&a.0));
    found.iter().take(2).map(|(_, way)| *way).collect()
}

/// Sixteen fields around a place, turned by its direction, each a histogram of eight directions: of length 256, without
/// what one strong edge would outweigh.
fn description(gx: &Plane, gy: &Plane, x: f32, y: f32, way: f32) -> [i16; 128] {
    const APART: f32 = 1.2;
    let (sin, cos) = way.sin_cos();
    let mut sums = [0f32; 128];
    for j in 0..16 {
        for i in 0..16 {
            let (u, v) = ((i as f32 - 7.5) * APART, (j as f32 - 7.5) * APART);
            let (px, py) = (x + u * cos - v * sin, y + u * sin + v * cos);
            let (dx, dy) = (gx.sample(px, py), gy.sample(px, py));
            let weight = (-(u * u + v * v) / (2.0 * 81.0)).exp() * (dx * dx + dy * dy).sqrt();
            let turn = (dy.atan2(dx) - way).rem_euclid(std::f32::consts::TAU) / std::f32::consts::TAU * 8.0;
            let (low, part) = (turn.floor(), turn - turn.floor());
            let (fx, fy) = (i as f32 / 4.0 - 0.375, j as f32 / 4.0 - 0.375);
            for (cx, wx) in [(fx.floor(), 1.0 - (fx - fx.floor())), (fx.floor() + 1.0, fx - fx.floor())] {
                for (cy, wy) in [(fy.floor(), 1.0 - (fy - fy.floor())), (fy.floor() + 1.0, fy - fy.floor())] {
                    if (0.0..4.0).contains(&cx) && (0.0..4.0).contains(&cy) {
                        let field = (cy as usize * 4 + cx as usize) * 8;
                        sums[field + low as usize % 8] += weight * wx * wy * (1.0 - part);
                        sums[field + (low as usize + 1) % 8] += weight * wx * wy * part;
                    }
                }
            }
        }
    }
    for limit in [0.2, 1.0] {
        let length = sums.iter().map(|s| s * s).sum::<f32>().sqrt().max(1e-6);
        sums.iter_mut().for_each(|s| *s = (*s / length).min(limit));
    }
    sums.map(|s| (s * 256.0).round() as i16)
}

/// Pairs of corners that are each other's best match, and clearly so.
pub fn matches(a: &[Feature], b: &[Feature]) -> Vec<Match> {
    let there = best(a, b);
    let back = best(b, a);
    let mut out: Vec<Match> = Vec::new();
    for (i, (j, clear)) in there.iter().enumerate() {
        if *clear && back.get(*j).is_some_and(|(k, _)| *k == i) {
            out.push(Match { a: [a[i].x, a[i].y], b: [b[*j].x, b[*j].y] });
        }
    }
    out
}

/// For each of the first, the nearest of the second, and whether it is nearer than any other that lies elsewhere.
fn best(from: &[Feature], to: &[Feature]) -> Vec<(usize, bool)> {
    let one = |f: &Feature| {
        let (mut first, mut second) = ((usize::MAX, i32::MAX), i32::MAX);
        for (n, t) in to.iter().enumerate() {
            let d: i32 =
                f.description.iter().zip(&t.description).map(|(a, b)| i32::from(a - b) * i32::from(a - b)).sum();
            if d < first.1 {
                // The same corner at another size or in its second direction is no rival.
                if first.0 < to.len() && apart(&to[first.0], t) {
                    second = first.1;
                }
                first = (n, d);
            } else if d < second && apart(&to[first.0], t) {
                second = d;
            }
        }
        (first.0, (first.1 as f32) < RATIO * RATIO * second as f32)
    };
    from.iter().map(one).collect()
}

fn apart(a: &Feature, b: &Feature) -> bool {
    (a.x - b.x).abs() + (a.y - b.y).abs() > 6.0
}
