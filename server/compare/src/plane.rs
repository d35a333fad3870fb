//! One channel of a picture in numbers, and the few operations on it.

/// A plane of numbers, line by line. Grey levels run from 0 to 255.
#[derive(Clone, Debug)]
pub struct Plane {
    /// Pixels across.
    pub w: usize,
    /// Lines.
    pub h: usize,
    /// `w * h` values.
    pub v: Vec<f32>,
}

impl Plane {
    /// A plane of one value.
    pub fn of(w: usize, h: usize, value: f32) -> Plane {
        Plane { w, h, v: vec![value; w * h] }
    }

    /// A plane by a function of the place.
    pub fn by(w: usize, h: usize, mut value: impl FnMut(usize, usize) -> f32) -> Plane {
        let mut v = Vec::with_capacity(w * h);
        for y in 0..h {
            for x in 0..w {
                v.push(value(x, y));
            }
        }
        Plane { w, h, v }
    }

    /// A plane made value by value.
    pub fn map(&self, value: impl Fn(f32) -> f32) -> Plane {
        Plane { w: self.w, h: self.h, v: self.v.iter().map(|x| value(*x)).collect() }
    }

    /// A plane made from two of one size.
    pub fn with(&self, other: &Plane, value: impl Fn(f32, f32) -> f32) -> Plane {
        let v = self.v.iter().zip(&other.v).map(|(a, b)| value(*a, *b)).collect();
        Plane { w: self.w, h: self.h, v }
    }

    /// The value at a place; outside, that of the edge.
    #[inline]
    pub fn at(&self, x: isize, y: isize) -> f32 {
        let x = x.clamp(0, self.w as isize - 1) as usize;
        let y = y.clamp(0, self.h as isize - 1) as usize;
        self.v[y * self.w + x]
    }

    /// The value between four pixels.
    #[inline]
    pub fn sample(&self, x: f32, y: f32) -> f32 {
        let x = x.clamp(0.0, self.w as f32 - 1.0);
        let y = y.clamp(0.0, self.h as f32 - 1.0);
        let (left, top) = (x as usize, y as usize);
        let (right, low) = ((left + 1).min(self.w - 1), (top + 1).min(self.h - 1));
        let (fx, fy) = (x - left as f32, y - top as f32);
        let above = self.v[top * self.w + left] * (1.0 - fx) + self.v[top * self.w + right] * fx;
        let below = self.v[low * self.w + left] * (1.0 - fx) + self.v[low * self.w + right] * fx;
        above * (1.0 - fy) + below * fy
    }

    /// Whether a place lies inside, with a margin in pixels.
    pub fn holds(&self, x: f32, y: f32, margin: f32) -> bool {
        x >= margin && y >= margin && x <= self.w as f32 - 1.0 - margin && y <= self.h as f32 - 1.0 - margin
    }

    /// Blurred by a Gaussian; the edge goes on outside.
    pub fn blurred(&self, sigma: f32) -> Plane {
        if sigma < 0.1 {
            return self.clone();
        }
        let radius = (sigma * 3.0).ceil() as isize;
        let mut kernel: Vec<f32> =
            (-radius..=radius).map(|i| (-((i * i) as f32) / (2.0 * sigma * sigma)).exp()).collect();
        let sum: f32 = kernel.iter().sum();
        kernel.iter_mut().for_each(|k| *k /= sum);
        let across = self.folded(&kernel, radius, true);
        across.folded(&kernel, radius, false)
    }

    fn folded(&self, kernel: &[f32], radius: isize, across: bool) -> Plane {
        let (w, h) = (self.w as isize, self.h as isize);
        let mut out = Plane::of(self.w, self.h, 0.0);
        for y in 0..h {
            let line = &mut out.v[(y * w) as usize..((y + 1) * w) as usize];
            if across {
                let from = &self.v[(y * w) as usize..((y + 1) * w) as usize];
                for (x, to) in line.iter_mut().enumerate() {
                    let x = x as isize;
                    *to = if x >= radius && x + radius < w {
                        let part = &from[(x - radius) as usize..=(x + radius) as usize];
                        part.iter().zip(kernel).map(|(a, k)| a * k).sum()
                    } else {
                        let near = |i: usize| from[(x + i as isize - radius).clamp(0, w - 1) as usize];
                        kernel.iter().enumerate().map(|(i, k)| near(i) * k).sum()
                    };
                }
            } else {
                for (i, k) in kernel.iter().enumerate() {
                    let row = (y + i as isize - radius).clamp(0, h - 1);
                    let from = &self.v[(row * w) as usize..((row + 1) * w) as usize];
                    line.iter_mut().zip(from).for_each(|(to, a)| *to += a * k);
                }
            }
        }
        out
    }

