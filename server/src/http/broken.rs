//! `GET …/broken-originals`: how far reading the originals again is, and which are not what they are called; for the owner.

use actix_web::{HttpResponse, web};
use serde::Serialize;
use utoipa::ToSchema;
use uuid::Uuid;

use super::no;
use crate::access::{Caller, Role};
use crate::app::App;
use crate::problem::Problem;
use crate::upkeep::rehash;

/// An original that is not what it is called.
#[derive(Debug, Serialize, ToSchema)]
pub struct BrokenOriginal {
    /// Its digest.
    file: String,
    /// `changed` or `missing`.
    what: String,
    /// When it was first found so, RFC 3339, UTC.
    since: String,
    /// The tags of the intakes that have it.
    tags: Vec<String>,
}

/// How far reading the originals again is.
#[derive(Debug, Serialize, ToSchema)]
pub struct Reread {
    /// Originals that were read again, ever.
    read: i64,
    /// When all had been read again last, RFC 3339, UTC; absent: not yet.
    #[serde(skip_serializing_if = "Option::is_none")]
    round_at: Option<String>,
    /// Those that are broken.
    broken: Vec<BrokenOriginal>,
}

/// Which originals are not what they are called, and how far reading them again is.
#[utoipa::path(get, path = "/v1/shops/{shop}/broken-originals", operation_id = "getBrokenOriginals", tag = "shop",
    params(("shop" = Uuid, Path, description = "The shop")),
    responses((status = 200, description = "How far it is", body = Reread),
        (status = "default", description = "A problem", body = crate::problem::Problem, content_type = "application/problem+json")),
    security(("cookie" = []), ("bearer" = [])))]
pub async fn get(app: web::Data<App>, caller: Caller, shop: web::Path<Uuid>) -> Result<HttpResponse, Problem> {
    caller.in_shop(*shop)?;
    caller.may(Role::Owner)?;
    let (read, round_at) = rehash::far(&app.ledger, *shop).await.map_err(no::fault)?;
    let broken = rehash::broken_list(&app.ledger, *shop).await.map_err(no::fault)?;
    let broken = broken.into_iter().map(|b| BrokenOriginal {
        file: b.file.to_string(),
        what: b.what,
        since: evidence::time::format(b.since),
        tags: b.tags,
    });
    let round_at = round_at.map(evidence::time::format);
    Ok(HttpResponse::Ok().json(Reread { read, round_at, broken: broken.collect() }))
}
