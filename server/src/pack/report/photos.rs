//! The photos: large, in the pack's numbers, each with who took it, its clocks apart, and what was said of it.

use ::report::{Block, MarkOn, Photo as Printed};
use serde_json::json;

use super::{Tell, slug};
use crate::intake::state::Photo;
use crate::pack::gather::Placed;
use crate::receipt::page as paper;
use crate::receipt::{lines, since};

pub(super) fn photos(tell: &mut Tell<'_>) {
    let placed = tell.of.shown.placed;
    if placed.is_empty() {
        return;
    }
    tell.head("receipt.photos-title");
    for place in placed {
        if let Some(photo) = tell.input.intake.photo(place.photo) {
            let printed = printed(tell, place, photo);
            tell.out.push(Block::Photo(printed));
        }
    }
    tell.section("receipt.since", since::photos(tell.input));
}

fn printed(tell: &Tell<'_>, place: &Placed, photo: &Photo) -> Printed {
    let input = tell.input;
    let name = paper::caption(input, photo, place.number);
    let print = tell.of.prints.get(&place.photo);
    let instead = if let Some(erased) = since::erased(input, place.photo, &place.number.to_string()) {
        erased
    } else if photo.taken.film {
        tell.w("report.film")
    } else if place.copy.is_some() {
        tell.w("report.not-printed")
    } else {
        tell.w("receipt.no-preview")
    };
    let pins: Vec<(usize, MarkOn, String)> = pins(tell, photo);
    let alt = std::iter::once(name.clone()).chain(pins.iter().map(|p| p.2.clone())).collect::<Vec<_>>().join(". ");
    let taken = tell.say("pack.taken-by", &json!({"name": input.name(photo.mark.by)}));
    let mut caption = vec![format!("{taken} {}", tell.w(&format!("lane.{}", photo.taken.stage)))];
    caption.extend(said_of(tell, photo));
    caption.extend(pins.iter().map(|p| p.2.clone()));
    caption.extend(paper::clocks(input, photo));
    caption.extend(since::caption(input, place.photo));
    if print.is_some_and(|p| p.small) {
        caption.push(tell.w("report.printed-small"));
    }
    if place.original.is_none() && place.copy.is_some() {
        caption.push(tell.w("pack.copy-only"));
    }
    if let Some(path) = place.original.as_ref().or(place.copy.as_ref().map(|c| &c.0)) {
        caption.push(tell.say("report.file", &json!({"path": path})));
    }
    Printed {
        jpeg: print.map(|p| p.jpeg.clone()),
        width: print.map_or(0, |p| p.width),
        height: print.map_or(0, |p| p.height),
        instead,
        alt,
        name,
        caption,
        marks: pins.into_iter().map(|p| p.1).collect(),
    }
}

/// Condition lines, readings and guided views that name this photo.
fn said_of(tell: &Tell<'_>, photo: &Photo) -> Vec<String> {
    let (input, id) = (tell.input, photo.taken.photo);
    let mut out = Vec::new();
    for line in input.intake.lines.iter().filter(|l| l.what.photos.contains(&id)) {
        let text = lines::line(input, &line.what);
        out.push(tell.said("report.noted", &line.mark, json!({"text": text})));
    }
    for reading in input.intake.readings.iter().filter(|r| r.what.photo == Some(id)) {
        out.push(tell.said("report.noted", &reading.mark, json!({"text": super::bench::named(tell, &reading.what)})));
    }
    for view in input.intake.parts.pictures.iter().filter(|p| p.what.photo == id) {
        let part = input.intake.parts.card(view.what.part).map(|c| c.what.clone()).unwrap_or_default();
        let text = format!("{part}: {}", tell.w(&format!("part.view.{}", slug(&view.what.view))));
        out.push(tell.said("report.noted", &view.mark, json!({"text": text})));
    }
    out
}

/// Findings pinned on it: their number, the place, what is said.
fn pins(tell: &Tell<'_>, photo: &Photo) -> Vec<(usize, MarkOn, String)> {
    let findings = tell.input.intake.custody.findings.iter().enumerate();
    findings
        .filter(|(_, f)| f.what.photo == photo.taken.photo)
        .map(|(i, f)| {
            let mark = MarkOn { x: f.what.x, y: f.what.y, size: f.what.w.zip(f.what.h), label: (i + 1).to_string() };
            (i + 1, mark, super::bench::finding(tell, i, f))
        })
        .collect()
}
