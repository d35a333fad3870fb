//! Where each small field of the first picture lies in the second, after one plane's map has been taken out: machines are
//! not flat.
//!
//! Fields try what their neighbours, the matches and chance propose, from coarse to fine (Barnes et al. 2009), and keep
//! what looks most alike, whatever the light, and does not tear away from the neighbours. Then each is brought to a part of
//! a pixel (Lucas and Kanade 1981). Both ways round; where the way back does not lead home, nothing is believed.

use crate::features::Match;
use crate::homography::{Dice, solved};
use crate::plane::Plane;

/// Fields are this many pixels wide, at the full size.
pub const CELL: f32 = 8.0;
/// What a torn neighbour costs, where a perfect likeness is worth 1.
const TEAR: f32 = 0.6;
/// Apart by so many pixels is torn altogether.
const TORN: f32 = 6.0;

/// The fields of a picture.
#[derive(Clone, Debug)]
pub struct Fields {
    /// Across.
    pub w: usize,
    /// Down.
    pub h: usize,
    /// How far each is moved, in pixels of the full size.
    pub moved: Vec<[f32; 2]>,
    /// How alike the two are there, -1 to 1; whatever the light.
    pub alike: Vec<f32>,
}

/// A pair of pictures of one size, and where the second has anything to show.
pub struct Pair<'a> {
    /// The one that is asked about.
    pub a: &'a Plane,
    /// The one that is searched.
    pub b: &'a Plane,
    /// 1 where the second shows something, 0 elsewhere.
    pub shown: &'a Plane,
    /// The noise, in grey levels.
    pub noise: f32,
}

impl Fields {
    /// The middle of a field, in pixels.
    pub fn middle(n: usize) -> f32 {
        (n as f32 + 0.5) * CELL - 0.5
    }

    /// The field that a place lies in.
    pub fn of(&self, x: f32, y: f32) -> usize {
        let n = |v: f32, most: usize| (((v + 0.5) / CELL).max(0.0) as usize).min(most - 1);
        n(y, self.h) * self.w + n(x, self.w)
    }

    /// The fields around one, itself among them, within a radius.
    pub fn around(&self, n: usize, radius: usize) -> impl Iterator<Item = usize> + use<> {
        let (x, y, w, h) = (n % self.w, n / self.w, self.w, self.h);
        let xs = x.saturating_sub(radius)..=(x + radius).min(w - 1);
        (y.saturating_sub(radius)..=(y + radius).min(h - 1)).flat_map(move |j| xs.clone().map(move |i| j * w + i))
    }
}

/// A square of the first picture, its mean taken away.
struct Patch {
    radius: isize,
    values: Vec<f32>,
    spread: f32,
}

impl Patch {
    fn new(plane: &Plane, x: f32, y: f32, radius: isize) -> Patch {
        let mut values = Vec::with_capacity(((2 * radius + 1) * (2 * radius + 1)) as usize);
        let (fx, fy) = (x.fract(), y.fract());
        lines(plane, x, y, radius, fx, fy, |v| values.push(v));
        let mean = values.iter().sum::<f32>() / values.len() as f32;
        values.iter_mut().for_each(|v| *v -= mean);
        let spread = values.iter().map(|v| v * v).sum::<f32>();
        Patch { radius, values, spread }
    }

    /// How alike another place is: the correlation, in which noise counts as unlike.
    fn alike(&self, plane: &Plane, x: f32, y: f32, noise: f32) -> f32 {
        let (mut sum, mut squares, mut both, mut n) = (0f32, 0f32, 0f32, 0usize);
        lines(plane, x, y, self.radius, x - x.floor(), y - y.floor(), |v| {
            sum += v;
            squares += v * v;
            both += v * self.values[n];
            n += 1;
        });
        let floor = noise * noise * n as f32;
        let spread = (squares - sum * sum / n as f32).max(0.0);
        both / ((self.spread + floor) * (spread + floor)).sqrt().max(1e-3)
    }
}

