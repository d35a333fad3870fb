//! The letter that goes with a claim: what the part is, what was looked for and seen or not, what was measured and how, what is
//! still missing, and what is asked. Observations with their authors; whose fault it was is for nobody here to say. Pure.

use maud::{DOCTYPE, Markup, PreEscaped, html};
use serde_json::json;
use uuid::Uuid;

use super::gather::Placed;
use super::part_words;
use crate::intake::bench::ReadingNoted;
use crate::intake::part::{self, Card};
use crate::intake::state::Said;
use crate::reading;
use crate::receipt::Input;
use crate::receipt::lines::{self, say};
use crate::receipt::page::{STYLE, policy, section};

/// Its path in the pack.
pub const NAME: &str = "letter.html";

/// The whole page; `None` when the record that the pack carries knows no such claim.
pub fn render(input: &Input<'_>, placed: &[Placed], claim: Uuid) -> Option<String> {
    let parts = &input.intake.parts;
    let claim = parts.claims.iter().find(|c| c.what.claim == claim)?;
    let card = parts.card(claim.what.part)?;
    let w = |key: &str| input.words.plain(key);
    let route = w(&format!("part.route.{}", claim.what.route));
    let page = html! {
        (DOCTYPE)
        html lang=(input.words.language) {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta http-equiv="Content-Security-Policy" content=(policy().replace("; frame-ancestors 'none'", ""));
                title { (w("letter.title")) ", " (card.what) ", " (input.shop_name) }
                style { (PreEscaped(STYLE)) }
            }
            body { main {
                header {
                    div.tag { span.hole {} span.number { (input.intake.tag().unwrap_or_default()) } }
                    div { h1 { (input.shop_name) } p.what { (w("letter.title")) ": " (route) } }
                }
                section.apart { p { (say(input, "letter.to", &json!({"supplier": card.supplier.clone().unwrap_or_else(|| w("letter.supplier-unknown"))}))) }
                p.soft { (say(input, "letter.opened", &json!({"when": input.wall(claim.mark.at), "name": input.name(claim.mark.by)}))) }
                p { (say(input, "letter.about", &json!({"what": card.what}))) " " (say(input, "letter.machine", &json!({"machine": lines::machine(input)}))) } }
                (section(&w("letter.part"), &facts(input, card)))
                (section(&w("letter.agrees"), &told(input, &part::disagreements(card))))
                (section(&w("letter.seen"), &seen(input, card, placed)))
                (section(&w("letter.measured"), &measured(input, card)))
                (section(&w("letter.elsewhere"), &elsewhere(input, placed)))
                (section(&w("letter.photos"), &pictures(input, card, placed)))
                (section(&w("letter.window"), &part_words::window(input, card, claim)))
                (section(&w("letter.lacks"), &told(input, &part::missing(input.intake, card, &claim.what.route))))
                section.apart { p { (w("letter.ask")) } p.soft { (w("letter.means")) } p { (w("letter.check")) } }
                (signature(input))
            } }
        }
    };
    Some(page.into_string())
}

fn signature(input: &Input<'_>) -> Markup {
    html! { section.signed.apart { p { (input.words.plain("letter.signature")) } p { "………………………………………………" } } }
}

/// The card, line by line.
fn facts(input: &Input<'_>, card: &Card) -> Vec<String> {
    let line = |(field, value)| say(input, "letter.fact", &json!({"field": field, "value": value}));
    part_words::card(input, card).into_iter().map(line).collect()
}

/// Sentences of the part's rules.
fn told(input: &Input<'_>, all: &[part::Told]) -> Vec<String> {
    all.iter().map(|t| part_words::told(input, t)).collect()
}

fn numbers(placed: &[Placed], photos: &[Uuid]) -> String {
    let found = photos.iter().filter_map(|p| placed.iter().find(|x| x.photo == *p));
    found.map(|p| p.number.to_string()).collect::<Vec<_>>().join(", ")
}

/// "Maker's mark: none seen on 4 photos (Ines) (photos 2, 3, 4, 5)".
fn seen(input: &Input<'_>, card: &Card, placed: &[Placed]) -> Vec<String> {
    let here = input.intake.parts.observed.iter().filter(|o| o.what.part == card.part);
    here.map(|o| {
        let with = json!({"about": input.words.plain(&format!("part.about.{}", o.what.about)), "count": o.what.photos.len(),
            "name": input.name(o.mark.by)});
        let line = say(input, &format!("part.observed.{}", o.what.seen.replace(' ', "-")), &with);
        with_photos(input, line, &numbers(placed, &o.what.photos))
    })
    .collect()
}

fn with_photos(input: &Input<'_>, line: String, list: &str) -> String {
    if list.is_empty() { line } else { format!("{line} ({})", say(input, "receipt.photos", &json!({"list": list}))) }
}

/// Each number as read, with its method; what its method lacks to be compared is said, and the shop's own rules are not a
/// supplier's business.
fn measured(input: &Input<'_>, card: &Card) -> Vec<String> {
    let here = input.intake.readings.iter().filter(|r| r.what.part == Some(card.part));
    here.filter_map(|r| reading_line(input, r)).collect()
}

fn reading_line(input: &Input<'_>, r: &Said<ReadingNoted>) -> Option<String> {
    let (value, unit) = (r.what.value.as_deref()?, r.what.unit.as_deref().unwrap_or_default());
    let kind = input.kind.readings.iter().find(|k| k.id == r.what.reading);
    let name = kind.map_or_else(
        || input.words.plain(&format!("reading.name.{}", r.what.reading)),
        |k| input.words.text(&k.name).to_owned(),
    );
    let mut line = say(
        input,
        "letter.reading",
        &json!({"name": name, "value": value, "unit": unit, "who": input.name(r.mark.by), "when": input.wall(r.mark.at)}),
    );
    let how: Vec<String> =
        r.what.method.iter().cloned().chain(r.what.how.iter().flat_map(|m| part_words::method(input, m))).collect();
    if !how.is_empty() {
        line.push_str(&format!(" {}.", how.join(", ")));
    }
    if r.what.reading == "compression" {
        let lacks = reading::missing(r.what.how.as_ref().unwrap_or(&reading::Method::default()));
        let lacks: Vec<String> =
            lacks.iter().map(|l| input.words.plain(&format!("reading.record.{}", l.replace('_', "-")))).collect();
        if !lacks.is_empty() {
            line.push_str(&format!(" {}", say(input, "letter.not-recorded", &json!({"list": lacks.join(", ")}))));
        }
    }
    Some(line)
}

/// What else was looked at on the machine: part, word, author.
fn elsewhere(input: &Input<'_>, placed: &[Placed]) -> Vec<String> {
    let one = |f: &Said<crate::intake::custody::Finding>| {
        let word = input.kind.condition(&f.what.word).map_or(f.what.word.as_str(), |c| input.words.text(&c.name));
        let with = json!({"part": f.what.part, "word": word, "name": input.name(f.mark.by)});
        with_photos(input, say(input, "letter.finding", &with), &numbers(placed, &[f.what.photo]))
    };
    input.intake.custody.findings.iter().map(one).collect()
}

/// "Photo 3: Face 1, exhaust side".
fn pictures(input: &Input<'_>, card: &Card, placed: &[Placed]) -> Vec<String> {
    let here = input.intake.parts.pictures.iter().filter(|p| p.what.part == card.part);
    here.filter_map(|p| {
        let number = placed.iter().find(|x| x.photo == p.what.photo)?.number;
        let view = input.words.plain(&format!("part.view.{}", p.what.view));
        Some(say(input, "letter.photo", &json!({"number": number, "view": view})))
    })
    .collect()
}
