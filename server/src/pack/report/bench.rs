//! The bench: readings as read, with their method and what they may be compared with; findings as opinions; suspect parts.

use ::report::Block;
use serde_json::json;

use super::super::part_words;
use super::{Tell, slug};
use crate::intake::bench::{ReadingNoted, ServiceNoted};
use crate::intake::custody::Finding;
use crate::intake::part::{self, Card, Claimed};
use crate::intake::state::Said;
use crate::reading::{Compared, Method, compression};

/// "118 psi", or why there is none.
fn read(tell: &Tell<'_>, r: &ReadingNoted) -> String {
    match (&r.value, &r.unit) {
        (Some(value), unit) => format!("{value} {}", unit.as_deref().unwrap_or_default()),
        (None, _) => {
            let because = r.because.clone().unwrap_or_default();
            tell.say("page.bench.reading-not-taken", &json!({"because": because}))
        }
    }
}

fn name(tell: &Tell<'_>, id: &str) -> String {
    let own = tell.input.kind.reading(id).map(|r| tell.input.words.text(&r.name).to_owned());
    own.unwrap_or_else(|| tell.w(&format!("reading.name.{}", slug(id))))
}

/// "Compression: 118 psi".
pub(super) fn named(tell: &Tell<'_>, r: &ReadingNoted) -> String {
    format!("{}: {}", name(tell, &r.reading), read(tell, r))
}

pub(super) fn readings(tell: &mut Tell<'_>) {
    let intake = tell.input.intake;
    if !intake.readings.is_empty() {
        tell.head("page.bench.readings");
        tell.soft("report.readings-are");
    }
    for reading in &intake.readings {
        let r = &reading.what;
        let on = r.part.and_then(|p| intake.parts.card(p)).map(|c| format!(", {}", c.what)).unwrap_or_default();
        tell.out.push(Block::Under(named(tell, r) + &on));
        let photos: Vec<_> = r.photo.into_iter().collect();
        let mut items = vec![tell.said("report.by-and-when", &reading.mark, json!({})) + &tell.numbers(&photos)];
        items.extend(r.method.iter().map(|m| tell.say("report.method", &json!({"method": m}))));
        items.extend(r.how.as_ref().and_then(|how| method(tell, how)));
        if r.reading == "compression" && r.value.is_some() {
            items.extend(compared(tell, r));
        }
        tell.out.push(Block::List(items));
    }
    let services = intake.services.iter().map(|s| service(tell, s)).collect();
    tell.section("page.service.title", services);
}

/// The recorded method.
fn method(tell: &Tell<'_>, m: &Method) -> Option<String> {
    let out = part_words::method(tell.input, m);
    (!out.is_empty()).then(|| tell.say("report.method", &json!({"method": out.join("; ")})))
}

/// What a compression reading may be compared with, and where it stands; or why it may not. Never that an engine is good or bad.
fn compared(tell: &Tell<'_>, r: &ReadingNoted) -> Vec<String> {
    let Some(rule) = tell.of.rule else { return Vec::new() };
    let (value, unit) = (r.value.as_deref().unwrap_or_default(), r.unit.as_deref().unwrap_or_default());
    let none = Method::default();
    let how = r.how.as_ref().unwrap_or(&none);
    let judged = compression(value, unit, how, rule);
    // The shop's own rule is no supplier's business.
    if tell.of.shown.wanted.claim.is_some() && judged.against == Some("shop rule") {
        return Vec::new();
    }
    let mut out = Vec::new();
    if judged.verdict == "compared" {
        let against = judged.against.unwrap_or_default();
        // One way suffices where they agree.
        let ways = if judged.disagree() { judged.compared.len() } else { 1 };
        out.extend(judged.compared.iter().take(ways).map(|way| stands(tell, way, against, (value, unit))));
        let page = how.manual.as_ref().map(|m| m.page.clone()).unwrap_or_default();
        out.push(match against {
            "manual" => tell.say("reading.against.manual", &json!({"page": page})),
            _ => tell.w("reading.against.rule"),
        });
    } else if let Some(why) = judged.why {
        let record: Vec<String> =
            judged.record.iter().map(|r| tell.w(&format!("reading.record.{}", slug(r)))).collect();
        out.push(tell.say(why, &json!({"list": record.join(", ")})));
    }
    out.extend(judged.spread.iter().map(|s| tell.say("reading.spread", &json!({"spread": s, "unit": unit}))));
    out.extend(judged.notes.iter().map(|n| tell.w(n)));
    out
}

fn stands(tell: &Tell<'_>, way: &Compared, against: &str, (value, unit): (&str, &str)) -> String {
    let rule = if against == "manual" { "manual" } else { "rule" };
    let open = match (rule, &way.low, &way.high) {
        ("manual", _, None) => "-least",
        ("manual", None, _) => "-most",
        _ => "",
    };
    let with = json!({"low": way.low, "high": way.high, "unit": unit, "value": value});
    let factor = format!("{:.4}", f64::from(way.factor) / 10_000.0);
    let by = json!({"factor": factor, "sea": way.sea, "unit": unit});
    let stands = tell.say(&format!("reading.stands.{rule}.{}{open}", way.stands), &with);
    format!("{stands} {}", tell.say(&format!("reading.by.{}", slug(way.by)), &by))
}

