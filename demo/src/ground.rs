//! What a machine stands or lies on.

/// The ground of a scene.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Ground {
    /// A bench of planks.
    Bench,
    /// A workshop floor, and the wall behind it.
    Floor,
    /// White paper on the bench.
    Paper,
    /// Steel, or a machine's side, close.
    Metal,
}

/// A hash of a place, as a share of 1.
fn hashed(x: i32, y: i32, seed: u32) -> f32 {
    let mut h = (x as u32).wrapping_mul(0x9E37_79B1) ^ (y as u32).wrapping_mul(0x85EB_CA77) ^ seed;
    h = (h ^ (h >> 15)).wrapping_mul(0x2C1B_3C6D);
    h = (h ^ (h >> 12)).wrapping_mul(0x297A_2D39);
    ((h ^ (h >> 15)) & 0xFFFF) as f32 / 65_535.0
}

/// Grime: two swells askew to each other, so that no grid shows.
pub fn grime(x: f32, y: f32, seed: u32) -> f32 {
    let coarse = swell(x * 0.21 + y * 0.13, y * 0.21 - x * 0.13, seed);
    coarse * 0.55 + swell(x * 0.46 - y * 0.31, y * 0.46 + x * 0.31, seed ^ 0x77) * 0.45
}

/// Smooth noise between 0 and 1 with one swell a unit.
pub fn swell(x: f32, y: f32, seed: u32) -> f32 {
    let (fx, fy) = (x.floor(), y.floor());
    let (ix, iy) = (fx as i32, fy as i32);
    let ease = |t: f32| t * t * (3.0 - 2.0 * t);
    let (tx, ty) = (ease(x - fx), ease(y - fy));
    let row = |y: i32| hashed(ix, y, seed) * (1.0 - tx) + hashed(ix + 1, y, seed) * tx;
    row(iy) * (1.0 - ty) + row(iy + 1) * ty
}

impl Ground {
    /// Its colour at a place in units of the scene.
    pub fn at(self, x: f32, y: f32, seed: u32) -> [f32; 3] {
        match self {
            Ground::Bench => {
                let plank = (y / 31.0).floor();
                let shift = hashed(plank as i32, 7, seed);
                let grain = swell(x * 0.06 + shift * 40.0, y * 1.7, seed) * 0.6
                    + swell(x * 0.25 + shift * 90.0, y * 6.0, seed ^ 1) * 0.4;
                let gap = y - plank * 31.0;
                let seam = if gap < 0.55 { 0.35 } else { 1.0 };
                let shade = (0.74 + 0.24 * grain + 0.1 * (shift - 0.5)) * seam;
                [168.0 * shade, 134.0 * shade, 98.0 * shade]
            }
            Ground::Floor if y < 34.0 => {
                let shade = 0.9 + 0.05 * swell(x * 0.3, y * 0.3, seed) - if y > 31.5 { 0.45 } else { 0.0 };
                [176.0 * shade, 180.0 * shade, 176.0 * shade]
            }
            Ground::Floor => {
                let stain = swell(x * 0.045, y * 0.06, seed);
                let grit = swell(x * 2.4, y * 3.4, seed ^ 5);
                let joint = if (x - 96.0 - (y - 34.0) * 0.35).abs() < 0.3 { 0.7 } else { 1.0 };
                let shade = (0.66 + 0.2 * stain + 0.1 * grit) * joint;
                [158.0 * shade, 154.0 * shade, 147.0 * shade]
            }
            Ground::Paper => {
                let edge = x < 5.0 || y < 4.0 || x > 156.0 || y > 115.0;
                if edge {
                    return Ground::Bench.at(x, y, seed);
                }
                let shade = 0.95 + 0.04 * swell(x * 0.05, y * 0.05, seed) - 0.012 * swell(x * 3.0, y * 3.0, seed ^ 3);
                [226.0 * shade, 225.0 * shade, 219.0 * shade]
            }
            Ground::Metal => {
                let shade = 0.8 + 0.16 * swell(x * 0.04, y * 1.9, seed) + 0.08 * swell(x * 0.5, y * 0.5, seed ^ 9);
                [92.0 * shade, 94.0 * shade, 98.0 * shade]
            }
        }
    }
}
