//! Pictures for people: the two over each other, and where they differ.

use crate::{Compared, Picture, Place, Trust};

/// Around places: seen on any paint.
const FRAME: [u8; 3] = [255, 196, 0];
const RIM: [u8; 3] = [20, 20, 20];
/// What differs.
const DIFFERS: [f32; 3] = [214.0, 40.0, 120.0];

/// Half the first, half the bent second, the places framed.
pub fn over(c: &Compared) -> Picture {
    let rgb = c.first.rgb.iter().zip(&c.bent.rgb).map(|(a, b)| ((u16::from(*a) + u16::from(*b)) / 2) as u8).collect();
    let mut out = Picture { rgb, ..c.first.clone() };
    framed(&mut out, &c.places);
    out
}

/// The first in pale grey; what differs in colour, what nothing is said of hatched, the places framed.
pub fn differences(c: &Compared) -> Picture {
    let w = c.first.width as usize;
    let mut rgb = Vec::with_capacity(c.first.rgb.len());
    for (n, p) in c.first.rgb.chunks_exact(3).enumerate() {
        let grey = 0.299 * f32::from(p[0]) + 0.587 * f32::from(p[1]) + 0.114 * f32::from(p[2]);
        let (x, y) = (n % w, n / w);
        let pale = 105.0 + grey * 0.55;
        let hatched = match c.trust[n] {
            Trust::Outside => (x + y) % 8 < 4,
            Trust::Hidden => (x + y) % 8 < 2,
            Trust::Found | Trust::Between => false,
        };
        let ground = if hatched { pale * 0.55 } else { pale };
        let much = (f32::from(c.difference[n]) / 24.0).min(1.0).sqrt();
        rgb.extend(DIFFERS.map(|d| (ground * (1.0 - much) + d * much) as u8));
    }
    let mut out = Picture { rgb, ..c.first.clone() };
    framed(&mut out, &c.places);
    out
}

/// Frames around places, four pixels outside them.
fn framed(picture: &mut Picture, places: &[Place]) {
    let (w, h) = (picture.width as usize, picture.height as usize);
    for place in places {
        for (out, colour) in [(7, RIM), (6, FRAME), (5, FRAME), (4, RIM)] {
            let (left, top) = (place.x.saturating_sub(out), place.y.saturating_sub(out));
            let (right, low) = ((place.x + place.w + out - 1).min(w - 1), (place.y + place.h + out - 1).min(h - 1));
            let mut dot = |x: usize, y: usize| picture.rgb[(y * w + x) * 3..][..3].copy_from_slice(&colour);
            (left..=right).for_each(|x| {
                dot(x, top);
                dot(x, low);
            });
            (top..=low).for_each(|y| {
                dot(left, y);
                dot(right, y);
            });
        }
    }
}
