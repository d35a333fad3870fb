//! From fields to pixels: where each pixel of the first picture lies in the second, and the second bent to lie over it.

use crate::Picture;
use crate::flow::Fields;
use crate::homography::Homography;
use crate::plane::Plane;
use crate::trust::Trust;

/// The map of every pixel, in two steps: moved in the first picture's frame, then by the plane's map into the second.
pub struct Bend {
    /// The map of the largest plane.
    pub plane: Homography,
    /// How far each pixel is moved before that, across.
    pub dx: Plane,
    /// And down.
    pub dy: Plane,
}

impl Bend {
    /// One plane's map alone.
    pub fn flat(plane: Homography, w: usize, h: usize) -> Bend {
        Bend { plane, dx: Plane::of(w, h, 0.0), dy: Plane::of(w, h, 0.0) }
    }

    /// Between the middles of fields in proportion; where they lie apart, as the field that looks most alike there.
    pub fn of(plane: Homography, fields: &Fields, a: &Plane, flat: &Plane) -> Bend {
        let (w, h) = (a.w, a.h);
        let mut bend = Bend::flat(plane, w, h);
        let (plain_a, plain_b) = (plain(a), plain(flat));
        for y in 0..h {
            for x in 0..w {
                let d = one(fields, x, y).unwrap_or_else(|| chosen(fields, &plain_a, &plain_b, x, y));
                bend.dx.v[y * w + x] = d[0];
                bend.dy.v[y * w + x] = d[1];
            }
        }
        bend
    }

    /// Where a pixel of the first picture lies in the second.
    pub fn at(&self, x: usize, y: usize) -> [f32; 2] {
        let n = y * self.dx.w + x;
        self.plane.at(x as f32 + self.dx.v[n], y as f32 + self.dy.v[n])
    }

    /// Whether the second picture shows a pixel of the first.
    pub fn shows(&self, x: usize, y: usize, (w, h): (usize, usize)) -> bool {
        let [bx, by] = self.at(x, y);
        bx >= 0.0 && by >= 0.0 && bx <= w as f32 - 1.0 && by <= h as f32 - 1.0
    }

    /// A plane of the second picture, bent.
    pub fn bent(&self, b: &Plane) -> Plane {
        Plane::by(self.dx.w, self.dx.h, |x, y| {
            let [bx, by] = self.at(x, y);
            b.sample(bx, by)
        })
    }

    /// The second picture in its colours, bent; grey where it shows nothing.
    pub fn coloured(&self, b: &Picture) -> Vec<u8> {
        let mut out = Vec::with_capacity(self.dx.w * self.dx.h * 3);
        for y in 0..self.dx.h {
            for x in 0..self.dx.w {
                let [bx, by] = self.at(x, y);
                if self.shows(x, y, (b.width as usize, b.height as usize)) {
                    out.extend_from_slice(&b.between(bx, by));
                } else {
                    out.extend_from_slice(&[96, 96, 96]);
                }
            }
        }
        out
    }
}

/// Trust of pixels, from that of fields and from what is shown.
pub fn spread(fields: &Fields, trust: &[Trust], bend: &Bend, other: (usize, usize)) -> Vec<Trust> {
    let (w, h) = (bend.dx.w, bend.dx.h);
    let mut out = Vec::with_capacity(w * h);
    for y in 0..h {
        for x in 0..w {
            let of = trust[fields.of(x as f32, y as f32)];
            out.push(if bend.shows(x, y, other) {
                if of == Trust::Outside { Trust::Hidden } else { of }
            } else {
                Trust::Outside
            });
        }
    }
    out
}

/// In proportion between four fields that lie as one; `None` where they do not.
fn one(fields: &Fields, x: usize, y: usize) -> Option<[f32; 2]> {
    const AS_ONE: f32 = 1.0;
    let place = |v: usize, most: usize| {
        let at = ((v as f32 + 0.5) / crate::flow::CELL - 0.5).clamp(0.0, most as f32 - 1.0);
        let low = (at as usize).min(most.saturating_sub(2));
        (low, (low + 1).min(most - 1), at - low as f32)
    };
    let (left, right, fx) = place(x, fields.w);
    let (top, low, fy) = place(y, fields.h);
    let four = [top * fields.w + left, top * fields.w + right, low * fields.w + left, low * fields.w + right];
    let d = four.map(|n| fields.moved[n]);
    let range = |axis: usize| {
        let values = d.map(|v| v[axis]);
        values.iter().copied().fold(f32::MIN, f32::max) - values.iter().copied().fold(f32::MAX, f32::min)
    };
    if range(0).max(range(1)) > AS_ONE {
        return None;
    }
    let mix = |axis: usize| {
        let above = d[0][axis] * (1.0 - fx) + d[1][axis] * fx;
        let below = d[2][axis] * (1.0 - fx) + d[3][axis] * fx;
        above * (1.0 - fy) + below * fy
    };
    Some([mix(0), mix(1)])
}

/// What one of the nine fields around says, by how alike a few pixels are.
fn chosen(fields: &Fields, a: &Plane, b: &Plane, x: usize, y: usize) -> [f32; 2] {
    let mut best = (f32::MAX, [0.0; 2]);
    for n in fields.around(fields.of(x as f32, y as f32), 1) {
        let d = fields.moved[n];
        let mut sum = 0.0;
        for j in -2isize..=2 {
            for i in -2isize..=2 {
                let (px, py) = (x as isize + i, y as isize + j);
                sum += (a.at(px, py) - b.sample(px as f32 + d[0], py as f32 + d[1])).abs().min(2.0);
            }
        }
        if sum < best.0 {
            best = (sum, d);
        }
    }
    best.1
}

/// Without the light: the mean of the surroundings taken away, their contrast made one.
fn plain(p: &Plane) -> Plane {
    let mean = p.mean(10);
    let squares = p.with(p, |a, b| a * b).mean(10);
    let spread = squares.with(&mean, |s, m| (s - m * m).max(0.0).sqrt() + 3.0);
    p.with(&mean, |v, m| v - m).with(&spread, |v, s| v / s)
}
