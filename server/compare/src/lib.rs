//! Lays one photo of a view over another and says where to look.
//!
//! A difference is a place to look, never a finding: light, dirt and angle make differences too. Pure: pictures in, numbers
//! and pictures out. What cannot be laid over each other is refused with a reason, and what of a picture cannot be trusted
//! is said place by place.
//!
//! How it is done, and where from: corners described by their slopes (`features`), the map of the largest plane among them
//! (`homography`), then fields of 8 px that move on their own, because machines are not flat (`flow`), believed only when
//! the way back leads home (`trust`), the second picture bent by them (`bend`), and what is left when light, focus and a
//! pixel of misfit are allowed for (`difference`).

mod bend;
mod difference;
pub mod draw;
mod features;
mod flow;
mod homography;
mod plane;
mod trust;

pub use difference::Place;
pub use homography::Homography;
pub use trust::Trust;

use bend::Bend;
use difference::Channels;
use features::Match;
use plane::Plane;

/// The name of this way to compare; another way gets another name.
pub const VERSION: &str = "compare-1";
/// The long side at which pictures are compared, in pixels.
pub const LONG: u32 = 1024;
/// The most memory a comparison takes beside the pictures handed in, in bytes: some forty planes of numbers (measured: 140 MB at
/// 1024 by 887 pixels).
pub const MEMORY: u64 = LONG as u64 * LONG as u64 * 4 * 40;

/// The short side must have this many pixels after making it smaller.
const LEAST: u32 = 160;
/// Matches that one plane must fit.
const MATCHES: usize = 14;
/// Matches within so many pixels of the plane's map lie on the plane.
const ON_PLANE: f32 = 5.0;
/// The share of the first picture that the second must show.
const COMMON: f32 = 0.35;
/// The share of the fields with texture that must be found.
const FOUND: f32 = 0.4;
/// The same once places of which nothing can be said are left out: with more than this there is nothing to show.
const SAID_NOTHING: f32 = 0.5;
/// A corner found so many pixels from where its field was put shows that the field is not there.
const ELSEWHERE: f32 = 6.0;
/// More than this share of the common part hidden: they were taken from too different places.
const HIDDEN: f32 = 0.4;
/// More than this share of the common part differing is no list of places.
const DIFFERS: f32 = 0.3;

/// A picture: red, green, blue, line by line without gaps.
#[derive(Clone, Debug, PartialEq)]
pub struct Picture {
    /// Pixels across.
    pub width: u32,
    /// Lines.
    pub height: u32,
    /// Three bytes a pixel.
    pub rgb: Vec<u8>,
}

impl Picture {
    /// A picture; `None` where the bytes do not fit the size, or there are none.
    pub fn new(width: u32, height: u32, rgb: Vec<u8>) -> Option<Picture> {
        let fits = (width as usize).checked_mul(height as usize)?.checked_mul(3)? == rgb.len();
        (fits && !rgb.is_empty()).then_some(Picture { width, height, rgb })
    }

    /// At most `LONG` on the long side; `None` where a side would vanish.
    fn small(&self) -> Option<Picture> {
        let long = self.width.max(self.height);
        if long <= LONG {
            return Some(self.clone());
        }
        let side = |v: u32| (u64::from(v) * u64::from(LONG) / u64::from(long)) as u32;
        let (w, h) = (side(self.width), side(self.height));
        if w == 0 || h == 0 {
            return None;
        }
        let rgb = scale::scale(&self.rgb, scale::Samples::Rgb, (self.width, self.height), (w, h))?;
        Picture::new(w, h, rgb)
    }

    fn channels(&self) -> Channels {
        let part = |r: f32, g: f32, b: f32| {
            let v = self.rgb.chunks_exact(3).map(|p| r * f32::from(p[0]) + g * f32::from(p[1]) + b * f32::from(p[2]));
            Plane { w: self.width as usize, h: self.height as usize, v: v.collect() }
        };
        Channels([part(0.299, 0.587, 0.114), part(-0.1687, -0.3313, 0.5), part(0.5, -0.4187, -0.0813)])
    }

