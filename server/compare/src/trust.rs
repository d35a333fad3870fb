//! Which of the fields found are believed, and what is put in the place of the others.

use crate::difference::Place;
use crate::flow::{CELL, Fields, Pair};
use crate::homography::solved;

/// What is known of a field.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Trust {
    /// The other picture does not show it.
    Outside,
    /// It was found both ways, and fits its neighbours.
    Found,
    /// It was not found; its neighbours lie as one, so it is where they say, and what differs there differs.
    Between,
    /// It was not found, and near and far parts meet here: one may hide the other. Nothing is said of it.
    Hidden,
}

/// Way and way back may differ by so much, in pixels.
const HOME: f32 = 1.5;
/// Neighbours further apart than this, in pixels, are parts at different distances.
const EDGE: f32 = 2.5;

/// Judges the fields of a pair by the way back, and moves those that are not believed with their neighbours.
pub fn judged(pair: &Pair, there: &mut Fields, back: &Fields) -> Vec<Trust> {
    let (w, h) = (there.w, there.h);
    let place = |n: usize| (Fields::middle(n % w), Fields::middle(n / w));
    let mut trust = vec![Trust::Between; w * h];
    for (n, of) in trust.iter_mut().enumerate() {
        let (x, y) = place(n);
        let d = there.moved[n];
        let home = back.moved[back.of(x + d[0], y + d[1])];
        let near = (d[0] + home[0]).hypot(d[1] + home[1]) < HOME;
        // Nothing to hold on to in a plain field: the way back proves nothing there, the neighbours decide.
        if near && there.alike[n] > 0.5 {
            *of = Trust::Found;
        }
    }
    alone(there, &mut trust);
    smooth(there, &trust);
    fill(there, &trust);
    for n in 0..w * h {
        let (x, y) = place(n);
        let d = there.moved[n];
        let shown = pair.b.holds(x + d[0], y + d[1], 0.0) && pair.shown.sample(x + d[0], y + d[1]) >= 0.5;
        if !shown {
            trust[n] = Trust::Outside;
        } else if trust[n] == Trust::Between && torn(there, &trust, n) {
            trust[n] = Trust::Hidden;
        }
    }
    // A field beside a hidden one, where parts meet, shows a bit of both.
    let before = trust.clone();
    for (n, of) in trust.iter_mut().enumerate() {
        let beside = there.around(n, 1).any(|m| before[m] == Trust::Hidden);
        if beside && before[n] != Trust::Outside && meet(there, n, 1) {
            *of = Trust::Hidden;
        }
    }
    trust
}

/// Whether a place is a guess: most of it was put between what was found, and what was found around it lies apart.
pub fn guessed(fields: &Fields, trust: &[Trust], place: &Place) -> bool {
    const RING: f32 = 3.0 * CELL;
    let inside = |m: usize, wide: f32| {
        let (x, y) = (Fields::middle(m % fields.w), Fields::middle(m / fields.w));
        let (left, top) = (place.x as f32 - wide, place.y as f32 - wide);
        let (right, low) = ((place.x + place.w) as f32 + wide, (place.y + place.h) as f32 + wide);
        (left..right).contains(&x) && (top..low).contains(&y)
    };
    let within = |wide: f32| (0..trust.len()).filter(move |m| inside(*m, wide));
    let own = within(CELL / 2.0).count();
    let found = within(CELL / 2.0).filter(|m| trust[*m] == Trust::Found).count();
    if found * 2 > own {
        return false;
    }
    let ring: Vec<usize> = within(RING).filter(|m| trust[*m] == Trust::Found).collect();
    let range = |axis: usize| {
        let mut values: Vec<f32> = ring.iter().map(|m| fields.moved[*m][axis]).collect();
        crate::plane::share(&mut values, 0.95) - crate::plane::share(&mut values, 0.05)
    };
    let wide = (place.w.max(place.h) as f32 + 2.0 * RING) / CELL;
    // A slope that goes on over the whole of it is no edge.
    range(0).max(range(1)) > EDGE + 0.05 * wide
}

/// Whether a place shows a part that the other picture shows elsewhere: several of its corners were found there. What
/// changed is not found at all.
pub fn elsewhere(place: &Place, corners: &[[f32; 2]]) -> bool {
    const SEVERAL: usize = 3;
    let (xs, ys) = (place.x..place.x + place.w, place.y..place.y + place.h);
    corners.iter().filter(|c| xs.contains(&(c[0] as usize)) && ys.contains(&(c[1] as usize))).count() >= SEVERAL
}

