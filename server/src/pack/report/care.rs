//! What was said, asked, approved and done: verbatim statements, money, custody, going home, disputes.

use ::report::Block;
use serde_json::{Value, json};

use super::sure::sure;
use super::{Tell, slug, summary};
use crate::receipt::{home as second, money as shown_money};

fn how(tell: &Tell<'_>, how: &str) -> String {
    tell.w(&format!("care.how.{}", slug(how)))
}

fn wall(at: &str) -> String {
    at.replace('T', ", ")
}

fn value(tell: &Tell<'_>, value: Option<&Value>) -> String {
    value.and_then(|v| shown_money(tell.input.words, v)).unwrap_or_else(|| "–".into())
}

fn tail(note: Option<&String>) -> String {
    note.map(|n| format!(" {n}")).unwrap_or_default()
}

/// Everything somebody said, letter by letter, with who said and who heard it.
pub(super) fn statements(tell: &mut Tell<'_>) {
    let intake = tell.input.intake;
    if intake.statements.is_empty() && intake.custody.heard.is_empty() {
        return;
    }
    tell.head("report.statements");
    let speaker = |tell: &Tell<'_>, s: Option<&String>| s.cloned().unwrap_or_else(|| tell.w("care.the-owner"));
    for s in intake.statements.values() {
        let with = json!({"speaker": speaker(tell, s.what.speaker.as_ref()), "name": tell.input.name(Some(s.what.heard_by)),
            "when": tell.input.wall(s.mark.device_at)});
        let by = tell.say("report.said-at-counter", &with);
        tell.out.push(Block::Quote { words: tell.told(s.what.text.as_ref()), by });
    }
    for s in &intake.custody.heard {
        let when = s.what.at.as_deref().map_or_else(|| tell.input.wall(s.mark.at), wall);
        let with = json!({"speaker": speaker(tell, s.what.speaker.as_ref()), "how": how(tell, &s.what.how), "when": when,
            "name": tell.input.name(Some(s.what.heard_by))});
        let by = tell.say("report.said-later", &with);
        tell.out.push(Block::Quote { words: tell.told(s.what.text.as_ref()), by });
    }
}

/// What was arranged, told as a price, answered, done and added; attempts to reach the customer.
pub(super) fn money(tell: &mut Tell<'_>) {
    let kept = &tell.input.intake.custody;
    let mut items = crate::receipt::lines::arrangements(tell.input);
    for (i, p) in kept.prices.iter().enumerate() {
        let with = json!({"number": (i + 1).to_string(), "value": value(tell, Some(&p.what.amount)), "what": p.what.what,
            "how": how(tell, &p.what.how)});
        items.push(tell.said("care.line.price", &p.mark, with));
    }
    for a in &kept.approvals {
        let with = json!({"name": tell.input.name(a.mark.by), "when": wall(&a.what.at), "how": how(tell, &a.what.how),
            "who": tell.told(a.what.who.as_ref()), "value": value(tell, a.what.total.as_ref())});
        let added = a.what.added.as_ref().map(|v| tell.say("care.line.added", &json!({"value": value(tell, Some(v))})));
        let said = tell.say(&format!("care.line.approval.{}", slug(&a.what.answer)), &with);
        items.push(said + &tail(a.what.number.as_ref()) + &tail(added.as_ref()) + &tail(a.what.note.as_ref()));
    }
    for w in &kept.work {
        let with = json!({"what": w.what.what, "value": value(tell, w.what.adds.as_ref())});
        items.push(tell.said("care.line.work", &w.mark, with));
    }
    for c in &kept.contacts {
        let result = tell.w(&format!("care.result.{}", slug(&c.what.result)));
        let with = json!({"how": how(tell, &c.what.how), "about": c.what.about, "result": result});
        items.push(tell.said("care.line.contact", &c.mark, with) + &tail(c.what.number.as_ref()));
    }
    tell.section("report.asked", items);
}

/// Opened, kept from use, sent out and back, incidents, held.
pub(super) fn custody(tell: &mut Tell<'_>) {
    let intake = tell.input.intake;
    let kept = &intake.custody;
    let mut items: Vec<String> = Vec::new();
    items.extend(kept.opened_up.as_ref().map(|m| tell.said("care.line.opened", m, json!({}))));
    let word = |word: &str| tell.w(&format!("care.word.{}", slug(word)));
    for q in kept.quarantine.values() {
        items.push(tell.said(
            "care.line.quarantined",
            &q.mark,
            json!({"word": word(&q.what.word), "because": q.what.because}),
        ));
    }
    for q in &kept.lifted {
        items.push(tell.said(
            "care.line.lifted",
            &q.mark,
            json!({"word": word(&q.what.word), "because": q.what.because}),
        ));
    }
    for s in &kept.sent {
        let with = json!({"what": s.what.what, "to": s.what.to, "because": s.what.because});
        let back = kept
            .back
            .get(&s.what.sent)
            .map(|b| tell.said("care.line.back", &b.mark, json!({})) + &tail(b.what.note.as_ref()));
        items.push(tell.said("care.line.out", &s.mark, with) + &tail(s.what.reference.as_ref()) + &tail(back.as_ref()));
    }
    for p in &kept.old_parts {
        let key = format!("care.line.old.{}", slug(&p.what.fate));
        let with = json!({"what": p.what.what, "place": p.what.place.clone().unwrap_or_default()});
        items.push(tell.said(&key, &p.mark, with) + &tail(p.what.word.as_ref()));
    }
    for i in &kept.incidents {
        let at = i.what.told_at.as_deref().map(|at| format!(", {}", wall(at))).unwrap_or_default();
        let with = json!({"what": tell.w(&format!("care.incident.{}", slug(&i.what.what))), "note": tell.told(i.what.note.as_ref()),
            "told": tell.w(&format!("care.told.{}", slug(&i.what.told))) + &at});
        items.push(tell.said("care.line.incident", &i.mark, with) + &tell.numbers(&i.what.photos));
    }
    if let Some(hold) = &kept.hold {
        items.push(tell.say("care.held", &json!({"because": hold.what.because})));
    }
    tell.section("lane.care", items);
}

