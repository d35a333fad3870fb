//! The receipt of the hand-back: how the machine left, what became of each thing and old part, what it must not be used for, who
//! collected it, and the proof. It stands beside the first receipt and repeats none of it. Pure.

use std::collections::BTreeMap;

use evidence::note::SignerKey;
use evidence::tree::Hash;
use maud::{DOCTYPE, Markup, PreEscaped, html};
use serde_json::{Map, Value, json};
use uuid::Uuid;

use super::page::{self, STYLE, data, json_in_html, policy, section, without_prolog};
use super::{Evidence, Picture, money, proofs};
use crate::intake::hand_back;
use crate::intake::kind::Kind;
use crate::intake::state::{Intake, Mark};
use crate::words::Catalogue;

/// All that it is made from.
#[derive(Debug)]
pub struct Input<'a> {
    /// The catalogue of the language it was shown in.
    pub words: &'a Catalogue,
    /// The shop's name.
    pub shop_name: &'a str,
    /// The shop's zone (IANA).
    pub zone: &'a str,
    /// The intake, folded up to the hand-back.
    pub intake: &'a Intake,
    /// Its kind.
    pub kind: &'a Kind,
    /// Names of staff.
    pub staff: &'a BTreeMap<Uuid, String>,
    /// Pictures by photo.
    pub pictures: &'a BTreeMap<Uuid, Picture>,
    /// Outline of the signature: width, height, SVG path data.
    pub signature: Option<(i64, i64, String)>,
    /// That the customer's personal data was erased since: when, by whom, why, a sentence each.
    pub erased: &'a [String],
    /// Entries with their proofs.
    pub evidence: &'a [Evidence],
    /// That the log goes on from the sizes of earlier receipts.
    pub continues: &'a [(u64, Vec<Hash>)],
    /// The checkpoint that the proofs lead to.
    pub checkpoint: &'a str,
    /// The key that checks it.
    pub keys: &'a [String],
}

impl Input<'_> {
    fn say(&self, key: &str, with: &Value) -> String {
        self.words.say(key, with.as_object().unwrap_or(&Map::new()))
    }

    fn name(&self, staff: Option<Uuid>) -> String {
        let known = staff.and_then(|id| self.staff.get(&id).cloned());
        known.unwrap_or_else(|| self.words.plain("receipt.staff-unknown"))
    }

    fn by(&self, mark: &Mark) -> (String, String) {
        (self.words.wall(mark.at, self.zone), self.name(mark.by))
    }

    fn word(&self, key: &str, word: &str) -> String {
        self.words.plain(&format!("{key}.{}", word.replace(' ', "-")))
    }
}

/// Which personal members it proves: what it shows. Whoever collects a machine need not be its owner, whose phone and words
/// stay with the shop and the first receipt.
pub fn discloses(kind: &str, member: &str) -> bool {
    let shown = [
        ("thing-settled", "note"),
        ("approval-noted", "who"),
        ("collector-noted", "name"),
        ("hand-back-shown", "signer"),
    ];
    shown.contains(&(kind, member))
}

/// The whole file, signed as it stands but for the place of the seal.
///
/// # Errors
/// A sentence when the key cannot sign.
pub fn sealed(input: &Input<'_>, keys: &[SignerKey]) -> Result<String, String> {
    page::seal(&render(input), keys)
}

