//! The kinds of machine a shop takes in: the list, one by digest, its text, trying, adding and retiring one.

use actix_web::http::header;
use actix_web::{HttpRequest, HttpResponse, web};
use evidence::digest::Digest;
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use super::no;
use crate::access::{Caller, Role};
use crate::app::App;
use crate::intake::example;
use crate::intake::kind::{Kind, KindError};
use crate::ledger::load;
use crate::own_kinds;
use crate::problem::{FieldError, Problem};

/// Which kinds.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct Which {
    /// Retired ones too.
    #[serde(default)]
    retired: bool,
}

/// The kinds of machine this shop takes in now.
#[utoipa::path(get, path = "/v1/shops/{shop}/kinds", operation_id = "listKinds", tag = "kinds",
    params(("shop" = Uuid, Path, description = "The shop"), Which),
    responses((status = 200, description = "The kinds", body = Vec<Object>),
        (status = "default", description = "A problem", body = crate::problem::Problem, content_type = "application/problem+json")),
    security(("cookie" = []), ("bearer" = [])))]
pub async fn list(
    app: web::Data<App>,
    caller: Caller,
    shop: web::Path<Uuid>,
    which: web::Query<Which>,
) -> Result<HttpResponse, Problem> {
    caller.in_shop(*shop)?;
    let all = app.ledger.kinds_of(*shop).await.map_err(no::fault)?;
    let list: Vec<Value> = all
        .iter()
        .filter(|k| which.retired || k.retired.is_none())
        .map(|k| {
            let mut one = json!({"digest": k.kind.digest.to_string(), "kind": k.kind.kind, "own": k.own});
            if let (Some(index), Some(one)) = (k.retired, one.as_object_mut()) {
                one.insert("retired".into(), json!(index));
            }
            one
        })
        .collect();
    Ok(HttpResponse::Ok().json(list))
}

fn none() -> Problem {
    Problem::not_found("There is no such kind.")
}

/// One kind by digest, also one that new intakes no longer use.
#[utoipa::path(get, path = "/v1/shops/{shop}/kinds/{digest}", operation_id = "getKind", tag = "kinds",
    params(("shop" = Uuid, Path, description = "The shop"), ("digest" = String, Path, description = "SHA-256, 64 hexadecimal digits")),
    responses((status = 200, description = "The kind", body = Object),
        (status = "default", description = "A problem", body = crate::problem::Problem, content_type = "application/problem+json")),
    security(("cookie" = []), ("bearer" = [])))]
pub async fn get(
    app: web::Data<App>,
    caller: Caller,
    path: web::Path<(Uuid, String)>,
) -> Result<HttpResponse, Problem> {
    let (shop, hex) = path.into_inner();
    caller.in_shop(shop)?;
    let digest = Digest::from_hex(&hex).map_err(|_| none())?;
    let mut db = app.ledger.pool().acquire().await.map_err(no::fault)?;
    let kind = app.ledger.kind(&mut db, shop, &digest).await.map_err(no::fault)?.ok_or_else(none)?;
    Ok(HttpResponse::Ok().json(json!({"digest": digest.to_string(), "kind": kind.kind})))
}

/// The text of a kind, as it was written.
#[utoipa::path(get, path = "/v1/shops/{shop}/kinds/{digest}/text", operation_id = "getKindText", tag = "kinds",
    params(("shop" = Uuid, Path, description = "The shop"), ("digest" = String, Path, description = "SHA-256, 64 hexadecimal digits")),
    responses((status = 200, description = "The TOML text", body = String, content_type = "text/plain"),
        (status = "default", description = "A problem", body = crate::problem::Problem, content_type = "application/problem+json")),
    security(("cookie" = []), ("bearer" = [])))]
pub async fn text(
    app: web::Data<App>,
    caller: Caller,
    path: web::Path<(Uuid, String)>,
) -> Result<HttpResponse, Problem> {
    let (shop, hex) = path.into_inner();
    caller.in_shop(shop)?;
    let digest = Digest::from_hex(&hex).map_err(|_| none())?;
    let bytes = load::document(app.ledger.pool(), shop, "kind", &digest).await.map_err(no::fault)?.ok_or_else(none)?;
    Ok(HttpResponse::Ok().content_type("text/plain; charset=utf-8").body(bytes))
}

/// The text of a kind.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct KindText {
    /// TOML.
    #[schema(max_length = 131_072)]
    toml: String,
}

/// One fault of a kind's text.
#[derive(Debug, Serialize, ToSchema)]
pub struct FaultAt {
    /// Line, from 1.
    line: u64,
    /// What is wrong, in a sentence.
    reason: String,
}

/// One example of a kind, run by the server's check.
#[derive(Debug, Serialize, ToSchema)]
pub struct Tried {
    /// What it is about.
    name: String,
    /// What is asked for because of its answers.
    asks: Vec<String>,
}

/// What the server says to the text of a kind. Nothing is kept.
#[derive(Debug, Serialize, ToSchema)]
pub struct Trial {
    /// What is wrong, in the order of the text.
    faults: Vec<FaultAt>,
    /// Digest the kind would have; absent while something is wrong.
    #[serde(skip_serializing_if = "Option::is_none")]
    digest: Option<String>,
    /// The kind, for a preview; absent while something is wrong.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<Object>)]
    kind: Option<Kind>,
    /// Its examples.
    examples: Vec<Tried>,
}

