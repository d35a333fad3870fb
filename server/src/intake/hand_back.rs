//! Going home: the same views again, every thing and old part settled, tried or not, what it is kept from told, who collects,
//! their signature. Pure; the phone asks for the same in `server/web/core/hand-back.js`.

use std::collections::{BTreeMap, BTreeSet};

use evidence::digest::Digest;
use evidence::sheet::Sheet;
use serde::{Deserialize, Serialize};
use serde_json::{Map, Value, json};
use uuid::Uuid;

use super::body::{BodyError, one_of, typed, wrong};
use super::check::{Checked, Gap, LetThrough, Mode, gap, view_gap};
use super::custody::{OldPart, QUARANTINE, entries};
use super::decide::{Refusal, Sentence, known};
use super::kind::{Due, Kind, View};
use super::rules::{need, short};
use super::sheet::Shown;
use super::state::{Intake, Mark, Photo, Said};

entries! {
/** One thing that was left with the machine, or one old part: what becomes of it. */ Settled {
    /** `accessory:<id>`, `old:plug`, `old:<id>` or `part:<id>`. */ line: String,
    /** `given back`, `not found`, `stays here`, `kept for the supplier`, `sent with a claim`, `not wanted` or `put away as agreed`. */ how: String,
    /** How many. */ #[serde(default, skip_serializing_if = "Option::is_none")] count: Option<u32>,
    /** A note (personal). */ #[serde(default, skip_serializing_if = "Option::is_none")] note: Option<String>,
}
/** It was tried before it went home, or why not. */ Trial {
    /** `tried` or `not tried`. */ how: String,
    /** What was tried and how it went, or why not. */ what: String,
}
/** The customer was told what it must not be used for. */ ToldQuarantine {
    /** `do not start` or `do not use`. */ word: String,
    /** Whether the label hangs on it. */ labelled: bool,
}
/** Who collects it, and how that was checked. */ Collector {
    /** `owner`, `bringer` or `somebody else`. */ who: String,
    /** `known here`, `receipt shown`, `document seen`, `owner asked` or `not checked`. */ checked: String,
    /** Their name (personal). */ #[serde(default, skip_serializing_if = "Option::is_none")] name: Option<String>,
}
/** The collector was shown the hand-back sheet and signed, or did not. */ ShownBack {
    /** `signed` or `not now`. */ how: String,
    /** Digest of the sheet. */ sheet: Digest,
    /** Digest of the strokes file of a signature. */ #[serde(default, skip_serializing_if = "Option::is_none")] strokes: Option<Digest>,
    /** Why there is no signature. */ #[serde(default, skip_serializing_if = "Option::is_none")] because: Option<String>,
    /** Language the sheet was shown in. */ language: String,
    /** Digest of that language's catalogue. */ words: Digest,
    /** Who read or translated it. */ #[serde(default, skip_serializing_if = "Option::is_none")] reader: Option<String>,
    /** Who signed (personal). */ #[serde(default, skip_serializing_if = "Option::is_none")] signer: Option<String>,
}
/** The machine went home. */ HandedBack {}
}

/// An entry about going home.
#[derive(Clone, Debug, PartialEq)]
#[allow(missing_docs, reason = "each variant is documented at its type")]
pub enum HandBack {
    Settled(Settled),
    Trial(Trial),
    ToldQuarantine(ToldQuarantine),
    Collector(Collector),
    ShownBack(ShownBack),
    HandedBack(HandedBack),
}

/// Members that are personal.
pub fn personal(kind: &str) -> &'static [&'static str] {
    match kind {
        "thing-settled" => &["note"],
        "collector-noted" => &["name"],
        "hand-back-shown" => &["signer"],
        _ => &[],
    }
}

/// Parses a body of version 1; none when its type is not of this module.
pub fn parse(kind: &str, plain: Map<String, Value>) -> Option<Result<HandBack, BodyError>> {
    Some(match kind {
        "thing-settled" => typed(plain).map(HandBack::Settled),
        "trial-noted" => typed(plain).map(HandBack::Trial),
        "quarantine-told" => typed(plain).map(HandBack::ToldQuarantine),
        "collector-noted" => typed(plain).map(HandBack::Collector),
        "hand-back-shown" => typed(plain).map(HandBack::ShownBack),
        "handed-back" => typed(plain).map(HandBack::HandedBack),
        _ => return None,
    })
}

