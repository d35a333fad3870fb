//! The list of intakes, one intake as it stands, and its sheet.

use actix_web::{HttpRequest, HttpResponse, web};
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use sqlx::Row;
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use super::no;
use crate::access::Caller;
use crate::app::App;
use crate::database;
use crate::intake::check::{self, Mode};
use crate::intake::sheet::{self, Shown};
use crate::intake::state::{Intake, Standing, Whose};
use crate::ledger::find::{self as finding, Reach, Wanted};
use crate::ledger::load;
use crate::problem::Problem;
use crate::search::Query;

/// Which intakes.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct Which {
    /// Only in this state: `found`, `open`, `in care`, `handed back` or `not taken in`.
    #[param(pattern = "^(found|open|in care|handed back|not taken in)$")]
    state: Option<String>,
    /// What somebody remembers of it: tag, serial, name, phone, words of the complaint. Case, accents and punctuation do not
    /// count, digits are found inside numbers, a longer word may have one typo.
    #[param(max_length = 200)]
    q: Option<String>,
    /// Only opened before the intake with this `opened` index.
    #[param(maximum = 9_007_199_254_740_991i64)]
    after: Option<u64>,
    /// At most so many; 50 when absent.
    #[param(minimum = 1, maximum = 200)]
    limit: Option<u32>,
}

/// An intake in the list.
#[derive(Debug, Serialize, ToSchema)]
pub struct Listed {
    /// The intake.
    id: Uuid,
    /// Its tag.
    tag: String,
    /// Its state.
    state: String,
    /// Log index of its opening.
    opened: u64,
    /// Its newest log index: its revision.
    revision: u64,
    /// What lists show: machine, owner, gaps, photos, place, times.
    #[schema(value_type = Object)]
    summary: Value,
}

impl Listed {
    /// What lists show of it.
    pub(super) fn summary(&self) -> &Value {
        &self.summary
    }
}

/// A page of intakes, newest first.
#[derive(Debug, Serialize, ToSchema)]
pub struct IntakePage {
    /// The intakes.
    intakes: Vec<Listed>,
    /// `after` of the next page; absent at the end. A search for common words goes only so far back at once: its page may
    /// then have fewer intakes than were asked for, or none, and still this.
    #[serde(skip_serializing_if = "Option::is_none")]
    next: Option<u64>,
}

/// Lists and searches intakes, newest first.
#[utoipa::path(get, path = "/v1/shops/{shop}/intakes", operation_id = "listIntakes", tag = "intakes",
    params(("shop" = Uuid, Path, description = "The shop"), Which),
    responses((status = 200, description = "A page", body = IntakePage),
        (status = "default", description = "A problem", body = crate::problem::Problem, content_type = "application/problem+json")),
    security(("cookie" = []), ("bearer" = [])))]
pub async fn list(
    app: web::Data<App>,
    caller: Caller,
    shop: web::Path<Uuid>,
    which: web::Query<Which>,
) -> Result<HttpResponse, Problem> {
    caller.in_shop(*shop)?;
    app.access.asks_for_list(&caller)?;
    let limit = which.limit.unwrap_or(50);
    if !(1..=200).contains(&limit) {
        return Err(Problem::not_valid("limit", "A page has 1 to 200 intakes."));
    }
    let known = [Standing::Found, Standing::Open, Standing::InCare, Standing::HandedBack, Standing::NotTakenIn]
        .map(Standing::word);
    if which.state.as_deref().is_some_and(|s| !known.contains(&s)) {
        return Err(Problem::not_valid("state", format!("A state is one of: {}.", known.join(", "))));
    }
    let q = which.q.as_deref().unwrap_or_default();
    if q.chars().count() > 200 {
        return Err(Problem::not_valid("q", "A search has at most 200 characters."));
    }
    let shop = *shop;
    let wanted = Wanted {
        shop,
        state: which.state.as_deref(),
        before: super::page_from(which.after)?,
        limit,
        columns: "id, tag, state, opened_idx, last_idx, summary",
    };
    let mut db = database::reading(app.ledger.pool()).await.map_err(no::fault)?;
    let plan = finding::plan(&mut db, shop, &Query::parse(q)).await.map_err(no::fault)?;
    let page = finding::page(&mut db, &plan, &wanted, Reach::PAGE).await.map_err(no::fault)?;
    let intakes = page.rows.iter().map(listed).collect::<Result<Vec<_>, sqlx::Error>>().map_err(no::fault)?;
    let next = page.next;
    Ok(HttpResponse::Ok().json(IntakePage { intakes, next }))
}

/// A row of the list.
///
/// # Errors
/// A broken row.
pub(super) fn listed(row: &database::Row) -> Result<Listed, sqlx::Error> {
    Ok(Listed {
        id: row.try_get::<String, _>("id")?.parse().map_err(|_| load::broken("an intake's id is not a UUID"))?,
        tag: row.try_get("tag")?,
        state: row.try_get("state")?,
        opened: load::number(row, "opened_idx")?,
        revision: load::number(row, "last_idx")?,
        summary: serde_json::from_str(&row.try_get::<String, _>("summary")?)
            .map_err(|e| load::broken(e.to_string()))?,
    })
}