    /// The mean over a square of `2 * radius + 1`, cut at the edges.
    pub fn mean(&self, radius: usize) -> Plane {
        let across = self.summed(radius);
        across.turned().summed(radius).turned()
    }

    fn summed(&self, radius: usize) -> Plane {
        let mut out = Plane::of(self.w, self.h, 0.0);
        for (from, to) in self.v.chunks_exact(self.w).zip(out.v.chunks_exact_mut(self.w)) {
            let mut sum: f64 = from.iter().take(radius).map(|x| f64::from(*x)).sum();
            for x in 0..self.w {
                if x + radius < self.w {
                    sum += f64::from(from[x + radius]);
                }
                if x > radius {
                    sum -= f64::from(from[x - radius - 1]);
                }
                let count = (x + radius).min(self.w - 1) - x.saturating_sub(radius) + 1;
                to[x] = (sum / count as f64) as f32;
            }
        }
        out
    }

    fn turned(&self) -> Plane {
        Plane::by(self.h, self.w, |x, y| self.v[x * self.w + y])
    }

    /// The least (or the greatest) of the nine around each place.
    pub fn extreme(&self, greatest: bool) -> Plane {
        let pick = |a: f32, b: f32| if greatest { a.max(b) } else { a.min(b) };
        let line = |x: usize, y: usize| {
            let (x, y) = (x as isize, y as isize);
            pick(pick(self.at(x - 1, y), self.at(x, y)), self.at(x + 1, y))
        };
        let across = Plane::by(self.w, self.h, line);
        Plane::by(self.w, self.h, |x, y| {
            let (x, y) = (x as isize, y as isize);
            pick(pick(across.at(x, y - 1), across.at(x, y)), across.at(x, y + 1))
        })
    }

    /// The least (or the greatest) within so many pixels across and down.
    pub fn extreme_within(&self, greatest: bool, pixels: usize) -> Plane {
        (0..pixels).fold(self.clone(), |p, _| p.extreme(greatest))
    }

    /// Made smaller by a factor below 1: blurred so that nothing finer is left, then sampled.
    pub fn smaller(&self, factor: f32) -> Plane {
        let soft = self.blurred(0.5 / factor - 0.35);
        let w = ((self.w as f32 * factor).round() as usize).max(1);
        let h = ((self.h as f32 * factor).round() as usize).max(1);
        let at = |i: usize| (i as f32 + 0.5) / factor - 0.5;
        Plane::by(w, h, |x, y| soft.sample(at(x), at(y)))
    }

    /// Half the differences of neighbours, across and down.
    pub fn slopes(&self) -> (Plane, Plane) {
        let across = |x: usize, y: usize| {
            let (x, y) = (x as isize, y as isize);
            (self.at(x + 1, y) - self.at(x - 1, y)) / 2.0
        };
        let down = |x: usize, y: usize| {
            let (x, y) = (x as isize, y as isize);
            (self.at(x, y + 1) - self.at(x, y - 1)) / 2.0
        };
        (Plane::by(self.w, self.h, across), Plane::by(self.w, self.h, down))
    }

    /// The standard deviation of the noise, in grey levels: from the middle of the absolute values of a filter that takes
    /// away everything straight (Immerkær 1996, with the median instead of the mean, so that texture weighs little).
    pub fn noise(&self) -> f32 {
        let mut values = Vec::with_capacity(self.v.len() / 4);
        for y in (1..self.h.saturating_sub(1)).step_by(2) {
            for x in (1..self.w.saturating_sub(1)).step_by(2) {
                let (x, y) = (x as isize, y as isize);
                let corners =
                    self.at(x - 1, y - 1) + self.at(x + 1, y - 1) + self.at(x - 1, y + 1) + self.at(x + 1, y + 1);
                let sides = self.at(x, y - 1) + self.at(x - 1, y) + self.at(x + 1, y) + self.at(x, y + 1);
                values.push((corners - 2.0 * sides + 4.0 * self.at(x, y)).abs());
            }
        }
        // 0.6745: the median of the absolute values of a standard normal; 6: the filter's own gain.
        middle(&mut values) / 0.6745 / 6.0
    }
}

/// The middle one of some values; 0 of none.
pub fn middle(values: &mut [f32]) -> f32 {
    share(values, 0.5)
}

/// The value that such a share of the values does not exceed; 0 of none.
pub fn share(values: &mut [f32], share: f32) -> f32 {
    if values.is_empty() {
        return 0.0;
    }
    let n = ((values.len() - 1) as f32 * share) as usize;
    *values.select_nth_unstable_by(n, f32::total_cmp).1
}
