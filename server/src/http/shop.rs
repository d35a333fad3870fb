//! The shop: what the service is, the shop's facts, its checkpoint, its kinds, words, terms and settings.

use std::collections::BTreeMap;

use actix_web::http::header;
use actix_web::{HttpRequest, HttpResponse, web};
use evidence::digest::Digest;
use serde::{Deserialize, Serialize};
use serde_json::{Map, Value, json};
use utoipa::ToSchema;
use uuid::Uuid;

use super::keys::BothSign;
use super::{no, packed};
use crate::access::{Caller, Role};
use crate::app::App;
use crate::database;
use crate::ledger::keys::OVERLAP_DAYS;
use crate::ledger::load;
use crate::ledger::start::map;
use crate::ledger::{No, ServerEntry};
use crate::problem::Problem;
use crate::settings;
use crate::words;

/// Oldest web client build this server works with.
const CLIENT_MINIMUM: u32 = 1;

/// What answers here.
#[derive(Debug, Serialize, ToSchema)]
pub struct About {
    /// `counterfoil`.
    name: &'static str,
    /// Version of the program.
    version: &'static str,
    /// Version of this API.
    api: u32,
    /// Oldest client build that still works.
    client_minimum: u32,
    /// The web app that is served now; one of another build looks for it.
    client_build: &'static str,
    /// Our clock, RFC 3339, UTC, milliseconds.
    now: String,
    /// Whether an owner was made.
    set_up: bool,
    /// Whether this address is HTTPS.
    secure: bool,
    /// Whether this is an invented shop.
    demo: bool,
}

/// What answers here, and what time it is.
#[utoipa::path(get, path = "/v1", operation_id = "about", tag = "service",
    responses((status = 200, description = "What answers here", body = About),
        (status = "default", description = "A problem", body = crate::problem::Problem, content_type = "application/problem+json")))]
pub async fn about(app: web::Data<App>, req: HttpRequest) -> Result<HttpResponse, Problem> {
    let set_up = app.access.is_set_up().await?;
    Ok(HttpResponse::Ok().insert_header((header::CACHE_CONTROL, "no-store")).json(About {
        name: "counterfoil",
        version: env!("CARGO_PKG_VERSION"),
        api: 1,
        client_minimum: CLIENT_MINIMUM,
        client_build: &super::assets::BUILD,
        now: evidence::time::format(app.ledger.clock().now()),
        set_up,
        secure: app.access.secure(&req),
        demo: app.settled.demo,
    }))
}

/// The shop's own facts.
#[derive(Debug, Serialize, ToSchema)]
pub struct ShopView {
    /// The shop.
    shop: Uuid,
    /// Its name.
    name: String,
    /// Its time zone (IANA).
    zone: String,
    /// Its currency (ISO 4217).
    currency: String,
    /// Origin of its log.
    origin: String,
    /// The key that checks its checkpoints, as a C2SP verifier key; the newest one.
    verifier_key: String,
    /// While an older key signs beside it.
    #[serde(skip_serializing_if = "Option::is_none")]
    both_sign: Option<BothSign>,
    /// For how many days two keys sign when the key is changed and nothing else is asked for.
    key_overlap_days: u32,
    /// Its newest signed checkpoint.
    checkpoint: String,
    /// Why writing has stopped, if it has.
    #[serde(skip_serializing_if = "Option::is_none")]
    stopped: Option<String>,
    /// Whether the log's key was exported since it last changed.
    key_exported: bool,
    /// The address phones open.
    address: String,
    /// The public address, where one is configured: only then can a receipt be shared as a link.
    #[serde(skip_serializing_if = "Option::is_none")]
    public_url: Option<String>,
}

/// The name, zone and currency from the shop's own entry.
pub async fn facts(app: &App, shop: Uuid) -> Result<(String, String, String), Problem> {
    facts_of(app.ledger.pool(), shop).await
}

/// The same from the database.
///
/// # Errors
/// `not-found`, or the database's.
pub async fn facts_of(pool: &database::Pool, shop: Uuid) -> Result<(String, String, String), Problem> {
    let bytes: Option<Vec<u8>> = sqlx::query_scalar(
        "SELECT bytes FROM entry WHERE shop = $1 AND type = 'shop-opened' ORDER BY idx DESC LIMIT 1",
    )
    .bind(shop.to_string())
    .fetch_optional(pool)
    .await
    .map_err(no::fault)?;
    let entry = evidence::entry::Entry::parse(&bytes.unwrap_or_default())
        .map_err(|_| Problem::not_found("There is no such shop."))?;
    let text = |k: &str| entry.said.body.get(k).and_then(Value::as_str).unwrap_or_default().to_owned();
    Ok((text("name"), text("zone"), text("currency")))
}

