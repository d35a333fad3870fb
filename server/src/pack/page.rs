//! The pack's page: opens from disk, loads nothing from elsewhere, and checks the archive it came in with one script.

use base64::Engine;
use evidence::cosignature::cosignatures;
use evidence::digest::Digest;
use evidence::entry::{Author, Entry};
use evidence::rotation;
use maud::{DOCTYPE, Markup, PreEscaped, html};
use serde_json::{Map, Value, json};

use super::choose::{Customer, Wanted};
use super::gather::Placed;
use super::{Lack, by_hand, outside};
use crate::http::assets;
use crate::receipt::Input;
use crate::receipt::lines::{self, say};
use crate::receipt::page as paper;
use crate::receipt::since;
use crate::words::Catalogue;

/// What the page adds to a receipt's style.
const STYLE: &str = include_str!("pack.css");

/// The modules of the checker, in the order in which each finds what it needs.
const MODULES: [&str; 19] = [
    "bytes",
    "sha256",
    "canon",
    "disclosure",
    "proof/sha512",
    "proof/ed25519",
    "proof/tree",
    "proof/note",
    "proof/der",
    "proof/certificate",
    "proof/stamp",
    "proof/zip",
    "proof/entry",
    "proof/rotation",
    "proof/entries",
    "proof/keys",
    "proof/outside",
    "proof/receipt",
    "proof/pack",
];
/// What the page itself does with them.
const PART: &str = "proof/offline";

/// All that the page shows.
#[derive(Debug)]
pub struct Shown<'a> {
    /// As for a receipt.
    pub input: &'a Input<'a>,
    /// Where the photos stand.
    pub placed: &'a [Placed],
    /// What is not in the pack.
    pub lacks: &'a [Lack],
    /// The entries, by log index.
    pub entries: &'a [(u64, Entry)],
    /// Stamps from outside.
    pub stamps: &'a [outside::Placed],
    /// Heads that witnesses cosigned.
    pub witnessed: &'a [outside::Witnessed],
    /// What was asked for.
    pub wanted: &'a Wanted,
}

/// The checker as one classic script: the modules of the app, their imports and exports taken off.
pub fn script() -> String {
    let mut out = String::from("\"use strict\";(function(){\n");
    for module in MODULES.iter().chain([&PART]) {
        let text = assets::text(&format!("core/{module}.js")).unwrap_or_default();
        for line in text.lines().filter(|l| !l.starts_with("import ")) {
            out.push_str(line.strip_prefix("export ").unwrap_or(line));
            out.push('\n');
        }
    }
    out.push_str("})();\n");
    out
}

fn hashed(text: &str) -> String {
    format!("'sha256-{}'", base64::engine::general_purpose::STANDARD.encode(Digest::of(text.as_bytes()).0))
}

/// The whole page.
pub fn render(shown: &Shown<'_>) -> String {
    let input = shown.input;
    let w = |key: &str| input.words.plain(key);
    let (style, script) = (format!("{}{STYLE}", paper::STYLE), script());
    let policy = format!(
        "default-src 'none'; style-src {}; script-src {}; img-src 'self' file:; base-uri 'none'; form-action 'none'",
        hashed(&style),
        hashed(&script)
    );
    let tag = input.since.tag().unwrap_or_default().to_owned();
    let number = |id: uuid::Uuid| shown.placed.iter().find(|p| p.photo == id).map(|p| p.number);
    let (left, later) = lines::open(input);
    let whole = shown.wanted.view.is_none() && shown.wanted.claim.is_none();
    html! {
        (DOCTYPE)
        html lang=(input.words.language) {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta http-equiv="Content-Security-Policy" content=(policy);
                title { (w("pack.title")) " " (tag) ", " (input.shop_name) }
                style { (PreEscaped(&style)) }
            }
            body {
                main {
                    (paper::head(input, &tag))
                    section { h2 { (w("pack.what-title")) } p { (say(input, "pack.what", &json!({"shop": input.shop_name}))) }
                        @if !shown.lacks.iter().any(|l| l.code == "report") { p { a href="report.pdf" { (w("report.link")) } } }
                        (scope(shown)) }
                    (check(input.words))
                    @if !shown.lacks.is_empty() { section { h2 { (w("pack.lacks-title")) } ul { @for l in shown.lacks { li { (lack(input, l)) } } } } }
                    @if whole { (paper::section(&w("receipt.condition"), &lines::condition(input, &number))) }
                    @if whole && !left.is_empty() { (paper::section(&w("receipt.left-open-title"), &left)) }
                    (pictures(shown))
                    @if whole {
                        (paper::section(&w("receipt.since"), &since::photos(input)))
                        (paper::told(input))
                        (paper::section(&w("receipt.answers"), &lines::answers(input)))
                        (paper::section(&w("receipt.safety-title"), &lines::safety(input)))
                        (paper::section(&w("receipt.accessories"), &lines::accessories(input)))
                        (paper::section(&w("receipt.arrangements"), &lines::arrangements(input)))
                        @if shown.wanted.customer == Customer::Shown && !later.is_empty() { section { h2 { (w("receipt.later")) } p { (later.join(", ")) } } }
                        (paper::signed(input))
                    }
                    (timeline(shown))
                    (outside_time(shown))
                    (paper::section(&w("pack.keys-title"), &key_changes(input, shown.entries)))
                    section { h2 { (w("pack.by-hand-title")) } p { a href="VERIFY.txt" { "VERIFY.txt" } ": " (w(by_hand::FIRST)) }
                        pre { (input.checkpoint) } p.soft { (w("receipt.key")) " " code { (input.verifier_key()) } } }
                }
                script type="application/json" id="words" { (PreEscaped(paper::json_in_html(&sentences(input.words)))) }
                script { (PreEscaped(&script)) }
            }
        }
    }
    .into_string()
}

