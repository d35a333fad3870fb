//! Codes on plates and labels: QR, Data Matrix and Code 128, as suggestions to a person who reads the plate.
//!
//! What a code says is a stranger's text: bounded, stripped of control characters, never followed, never taken by itself.

use std::collections::HashSet;

use rxing::{BarcodeFormat, DecodeHints};
use serde::{Deserialize, Serialize};

use super::rendition::Pixels;

/// The most codes of one picture that are kept; a plate has one or two.
pub const MAX_CODES: usize = 4;

/// The most characters of one code that are kept. A serial has some 20, a QR code of a web page some 60; what is longer is
/// no suggestion for a field, and is left out.
pub const MAX_TEXT: usize = 200;

/// The most lines of a picture that may cross something like the corner mark of a QR code. The reader weighs every three
/// marks against each other, so a picture tiled with marks keeps it busy for minutes; one code of 1600 px has some 500.
const MAX_MARKS: usize = 1200;

/// A code that was read.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Code {
    /// `qr`, `data matrix` or `code 128`.
    pub format: String,
    /// What it says, trimmed.
    pub text: String,
}

/// Reads the codes of a grey picture of at most 1600 px.
///
/// One look for each format: the first code of each that is found.
pub fn read(grey: Pixels) -> Vec<Code> {
    let mut out: Vec<Code> = Vec::new();
    for (format, name) in [
        (BarcodeFormat::QR_CODE, "qr"),
        (BarcodeFormat::DATA_MATRIX, "data matrix"),
        (BarcodeFormat::CODE_128, "code 128"),
    ] {
        if format == BarcodeFormat::QR_CODE && marks(&grey) > MAX_MARKS {
            continue;
        }
        let mut hints =
            DecodeHints { PossibleFormats: Some(HashSet::from([format])), TryHarder: Some(true), ..Default::default() };
        let found = rxing::helpers::detect_in_luma_with_hints(
            grey.samples.clone(),
            grey.width,
            grey.height,
            Some(format),
            &mut hints,
        );
        if let Some(text) = found.ok().and_then(|f| plain(f.getText())) {
            out.push(Code { format: name.into(), text });
        }
    }
    out.truncate(MAX_CODES);
    out
}

/// How often a line of the picture crosses dark and light fields as wide as 1, 1, 3, 1, 1 (ISO/IEC 18004 6.3.3), counted
/// against the middle between the line's darkest and lightest, and with half a field of tolerance.
fn marks(grey: &Pixels) -> usize {
    let width = (grey.width as usize).max(1);
    let mut count = 0;
    for line in grey.samples.chunks_exact(width) {
        let (low, high) = line.iter().fold((255, 0), |(low, high), v| (low.min(*v), high.max(*v)));
        let middle = low / 2 + high / 2;
        let (mut runs, mut dark, mut len) = ([0usize; 5], false, 0usize);
        for v in line.iter().copied().chain([255, 0]) {
            if (v < middle) == dark {
                len += 1;
                continue;
            }
            runs.rotate_left(1);
            runs[4] = len;
            count += usize::from(dark && is_mark(&runs));
            (dark, len) = (!dark, 1);
        }
    }
    count
}

fn is_mark(runs: &[usize; 5]) -> bool {
    let sum: usize = runs.iter().sum();
    // In fourteenths of the whole: a field is two of them, give or take one.
    let near = |run: usize, fields: usize| (run * 14).abs_diff(sum * fields * 2) <= sum * fields;
    runs.iter().all(|r| *r > 0) && [1, 1, 3, 1, 1].into_iter().zip(runs).all(|(fields, run)| near(*run, fields))
}

/// A text that may stand in a field: no control characters but the separators of trade codes, which become spaces.
fn plain(raw: &str) -> Option<String> {
    // FNC1 comes as a group separator (ISO/IEC 15417, GS1 General Specifications).
    let text: String = raw
        .chars()
        .take(MAX_TEXT + 1)
        .map(|c| if c.is_control() || c == char::REPLACEMENT_CHARACTER { ' ' } else { c })
        .filter(|c| !invisible(*c))
        .collect();
    let text = text.split_whitespace().collect::<Vec<_>>().join(" ");
    (!text.is_empty() && text.chars().count() <= MAX_TEXT && raw.chars().count() <= MAX_TEXT).then_some(text)
}