/// The names of a shop's staff, also of those who left.
pub async fn staff_names(app: &App, shop: Uuid) -> Result<BTreeMap<Uuid, String>, Problem> {
    staff_names_of(app.ledger.pool(), shop).await
}

/// The same from the database.
///
/// # Errors
/// The database's.
pub async fn staff_names_of(pool: &database::Pool, shop: Uuid) -> Result<BTreeMap<Uuid, String>, Problem> {
    let rows: Vec<(String, String)> = sqlx::query_as("SELECT staff, name FROM staff WHERE shop = $1")
        .bind(shop.to_string())
        .fetch_all(pool)
        .await
        .map_err(no::fault)?;
    Ok(rows.into_iter().filter_map(|(id, name)| Some((id.parse().ok()?, name))).collect())
}

/// The newest word on the log's key file, by the index of types: the owner may never have said one.
pub(crate) const NEWEST_KEY: &str =
    "SELECT type FROM entry WHERE shop = $1 AND type IN ('key-exported', 'key-rotated') ORDER BY idx + 0 DESC LIMIT 1";

/// The shop's facts, its log's key and its newest checkpoint.
#[utoipa::path(get, path = "/v1/shops/{shop}", operation_id = "getShop", tag = "shop",
    params(("shop" = Uuid, Path, description = "The shop")),
    responses((status = 200, description = "The shop", body = ShopView),
        (status = "default", description = "A problem", body = crate::problem::Problem, content_type = "application/problem+json")),
    security(("cookie" = []), ("bearer" = [])))]
pub async fn shop(
    app: web::Data<App>,
    caller: Caller,
    shop: web::Path<Uuid>,
    req: HttpRequest,
) -> Result<HttpResponse, Problem> {
    caller.in_shop(*shop)?;
    app.see_checkpoint(*shop, &req).await?;
    let (name, zone, currency) = facts(&app, *shop).await?;
    let Some(head) = app.ledger.head(*shop).await.map_err(no::fault)? else {
        return Err(Problem::not_found("There is no such shop."));
    };
    // Of the two the newer one: a file that was saved before the key changed is not enough any more.
    let newest = sqlx::query_scalar(NEWEST_KEY).bind(shop.to_string()).fetch_optional(app.ledger.pool()).await;
    let newest: Option<String> = newest.map_err(no::fault)?;
    let origin = head.checkpoint(*shop).origin;
    Ok(HttpResponse::Ok().json(ShopView {
        shop: *shop,
        name,
        zone,
        currency,
        verifier_key: app.ledger.signing_key(*shop, &head).map_err(no::fault)?,
        both_sign: BothSign::of(&app, *shop).await?,
        key_overlap_days: OVERLAP_DAYS,
        origin,
        checkpoint: head.note,
        stopped: head.ahead.map(|_| super::words_of(&req).plain("refused.history-behind")),
        key_exported: newest.is_some_and(|kind| kind == "key-exported"),
        address: app.settled.public_url.clone().unwrap_or_else(|| app.settled.local_url.clone()),
        public_url: app.settled.public_url.clone(),
    }))
}

/// The newest signed checkpoint, as a C2SP signed note.
#[utoipa::path(get, path = "/v1/shops/{shop}/checkpoint", operation_id = "getCheckpoint", tag = "shop",
    params(("shop" = Uuid, Path, description = "The shop")),
    responses((status = 200, description = "The checkpoint", body = String, content_type = "text/plain"),
        (status = "default", description = "A problem", body = crate::problem::Problem, content_type = "application/problem+json")),
    security(("cookie" = []), ("bearer" = [])))]
pub async fn checkpoint(app: web::Data<App>, caller: Caller, shop: web::Path<Uuid>) -> Result<HttpResponse, Problem> {
    caller.in_shop(*shop)?;
    match app.ledger.head(*shop).await.map_err(no::fault)? {
        Some(head) => Ok(HttpResponse::Ok().content_type("text/plain; charset=utf-8").body(head.note)),
        None => Err(Problem::not_found("There is no such shop.")),
    }
}

/// Exports the log's key, so that it can be kept apart from this machine. Entered into the log.
#[utoipa::path(post, path = "/v1/shops/{shop}/key-export", operation_id = "exportKey", tag = "shop",
    params(("shop" = Uuid, Path, description = "The shop")),
    responses((status = 200, description = "The key file", body = String, content_type = "text/plain"),
        (status = "default", description = "A problem", body = crate::problem::Problem, content_type = "application/problem+json")),
    security(("cookie" = []), ("bearer" = [])))]
