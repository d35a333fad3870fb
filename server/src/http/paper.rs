//! What lies ready on paper when there is no phone: blank sheets of a kind and numbered tags; and the code by which another
//! phone goes on with an intake.

use actix_web::http::header;
use actix_web::{HttpRequest, HttpResponse, web};
use base64::Engine;
use evidence::digest::Digest;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use super::{intakes, no, shop};
use crate::access::{Caller, qr_svg};
use crate::app::App;
use crate::problem::Problem;
use crate::receipt::paper;
use crate::words;

/// Most tags on one print.
const TAGS: u32 = 100;

/// In which language.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct InLanguage {
    /// Language tag; `en` when absent.
    #[param(max_length = 35)]
    language: Option<String>,
}

/// A blank intake sheet of a kind, to print and fill in by hand.
#[utoipa::path(get, path = "/v1/shops/{shop}/kinds/{digest}/paper", operation_id = "getKindPaper", tag = "kinds",
    params(("shop" = Uuid, Path, description = "The shop"), ("digest" = String, Path, description = "SHA-256 of the kind, 64 hexadecimal digits"), InLanguage),
    responses((status = 200, description = "The sheet as a page", body = String, content_type = "text/html"),
        (status = "default", description = "A problem", body = crate::problem::Problem, content_type = "application/problem+json")),
    security(("cookie" = []), ("bearer" = [])))]
pub async fn blank(
    app: web::Data<App>,
    caller: Caller,
    path: web::Path<(Uuid, String)>,
    wanted: web::Query<InLanguage>,
) -> Result<HttpResponse, Problem> {
    let (shop_id, hex) = path.into_inner();
    caller.in_shop(shop_id)?;
    let none = || Problem::not_found("There is no such kind here.");
    let digest = Digest::from_hex(&hex).map_err(|_| none())?;
    let mut db = app.ledger.pool().acquire().await.map_err(no::fault)?;
    let kind = app.ledger.kind(&mut db, shop_id, &digest).await.map_err(no::fault)?.ok_or_else(none)?;
    drop(db);
    let (shop_name, ..) = shop::facts(&app, shop_id).await?;
    let words = words::language(super::language_tag(wanted.language.as_deref())?.unwrap_or(words::FIRST));
    Ok(page(paper::sheet(words, &shop_name, &kind.kind)))
}

/// Which tags.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct Block {
    /// The first number, with its leading zeros.
    #[param(pattern = "^[0-9]{1,9}$")]
    from: String,
    /// How many.
    #[param(minimum = 1, maximum = 100)]
    count: u32,
}

/// A block of numbered tags, to print and cut apart.
#[utoipa::path(get, path = "/v1/shops/{shop}/tags/print", operation_id = "printTags", tag = "shop",
    params(("shop" = Uuid, Path, description = "The shop"), Block),
    responses((status = 200, description = "The tags as a page", body = String, content_type = "text/html"),
        (status = "default", description = "A problem", body = crate::problem::Problem, content_type = "application/problem+json")),
    security(("cookie" = []), ("bearer" = [])))]
pub async fn tags(
    app: web::Data<App>,
    caller: Caller,
    shop_id: web::Path<Uuid>,
    block: web::Query<Block>,
    req: HttpRequest,
) -> Result<HttpResponse, Problem> {
    caller.in_shop(*shop_id)?;
    if !(1..=TAGS).contains(&block.count) {
        return Err(Problem::not_valid("count", format!("1 to {TAGS} tags are printed at once.")));
    }
    let Some(numbers) = paper::numbers(&block.from, block.count) else {
        return Err(Problem::not_valid("from", "The first number has 1 to 9 digits."));
    };
    let (shop_name, ..) = shop::facts(&app, *shop_id).await?;
    Ok(page(paper::tags(super::words_of(&req), &shop_name, &numbers)))
}

/// A page of its own style, without script.
fn page(html: String) -> HttpResponse {
    let hash = base64::engine::general_purpose::STANDARD.encode(Digest::of(paper::STYLE.as_bytes()).0);
    HttpResponse::Ok()
        .content_type("text/html; charset=utf-8")
        .insert_header((
            header::CONTENT_SECURITY_POLICY,
            format!("default-src 'none'; style-src 'sha256-{hash}'; object-src 'none'; frame-ancestors 'none'; base-uri 'none'"),
        ))
        .body(html)
}

/// Where another phone goes on.
#[derive(Debug, Serialize, ToSchema)]
pub struct GoOn {
    /// The address of the intake's page.
    url: String,
    /// The same as a QR code.
    qr_svg: String,
}

/// Where another phone of the shop goes on with an intake. It is an address, no right: the phone has to be signed in.
#[utoipa::path(get, path = "/v1/shops/{shop}/intakes/{intake}/go-on", operation_id = "getGoOn", tag = "intakes",
    params(("shop" = Uuid, Path, description = "The shop"), ("intake" = Uuid, Path, description = "The intake")),
    responses((status = 200, description = "The address and its code", body = GoOn),
        (status = "default", description = "A problem", body = crate::problem::Problem, content_type = "application/problem+json")),
    security(("cookie" = []), ("bearer" = [])))]
pub async fn go_on(
    app: web::Data<App>,
    caller: Caller,
    path: web::Path<(Uuid, Uuid)>,
) -> Result<HttpResponse, Problem> {
    let (shop_id, id) = path.into_inner();
    caller.in_shop(shop_id)?;
    intakes::find(&app, shop_id, id).await?;
    let base = app.settled.public_url.as_deref().unwrap_or(&app.settled.local_url);
    let url = format!("{}/intake/{id}", base.trim_end_matches('/'));
    let qr_svg = qr_svg(&url)?;
    Ok(HttpResponse::Ok().json(GoOn { url, qr_svg }))
}