/// The page with an empty place for its seal.
fn render(input: &Input<'_>) -> String {
    let w = |key: &str| input.words.plain(key);
    let tag = input.intake.tag().unwrap_or_default();
    let (when, name) = input.intake.home.handed_back.as_ref().map(|m| input.by(m)).unwrap_or_default();
    html! {
        (DOCTYPE)
        html lang=(input.words.language) {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta http-equiv="Content-Security-Policy" content=(policy().replace("; frame-ancestors 'none'", ""));
                title { (w("home.receipt")) " " (tag) ", " (input.shop_name) }
                style { (PreEscaped(STYLE)) }
            }
            body {
                main {
                    header {
                        div.tag { span.hole {} span.number { (tag) } }
                        div {
                            h1 { (input.shop_name) }
                            p.what { (input.words.text(&input.kind.name)) }
                        }
                        p.stamp { (w("state.handed-back")) }
                    }
                    p { (input.say("home.receipt-done", &json!({"when": when, "name": name}))) }
                    @for line in input.erased { p { (line) } }
                    (section(&w("home.told"), &told(input)))
                    (section(&w("home.lines"), &lines(input)))
                    (section(&w("home.trial"), &trial(input)))
                    (section(&w("care.money"), &money_lines(input)))
                    (section(&w("home.collector"), &collector(input)))
                    (pictures(input))
                    (signed(input))
                    (proof(input))
                }
            }
        }
    }
    .into_string()
}

fn told(input: &Input<'_>) -> Vec<String> {
    let kept = input.intake.custody.quarantine.values();
    kept.map(|q| {
        let (when, name) = input.by(&q.mark);
        let with = json!({"word": input.word("care.word", &q.what.word), "because": q.what.because, "when": when, "name": name});
        input.say("care.line.quarantined", &with)
    })
    .collect()
}

/// What became of each thing and old part.
pub(crate) fn lines(input: &Input<'_>) -> Vec<String> {
    let what = |line: &str| match line.split_once(':') {
        Some(("accessory", id)) => {
            let thing = input.kind.accessories.iter().find(|a| a.id == id);
            thing.map_or_else(|| id.to_owned(), |a| input.words.text(&a.name).to_owned())
        }
        Some(("part", _)) => {
            let card = hand_back::part_of(line).and_then(|p| input.intake.parts.card(p));
            input.say("home.part", &json!({"what": card.map(|c| c.what.clone()).unwrap_or_default()}))
        }
        _ => match hand_back::old_part(input.intake, line) {
            Some(p) => input.say("home.old-part", &json!({"what": p.what})),
            None => input.words.plain("home.old-plug"),
        },
    };
    let settled = |line: String| {
        let s = &input.intake.home.settled.get(&line)?.what;
        let count = s.count.filter(|c| *c > 1).map(|c| format!("{c} × ")).unwrap_or_default();
        let note = s.note.as_ref().map(|n| format!(", {n}")).unwrap_or_default();
        Some(format!("{count}{}: {}{note}", what(&line), input.word("home.how", &s.how)))
    };
    let gone = input.intake.custody.old_parts.iter().filter(|p| p.what.fate == "thrown away");
    let gone = gone.map(|p| input.say("home.thrown-away", &json!({"what": p.what.what})));
    hand_back::lines(input.kind, input.intake).into_iter().filter_map(settled).chain(gone).collect()
}

/// Whether it was tried, by whom, or why not.
pub(crate) fn trial(input: &Input<'_>) -> Vec<String> {
    let trial = input.intake.home.trial.iter();
    trial
        .map(|t| {
            let key = format!("home.trial.{}", t.what.how.replace(' ', "-"));
            input.say(&key, &json!({"what": t.what.what, "name": input.name(t.mark.by)}))
        })
        .collect()
}

fn money_lines(input: &Input<'_>) -> Vec<String> {
    let kept = &input.intake.custody;
    let hidden =
        || input.words.plain(if input.erased.is_empty() { "receipt.name-withheld" } else { "receipt.name-erased" });
    let work = kept.work.iter().map(|w| {
        let (when, name) = input.by(&w.mark);
        let value = w.what.adds.as_ref().and_then(|a| money(input.words, a)).unwrap_or_else(|| "–".into());
        input.say("care.line.work", &json!({"what": w.what.what, "value": value, "when": when, "name": name}))
    });
    let answers = kept.approvals.iter().map(|a| {
        let value = a.what.total.as_ref().and_then(|t| money(input.words, t)).unwrap_or_default();
        let with = json!({"name": input.name(a.mark.by), "when": a.what.at.replace('T', ", "), "how": input.word("care.how", &a.what.how),
            "who": a.what.who.clone().unwrap_or_else(hidden), "value": value});
        input.say(&format!("care.line.approval.{}", a.what.answer.replace(' ', "-")), &with)
    });
    answers.chain(work).collect()
}

