//! Breaks strips into pages: a heading stays with what follows, a photo is never cut, one line of a paragraph never stands
//! alone, a table's headings come again.

use std::rc::Rc;

use crate::set::Item;

/// A page, ISO 216 A4, in points.
pub const PAGE: (f32, f32) = (595.28, 841.89);
/// Left and right of the text.
pub const SIDE: f32 = 56.7;
/// Above the text.
pub const TOP: f32 = 51.0;
/// Below the text; the foot stands in it.
pub const BOTTOM: f32 = 68.0;
/// Width of the text.
pub const WIDTH: f32 = PAGE.0 - 2.0 * SIDE;
/// Height of the text.
pub const HEIGHT: f32 = PAGE.1 - TOP - BOTTOM;

/// What is never cut: a line, a picture, a row.
#[derive(Debug, Default)]
pub struct Strip {
    /// Room above it, unless it comes first on a page.
    pub before: f32,
    /// Its height.
    pub height: f32,
    /// Whether the next one stands on the same page, if both fit on one at all.
    pub stick: bool,
    /// Whether it begins a page.
    pub fresh: bool,
    /// What comes again above it when it is first on a page.
    pub again: Option<Rc<Strip>>,
    /// What is drawn, from its upper left corner.
    pub items: Vec<Item>,
    /// Its bookmark: level, from 1, and text.
    pub bookmark: Option<(u8, String)>,
}

/// A strip with its place on the page.
#[derive(Debug)]
pub struct Placed {
    /// From the page's upper edge.
    pub y: f32,
    /// The strip.
    pub strip: Rc<Strip>,
}

/// The pages.
pub fn pages(strips: Vec<Strip>) -> Vec<Vec<Placed>> {
    let strips: Vec<Rc<Strip>> = strips.into_iter().map(Rc::new).collect();
    let mut out: Vec<Vec<Placed>> = vec![Vec::new()];
    let (mut used, mut bound) = (0.0f32, 0);
    for (i, strip) in strips.iter().enumerate() {
        // Once for each group that sticks together: does all of it still fit here?
        let mut turn = strip.fresh && used > 0.0;
        if i >= bound {
            bound = i + 1 + strips[i..].iter().take_while(|s| s.stick).count();
            let group = strips[i..].iter().take(bound - i);
            let needs: f32 = group.map(|s| s.before + s.height).sum::<f32>();
            turn |= used > 0.0 && used + needs > HEIGHT && needs - strip.before <= HEIGHT;
        }
        turn |= used > 0.0 && used + strip.before + strip.height > HEIGHT;
        if turn {
            out.push(Vec::new());
            used = 0.0;
        }
        let Some(page) = out.last_mut() else { continue };
        if page.is_empty()
            && let Some(again) = &strip.again
        {
            page.push(Placed { y: TOP, strip: again.clone() });
            used = again.height;
        } else if !page.is_empty() {
            used += strip.before;
        }
        page.push(Placed { y: TOP + used, strip: strip.clone() });
        used += strip.height;
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn strip(height: f32, stick: bool) -> Strip {
        Strip { height, stick, ..Strip::default() }
    }

    fn heights(strips: Vec<Strip>) -> Vec<Vec<f32>> {
        pages(strips).iter().map(|p| p.iter().map(|s| s.strip.height).collect()).collect()
    }

    #[test]
    fn a_heading_goes_with_what_follows() {
        let all = vec![strip(HEIGHT - 30.0, false), strip(20.0, true), strip(25.0, false)];
        assert_eq!(heights(all), [vec![HEIGHT - 30.0], vec![20.0, 25.0]]);
    }

    #[test]
    fn nothing_reaches_below_the_page() {
        let all = (0..400).map(|i| Strip { before: 3.0, ..strip(7.0 + (i % 13) as f32, i % 3 == 0) }).collect();
        for page in pages(all) {
            let end = page.last().map(|p| p.y + p.strip.height).expect("a page has strips");
            assert!(end <= TOP + HEIGHT + 0.01, "{end}");
        }
    }

    #[test]
    fn what_sticks_together_and_is_longer_than_a_page_goes_on_over_pages() {
        let all: Vec<Strip> = (0..100).map(|_| strip(20.0, true)).collect();
        let pages = heights(all);
        assert!(pages.len() == 3 && pages.concat().len() == 100, "{pages:?}");
    }

    #[test]
    fn a_table_s_headings_come_again_on_its_next_page() {
        let head = Rc::new(strip(11.0, true));
        let row = || Strip { again: Some(head.clone()), ..strip(100.0, false) };
        let pages = heights((0..10).map(|_| row()).collect());
        assert_eq!(pages[1][..2], [11.0, 100.0]);
    }

    #[test]
    fn a_new_page_is_no_empty_page() {
        let all = vec![Strip { fresh: true, ..strip(5.0, false) }, Strip { fresh: true, ..strip(6.0, false) }];
        assert_eq!(heights(all), [[5.0], [6.0]]);
    }
}