/// How it left: what must not be done with it, what became of each thing, whether it was tried, who collected it, what they were shown.
pub(super) fn home(tell: &mut Tell<'_>) {
    let (input, home) = (tell.input, &tell.input.intake.home);
    if home.is_empty() {
        return;
    }
    let erased: Vec<String> = input.since.erasures.iter().map(|_| tell.w("receipt.name-erased")).collect();
    let second_receipt = second::Input {
        words: input.words,
        shop_name: input.shop_name,
        zone: input.zone,
        intake: input.intake,
        kind: input.kind,
        staff: input.staff,
        pictures: input.pictures,
        signature: None,
        evidence: &[],
        continues: &[],
        checkpoint: input.checkpoint,
        keys: input.keys,
        erased: &erased,
    };
    let mut items = Vec::new();
    items.extend(home.handed_back.as_ref().map(|m| tell.said("home.receipt-done", m, json!({}))));
    for t in home.told.values() {
        let word = tell.w(&format!("care.word.{}", slug(&t.what.word)));
        items.push(tell.said("care.line.told", &t.mark, json!({"word": word})));
    }
    items.extend(second::lines(&second_receipt));
    items.extend(second::trial(&second_receipt));
    items.extend(second::collector(&second_receipt));
    tell.section("report.went-home", items);
    let Some(shown) = &home.shown else { return };
    let by = tell.say("report.shown-back", &json!({"when": input.wall(shown.mark.device_at)}));
    let words = tell.w("home.what-you-sign");
    tell.out.push(Block::Quote { words, by });
    if let Some(reader) = &shown.what.reader {
        let text = tell.say("receipt.reader", &json!({"name": reader}));
        tell.out.push(Block::Text(text));
    }
    summary::strokes(tell, tell.of.signature_home, shown.what.because.as_deref());
}

/// Each dispute: the other side's words, their points, how it ended.
pub(super) fn disputes(tell: &mut Tell<'_>) {
    let intake = tell.input.intake;
    if intake.disputes.opened.is_empty() {
        return;
    }
    tell.head("dispute.title");
    tell.soft("dispute.means");
    for d in &intake.disputes.opened {
        let side = tell.w(&format!("dispute.side.{}", slug(&d.what.side)));
        let with = json!({"who": d.what.who.clone().unwrap_or(side), "how": how(tell, &d.what.how), "when": tell.input.wall(d.mark.at),
            "name": tell.input.name(Some(d.what.heard_by))});
        let by = tell.say("dispute.by", &with);
        tell.out.push(Block::Quote { words: tell.told(d.what.text.as_ref()), by });
        tell.out.extend(sure(tell, &d.mark).map(Block::Soft));
        for p in intake.disputes.points.iter().filter(|p| p.what.dispute == d.what.dispute) {
            let by = format!("{}. {}", about(tell, &p.what.about), tell.said("report.by-and-when", &p.mark, json!({})));
            tell.out.push(Block::Quote { words: tell.told(p.what.text.as_ref()), by });
            tell.out.extend(sure(tell, &p.mark).map(Block::Soft));
        }
        if let Some(e) = intake.disputes.ended.iter().find(|e| e.what.dispute == d.what.dispute) {
            let outcome = tell.w(&format!("dispute.outcome.{}", slug(&e.what.outcome)));
            let text = tell.said("dispute.ended", &e.mark, json!({"outcome": outcome})) + &tail(e.what.note.as_ref());
            tell.out.push(Block::Text(text));
            tell.out.extend(sure(tell, &e.mark).map(Block::Soft));
        }
    }
}

/// What a point is about, by its name.
fn about(tell: &Tell<'_>, about: &str) -> String {
    let (kind, words) = (tell.input.kind, tell.input.words);
    let named = |list: &[crate::intake::kind::Named], id: &str| {
        list.iter().find(|n| n.id == id).map(|n| words.text(&n.name).to_owned())
    };
    let found = match about.split_once(':') {
        Some(("view", id)) => kind.view(id).map(|v| words.text(&v.name).to_owned()),
        Some(("part", id)) => named(&kind.parts, id),
        Some(("accessory", id)) => named(&kind.accessories, id),
        Some(("suspect", id)) => id
            .parse()
            .ok()
            .and_then(|id| tell.input.intake.parts.card(id))
            .map(|c| tell.say("home.part", &json!({"what": c.what}))),
        _ => Some(tell.w(&format!("dispute.about.{}", slug(about)))),
    };
    found.unwrap_or_else(|| about.to_owned())
}