/// Characters that change how others are shown: marks of direction, joiners, byte order (Unicode category Cf, its common part).
fn invisible(c: char) -> bool {
    matches!(c, '\u{AD}' | '\u{200B}'..='\u{200F}' | '\u{202A}'..='\u{202E}' | '\u{2060}'..='\u{206F}' | '\u{FEFF}')
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A QR code of `text`, each module `side` pixels wide, on white.
    fn qr(text: &str, side: u32) -> Pixels {
        let code = qrcode::QrCode::new(text).unwrap();
        let (across, dark) = (code.width() as u32, code.to_colors());
        let width = (across + 8) * side;
        let at = |n: u32| (n / side).checked_sub(4).filter(|n| *n < across);
        let samples = (0..width * width)
            .map(|n| match (at(n % width), at(n / width)) {
                (Some(x), Some(y)) if dark[(y * across + x) as usize] == qrcode::Color::Dark => 20,
                _ => 235,
            })
            .collect();
        Pixels { width, height: width, samples }
    }

    #[test]
    fn what_a_code_says_is_kept_as_a_claim() {
        let found = read(qr("S/N 178302944", 6));
        assert_eq!(found, [Code { format: "qr".into(), text: "S/N 178302944".into() }]);
        // The same, on its side and mirrored by nobody.
        let there = qr("178302944", 6);
        let turned = Pixels { samples: there.samples.iter().rev().copied().collect(), ..there };
        assert_eq!(read(turned)[0].text, "178302944");
    }

    #[test]
    fn a_stranger_s_text_is_bounded_and_plain() {
        assert_eq!(plain(" AB\u{1d}12\n\t34\u{0} ").as_deref(), Some("AB 12 34"));
        assert_eq!(plain("\u{202e}evil\u{200b}").as_deref(), Some("evil"));
        assert_eq!(plain(" \u{7}\r\n"), None);
        assert_eq!(plain(&"9".repeat(MAX_TEXT)).map(|t| t.len()), Some(MAX_TEXT));
        assert_eq!(plain(&"9".repeat(MAX_TEXT + 1)), None);
        assert_eq!(plain("<script>alert(1)</script>").as_deref(), Some("<script>alert(1)</script>"));
    }

    /// Pictures that keep a reader busy: corner marks side by side. They are passed over, a lone code is not.
    #[test]
    fn a_picture_full_of_marks_is_passed_over() {
        const MARK: [[u8; 9]; 9] = {
            let mut out = [[255; 9]; 9];
            let mut n = 0usize;
            while n < 81 {
                let (x, y) = (n % 9, n / 9);
                let ring = if x.abs_diff(4) > y.abs_diff(4) { x.abs_diff(4) } else { y.abs_diff(4) };
                if ring == 3 || ring < 2 {
                    out[y][x] = 0;
                }
                n += 1;
            }
            out
        };
        for side in [1usize, 2, 4] {
            let samples = (0..800 * 800).map(|n| MARK[n / 800 / side % 9][n % 800 / side % 9]).collect();
            let tiled = Pixels { width: 800, height: 800, samples };
            assert!(marks(&tiled) > MAX_MARKS, "{}", marks(&tiled));
            assert_eq!(read(tiled), []);
        }
        for side in [3, 12, 40] {
            let lone = qr("S/N 178302944", side);
            assert!((side as usize..MAX_MARKS).contains(&marks(&lone)), "{side}: {}", marks(&lone));
        }
    }

    #[test]
    fn what_is_no_code_is_none() {
        for pixels in [
            Pixels { width: 1, height: 1, samples: vec![0] },
            Pixels { width: 0, height: 0, samples: vec![] },
            Pixels { width: 300, height: 200, samples: vec![128; 60_000] },
            Pixels {
                width: 640,
                height: 480,
                samples: (0..640 * 480u32).map(|n| (n.wrapping_mul(2_654_435_761) >> 24) as u8).collect(),
            },
        ] {
            assert_eq!(read(pixels), []);
        }
    }
}
