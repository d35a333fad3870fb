//! Wraps text to a width: where Unicode allows a break (UAX 14), else where it must. No letter is lost.

use unicode_linebreak::linebreaks;
use unicode_normalization::UnicodeNormalization;
use unicode_normalization::char::is_combining_mark;

use crate::face::Face;

/// A line, and whether the text goes on without a space: only then a reader joins it to the next one.
pub type Line = String;

/// The lines of a text at a size. Line ends in it stay; an empty line is a line. Spaces at the end of a line stay in its text.
pub fn wrap(face: &Face, size: f32, text: &str, width: f32) -> Vec<Line> {
    let text: String = text.nfc().collect();
    text.split('\n').flat_map(|p| paragraph(face, width / size, p.trim_end_matches('\r'))).collect()
}

fn paragraph(face: &Face, width: f32, text: &str) -> Vec<Line> {
    let (mut out, mut line, mut used, mut from) = (Vec::new(), String::new(), 0.0f32, 0);
    for (to, _) in linebreaks(text) {
        let word = &text[from..to];
        from = to;
        let seen = face.width(word.trim_end());
        if used + seen > width && !line.trim_end().is_empty() {
            out.push(std::mem::take(&mut line));
            used = 0.0;
        }
        if seen <= width {
            line.push_str(word);
            used += face.width(word);
            continue;
        }
        // No break is allowed inside it, and it does not fit: it breaks where the line ends, never before a mark that combines.
        for c in word.chars() {
            let wide = face.advance(c);
            if used + wide > width && !line.is_empty() && !c.is_whitespace() && !is_combining_mark(c) {
                out.push(std::mem::take(&mut line));
                used = 0.0;
            }
            line.push(c);
            used += wide;
        }
    }
    if !line.is_empty() || out.is_empty() {
        out.push(line);
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::face::Faces;

    fn wrapped(text: &str, width: f32) -> Vec<String> {
        wrap(&Faces::new().expect("the typefaces").regular, 10.0, text, width)
    }

    #[test]
    fn no_letter_is_lost_and_no_line_is_too_wide() {
        let faces = Faces::new().expect("the typefaces");
        let long = "Donaudampfschifffahrtselektrizitätenhauptbetriebswerkbauunterbeamtengesellschaft";
        for text in [
            "It was fine when I dropped it off, and now it is not.",
            long,
            "a  b   c",
            "",
            "one\n\ntwo",
            "7K-20931/446",
        ] {
            for width in [12.0, 40.0, 90.0, 500.0] {
                let lines = wrapped(text, width);
                assert_eq!(lines.concat(), text.replace('\n', ""), "{width}");
                let wide = |l: &String| faces.regular.width(l.trim_end()) * 10.0;
                assert!(lines.iter().all(|l| wide(l) <= width + 0.01), "{lines:?} at {width}");
            }
        }
        assert_eq!(wrapped("one\n\ntwo", 90.0), ["one", "", "two"]);
    }

    #[test]
    fn it_breaks_after_spaces_and_not_at_a_space_that_holds() {
        assert_eq!(wrapped("alpha beta", 35.0), ["alpha ", "beta"]);
        assert_eq!(wrapped("EUR\u{a0}35.00 or", 52.0), ["EUR\u{a0}35.00 ", "or"]);
    }
}
