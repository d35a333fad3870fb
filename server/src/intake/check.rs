//! Completeness: what the record still lacks, by the kind's own list. Pure. The phone runs the same check in
//! JavaScript; `schema/vectors/check.json` holds both to one answer.

use serde::Serialize;
use serde_json::{Map, Value, json};
use uuid::Uuid;

use super::kind::{Due, Kind, Text};
use super::sheet;
use super::state::{Intake, Photo};

/// Who asks: the server judges what it holds, a device what it has.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Mode {
    /// For acceptance.
    Server,
    /// On a phone, perhaps offline.
    Device,
}

/// Something the check still asks for.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Gap {
    /// Which, e.g. `view:bar-side`; also where to tap.
    pub gap: String,
    /// When it is due.
    pub due: Due,
    /// Message key of the sentence.
    pub key: String,
    /// What the sentence names.
    pub with: Map<String, Value>,
}

/// A gap let through.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct LetThrough {
    /// The gap.
    #[serde(flatten)]
    pub gap: Gap,
    /// Why.
    pub reason: String,
    /// Who.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub by: Option<Uuid>,
}

/// The answer of the check.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Checked {
    /// What is still asked for, in order.
    pub gaps: Vec<Gap>,
    /// What was left open.
    pub left_open: Vec<LetThrough>,
}

impl Checked {
    /// The gaps that stop acceptance.
    pub fn at_counter(&self) -> Vec<Gap> {
        self.gaps.iter().filter(|g| g.due == Due::AtCounter).cloned().collect()
    }
}

/// Checks an intake against its kind.
pub fn check(kind: &Kind, intake: &Intake, mode: Mode) -> Checked {
    let mut checked = check_facts(kind, intake, mode);
    if let Some(key) = acknowledgement(kind, intake, mode) {
        checked.gaps.push(gap("acknowledgement", Due::AtCounter, key, []));
    }
    checked
}

/// The check without the acknowledgement, which itself covers what is left open.
pub fn check_facts(kind: &Kind, intake: &Intake, mode: Mode) -> Checked {
    let mut found = Vec::new();
    record(intake, &mut found);
    views(kind, intake, mode, &mut found);
    answers(kind, intake, &mut found);
    readings(kind, intake, &mut found);
    arrangements(intake, &mut found);

    let mut checked = Checked::default();
    for gap in found {
        match intake.left_open.get(&gap.gap) {
            Some(left) => {
                checked.left_open.push(LetThrough { gap, reason: left.what.reason.clone(), by: left.mark.by });
            }
            None => checked.gaps.push(gap),
        }
    }
    checked
}

pub(super) fn gap<const N: usize>(id: impl Into<String>, due: Due, key: &str, with: [(&str, Value); N]) -> Gap {
    Gap { gap: id.into(), due, key: key.into(), with: with.into_iter().map(|(k, v)| (k.to_owned(), v)).collect() }
}

fn text(t: &Text) -> Value {
    json!(t)
}

fn record(intake: &Intake, found: &mut Vec<Gap>) {
    if intake.opened.as_ref().is_some_and(|o| o.what.how == "found") && intake.found.is_none() {
        found.push(gap("found", Due::AtCounter, "gap.found", []));
    }
    for (field, due) in [
        ("make", Due::AtCounter),
        ("model", Due::AtCounter),
        ("serial", Due::AtCounter),
        ("engine-numbers", Due::BeforeOpening),
    ] {
        if !intake.machine.contains_key(field) {
            found.push(gap(format!("machine:{field}"), due, "gap.machine", [("field", json!(field))]));
        }
    }
    let owner = intake.people.get("owner").map(|p| &p.what);
    if owner.is_none() {
        found.push(gap("person:owner", Due::AtCounter, "gap.owner", []));
    }
    let reachable = owner.is_some_and(|o| {
        o.phone.is_some() || o.email.is_some() || ["phone", "email"].iter().all(|n| o.none.iter().any(|x| x == n))
    });
    if !reachable {
        found.push(gap("person:owner-contact", Due::AtCounter, "gap.owner-contact", []));
    }
    if !intake.people.contains_key("bringer") {
        found.push(gap("person:bringer", Due::AtCounter, "gap.bringer", []));
    }
    if !intake.statements.contains_key("complaint") {
        found.push(gap("statement:complaint", Due::AtCounter, "gap.complaint", []));
    }
}

fn views(kind: &Kind, intake: &Intake, mode: Mode, found: &mut Vec<Gap>) {
    for view in &kind.views {
        if view.when.as_ref().is_some_and(|w| !w.holds(&|f| intake.field(f))) {
            continue;
        }
        let Some((key, reasons)) = view_gap(intake.newest(&view.id), mode) else { continue };
        let mut g =
            gap(format!("view:{}", view.id), view.due, key, [("view", text(&view.name)), ("why", text(&view.why))]);
        if let Some(reasons) = reasons {
            g.with.insert("reasons".into(), reasons);
        }
        found.push(g);
    }
}

