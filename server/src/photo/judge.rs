//! Whether a decoded picture shows enough: its resolution, exposure and sharpness, as numbers and in plain words.

use std::collections::BTreeMap;

use scale::Samples;
use serde::{Deserialize, Serialize};

use super::decode::Whole;
use super::rendition::{Pixels, resized};
use super::sharpness;

/// The version of this judgement; it goes into the entry. Another threshold or measure is another version.
pub const VERSION: &str = "2";

/// Long side on which exposure and sharpness are measured, in pixels.
const MEASURED_AT: u32 = 1024;

/// A picture needs so many pixels on its long and its short side to show a plate or a crack (common practice, no source).
const LEAST: (u32, u32) = (800, 600);

/// Too dark: nineteen of twenty pixels darker than this grey level, or so many per mille black.
const DARK: (u8, i64) = (60, 850);

/// Dim: nineteen of twenty pixels darker than this grey level. Where such a picture shows no edges, more light may.
const DIM: u8 = 110;

/// Too bright: nineteen of twenty pixels brighter than this grey level, or so many per mille white.
const BRIGHT: (u8, i64) = (215, 700);

/// Grey levels that count as clipped.
const CLIPPED: (u8, u8) = (8, 250);

/// Blurred: less gradient lost than this, per mille. On 12 camera pictures: sharp 329 to 718; made 1024 px large and then
/// blurred by σ 1 px 243 to 463, by σ 2 px 113 to 218, moved by 15 px 44 to 273 (tests/standards/sharpness_opencv.py).
const BLURRED: i64 = 220;

/// Moved: the least direction is below so many per cent of the most, and below this many per mille itself. Movement across
/// two of the four directions is shared between them, so it need not be below [`BLURRED`]. On the same 12 camera pictures:
/// sharp 67 to 99 % and 334 to 713; moved by 30 px and above [`BLURRED`] 32 to 74 % and 224 to 358.
const UNEVEN: (i64, i64) = (62, 320);

/// Moved rather than out of focus: the most loses at least this, per mille. On the same pictures moved by 8 to 30 px 172 to
/// 702, of 108 all but 5; out of focus by σ 3 px or a disc of 8 px 47 to 156.
const SHARP_ONE_WAY: i64 = 240;

/// The verdict on a picture.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Verdict {
    /// It may fill a view.
    #[serde(rename = "usable")]
    Usable,
    /// It is kept and fills nothing.
    #[serde(rename = "poor")]
    Poor,
    /// Nobody looked at it.
    #[serde(rename = "not judged")]
    NotJudged,
}

/// A reason: a message key and its parameters (texts and whole numbers).
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Reason {
    /// The key in the message catalogue.
    pub key: String,
    /// Its parameters.
    #[serde(default)]
    pub with: BTreeMap<String, serde_json::Value>,
}

impl Reason {
    /// A reason without parameters.
    pub fn new(key: &str) -> Reason {
        Reason { key: key.into(), with: BTreeMap::new() }
    }

    /// Adds a whole number.
    pub fn and(mut self, name: &str, value: impl Into<i64>) -> Reason {
        self.with.insert(name.into(), value.into().into());
        self
    }

    /// Adds a text, or a table of texts by language.
    pub fn say(mut self, name: &str, value: impl Into<serde_json::Value>) -> Reason {
        self.with.insert(name.into(), value.into());
        self
    }
}

/// What was found.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Judged {
    /// May it fill a view?
    pub verdict: Verdict,
    /// Why not, or what to know all the same; the first is the most important.
    pub reasons: Vec<Reason>,
    /// Whole numbers: `width`, `height` (as stored), `turn` (1 to 8), `bytes_after`; and where the picture was looked at
    /// `mean` (0 to 255), `black_pm`, `white_pm`, and where sharpness could be judged `edges_pm`, `sharp_pm`,
    /// `sharp_least_pm`, `sharp_most_pm` (per mille).
    pub measures: BTreeMap<&'static str, i64>,
}

impl Judged {
    /// A judgement before anything was looked at.
    pub fn start(verdict: Verdict, reasons: Vec<Reason>) -> Judged {
        Judged { verdict, reasons, measures: BTreeMap::new() }
    }
}

