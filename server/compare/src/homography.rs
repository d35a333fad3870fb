//! One plane seen from two places: the map of it, found among matches many of which are wrong.

use crate::features::Match;

/// A map of a plane onto another: nine numbers, line by line.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Homography(pub [f64; 9]);

/// A linear generator with a fixed start: the same pictures give the same answer.
pub struct Dice(u64);

impl Dice {
    /// The start.
    pub fn new() -> Dice {
        Dice(0x9e37_79b9_7f4a_7c15)
    }

    /// A number below `n` (Knuth's MMIX constants; the high bits are the good ones).
    pub fn below(&mut self, n: usize) -> usize {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        ((self.0 >> 33) as usize) % n.max(1)
    }

    /// A number from -1 to 1.
    pub fn around(&mut self) -> f32 {
        self.below(20_001) as f32 / 10_000.0 - 1.0
    }
}

impl Homography {
    /// Nothing is moved.
    pub const NONE: Homography = Homography([1.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0]);

    /// Where a place goes.
    #[inline]
    pub fn at(&self, x: f32, y: f32) -> [f32; 2] {
        let h = &self.0;
        let (x, y) = (f64::from(x), f64::from(y));
        let w = h[6] * x + h[7] * y + h[8];
        let w = if w.abs() < 1e-9 { 1e-9 } else { w };
        [((h[0] * x + h[1] * y + h[2]) / w) as f32, ((h[3] * x + h[4] * y + h[5]) / w) as f32]
    }

    /// The way back; `None` where there is none.
    pub fn back(&self) -> Option<Homography> {
        let h = &self.0;
        let minor = |a: usize, b: usize, c: usize, d: usize| h[a] * h[d] - h[b] * h[c];
        let det = h[0] * minor(4, 5, 7, 8) - h[1] * minor(3, 5, 6, 8) + h[2] * minor(3, 4, 6, 7);
        if det.abs() < 1e-12 {
            return None;
        }
        let m = [
            minor(4, 5, 7, 8),
            -minor(1, 2, 7, 8),
            minor(1, 2, 4, 5),
            -minor(3, 5, 6, 8),
            minor(0, 2, 6, 8),
            -minor(0, 2, 3, 5),
            minor(3, 4, 6, 7),
            -minor(0, 1, 6, 7),
            minor(0, 1, 3, 4),
        ];
        Some(Homography(m.map(|v| v / det)))
    }

    /// Whether a camera held by a person can have made it: nothing mirrored, nothing folded, no part of the picture three
    /// times as large or as small.
    pub fn likely(&self, w: f32, h: f32) -> bool {
        let size = |x: f32, y: f32| {
            let (p, r, d) = (self.at(x, y), self.at(x + 1.0, y), self.at(x, y + 1.0));
            (r[0] - p[0]) * (d[1] - p[1]) - (r[1] - p[1]) * (d[0] - p[0])
        };
        let depth = |x: f32, y: f32| self.0[6] * f64::from(x) + self.0[7] * f64::from(y) + self.0[8];
        [(0.0, 0.0), (w, 0.0), (0.0, h), (w, h), (w / 2.0, h / 2.0)]
            .iter()
            .all(|(x, y)| depth(*x, *y) > 0.05 && (1.0 / 9.0..9.0).contains(&size(*x, *y)))
    }

    /// The map that fits matches best, in least squares of the linear equations, after moving both to their middles
    /// (Hartley 1997); `None` of fewer than four, or of four in a line.
    pub fn through(matches: &[(Match, f64)]) -> Option<Homography> {
        if matches.len() < 4 {
            return None;
        }
        let (ta, tb) = (Norm::of(matches.iter().map(|m| m.0.a)), Norm::of(matches.iter().map(|m| m.0.b)));
        let mut system = [[0f64; 9]; 8];
        for (m, weight) in matches {
            let ([x, y], [u, v]) = (ta.at(m.a), tb.at(m.b));
            let rows =
                [([x, y, 1.0, 0.0, 0.0, 0.0, -u * x, -u * y], u), ([0.0, 0.0, 0.0, x, y, 1.0, -v * x, -v * y], v)];
            for (row, right) in rows {
                for i in 0..8 {
                    for j in 0..8 {
                        system[i][j] += weight * row[i] * row[j];
                    }
                    system[i][8] += weight * row[i] * right;
                }
            }
        }
        let s = solved(system)?;
        let h = [s[0], s[1], s[2], s[3], s[4], s[5], s[6], s[7], 1.0];
        // Back from the middles: T_b^-1 * H * T_a.
        let to = [1.0 / tb.scale, 0.0, tb.x, 0.0, 1.0 / tb.scale, tb.y, 0.0, 0.0, 1.0];
        let from = [ta.scale, 0.0, -ta.scale * ta.x, 0.0, ta.scale, -ta.scale * ta.y, 0.0, 0.0, 1.0];
        let whole = times(&times(&to, &h), &from);
        (whole[8].abs() > 1e-12).then(|| Homography(whole.map(|v| v / whole[8])))
    }
}

