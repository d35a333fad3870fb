//! `POST /tags/lease`: tags set apart for the caller's device, to be given out where there is no network.

use actix_web::{HttpResponse, web};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use super::no;
use crate::access::{Caller, Role};
use crate::app::App;
use crate::problem::Problem;

/// Most tags set apart for one device.
const MOST: usize = 50;

/// How many tags.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct WantedTags {
    /// So many that the device has, with those it has already.
    #[schema(minimum = 1, maximum = 50)]
    count: usize,
}

/// Tags set apart.
#[derive(Debug, Serialize, ToSchema)]
pub struct LeasedTags {
    /// In order; offered to no other device for 30 days.
    tags: Vec<String>,
}

/// Sets the next free tags apart for this device. A proposal: which tag hangs on a machine is said when its intake is opened.
#[utoipa::path(post, path = "/v1/shops/{shop}/tags/lease", operation_id = "leaseTags", tag = "shop",
    params(("shop" = Uuid, Path, description = "The shop")), request_body = WantedTags,
    responses((status = 200, description = "The device's tags", body = LeasedTags),
        (status = "default", description = "A problem", body = crate::problem::Problem, content_type = "application/problem+json")),
    security(("cookie" = []), ("bearer" = [])))]
pub async fn lease(
    app: web::Data<App>,
    caller: Caller,
    shop: web::Path<Uuid>,
    wanted: web::Json<WantedTags>,
) -> Result<HttpResponse, Problem> {
    caller.in_shop(*shop)?;
    caller.may_either(&[Role::Counter, Role::Bench])?;
    if !(1..=MOST).contains(&wanted.count) {
        return Err(Problem::not_valid("/count", format!("A device has 1 to {MOST} tags set apart.")));
    }
    let tags = app.ledger.lease_tags(*shop, caller.device, wanted.count).await.map_err(no::fault)?;
    Ok(HttpResponse::Ok().json(LeasedTags { tags }))
}
