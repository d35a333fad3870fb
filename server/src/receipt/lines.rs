//! The receipt's sentences: condition, devices, things left, answers, money. Damage first; blank never means fine.

use serde_json::{Map, Value, json};

use super::{Input, money};
use crate::intake::body::Line;
use crate::intake::check::{Checked, Mode, check_facts};
use crate::intake::kind::Due;
use crate::intake::state::NotedLine;

/// A sentence with what it names.
pub fn say(input: &Input<'_>, key: &str, with: &Value) -> String {
    input.words.say(key, with.as_object().unwrap_or(&Map::new()))
}

/// The condition lines, then the sentence that answers for the rest.
pub fn condition(input: &Input<'_>, number: &dyn Fn(uuid::Uuid) -> Option<usize>) -> Vec<String> {
    noted(input, number).into_iter().chain(block(input, "walk-round")).collect()
}

/// The condition lines, each with the numbers of its photos.
pub fn noted(input: &Input<'_>, number: &dyn Fn(uuid::Uuid) -> Option<usize>) -> Vec<String> {
    let said = |noted: &NotedLine| {
        let photos: Vec<String> = noted.what.photos.iter().filter_map(|p| number(*p)).map(|n| n.to_string()).collect();
        let text = line(input, &noted.what);
        if photos.is_empty() {
            return text;
        }
        format!("{text} ({})", say(input, "receipt.photos", &json!({"list": photos.join(", ")})))
    };
    input.intake.lines.iter().map(said).collect()
}

/// "Bar: bent, at the tip": one condition line.
pub fn line(input: &Input<'_>, line: &Line) -> String {
    let part = input.kind.parts.iter().find(|p| p.id == line.part);
    let part = part.map_or(line.part.as_str(), |p| input.words.text(&p.name));
    let word = input.kind.condition(&line.word).map_or(line.word.as_str(), |c| input.words.text(&c.name));
    let note = line.note.as_ref().map(|n| format!(", {n}")).unwrap_or_default();
    say(input, "receipt.line", &json!({"part": part, "word": word})) + &note
}

/// The sentence a block was answered by.
fn block(input: &Input<'_>, name: &str) -> Option<String> {
    let block = input.intake.blocks.get(name)?;
    Some(say(input, &block.what.sentence, &json!({"name": input.name(block.mark.by)})))
}

/// "Written 14:05 by Ines, entered 17:30 by Bo."
pub fn written(input: &Input<'_>) -> Option<String> {
    let opened = input.intake.opened.as_ref()?;
    let written = opened.what.written.as_ref()?;
    let with = json!({"at": written.at.replace('T', ", "), "by": written.by, "when": input.wall(opened.mark.at),
        "name": input.name(opened.mark.by)});
    Some(say(input, "receipt.written", &with))
}

/// Where and when it was found, and what its owner answered.
pub fn found(input: &Input<'_>) -> Vec<String> {
    let note = |n: &Option<String>| n.as_ref().map(|n| format!(" {n}")).unwrap_or_default();
    let find = input.intake.found.iter().map(|f| {
        let with =
            json!({"place": f.what.place, "when": f.what.seen_at.replace('T', ", "), "name": input.name(f.mark.by)});
        say(input, "receipt.found", &with) + &note(&f.what.note)
    });
    let answers = input.intake.owner_answers.iter().map(|a| {
        let with = json!({"when": input.wall(a.mark.device_at), "name": input.name(a.mark.by)});
        say(input, &format!("receipt.answered.{}", a.what.how.replace(' ', "-")), &with) + &note(&a.what.note)
    });
    find.chain(answers).collect()
}

/// The safety devices.
pub fn safety(input: &Input<'_>) -> Vec<String> {
    let mut out: Vec<String> = input
        .kind
        .safety
        .iter()
        .filter_map(|device| {
            let seen = &input.intake.safety.get(&device.id)?.what.seen;
            let seen = input.words.plain(&format!("receipt.safety.{}", seen.replace(' ', "-")));
            Some(say(input, "receipt.line", &json!({"part": input.words.text(&device.name), "word": seen})))
        })
        .collect();
    out.extend(block(input, "safety"));
    out
}

/// What was left with the machine.
pub fn accessories(input: &Input<'_>) -> Vec<String> {
    let mut out: Vec<String> = input
        .kind
        .accessories
        .iter()
        .filter_map(|thing| {
            let a = &input.intake.accessories.get(&thing.id)?.what;
            let stays = input.words.plain(&format!("receipt.stays.{}", a.stays.replace(' ', "-")));
            let count = if a.stays == "not with it" { String::new() } else { format!("{} × ", a.count) };
            let note = a.note.as_ref().map(|n| format!(", {n}")).unwrap_or_default();
            Some(format!("{count}{}: {stays}{note}", input.words.text(&thing.name)))
        })
        .collect();
    out.extend(block(input, "accessories"));
    out
}

