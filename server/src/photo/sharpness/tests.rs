//! The measure itself, on drawn edges. What it gives on camera pictures is compared with OpenCV outside.

use super::*;

/// A circle with an edge as wide as wanted: a step softened over `soft` pixels.
fn disc(soft: f64) -> Vec<u8> {
    let mut out = Vec::new();
    for y in 0..300 {
        for x in 0..400 {
            let distance = (f64::from(x - 200).powi(2) + f64::from(y - 150).powi(2)).sqrt() - 100.0;
            let share = (distance / soft + 0.5).clamp(0.0, 1.0);
            out.push((60.0 + share * 120.0) as u8);
        }
    }
    out
}

#[test]
fn softer_edges_lose_less() {
    let lost: Vec<i64> = [1.0, 2.0, 4.0, 8.0, 16.0].map(|soft| measure(400, 300, &disc(soft)).unwrap().all).to_vec();
    assert!(lost.is_sorted_by(|a, b| a > b), "{lost:?}");
    // A step loses 1 − (the blurred step's gradient): two pixels of 60 levels against the Gaussian's middle (arithmetic).
    assert!((350..600).contains(&lost[0]), "{lost:?}");
    assert!(lost[4] < 80, "{lost:?}");
}

#[test]
fn all_directions_count() {
    let found = measure(400, 300, &disc(1.0)).unwrap();
    assert!(found.least > 220 && found.most < 600, "{found:?}");
    // Stripes up and down have one direction only: the others say nothing.
    let stripes: Vec<u8> = (0..300 * 400).map(|n| if (n % 400 / 10) % 2 == 0 { 60 } else { 180 }).collect();
    let found = measure(400, 300, &stripes).unwrap();
    assert_eq!((found.least, found.most), (found.all, found.all));
}

#[test]
fn too_little_says_nothing() {
    assert_eq!(measure(400, 300, &[120; 120_000]), None);
    assert_eq!(measure(10, 10, &[120; 100]), None);
    assert_eq!(measure(400, 300, &[]), None);
    let mut dots = vec![120; 120_000];
    (0..30).for_each(|n| dots[n * 4000 + 2000] = 255);
    assert_eq!(measure(400, 300, &dots), None);
}

#[test]
fn the_kernel_is_a_gaussian() {
    let raw: Vec<f64> = (0..6).map(|n| (-f64::from(n * n) / (2.0 * 1.5 * 1.5)).exp()).collect();
    let sum = raw[0] + 2.0 * raw[1..].iter().sum::<f64>();
    for (ours, exact) in KERNEL.iter().zip(&raw) {
        assert!((f64::from(*ours) - exact / sum).abs() < 1e-6, "{ours} {}", exact / sum);
    }
    let plane: Vec<f32> = vec![100.0; 400];
    assert!(blurred(20, 20, &plane).iter().all(|v| (v - 100.0).abs() < 1e-3));
}