/// What may become of a thing that was left with the machine, and of an old part.
const THING: [&str; 3] = ["given back", "not found", "stays here"];
const OLD: [&str; 6] =
    ["given back", "not found", "kept for the supplier", "sent with a claim", "not wanted", "put away as agreed"];

/// The rules that need neither the state nor the kind.
///
/// # Errors
/// The pointer and a sentence.
pub fn well_formed(body: &HandBack) -> Result<(), BodyError> {
    match body {
        HandBack::Settled(b) => {
            let words: &[&str] = if b.line.starts_with("accessory:") { &THING } else { &OLD };
            one_of("/how", &b.how, words)?;
            need("/count", b.count.is_none_or(|c| c <= 999), "at most 999")?;
            need("/note", b.how != "not found" || b.note.is_some(), "say where it was looked for")?;
            short("/note", b.note.as_deref(), 400)
        }
        HandBack::Trial(b) => {
            one_of("/how", &b.how, &["tried", "not tried"])?;
            short("/what", Some(&b.what), 400)
        }
        HandBack::ToldQuarantine(b) => one_of("/word", &b.word, &QUARANTINE),
        HandBack::Collector(b) => {
            one_of("/who", &b.who, &["owner", "bringer", "somebody else"])?;
            one_of(
                "/checked",
                &b.checked,
                &["known here", "receipt shown", "document seen", "owner asked", "not checked"],
            )?;
            need("/name", b.who != "somebody else" || b.name.is_some(), "say who it is")
        }
        HandBack::ShownBack(b) => {
            short("/reader", b.reader.as_deref(), 200)?;
            match b.how.as_str() {
                "signed" => {
                    let strokes = b.strokes.is_some_and(|s| s != b.sheet) && b.because.is_none();
                    need("/strokes", strokes, "a signature needs its strokes and no reason")
                }
                "not now" => {
                    need("/because", b.strokes.is_none() && b.because.is_some(), "say why it is not signed now")
                }
                _ => wrong("/how", "this is one of: signed, not now"),
            }
        }
        HandBack::HandedBack(_) => Ok(()),
    }
}

/// What going home adds to the state of an intake.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Home {
    /// What became of things and old parts, by line.
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    pub settled: BTreeMap<String, Said<Settled>>,
    /// Whether it was tried.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub trial: Option<Said<Trial>>,
    /// What the customer was told not to do.
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    pub told: BTreeMap<String, Said<ToldQuarantine>>,
    /// Who collects it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub collector: Option<Said<Collector>>,
    /// The newest signature, or why there is none.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub shown: Option<Said<ShownBack>>,
    /// When it went home.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub handed_back: Option<Mark>,
}

impl Home {
    /// Whether nothing was said of it.
    pub fn is_empty(&self) -> bool {
        *self == Home::default()
    }

    /// Applies one entry; whether the machine went home by it.
    pub(super) fn apply(&mut self, body: &HandBack, mark: Mark) -> bool {
        match body {
            HandBack::Settled(b) => {
                self.settled.insert(b.line.clone(), Said { what: b.clone(), mark });
            }
            HandBack::Trial(b) => self.trial = Some(Said { what: b.clone(), mark }),
            HandBack::ToldQuarantine(b) => {
                self.told.insert(b.word.clone(), Said { what: b.clone(), mark });
            }
            HandBack::Collector(b) => self.collector = Some(Said { what: b.clone(), mark }),
            HandBack::ShownBack(b) => self.shown = Some(Said { what: b.clone(), mark }),
            HandBack::HandedBack(_) => {
                self.handed_back = Some(mark);
                return true;
            }
        }
        false
    }
}

/// The views that are taken again: those of the counter that were asked for.
pub fn views<'a>(kind: &'a Kind, intake: &Intake) -> Vec<&'a View> {
    let asked = |v: &&View| v.due == Due::AtCounter && v.when.as_ref().is_none_or(|w| w.holds(&|f| intake.field(f)));
    kind.views.iter().filter(asked).collect()
}

/// The newest photo of a view as the machine left.
pub fn left<'a>(intake: &'a Intake, view: &str) -> Option<&'a Photo> {
    let is = |p: &&Photo| p.gone().is_none() && p.taken.stage == "left" && p.taken.view.as_deref() == Some(view);
    intake.photos.iter().rev().find(is)
}

