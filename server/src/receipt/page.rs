//! The receipt as a page: opens from disk, prints, carries its own proof. No script.

use base64::Engine;
use evidence::digest::Digest;
use evidence::note::{self, SignerKey};
use evidence::verify::receipt::{SEAL, page_digest};
use evidence::verify::{PAGE_NOTE, seal_text};
use maud::{DOCTYPE, Markup, PreEscaped, html};
use serde_json::json;

use super::lines::{self, say};
use super::{Input, proofs, since};
use crate::intake::sheet;
use crate::intake::state::{Photo, Standing};
use crate::photo::claims::Claims;
use crate::photo::when::{self, Whose};

/// The receipt's style; its hash stands in the page's policy.
pub const STYLE: &str = include_str!("receipt.css");

/// The content security policy of a receipt: its own style, its own pictures, nothing else.
pub fn policy() -> String {
    let hash = base64::engine::general_purpose::STANDARD.encode(Digest::of(STYLE.as_bytes()).0);
    format!(
        "default-src 'none'; style-src 'sha256-{hash}'; img-src data:; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    )
}

/// The whole file, signed as it stands but for the place of the seal.
///
/// # Errors
/// A sentence when the key cannot sign.
pub fn sealed(input: &Input<'_>, keys: &[SignerKey]) -> Result<String, String> {
    seal(&render(input), keys)
}

/// A page with an empty place for its seal, signed as it stands but for that place.
///
/// # Errors
/// A sentence when the key cannot sign, or there is no such place.
pub(super) fn seal(page: &str, keys: &[SignerKey]) -> Result<String, String> {
    let digest = page_digest(page.as_bytes()).ok_or("a receipt has a place for its seal")?;
    let seal =
        note::sign(&seal_text(PAGE_NOTE, &digest), &keys.iter().collect::<Vec<_>>()).map_err(|e| e.to_string())?;
    let at = page.find(SEAL.0).map(|at| at + SEAL.0.len()).ok_or("a receipt has a place for its seal")?;
    let (before, after) = page.split_at(at);
    Ok(format!("{before}{seal}{after}"))
}

/// The page with an empty place for its seal.
fn render(input: &Input<'_>) -> String {
    let photos = sheet::shown_photos(input.kind, input.intake);
    let number = |id: uuid::Uuid| photos.iter().position(|p| p.taken.photo == id).map(|i| i + 1);
    let w = |key: &str| input.words.plain(key);
    let tag = input.since.tag().unwrap_or_default().to_owned();
    let (left, later) = lines::open(input);
    html! {
        (DOCTYPE)
        html lang=(input.words.language) {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta http-equiv="Content-Security-Policy" content=(policy().replace("; frame-ancestors 'none'", ""));
                title { (w("receipt.title")) " " (tag) ", " (input.shop_name) }
                style { (PreEscaped(STYLE)) }
            }
            body {
                main {
                    (head(input, &tag))
                    (section(&w("receipt.condition"), &lines::condition(input, &number)))
                    @if !left.is_empty() { (section(&w("receipt.left-open-title"), &left)) }
                    (pictures(input, &photos))
                    (section(&w("receipt.since"), &since::photos(input)))
                    (told(input))
                    (section(&w("receipt.answers"), &lines::answers(input)))
                    (section(&w("receipt.safety-title"), &lines::safety(input)))
                    (section(&w("receipt.accessories"), &lines::accessories(input)))
                    (section(&w("receipt.arrangements"), &lines::arrangements(input)))
                    @if !input.terms.trim().is_empty() {
                        section { h2 { (w("receipt.terms")) } @for p in input.terms.lines() { p { (p) } } }
                    }
                    @if !later.is_empty() {
                        section { h2 { (w("receipt.later")) } p { (later.join(", ")) } }
                    }
                    (signed(input))
                    (proof(input))
                }
            }
        }
    }
    .into_string()
}

