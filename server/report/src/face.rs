//! The two typefaces, and what of a text they can show. Letters stand one by one in the order of the text: what needs more
//! than that (writing from right to left, marks that combine) counts as lacking, and is told.

use krilla::text::{Font, GlyphId, KrillaGlyph};
use skrifa::charmap::Charmap;
use skrifa::instance::{LocationRef, Size};
use skrifa::metrics::GlyphMetrics;
use skrifa::{FontRef, MetadataProvider};
use unicode_normalization::char::is_combining_mark;

/// Liberation Sans 2.1.5, SIL Open Font License 1.1 (`fonts/OFL.txt`): Latin, Greek and Cyrillic.
static REGULAR: &[u8] = include_bytes!("../fonts/LiberationSans-Regular.ttf");
static BOLD: &[u8] = include_bytes!("../fonts/LiberationSans-Bold.ttf");

/// Drawn where a letter is lacking.
const BOX: char = '\u{25a1}';

/// One typeface.
pub struct Face {
    /// As it is drawn with.
    pub font: Font,
    charmap: Charmap<'static>,
    metrics: GlyphMetrics<'static>,
    em: f32,
}

/// Both.
pub struct Faces {
    /// Ordinary.
    pub regular: Face,
    /// Bold.
    pub bold: Face,
}

/// A stretch of a line that is drawn at once.
#[derive(Clone, Debug)]
pub struct Run {
    /// The text as it is copied and read aloud.
    pub text: String,
    /// What is drawn for it.
    pub glyphs: Vec<KrillaGlyph>,
    /// Its width at size 1.
    pub width: f32,
    /// How many letters of it are lacking; then boxes are drawn.
    pub lacking: usize,
}

/// What is drawn for a character.
enum Drawn {
    Glyph(u32, f32),
    Nothing,
    Lacking,
}

impl Faces {
    /// Reads both; none when they are damaged.
    pub fn new() -> Option<Faces> {
        Some(Faces { regular: Face::new(REGULAR)?, bold: Face::new(BOLD)? })
    }
}

/// Formatting that no eye sees: soft hyphens, marks of direction, joiners, variation selectors, zero-width spaces.
fn unseen(c: char) -> bool {
    matches!(c, '\u{ad}' | '\u{200b}'..='\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2060}'..='\u{206f}' | '\u{feff}' | '\u{fe00}'..='\u{fe0f}' | '\u{e0000}'..='\u{e0fff}')
}

/// Written from right to left, or with marks that have to be placed: not by this setting.
fn beyond(c: char) -> bool {
    matches!(c, '\u{590}'..='\u{8ff}' | '\u{fb1d}'..='\u{fdff}' | '\u{fe70}'..='\u{fefc}' | '\u{fff9}'..='\u{ffff}' | '\u{e000}'..='\u{f8ff}')
        || c as u32 >= 0x10000
        || c.is_control()
        || is_combining_mark(c)
}

/// A hyphen and a space at which no line breaks, and a tab, look like the ordinary ones.
fn alike(c: char) -> char {
    match c {
        '\u{2011}' => '-',
        '\t' | '\u{a0}' => ' ',
        c => c,
    }
}

/// Stands for no letter that two people agree on: controls, private use, what is no character.
fn nothing(c: char) -> bool {
    (c.is_control() && c != '\t')
        || matches!(c, '\u{e000}'..='\u{f8ff}' | '\u{fdd0}'..='\u{fdef}' | '\u{feff}')
        || c as u32 >= 0xf_0000
        || c as u32 & 0xfffe == 0xfffe
}

impl Face {
    fn new(bytes: &'static [u8]) -> Option<Face> {
        let read = FontRef::new(bytes).ok()?;
        let em = f32::from(read.metrics(Size::unscaled(), LocationRef::default()).units_per_em);
        Some(Face {
            font: Font::new(bytes.into(), 0)?,
            charmap: read.charmap(),
            metrics: read.glyph_metrics(Size::unscaled(), LocationRef::default()),
            em,
        })
    }

