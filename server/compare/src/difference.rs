//! What differs between two pictures that lie over each other, once the light, the focus and a pixel of misfit have been
//! allowed for.

use crate::plane::Plane;

/// Lightness and two differences of colour (the luma and chroma of JPEG: ITU-T T.871, 7).
pub struct Channels(pub [Plane; 3]);

/// How much two pictures differ, in grey levels beyond what is allowed for.
///
/// Where `meet` is not 0, parts at different distances meet, and three pixels of misfit are allowed for instead of one.
pub fn difference(a: &Channels, b: &Channels, shown: &Plane, meet: &Plane) -> Plane {
    let mut whole: Option<Plane> = None;
    for (n, (pa, pb)) in a.0.iter().zip(&b.0).enumerate() {
        // Colour is stored coarser than lightness: what is told of it is softer.
        let soft = if n == 0 { 0.7 } else { 1.5 };
        let one = channel(pa, pb, shown, meet, (soft, n == 0));
        whole = Some(match whole {
            None => one,
            Some(w) => w.with(&one, f32::max),
        });
    }
    whole.unwrap_or_else(|| Plane::of(1, 1, 0.0))
}

fn channel(a: &Plane, b: &Plane, shown: &Plane, meet: &Plane, (soft, lightness): (f32, bool)) -> Plane {
    let (a, b) = (a.blurred(soft), b.blurred(soft));
    let (a, b) = if lightness { as_sharp(a, b, shown) } else { (a, b) };
    let mut weight = shown.clone();
    let mut out = Plane::of(a.w, a.h, 0.0);
    for pass in 0..3 {
        let lit = in_the_light_of(&a, &b, &weight, lightness);
        out = beyond(&a, &lit, shown, meet, lightness);
        if pass < 2 {
            // What differs must not be taken for light.
            weight = out.blurred(2.0).with(shown, |d, s| if d > 4.0 { 0.05 * s } else { s });
        }
    }
    out
}

/// The sharper of two blurred until its slopes are as strong as the other's.
fn as_sharp(a: Plane, b: Plane, shown: &Plane) -> (Plane, Plane) {
    let strength = |p: &Plane| {
        let (gx, gy) = p.slopes();
        let mut of: Vec<f32> =
            gx.v.iter().zip(&gy.v).zip(&shown.v).filter(|(_, s)| **s > 0.5).map(|((x, y), _)| x.hypot(*y)).collect();
        let contrast = crate::plane::share(&mut p.v.clone(), 0.95) - crate::plane::share(&mut p.v.clone(), 0.05);
        crate::plane::share(&mut of, 0.93) / contrast.max(4.0)
    };
    let (sa, sb) = (strength(&a), strength(&b));
    let (sharp, least, turn) = if sa > sb { (&a, sb, false) } else { (&b, sa, true) };
    let mut blurred = sharp.clone();
    for sigma in [0.5, 0.7, 0.9, 1.1, 1.3, 1.6, 1.9, 2.2, 2.6, 3.0] {
        if strength(&blurred) <= least * 1.04 {
            break;
        }
        blurred = sharp.blurred(sigma);
    }
    if turn { (a, blurred) } else { (blurred, b) }
}

/// The second in the light of the first: in each surroundings a gain and an offset.
fn in_the_light_of(a: &Plane, b: &Plane, weight: &Plane, lightness: bool) -> Plane {
    let radius = a.w.max(a.h) / 14;
    let sum = weight.mean(radius).map(|v| v.max(1e-4));
    let mean = |p: Plane| p.with(weight, |v, w| v * w).mean(radius).with(&sum, |v, s| v / s);
    let (ma, mb) = (mean(a.clone()), mean(b.clone()));
    let both = mean(a.with(b, |x, y| x * y)).with(&ma.with(&mb, |x, y| x * y), |v, m| v - m);
    let spread = mean(b.with(b, |x, y| x * y)).with(&mb, |v, m| (v - m * m).max(0.0));
    let of = |p: &Plane| p.v.iter().zip(&weight.v).map(|(v, w)| f64::from(v * w)).sum::<f64>();
    let all = (of(&both) / of(&spread).max(1e-6)) as f32;
    let all = if all.is_finite() { all.clamp(0.2, 5.0) } else { 1.0 };
    // The whole picture's gain weighs as much as this contrast (in grey levels, squared).
    let hold = if lightness { 150.0 } else { 60.0 };
    let gain = both.with(&spread, |c, s| ((c + hold * all) / (s + hold)).clamp(0.4 * all, 2.5 * all));
    let mut out = b.with(&mb, |v, m| v - m).with(&gain, |v, g| v * g);
    out.v.iter_mut().zip(&ma.v).for_each(|(v, m)| *v += m);
    out
}