pub(super) fn view_gap(photo: Option<&Photo>, mode: Mode) -> Option<(&'static str, Option<Value>)> {
    let Some(photo) = photo else { return Some(("gap.view.missing", None)) };
    match photo.judged.as_ref().map(|j| (j.what.verdict.as_str(), &j.what.reasons)) {
        Some(("usable", _)) => None,
        Some(("poor", reasons)) => Some(("gap.view.poor", Some(json!(reasons)))),
        _ if mode == Mode::Device => None,
        Some(_) => Some(("gap.view.not-judged", None)),
        None if photo.received.is_some() => Some(("gap.view.waiting", None)),
        None => Some(("gap.view.on-phone", None)),
    }
}

fn answers(kind: &Kind, intake: &Intake, found: &mut Vec<Gap>) {
    let block = |name: &str| intake.blocks.contains_key(name);
    for q in &kind.questions {
        let asked = q.when.as_ref().is_none_or(|w| w.holds(&|f| intake.field(f)));
        let answered = intake.answers.contains_key(&q.id) || (q.due == Due::AtCounter && block("questions"));
        if asked && !answered {
            found.push(gap(format!("question:{}", q.id), q.due, "gap.question", [("question", text(&q.name))]));
        }
    }
    let open_parts = kind.parts.iter().filter(|p| !intake.lines.iter().any(|l| l.what.part == p.id)).count();
    count(block("walk-round"), open_parts, "walk-round", "gap.walk-round", found);
    for line in &intake.lines {
        let asks = kind.condition(&line.what.word).is_some_and(|c| c.photo);
        // A photo that shows another machine shows nothing here.
        let bare = line.what.photos.iter().all(|id| intake.photo(*id).is_some_and(|p| p.gone().is_some()));
        if asks && bare {
            let part =
                kind.parts.iter().find(|p| p.id == line.what.part).map_or(json!(line.what.part), |p| text(&p.name));
            let word = kind.condition(&line.what.word).map_or(Value::Null, |c| text(&c.name));
            found.push(gap(
                format!("line-photo:{}", line.what.line),
                Due::AtCounter,
                "gap.line-photo",
                [("part", part), ("word", word)],
            ));
        }
    }
    let open_safety = kind.safety.iter().filter(|s| !intake.safety.contains_key(&s.id)).count();
    count(block("safety"), open_safety, "safety", "gap.safety", found);
    let open_things = kind.accessories.iter().filter(|a| !intake.accessories.contains_key(&a.id)).count();
    count(block("accessories"), open_things, "accessories", "gap.accessories", found);
}

fn readings(kind: &Kind, intake: &Intake, found: &mut Vec<Gap>) {
    for r in &kind.readings {
        let asked = r.when.as_ref().is_none_or(|w| w.holds(&|f| intake.field(f)));
        if asked && !intake.readings.iter().any(|x| x.what.reading == r.id) {
            let with = [("reading", text(&r.name)), ("why", text(&r.why))];
            found.push(gap(format!("reading:{}", r.id), r.due, "gap.reading", with));
        }
    }
}

fn count(answered: bool, open: usize, id: &str, key: &str, found: &mut Vec<Gap>) {
    if !answered && open > 0 {
        found.push(gap(id, Due::AtCounter, key, [("count", json!(open))]));
    }
}

fn arrangements(intake: &Intake, found: &mut Vec<Gap>) {
    for field in ["fee", "limit", "deposit", "diagnosis_by", "terms"] {
        if !intake.arrangements.contains_key(field) {
            found.push(gap(
                format!("arrangement:{field}"),
                Due::AtCounter,
                "gap.arrangement",
                [("field", json!(field))],
            ));
        }
    }
}

fn acknowledgement(kind: &Kind, intake: &Intake, mode: Mode) -> Option<&'static str> {
    // What the bench says later is on no sheet: the signature stands for what was shown.
    if intake.taken_in.as_ref().is_some_and(|m| m.index.is_some()) {
        return None;
    }
    let Some(ack) = &intake.acknowledgement else { return Some("gap.acknowledgement.missing") };
    let shown = sheet::as_acknowledged(kind, intake, &ack.what);
    if shown.is_none_or(|s| s.digest() != ack.what.sheet) {
        return Some("gap.acknowledgement.stale");
    }
    let held = |d| intake.files_received.contains(d);
    if mode == Mode::Server && !(held(&ack.what.sheet) && ack.what.strokes.as_ref().is_none_or(held)) {
        return Some("gap.acknowledgement.on-phone");
    }
    None
}