    fn drawn(&self, c: char) -> Drawn {
        if unseen(c) {
            return Drawn::Nothing;
        }
        match self.charmap.map(alike(c)).filter(|g| g.to_u32() != 0 && !beyond(alike(c))) {
            Some(glyph) => Drawn::Glyph(glyph.to_u32(), self.metrics.advance_width(glyph).unwrap_or(0.0) / self.em),
            None => Drawn::Lacking,
        }
    }

    /// Width of a text at size 1.
    pub fn width(&self, text: &str) -> f32 {
        text.chars().map(|c| self.advance(c)).sum()
    }

    /// Width of one character at size 1.
    pub fn advance(&self, c: char) -> f32 {
        match self.drawn(c) {
            Drawn::Glyph(_, width) => width,
            Drawn::Nothing => 0.0,
            Drawn::Lacking => match self.drawn(BOX) {
                Drawn::Glyph(_, width) => width,
                _ => 0.0,
            },
        }
    }

    /// A line as runs: what can be shown, and what is lacking, each apart.
    pub fn runs(&self, line: &str) -> Vec<Run> {
        let mut out: Vec<Run> = Vec::new();
        for c in line.chars() {
            let (glyph, width, lacking) = match self.drawn(c) {
                Drawn::Glyph(glyph, width) => (Some(glyph), width, false),
                Drawn::Nothing => (None, 0.0, out.last().is_some_and(|r| r.lacking > 0)),
                Drawn::Lacking => match self.drawn(BOX) {
                    Drawn::Glyph(glyph, width) => (Some(glyph), width, true),
                    _ => (None, 0.0, true),
                },
            };
            if out.last().is_none_or(|r| (r.lacking > 0) != lacking) {
                out.push(Run { text: String::new(), glyphs: Vec::new(), width: 0.0, lacking: 0 });
            }
            let Some(run) = out.last_mut() else { continue };
            let from = run.text.len();
            // What nobody sees is copied only with letters beside it that are lacking: an emoji is one with its joiners.
            if glyph.is_some() || lacking {
                run.text.push(if nothing(c) { '\u{fffd}' } else { alike(c) });
            }
            run.lacking += usize::from(lacking && glyph.is_some());
            run.width += width;
            if let Some(glyph) = glyph {
                let range = from..run.text.len();
                run.glyphs.push(KrillaGlyph::new(GlyphId::new(glyph), width, 0.0, 0.0, 0.0, range, None));
            }
        }
        // One box means many letters: so boxes stand for their letters together, as the text of all of them.
        for run in out.iter_mut().filter(|r| r.lacking > 0) {
            run.glyphs.iter_mut().for_each(|g| g.text_range = 0..run.text.len());
        }
        out.retain(|r| !r.glyphs.is_empty());
        out
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn face() -> Face {
        Faces::new().expect("the typefaces").regular
    }

    #[test]
    fn letters_of_the_languages_it_serves_are_there() {
        let face = face();
        for text in [
            "Größe ß „so“ – Ä",
            "Zażółć gęślą jaźń",
            "Příliš žluťoučký kůň",
            "Œuvre çà",
            "Ελλάδα",
            "Київ",
            "Tiếng Việt",
            "½ × 3 − 2 °C • …",
        ] {
            assert!(face.runs(text).iter().all(|r| r.lacking == 0), "{text}");
        }
    }

    #[test]
    fn what_is_lacking_is_a_box_with_its_letters_behind() {
        let runs = face().runs("to 東京 שלום\u{200d} x\u{7}");
        let lacking: Vec<_> = runs.iter().filter(|r| r.lacking > 0).map(|r| (r.text.as_str(), r.lacking)).collect();
        assert_eq!(lacking, [("東京", 2), ("שלום\u{200d}", 4), ("\u{fffd}", 1)]);
        assert!(runs.iter().all(|r| r.lacking == 0 || r.glyphs.len() == r.lacking));
    }

    #[test]
    fn a_soft_hyphen_is_not_drawn_and_takes_no_room() {
        let (face, with) = (face(), "in\u{ad}take");
        assert_eq!(face.runs(with)[0].text, "intake");
        assert!((face.width(with) - face.width("intake")).abs() < f32::EPSILON);
    }
}
