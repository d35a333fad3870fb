//! `GET …/stamps` and `…/witnessed`: how far time stamps from outside and witnesses are, for the owner; `POST` tries now.
//! `GET …/intakes/{intake}/stamps`: which stamps cover an intake's entries, for everybody in the shop.

use actix_web::{HttpRequest, HttpResponse, web};
use serde::Serialize;
use utoipa::ToSchema;
use uuid::Uuid;

use super::no;
use crate::access::{Caller, Role};
use crate::app::App;
use crate::intake::state::Whose;
use crate::ledger::load;
use crate::originals::outside::Published;
use crate::outside::stamping::Kept;
use crate::outside::{State, Why, stamping, witnessing};
use crate::pack::outside::covering;
use crate::problem::Problem;

/// A stamp.
#[derive(Debug, Serialize, ToSchema)]
pub struct Stamped {
    /// Entries that the log had then.
    size: u64,
    /// The epoch of the log.
    epoch: u64,
    /// The authority's time, RFC 3339, UTC.
    at: String,
    /// How sure the authority says to be, in seconds.
    within_s: u64,
    /// What the authority is called.
    authority: String,
}

impl From<Kept> for Stamped {
    fn from(k: Kept) -> Stamped {
        let (epoch, size) = k.of;
        Stamped { size, epoch, at: k.stamp.when, within_s: k.stamp.within, authority: k.stamp.authority }
    }
}

/// A stamp, and what of one intake it is the first to cover.
#[derive(Debug, Serialize, ToSchema)]
pub struct Covering {
    #[serde(flatten)]
    stamp: Stamped,
    /// Log indices of the intake's entries that no earlier stamp covers: each was in the log by then.
    entries: Vec<u64>,
}

/// From when on somebody outside the shop says that an intake's entries were there.
#[derive(Debug, Serialize, ToSchema)]
pub struct IntakeStamps {
    /// The stamps, the earliest first; at most 256.
    stamps: Vec<Covering>,
    /// Log indices of the intake's entries that none covers.
    uncovered: Vec<u64>,
}

/// An errand that has not come back yet.
#[derive(Debug, Serialize, ToSchema)]
pub struct WaitingView {
    /// Since when, RFC 3339, UTC.
    since: String,
    /// How often it was tried in vain.
    tries: u32,
    /// When it is tried again, RFC 3339, UTC.
    next: String,
    /// Why the last try was in vain.
    #[serde(skip_serializing_if = "Option::is_none")]
    why: Option<Why>,
    /// The same for whoever runs the program, in English.
    said: String,
}

impl WaitingView {
    fn of(state: &State) -> Option<WaitingView> {
        let w = state.waiting.as_ref()?;
        let (since, next) = (evidence::time::format(w.since), evidence::time::format(w.next));
        Some(WaitingView { since, tries: w.tries, next, why: w.why, said: w.said.clone() })
    }
}

/// Time stamps of the log's head from outside the shop.
#[derive(Debug, Serialize, ToSchema)]
pub struct Stamps {
    /// The host of the authority that is asked; absent where none is configured.
    #[serde(skip_serializing_if = "Option::is_none")]
    authority: Option<String>,
    /// How often it is asked, in seconds.
    #[serde(skip_serializing_if = "Option::is_none")]
    every_s: Option<i64>,
    /// How many stamps are kept.
    count: usize,
    /// The newest one.
    #[serde(skip_serializing_if = "Option::is_none")]
    last: Option<Stamped>,
    /// What is under way.
    #[serde(skip_serializing_if = "Option::is_none")]
    waiting: Option<WaitingView>,
}