/// Beyond what a pixel of misfit, the texture around and the noise explain.
fn beyond(a: &Plane, b: &Plane, shown: &Plane, meet: &Plane, lightness: bool) -> Plane {
    let within = |p: &Plane, greatest: bool| {
        let near = p.extreme(greatest);
        let far = near.extreme_within(greatest, 2);
        let v = near.v.iter().zip(&far.v).zip(&meet.v).map(|((n, f), m)| if *m > 0.0 { *f } else { *n }).collect();
        Plane { w: p.w, h: p.h, v }
    };
    let (low_a, high_a) = (within(a, false), within(a, true));
    let (low_b, high_b) = (within(b, false), within(b, true));
    let texture = |p: &Plane| {
        let mean = p.mean(4);
        p.with(p, |x, y| x * y).mean(4).with(&mean, |s, m| (s - m * m).max(0.0).sqrt())
    };
    let rough = texture(a).with(&texture(b), f32::min);
    let noise = (a.noise().powi(2) + b.noise().powi(2)).sqrt();
    let floor = if lightness { 5.0 } else { 7.0 };
    Plane::by(a.w, a.h, |x, y| {
        let n = y * a.w + x;
        if shown.v[n] < 0.5 {
            return 0.0;
        }
        let (va, vb) = (a.v[n], b.v[n]);
        // White is white however much light there was.
        if lightness && (va > 248.0 && vb > 225.0 || va < 6.0 && vb < 20.0) {
            return 0.0;
        }
        let there = (va - high_b.v[n]).max(low_b.v[n] - va);
        let back = (vb - high_a.v[n]).max(low_a.v[n] - vb);
        (there.max(back) - floor - 3.0 * noise - 0.35 * rough.v[n]).max(0.0)
    })
}

/// A place to look, in pixels of the first picture at the size compared.
#[derive(Clone, Debug, PartialEq)]
pub struct Place {
    /// Its left edge.
    pub x: usize,
    /// Its upper edge.
    pub y: usize,
    /// Pixels across.
    pub w: usize,
    /// Lines.
    pub h: usize,
    /// Grey levels beyond what is allowed for, over all its pixels.
    pub weight: f32,
    /// How many pixels differ.
    pub pixels: usize,
}

/// Difference from which a pixel belongs to a place.
pub const SEEN: f32 = 2.0;
/// What at least one pixel of a place must differ by.
const CLEAR: f32 = 8.0;
/// What a place must weigh, in grey levels times pixels.
const HEAVY: f32 = 160.0;
/// Places nearer than this are one.
const NEAR: usize = 10;

/// The places of a map of differences, the heaviest first, and the share of pixels that differ.
pub fn places(map: &Plane) -> Vec<Place> {
    let (w, h) = (map.w, map.h);
    let mut seen = vec![false; w * h];
    let mut found: Vec<Place> = Vec::new();
    for start in 0..w * h {
        if seen[start] || map.v[start] < SEEN {
            continue;
        }
        let mut place = Place { x: w, y: h, w: 0, h: 0, weight: 0.0, pixels: 0 };
        let (mut right, mut low, mut most) = (0, 0, 0f32);
        let mut open = vec![start];
        seen[start] = true;
        while let Some(n) = open.pop() {
            let (x, y) = (n % w, n / w);
            place.x = place.x.min(x);
            place.y = place.y.min(y);
            (right, low, most) = (right.max(x), low.max(y), most.max(map.v[n]));
            place.weight += map.v[n];
            place.pixels += 1;
            for j in y.saturating_sub(2)..=(y + 2).min(h - 1) {
                for i in x.saturating_sub(2)..=(x + 2).min(w - 1) {
                    let m = j * w + i;
                    if !seen[m] && map.v[m] >= SEEN {
                        seen[m] = true;
                        open.push(m);
                    }
                }
            }
        }
        if most >= CLEAR && place.weight >= HEAVY {
            (place.w, place.h) = (right - place.x + 1, low - place.y + 1);
            found.push(place);
        }
    }
    let mut joined = joined(found);
    joined.sort_by(|a, b| b.weight.total_cmp(&a.weight));
    joined
}

fn joined(mut places: Vec<Place>) -> Vec<Place> {
    loop {
        let mut pair = None;
        'search: for i in 0..places.len() {
            for j in i + 1..places.len() {
                if touch(&places[i], &places[j]) {
                    pair = Some((i, j));
                    break 'search;
                }
            }
        }
        let Some((i, j)) = pair else { return places };
        let b = places.swap_remove(j);
        let a = &mut places[i];
        let (right, low) = ((a.x + a.w).max(b.x + b.w), (a.y + a.h).max(b.y + b.h));
        (a.x, a.y) = (a.x.min(b.x), a.y.min(b.y));
        (a.w, a.h) = (right - a.x, low - a.y);
        a.weight += b.weight;
        a.pixels += b.pixels;
    }
}

/// Whether two places are near, and a box around both is not mostly empty.
fn touch(a: &Place, b: &Place) -> bool {
    let across = (a.x + a.w).max(b.x + b.w) - a.x.min(b.x);
    let down = (a.y + a.h).max(b.y + b.h) - a.y.min(b.y);
    if across * down > 2 * (a.w * a.h + b.w * b.h) + 400 {
        return false;
    }
    a.x < b.x + b.w + NEAR && b.x < a.x + a.w + NEAR && a.y < b.y + b.h + NEAR && b.y < a.y + a.h + NEAR
}
