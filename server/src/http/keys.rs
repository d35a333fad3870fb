//! `POST …/key-rotation`: the owner changes the log's key.

use actix_web::{HttpRequest, HttpResponse, web};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use super::no;
use crate::access::{Caller, Role};
use crate::app::App;
use crate::ledger::keys::{MOST_BECAUSE, MOST_DAYS, OVERLAP_DAYS, reason};
use crate::problem::Problem;

/// Why the key is changed.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Rotation {
    /// Why, in a sentence. It stands in the log and in everything that leaves the shop from then on: no names.
    #[schema(min_length = 1, max_length = 500)]
    because: String,
    /// For how many days the old key signs beside the new one; 30 when absent, none with 0.
    #[schema(maximum = 3660)]
    overlap_days: Option<u32>,
}

/// Two keys that both sign.
#[derive(Debug, Serialize, ToSchema)]
pub struct BothSign {
    /// When the newer key came, RFC 3339, UTC.
    since: String,
    /// Until when the old one signs beside it, RFC 3339, UTC.
    until: String,
}

impl BothSign {
    /// How it stands with a shop's keys; `None` where one signs alone.
    ///
    /// # Errors
    /// The database's.
    pub async fn of(app: &App, shop: Uuid) -> Result<Option<BothSign>, Problem> {
        let both = app.ledger.both_sign_until(shop).await.map_err(no::fault)?;
        let text = evidence::time::format;
        Ok(both.map(|(since, until)| BothSign { since: text(since), until: text(until) }))
    }
}

/// The key that the log has from now on.
#[derive(Debug, Serialize, ToSchema)]
pub struct Rotated {
    /// Log index of the entry that announces it.
    index: u64,
    /// The new key, as a C2SP verifier key.
    verifier_key: String,
    /// While the old key signs beside it.
    #[serde(skip_serializing_if = "Option::is_none")]
    both_sign: Option<BothSign>,
}

/// Changes the log's key: a new one is made and announced by an entry that the old one signed. Its file has to be saved anew.
#[utoipa::path(post, path = "/v1/shops/{shop}/key-rotation", operation_id = "rotateKey", tag = "shop",
    params(("shop" = Uuid, Path, description = "The shop")), request_body = Rotation,
    responses((status = 200, description = "The new key", body = Rotated),
        (status = "default", description = "A problem", body = crate::problem::Problem, content_type = "application/problem+json")),
    security(("cookie" = []), ("bearer" = [])))]
pub async fn rotate(
    app: web::Data<App>,
    caller: Caller,
    shop: web::Path<Uuid>,
    wanted: web::Json<Rotation>,
    req: HttpRequest,
) -> Result<HttpResponse, Problem> {
    caller.in_shop(*shop)?;
    caller.may(Role::Owner)?;
    let Some(because) = reason(&wanted.because) else {
        return Err(Problem::not_valid("/because", format!("Say why, in at most {MOST_BECAUSE} characters.")));
    };
    let days = wanted.overlap_days.unwrap_or(OVERLAP_DAYS);
    if days > MOST_DAYS {
        return Err(Problem::not_valid("/overlap_days", format!("At most {MOST_DAYS} days.")));
    }
    let kept = app.ledger.rotate_key(*shop, because, days, Some(caller.staff)).await;
    let kept = kept.map_err(|n| no::problem(n, super::words_of(&req)))?;
    let head = app.ledger.head(*shop).await.map_err(no::fault)?.ok_or_else(|| no::fault("no head"))?;
    Ok(HttpResponse::Ok().json(Rotated {
        index: kept.index,
        verifier_key: app.ledger.signing_key(*shop, &head).map_err(no::fault)?,
        both_sign: BothSign::of(&app, *shop).await?,
    }))
}