    /// The colour between four pixels.
    fn between(&self, x: f32, y: f32) -> [u8; 3] {
        let (w, h) = (self.width as usize, self.height as usize);
        let (x, y) = (x.clamp(0.0, w as f32 - 1.0), y.clamp(0.0, h as f32 - 1.0));
        let (l, t) = (x as usize, y as usize);
        let (r, b) = ((l + 1).min(w - 1), (t + 1).min(h - 1));
        let (fx, fy) = (x - l as f32, y - t as f32);
        let at = |x: usize, y: usize, c: usize| f32::from(self.rgb[(y * w + x) * 3 + c]);
        std::array::from_fn(|c| {
            let above = at(l, t, c) * (1.0 - fx) + at(r, t, c) * fx;
            let below = at(l, b, c) * (1.0 - fx) + at(r, b, c) * fx;
            (above * (1.0 - fy) + below * fy).round() as u8
        })
    }
}

/// Why two pictures are not compared.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Refusal {
    /// A picture is smaller than 160 px on its short side, or many times longer than wide.
    TooSmall,
    /// There is too little in one of them to hold on to: blurred, dark, or a plain wall.
    TooLittleDetail,
    /// Nothing was found that both show from about the same side.
    NotTheSameView,
    /// They show the same, but little of it in both.
    TooLittleInCommon,
    /// They could not be laid over each other well enough.
    DoesNotFit,
    /// Nearly everything differs.
    TooMuchDiffers,
}

impl Refusal {
    /// Its word, for the interface.
    pub fn word(self) -> &'static str {
        match self {
            Refusal::TooSmall => "too-small",
            Refusal::TooLittleDetail => "too-little-detail",
            Refusal::NotTheSameView => "not-the-same-view",
            Refusal::TooLittleInCommon => "too-little-in-common",
            Refusal::DoesNotFit => "does-not-fit",
            Refusal::TooMuchDiffers => "too-much-differs",
        }
    }
}

/// Two pictures laid over each other, at the size they were compared at.
pub struct Compared {
    /// The first, at that size.
    pub first: Picture,
    /// The second, unbent, at its size.
    pub second: Picture,
    /// The second bent to lie over the first.
    pub bent: Picture,
    /// For each pixel of the first how much it differs, in grey levels beyond what is allowed for.
    pub difference: Vec<u8>,
    /// For each pixel of the first how far it is trusted.
    pub trust: Vec<Trust>,
    /// Places to look, the most different first.
    pub places: Vec<Place>,
    /// Corners matched, and of them those on the largest plane.
    pub matches: (usize, usize),
    /// The 95th of 100 distances from where the largest plane alone would lie, in pixels: how far from flat it is.
    pub parallax: f32,
    bend: Bend,
}

impl Compared {
    /// Where a pixel of the first lies in the unbent second.
    pub fn at(&self, x: usize, y: usize) -> [f32; 2] {
        self.bend.at(x, y)
    }

    /// The share of the first picture's pixels of such a trust, 0 to 1.
    pub fn share(&self, of: impl Fn(Trust) -> bool) -> f32 {
        self.trust.iter().filter(|t| of(**t)).count() as f32 / self.trust.len().max(1) as f32
    }

    /// A coarse map of trust, line by line, a letter for each square of `side` pixels: `f` found, `b` between, `h` hidden,
    /// `o` outside; whatever most of the square is.
    pub fn map(&self, side: usize) -> Vec<String> {
        let (w, h) = (self.first.width as usize, self.first.height as usize);
        let letter = |left: usize, top: usize| {
            let mut counts = [0usize; 4];
            for y in top..(top + side).min(h) {
                for x in left..(left + side).min(w) {
                    counts[self.trust[y * w + x] as usize] += 1;
                }
            }
            // In the order of the words of `Trust`.
            let most = (0..4).max_by_key(|n| counts[*n]).unwrap_or(0);
            ['o', 'f', 'b', 'h'][most]
        };
        (0..h).step_by(side).map(|y| (0..w).step_by(side).map(|x| letter(x, y)).collect()).collect()
    }

    /// Takes places of which nothing can be said out of the list; what differs there is hidden then.
    fn leave_out(&mut self, unsure: impl Fn(&Place) -> bool) {
        let (out, places): (Vec<Place>, Vec<Place>) = std::mem::take(&mut self.places).into_iter().partition(unsure);
        self.places = places;
        let w = self.first.width as usize;
        for place in out {
            for y in place.y..place.y + place.h {
                let line = y * w + place.x..y * w + place.x + place.w;
                self.difference[line.clone()].fill(0);
                let trust = self.trust[line].iter_mut().filter(|t| **t != Trust::Outside);
                trust.for_each(|t| *t = Trust::Hidden);
            }
        }
    }