/// The values of a square around a place, which may lie between pixels.
#[inline]
fn lines(plane: &Plane, x: f32, y: f32, radius: isize, fx: f32, fy: f32, mut each: impl FnMut(f32)) {
    let (left, top) = (x.floor() as isize - radius, y.floor() as isize - radius);
    let size = 2 * radius + 1;
    let weights = [(1.0 - fx) * (1.0 - fy), fx * (1.0 - fy), (1.0 - fx) * fy, fx * fy];
    let inside = left >= 0 && top >= 0 && left + size < plane.w as isize && top + size < plane.h as isize;
    for j in 0..size {
        if inside {
            let from = (top + j) as usize * plane.w + left as usize;
            let above = &plane.v[from..=from + size as usize];
            let below = &plane.v[from + plane.w..=from + plane.w + size as usize];
            for i in 0..size as usize {
                each(
                    above[i] * weights[0]
                        + above[i + 1] * weights[1]
                        + below[i] * weights[2]
                        + below[i + 1] * weights[3],
                );
            }
        } else {
            for i in 0..size {
                let v = |a: isize, b: isize| plane.at(left + i + a, top + j + b);
                each(v(0, 0) * weights[0] + v(1, 0) * weights[1] + v(0, 1) * weights[2] + v(1, 1) * weights[3]);
            }
        }
    }
}

/// Finds the fields of a pair. Matches propose; they are not believed.
pub fn fields(pair: &Pair, matches: &[Match]) -> Fields {
    let w = (pair.a.w as f32 / CELL).ceil().max(1.0) as usize;
    let h = (pair.a.h as f32 / CELL).ceil().max(1.0) as usize;
    let mut out = Fields { w, h, moved: vec![[0.0; 2]; w * h], alike: vec![-1.0; w * h] };
    let proposed = proposals(&out, matches);
    for (factor, sweeps, reach) in [(0.25, 6, 90.0), (0.5, 3, 6.0)] {
        let small = |p: &Plane| p.smaller(factor);
        let level = Level {
            a: small(pair.a),
            b: small(pair.b),
            shown: small(pair.shown),
            factor,
            noise: pair.noise * factor.sqrt(),
        };
        search(&level, &mut out, &proposed, sweeps, reach);
    }
    finish(pair, &mut out);
    out
}

/// For each field what the nearest matches say, as far as it differs: parts at several distances may be near.
fn proposals(fields: &Fields, matches: &[Match]) -> Vec<Vec<[f32; 2]>> {
    const NEAR: f32 = 100.0;
    const MOST: usize = 6;
    let one = |n: usize| {
        let (x, y) = (Fields::middle(n % fields.w), Fields::middle(n / fields.w));
        let mut near: Vec<(f32, [f32; 2])> = matches
            .iter()
            .map(|m| ((m.a[0] - x).hypot(m.a[1] - y), [m.b[0] - m.a[0], m.b[1] - m.a[1]]))
            .filter(|(far, _)| *far < NEAR)
            .collect();
        near.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut kept: Vec<[f32; 2]> = Vec::new();
        for (_, d) in near {
            if kept.len() < MOST && kept.iter().all(|k| apart(*k, d) > 2.0) {
                kept.push(d);
            }
        }
        kept
    };
    (0..fields.w * fields.h).map(one).collect()
}

struct Level {
    a: Plane,
    b: Plane,
    shown: Plane,
    factor: f32,
    noise: f32,
}

impl Level {
    fn at(&self, full: f32) -> f32 {
        (full + 0.5) * self.factor - 0.5
    }

    /// What looks unlike costs: 0 is the same, 1 is nothing alike, 2 is not shown at all.
    fn unlike(&self, patch: &Patch, x: f32, y: f32, d: [f32; 2]) -> f32 {
        let (px, py) = (self.at(x + d[0]), self.at(y + d[1]));
        if !self.b.holds(px, py, 0.0) || self.shown.sample(px, py) < 0.5 {
            return 2.0;
        }
        1.0 - patch.alike(&self.b, px, py, self.noise)
    }
}

fn apart(a: [f32; 2], b: [f32; 2]) -> f32 {
    (a[0] - b[0]).hypot(a[1] - b[1])
}