/// One intake as it stands.
#[derive(Debug, Serialize, ToSchema)]
pub struct IntakeView {
    /// The state folded from its entries.
    #[schema(value_type = Object)]
    intake: Value,
    /// What the check still asks for, each with its sentence.
    #[schema(value_type = Vec<Object>)]
    gaps: Vec<Value>,
    /// What was left open.
    #[schema(value_type = Vec<Object>)]
    left_open: Vec<Value>,
    /// Its newest log index.
    revision: u64,
}

/// Loads an intake and its kind, or says that there is none.
pub async fn find(
    app: &App,
    shop: Uuid,
    id: Uuid,
) -> Result<(Intake, std::sync::Arc<crate::intake::kind::LoadedKind>), Problem> {
    let mut db = app.ledger.pool().acquire().await.map_err(no::fault)?;
    let intake = load::intake(&mut db, Whose { shop, intake: id }).await.map_err(no::fault)?;
    let Some(opened) = &intake.opened else { return Err(Problem::not_found("There is no such intake.")) };
    match app.ledger.kind(&mut db, shop, &opened.what.kind).await.map_err(no::fault)? {
        Some(kind) => Ok((intake, kind)),
        None => Err(Problem::internal("the kind an intake pins is not stored")),
    }
}

/// One intake: its state, what the check asks for, what was left open.
#[utoipa::path(get, path = "/v1/shops/{shop}/intakes/{intake}", operation_id = "getIntake", tag = "intakes",
    params(("shop" = Uuid, Path, description = "The shop"), ("intake" = Uuid, Path, description = "The intake")),
    responses((status = 200, description = "The intake", body = IntakeView),
        (status = "default", description = "A problem", body = crate::problem::Problem, content_type = "application/problem+json")),
    security(("cookie" = []), ("bearer" = [])))]
pub async fn get(
    app: web::Data<App>,
    caller: Caller,
    path: web::Path<(Uuid, Uuid)>,
    req: HttpRequest,
) -> Result<HttpResponse, Problem> {
    let (shop, id) = path.into_inner();
    caller.in_shop(shop)?;
    let words = super::words_of(&req);
    let (intake, kind) = find(&app, shop, id).await?;
    let checked = check::check(&kind.kind, &intake, Mode::Server);
    let mut state = json!(intake);
    super::hide_place(&mut state);
    let view = IntakeView {
        gaps: checked.gaps.iter().map(|g| no::gap(g, words)).collect(),
        left_open: checked.left_open.iter().map(|l| json!(l)).collect(),
        revision: intake.last_index.unwrap_or(0),
        intake: state,
    };
    Ok(HttpResponse::Ok().json(view))
}

/// In which language, and who read it out.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct SheetFor {
    /// Language tag; `en` when absent.
    #[param(max_length = 35)]
    language: Option<String>,
    /// Who reads or translates it.
    #[param(max_length = 200)]
    reader: Option<String>,
}

impl SheetFor {
    /// The catalogue that is meant, and who reads or translates.
    pub(super) fn shown(&self) -> Result<(&'static crate::words::Catalogue, Option<&str>), Problem> {
        if self.reader.as_ref().is_some_and(|v| v.chars().count() > 200) {
            return Err(Problem::not_valid("reader", "At most 200 characters."));
        }
        let language = super::language_tag(self.language.as_deref())?.unwrap_or(crate::words::FIRST);
        Ok((crate::words::language(language), self.reader.as_deref()))
    }
}

/// The sheet to be shown and signed: canonical JSON. Its SHA-256 goes into the acknowledgement.
#[utoipa::path(get, path = "/v1/shops/{shop}/intakes/{intake}/sheet", operation_id = "getSheet", tag = "intakes",
    params(("shop" = Uuid, Path, description = "The shop"), ("intake" = Uuid, Path, description = "The intake"), SheetFor),
    responses((status = 200, description = "The sheet", body = Object, content_type = "application/json"),
        (status = "default", description = "A problem", body = crate::problem::Problem, content_type = "application/problem+json")),
    security(("cookie" = []), ("bearer" = [])))]
pub async fn sheet(
    app: web::Data<App>,
    caller: Caller,
    path: web::Path<(Uuid, Uuid)>,
    wanted: web::Query<SheetFor>,
) -> Result<HttpResponse, Problem> {
    let (shop, id) = path.into_inner();
    caller.in_shop(shop)?;
    let (words, reader) = wanted.shown()?;
    let (intake, kind) = find(&app, shop, id).await?;
    let shown = Shown { language: &words.language, words: words.digest, reader };
    let Some(sheet) = sheet::build(&kind.kind, &intake, &shown) else {
        return Err(Problem::not_found("There is no such intake."));
    };
    let bytes = sheet.bytes().map_err(|e| Problem::not_valid("reader", e.to_string()))?;
    Ok(HttpResponse::Ok()
        .content_type("application/json")
        .insert_header(("Counterfoil-Digest", evidence::digest::Digest::of(&bytes).to_string()))
        .body(bytes))
}