/// The sentences the checker speaks.
fn sentences(words: &Catalogue) -> Value {
    let all: Map<String, Value> = serde_json::from_slice(&words.bytes).unwrap_or_default();
    let first: Map<String, Value> =
        serde_json::from_slice(&crate::words::language(crate::words::FIRST).bytes).unwrap_or_default();
    first
        .into_iter()
        .filter(|(k, _)| k.starts_with("verify."))
        .map(|(k, v)| (k.clone(), all.get(&k).cloned().unwrap_or(v)))
        .collect()
}

fn scope(shown: &Shown<'_>) -> Markup {
    let words = shown.input.words;
    let view = shown.wanted.view.as_deref().and_then(|v| shown.input.kind.view(v));
    html! {
        @if shown.wanted.claim.is_some() { p { (words.plain("pack.scope-claim")) " " a href=(super::letter::NAME) { (words.plain("letter.title")) } } }
        @if let Some(view) = view { p { (say(shown.input, "pack.scope-view", &json!({"view": words.text(&view.name)}))) } }
        @if shown.wanted.customer == Customer::Withheld { p { (words.plain("pack.scope-withheld")) } }
    }
}

/// Where the archive is chosen and what was found is told. The script fills it.
fn check(words: &Catalogue) -> Markup {
    html! {
        section.check {
            h2 { (words.plain("verify.title")) }
            p { (words.plain("verify.choose-pack")) }
            p { label { (words.plain("verify.file")) " " input type="file" id="file" accept=".zip,.html"; } }
            p { label { (words.plain("verify.earlier")) " " input type="file" id="earlier" accept=".html"; } }
            p { label { (words.plain("verify.key")) " " input type="text" id="key" autocomplete="off" spellcheck="false"; } }
            p { label { (words.plain("verify.roots")) " " input type="file" id="roots" accept=".pem,.crt,.cer"; } }
            div id="found" role="status" {}
            p.soft { (words.plain("verify.limits")) }
        }
    }
}

/// One thing that is not in the pack. A gap is told as people call it; its name stands in the list of files.
pub fn lack(input: &Input<'_>, lack: &Lack) -> String {
    let of = if lack.code == "left-open" { lines::what(input, &lack.of) } else { lack.of.clone() };
    say(input, &format!("pack.lack.{}", lack.code), &json!({"of": of}))
}

