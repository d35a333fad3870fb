//! The stories: what came in, when, and what became of it. Makes, people and numbers are invented.

mod now;
mod past;

use drawn::Flaw;

use super::plot::Who;

/// A time before now.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum When {
    /// So many days ago, at an hour and a minute of the shop.
    Day(i64, i8, i8),
    /// So many minutes ago.
    Ago(i64),
}

/// How far an intake came at the counter.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum End {
    /// Still open: photographed only, or asked and arranged too.
    Open(bool),
    /// Signed, and in care.
    Signed,
    /// In care, not signed now, and why.
    NotNow(&'static str),
    /// Not taken in, and why.
    NotTaken(&'static str),
    /// Found outside hours at a place; nobody came yet.
    Found(&'static str),
}

/// Something done after the counter, by the bench.
#[derive(Clone, Copy, Debug)]
pub enum Bench {
    /// Its tag was lost: the new one, and why.
    Tag(&'static str, &'static str),
    /// It stands somewhere else now.
    To(&'static str),
    /// A photo of a view.
    Photo(&'static str),
    /// A question answered.
    Answer(&'static str, &'static str),
    /// The engine's numbers.
    Engine(&'static str),
    /// A reading: which, value, unit, method.
    Reading(&'static str, &'static str, &'static str, &'static str),
    /// A reading not taken, and why.
    NotRead(&'static str, &'static str),
    /// A service entry and a note.
    Service(&'static str, &'static str),
    /// Any entry of the bench: its type and its body.
    Say(&'static str, &'static str),
    /// A finding pinned on the photo of a view.
    Finding(&'static str, &'static str),
}

/// One machine's story.
#[derive(Clone, Debug)]
pub struct Story {
    /// The tag.
    pub tag: &'static str,
    /// The kind.
    pub kind: &'static str,
    /// The make.
    pub make: &'static str,
    /// The model.
    pub model: &'static str,
    /// The serial number; empty: not readable.
    pub serial: &'static str,
    /// A line on its plate.
    pub about: &'static str,
    /// Owner: name, telephone, email.
    pub owner: (&'static str, &'static str, &'static str),
    /// Who brought it, where that is not the owner.
    pub bringer: &'static str,
    /// What is wrong, in their words.
    pub complaint: &'static str,
    /// When it was opened, and by whom.
    pub opened: When,
    /// By whom.
    pub who: Who,
    /// An earlier story and how it goes back to it.
    pub earlier: Option<(usize, &'static str)>,
    /// Views photographed.
    pub views: &'static [&'static str],
    /// Photos that went wrong; whether they were taken again.
    pub flaws: &'static [(&'static str, Flaw, bool)],
    /// What is drawn broken: a view, and lines of a scene over it.
    pub damage: &'static [(&'static str, &'static str)],
    /// Answers at the counter.
    pub answers: &'static [(&'static str, &'static str)],
    /// Condition lines: part, word, the view that shows it.
    pub lines: &'static [(&'static str, &'static str, &'static str)],
    /// Safety devices looked at.
    pub safety: &'static [(&'static str, &'static str)],
    /// What was left with it.
    pub accessories: &'static [(&'static str, u32)],
    /// The limit in cents; 0: none.
    pub limit: u32,
    /// Gaps left open, and why.
    pub left_open: &'static [(&'static str, &'static str)],
    /// How far it came.
    pub end: End,
    /// Where it was put first.
    pub place: Option<&'static str>,
    /// What the bench did.
    pub bench: &'static [(When, Bench)],
}

impl Default for Story {
    fn default() -> Story {
        Story {
            tag: "",
            kind: "chainsaw",
            make: "Alder",
            model: "",
            serial: "",
            about: "",
            owner: ("", "", ""),
            bringer: "",
            complaint: "",
            opened: When::Ago(0),
            who: Who::Bo,
            earlier: None,
            views: &[],
            flaws: &[],
            damage: &[],
            answers: &[("bought", "new"), ("last-ran", "this season"), ("stored", "indoors fuel in")],
            lines: &[],
            safety: &[],
            accessories: &[],
            limit: 12_000,
            left_open: &[],
            end: End::Signed,
            place: None,
            bench: &[],
        }
    }
}

/// The views at the counter of each kind that is drawn.
const SAW: &[&str] = &["bar-side", "starter-side", "machine-plate", "hand-guard", "underside", "left-with-it"];
const SNOW: &[&str] = &["front-left", "rear-right", "machine-plate", "handle-panel", "auger-mouth", "left-with-it"];
const MOWER: &[&str] = &["front-left", "rear-right", "machine-plate", "rear-flap", "bail", "left-with-it"];
const TRIMMER: &[&str] = &["whole", "engine-end", "machine-plate", "head-face", "guard", "left-with-it"];
const GENERATOR: &[&str] = &["front", "rear", "machine-plate", "labels", "cords", "left-with-it"];
const CUTTER: &[&str] = &["belt-side", "starter-side", "machine-plate", "guard", "wheel-face", "left-with-it"];

/// All stories. A story goes back to another by its number here.
pub fn all() -> Vec<Story> {
    let mut all = past::stories();
    all.extend(now::stories());
    all
}