fn service(tell: &Tell<'_>, s: &Said<ServiceNoted>) -> String {
    let word = |group: &str, word: &String| tell.w(&format!("page.service.{group}.{}", slug(word)));
    let mut all = vec![word("what", &s.what.what)];
    all.extend(s.what.fitted.clone());
    all.extend(s.what.old.as_ref().map(|o| word("old", o)));
    all.extend(s.what.level.as_ref().map(|l| word("level", l)));
    all.extend(s.what.note.clone());
    let text = format!("{}: {}", tell.w(&format!("page.service.{}", s.what.service)), all.join(", "));
    tell.said("report.noted", &s.mark, json!({"text": text}))
}

/// A finding: what somebody saw and thinks.
pub(super) fn finding(tell: &Tell<'_>, index: usize, f: &Said<Finding>) -> String {
    let word = tell.input.kind.condition(&f.what.word);
    let word = word.map_or(f.what.word.as_str(), |c| tell.input.words.text(&c.name));
    let text = f.what.text.as_ref().map(|t| tell.say("sheet.quoted", &json!({"text": t}))).unwrap_or_default();
    let with = json!({"number": (index + 1).to_string(), "part": f.what.part, "word": word, "text": text});
    tell.said("care.line.finding", &f.mark, with).replace("  ", " ")
}

pub(super) fn findings(tell: &mut Tell<'_>) {
    let findings = &tell.input.intake.custody.findings;
    if findings.is_empty() {
        return;
    }
    tell.head("care.findings");
    tell.soft("care.findings-are");
    let items =
        findings.iter().enumerate().map(|(i, f)| finding(tell, i, f) + &tell.numbers(&[f.what.photo])).collect();
    tell.out.push(Block::List(items));
}

pub(super) fn parts(tell: &mut Tell<'_>) {
    let parts = &tell.input.intake.parts;
    if parts.parts.is_empty() {
        return;
    }
    tell.head("part.title");
    tell.soft("report.parts-are");
    for part in &parts.parts {
        let card = &part.what;
        tell.out.push(Block::Under(card.what.clone()));
        tell.out.push(Block::Facts(card_facts(tell, part)));
        let open: Vec<String> = part::disagreements(card).iter().map(|t| part_words::told(tell.input, t)).collect();
        if !open.is_empty() {
            tell.soft("report.does-not-agree");
            tell.out.push(Block::List(open));
        }
        let seen: Vec<String> =
            parts.observed.iter().filter(|o| o.what.part == card.part).map(|o| observed(tell, o)).collect();
        if !seen.is_empty() {
            tell.out.push(Block::List(seen));
        }
        for claim in parts.claims.iter().filter(|c| c.what.part == card.part) {
            let items = claimed(tell, card, claim);
            tell.out.push(Block::Strong(tell.w(&format!("part.route.{}", claim.what.route))));
            tell.out.push(Block::List(items));
        }
    }
}

fn card_facts(tell: &Tell<'_>, part: &Said<Card>) -> Vec<(String, String)> {
    let card = &part.what;
    let mut out = vec![
        (tell.w("report.fact.origin"), tell.w(&format!("part.origin.{}", slug(&card.origin)))),
        (tell.w("report.fact.noted"), tell.said("report.by-and-when", &part.mark, json!({}))),
    ];
    out.extend(part_words::card(tell.input, card));
    let views = tell.input.intake.parts.pictures.iter().filter(|p| p.what.part == card.part);
    let views: Vec<String> =
        views.map(|p| tell.w(&format!("part.view.{}", slug(&p.what.view))) + &tell.numbers(&[p.what.photo])).collect();
    if !views.is_empty() {
        out.push((tell.w("report.fact.views"), views.join(", ")));
    }
    out
}

fn observed(tell: &Tell<'_>, o: &Said<part::Observed>) -> String {
    let about = tell.w(&format!("part.about.{}", slug(&o.what.about)));
    let with = json!({"about": about, "count": o.what.photos.len()});
    let said = tell.said(&format!("part.observed.{}", slug(&o.what.seen)), &o.mark, with);
    let note = o.what.note.as_ref().map(|n| format!(" {n}")).unwrap_or_default();
    said + &note + &tell.numbers(&o.what.photos)
}

fn claimed(tell: &Tell<'_>, card: &Card, claim: &Said<Claimed>) -> Vec<String> {
    let parts = &tell.input.intake.parts;
    let mut out = part_words::window(tell.input, card, claim);
    match parts.ended.iter().find(|e| e.what.claim == claim.what.claim) {
        Some(ended) => {
            let outcome = tell.w(&format!("part.outcome.{}", slug(&ended.what.outcome)));
            let note = ended.what.note.as_ref().map(|n| format!(" {n}")).unwrap_or_default();
            out.push(tell.said("part.closed", &ended.mark, json!({"outcome": outcome})) + &note);
        }
        None => {
            let lacks: Vec<String> = part::missing(tell.input.intake, card, &claim.what.route)
                .iter()
                .map(|t| part_words::told(tell.input, t))
                .collect();
            if !lacks.is_empty() {
                out.push(format!("{} {}.", tell.w("part.lacks"), lacks.join("; ")));
            }
        }
    }
    out
}