async fn view(app: &App, shop: Uuid) -> Result<HttpResponse, Problem> {
    let state = app.outside.state(shop, stamping::FOLDER).await.map_err(no::fault)?;
    let originals = app.ledger.originals().clone();
    let read = move || {
        let list = originals.outside_list(shop, stamping::FOLDER, stamping::ANSWER)?;
        let newest = list.iter().rev().find_map(|of: &Published| stamping::kept(&originals, shop, *of).ok());
        Ok::<_, std::io::Error>((list.len(), newest))
    };
    let (count, newest) = tokio::task::spawn_blocking(read).await.map_err(no::fault)?.map_err(no::fault)?;
    let authority = app.outside.authority.as_deref();
    Ok(HttpResponse::Ok().json(Stamps {
        authority: authority.and_then(|a| a.url.host()).map(str::to_owned),
        every_s: authority.map(|a| a.every / 1000),
        count,
        last: newest.map(Stamped::from),
        waiting: WaitingView::of(&state),
    }))
}

/// How far time stamps are: the newest, and what waits since when.
#[utoipa::path(get, path = "/v1/shops/{shop}/stamps", operation_id = "getStamps", tag = "shop",
    params(("shop" = Uuid, Path, description = "The shop")),
    responses((status = 200, description = "How far they are", body = Stamps),
        (status = "default", description = "A problem", body = crate::problem::Problem, content_type = "application/problem+json")),
    security(("cookie" = []), ("bearer" = [])))]
pub async fn stamps(app: web::Data<App>, caller: Caller, shop: web::Path<Uuid>) -> Result<HttpResponse, Problem> {
    caller.in_shop(*shop)?;
    caller.may(Role::Owner)?;
    view(&app, *shop).await
}

/// Has the newest checkpoint stamped now, where an authority is configured, and says how far it is then.
#[utoipa::path(post, path = "/v1/shops/{shop}/stamps", operation_id = "stampNow", tag = "shop",
    params(("shop" = Uuid, Path, description = "The shop")),
    responses((status = 200, description = "How far it is", body = Stamps),
        (status = "default", description = "A problem", body = crate::problem::Problem, content_type = "application/problem+json")),
    security(("cookie" = []), ("bearer" = [])))]
pub async fn stamp_now(app: web::Data<App>, caller: Caller, shop: web::Path<Uuid>) -> Result<HttpResponse, Problem> {
    caller.in_shop(*shop)?;
    caller.may(Role::Owner)?;
    app.outside.stamp(*shop).await.map_err(no::fault)?;
    view(&app, *shop).await
}

/// Which time stamps from outside cover the entries of an intake. Each stamp is checked again before it is told.
#[utoipa::path(get, path = "/v1/shops/{shop}/intakes/{intake}/stamps", operation_id = "getIntakeStamps", tag = "intakes",
    params(("shop" = Uuid, Path, description = "The shop"), ("intake" = Uuid, Path, description = "The intake")),
    responses((status = 200, description = "The stamps; none where no authority ever stamped", body = IntakeStamps),
        (status = "default", description = "A problem", body = crate::problem::Problem, content_type = "application/problem+json")),
    security(("cookie" = []), ("bearer" = [])))]
pub async fn of_intake(
    app: web::Data<App>,
    caller: Caller,
    path: web::Path<(Uuid, Uuid)>,
    req: HttpRequest,
) -> Result<HttpResponse, Problem> {
    let (shop, intake) = path.into_inner();
    caller.in_shop(shop)?;
    let mut tx = app.ledger.reading().await.map_err(no::fault)?;
    let indices = load::indices(&mut tx, Whose { shop, intake }).await.map_err(no::fault)?;
    let head = load::head(&mut *tx, shop).await.map_err(no::fault)?;
    let (Some(head), Some(_)) = (head, indices.last()) else {
        return Err(Problem::not_found(super::words_of(&req).plain("refused.no-intake")));
    };
    let kept = covering(&app.ledger, &mut tx, (shop, &head), &indices).await.map_err(no::fault)?;
    tx.rollback().await.map_err(no::fault)?;
    let mut uncovered = indices;
    let first = |kept: Kept| {
        let (entries, later) = uncovered.iter().partition(|i| **i < kept.of.1);
        uncovered = later;
        Covering { stamp: kept.into(), entries }
    };
    let stamps = kept.into_iter().map(first).collect();
    Ok(HttpResponse::Ok().json(IntakeStamps { stamps, uncovered }))
}