pub async fn export_key(
    app: web::Data<App>,
    caller: Caller,
    shop: web::Path<Uuid>,
    req: HttpRequest,
) -> Result<HttpResponse, Problem> {
    caller.in_shop(*shop)?;
    caller.may(Role::Owner)?;
    say(&app, &caller, "key-exported", json!({"key": "log"}), &req).await?;
    Ok(HttpResponse::Ok()
        .content_type("text/plain; charset=utf-8")
        .insert_header((header::CONTENT_DISPOSITION, "attachment; filename=\"log.key\""))
        .body(app.ledger.key_text(*shop).await.map_err(no::fault)?))
}

async fn say(app: &App, caller: &Caller, kind: &'static str, body: Value, req: &HttpRequest) -> Result<u64, Problem> {
    let entry = ServerEntry {
        kind: kind.to_owned(),
        intake: None,
        body: map(body),
        personal: Vec::new(),
        author: Some((caller.staff, caller.device)),
    };
    let kept = app.ledger.say(caller.shop, entry).await;
    kept.map(|a| a.index).map_err(|n: No| no::problem(n, super::words_of(req)))
}

/// One language that there is a catalogue for.
#[derive(Debug, Serialize, ToSchema)]
pub struct Spoken {
    /// Language tag.
    language: String,
    /// What the language calls itself.
    name: String,
    /// Digest of the catalogue as it is served now.
    digest: String,
}

/// The languages there are: those shipped, then the shop's own.
#[utoipa::path(get, path = "/v1/shops/{shop}/words", operation_id = "listWords", tag = "kinds",
    params(("shop" = Uuid, Path, description = "The shop")),
    responses((status = 200, description = "The languages", body = Vec<Spoken>),
        (status = "default", description = "A problem", body = crate::problem::Problem, content_type = "application/problem+json")))]
pub async fn catalogues(_shop: web::Path<Uuid>) -> web::Json<Vec<Spoken>> {
    let spoken = |c: &words::Catalogue| Spoken {
        language: c.language.clone(),
        name: c.name().to_owned(),
        digest: c.digest.to_string(),
    };
    web::Json(words::all().into_iter().map(spoken).collect())
}

/// A catalogue: every shown sentence by its key. Its bytes' digest stands in a sheet, and what was shown once is there by it.
#[utoipa::path(get, path = "/v1/shops/{shop}/words/{language}", operation_id = "getWords", tag = "kinds",
    params(("shop" = Uuid, Path, description = "The shop"), ("language" = String, Path, description = "Language tag, or the 64 hexadecimal digits of a catalogue's SHA-256")),
    responses((status = 200, description = "The catalogue", body = Object),
        (status = "default", description = "A problem", body = crate::problem::Problem, content_type = "application/problem+json")))]
pub async fn catalogue(
    app: web::Data<App>,
    path: web::Path<(Uuid, String)>,
    req: HttpRequest,
) -> Result<HttpResponse, Problem> {
    let (shop, wanted) = path.into_inner();
    let none = || Problem::not_found("There is no catalogue of this language.");
    let answer = |digest: &Digest, bytes: Vec<u8>| {
        let packed = packed::gzip(&bytes).filter(|_| packed::taken(&req));
        let mut answer = HttpResponse::Ok();
        answer
            .content_type("application/json")
            .insert_header((header::CACHE_CONTROL, "no-cache"))
            .insert_header(("Counterfoil-Digest", digest.to_string()));
        match packed {
            Some(packed) => packed::marked(answer.body(packed)),
            None => answer.body(bytes),
        }
    };
    // No language tag has 64 characters.
    if let Ok(digest) = Digest::from_hex(&wanted) {
        let bytes = load::document(app.ledger.pool(), shop, "words", &digest).await.map_err(no::fault)?;
        return Ok(answer(&digest, bytes.ok_or_else(none)?));
    }
    let c = words::all().into_iter().find(|c| c.language == wanted).ok_or_else(none)?;
    Ok(answer(&c.digest, c.bytes.to_vec()))
}

/// A text of terms by digest.
#[utoipa::path(get, path = "/v1/shops/{shop}/terms/{digest}", operation_id = "getTerms", tag = "shop",
    params(("shop" = Uuid, Path, description = "The shop"), ("digest" = String, Path, description = "SHA-256, 64 hexadecimal digits")),
    responses((status = 200, description = "The text", body = String, content_type = "text/plain"),
        (status = "default", description = "A problem", body = crate::problem::Problem, content_type = "application/problem+json")),
    security(("cookie" = []), ("bearer" = [])))]
