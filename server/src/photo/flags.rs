//! What a person should know about a photo beside its quality: what its claims and its likeness to other photos show.
//!
//! Flags inform, they never accuse: each is a fact with its innocent causes in the same sentence, none changes the
//! verdict, and none is a reason to refuse anything.

use super::claims::Claims;
use super::judge::Reason;
use super::when::{TimeClaim, Whose};

/// How far a camera's time may be after our receipt before it is told, in milliseconds: clocks run apart (common practice,
/// no source).
const AHEAD: i64 = 2 * 60 * 1000;

/// How long before our receipt a picture may have been taken before it is told, in milliseconds. A machine is taken in
/// within the hour and synced within the day; older ones mostly come from the phone's gallery (own rule).
const OLD: i64 = 24 * 3600 * 1000;

/// So many photos of one intake with the same second are told: two are a double tap, three a burst or a program (own rule).
const SAME_SECOND: usize = 3;

/// Milliseconds between taking and the file's last change that a camera needs to write it, generously (own rule).
const WRITING: i64 = 60 * 1000;

/// Words in the names of programs that change pictures. A camera's own firmware is a version number or the camera's name.
const PROGRAM_WORDS: [&str; 11] =
    ["photo", "edit", "paint", "draw", "gallery", "studio", "crop", "collage", "retouch", "image", "convert"];

/// Another photo of the same intake, as far as flags need it.
#[derive(Clone, Debug, Default)]
pub struct Other {
    /// Its camera's time, raw.
    pub taken: Option<String>,
    /// Make and model of its camera.
    pub camera: Option<String>,
}

/// What is known around a photo when its flags are told.
#[derive(Clone, Debug, Default)]
pub struct Around {
    /// Its time claims, as [`super::when::when`] gives them.
    pub times: Vec<TimeClaim>,
    /// The other photos of its intake, in their order.
    pub others: Vec<Other>,
}

/// Another photo that may be the same picture.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Likeness {
    /// The bytes are the same; otherwise it only looks alike.
    pub same_file: bool,
    /// It belongs to the same intake.
    pub here: bool,
    /// The name of its view, in each language; absent for a further photo.
    pub view: Option<serde_json::Value>,
    /// Both are meant for the same view.
    pub same_view: bool,
}

/// The flags of likeness, at most one for what is here and one for what is elsewhere.
///
/// The photo stays what its quality makes it: one picture may well show two views, and whether it does is for a person to
/// say. A retake looks like the first take, so within one view only the same file is told.
pub fn likeness(found: &[Likeness]) -> Vec<Reason> {
    let told = |f: &&Likeness| f.same_file || !(f.here && f.same_view);
    let best = |here: bool| {
        let mut of_it = found.iter().filter(|f| f.here == here).filter(told);
        let first = of_it.clone().find(|f| f.same_file);
        first.or_else(|| of_it.next())
    };
    let sentence = |f: &Likeness| match (f.same_file, f.here, &f.view) {
        (true, true, Some(view)) if !f.same_view => Reason::new("flag.same-file-view").say("view", view.clone()),
        (true, true, _) => Reason::new("flag.same-file"),
        (true, false, _) => Reason::new("flag.same-file-elsewhere"),
        (false, true, Some(view)) => Reason::new("flag.alike-view").say("view", view.clone()),
        (false, true, None) => Reason::new("flag.alike"),
        (false, false, _) => Reason::new("flag.alike-elsewhere"),
    };
    [best(true), best(false)].into_iter().flatten().map(sentence).collect()
}

/// Make and model in one line, where one of them is recorded.
pub fn camera(claims: &Claims) -> Option<String> {
    let words: Vec<&str> = [&claims.make, &claims.model].into_iter().flatten().map(|s| s.trim()).collect();
    let name = words.join(" ").trim().to_owned();
    (!name.is_empty()).then_some(name)
}

/// The flags of a photo's claims, in the order in which a person wants them.
pub fn flags(claims: &Claims, around: &Around) -> Vec<Reason> {
    let mut out = Vec::new();
    if claims == &Claims::default() {
        out.push(Reason::new("flag.no-exif"));
        return out;
    }
    let of = |whose| around.times.iter().find(|t| t.whose == whose);
    let received = of(Whose::Server).and_then(|t| t.earliest);
    if let (Some(taken), Some(received)) = (of(Whose::CameraTaken), received) {
        let raw = || claims.date_time_original.clone().unwrap_or_default();
        if taken.earliest.is_some_and(|t| t > received.saturating_add(AHEAD)) {
            let key = if taken.zone_assumed { "flag.after-receipt-zone-assumed" } else { "flag.after-receipt" };
            out.push(Reason::new(key).say("taken", raw()));
        }
        if let Some(age) = taken.latest.map(|t| received.saturating_sub(t)).filter(|age| *age > OLD) {
            out.push(Reason::new("flag.long-before").say("taken", raw()).and("days", age / OLD));
        }
    }
    if let (Some(taken), Some(changed)) = (of(Whose::CameraTaken), of(Whose::FileChanged))
        && taken.latest.zip(changed.earliest).is_some_and(|(taken, changed)| changed > taken.saturating_add(WRITING))
    {
        out.push(Reason::new("flag.changed-later").say("changed", claims.date_time.clone().unwrap_or_default()));
    }
    if let Some(program) = claims.software.as_deref().filter(|s| names_a_program(s)) {
        out.push(Reason::new("flag.program").say("program", program));
    }
    if let Some(taken) = &claims.date_time_original {
        let same = around.others.iter().filter(|o| o.taken.as_ref() == Some(taken)).count() + 1;
        if same >= SAME_SECOND && taken.bytes().any(|b| b.is_ascii_digit() && b != b'0') {
            out.push(Reason::new("flag.same-second").say("taken", taken.clone()).and("count", same as i64));
        }
    }
    let earlier = around.others.iter().rev().find_map(|o| o.camera.clone());
    if let (Some(here), Some(earlier)) = (camera(claims), earlier)
        && here != earlier
    {
        out.push(Reason::new("flag.other-camera").say("camera", here).say("earlier", earlier));
    }
    out
}

/// Whether the text reads like the name of a program that changes pictures, by everyday words in it.
fn names_a_program(software: &str) -> bool {
    let software = software.to_lowercase();
    PROGRAM_WORDS.iter().any(|word| software.contains(word))
}

#[cfg(test)]
mod tests;