/// The lines to settle: things kept here, old parts kept here, suspect parts. In order.
pub fn lines(kind: &Kind, intake: &Intake) -> Vec<String> {
    let things = kind
        .accessories
        .iter()
        .filter(|a| intake.accessories.get(&a.id).is_some_and(|x| x.what.stays == "kept here" && x.what.count > 0));
    let mut out: Vec<String> = things.map(|a| format!("accessory:{}", a.id)).collect();
    if intake.services.iter().any(|s| s.what.old.as_deref() == Some("kept here")) {
        out.push("old:plug".into());
    }
    let kept = intake.custody.old_parts.iter().filter(|p| p.what.fate == "kept here");
    out.extend(kept.map(|p| format!("old:{}", p.what.old)));
    out.extend(intake.parts.parts.iter().map(|p| format!("part:{}", p.what.part)));
    out
}

/// What still speaks against handing it back, by the same kind. The signature comes last.
pub fn check(kind: &Kind, intake: &Intake, mode: Mode) -> Checked {
    let mut found: Vec<Gap> = Vec::new();
    let ask = |id: String, key: &str, with: &[(&str, Value)]| {
        let with = with.iter().map(|(k, v)| ((*k).to_owned(), v.clone())).collect();
        Gap { gap: id, due: Due::AtBench, key: key.into(), with }
    };
    for view in views(kind, intake) {
        let Some((why, reasons)) = view_gap(left(intake, &view.id), mode) else { continue };
        let key = why.replace("gap.view.", "gap.left-view.");
        let mut g = ask(format!("left-view:{}", view.id), &key, &[("view", json!(view.name))]);
        if let Some(reasons) = reasons {
            g.with.insert("reasons".into(), reasons);
        }
        found.push(g);
    }
    for line in lines(kind, intake).into_iter().filter(|l| !intake.home.settled.contains_key(l)) {
        let (group, id) = line.split_once(':').unwrap_or((line.as_str(), ""));
        let name = match group {
            "accessory" => kind.accessories.iter().find(|a| a.id == id).map(|a| json!(a.name)),
            "part" => intake.parts.parts.iter().find(|p| p.what.part.to_string() == id).map(|p| json!(p.what.what)),
            "old" => old_part(intake, &line).map(|p| json!(p.what)),
            _ => None,
        };
        let key =
            if group == "old" && name.is_some() { "gap.settle.old-part".into() } else { format!("gap.settle.{group}") };
        found.push(ask(format!("settle:{line}"), &key, &name.map(|n| ("what", n)).into_iter().collect::<Vec<_>>()));
    }
    if intake.home.trial.is_none() {
        found.push(ask("trial".into(), "gap.trial", &[]));
    }
    for (word, kept) in &intake.custody.quarantine {
        if !intake.home.told.contains_key(word) {
            found.push(ask(format!("told:{word}"), "gap.told", &[("because", json!(kept.what.because))]));
        }
    }
    for sent in intake.custody.sent.iter().filter(|s| !intake.custody.back.contains_key(&s.what.sent)) {
        found.push(ask(format!("out:{}", sent.what.sent), "gap.out", &[("what", json!(sent.what.what))]));
    }
    if intake.home.collector.is_none() {
        found.push(ask("collector".into(), "gap.collector", &[]));
    }
    let mut checked = Checked::default();
    for g in found {
        match intake.left_open.get(&g.gap) {
            Some(l) => {
                checked.left_open.push(LetThrough { gap: g, reason: l.what.reason.clone(), by: l.mark.by });
            }
            None => checked.gaps.push(g),
        }
    }
    if let Some(why) = unsigned(kind, intake, mode) {
        checked.gaps.push(gap("hand-back-signature", Due::AtBench, why, []));
    }
    checked
}

fn unsigned(kind: &Kind, intake: &Intake, mode: Mode) -> Option<&'static str> {
    let Some(shown) = &intake.home.shown else { return Some("gap.hand-back-signature.missing") };
    if as_shown(kind, intake, &shown.what).is_none_or(|s| s.digest() != shown.what.sheet) {
        return Some("gap.hand-back-signature.stale");
    }
    let held = |d| intake.files_received.contains(d);
    if mode == Mode::Server && !(held(&shown.what.sheet) && shown.what.strokes.as_ref().is_none_or(held)) {
        return Some("gap.hand-back-signature.on-phone");
    }
    None
}

