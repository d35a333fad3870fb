//! What happened to the record after it was made: a lost tag, a photo that shows another machine, one that was erased. A receipt made again says it
//! and leaves the rest as it was.

use serde_json::json;
use uuid::Uuid;

use super::Input;
use super::lines::say;
use crate::intake::sheet;
use crate::intake::state::Photo;

/// Types of entries that a receipt carries beside those up to its acceptance.
pub const TYPES: [&str; 5] = ["tag-replaced", "photo-moved", "photo-came", "photo-erased", "customer-erased"];

/// "Tag 0031, before 0007", for each tag that was lost, in order.
pub fn tags(input: &Input<'_>) -> Vec<String> {
    let before = input.since.lost_tags();
    let line = |((before, _), new): (&(&str, _), &crate::intake::state::Said<crate::intake::days::TagReplaced>)| {
        let with = json!({"tag": new.what.tag, "before": before, "because": new.what.because,
            "when": input.wall(new.mark.at), "name": input.name(new.mark.by)});
        say(input, "receipt.tag-before", &with)
    };
    before.iter().zip(&input.since.tags).map(line).collect()
}

/// That the customer's personal data was erased, each time it was.
pub fn customer(input: &Input<'_>) -> Vec<String> {
    let line = |e: &crate::intake::state::Said<crate::intake::erasure::CustomerErased>| {
        let with = json!({"why": super::erased::why(input.words, &e.what.why), "when": input.wall(e.mark.at),
            "name": input.name(e.mark.by)});
        say(input, "receipt.customer-erased", &with)
    };
    input.since.erasures.iter().map(line).collect()
}

/// What became of photos: moved to another machine, come from one. Numbers are those of this receipt.
pub fn photos(input: &Input<'_>) -> Vec<String> {
    let shown = sheet::shown_photos(input.kind, input.intake);
    let number = |id: Uuid| shown.iter().position(|p| p.taken.photo == id).map(|i| (i + 1).to_string());
    let view = |p: &Photo| p.taken.view.as_deref().and_then(|v| input.kind.view(v)).map(|v| input.words.text(&v.short));
    let mut out = Vec::new();
    for photo in &input.since.photos {
        let name = number(photo.taken.photo).or_else(|| view(photo).map(|v| format!("“{v}”"))).unwrap_or_default();
        if let Some(from) = photo.from {
            let with = json!({"photo": name, "tag": input.tag_of(from), "when": input.wall(photo.mark.at), "name": input.name(photo.mark.by)});
            out.push(say(input, "receipt.photo-came", &with));
        }
        if let Some(moved) = &photo.moved {
            let with = json!({"photo": name, "tag": input.tag_of(moved.what.to), "because": moved.what.because,
                "when": input.wall(moved.mark.at), "name": input.name(moved.mark.by)});
            out.push(say(input, "receipt.photo-moved", &with));
        }
        if photo.erased.is_some() {
            out.extend(erased(input, photo.taken.photo, &name));
        }
    }
    out
}

/// "Photo 3: erased on … because …", when it was.
pub fn erased(input: &Input<'_>, photo: Uuid, name: &str) -> Option<String> {
    let erased = input.since.photo(photo)?.erased.as_ref()?;
    let because = super::erased::why(input.words, &erased.what.because);
    let with = json!({"photo": name, "because": because, "when": input.wall(erased.mark.at),
        "name": input.name(erased.mark.by)});
    Some(say(input, "receipt.photo-erased", &with))
}

/// What stands beside a photo that is shown and was moved away since.
pub fn caption(input: &Input<'_>, photo: Uuid) -> Option<String> {
    let moved = input.since.photo(photo)?.moved.as_ref()?;
    Some(say(input, "receipt.photo-is-moved", &json!({"tag": input.tag_of(moved.what.to)})))
}