    /// A place in the unbent second picture: left, top, across, down, cut to the picture.
    pub fn in_second(&self, place: &Place) -> [usize; 4] {
        let (mut least, mut most) = ([f32::MAX; 2], [f32::MIN; 2]);
        for (x, y) in [(0, 0), (place.w - 1, 0), (0, place.h - 1), (place.w - 1, place.h - 1)] {
            let at = self.at(place.x + x, place.y + y);
            for axis in 0..2 {
                least[axis] = least[axis].min(at[axis]);
                most[axis] = most[axis].max(at[axis]);
            }
        }
        let cut = |v: f32, size: u32| v.clamp(0.0, size as f32 - 1.0).round() as usize;
        let (x, y) = (cut(least[0], self.second.width), cut(least[1], self.second.height));
        [x, y, cut(most[0], self.second.width) - x + 1, cut(most[1], self.second.height) - y + 1]
    }
}

/// Lays the second picture over the first.
///
/// # Errors
/// Why they are not compared.
pub fn compare(first: &Picture, second: &Picture) -> Result<Compared, Refusal> {
    let (first, second) = sized(first, second)?;
    let (a, b) = (first.channels(), second.channels());
    let (la, lb) = (&a.0[0], &b.0[0]);
    let (fa, fb) = (features::features(la), features::features(lb));
    if fa.len().min(fb.len()) < 4 * MATCHES {
        return Err(Refusal::TooLittleDetail);
    }
    let matches = features::matches(&fa, &fb);
    let size = (la.w as f32, la.h as f32);
    let found = homography::found(&matches, ON_PLANE, size).ok_or(Refusal::NotTheSameView)?;
    // Chance alone lets a few of many wrong matches agree.
    if found.fit.len() < MATCHES.max(matches.len() / 12) {
        return Err(Refusal::NotTheSameView);
    }
    let back = found.map.back().ok_or(Refusal::NotTheSameView)?;
    let plane = Bend::flat(found.map, la.w, la.h);
    let other = (lb.w, lb.h);
    let shown = Plane::by(la.w, la.h, |x, y| f32::from(u8::from(plane.shows(x, y, other))));
    if shown.v.iter().sum::<f32>() < COMMON * shown.v.len() as f32 {
        return Err(Refusal::TooLittleInCommon);
    }
    let flat = plane.bent(lb);
    let (fields, trust) = parts(la, &flat, &shown, &matches, &back);
    if found_share(la, &fields, &trust) < FOUND {
        return Err(Refusal::DoesNotFit);
    }
    let bend = Bend::of(found.map, &fields, la, &flat);
    let meet: Vec<bool> = (0..fields.moved.len()).map(|n| trust::meet(&fields, n, 1)).collect();
    let meet = Plane::by(la.w, la.h, |x, y| f32::from(u8::from(meet[fields.of(x as f32, y as f32)])));
    let of_fields = trust;
    let trust = bend::spread(&fields, &of_fields, &bend, other);
    let of = |which: Trust| trust.iter().filter(|t| **t == which).count() as f32;
    if of(Trust::Hidden) > HIDDEN * (trust.len() as f32 - of(Trust::Outside)) {
        return Err(Refusal::DoesNotFit);
    }
    let mut far: Vec<f32> = bend.dx.v.iter().zip(&bend.dy.v).map(|(x, y)| x.hypot(*y)).collect();
    let parallax = plane::share(&mut far, 0.95);
    let mut compared = looked(first, second, (&a, &b), bend, (trust, meet), (matches.len(), found.fit.len()), parallax);
    let elsewhere: Vec<[f32; 2]> = matches
        .iter()
        .filter(|m| {
            let [x, y] = compared.at((m.a[0] as usize).min(la.w - 1), (m.a[1] as usize).min(la.h - 1));
            (m.b[0] - x).hypot(m.b[1] - y) > ELSEWHERE
        })
        .map(|m| m.a)
        .collect();
    compared.leave_out(|place| trust::guessed(&fields, &of_fields, place) || trust::elsewhere(place, &elsewhere));
    if compared.share(|t| t == Trust::Hidden) > SAID_NOTHING * compared.share(|t| t != Trust::Outside) {
        return Err(Refusal::DoesNotFit);
    }
    let differing = compared.difference.iter().filter(|d| f32::from(**d) >= difference::SEEN).count() as f32;
    let common = compared.share(|t| t != Trust::Outside) * compared.trust.len() as f32;
    if differing > DIFFERS * common {
        return Err(Refusal::TooMuchDiffers);
    }
    Ok(compared)
}