/// Judges a picture of the given stored size by its grey copy of at most 1600 px.
pub fn look(width: u32, height: u32, whole: Whole, large: &Pixels) -> Judged {
    let mut judged = Judged::start(Verdict::Usable, Vec::new());
    let smaller = resized(large, MEASURED_AT, Samples::Grey);
    let grey = smaller.as_ref().unwrap_or(large);
    let mut poor = Vec::new();
    match whole {
        Whole::Yes => {}
        Whole::CutOff => poor.push(Reason::new("photo.cut-off")),
        Whole::Damaged => poor.push(Reason::new("photo.damaged")),
    }
    if width.max(height) < LEAST.0 || width.min(height) < LEAST.1 {
        poor.push(
            Reason::new("photo.too-small")
                .and("width", width)
                .and("height", height)
                .and("long", LEAST.0)
                .and("short", LEAST.1),
        );
    }
    let light = Light::of(&grey.samples);
    judged.measures.extend([("mean", light.mean), ("black_pm", light.black), ("white_pm", light.white)]);
    let exposed = light.reason();
    let badly_lit = exposed.is_some();
    poor.extend(exposed);
    // In the dark there is noise for edges, and of half a picture half the edges: sharpness comes last.
    if !badly_lit && whole == Whole::Yes {
        match sharpness::measure(grey.width as usize, grey.height as usize, &grey.samples) {
            None if light.high < DIM => judged.reasons.push(Reason::new("photo.too-dark-to-judge")),
            None => judged.reasons.push(Reason::new("photo.too-little-detail")),
            Some(found) => {
                judged.measures.extend([
                    ("edges_pm", found.edges),
                    ("sharp_pm", found.all),
                    ("sharp_least_pm", found.least),
                    ("sharp_most_pm", found.most),
                ]);
                let uneven = found.least * 100 < found.most * UNEVEN.0;
                if found.least < BLURRED || (uneven && found.least < UNEVEN.1) {
                    let moved = uneven && found.most >= SHARP_ONE_WAY;
                    poor.push(Reason::new(if moved { "photo.moved" } else { "photo.blurred" }));
                }
            }
        }
    }
    if !poor.is_empty() {
        judged.verdict = Verdict::Poor;
        poor.append(&mut judged.reasons);
        judged.reasons = poor;
    }
    judged
}

/// Luma with the weights of ITU-R BT.601, as in JPEG itself.
pub fn grey(from: &Pixels) -> Pixels {
    let (pixels, _) = from.samples.as_chunks::<3>();
    let samples = pixels
        .iter()
        .map(|[r, g, b]| ((u32::from(*r) * 77 + u32::from(*g) * 150 + u32::from(*b) * 29 + 128) >> 8) as u8)
        .collect();
    Pixels { width: from.width, height: from.height, samples }
}

/// How the light is spread.
struct Light {
    mean: i64,
    /// Per mille at or below the dark clipping level.
    black: i64,
    /// Per mille at or above the bright clipping level.
    white: i64,
    /// The level that one pixel of twenty is below.
    low: u8,
    /// The level that one pixel of twenty is above.
    high: u8,
}

impl Light {
    fn of(grey: &[u8]) -> Light {
        let mut levels = [0u64; 256];
        grey.iter().for_each(|v| levels[usize::from(*v)] += 1);
        let count = (grey.len() as u64).max(1);
        let sum: u64 = levels.iter().enumerate().map(|(level, n)| level as u64 * n).sum();
        let share = |levels: &[u64]| (levels.iter().sum::<u64>() * 1000 / count) as i64;
        let below = |wanted: u64| {
            let mut seen = 0;
            levels.iter().position(|n| {
                seen += n;
                seen * 20 > wanted * count
            })
        };
        Light {
            mean: (sum / count) as i64,
            black: share(&levels[..=usize::from(CLIPPED.0)]),
            white: share(&levels[usize::from(CLIPPED.1)..]),
            low: below(1).unwrap_or(0) as u8,
            high: below(19).unwrap_or(255) as u8,
        }
    }

    fn reason(&self) -> Option<Reason> {
        if self.high < DARK.0 || self.black >= DARK.1 {
            return Some(Reason::new("photo.too-dark"));
        }
        (self.low > BRIGHT.0 || self.white >= BRIGHT.1).then(|| Reason::new("photo.too-bright"))
    }
}

#[cfg(test)]
mod tests;
