//! Turning and resizing. Orientations after Exif 2.32 4.6.4: stored row 0 and column 0 are this visual side.

use super::*;

/// Three by two pixels, each with its own value: 1 2 3 over 4 5 6.
fn six() -> Pixels {
    Pixels { width: 3, height: 2, samples: (1..=6).flat_map(|n| [n; 3]).collect() }
}

#[test]
fn each_turn_puts_the_pixels_where_the_standard_says() {
    let wanted: [(u8, u32, [u8; 6]); 9] = [
        (0, 3, [1, 2, 3, 4, 5, 6]),
        (1, 3, [1, 2, 3, 4, 5, 6]),
        // Row 0 top, column 0 right; then bottom and right; bottom and left.
        (2, 3, [3, 2, 1, 6, 5, 4]),
        (3, 3, [6, 5, 4, 3, 2, 1]),
        (4, 3, [4, 5, 6, 1, 2, 3]),
        // Row 0 left, column 0 top; right and top; right and bottom; left and bottom.
        (5, 2, [1, 4, 2, 5, 3, 6]),
        (6, 2, [4, 1, 5, 2, 6, 3]),
        (7, 2, [6, 3, 5, 2, 4, 1]),
        (8, 2, [3, 6, 2, 5, 1, 4]),
    ];
    for (turn, width, order) in wanted {
        let out = upright(six(), turn);
        assert_eq!((out.width, out.height), (width, 6 / width), "turn {turn}");
        assert_eq!(out.samples, order.iter().flat_map(|n| [*n; 3]).collect::<Vec<_>>(), "turn {turn}");
    }
}

#[test]
fn sizes_keep_the_shape_and_are_never_enlarged() {
    let size = |width: u32, height: u32, long| {
        let from = Pixels { width, height, samples: vec![90; (width * height) as usize] };
        resized(&from, long, scale::Samples::Grey).map(|p| (p.width, p.height))
    };
    assert_eq!(size(4000, 3000, 1600), Some((1600, 1200)));
    assert_eq!(size(3000, 4000, 320), Some((240, 320)));
    assert_eq!(size(9000, 3, 320), Some((320, 1)));
    assert_eq!(size(1601, 1000, 1600), Some((1600, 999)));
    assert_eq!(size(1600, 1200, 1600), None);
    assert_eq!(size(1, 1, 320), None);
}

#[test]
fn a_flat_picture_stays_flat() {
    let from = Pixels { width: 2000, height: 1500, samples: vec![131; 2000 * 1500 * 3] };
    let small = resized(&from, SMALL, scale::Samples::Rgb).unwrap();
    assert!(small.samples.iter().all(|v| *v == 131));
}

#[test]
fn nonsense_profiles_are_left_out() {
    assert!(!worth_keeping(b""));
    assert!(!worth_keeping(&[0; 200]));
    let mut endless = super::super::synth::profile(b"RGB ", "Wide", 300);
    assert!(worth_keeping(&endless));
    endless[128..132].copy_from_slice(&u32::MAX.to_be_bytes());
    endless[140..144].copy_from_slice(&u32::MAX.to_be_bytes());
    assert!(worth_keeping(&endless));
    endless[3] = 0;
    assert!(!worth_keeping(&endless), "says another length");
}