/// The questions and their answers.
pub fn answers(input: &Input<'_>) -> Vec<String> {
    let mut out: Vec<String> = input
        .kind
        .questions
        .iter()
        .filter_map(|q| {
            let a = &input.intake.answers.get(&q.id)?.what;
            let choice = a.choice.as_ref().map(|c| {
                q.choices.iter().find(|x| &x.id == c).map_or(c.clone(), |x| input.words.text(&x.name).to_owned())
            });
            let not = a.not.as_ref().map(|n| input.words.plain(&format!("receipt.not.{}", n.replace(' ', "-"))));
            let answer = choice.or(not).or_else(|| a.text.clone())?;
            let because = a.because.as_ref().map(|b| format!(" ({b})")).unwrap_or_default();
            Some(format!("{} {answer}{because}", input.words.text(&q.name)))
        })
        .collect();
    out.extend(block(input, "questions"));
    out
}

/// Money and dates.
pub fn arrangements(input: &Input<'_>) -> Vec<String> {
    crate::intake::body::ARRANGEMENTS
        .iter()
        .filter(|f| **f != "terms")
        .filter_map(|field| {
            let value = &input.intake.arrangements.get(*field)?.what.value;
            let text = money(input.words, value).or_else(|| {
                let word = value.as_str()?;
                if let Ok(date) = word.parse() {
                    return Some(input.words.day(date, None));
                }
                let key = format!("receipt.arranged.{}", word.replace(' ', "-"));
                Some(if input.words.has(&key) { input.words.plain(&key) } else { word.to_owned() })
            })?;
            Some(say(input, &format!("receipt.arrangement.{}", field.replace('_', "-")), &json!({"value": text})))
        })
        .collect()
}

/// The machine's name in one line.
pub fn machine(input: &Input<'_>) -> String {
    let field = |f: &str| {
        let m = &input.intake.machine.get(f)?.what;
        m.value.clone().or_else(|| {
            m.not.as_ref().map(|n| {
                say(
                    input,
                    &format!("receipt.machine.{}", n.replace(' ', "-")),
                    &json!({"field": input.words.plain(&format!("receipt.field.{f}"))}),
                )
            })
        })
    };
    let name: Vec<String> = ["make", "model"].iter().filter_map(|f| field(f)).collect();
    let mut out = input.words.text(&input.kind.name).to_owned();
    if !name.is_empty() {
        out.push_str(&format!(", {}", name.join(" ")));
    }
    if let Some(serial) = field("serial") {
        let known = input.intake.machine.get("serial").is_some_and(|m| m.what.value.is_some());
        out.push_str(", ");
        out.push_str(&if known { say(input, "receipt.serial", &json!({"serial": serial})) } else { serial });
    }
    out
}

/// What was left open, and what was not looked at yet.
pub fn open(input: &Input<'_>) -> (Vec<String>, Vec<String>) {
    let Checked { gaps, left_open } = check_facts(input.kind, input.intake, Mode::Server);
    let left = left_open
        .iter()
        .map(|l| {
            let what = what(input, &l.gap.gap);
            say(input, "receipt.left-open", &json!({"what": what, "reason": l.reason, "name": input.name(l.by)}))
        })
        .collect();
    let later = gaps
        .iter()
        .filter(|g| g.due != Due::AtCounter && (g.gap.starts_with("view:") || g.gap.starts_with("reading:")))
        .map(|g| what(input, &g.gap))
        .collect();
    (left, later)
}

/// What a gap asks for, as people call it.
pub fn what(input: &Input<'_>, gap: &str) -> String {
    let known = match gap.split_once(':') {
        Some(("view", id)) => input.kind.view(id).map(|v| input.words.text(&v.short).to_owned()),
        Some(("question", id)) => input.kind.question(id).map(|q| input.words.text(&q.name).to_owned()),
        Some(("reading", id)) => input.kind.reading(id).map(|r| input.words.text(&r.name).to_owned()),
        Some(("machine", f)) => Some(input.words.plain(&format!("receipt.field.{f}"))),
        _ => None,
    };
    known.unwrap_or_else(|| {
        let key = format!("receipt.gap.{}", gap.split(':').next().unwrap_or(gap));
        if input.words.has(&key) { input.words.plain(&key) } else { gap.to_owned() }
    })
}