pub async fn terms(
    app: web::Data<App>,
    caller: Caller,
    path: web::Path<(Uuid, String)>,
) -> Result<HttpResponse, Problem> {
    let (shop, hex) = path.into_inner();
    caller.in_shop(shop)?;
    let none = || Problem::not_found("There are no such terms.");
    let digest = Digest::from_hex(&hex).map_err(|_| none())?;
    let bytes = load::document(app.ledger.pool(), shop, "terms", &digest).await.map_err(no::fault)?.ok_or_else(none)?;
    Ok(HttpResponse::Ok().content_type("text/plain; charset=utf-8").body(bytes))
}

/// All settings as one document.
async fn all(app: &App, shop: Uuid) -> Result<(Map<String, Value>, u64), Problem> {
    let set = load::settings(app.ledger.pool(), shop).await.map_err(no::fault)?;
    let revision = set.values().map(|(_, i)| i + 1).max().unwrap_or(0);
    let mut doc: Map<String, Value> = settings::NAMES
        .iter()
        .map(|n| ((*n).to_owned(), set.get(*n).map_or_else(|| settings::default(n), |(v, _)| v.clone())))
        .collect();
    let terms = doc.get("terms").and_then(Value::as_str).unwrap_or_default();
    let digest = Digest::of(terms.as_bytes()).to_string();
    doc.insert("terms_digest".into(), json!(digest));
    Ok((doc, revision))
}

/// The shop's settings, with an ETag for changing them.
#[utoipa::path(get, path = "/v1/shops/{shop}/settings", operation_id = "getSettings", tag = "shop",
    params(("shop" = Uuid, Path, description = "The shop")),
    responses((status = 200, description = "The settings", body = Object),
        (status = "default", description = "A problem", body = crate::problem::Problem, content_type = "application/problem+json")),
    security(("cookie" = []), ("bearer" = [])))]
pub async fn get_settings(app: web::Data<App>, caller: Caller, shop: web::Path<Uuid>) -> Result<HttpResponse, Problem> {
    caller.in_shop(*shop)?;
    let (doc, revision) = all(&app, *shop).await?;
    // The terms have to be there under their digest before an arrangement names it.
    let terms = doc.get("terms").and_then(Value::as_str).unwrap_or_default().to_owned();
    load::keep_document(app.ledger.pool(), *shop, "terms", "", terms.as_bytes()).await.map_err(no::fault)?;
    Ok(HttpResponse::Ok().insert_header((header::ETAG, format!("\"{revision}\""))).json(doc))
}

/// Settings to change; those not named stay.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(transparent)]
pub struct Changes {
    #[schema(value_type = Object)]
    values: Map<String, Value>,
}

/// Changes settings; only from the state the caller read (`If-Match`). Of whom a second factor is asked (`code-asked-of`) is changed
/// by an owner who has one, and who gave the password within ten minutes.
#[utoipa::path(put, path = "/v1/shops/{shop}/settings", operation_id = "putSettings", tag = "shop",
    params(("shop" = Uuid, Path, description = "The shop"), ("If-Match" = String, Header, description = "The ETag that was read")),
    request_body(content = Object, content_type = "application/json"),
    responses((status = 200, description = "The settings", body = Object),
        (status = "default", description = "A problem", body = crate::problem::Problem, content_type = "application/problem+json")),
    security(("cookie" = []), ("bearer" = [])))]
pub async fn put_settings(
    app: web::Data<App>,
    caller: Caller,
    shop: web::Path<Uuid>,
    changes: web::Json<Changes>,
    req: HttpRequest,
) -> Result<HttpResponse, Problem> {
    caller.in_shop(*shop)?;
    caller.may(Role::Owner)?;
    let Some(seen) = req.headers().get(header::IF_MATCH) else {
        return Err(Problem::not_valid("If-Match", "The header If-Match with the ETag that was read is needed."));
    };
    let (before, revision) = all(&app, *shop).await?;
    if seen.as_bytes() != format!("\"{revision}\"").as_bytes() {
        return Err(Problem::not_current("The settings were changed meanwhile. Read them again, then change them."));
    }
    let mut changed = Vec::new();
    for (name, value) in &changes.values {
        if name == "terms_digest" || before.get(name) == Some(value) {
            continue;
        }
        evidence::canon::check(value).map_err(|e| Problem::not_valid(format!("/{name}"), e.to_string()))?;
        settings::check(name, value).map_err(|sentence| Problem::not_valid(format!("/{name}"), sentence))?;
        changed.push((name, value));
    }
    let of_codes = changed.iter().any(|(name, _)| *name == settings::CODE_ASKED_OF);
    if of_codes {
        app.access.may_ask_second(&caller, &req).await?;
    }
    for (name, value) in changed {
        say(&app, &caller, "setting-changed", json!({"setting": name, "value": value}), &req).await?;
    }
    if of_codes {
        app.access.asked_of_changed(caller.shop);
    }
    get_settings(app, caller, shop).await
}