fn search(level: &Level, fields: &mut Fields, proposed: &[Vec<[f32; 2]>], sweeps: usize, reach: f32) {
    let (w, h) = (fields.w, fields.h);
    let mut dice = Dice::new();
    let place = |n: usize| (Fields::middle(n % w), Fields::middle(n / w));
    let patches: Vec<Patch> = (0..w * h)
        .map(|n| Patch::new(&level.a, level.at(place(n).0).max(0.0), level.at(place(n).1).max(0.0), 4))
        .collect();
    let mut unlike: Vec<f32> =
        (0..w * h).map(|n| level.unlike(&patches[n], place(n).0, place(n).1, fields.moved[n])).collect();
    for sweep in 0..sweeps {
        for step in 0..w * h {
            let n = if sweep % 2 == 0 { step } else { w * h - 1 - step };
            let (x, y) = place(n);
            let sides: Vec<usize> = [
                (n % w > 0).then(|| n - 1),
                (n % w + 1 < w).then(|| n + 1),
                (n >= w).then(|| n - w),
                (n + w < w * h).then(|| n + w),
            ]
            .into_iter()
            .flatten()
            .collect();
            let torn = |d: [f32; 2], moved: &[[f32; 2]]| {
                sides.iter().map(|s| (apart(d, moved[*s]) / TORN).min(1.0)).sum::<f32>() * TEAR / sides.len() as f32
            };
            let mut best = (unlike[n] + torn(fields.moved[n], &fields.moved), unlike[n], fields.moved[n]);
            let mut offer = |d: [f32; 2], fields: &Fields| {
                let strain = torn(d, &fields.moved);
                if strain >= best.0 || d == best.2 {
                    return;
                }
                let cost = level.unlike(&patches[n], x, y, d);
                if cost + strain < best.0 {
                    best = (cost + strain, cost, d);
                }
            };
            for s in &sides {
                offer(fields.moved[*s], fields);
            }
            if sweep < 2 {
                for d in &proposed[n] {
                    offer(*d, fields);
                }
            }
            let from = fields.moved[n];
            let mut far = reach;
            while far > 0.5 {
                let by = [dice.around() * far, dice.around() * far];
                offer([from[0] + by[0], from[1] + by[1]], fields);
                far *= 0.4;
            }
            unlike[n] = best.1;
            fields.moved[n] = best.2;
        }
    }
}

/// Parts of a pixel, at the full size, and how alike the two are then.
fn finish(pair: &Pair, fields: &mut Fields) {
    let (gx, gy) = pair.b.slopes();
    for n in 0..fields.moved.len() {
        let (x, y) = (
            Fields::middle(n % fields.w).min(pair.a.w as f32 - 1.0),
            Fields::middle(n / fields.w).min(pair.a.h as f32 - 1.0),
        );
        let patch = Patch::new(pair.a, x, y, 7);
        let like = |d: [f32; 2]| {
            let (px, py) = (x + d[0], y + d[1]);
            let shown = pair.b.holds(px, py, 0.0) && pair.shown.sample(px, py) >= 0.5;
            if shown { patch.alike(pair.b, px, py, pair.noise) } else { -1.0 }
        };
        let mut best = (like(fields.moved[n]), fields.moved[n]);
        for _ in 0..4 {
            let Some(by) = step(&patch, pair.b, &gx, &gy, x + best.1[0], y + best.1[1]) else { break };
            let d = [best.1[0] + by[0], best.1[1] + by[1]];
            let now = like(d);
            if now <= best.0 {
                break;
            }
            best = (now, d);
            if by[0].hypot(by[1]) < 0.02 {
                break;
            }
        }
        fields.alike[n] = best.0;
        fields.moved[n] = best.1;
    }
}

/// One step towards the likeness; gain and offset of the light are unknowns too.
fn step(patch: &Patch, b: &Plane, gx: &Plane, gy: &Plane, x: f32, y: f32) -> Option<[f32; 2]> {
    let mut system = [[0f64; 5]; 4];
    let (fx, fy) = (x - x.floor(), y - y.floor());
    let mut rows: Vec<[f64; 4]> = Vec::with_capacity(patch.values.len());
    lines(gx, x, y, patch.radius, fx, fy, |v| rows.push([f64::from(v), 0.0, 0.0, 1.0]));
    let mut n = 0;
    lines(gy, x, y, patch.radius, fx, fy, |v| {
        rows[n][1] = f64::from(v);
        n += 1;
    });
    n = 0;
    lines(b, x, y, patch.radius, fx, fy, |v| {
        rows[n][2] = f64::from(v);
        n += 1;
    });
    // b + gx dx + gy dy = gain * a + offset, with gain as 1 + g: unknowns dx, dy, g, offset.
    for (row, a) in rows.iter().zip(&patch.values) {
        let a = f64::from(*a);
        let line = [row[0], row[1], -a, -1.0];
        let right = a - row[2];
        for i in 0..4 {
            for j in 0..4 {
                system[i][j] += line[i] * line[j];
            }
            system[i][4] += line[i] * right;
        }
    }
    // A flat patch must not run away.
    let hold = 0.5 * rows.len() as f64;
    system[0][0] += hold;
    system[1][1] += hold;
    let s = solved(system)?;
    Some([(s[0] as f32).clamp(-1.5, 1.5), (s[1] as f32).clamp(-1.5, 1.5)])
}
