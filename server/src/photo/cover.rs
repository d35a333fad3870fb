//! Covering parts of a picture: the pixels are overwritten before anything is encoded, so that nothing of them is in the copy.

use scale::Samples;

use super::rendition::{self, Pixels, Purpose, Rendition};
use crate::intake::redaction::{Area, WHOLE};

/// Fills boxes with black. A pixel that a box only touches is filled too, and one more around it: the picture was made smaller
/// before, and each pixel holds something of its neighbours.
pub fn cover(pixels: &mut Pixels, boxes: &[Area]) {
    let edge = |at: u32, side: u32, up: bool| {
        let exact = u64::from(at) * u64::from(side);
        let whole = u64::from(WHOLE);
        let n = if up { exact.div_ceil(whole) + 1 } else { (exact / whole).saturating_sub(1) };
        usize::try_from(n.min(u64::from(side))).unwrap_or(0)
    };
    let width = pixels.width as usize;
    for b in boxes {
        let (left, right) = (edge(b.x, pixels.width, false), edge(b.x.saturating_add(b.w), pixels.width, true));
        let (top, bottom) = (edge(b.y, pixels.height, false), edge(b.y.saturating_add(b.h), pixels.height, true));
        for line in top..bottom {
            if let Some(part) = pixels.samples.get_mut((line * width + left) * 3..(line * width + right) * 3) {
                part.fill(0);
            }
        }
    }
}

/// Both copies of an upright picture with its boxes filled; `None` where an encoder gives up.
pub fn copies(mut upright: Pixels, boxes: &[Area]) -> Option<Vec<Rendition>> {
    cover(&mut upright, boxes);
    let small = rendition::resized(&upright, rendition::SMALL, Samples::Rgb);
    let small = rendition::encode(Purpose::Small, small.as_ref().unwrap_or(&upright), None)?;
    Some(vec![small, rendition::encode(Purpose::Large, &upright, None)?])
}

#[cfg(test)]
mod tests {
    use super::*;

    fn white(width: u32, height: u32) -> Pixels {
        Pixels { width, height, samples: vec![255; (width * height * 3) as usize] }
    }

    fn black(p: &Pixels) -> Vec<(u32, u32)> {
        let at = |i: usize| (i as u32 % p.width, i as u32 / p.width);
        p.samples.chunks(3).enumerate().filter(|(_, s)| s.iter().all(|v| *v == 0)).map(|(i, _)| at(i)).collect()
    }

    #[test]
    fn every_pixel_that_a_box_touches_is_gone_and_no_other_line() {
        let mut p = white(20, 10);
        cover(&mut p, &[Area { x: 2_600, y: 5_100, w: 1_000, h: 1_000 }]);
        let all = black(&p);
        let (xs, ys): (Vec<u32>, Vec<u32>) = all.iter().copied().unzip();
        assert_eq!(
            (xs.iter().min(), xs.iter().max(), ys.iter().min(), ys.iter().max()),
            (Some(&4), Some(&8), Some(&4), Some(&7))
        );
        assert_eq!(all.len(), 5 * 4);
    }

    #[test]
    fn boxes_at_the_edges_stay_inside() {
        let mut p = white(7, 5);
        cover(&mut p, &[Area { x: 0, y: 0, w: WHOLE, h: WHOLE }, Area { x: 9_950, y: 9_950, w: 50, h: 50 }]);
        assert_eq!(black(&p).len(), 35);
        cover(&mut p, &[Area { x: u32::MAX, y: u32::MAX, w: u32::MAX, h: u32::MAX }]);
    }
}
