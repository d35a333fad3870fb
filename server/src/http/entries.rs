//! `POST /entries`: one thing said, judged and kept. `GET /entries`: the log. `GET …/proof`: the proof of one entry.

use actix_web::{HttpRequest, HttpResponse, web};
use evidence::digest::Digest;
use evidence::entry::{Author, Said};
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use super::no;
use crate::access::{Caller, Role};
use crate::app::App;
use crate::erasing;
use crate::judging;
use crate::ledger::load::{self, Range};
use crate::ledger::{Command, Measured, Right};
use crate::problem::Problem;

/// Most entries in one page.
const PAGE: u32 = 500;

/// What a device measured of its own clock.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct MeasuredClock {
    /// Server clock minus device clock, milliseconds.
    #[schema(minimum = -9_007_199_254_740_991i64, maximum = 9_007_199_254_740_991i64)]
    offset_ms: i64,
    /// Round trip of the measurement, milliseconds.
    #[schema(maximum = 9_007_199_254_740_991i64)]
    round_trip_ms: u64,
}

/// One thing said, to be judged and kept.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewEntry {
    /// What is said; its canonical bytes are hashed. See "Entries" in the reference.
    #[schema(value_type = Object)]
    said: Value,
    /// SHA-256 of the canonical bytes of `said`, to be sure that both sides mean the same.
    #[schema(value_type = Option<String>, pattern = "^sha256:[0-9a-f]{64}$")]
    digest: Option<Digest>,
    /// Disclosures of the personal members, base64url of `[salt, name, value]`.
    #[serde(default)]
    #[schema(max_items = 16)]
    disclosures: Vec<String>,
    /// The device's clock as measured at the last contact.
    measured: Option<MeasuredClock>,
}

/// An entry that was kept.
#[derive(Debug, Serialize, ToSchema)]
pub struct KeptEntry {
    /// The entry's id.
    id: Uuid,
    /// Its log index.
    index: u64,
    /// Its said digest.
    digest: String,
    /// The server's part.
    kept: Value,
    /// Sentences for the author: what changed meanwhile.
    told: Vec<Value>,
    /// The signed checkpoint that covers it.
    checkpoint: String,
}

/// Says one thing. Repeatable by its id: the same again answers 200 with what was kept the first time.
#[utoipa::path(post, path = "/v1/shops/{shop}/entries", operation_id = "appendEntry", tag = "entries",
    params(("shop" = Uuid, Path, description = "The shop")), request_body = NewEntry,
    responses((status = 201, description = "Kept and durable", body = KeptEntry), (status = 200, description = "It was kept before", body = KeptEntry),
        (status = "default", description = "A problem", body = crate::problem::Problem, content_type = "application/problem+json")),
    security(("cookie" = []), ("bearer" = [])))]
pub async fn append(
    app: web::Data<App>,
    caller: Caller,
    shop: web::Path<Uuid>,
    new: web::Json<NewEntry>,
    req: HttpRequest,
) -> Result<HttpResponse, Problem> {
    let words = super::words_of(&req);
    caller.in_shop(*shop)?;
    app.see_checkpoint(*shop, &req).await?;
    let new = new.into_inner();
    caller.may_either(&[Role::Counter, Role::Bench])?;
    let said = Said::parse(&new.said).map_err(|e| Problem::not_valid(format!("/said{}", e.pointer), e.sentence))?;
    if said.shop != *shop {
        return Err(Problem::not_valid("/said/shop", words.plain("refused.other-shop")));
    }
    if (said.author != Author::Staff { staff: caller.staff, device: caller.device }) {
        return Err(Problem::not_valid("/said/author", words.plain("refused.other-author")));
    }
    if said.intake.is_none() || super::SERVER_ONLY.contains(&said.kind.as_str()) {
        return Err(Problem::not_valid("/said/type", words.plain("refused.server-only")));
    }
    let digest = said.digest().map_err(|e| Problem::not_valid("/said", e.to_string()))?;
    if new.digest.is_some_and(|d| d != digest) {
        return Err(Problem::not_valid("/digest", words.plain("refused.other-digest")));
    }
    let (came, erased) = (said.kind == "photo-came", said.kind == "photo-erased");
    let measured = new.measured.map(|m| Measured { offset_ms: m.offset_ms, round_trip_ms: m.round_trip_ms });
    let command = Command {
        said,
        disclosures: new.disclosures,
        measured,
        right: Right {
            staff: Some(caller.staff),
            roles: caller.roles.words().into_iter().map(str::to_owned).collect(),
        },
    };
    let answer = app.ledger.append(command).await.map_err(|n| no::problem(n, words))?;
    if came && answer.fresh {
        let taking = judging::take_over(app.get_ref().clone());
        let work = async move {
            if let Err(e) = taking.await {
                tracing::error!(error = %e, "a photo that came could not be taken over; it is at the next start");
            }
        };
        app.background.spawn_on(work, &app.runtime);
    }
    if erased {
        // Also when it was said before: whoever asks again wants it gone.
        let sweeping = app.get_ref().clone();
        let work = async move {
            if let Err(e) = erasing::sweep(&sweeping).await {
                tracing::error!(error = %e, "an erased photo could not be taken away; it is at the next start");
            }
        };
        // A caller that goes away stops nothing.
        app.background.spawn_on(work, &app.runtime).await.map_err(no::fault)?;
    }
    let told = answer
        .told
        .iter()
        .map(|s| json!({"key": s.key, "with": s.with, "sentence": words.say(&s.key, &s.with)}))
        .collect();
    let body = KeptEntry {
        id: answer.id,
        index: answer.index,
        digest: answer.digest.to_string(),
        kept: answer.kept.to_value(),
        told,
        checkpoint: answer.checkpoint,
    };
    Ok(if answer.fresh { HttpResponse::Created().json(body) } else { HttpResponse::Ok().json(body) })
}