pub(crate) fn head(input: &Input<'_>, tag: &str) -> Markup {
    let w = |key: &str| input.words.plain(key);
    let opened = input.intake.opened.as_ref().map(|o| input.wall(o.mark.at)).unwrap_or_default();
    let (stamp, sentence) = match (&input.intake.taken_in, &input.intake.not_taken_in) {
        (Some(m), _) => (
            w("state.in-care"),
            say(input, "receipt.taken-in", &json!({"when": input.wall(m.at), "name": input.name(m.by)})),
        ),
        (None, Some(n)) => (
            w("state.not-taken-in"),
            say(
                input,
                "receipt.not-taken-in",
                &json!({"when": input.wall(n.mark.at), "name": input.name(n.mark.by), "because": n.what.because}),
            ),
        ),
        _ if input.intake.state == Standing::Found => (w("state.found"), w("receipt.found-list")),
        _ => (w("state.open"), w("receipt.not-yet")),
    };
    let person = |who: &str| input.intake.people.get(who).map(|p| &p.what);
    let owner = person("owner").and_then(|p| p.name.clone()).unwrap_or_else(|| input.hidden());
    let contact: Vec<&str> = person("owner")
        .map(|p| [&p.phone, &p.email, &p.address].into_iter().flatten().map(String::as_str).collect())
        .unwrap_or_default();
    html! {
        header {
            div.tag { span.hole {} span.number { (tag) } }
            div {
                h1 { (input.shop_name) }
                p.what { (lines::machine(input)) }
                p { (say(input, "receipt.brought", &json!({"when": opened}))) }
                @if let Some(line) = lines::written(input) { p { (line) } }
                @for line in since::tags(input) { p { (line) } }
                @for line in since::customer(input) { p { (line) } }
                @if let Some(e) = input.intake.opened.as_ref().and_then(|o| o.what.earlier.as_ref()) {
                    p { (say(input, &format!("receipt.again.{}", e.again.replace(' ', "-")), &json!({"tag": e.tag}))) }
                }
            }
            p.stamp { (stamp) }
        }
        p { (sentence) }
        @for line in lines::found(input) { p { (line) } }
        p { @if person("owner").is_some() { (say(input, "receipt.owner", &json!({"name": owner}))) } @if !contact.is_empty() { " (" (contact.join(", ")) ")" }
            @if let Some(b) = person("bringer") {
                " · "
                @if b.same_as_owner { (w("receipt.owner-brings")) }
                @else { (say(input, "receipt.bringer", &json!({"name": b.name.clone().unwrap_or_else(|| input.hidden())}))) }
                @if let Some(s) = &b.standing { ", " (w(&format!("receipt.standing.{}", s.replace(' ', "-")))) }
            }
        }
    }
}

pub(crate) fn section(title: &str, items: &[String]) -> Markup {
    html! { @if !items.is_empty() { section { h2 { (title) } ul { @for i in items { li { (i) } } } } } }
}

fn pictures(input: &Input<'_>, photos: &[&Photo]) -> Markup {
    html! {
        @if !photos.is_empty() {
            section.photos {
                h2 { (input.words.plain("receipt.photos-title")) }
                @for (i, p) in photos.iter().enumerate() {
                    figure {
                        @match input.pictures.get(&p.taken.photo) {
                            Some(pic) => { img src=(data(&pic.jpeg)) width=(pic.width) height=(pic.height) alt=(caption(input, p, i + 1)); }
                            None => { p.none { (since::erased(input, p.taken.photo, &(i + 1).to_string()).unwrap_or_else(|| input.words.plain("receipt.no-preview"))) } }
                        }
                        figcaption {
                            b { (caption(input, p, i + 1)) } br;
                            (times(input, p)) br;
                            @if let Some(gone) = since::caption(input, p.taken.photo) { b { (gone) } br; }
                            code { (p.taken.file.to_string()) }
                        }
                    }
                }
            }
        }
    }
}

pub(super) fn data(jpeg: &[u8]) -> String {
    format!("data:image/jpeg;base64,{}", base64::engine::general_purpose::STANDARD.encode(jpeg))
}

pub(crate) fn caption(input: &Input<'_>, photo: &Photo, number: usize) -> String {
    let view =
        photo.taken.view.as_deref().and_then(|v| input.kind.view(v)).map(|v| input.words.text(&v.name).to_owned());
    let line = input.intake.lines.iter().find(|l| l.what.photos.contains(&photo.taken.photo));
    let part = line
        .and_then(|l| input.kind.parts.iter().find(|p| p.id == l.what.part))
        .map(|p| input.words.text(&p.name).to_owned());
    let what: Vec<String> = [part, view].into_iter().flatten().collect();
    format!("{number}. {}", if what.is_empty() { input.words.plain("receipt.photo") } else { what.join(", ") })
}

/// Whose clock, in one paragraph.
pub(crate) fn times(input: &Input<'_>, photo: &Photo) -> String {
    clocks(input, photo).join(" ")
}

