//! Everything in the order of the log, with three clocks apart: our server's, the phone's, the camera's claim.

use ::report::Block;
use evidence::entry::{Author, Entry};
use serde_json::{Value, json};
use uuid::Uuid;

use super::Tell;
use crate::intake::state::Photo;
use crate::photo::claims::Claims;
use crate::photo::when::{self, Whose};

/// What the server notes by itself when bytes arrive: it stands at the photo.
const OF_ITSELF: [&str; 3] = ["photo-received", "photo-judged", "file-received"];

pub(super) fn timeline(tell: &mut Tell<'_>) {
    tell.head("pack.timeline");
    tell.soft("report.timeline-means");
    let columns = [
        ("pack.column.index", 0.07),
        ("pack.column.what", 0.19),
        ("pack.column.who", 0.11),
        ("report.column.our-clock", 0.2),
        ("report.column.phone", 0.25),
        ("report.column.camera", 0.18),
    ];
    let columns = columns.iter().map(|(key, share)| (tell.w(key), *share)).collect();
    let entries = tell.of.shown.entries.iter().filter(|(_, e)| !OF_ITSELF.contains(&e.said.kind.as_str()));
    let rows = entries.map(|(index, entry)| row(tell, *index, entry)).collect();
    tell.out.push(Block::Table { columns, rows });
}

fn row(tell: &Tell<'_>, index: u64, entry: &Entry) -> Vec<String> {
    let photo: Option<Uuid> = entry.said.body.get("photo").and_then(Value::as_str).and_then(|p| p.parse().ok());
    let what =
        tell.w(&format!("lane.type.{}", entry.said.kind)) + &photo.map(|p| tell.numbers(&[p])).unwrap_or_default();
    let who = match entry.said.author {
        Author::Staff { staff, .. } => tell.input.name(Some(staff)),
        Author::Server { .. } => tell.input.name(None),
    };
    let taken = photo.filter(|_| entry.said.kind == "photo-taken").and_then(|p| tell.input.intake.photo(p));
    let camera = taken.and_then(|p| camera(tell, p)).unwrap_or_default();
    vec![index.to_string(), what, who, tell.input.wall(entry.kept.at), phone(tell, entry), camera]
}

/// The phone's clock, corrected where its error was measured.
fn phone(tell: &Tell<'_>, entry: &Entry) -> String {
    match (&entry.said.author, entry.kept.clock_offset_ms, entry.kept.round_trip_ms) {
        (Author::Server { .. }, ..) => String::new(),
        (_, Some(offset), Some(trip)) => {
            let seconds = format!("{:.1}", trip.div_ceil(2) as f64 / 1000.0);
            let when = tell.input.wall(entry.said.at.saturating_add(offset));
            tell.say("report.clock.measured", &json!({"when": when, "seconds": seconds}))
        }
        _ => tell.say("report.clock.plain", &json!({"when": tell.input.wall(entry.said.at)})),
    }
}

/// What the camera wrote into the picture, as it wrote it, and its zone if it wrote one.
pub(super) fn camera(tell: &Tell<'_>, photo: &Photo) -> Option<String> {
    let claims = Value::Object(photo.judged.as_ref()?.what.claims.clone());
    let claims: Claims = serde_json::from_value(claims).ok()?;
    let zone = jiff::tz::TimeZone::get(tell.input.zone).unwrap_or(jiff::tz::TimeZone::UTC);
    let told = when::when(&claims, &zone, None, 0).into_iter().find(|t| t.whose == Whose::CameraTaken)?;
    match (told.with.get("local"), told.with.get("offset"), told.with.get("raw")) {
        (Some(local), Some(offset), _) => Some(format!("{local} {offset}")),
        (Some(local), None, _) => Some(tell.say("report.clock.no-zone", &json!({"when": local}))),
        (None, _, Some(raw)) => Some(tell.say("report.clock.odd", &json!({"raw": raw}))),
        _ => None,
    }
}
