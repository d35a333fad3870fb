//! The scenes: text files beside the sources, a view a section. How a line reads is said in `canvas.rs`.

use crate::ground::Ground;

/// Each kind's own views.
const KINDS: [(&str, &str); 6] = [
    ("chainsaw", include_str!("../scenes/chainsaw.scene")),
    ("two-stage-snow-thrower", include_str!("../scenes/two-stage-snow-thrower.scene")),
    ("walk-behind-mower", include_str!("../scenes/walk-behind-mower.scene")),
    ("trimmer", include_str!("../scenes/trimmer.scene")),
    ("generator", include_str!("../scenes/generator.scene")),
    ("cut-off-saw", include_str!("../scenes/cut-off-saw.scene")),
];

/// Views that look the same on many kinds.
const SHARED: &str = include_str!("../scenes/shared.scene");

/// Things that stand in many scenes.
const PARTS: &str = include_str!("../scenes/parts.scene");

/// What is drawn for a view of a kind.
pub fn scene(kind: &str, view: &str) -> Option<(Ground, Vec<&'static str>)> {
    let (_, own) = KINDS.iter().find(|(id, _)| *id == kind)?;
    let (ground, text) = section(own, view).or_else(|| section(SHARED, view))?;
    let ground = match ground {
        "bench" => Ground::Bench,
        "floor" => Ground::Floor,
        "paper" => Ground::Paper,
        _ => Ground::Metal,
    };
    let mut parts = Vec::new();
    // A scene may begin with another of its kind: `from bar-side`.
    let mut lines = text;
    let mut before = Vec::new();
    while let Some(rest) = lines.strip_prefix("from ") {
        let (name, rest) = rest.split_once('\n').unwrap_or((rest, ""));
        before.push(section(own, name.trim())?.1);
        lines = rest;
    }
    // What comes first in the section sets the view: a zoom, a turn.
    let (set, rest) = lines.split_once("draw\n").unwrap_or(("", lines));
    parts.push(set);
    parts.extend(before);
    parts.push(rest);
    Some((ground, parts))
}

/// A thing by its name.
pub fn part(name: &str) -> Option<&'static str> {
    section(PARTS, name).map(|(_, text)| text)
}

/// All views that are drawn, kind by kind.
pub fn views() -> Vec<(&'static str, &'static str)> {
    let names = |text: &'static str| text.lines().filter_map(|l| l.strip_prefix('[')?.split_once(']')).map(|(n, _)| n);
    KINDS.iter().flat_map(|(kind, own)| names(own).chain(names(SHARED)).map(move |view| (*kind, view))).collect()
}

/// A section `[name] word` of a file: its word and its lines.
fn section(text: &'static str, name: &str) -> Option<(&'static str, &'static str)> {
    let head = format!("[{name}]");
    let start = if text.starts_with(&head) { 0 } else { text.find(&format!("\n{head}"))? + 1 };
    let (first, rest) = text[start..].split_once('\n')?;
    let end = rest.find("\n[").map_or(rest.len(), |n| n + 1);
    Some((first[head.len()..].trim(), &rest[..end]))
}