/// Which page of the log.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct Page {
    /// Only entries with a higher log index.
    #[param(maximum = 9_007_199_254_740_991i64)]
    after: Option<u64>,
    /// At most so many; 100 when absent.
    #[param(minimum = 1, maximum = 500)]
    limit: Option<u32>,
}

/// An entry as it is in the log.
#[derive(Debug, Serialize, ToSchema)]
pub struct LogEntry {
    /// Log index.
    index: u64,
    /// The bytes that were hashed, as text.
    bytes: String,
    /// Disclosures kept and not erased.
    disclosures: Vec<String>,
}

/// A page of entries.
#[derive(Debug, Serialize, ToSchema)]
pub struct LogPage {
    /// In log order.
    entries: Vec<LogEntry>,
    /// `after` of the next page; absent at the end.
    #[serde(skip_serializing_if = "Option::is_none")]
    next: Option<u64>,
    /// The signed checkpoint.
    checkpoint: String,
}

/// Reads the log in order.
#[utoipa::path(get, path = "/v1/shops/{shop}/entries", operation_id = "listEntries", tag = "entries",
    params(("shop" = Uuid, Path, description = "The shop"), Page),
    responses((status = 200, description = "A page", body = LogPage),
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
    Ok(HttpResponse::Ok().json(read(&app, *shop, None, &page).await?))
}

/// Reads the entries of one intake.
#[utoipa::path(get, path = "/v1/shops/{shop}/intakes/{intake}/entries", operation_id = "listIntakeEntries", tag = "intakes",
    params(("shop" = Uuid, Path, description = "The shop"), ("intake" = Uuid, Path, description = "The intake"), Page),
    responses((status = 200, description = "A page", body = LogPage),
        (status = "default", description = "A problem", body = crate::problem::Problem, content_type = "application/problem+json")),
    security(("cookie" = []), ("bearer" = [])))]
pub async fn of_intake(
    app: web::Data<App>,
    caller: Caller,
    path: web::Path<(Uuid, Uuid)>,
    page: web::Query<Page>,
    req: HttpRequest,
) -> Result<HttpResponse, Problem> {
    let (shop, intake) = path.into_inner();
    caller.in_shop(shop)?;
    let found = read(&app, shop, Some(intake), &page).await?;
    if found.entries.is_empty() && page.after.is_none() {
        return Err(Problem::not_found(super::words_of(&req).plain("refused.no-intake")));
    }
    Ok(HttpResponse::Ok().json(found))
}

async fn read(app: &App, shop: Uuid, intake: Option<Uuid>, page: &Page) -> Result<LogPage, Problem> {
    let limit = page.limit.unwrap_or(100);
    if !(1..=PAGE).contains(&limit) {
        return Err(Problem::not_valid("limit", format!("a page has 1 to {PAGE} entries")));
    }
    let after = super::page_from(page.after)?;
    let mut db = app.ledger.pool().acquire().await.map_err(no::fault)?;
    let stored = load::entries(&mut db, shop, Range { intake, after, limit }).await.map_err(no::fault)?;
    let head = load::head(&mut *db, shop).await.map_err(no::fault)?;
    let next = (stored.len() == limit as usize).then(|| stored.last().map(|s| s.index)).flatten();
    let entries = stored
        .into_iter()
        .map(|s| {
            // Where the camera stood and its serial are never shown.
            let hidden = s.entry().map_err(no::fault)?.said.kind == "photo-judged";
            let disclosures = if hidden { Vec::new() } else { s.disclosures };
            Ok(LogEntry { index: s.index, bytes: String::from_utf8(s.bytes).map_err(no::fault)?, disclosures })
        })
        .collect::<Result<Vec<_>, Problem>>()?;
    Ok(LogPage { entries, next, checkpoint: head.map(|h| h.note).unwrap_or_default() })
}

/// The proof that an entry is in the log, as a `.tlog-proof` file.
#[utoipa::path(get, path = "/v1/shops/{shop}/entries/{index}/proof", operation_id = "getProof", tag = "entries",
    params(("shop" = Uuid, Path, description = "The shop"), ("index" = u64, Path, description = "Log index")),
    responses((status = 200, description = "The proof", body = String, content_type = "text/plain"),
        (status = "default", description = "A problem", body = crate::problem::Problem, content_type = "application/problem+json")),
    security(("cookie" = []), ("bearer" = [])))]
pub async fn proof(app: web::Data<App>, caller: Caller, path: web::Path<(Uuid, u64)>) -> Result<HttpResponse, Problem> {
    let (shop, index) = path.into_inner();
    caller.in_shop(shop)?;
    let mut tx = app.ledger.reading().await.map_err(no::fault)?;
    let head = load::head(&mut *tx, shop).await.map_err(no::fault)?;
    let Some(head) = head.filter(|h| index < h.size) else {
        return Err(Problem::not_found("There is no entry with this index."));
    };
    let hashes = load::inclusion(&mut tx, shop, index, head.size).await.map_err(no::fault)?;
    let proof = evidence::proof::Proof { extra: None, index, hashes, checkpoint: head.note };
    Ok(HttpResponse::Ok().content_type("text/plain; charset=utf-8").body(proof.to_string()))
}