struct Norm {
    x: f64,
    y: f64,
    scale: f64,
}

impl Norm {
    fn of(points: impl Iterator<Item = [f32; 2]> + Clone) -> Norm {
        let n = points.clone().count() as f64;
        let x = points.clone().map(|p| f64::from(p[0])).sum::<f64>() / n;
        let y = points.clone().map(|p| f64::from(p[1])).sum::<f64>() / n;
        let far = points.map(|p| (f64::from(p[0]) - x).hypot(f64::from(p[1]) - y)).sum::<f64>() / n;
        Norm { x, y, scale: std::f64::consts::SQRT_2 / far.max(1e-6) }
    }

    fn at(&self, p: [f32; 2]) -> [f64; 2] {
        [(f64::from(p[0]) - self.x) * self.scale, (f64::from(p[1]) - self.y) * self.scale]
    }
}

fn times(a: &[f64; 9], b: &[f64; 9]) -> [f64; 9] {
    let mut out = [0.0; 9];
    for i in 0..3 {
        for j in 0..3 {
            out[i * 3 + j] = (0..3).map(|k| a[i * 3 + k] * b[k * 3 + j]).sum();
        }
    }
    out
}

/// Gauss's elimination with pivots: `N` equations, the right side in the last column.
pub fn solved<const N: usize, const M: usize>(mut m: [[f64; M]; N]) -> Option<[f64; N]> {
    for i in 0..N {
        let pivot = (i..N).max_by(|a, b| m[*a][i].abs().total_cmp(&m[*b][i].abs()))?;
        m.swap(i, pivot);
        if m[i][i].abs() < 1e-10 {
            return None;
        }
        let (done, below) = m.split_at_mut(i + 1);
        for row in below {
            let factor = row[i] / done[i][i];
            row.iter_mut().zip(&done[i]).skip(i).for_each(|(v, p)| *v -= factor * p);
        }
    }
    let mut out = [0.0; N];
    for i in (0..N).rev() {
        let rest: f64 = (i + 1..N).map(|c| m[i][c] * out[c]).sum();
        out[i] = (m[i][M - 1] - rest) / m[i][i];
    }
    Some(out)
}

/// What was found among matches.
pub struct Found {
    /// The map of the largest plane.
    pub map: Homography,
    /// The matches that it fits.
    pub fit: Vec<Match>,
}

/// The map that fits the most matches to within `near` pixels: random fours, scored by how near (Torr and Zisserman 2000),
/// each better one refined at once (Chum, Matas and Kittler 2003). For pictures of this size.
pub fn found(matches: &[Match], near: f32, (w, h): (f32, f32)) -> Option<Found> {
    const TRIES: usize = 3000;
    let mut dice = Dice::new();
    let mut best: Option<(f32, Homography)> = None;
    for _ in 0..TRIES {
        if matches.len() < 4 {
            break;
        }
        let four: Vec<(Match, f64)> = (0..4).map(|_| (matches[dice.below(matches.len())], 1.0)).collect();
        let Some(mut map) = Homography::through(&four).filter(|m| m.likely(w, h)) else { continue };
        let mut cost = cost(&map, matches, near);
        if best.is_some_and(|(least, _)| least <= cost) {
            continue;
        }
        for _ in 0..4 {
            let Some(finer) = Homography::through(&weighed(&map, matches, near)).filter(|m| m.likely(w, h)) else {
                break;
            };
            let now = self::cost(&finer, matches, near);
            if now >= cost {
                break;
            }
            (cost, map) = (now, finer);
        }
        best = Some((cost, map));
    }
    let (_, map) = best?;
    let fit = matches.iter().filter(|m| off(&map, m) < near).copied().collect();
    Some(Found { map, fit })
}

fn off(map: &Homography, m: &Match) -> f32 {
    let [x, y] = map.at(m.a[0], m.a[1]);
    (x - m.b[0]).hypot(y - m.b[1])
}

fn cost(map: &Homography, matches: &[Match], near: f32) -> f32 {
    matches.iter().map(|m| (off(map, m) / near).powi(2).min(1.0)).sum()
}

fn weighed(map: &Homography, matches: &[Match], near: f32) -> Vec<(Match, f64)> {
    let weight = |m: &Match| (1.0 - f64::from(off(map, m) / near).powi(2)).max(0.0);
    matches.iter().map(|m| (*m, weight(m))).filter(|(_, w)| *w > 0.0).collect()
}