/// Tries the text of a kind: faults by line, or the kind as it would be. Nothing is kept.
#[utoipa::path(post, path = "/v1/shops/{shop}/kinds/try", operation_id = "tryKind", tag = "kinds",
    params(("shop" = Uuid, Path, description = "The shop")), request_body = KindText,
    responses((status = 200, description = "What was found", body = Trial),
        (status = "default", description = "A problem", body = crate::problem::Problem, content_type = "application/problem+json")),
    security(("cookie" = []), ("bearer" = [])))]
pub async fn try_one(caller: Caller, shop: web::Path<Uuid>, new: web::Json<KindText>) -> Result<HttpResponse, Problem> {
    caller.in_shop(*shop)?;
    caller.may(Role::Owner)?;
    let trial = match own_kinds::read(new.toml.as_bytes()) {
        Ok(loaded) => {
            let run =
                |e: &example::Example| Tried { name: e.name.clone(), asks: example::asked(&loaded.kind, &e.answers) };
            let examples = loaded.kind.examples.iter().map(run).collect();
            Trial { faults: Vec::new(), digest: Some(loaded.digest.to_string()), examples, kind: Some(loaded.kind) }
        }
        Err(KindError(faults)) => {
            let faults = faults.into_iter().map(|f| FaultAt { line: f.line as u64, reason: f.reason }).collect();
            Trial { faults, digest: None, kind: None, examples: Vec::new() }
        }
    };
    Ok(HttpResponse::Ok().json(trial))
}

/// A kind that was added.
#[derive(Debug, Serialize, ToSchema)]
pub struct Added {
    /// Its digest.
    digest: String,
    /// Its identifier.
    kind_id: String,
    /// Log index of its entry.
    index: u64,
}

/// Adds a kind, or puts a new version in the place of the one with its identifier (`If-Match` names its digest). Intakes keep
/// the kind they were opened with.
#[utoipa::path(post, path = "/v1/shops/{shop}/kinds", operation_id = "addKind", tag = "kinds",
    params(("shop" = Uuid, Path, description = "The shop"), ("If-Match" = Option<String>, Header, description = "Digest of the kind it takes the place of, in quotes")),
    request_body = KindText,
    responses((status = 201, description = "Added", body = Added),
        (status = "default", description = "A problem", body = crate::problem::Problem, content_type = "application/problem+json")),
    security(("cookie" = []), ("bearer" = [])))]
pub async fn add(
    app: web::Data<App>,
    caller: Caller,
    shop: web::Path<Uuid>,
    new: web::Json<KindText>,
    req: HttpRequest,
) -> Result<HttpResponse, Problem> {
    caller.in_shop(*shop)?;
    caller.may(Role::Owner)?;
    let kind = own_kinds::read(new.toml.as_bytes()).map_err(|KindError(faults)| {
        let said = |f: crate::intake::kind::Fault| FieldError {
            pointer: "/toml".into(),
            detail: format!("Line {}: {}", f.line, f.reason),
        };
        Problem::not_valid_all(faults.into_iter().map(said).collect())
    })?;
    let seen = req.headers().get(header::IF_MATCH).and_then(|v| v.to_str().ok()).map(|v| v.trim_matches('"'));
    let all = app.ledger.kinds_of(*shop).await.map_err(no::fault)?;
    if let Some(now) = all.iter().find(|k| k.kind.kind.id == kind.kind.id) {
        let digest = now.kind.digest.to_string();
        if now.retired.is_none() && seen != Some(digest.as_str()) {
            let sentence = format!(
                "There is another \"{}\" now. Read it again, or give this one an identifier of its own.",
                kind.kind.id
            );
            return Err(Problem::not_current(sentence));
        }
        if now.retired.is_none() && now.kind.digest == kind.digest {
            return Err(Problem::refused("Nothing was changed: this kind is offered just so."));
        }
    }
    let index = app.ledger.add_kind(*shop, &kind, Some((caller.staff, caller.device))).await;
    let index = index.map_err(|n| no::problem(n, super::words_of(&req)))?;
    Ok(HttpResponse::Created().json(Added { digest: kind.digest.to_string(), kind_id: kind.kind.id, index }))
}

/// Retires a kind: new intakes no longer use it, old ones keep it.
#[utoipa::path(delete, path = "/v1/shops/{shop}/kinds/{digest}", operation_id = "retireKind", tag = "kinds",
    params(("shop" = Uuid, Path, description = "The shop"), ("digest" = String, Path, description = "SHA-256, 64 hexadecimal digits")),
    responses((status = 204, description = "Retired"),
        (status = "default", description = "A problem", body = crate::problem::Problem, content_type = "application/problem+json")),
    security(("cookie" = []), ("bearer" = [])))]
pub async fn retire(
    app: web::Data<App>,
    caller: Caller,
    path: web::Path<(Uuid, String)>,
    req: HttpRequest,
) -> Result<HttpResponse, Problem> {
    let (shop, hex) = path.into_inner();
    caller.in_shop(shop)?;
    caller.may(Role::Owner)?;
    let digest = Digest::from_hex(&hex).map_err(|_| none())?;
    let all = app.ledger.kinds_of(shop).await.map_err(no::fault)?;
    let offered: Vec<_> = all.iter().filter(|k| k.retired.is_none()).collect();
    let kind = offered.iter().find(|k| k.kind.digest == digest).ok_or_else(none)?;
    if offered.len() == 1 {
        return Err(Problem::refused("This is the last kind: without one no machine can be taken in."));
    }
    let author = Some((caller.staff, caller.device));
    let done = app.ledger.retire_kind(shop, &kind.kind.kind.id, author).await;
    done.map_err(|n| no::problem(n, super::words_of(&req)))?;
    Ok(HttpResponse::NoContent().finish())
}
