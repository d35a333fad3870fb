//! The OpenAPI document, generated from the code; a reference page made from it; and whether the program is alive.

use actix_web::{HttpResponse, web};
use maud::{DOCTYPE, Markup, html};
use serde_json::Value;
use utoipa::OpenApi;

use super::{
    broken, comparing, consistency, due, entries, erasures, files, home, intakes, keeping, keys, kinds, log, outside,
    packs, paper, parts, receipts, redactions, shop, stream, suspect_parts, tags,
};
use crate::access;
use crate::app::App;
use crate::problem::Problem;

#[derive(OpenApi)]
#[openapi(
    info(
        title = "Counterfoil",
        description = "Intake capture with photo evidence. One thing said is one entry; everything else is derived from the log.\n\n## Entries\n\nA body of `POST …/entries` carries `said`: what somebody says, in canonical JSON (sorted keys, no spaces, whole numbers). It names its own UUIDv7 `id`, so that the same request may be sent again for ever. Personal members stand as disclosures (RFC 9901 4.2) beside it.\n\n## Files\n\nAn entry names a file by its SHA-256; then its bytes are PUT.",
        license(name = "MIT OR Apache-2.0", identifier = "MIT OR Apache-2.0"),
    ),
    paths(
        shop::about, shop::shop, shop::checkpoint, shop::export_key, keys::rotate, kinds::list, kinds::get, kinds::text, kinds::try_one, kinds::add, kinds::retire, log::list, broken::get, outside::stamps, outside::stamp_now, outside::of_intake, outside::witnessed, outside::witness_now, consistency::consistency, due::due, suspect_parts::find, home::open, home::sheet, home::receipt, shop::catalogues, shop::catalogue, shop::terms,
        shop::get_settings, shop::put_settings, entries::append, entries::list, entries::of_intake, entries::proof,
        intakes::list, intakes::get, intakes::sheet, files::put, files::get, files::rendition, redactions::put, redactions::get, parts::get, parts::put, comparing::compare, receipts::receipt,
        receipts::by_link, receipts::print_tag, packs::pack, packs::letter, erasures::of_intake, erasures::erase, erasures::list, erasures::receipt, keeping::list, keeping::erase, paper::blank, paper::tags, tags::lease, paper::go_on, stream::stream, health, serve,
    ),
    tags(
        (name = "service", description = "What answers here"), (name = "shop", description = "The shop's own facts"),
        (name = "entries", description = "The log"), (name = "intakes", description = "One drop-off of one machine"),
        (name = "files", description = "Bytes by digest"), (name = "kinds", description = "What is asked for, and in which words"),
        (name = "links", description = "Share links"), (name = "access", description = "Staff, devices, sessions"),
    ),
)]
struct Doc;

/// The whole document.
pub fn document() -> utoipa::openapi::OpenApi {
    let mut doc = Doc::openapi();
    doc.merge(access::doc());
    doc
}

/// The document as it is checked in: pretty JSON with a line end.
pub fn text() -> String {
    let mut text = document().to_pretty_json().unwrap_or_default();
    text.push('\n');
    text
}

/// The OpenAPI document of this service.
#[utoipa::path(get, path = "/openapi.json", operation_id = "getOpenApi", tag = "service",
    responses((status = 200, description = "OpenAPI 3.1", body = Object)))]
pub async fn serve() -> HttpResponse {
    HttpResponse::Ok().content_type("application/json").body(text())
}

/// Whether the program is alive and its database answers.
#[utoipa::path(get, path = "/healthz", operation_id = "health", tag = "service",
    responses((status = 200, description = "Alive", body = String, content_type = "text/plain"),
        (status = "default", description = "A problem", body = crate::problem::Problem, content_type = "application/problem+json")))]
pub async fn health(app: web::Data<App>) -> Result<HttpResponse, Problem> {
    sqlx::query("SELECT 1")
        .execute(app.ledger.pool())
        .await
        .map_err(|e| Problem::busy("The database does not answer.").because(e))?;
    Ok(HttpResponse::Ok().content_type("text/plain; charset=utf-8").body("alive\n"))
}

/// The reference page: the document, readable, from our own binary and without script.
pub async fn reference() -> HttpResponse {
    let doc = serde_json::to_value(document()).unwrap_or_default();
    HttpResponse::Ok().content_type("text/html; charset=utf-8").body(page(&doc).into_string())
}

fn page(doc: &Value) -> Markup {
    let text = |v: &Value, k: &str| v.get(k).and_then(Value::as_str).unwrap_or_default().to_owned();
    let paths = doc.get("paths").and_then(Value::as_object).cloned().unwrap_or_default();
    let css = format!("/app/{}/style/reference.css", *super::assets::BUILD);
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { "Counterfoil: reference" }
                link rel="stylesheet" href=(css);
            }
            body {
                main {
                    h1 { "Counterfoil: reference" }
                    @for p in doc.pointer("/info/description").and_then(Value::as_str).unwrap_or_default().split("\n\n") {
                        @match p.strip_prefix("## ") { Some(title) => h2 { (title) }, None => p { (p) } }
                    }
                    p { "The document itself: " a href="/openapi.json" { "/openapi.json" } ". What goes wrong, and what to do: " a href="/problems" { "/problems" } "." }
                    @for (path, item) in &paths {
                        @for (method, op) in item.as_object().into_iter().flatten().filter(|(_, v)| v.get("operationId").is_some()) {
                            section id=(text(op, "operationId")) {
                                h2 { span.method { (method.to_uppercase()) } " " code { (path) } }
                                p { (text(op, "summary")) }
                                p { (text(op, "description")) }
                                @let parameters = op.get("parameters").and_then(Value::as_array).cloned().unwrap_or_default();
                                @if !parameters.is_empty() {
                                    h3 { "Parameters" }
                                    ul { @for q in &parameters { li { code { (text(q, "name")) } " (" (text(q, "in")) ") " (text(q, "description")) } } }
                                }
                                @if let Some(body) = op.pointer("/requestBody/content").and_then(Value::as_object) {
                                    h3 { "Body" }
                                    @for (kind, media) in body { (schema(doc, kind, media)) }
                                }
                                h3 { "Answers" }
                                ul { @for (status, answer) in op.get("responses").and_then(Value::as_object).into_iter().flatten() {
                                    li { b { (status) } " " (text(answer, "description"))
                                        @for (kind, media) in answer.get("content").and_then(Value::as_object).into_iter().flatten() {
                                            @if status != "default" { (schema(doc, kind, media)) }
                                        }
                                    }
                                } }
                            }
                        }
                    }
                }
            }
        }
    }
}

fn schema(doc: &Value, kind: &str, media: &Value) -> Markup {
    let inner = media.get("schema").cloned().unwrap_or_default();
    let name = inner.get("$ref").and_then(Value::as_str).and_then(|r| r.rsplit('/').next()).map(str::to_owned);
    let named = name.as_ref().and_then(|n| doc.pointer(&format!("/components/schemas/{n}"))).cloned().unwrap_or(inner);
    let members = named.get("properties").and_then(Value::as_object).cloned().unwrap_or_default();
    html! {
        p { code { (kind) } @if let Some(n) = &name { " " b { (n) } } }
        @if !members.is_empty() {
            dl { @for (member, s) in &members {
                dt { code { (member) } }
                dd { (s.get("description").and_then(Value::as_str).unwrap_or_default()) }
            } }
        }
    }
}
