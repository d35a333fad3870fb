//! `/demo/pictures`: drawn pictures for the first intake of somebody who sits at a desk without a camera. Only in the
//! demo, and only for whoever is signed in: drawing costs work.

use actix_web::http::header;
use actix_web::{HttpRequest, HttpResponse, web};
use drawn::{Flaw, Machine, Shot};
use jiff::Timestamp;
use jiff::tz::TimeZone;
use maud::{DOCTYPE, html};
use serde::Deserialize;

use super::teller::taken;
use crate::access::Caller;
use crate::app::App;
use crate::http::words_of;
use crate::intake::body::is_tag;
use crate::kinds;
use crate::problem::Problem;
use crate::words::Catalogue;

/// The next free tag after the history: it is what the counter is offered.
const TAG: &str = "0159";
/// The machine that is taken in first.
const KIND: &str = "chainsaw";

/// The routes.
pub fn routes(cfg: &mut web::ServiceConfig) {
    cfg.route("/demo/pictures", web::get().to(page)).route("/demo/pictures/{view}.jpg", web::get().to(picture));
}

/// Which number stands on the tag.
#[derive(Debug, Deserialize)]
struct Wanted {
    tag: Option<String>,
}

fn tag_of(app: &App, wanted: &Wanted, words: &Catalogue) -> Result<String, Problem> {
    if !app.settled.guided {
        return Err(Problem::not_found("There is nothing at this address."));
    }
    let tag = wanted.tag.as_deref().map_or(TAG, str::trim);
    if is_tag(tag) { Ok(tag.to_owned()) } else { Err(Problem::not_valid("tag", words.plain("page.take-in.tag-shape"))) }
}

async fn page(
    req: HttpRequest,
    app: web::Data<App>,
    _signed_in: Caller,
    wanted: web::Query<Wanted>,
) -> Result<HttpResponse, Problem> {
    let words = words_of(&req);
    let tag = tag_of(&app, &wanted, words)?;
    let say = |key: &str| words.plain(key);
    let kind = kinds::shipped().iter().find(|k| k.kind.id == KIND);
    let views: Vec<_> =
        kind.iter().flat_map(|k| &k.kind.views).filter(|v| v.due == crate::intake::kind::Due::AtCounter).collect();
    let page = html! {
        (DOCTYPE)
        html lang=(words.language) {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { (say("guide.pictures.title")) }
                link rel="stylesheet" href="/trust/page.css";
            }
            body {
                main {
                    h1 { (say("guide.pictures.title")) }
                    p { (say("guide.pictures.words")) }
                    form method="get" action="/demo/pictures" {
                        p {
                            label for="tag" { (say("guide.pictures.tag")) } " "
                            input id="tag" name="tag" value=(tag) maxlength="12" autocomplete="off";
                            " " button type="submit" { (say("guide.pictures.draw")) }
                        }
                    }
                    div.pictures {
                        @for (n, view) in views.iter().enumerate() {
                            @let file = format!("/demo/pictures/{}.jpg?tag={tag}", view.id);
                            @let name = view.name.get(&words.language).or_else(|| view.name.get("en")).map_or("", String::as_str);
                            figure {
                                a href=(file) download=(format!("{}-{}.jpg", n + 1, view.id)) {
                                    img src=(file) alt=(name) width="1600" height="1200" loading="lazy";
                                }
                                figcaption { (n + 1) ". " (name) }
                            }
                        }
                    }
                }
            }
        }
    };
    Ok(HttpResponse::Ok()
        .content_type("text/html; charset=utf-8")
        .insert_header((header::CACHE_CONTROL, "no-store"))
        .body(page.into_string()))
}

async fn picture(
    req: HttpRequest,
    app: web::Data<App>,
    _signed_in: Caller,
    view: web::Path<String>,
    wanted: web::Query<Wanted>,
) -> Result<HttpResponse, Problem> {
    let tag = tag_of(&app, &wanted, words_of(&req))?;
    let now = app.ledger.clock().now();
    let zone = TimeZone::get(super::ZONE).map_err(crate::http::no::fault)?;
    let offset = zone.to_offset(Timestamp::from_millisecond(now).unwrap_or_default()).seconds() / 60;
    let shot = Shot {
        machine: Machine {
            kind: KIND,
            make: "Brenn",
            model: "K 45",
            serial: "450118273".into(),
            about: "45.0 CM3   2.3 KW",
        },
        view: view.into_inner(),
        tag,
        taken: taken(now, offset, true),
        phone: "Counter 1".into(),
        damage: "",
        flaw: Flaw::None,
        seed: 45,
    };
    let drawn = tokio::task::spawn_blocking(move || drawn::draw(&shot)).await.map_err(crate::http::no::fault)?;
    let bytes = drawn.ok_or_else(|| Problem::not_found("There is no drawing of this view."))?;
    // Not drawn anew while the page is open: what is looked at is what is saved.
    Ok(HttpResponse::Ok()
        .content_type("image/jpeg")
        .insert_header((header::CACHE_CONTROL, "private, max-age=600"))
        .body(bytes))
}
