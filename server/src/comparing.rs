//! Two photos of one view, one laid over the other: what is said of them, and the command on two files.

use std::fs::{self, File};
use std::io::Read;
use std::path::Path;
use std::process::ExitCode;

use compare::{Compared, Picture, Refusal, Trust};
use serde::Serialize;
use serde_json::json;
use utoipa::ToSchema;

use crate::config;
use crate::photo;
use crate::photo::rendition::{self, Pixels, Purpose};

/// The largest file that the command reads, in bytes.
const MAX_FILE: u64 = 64 * 1024 * 1024;
/// Most places that are listed.
const MOST: usize = 24;
/// The squares of the coarse map of trust, in pixels.
const SQUARE: usize = 32;

/// A place to look, in pixels of the two pictures at the sizes given.
#[derive(Debug, Serialize, ToSchema)]
pub struct Place {
    /// In the first: left, top, across, down.
    first: [usize; 4],
    /// In the unbent second.
    second: [usize; 4],
    /// How many of its pixels differ.
    pixels: usize,
}

/// What is said of two photos of one view. A difference is a place to look: light, dirt and angle make differences too.
#[derive(Debug, Serialize, ToSchema)]
pub struct Said {
    /// The way they were compared.
    by: &'static str,
    /// Whether they could be laid over each other.
    compared: bool,
    /// Why not: `too-small`, `too-little-detail`, `not-the-same-view`, `too-little-in-common`, `does-not-fit`,
    /// `too-much-differs`, `unreadable`.
    #[serde(skip_serializing_if = "Option::is_none")]
    why: Option<&'static str>,
    /// The rest, where they could.
    #[serde(flatten)]
    over: Option<Over>,
}

/// How they lie over each other.
#[derive(Debug, Serialize, ToSchema)]
pub struct Over {
    /// The first, across and down, in pixels, at the size compared; the bent picture has it too.
    first: [u32; 2],
    /// The second.
    second: [u32; 2],
    /// The share of the first that the second shows too, per mille.
    shown: u32,
    /// The share of the first of which nothing is said because near parts may hide far ones, per mille.
    hidden: u32,
    /// How far parts lie from where they would if the machine were flat, in pixels; of 100 places the 95th.
    parallax: f32,
    /// Places to look, the most different first.
    places: Vec<Place>,
    /// How many more there are than are listed.
    more: usize,
    /// The side of the squares of the map, in pixels.
    square: usize,
    /// A letter for each square, line by line: `f` found in both, `b` put between what was found, `h` nothing is said of it,
    /// `o` the second does not show it.
    map: Vec<String>,
}

impl Said {
    /// They are not compared.
    pub fn no(why: &'static str) -> Said {
        Said { by: compare::VERSION, compared: false, why: Some(why), over: None }
    }

    /// What came of it.
    pub fn of(done: &Result<Compared, Refusal>) -> Said {
        let c = match done {
            Ok(c) => c,
            Err(why) => return Said::no(why.word()),
        };
        let per_mille = |share: f32| (share * 1000.0).round() as u32;
        let place =
            |p: &compare::Place| Place { first: [p.x, p.y, p.w, p.h], second: c.in_second(p), pixels: p.pixels };
        let over = Over {
            first: [c.first.width, c.first.height],
            second: [c.second.width, c.second.height],
            shown: per_mille(c.share(|t| t != Trust::Outside)),
            hidden: per_mille(c.share(|t| t == Trust::Hidden)),
            parallax: (c.parallax * 10.0).round() / 10.0,
            places: c.places.iter().take(MOST).map(place).collect(),
            more: c.places.len().saturating_sub(MOST),
            square: SQUARE,
            map: c.map(SQUARE),
        };
        Said { by: compare::VERSION, compared: true, why: None, over: Some(over) }
    }
}

/// A picture to compare; `None` where nothing can be made of the bytes.
pub fn picture(bytes: &[u8]) -> Option<Picture> {
    let pixels = photo::upright(bytes).ok()?;
    Picture::new(pixels.width, pixels.height, pixels.samples)
}

/// A picture as JPEG.
pub fn jpeg(picture: &Picture) -> Option<Vec<u8>> {
    let pixels = Pixels { width: picture.width, height: picture.height, samples: picture.rgb.clone() };
    rendition::encode(Purpose::Large, &pixels, None).map(|r| r.bytes)
}

/// The command: prints what is said, as JSON, and writes the pictures where a folder is named. The exit code is 0 where
/// the two were laid over each other, 1 where not.
///
/// # Errors
/// A sentence when a file cannot be read or written.
pub fn run(wanted: &config::Compare) -> Result<ExitCode, String> {
    let (first, second) = (file(&wanted.first)?, file(&wanted.second)?);
    let done = compare::compare(&first, &second);
    let said = serde_json::to_string_pretty(&json!(Said::of(&done))).map_err(|e| e.to_string())?;
    println!("{said}");
    let Ok(c) = &done else { return Ok(ExitCode::FAILURE) };
    if let Some(folder) = &wanted.out {
        fs::create_dir_all(folder).map_err(|e| format!("{}: {e}", folder.display()))?;
        let pictures = [
            ("first", c.first.clone()),
            ("second", c.second.clone()),
            ("bent", c.bent.clone()),
            ("over", compare::draw::over(c)),
            ("differences", compare::draw::differences(c)),
        ];
        for (name, picture) in pictures {
            let path = folder.join(format!("{name}.jpg"));
            let bytes = jpeg(&picture).ok_or_else(|| format!("{}: no JPEG could be made", path.display()))?;
            fs::write(&path, bytes).map_err(|e| format!("{}: {e}", path.display()))?;
        }
    }
    Ok(ExitCode::SUCCESS)
}

fn file(path: &Path) -> Result<Picture, String> {
    let mut bytes = Vec::new();
    let read = File::open(path).and_then(|f| f.take(MAX_FILE + 1).read_to_end(&mut bytes));
    read.map_err(|e| format!("{}: {e}", path.display()))?;
    if bytes.len() as u64 > MAX_FILE {
        return Err(format!("{}: larger than {MAX_FILE} bytes", path.display()));
    }
    picture(&bytes).ok_or_else(|| format!("{}: no picture that can be read", path.display()))
}