/// The second laid over the first by a given plane's map alone: what a program does that takes machines for flat. For
/// measuring what following the parts gains. The map is one of pixels at the size compared.
///
/// # Errors
/// Only that a picture is too small.
pub fn compare_flat(first: &Picture, second: &Picture, map: Homography) -> Result<Compared, Refusal> {
    let (first, second) = sized(first, second)?;
    let (a, b) = (first.channels(), second.channels());
    let (w, h) = (a.0[0].w, a.0[0].h);
    let bend = Bend::flat(map, w, h);
    let other = (second.width as usize, second.height as usize);
    let trust =
        (0..w * h).map(|n| if bend.shows(n % w, n / w, other) { Trust::Found } else { Trust::Outside }).collect();
    Ok(looked(first, second, (&a, &b), bend, (trust, Plane::of(w, h, 0.0)), (0, 0), 0.0))
}

fn sized(first: &Picture, second: &Picture) -> Result<(Picture, Picture), Refusal> {
    let small = |p: &Picture| p.small().filter(|s| s.width.min(s.height) >= LEAST).ok_or(Refusal::TooSmall);
    Ok((small(first)?, small(second)?))
}

/// The parts that move on their own, and how far each is believed.
fn parts(a: &Plane, flat: &Plane, shown: &Plane, matches: &[Match], back: &Homography) -> (flow::Fields, Vec<Trust>) {
    let there: Vec<Match> = matches.iter().map(|m| Match { a: m.a, b: back.at(m.b[0], m.b[1]) }).collect();
    let home: Vec<Match> = there.iter().map(|m| Match { a: m.b, b: m.a }).collect();
    let noise = a.noise().max(flat.noise()).max(1.0);
    let everything = Plane::of(a.w, a.h, 1.0);
    let pair = flow::Pair { a, b: flat, shown, noise };
    let mut fields = flow::fields(&pair, &there);
    let other = flow::fields(&flow::Pair { a: flat, b: a, shown: &everything, noise }, &home);
    let trust = trust::judged(&pair, &mut fields, &other);
    (fields, trust)
}

/// Of the fields with texture that the other picture shows: the share that was found.
fn found_share(a: &Plane, fields: &flow::Fields, trust: &[Trust]) -> f32 {
    let (gx, gy) = a.blurred(1.0).slopes();
    let strength = gx.with(&gy, |x, y| x * x + y * y).mean(7);
    let (mut all, mut found) = (0usize, 0usize);
    for (n, t) in trust.iter().enumerate() {
        let (x, y) = (flow::Fields::middle(n % fields.w), flow::Fields::middle(n / fields.w));
        if *t != Trust::Outside && strength.sample(x, y) > 9.0 {
            all += 1;
            found += usize::from(*t == Trust::Found);
        }
    }
    if all == 0 { 0.0 } else { found as f32 / all as f32 }
}

fn looked(
    first: Picture,
    second: Picture,
    (a, b): (&Channels, &Channels),
    bend: Bend,
    (trust, meet): (Vec<Trust>, Plane),
    matches: (usize, usize),
    parallax: f32,
) -> Compared {
    let (w, h) = (bend.dx.w, bend.dx.h);
    let bent = Channels([0, 1, 2].map(|n| bend.bent(&b.0[n])));
    let looked_at = Plane::by(w, h, |x, y| {
        let edge = x < 3 || y < 3 || x + 3 >= w || y + 3 >= h;
        let of = trust[y * w + x];
        f32::from(u8::from(!edge && matches!(of, Trust::Found | Trust::Between)))
    });
    // Beside what is not shown the bent picture repeats its edge.
    let inner = looked_at.extreme(false).extreme(false);
    let map = difference::difference(a, &bent, &inner, &meet);
    let places = difference::places(&map);
    let coloured = bend.coloured(&second);
    Compared {
        bent: Picture { width: w as u32, height: h as u32, rgb: coloured },
        first,
        second,
        difference: map.v.iter().map(|v| v.clamp(0.0, 255.0) as u8).collect(),
        trust,
        places,
        matches,
        parallax,
        bend,
    }
}