/// Whether parts at different distances meet within so many fields of one.
pub fn meet(fields: &Fields, n: usize, radius: usize) -> bool {
    fields.around(n, radius).any(|m| apart(fields, n, m) > EDGE)
}

/// Found fields that hang together with few others are not found: a repeated pattern takes in a few at a time.
fn alone(fields: &Fields, trust: &mut [Trust]) {
    const FEW: usize = 24;
    const TOGETHER: f32 = 1.5;
    let mut seen: Vec<bool> = trust.iter().map(|t| *t != Trust::Found).collect();
    for start in 0..trust.len() {
        if seen[start] {
            continue;
        }
        seen[start] = true;
        let mut part = vec![start];
        let mut next = 0;
        while next < part.len() {
            let n = part[next];
            next += 1;
            for m in fields.around(n, 1) {
                if !seen[m] && apart(fields, n, m) < TOGETHER {
                    seen[m] = true;
                    part.push(m);
                }
            }
        }
        if part.len() < FEW {
            part.iter().for_each(|n| trust[*n] = Trust::Between);
        }
    }
}

fn apart(fields: &Fields, n: usize, m: usize) -> f32 {
    let (a, b) = (fields.moved[n], fields.moved[m]);
    (a[0] - b[0]).hypot(a[1] - b[1])
}

/// Each found field on the plane through its found neighbours of the same part.
fn smooth(fields: &mut Fields, trust: &[Trust]) {
    let before = fields.clone();
    for n in (0..trust.len()).filter(|n| trust[*n] == Trust::Found) {
        let near: Vec<usize> =
            before.around(n, 2).filter(|m| trust[*m] == Trust::Found && apart(&before, n, *m) < EDGE).collect();
        if near.len() < 8 {
            continue;
        }
        let (cx, cy) = ((n % before.w) as f64, (n / before.w) as f64);
        for axis in 0..2 {
            let mut system = [[0f64; 4]; 3];
            for m in &near {
                let row = [1.0, (m % before.w) as f64 - cx, (m / before.w) as f64 - cy];
                let weight = f64::from(before.alike[*m].max(0.05)).powi(2);
                for i in 0..3 {
                    for j in 0..3 {
                        system[i][j] += weight * row[i] * row[j];
                    }
                    system[i][3] += weight * row[i] * f64::from(before.moved[*m][axis]);
                }
            }
            if let Some(s) = solved(system) {
                fields.moved[n][axis] = s[0] as f32;
            }
        }
    }
}

/// From the rim inwards: a field that was not found moves as the middle of those beside it that were, or were filled.
fn fill(fields: &mut Fields, trust: &[Trust]) {
    let mut known: Vec<bool> = trust.iter().map(|t| *t == Trust::Found).collect();
    loop {
        let mut rim = Vec::new();
        for n in 0..known.len() {
            if known[n] {
                continue;
            }
            let mut xs: Vec<f32> = Vec::new();
            let mut ys: Vec<f32> = Vec::new();
            for m in fields.around(n, 2).filter(|m| known[*m]) {
                xs.push(fields.moved[m][0]);
                ys.push(fields.moved[m][1]);
            }
            if !xs.is_empty() {
                rim.push((n, [crate::plane::middle(&mut xs), crate::plane::middle(&mut ys)]));
            }
        }
        if rim.is_empty() {
            return;
        }
        for (n, d) in rim {
            fields.moved[n] = d;
            known[n] = true;
        }
    }
}

/// Whether found fields around a place lie apart from each other, within as far as the nearer part may hide the other.
fn torn(fields: &Fields, trust: &[Trust], n: usize) -> bool {
    for radius in [2usize, 4, 7] {
        let found: Vec<usize> = fields.around(n, radius).filter(|m| trust[*m] == Trust::Found).collect();
        let range = |axis: usize| {
            let mut values: Vec<f32> = found.iter().map(|m| fields.moved[*m][axis]).collect();
            crate::plane::share(&mut values, 0.95) - crate::plane::share(&mut values, 0.05)
        };
        // A slope that goes on over the whole window tears nothing.
        let jump = range(0).max(range(1)) - 0.1 * radius as f32;
        if found.len() >= 4
            && jump > EDGE
            && jump + 2.0 * crate::flow::CELL >= (radius as f32 - 1.0) * crate::flow::CELL
        {
            return true;
        }
    }
    false
}