fn pictures(shown: &Shown<'_>) -> Markup {
    let (input, w) = (shown.input, |key: &str| shown.input.words.plain(key));
    html! {
        @if !shown.placed.is_empty() {
            section.photos {
                h2 { (w("receipt.photos-title")) }
                @for place in shown.placed {
                    @if let Some(photo) = input.intake.photo(place.photo) {
                        figure {
                            @match &place.copy {
                                Some((path, width, height)) => a href=(place.original.as_deref().unwrap_or(path)) {
                                    img src=(path) width=(width) height=(height) loading="lazy" alt=(paper::caption(input, photo, place.number));
                                },
                                None => p.none { (since::erased(input, place.photo, &place.number.to_string()).unwrap_or_else(|| w("receipt.no-preview"))) },
                            }
                            figcaption {
                                b { (paper::caption(input, photo, place.number)) } br;
                                (say(input, "pack.taken-by", &json!({"name": input.name(photo.mark.by)}))) " "
                                (w(&format!("lane.{}", photo.taken.stage))) br;
                                (paper::times(input, photo)) br;
                                @if place.original.is_none() && place.copy.is_some() { b { (w("pack.copy-only")) } br; }
                                code { (photo.taken.file.to_string()) }
                            }
                        }
                    }
                }
            }
        }
    }
}

/// When the log's key changed, and when an old one signed no more.
pub(super) fn key_changes(input: &Input<'_>, entries: &[(u64, Entry)]) -> Vec<String> {
    let told = |(index, entry): &(u64, Entry)| {
        let key = match entry.said.kind.as_str() {
            rotation::ROTATED => "pack.key-changed",
            rotation::RETIRED => "pack.key-let-go",
            _ => return None,
        };
        Some(say(input, key, &json!({"when": input.wall(entry.kept.at), "index": index})))
    };
    entries.iter().filter_map(told).collect()
}

/// What authorities outside the shop signed, and what that means.
fn outside_time(shown: &Shown<'_>) -> Markup {
    let input = shown.input;
    html! {
        @if !shown.stamps.is_empty() {
            section { h2 { (input.words.plain("pack.outside-title")) }
                p { (input.words.plain("pack.outside-words")) }
                ul { @for s in shown.stamps { li {
                    (say(input, "pack.outside-stamp", &json!({"authority": s.stamp.authority, "when": input.wall(s.stamp.at), "index": s.size - 1}))) " "
                    a href=(evidence::verify::outside::stamp_path(s.size, "tsr")) { (s.stamp.when) }
                } } }
            }
        }
        @if !shown.witnessed.is_empty() {
            section { h2 { (input.words.plain("pack.witness-title")) }
                p { (input.words.plain("pack.witness-words")) }
                ul { @for w in shown.witnessed { @for c in cosignatures(&w.note, &[]).unwrap_or_default() { li {
                    (say(input, "pack.witness-seen", &json!({"name": c.name, "when": input.wall(seconds(c.time)), "index": w.size - 1})))
                } } } }
            }
        }
    }
}

/// A witness's seconds as milliseconds.
pub(super) fn seconds(time: u64) -> i64 {
    i64::try_from(time).ok().and_then(|t| t.checked_mul(1000)).unwrap_or(i64::MAX)
}

/// Every entry: its place, the log's clock, the device's clock and how sure it is, what and by whom.
fn timeline(shown: &Shown<'_>) -> Markup {
    let input = shown.input;
    let by = |entry: &Entry| match entry.said.author {
        Author::Staff { staff, .. } => input.name(Some(staff)),
        Author::Server { .. } => input.name(None),
    };
    let device = |entry: &Entry| match (&entry.said.author, entry.kept.clock_offset_ms, entry.kept.round_trip_ms) {
        (Author::Server { .. }, ..) => String::new(),
        (_, Some(offset), Some(trip)) => say(
            input,
            "receipt.phone-clock-measured",
            &json!({"when": input.wall(entry.said.at.saturating_add(offset)), "seconds": format!("{:.1}", trip.div_ceil(2) as f64 / 1000.0)}),
        ),
        _ => say(input, "receipt.phone-clock", &json!({"when": input.wall(entry.said.at)})),
    };
    html! {
        section { h2 { (input.words.plain("pack.timeline")) }
            div.wide tabindex="0" { table {
                thead { tr { @for c in ["index", "our-clock", "what", "who", "device-clock"] { th scope="col" { (input.words.plain(&format!("pack.column.{c}"))) } } } }
                tbody { @for (index, entry) in shown.entries { tr {
                    td { a href=(evidence::verify::pack::entry_path("entries", *index, "json")) { (index) } }
                    td { (input.wall(entry.kept.at)) }
                    td { (input.words.plain(&format!("lane.type.{}", entry.said.kind))) }
                    td { (by(entry)) }
                    td { (device(entry)) }
                } } }
            } }
        }
    }
}