/// Who collected it, and how that was checked.
pub(crate) fn collector(input: &Input<'_>) -> Vec<String> {
    let collector = input.intake.home.collector.iter();
    collector
        .map(|c| {
            let who = c.what.name.clone().unwrap_or_else(|| input.word("home.who", &c.what.who));
            let checked = input.word("home.checked", &c.what.checked);
            input.say("home.collects", &json!({"who": who, "checked": checked, "name": input.name(c.mark.by)}))
        })
        .collect()
}

fn pictures(input: &Input<'_>) -> Markup {
    let photos = hand_back::photos(input.kind, input.intake);
    html! {
        @if !photos.is_empty() {
            section.photos {
                h2 { (input.words.plain("home.views")) }
                @for photo in photos {
                    @let view = photo.taken.view.as_deref().and_then(|v| input.kind.view(v)).map(|v| input.words.text(&v.name));
                    figure {
                        @match input.pictures.get(&photo.taken.photo) {
                            Some(pic) => { img src=(data(&pic.jpeg)) width=(pic.width) height=(pic.height) alt=(view.unwrap_or_default()); }
                            None => { p.none { (input.words.plain("receipt.no-preview")) } }
                        }
                        figcaption {
                            b { (view.unwrap_or_default()) } br;
                            (input.say("receipt.phone-clock", &json!({"when": input.words.wall(photo.mark.device_at, input.zone)}))) br;
                            code { (photo.taken.file.to_string()) }
                        }
                    }
                }
            }
        }
    }
}

fn signed(input: &Input<'_>) -> Markup {
    let Some(shown) = &input.intake.home.shown else { return html! {} };
    html! {
        section.signed {
            hr.perforation;
            p { (input.words.plain("home.what-you-sign")) }
            @if let Some(reader) = &shown.what.reader { p.soft { (input.say("receipt.reader", &json!({"name": reader}))) } }
            @match (&input.signature, &shown.what.because) {
                (Some((width, height, path)), _) => {
                    svg viewBox=(format!("0 0 {width} {height}")) role="img" aria-label=(input.words.plain("receipt.signature")) { path d=(path) {} }
                }
                (None, Some(because)) => p { (input.say("receipt.not-signed", &json!({"because": because}))) },
                _ if !input.erased.is_empty() => p { (input.words.plain("receipt.signature-erased")) },
                _ => p { (input.words.plain("receipt.signature-kept")) },
            }
        }
    }
}

fn proof(input: &Input<'_>) -> Markup {
    let newest = input.evidence.iter().map(|e| e.index).max().unwrap_or(0);
    let code = qrcode::QrCode::new(input.checkpoint.as_bytes()).ok();
    let svg = code.map(|c| c.render::<qrcode::render::svg::Color<'_>>().min_dimensions(240, 240).build());
    let sheet = input.intake.home.shown.as_ref().map(|s| s.what.sheet);
    let block = proofs::of(input.evidence, input.continues, input.checkpoint, input.keys, sheet, &[]);
    html! {
        section.proof {
            h2 { (input.words.plain("receipt.proof")) }
            p { (input.say("receipt.proof-text", &json!({"index": newest}))) }
            div.checkpoint {
                @if let Some(svg) = svg { div.qr role="img" aria-label=(input.words.plain("receipt.qr")) { (PreEscaped(without_prolog(&svg))) } }
                pre { (input.checkpoint) }
            }
            p.soft { (input.words.plain("receipt.key")) " " code { (input.keys.first().map_or("", String::as_str)) } }
            script type="application/json" id="counterfoil-evidence" { (PreEscaped(json_in_html(&block))) }
            script type="text/plain" id="counterfoil-seal" {}
        }
    }
}
