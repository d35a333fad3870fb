//! The sheet: the exact list of facts and photos shown to the customer. Pure and deterministic, so that the phone
//! and the server make the same bytes from the same entries.

use std::collections::BTreeSet;

use evidence::digest::Digest;
use evidence::sheet::Sheet;

use super::body::Acknowledged;
use super::check::{self, Mode};
use super::kind::{Due, Kind};
use super::state::{Intake, Photo};

/// The language a sheet is shown in.
#[derive(Clone, Debug)]
pub struct Shown<'a> {
    /// Language tag.
    pub language: &'a str,
    /// Digest of the catalogue.
    pub words: Digest,
    /// Who read or translated it.
    pub reader: Option<&'a str>,
}

/// The photos shown, in the order they are numbered: those on condition lines first, then the newest of each view
/// in the kind's order, then the rest; each once. Photos taken after the acceptance come last, so that the numbers on the
/// customer's receipt stay true.
pub fn shown_photos<'a>(kind: &Kind, intake: &'a Intake) -> Vec<&'a Photo> {
    let (later, shown): (Vec<&Photo>, Vec<&Photo>) =
        intake.photos.iter().partition(|p| intake.after_acceptance(&p.mark));
    let mut out = in_order(kind, intake, &shown);
    out.extend(in_order(kind, intake, &later));
    out
}

/// The newest photo of a view among these.
fn newest<'a>(photos: &[&'a Photo], view: &str) -> Option<&'a Photo> {
    photos.iter().rev().find(|p| p.taken.view.as_deref() == Some(view)).copied()
}

fn in_order<'a>(kind: &Kind, intake: &Intake, photos: &[&'a Photo]) -> Vec<&'a Photo> {
    let mut out: Vec<&Photo> = Vec::new();
    let mut seen = BTreeSet::new();
    let mut add = |p: &'a Photo, out: &mut Vec<&'a Photo>| {
        if seen.insert(p.taken.photo) {
            out.push(p);
        }
    };
    for line in &intake.lines {
        for id in &line.what.photos {
            if let Some(p) = photos.iter().find(|p| p.taken.photo == *id) {
                add(p, &mut out);
            }
        }
    }
    for view in &kind.views {
        if let Some(p) = newest(photos, &view.id) {
            add(p, &mut out);
        }
    }
    for p in photos {
        let superseded =
            p.taken.view.as_deref().and_then(|v| newest(photos, v)).is_some_and(|n| n.taken.photo != p.taken.photo);
        if !superseded {
            add(p, &mut out);
        }
    }
    out
}

/// The sheet of an intake as it stands.
pub fn build(kind: &Kind, intake: &Intake, shown: &Shown<'_>) -> Option<Sheet> {
    let opened = intake.opened.as_ref()?;
    let photos = shown_photos(kind, intake);
    let mut entries = BTreeSet::from([opened.mark.digest]);
    entries.extend(intake.machine.values().map(|s| s.mark.digest));
    entries.extend(intake.people.values().map(|s| s.mark.digest));
    entries.extend(intake.statements.values().map(|s| s.mark.digest));
    entries.extend(intake.answers.values().map(|s| s.mark.digest));
    entries.extend(intake.lines.iter().map(|l| l.mark.digest));
    entries.extend(intake.safety.values().map(|s| s.mark.digest));
    entries.extend(intake.accessories.values().map(|s| s.mark.digest));
    entries.extend(intake.blocks.values().map(|s| s.mark.digest));
    entries.extend(intake.arrangements.values().map(|s| s.mark.digest));
    entries.extend(photos.iter().map(|p| p.mark.digest));
    let left = check::check_facts(kind, intake, Mode::Device);
    for l in left.left_open.iter().filter(|l| l.gap.due == Due::AtCounter) {
        entries.extend(intake.left_open.get(&l.gap.gap).map(|s| s.mark.digest));
    }
    Some(Sheet {
        entries: entries.into_iter().collect(),
        files: photos.iter().map(|p| p.taken.file).collect(),
        intake: intake.whose.intake,
        kind: opened.what.kind,
        language: shown.language.to_owned(),
        reader: shown.reader.map(str::to_owned),
        shop: intake.whose.shop,
        terms: intake.arrangements.get("terms").and_then(|t| t.what.value.as_str()).and_then(|t| t.parse().ok()),
        words: shown.words,
    })
}

/// The sheet as an acknowledgement says it was shown.
pub fn as_acknowledged(kind: &Kind, intake: &Intake, ack: &Acknowledged) -> Option<Sheet> {
    let shown = Shown { language: &ack.language, words: ack.words, reader: ack.reader.as_deref() };
    build(kind, intake, &shown)
}
