//! `GET …/log`: the shop's log as a list, newest first, for its owner. What is said in it, and whom it is about, is not there.

use actix_web::{HttpResponse, web};
use evidence::entry::{Author, Entry};
use serde::{Deserialize, Serialize};
use sqlx::Row;
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use super::no;
use crate::access::{Caller, Role};
use crate::app::App;
use crate::ledger::load;
use crate::problem::Problem;

/// Which page of the log.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct Page {
    /// Only entries with a lower log index.
    #[param(maximum = 9_007_199_254_740_991i64)]
    before: Option<u64>,
    /// At most so many; 100 when absent.
    #[param(minimum = 1, maximum = 500)]
    limit: Option<u32>,
}

/// One entry, without what it says.
#[derive(Debug, Serialize, ToSchema)]
pub struct LogLine {
    /// Log index.
    index: u64,
    /// Its type.
    r#type: String,
    /// Staff member; absent for the server itself.
    #[serde(skip_serializing_if = "Option::is_none")]
    by: Option<Uuid>,
    /// The device; absent for the server itself.
    #[serde(skip_serializing_if = "Option::is_none")]
    device: Option<Uuid>,
    /// Log time, RFC 3339, UTC.
    at: String,
    /// The intake it belongs to; absent for the shop's own.
    #[serde(skip_serializing_if = "Option::is_none")]
    intake: Option<Uuid>,
    /// That intake's tag.
    #[serde(skip_serializing_if = "Option::is_none")]
    tag: Option<String>,
    /// That intake's state.
    #[serde(skip_serializing_if = "Option::is_none")]
    state: Option<String>,
}

/// A page of the log, newest first.
#[derive(Debug, Serialize, ToSchema)]
pub struct LogList {
    /// The entries.
    entries: Vec<LogLine>,
    /// `before` of the next page; absent at the end.
    #[serde(skip_serializing_if = "Option::is_none")]
    next: Option<u64>,
}

/// The log, newest first: who said something of which type when. Personal data is never in it.
#[utoipa::path(get, path = "/v1/shops/{shop}/log", operation_id = "listLog", tag = "entries",
    params(("shop" = Uuid, Path, description = "The shop"), Page),
    responses((status = 200, description = "A page", body = LogList),
        (status = "default", description = "A problem", body = crate::problem::Problem, content_type = "application/problem+json")),
    security(("cookie" = []), ("bearer" = [])))]
pub async fn list(
    app: web::Data<App>,
    caller: Caller,
    shop: web::Path<Uuid>,
    page: web::Query<Page>,
) -> Result<HttpResponse, Problem> {
    caller.in_shop(*shop)?;
    caller.may(Role::Owner)?;
    app.access.asks_for_list(&caller)?;
    let limit = page.limit.unwrap_or(100);
    if !(1..=500).contains(&limit) {
        return Err(Problem::not_valid("limit", "A page has 1 to 500 entries."));
    }
    let before = super::page_from(page.before)
        .map_err(|_| Problem::not_valid("before", "There is no such log index."))?
        .map_or(i64::MAX, |b| i64::try_from(b).unwrap_or(i64::MAX));
    let rows = sqlx::query(
        "SELECT e.idx, e.bytes, i.tag, i.state FROM entry e LEFT JOIN intake i ON i.shop = e.shop AND i.id = e.intake
         WHERE e.shop = $1 AND e.idx < $2 ORDER BY e.idx DESC LIMIT $3",
    )
    .bind(shop.to_string())
    .bind(before)
    .bind(i64::from(limit))
    .fetch_all(app.ledger.pool())
    .await
    .map_err(no::fault)?;
    let mut entries = Vec::with_capacity(rows.len());
    for row in &rows {
        let bytes: Vec<u8> = row.try_get("bytes").map_err(no::fault)?;
        let entry = Entry::parse(&bytes).map_err(no::fault)?;
        let (by, device) = match entry.said.author {
            Author::Staff { staff, device } => (Some(staff), Some(device)),
            Author::Server { .. } => (None, None),
        };
        entries.push(LogLine {
            index: load::number(row, "idx").map_err(no::fault)?,
            r#type: entry.said.kind,
            by,
            device,
            at: evidence::time::format(entry.kept.at),
            intake: entry.said.intake,
            tag: row.try_get("tag").map_err(no::fault)?,
            state: row.try_get("state").map_err(no::fault)?,
        });
    }
    let next = (entries.len() == limit as usize).then(|| entries.last().map(|e| e.index)).flatten().filter(|i| *i > 0);
    Ok(HttpResponse::Ok().json(LogList { entries, next }))
}