/// A witness that is asked.
#[derive(Debug, Serialize, ToSchema)]
pub struct WitnessView {
    /// Its name.
    name: String,
    /// Its key, for whoever checks.
    key: String,
    /// Entries of the newest checkpoint it signed.
    #[serde(skip_serializing_if = "Option::is_none")]
    size: Option<u64>,
    /// What is under way.
    #[serde(skip_serializing_if = "Option::is_none")]
    waiting: Option<WaitingView>,
}

/// What witnesses have seen.
#[derive(Debug, Serialize, ToSchema)]
pub struct WitnessedView {
    /// The witnesses that are asked.
    witnesses: Vec<WitnessView>,
    /// The newest checkpoint that one of them signed, with its cosignatures, as a C2SP signed note.
    #[serde(skip_serializing_if = "Option::is_none")]
    checkpoint: Option<String>,
}

async fn seen(app: &App, shop: Uuid) -> Result<HttpResponse, Problem> {
    let originals = app.ledger.originals().clone();
    let read = move || {
        let mut all = originals.outside_names(shop, witnessing::FOLDER).map_err(|e| e.to_string())?;
        all.sort();
        let newest = all.last().map(|(of, _)| *of);
        let checkpoint = newest.map(|of| witnessing::cosigned(&originals, shop, of)).transpose()?.flatten();
        Ok::<_, String>((all, checkpoint))
    };
    let (all, checkpoint) = tokio::task::spawn_blocking(read).await.map_err(no::fault)?.map_err(no::fault)?;
    let mut witnesses = Vec::new();
    for by in app.outside.witnesses.iter() {
        let state = app.outside.state(shop, &by.errand()).await.map_err(no::fault)?;
        let size = all.iter().rev().find(|(_, ending)| *ending == by.id()).map(|((_, size), _)| *size);
        let (name, key) = (by.key.name.clone(), by.key.to_string());
        witnesses.push(WitnessView { name, key, size, waiting: WaitingView::of(&state) });
    }
    Ok(HttpResponse::Ok().json(WitnessedView { witnesses, checkpoint }))
}

/// What witnesses have seen of the log.
#[utoipa::path(get, path = "/v1/shops/{shop}/witnessed", operation_id = "getWitnessed", tag = "shop",
    params(("shop" = Uuid, Path, description = "The shop")),
    responses((status = 200, description = "What they have seen", body = WitnessedView),
        (status = "default", description = "A problem", body = crate::problem::Problem, content_type = "application/problem+json")),
    security(("cookie" = []), ("bearer" = [])))]
pub async fn witnessed(app: web::Data<App>, caller: Caller, shop: web::Path<Uuid>) -> Result<HttpResponse, Problem> {
    caller.in_shop(*shop)?;
    caller.may(Role::Owner)?;
    seen(&app, *shop).await
}

/// Shows the newest checkpoint to every witness now, and says what they have seen then.
#[utoipa::path(post, path = "/v1/shops/{shop}/witnessed", operation_id = "witnessNow", tag = "shop",
    params(("shop" = Uuid, Path, description = "The shop")),
    responses((status = 200, description = "What they have seen", body = WitnessedView),
        (status = "default", description = "A problem", body = crate::problem::Problem, content_type = "application/problem+json")),
    security(("cookie" = []), ("bearer" = [])))]
pub async fn witness_now(app: web::Data<App>, caller: Caller, shop: web::Path<Uuid>) -> Result<HttpResponse, Problem> {
    caller.in_shop(*shop)?;
    caller.may(Role::Owner)?;
    for by in app.outside.witnesses.iter() {
        app.outside.be_witnessed(*shop, by).await.map_err(no::fault)?;
    }
    seen(&app, *shop).await
}
