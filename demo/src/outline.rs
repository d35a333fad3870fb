//! Outlines as text, in the manner of SVG: absolute `M L H V Q C Z`, and `O cx cy r` for a circle, `E cx cy rx ry` for an
//! ellipse, `R x y w h` for a rectangle, `D x y w h r` for one with round corners.

use tiny_skia::{Path, PathBuilder, Rect};

/// The path that a text describes. What cannot be read is left out: the drawings are checked by eye and by digest.
pub fn path(text: &str) -> Option<Path> {
    let mut to = PathBuilder::new();
    let mut at = (0.0, 0.0);
    let mut rest = text.trim();
    while let Some(letter) = rest.chars().next() {
        let end = rest[1..].find(|c: char| c.is_ascii_alphabetic()).map_or(rest.len(), |n| n + 1);
        let n: Vec<f32> = rest[1..end].split([' ', ',']).filter_map(|s| s.parse().ok()).collect();
        rest = &rest[end..];
        at = step(&mut to, letter, &n, at);
    }
    to.finish()
}

fn step(to: &mut PathBuilder, letter: char, n: &[f32], mut at: (f32, f32)) -> (f32, f32) {
    match letter {
        'M' | 'L' => {
            for (i, p) in n.as_chunks::<2>().0.iter().enumerate() {
                if i == 0 && letter == 'M' {
                    to.move_to(p[0], p[1])
                } else {
                    to.line_to(p[0], p[1])
                }
                at = (p[0], p[1]);
            }
        }
        'H' => n.iter().for_each(|x| {
            at.0 = *x;
            to.line_to(at.0, at.1);
        }),
        'V' => n.iter().for_each(|y| {
            at.1 = *y;
            to.line_to(at.0, at.1);
        }),
        'Q' => n.as_chunks::<4>().0.iter().for_each(|p| {
            to.quad_to(p[0], p[1], p[2], p[3]);
            at = (p[2], p[3]);
        }),
        'C' => n.as_chunks::<6>().0.iter().for_each(|p| {
            to.cubic_to(p[0], p[1], p[2], p[3], p[4], p[5]);
            at = (p[4], p[5]);
        }),
        'O' => n.as_chunks::<3>().0.iter().for_each(|p| to.push_circle(p[0], p[1], p[2])),
        'E' => n.as_chunks::<4>().0.iter().for_each(|p| {
            if let Some(r) = Rect::from_xywh(p[0] - p[2], p[1] - p[3], p[2] * 2.0, p[3] * 2.0) {
                to.push_oval(r);
            }
        }),
        'R' => n.as_chunks::<4>().0.iter().for_each(|p| {
            if let Some(r) = Rect::from_xywh(p[0], p[1], p[2], p[3]) {
                to.push_rect(r);
            }
        }),
        'D' => n.as_chunks::<5>().0.iter().for_each(|p| round(to, p)),
        'Z' => to.close(),
        _ => {}
    }
    at
}

/// A rectangle with round corners.
fn round(to: &mut PathBuilder, [x, y, w, h, r]: &[f32; 5]) {
    let (right, bottom) = (x + w, y + h);
    to.move_to(x + r, *y);
    to.line_to(right - r, *y);
    to.quad_to(right, *y, right, y + r);
    to.line_to(right, bottom - r);
    to.quad_to(right, bottom, right - r, bottom);
    to.line_to(x + r, bottom);
    to.quad_to(*x, bottom, *x, bottom - r);
    to.line_to(*x, y + r);
    to.quad_to(*x, *y, x + r, *y);
    to.close();
}

/// Sine and cosine of an angle in degrees by their series, so that every machine draws the same bytes.
pub fn sin_cos(degrees: f64) -> (f64, f64) {
    let turned = degrees.rem_euclid(360.0);
    let x = (if turned > 180.0 { turned - 360.0 } else { turned }) * std::f64::consts::PI / 180.0;
    let series = |mut term: f64, from: i32| {
        let mut sum = term;
        for n in 0..12 {
            let k = f64::from(from + 2 * n);
            term *= -x * x / ((k + 1.0) * (k + 2.0));
            sum += term;
        }
        sum
    };
    (series(x, 1), series(1.0, 0))
}
