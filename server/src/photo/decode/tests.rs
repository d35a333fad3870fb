//! Decoding. Colours without a source are arithmetic.

use image::ExtendedColorType::{L8, L16, La8, Rgb16, Rgba8, Rgba16};
use jpeg_encoder::{ColorType as JpegColours, Encoder};

use super::super::layout;
use super::super::synth::{jpeg, png, scene, webp};
use super::*;

fn decoded(kind: Kind, bytes: &[u8]) -> Picture {
    let layout = layout::read(kind, bytes);
    allowed(&layout, bytes.len()).unwrap();
    decode(kind, &layout, bytes).unwrap()
}

#[test]
fn every_kind_of_png_becomes_rgb_on_white() {
    let pixel = |colours, samples: &[u8]| decoded(Kind::Png, &png(1, 1, samples, colours)).rgb;
    assert_eq!(pixel(L8, &[9]), [9, 9, 9]);
    assert_eq!(pixel(La8, &[0, 51]), [204, 204, 204]);
    assert_eq!(pixel(Rgba8, &[10, 20, 30, 255]), [10, 20, 30]);
    assert_eq!(pixel(Rgba8, &[10, 20, 30, 0]), [255, 255, 255]);
    // 16-bit samples in the machine's byte order, as the encoder takes them.
    let wide = |values: &[u16]| values.iter().flat_map(|v| v.to_ne_bytes()).collect::<Vec<_>>();
    assert_eq!(pixel(L16, &wide(&[0x1234])), [0x12; 3]);
    assert_eq!(pixel(Rgb16, &wide(&[0x1000, 0x20FF, 0x3000])), [0x10, 0x20, 0x30]);
    assert_eq!(pixel(Rgba16, &wide(&[0x1000, 0x2000, 0x3000, 0xFFFF])), [0x10, 0x20, 0x30]);
}

#[test]
fn cmyk_becomes_rgb() {
    // Cyan, magenta, yellow and black patches of 32 pixels (the encoder writes an APP14 marker, values inverted).
    let mut samples = Vec::new();
    for _ in 0..16 {
        for ink in [[255u8, 0, 0, 0], [0, 255, 0, 0], [0, 0, 255, 0], [0, 0, 0, 255]] {
            (0..32).for_each(|_| samples.extend(ink));
        }
    }
    for colours in [JpegColours::Cmyk, JpegColours::CmykAsYcck] {
        let mut bytes = Vec::new();
        Encoder::new(&mut bytes, 95).encode(&samples, 128, 16, colours).unwrap();
        let picture = decoded(Kind::Jpeg, &bytes);
        for (patch, wanted) in [[0u8, 255, 255], [255, 0, 255], [255, 255, 0], [0, 0, 0]].into_iter().enumerate() {
            let at = (8 * 128 + patch * 32 + 16) * 3;
            let found = &picture.rgb[at..at + 3];
            assert!(found.iter().zip(wanted).all(|(a, b)| a.abs_diff(b) < 12), "{colours:?}: {found:?} for {wanted:?}");
        }
    }
}

#[test]
fn a_grey_jpeg_becomes_rgb() {
    let mut bytes = Vec::new();
    Encoder::new(&mut bytes, 95).encode(&[77; 64], 8, 8, JpegColours::Luma).unwrap();
    let picture = decoded(Kind::Jpeg, &bytes);
    assert!(picture.rgb.iter().all(|v| v.abs_diff(77) < 3));
}

#[test]
fn of_moving_pictures_the_first_is_looked_at() {
    // The frame's data out of a still file, put into the animation chunks of RFC 9649 2.7.1.
    let still = webp(&scene(60, 40));
    let data = &still[12..];
    let mut body = b"WEBPVP8X\x0a\0\0\0\x02\0\0\0\x3b\0\0\x27\0\0ANIM\x06\0\0\0\0\0\0\0\0\0".to_vec();
    for _ in 0..2 {
        body.extend_from_slice(b"ANMF");
        body.extend_from_slice(&(data.len() as u32 + 16).to_le_bytes());
        body.extend_from_slice(b"\0\0\0\0\0\0\x3b\0\0\x27\0\0\x64\0\0\0");
        body.extend_from_slice(data);
    }
    let mut bytes = b"RIFF".to_vec();
    bytes.extend_from_slice(&(body.len() as u32).to_le_bytes());
    bytes.extend_from_slice(&body);
    let picture = decoded(Kind::Webp, &bytes);
    assert_eq!((picture.width, picture.height), (60, 40));
    // Blending rounds.
    assert!(picture.rgb.iter().zip(scene(60, 40).samples).all(|(a, b)| a.abs_diff(b) < 3));
    let looked = super::super::judge(&bytes).unwrap().judged;
    assert!(looked.reasons.iter().any(|r| r.key == "photo.moving"), "{looked:?}");
}

#[test]
fn the_decoder_may_not_see_another_size_than_the_limits_did() {
    let bytes = jpeg(&scene(64, 64), |_| {});
    let mut layout = layout::read(Kind::Jpeg, &bytes);
    layout.width = 63;
    assert_eq!(decode(Kind::Jpeg, &layout, &bytes), Err(NoPicture::Unreadable));
}

#[test]
fn limits_tell_a_claim_from_a_photo() {
    let claim = |width, height, work_per_16| Layout { width, height, work_per_16, ..Layout::default() };
    assert_eq!(allowed(&claim(12_000, 6_666, 0), 100), Ok(()));
    assert_eq!(allowed(&claim(12_001, 1, 0), 100), Err(NoPicture::Bomb));
    assert_eq!(allowed(&claim(12_001, 1, 0), 200), Err(NoPicture::TooLarge));
    assert_eq!(allowed(&claim(9_000, 9_000, 0), 9_000_000), Err(NoPicture::TooLarge));
    assert_eq!(allowed(&claim(u32::MAX, u32::MAX, 128), usize::MAX), Err(NoPicture::TooLarge));
    assert_eq!(allowed(&claim(0, 100, 0), 100), Err(NoPicture::Unreadable));
    // A progressive JPEG with full colour holds six bytes a pixel beside its picture.
    assert_eq!(allowed(&claim(8_000, 7_000, 96), 9_000_000), Err(NoPicture::TooLarge));
    assert_eq!(memory_needed(&claim(0, 100, 0), 100), 0);
    // A 12-megapixel baseline photo of 4 MB (the measured peak of such a look is 74 MB and more).
    let needed = memory_needed(&claim(4000, 3000, 0), 4_000_000);
    assert!((74_000_000..96_000_000).contains(&needed), "{needed}");
}