/// The photos as it left, in the kind's order, then what else was photographed then.
pub fn photos<'a>(kind: &Kind, intake: &'a Intake) -> Vec<&'a Photo> {
    let mut out: Vec<&Photo> = views(kind, intake).iter().filter_map(|v| left(intake, &v.id)).collect();
    let loose = |p: &&Photo| p.gone().is_none() && p.taken.stage == "left" && p.taken.view.is_none();
    out.extend(intake.photos.iter().filter(loose));
    out
}

/// The hand-back sheet: what the collector is shown. The first signature's entry stands in it, and so does what was shown then.
pub fn sheet(kind: &Kind, intake: &Intake, shown: &Shown<'_>) -> Option<Sheet> {
    let opened = intake.opened.as_ref()?;
    let (home, kept) = (&intake.home, &intake.custody);
    let photos = photos(kind, intake);
    let mut entries = BTreeSet::from([opened.mark.digest]);
    entries.extend(intake.taken_in.iter().map(|m| m.digest));
    entries.extend(intake.acknowledgement.iter().map(|a| a.mark.digest));
    entries.extend(photos.iter().map(|p| p.mark.digest));
    entries.extend(home.settled.values().map(|s| s.mark.digest));
    entries.extend(home.trial.iter().map(|s| s.mark.digest));
    entries.extend(home.told.values().map(|s| s.mark.digest));
    entries.extend(home.collector.iter().map(|s| s.mark.digest));
    entries.extend(kept.quarantine.values().map(|s| s.mark.digest));
    entries.extend(kept.old_parts.iter().map(|s| s.mark.digest));
    entries.extend(kept.work.iter().map(|s| s.mark.digest));
    entries.extend(kept.approvals.iter().map(|s| s.mark.digest));
    entries.extend(kept.incidents.iter().map(|s| s.mark.digest));
    let device = views(kind, intake).into_iter().map(|v| format!("left-view:{}", v.id));
    entries.extend(device.filter_map(|g| intake.left_open.get(&g)).map(|l| l.mark.digest));
    Some(Sheet {
        entries: entries.into_iter().collect(),
        files: photos.iter().map(|p| p.taken.file).collect(),
        intake: intake.whose.intake,
        kind: opened.what.kind,
        language: shown.language.to_owned(),
        reader: shown.reader.map(str::to_owned),
        shop: intake.whose.shop,
        terms: None,
        words: shown.words,
    })
}

/// The sheet as a signature says it was shown.
fn as_shown(kind: &Kind, intake: &Intake, shown: &ShownBack) -> Option<Sheet> {
    sheet(kind, intake, &Shown { language: &shown.language, words: shown.words, reader: shown.reader.as_deref() })
}

/// Whether a gap may be named in `left-open`: a view that cannot be taken again.
pub(super) fn names(kind: &Kind, gap: &str) -> bool {
    gap.strip_prefix("left-view:").is_some_and(|v| kind.view(v).is_some_and(|v| v.due == Due::AtCounter))
}

/// Judges a command about going home.
///
/// # Errors
/// The refusal.
pub(super) fn decide(kind: &Kind, intake: &Intake, body: &HandBack) -> Result<(), Refusal> {
    match body {
        HandBack::Settled(b) => {
            known(lines(kind, intake).contains(&b.line), "/line", "nothing of this name was left here")
        }
        HandBack::ToldQuarantine(b) => {
            known(intake.custody.quarantine.contains_key(&b.word), "/word", "it is not kept from this")
        }
        HandBack::ShownBack(b) => match as_shown(kind, intake, b) {
            Some(s) if s.digest() == b.sheet => Ok(()),
            _ => Err(Refusal::Refused(Sentence::plain("refused.sheet-changed"))),
        },
        HandBack::HandedBack(_) => {
            let gaps = check(kind, intake, Mode::Server).gaps;
            if gaps.is_empty() { Ok(()) } else { Err(Refusal::Gaps(gaps)) }
        }
        HandBack::Trial(_) | HandBack::Collector(_) => Ok(()),
    }
}

/// The old part that a line is about.
pub fn old_part<'a>(intake: &'a Intake, line: &str) -> Option<&'a OldPart> {
    let id: Uuid = line.strip_prefix("old:")?.parse().ok()?;
    intake.custody.old_parts.iter().map(|p| &p.what).find(|p| p.old == id)
}

/// The part of a card that names a suspect part by its line.
pub fn part_of(line: &str) -> Option<Uuid> {
    line.strip_prefix("part:")?.parse().ok()
}
