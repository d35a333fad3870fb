//! Pictures: what they are, how they are laid out, what they say of themselves, and what becomes of them.

use std::io::Cursor;

use counterfoil::photo::claims;
use counterfoil::photo::film;
use counterfoil::photo::kind::{Kind, sniff};
use counterfoil::photo::layout::{self, MAX_EXIF};
use counterfoil::photo::when::when;
use counterfoil::photo::{admit, judge, memory_needed};

use crate::keep;

/// Marks that readers of pictures look for.
pub const WORDS: &[&str] = &[
    "ftypheic",
    "mif1",
    "iloc",
    "iinf",
    "iref",
    "ipma",
    "Exif\0\0",
    "IHDR",
    "IDAT",
    "IEND",
    "VP8X",
    "VP8L",
    "EXIF",
    "RIFF",
    "\u{0}\u{0}\u{0}\u{1}",
];

const ALL: [Kind; 4] = [Kind::Jpeg, Kind::Png, Kind::Webp, Kind::Heic];
/// Most that one photo's claims may take of the entry that holds them.
const MAX_CLAIMS: usize = 16 * 1024;

/// The kept pictures; three targets begin with them.
pub fn all() -> Vec<Vec<u8>> {
    keep::files(&keep::folder("pictures"))
}

/// Their EXIF blocks.
pub fn blocks() -> Vec<Vec<u8>> {
    let block = |bytes: Vec<u8>| Some(layout::read(sniff(&bytes)?, &bytes).exif?.into_owned());
    all().into_iter().filter_map(block).collect()
}

/// Any walk over any bytes ends, stays inside them, and agrees with what is admitted.
pub fn sniffed(bytes: &[u8]) -> Result<String, String> {
    let mut shape = String::new();
    for kind in ALL {
        let found = layout::read(kind, bytes);
        if found.after > bytes.len() as u64 {
            return Err(format!("{kind:?}: {} bytes follow a picture in a file of {}", found.after, bytes.len()));
        }
        let block = found.exif.as_deref().map_or(0, <[u8]>::len);
        if block > MAX_EXIF || block > bytes.len() {
            return Err(format!("{kind:?}: an EXIF block of {block} bytes in a file of {}", bytes.len()));
        }
        shape.push_str(&format!("{}{}{} ", u8::from(found.width > 0), u8::from(found.whole), u8::from(block > 0)));
    }
    let film = film::read(&mut Cursor::new(bytes), bytes.len() as u64).map_err(|e| e.to_string())?;
    if let Some(film) = &film {
        let (judged, claims) = film::judged(film);
        if judged.reasons.is_empty() || serde_json::to_vec(&claims).map_err(|e| e.to_string())?.len() > MAX_CLAIMS {
            return Err("a film of which nothing is said, or too much".into());
        }
        shape.push_str(&format!("{:?}{}{}", film.kind, film.whole, film.duration_ms.is_some()));
    }
    let (kind, admitted, needed) = (sniff(bytes), admit(bytes), memory_needed(bytes));
    match (kind, admitted) {
        (None, Ok(_)) => Err("bytes of no kind are admitted".into()),
        (Some(kind), Ok(other)) if kind != other => Err("admitted as another kind than it is".into()),
        (kind, admitted) => {
            Ok(format!("{kind:?} {} {} {shape}", admitted.is_ok(), needed.checked_ilog2().unwrap_or(0)))
        }
    }
}

/// What is admitted is judged, and only that; what is said of it fits into an entry.
pub fn judged(bytes: &[u8]) -> Result<String, String> {
    let admitted = admit(bytes);
    match (judge(bytes), admitted) {
        (Err(a), Err(b)) if a == b => Ok(format!("{a:?}")),
        (Ok(outcome), Ok(kind)) if outcome.kind == kind => {
            let said = serde_json::to_vec(&outcome.claims).map_err(|e| e.to_string())?;
            let codes = serde_json::to_vec(&outcome.codes).map_err(|e| e.to_string())?;
            if said.len() > MAX_CLAIMS || codes.len() > MAX_CLAIMS {
                return Err(format!("{} bytes of claims, {} of codes", said.len(), codes.len()));
            }
            // A picture that shows too little has renditions and no look.
            if outcome.look.is_some() && outcome.renditions.is_empty() {
                return Err("it was looked at, and there is nothing to show of it".into());
            }
            let reasons: Vec<&str> = outcome.judged.reasons.iter().map(|r| r.key.as_ref()).collect();
            Ok(format!("{kind:?} {:?} {reasons:?}", outcome.judged.verdict))
        }
        (judged, admitted) => Err(format!("admitted {admitted:?}, judged {:?}", judged.map(|o| o.kind))),
    }
}

/// Claims are bounded texts and whole numbers; every time they give is an interval.
pub fn exif(bytes: &[u8]) -> Result<String, String> {
    let (claims, personal) = claims::read(bytes);
    let said = serde_json::to_string(&claims).map_err(|e| e.to_string())?;
    if said.len() > MAX_CLAIMS {
        return Err(format!("{} bytes of claims", said.len()));
    }
    if said.chars().any(char::is_control) {
        return Err("a control character in a claim".into());
    }
    let zone = jiff_zone();
    let times = when(&claims, &zone, Some((1_764_000_000_000, 400)), 1_764_000_001_000);
    for t in &times {
        if let (Some(from), Some(to)) = (t.earliest, t.latest)
            && from > to
        {
            return Err(format!("a time from {from} to {to}"));
        }
    }
    let gps = personal.gps.as_ref().map(|g| (g.latitude_millionths, g.longitude_millionths));
    if let Some((Some(lat), _)) = gps
        && lat.abs() > 90_000_000
    {
        return Err(format!("a latitude of {lat}"));
    }
    let present: Vec<&str> = serde_json::from_str::<serde_json::Map<String, serde_json::Value>>(&said)
        .map_err(|e| e.to_string())?
        .keys()
        .map(|k| if k == "altered" { "altered" } else { "x" })
        .collect();
    let keys: Vec<&str> = times.iter().map(|t| t.key).collect();
    Ok(format!("{} {keys:?} {}", present.len(), gps.is_some()))
}

fn jiff_zone() -> jiff::tz::TimeZone {
    jiff::tz::TimeZone::get("Europe/Vienna").unwrap_or(jiff::tz::TimeZone::UTC)
}
