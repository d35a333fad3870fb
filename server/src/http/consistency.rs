//! `GET …/consistency`: the proof that the log of one size begins with the log of another (RFC 9162, 2.1.4), for any two sizes it had.

use actix_web::{HttpResponse, web};
use base64::Engine;
use base64::engine::general_purpose::STANDARD as BASE64;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use super::no;
use crate::access::Caller;
use crate::app::App;
use crate::ledger::{load, prove};
use crate::problem::Problem;

/// Two sizes.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct Sizes {
    /// The earlier size.
    #[param(minimum = 1, maximum = 9_007_199_254_740_991i64)]
    from: u64,
    /// The later size; the newest when absent.
    #[param(minimum = 1, maximum = 9_007_199_254_740_991i64)]
    to: Option<u64>,
}

/// The proof.
#[derive(Debug, Serialize, ToSchema)]
pub struct Consistency {
    /// The earlier size.
    from: u64,
    /// The later size.
    to: u64,
    /// The hashes, base64.
    hashes: Vec<String>,
}

/// That the log goes on from an earlier size to a later one.
#[utoipa::path(get, path = "/v1/shops/{shop}/consistency", operation_id = "getConsistency", tag = "entries",
    params(("shop" = Uuid, Path, description = "The shop"), Sizes),
    responses((status = 200, description = "The proof", body = Consistency),
        (status = "default", description = "A problem", body = crate::problem::Problem, content_type = "application/problem+json")),
    security(("cookie" = []), ("bearer" = [])))]
pub async fn consistency(
    app: web::Data<App>,
    caller: Caller,
    shop: web::Path<Uuid>,
    sizes: web::Query<Sizes>,
) -> Result<HttpResponse, Problem> {
    caller.in_shop(*shop)?;
    let mut tx = app.ledger.reading().await.map_err(no::fault)?;
    let head = load::head(&mut *tx, *shop).await.map_err(no::fault)?;
    let newest = head.map_or(0, |h| h.size);
    let (from, to) = (sizes.from, sizes.to.unwrap_or(newest));
    if to > newest || to == 0 {
        return Err(Problem::not_valid("to", format!("The log has {newest} entries.")));
    }
    if from == 0 || from > to {
        return Err(Problem::not_valid("from", "The earlier size is at least 1 and at most the later one."));
    }
    let hashes = match from == to {
        true => Vec::new(),
        false => prove::consistency(&mut tx, *shop, from, to).await.map_err(no::fault)?,
    };
    tx.rollback().await.map_err(no::fault)?;
    let hashes = hashes.iter().map(|h| BASE64.encode(h)).collect();
    Ok(HttpResponse::Ok().json(Consistency { from, to, hashes }))
}
