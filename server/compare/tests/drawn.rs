//! The rules on drawn pictures: what is laid over, what is found, and what is refused. How well it does on photos stands in
//! `standards.rs`.

use compare::{Compared, Picture, Refusal, Trust, compare};

/// Blots of many sizes at fixed places: something to hold on to everywhere. `near` blots are shifted by `by` pixels.
fn scene(seed: u32, by: f32, light: f32) -> Picture {
    let (w, h) = (480u32, 360u32);
    let mut state = seed;
    let mut random = |n: u32| {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        (state >> 8) % n
    };
    let mut grey = vec![120f32; (w * h) as usize];
    for _ in 0..700 {
        let (x, y, r, v) = (random(w) as f32 + by, random(h) as f32, 3 + random(9), random(200) as f32 + 20.0);
        let r = r as f32;
        for j in (y - r).max(0.0) as u32..((y + r) as u32).min(h) {
            for i in (x - r).max(0.0) as u32..((x + r).max(0.0) as u32).min(w) {
                let far = (i as f32 - x).hypot(j as f32 - y);
                let cover = (r - far).clamp(0.0, 1.0);
                let p = &mut grey[(j * w + i) as usize];
                *p = *p * (1.0 - cover) + v * cover;
            }
        }
    }
    let rgb = grey.iter().flat_map(|v| [(v * light) as u8; 3]).collect();
    Picture::new(w, h, rgb).expect("it fits")
}

fn painted(mut p: Picture, x: u32, y: u32, w: u32, h: u32, v: u8) -> Picture {
    for j in y..y + h {
        for i in x..x + w {
            p.rgb[((j * p.width + i) * 3) as usize..][..3].fill(v);
        }
    }
    p
}

fn done(a: &Picture, b: &Picture) -> Compared {
    match compare(a, b) {
        Ok(c) => c,
        Err(why) => panic!("refused: {}", why.word()),
    }
}

#[test]
fn the_same_moved_and_in_less_light_shows_no_place() {
    let c = done(&scene(1, 0.0, 1.0), &scene(1, 6.5, 0.7));
    assert_eq!(c.places, []);
    let [x, y] = c.at(200, 150);
    assert!((x - 206.5).abs() < 0.5 && (y - 150.0).abs() < 0.5, "{x} {y}");
    assert!(c.share(|t| t == Trust::Found) > 0.8);
}

#[test]
fn a_bar_that_was_not_there_is_a_place_in_both() {
    let c = done(&scene(1, 0.0, 1.0), &painted(scene(1, 8.0, 0.8), 208, 120, 60, 7, 8));
    let [place] = c.places.as_slice() else { panic!("{:?}", c.places) };
    assert!((195..206).contains(&place.x) && (52..75).contains(&place.w), "{place:?}");
    let [x, y, w, h] = c.in_second(place);
    assert!((203..214).contains(&x) && (114..124).contains(&y) && w >= 52 && h >= 7, "{x} {y} {w} {h}");
}

#[test]
fn what_the_second_does_not_show_is_no_difference() {
    let a = scene(1, 0.0, 1.0);
    let c = done(&painted(a.clone(), 2, 150, 24, 24, 255), &scene(1, -60.0, 1.0));
    assert_eq!(c.places, []);
    assert_eq!(c.trust[(160 * a.width + 10) as usize], Trust::Outside);
    assert!(c.map(32).iter().all(|line| line.starts_with('o')), "{:?}", c.map(32));
}

#[test]
fn what_cannot_be_laid_over_is_refused() {
    let a = scene(1, 0.0, 1.0);
    let why = |a: &Picture, b: &Picture| compare(a, b).err();
    assert_eq!(why(&a, &scene(2, 0.0, 1.0)), Some(Refusal::NotTheSameView));
    let plain = Picture::new(480, 360, vec![128; 480 * 360 * 3]).expect("it fits");
    assert_eq!(why(&a, &plain), Some(Refusal::TooLittleDetail));
    let tiny = Picture::new(100, 400, vec![128; 100 * 400 * 3]).expect("it fits");
    assert_eq!(why(&tiny, &a), Some(Refusal::TooSmall));
    let thin = Picture::new(1, 12_000, vec![128; 12_000 * 3]).expect("it fits");
    assert_eq!(why(&a, &thin), Some(Refusal::TooSmall));
    assert!(Picture::new(3, 3, vec![0; 26]).is_none() && Picture::new(0, 0, vec![]).is_none());
}

#[test]
fn the_pictures_for_people_have_its_size() {
    let c = done(&scene(1, 0.0, 1.0), &painted(scene(1, 8.0, 0.8), 208, 120, 60, 7, 8));
    let plain = c.bent.clone();
    for drawn in [compare::draw::over(&c), compare::draw::differences(&c)] {
        assert_eq!((drawn.width, drawn.height), (plain.width, plain.height));
        assert!(drawn.rgb.chunks_exact(3).any(|p| p == [255, 196, 0]), "no frame");
    }
}
