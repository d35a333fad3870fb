//! The receipt of an erasure: what was erased by kind and number, when, by whom, what stays and why, and the proof. None of the
//! personal data itself. Pure.

use std::collections::BTreeMap;

use evidence::entry::Author;
use evidence::note::SignerKey;
use evidence::tree::Hash;
use maud::{DOCTYPE, Markup, PreEscaped, html};
use serde_json::{Map, Value, json};
use uuid::Uuid;

use super::page::{self, STYLE, json_in_html, policy, section, without_prolog};
use super::{Evidence, proofs};
use crate::intake::erasure::Count;
use crate::intake::state::Intake;
use crate::ledger::erase::Said;
use crate::words::Catalogue;

/// One intake of it.
#[derive(Debug)]
pub struct One {
    tag: String,
    index: u64,
    at: i64,
    by: Option<Uuid>,
    why: String,
    details: Vec<Count>,
    photos: usize,
    signatures: usize,
}

impl One {
    /// What the entry says, with the tag of its intake.
    pub fn of(said: &Said, intake: &Intake) -> One {
        One {
            tag: intake.tag().unwrap_or_default().to_owned(),
            index: said.index,
            at: said.entry.kept.at,
            by: match said.entry.said.author {
                Author::Staff { staff, .. } => Some(staff),
                Author::Server { .. } => None,
            },
            why: said.body.why.clone(),
            details: said.body.details.clone(),
            photos: said.body.photos.len(),
            signatures: said.body.files.len(),
        }
    }
}

/// All that it is made from.
#[derive(Debug)]
pub struct Input<'a> {
    /// The catalogue of its language.
    pub words: &'a Catalogue,
    /// The shop's name.
    pub shop_name: &'a str,
    /// The shop's zone (IANA).
    pub zone: &'a str,
    /// The erasure.
    pub erasure: Uuid,
    /// Its intakes, in log order.
    pub intakes: &'a [One],
    /// Names of staff.
    pub staff: &'a BTreeMap<Uuid, String>,
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
}

/// Why, as a sentence's part; free words as they are.
pub fn why(words: &Catalogue, why: &str) -> String {
    let key = format!("erased.why.{}", why.replace(' ', "-"));
    if words.has(&key) { words.plain(&key) } else { why.to_owned() }
}

/// The whole file, signed as it stands but for the place of the seal.
///
/// # Errors
/// A sentence when the key cannot sign.
pub fn sealed(input: &Input<'_>, keys: &[SignerKey]) -> Result<String, String> {
    page::seal(&render(input), keys)
}

fn render(input: &Input<'_>) -> String {
    let w = |key: &str| input.words.plain(key);
    let stays = ["entries", "photos", "free", "receipts"].map(|k| w(&format!("erased.stays.{k}")));
    let later = ["phones", "backups", "later"].map(|k| w(&format!("erased.after.{k}")));
    html! {
        (DOCTYPE)
        html lang=(input.words.language) {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta http-equiv="Content-Security-Policy" content=(policy().replace("; frame-ancestors 'none'", ""));
                title { (w("erased.title")) ", " (input.shop_name) }
                style { (PreEscaped(STYLE)) }
            }
            body {
                main {
                    header {
                        div { h1 { (input.shop_name) } p.what { (w("erased.title")) } }
                        p.stamp { (w("erased.stamp")) }
                    }
                    p { (w("erased.words")) }
                    @for one in input.intakes { (intake(input, one)) }
                    (section(&w("erased.stays-title"), &stays))
                    (section(&w("erased.after-title"), &later))
                    (proof(input))
                }
            }
        }
    }
    .into_string()
}

/// "3 × names", each member under one word, whatever it was said in.
fn what(input: &Input<'_>, one: &One) -> Vec<String> {
    let mut members: BTreeMap<&str, u64> = BTreeMap::new();
    for c in &one.details {
        *members.entry(&c.member).or_default() += u64::from(c.count);
    }
    let line = |what: String, count: u64| input.say("erased.line", &json!({"count": count, "what": what}));
    let name = |member: &str| {
        let key = format!("erased.member.{}", member.replace('_', "-"));
        if input.words.has(&key) { input.words.plain(&key) } else { member.to_owned() }
    };
    let mut out: Vec<String> = members.into_iter().map(|(m, n)| line(name(m), n)).collect();
    for (key, n) in [("erased.signatures", one.signatures), ("erased.photos", one.photos)] {
        if n > 0 {
            out.push(line(input.words.plain(key), n as u64));
        }
    }
    if out.is_empty() {
        out.push(input.words.plain("erased.nothing-left"));
    }
    out
}

fn intake(input: &Input<'_>, one: &One) -> Markup {
    let by = one.by.and_then(|id| input.staff.get(&id).cloned());
    let by = by.unwrap_or_else(|| input.words.plain("receipt.the-server"));
    let with = json!({"when": input.words.wall(one.at, input.zone), "name": by, "why": why(input.words, &one.why), "index": one.index});
    html! {
        section {
            h2 { (input.say("erased.tag", &json!({"tag": one.tag}))) }
            p { (input.say("erased.done", &with)) }
            ul { @for line in what(input, one) { li { (line) } } }
        }
    }
}

fn proof(input: &Input<'_>) -> Markup {
    let newest = input.evidence.iter().map(|e| e.index).max().unwrap_or(0);
    let code = qrcode::QrCode::new(input.checkpoint.as_bytes()).ok();
    let svg = code.map(|c| c.render::<qrcode::render::svg::Color<'_>>().min_dimensions(240, 240).build());
    let block = proofs::of(input.evidence, input.continues, input.checkpoint, input.keys, None, &[]);
    html! {
        section.proof {
            h2 { (input.words.plain("receipt.proof")) }
            p { (input.say("erased.proof", &json!({"index": newest}))) }
            div.checkpoint {
                @if let Some(svg) = svg { div.qr role="img" aria-label=(input.words.plain("receipt.qr")) { (PreEscaped(without_prolog(&svg))) } }
                pre { (input.checkpoint) }
            }
            p.soft { (input.words.plain("receipt.key")) " " code { (input.keys.first().map_or("", String::as_str)) } }
            p.soft { code { (input.erasure) } }
            details {
                summary { (input.say("receipt.entries", &json!({"count": input.evidence.len()}))) }
                @for e in input.evidence { pre { (e.index) "\n" (e.bytes) } }
            }
            script type="application/json" id="counterfoil-evidence" { (PreEscaped(json_in_html(&block))) }
            script type="text/plain" id="counterfoil-seal" {}
        }
    }
}