/// Whose clock: the camera's and the satellites' word, with what is assumed said, then the phone's, and ours.
pub(crate) fn clocks(input: &Input<'_>, photo: &Photo) -> Vec<String> {
    let zone = jiff::tz::TimeZone::get(input.zone).unwrap_or(jiff::tz::TimeZone::UTC);
    let claims = photo.judged.as_ref().map(|j| serde_json::Value::Object(j.what.claims.clone()));
    let claims: Claims = claims.and_then(|c| serde_json::from_value(c).ok()).unwrap_or_default();
    let told = when::when(&claims, &zone, None, 0);
    let mut out: Vec<String> = told
        .iter()
        .filter(|t| matches!(t.whose, Whose::CameraTaken | Whose::Satellites))
        .map(|t| say(input, t.key, &json!(t.with)))
        .collect();
    if !told.iter().any(|t| t.whose == Whose::CameraTaken) {
        out.push(input.words.plain("receipt.camera-none"));
    }
    out.push(match input.phones.get(&photo.taken.photo) {
        Some((at, uncertainty)) => {
            let with = json!({"when": input.wall(*at), "seconds": format!("{:.1}", *uncertainty as f64 / 1000.0)});
            say(input, "receipt.phone-clock-measured", &with)
        }
        None => say(input, "receipt.phone-clock", &json!({"when": input.wall(photo.mark.device_at)})),
    });
    out.push(match &photo.received {
        Some(r) => say(input, "receipt.our-clock", &json!({"when": input.wall(r.mark.at)})),
        None => input.words.plain("receipt.not-received"),
    });
    out
}

pub(crate) fn told(input: &Input<'_>) -> Markup {
    html! {
        @if let Some(s) = input.intake.statements.get("complaint") {
            section {
                h2 { (input.words.plain("receipt.complaint")) }
                blockquote { @match &s.what.text { Some(text) => (say(input, "sheet.quoted", &json!({"text": text}))), None => (input.hidden()) } }
                p.soft { (say(input, "receipt.heard", &json!({"name": input.name(Some(s.what.heard_by)), "when": input.wall(s.mark.device_at)}))) }
            }
        }
    }
}

pub(crate) fn signed(input: &Input<'_>) -> Markup {
    let Some(ack) = &input.intake.acknowledgement else { return html! {} };
    html! {
        section.signed {
            hr.perforation;
            p { (input.words.plain("sheet.what-you-sign")) }
            @match (&input.signature, &ack.what.because) {
                (Some((width, height, path)), _) => {
                    svg viewBox=(format!("0 0 {width} {height}")) role="img" aria-label=(input.words.plain("receipt.signature")) { path d=(path) {} }
                }
                (None, Some(because)) => p { (say(input, "receipt.not-signed", &json!({"because": because}))) },
                _ if !input.since.erasures.is_empty() => p { (input.words.plain("receipt.signature-erased")) },
                _ => p { (input.words.plain("receipt.signature-kept")) },
            }
            p.soft { (say(input, "receipt.shown", &json!({"when": input.wall(ack.mark.device_at), "language": input.shown_in}))) }
            @if let Some(reader) = &ack.what.reader { p.soft { (say(input, "receipt.reader", &json!({"name": reader}))) } }
        }
    }
}

fn proof(input: &Input<'_>) -> Markup {
    let newest = input.evidence.iter().map(|e| e.index).max().unwrap_or(0);
    let code = qrcode::QrCode::new(input.checkpoint.as_bytes()).ok();
    let svg = code.map(|c| c.render::<qrcode::render::svg::Color<'_>>().min_dimensions(240, 240).build());
    let open = matches!(input.intake.state, Standing::Open | Standing::Found);
    html! {
        section.proof {
            h2 { (input.words.plain("receipt.proof")) }
            p { (say(input, if open { "receipt.proof-open" } else { "receipt.proof-text" }, &json!({"index": newest}))) }
            div.checkpoint {
                @if let Some(svg) = svg { div.qr role="img" aria-label=(input.words.plain("receipt.qr")) { (PreEscaped(without_prolog(&svg))) } }
                pre { (input.checkpoint) }
            }
            p.soft { (input.words.plain("receipt.key")) " " code { (input.verifier_key()) } }
            details {
                summary { (say(input, "receipt.entries", &json!({"count": input.evidence.len()}))) }
                @for e in input.evidence { pre { (e.index) "\n" (e.bytes) } }
            }
            script type="application/json" id="counterfoil-evidence" { (PreEscaped(json_in_html(&proofs::block(input)))) }
            script type="text/plain" id="counterfoil-seal" {}
        }
    }
}

/// An SVG without its XML prolog, to stand inside HTML.
pub(super) fn without_prolog(svg: &str) -> &str {
    svg.find("<svg").map_or(svg, |i| &svg[i..])
}

/// JSON that cannot end the element it stands in.
pub(crate) fn json_in_html(value: &serde_json::Value) -> String {
    value.to_string().replace('<', "\\u003c")
}
