//! Files: the bytes of photos, sheets and signatures come in by digest; originals and renditions go out.

use std::time::Duration;

use actix_web::http::header;
use actix_web::{HttpRequest, HttpResponse, ResponseError, web};
use evidence::digest::Digest;
use serde::Serialize;
use serde_json::{Map, Value, json};
use sqlx::Row;
use tracing::Instrument;
use utoipa::ToSchema;
use uuid::Uuid;

use super::incoming::{self, Announced, blocking};
use super::no;
use super::range::{self, Wanted};
use crate::access::{Caller, Role};
use crate::app::App;
use crate::erasing;
use crate::intake::decide::Refusal;
use crate::intake::strokes;
use crate::judging::{self, Held};
use crate::ledger::{No, ServerEntry, load};
use crate::originals::{self, KeepError, Shelf};
use crate::photo;
use crate::problem::Problem;
use crate::traces::step;

/// How long an answer waits for the judgement: the machine is still on the counter.
const RIDE: Duration = Duration::from_secs(2);

/// The bytes are held.
#[derive(Debug, Serialize, ToSchema)]
pub struct HeldFile {
    /// The digest of what arrived, as we computed it.
    pub(super) digest: String,
    /// Number of bytes.
    pub(super) size: u64,
    /// Log index of the entry that says so.
    pub(super) index: u64,
    /// The judgement, when it was ready within two seconds.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<Object>)]
    pub(super) judged: Option<Value>,
}

/// One entry that named a file.
#[derive(Clone, Debug)]
pub(super) struct Named {
    intake: Uuid,
    /// `photo`, `sheet` or `strokes`.
    pub(super) of: String,
    photo: String,
    /// Number of bytes; the most there may be of a sheet or strokes.
    pub(super) size: u64,
    /// Type by magic bytes, once they are held.
    media_type: String,
    /// Log index of the entry that says that the bytes are held.
    pub(super) held: Option<u64>,
    /// Whether an entry erased it.
    pub(super) erased: bool,
}

/// Sends the bytes an entry named. Repeatable; the whole body is always hashed.
#[utoipa::path(put, path = "/v1/shops/{shop}/files/{digest}", operation_id = "putFile", tag = "files",
    params(("shop" = Uuid, Path, description = "The shop"), ("digest" = String, Path, description = "SHA-256 of the bytes, 64 hexadecimal digits"),
        ("Content-Digest" = String, Header, description = "`sha-256=:<base64>:` (RFC 9530)")),
    request_body(content = Vec<u8>, content_type = "application/octet-stream"),
    responses((status = 200, description = "Held and durable; the digest is ours", body = HeldFile),
        (status = "default", description = "A problem", body = crate::problem::Problem, content_type = "application/problem+json")),
    security(("cookie" = []), ("bearer" = [])))]
pub async fn put(
    app: web::Data<App>,
    caller: Caller,
    path: web::Path<(Uuid, String)>,
    req: HttpRequest,
    body: web::Payload,
) -> Result<HttpResponse, Problem> {
    let (shop, hex) = path.into_inner();
    let words = super::words_of(&req);
    caller.in_shop(shop)?;
    caller.may_either(&[Role::Counter, Role::Bench])?;
    app.see_checkpoint(shop, &req).await?;
    let digest = Digest::from_hex(&hex)
        .map_err(|_| Problem::not_found("A file is named by 64 lower-case hexadecimal digits."))?;
    if incoming::content_digest(&req)? != digest {
        return Err(Problem::not_valid("Content-Digest", words.plain("refused.content-digest-other")));
    }
    let named = named(&app, shop, &digest).await?;
    let Some(first) = named.first().cloned() else { return Err(Problem::not_named(words.plain("refused.not-named"))) };
    if erasing::erased(&app, shop, &digest).await.map_err(no::fault)? {
        return Err(Problem::erased(words.plain("refused.erased")));
    }
    let exact = first.of == "photo";
    if let Some(length) = incoming::content_length(&req)
        && ((exact && length != first.size) || length > first.size)
    {
        let words = words.plain("refused.wrong-length");
        return Err(if length > crate::intake::body::MAX_FILM {
            Problem::too_large(words)
        } else {
            Problem::wrong_bytes(words)
        });
    }
    let Ok(_permit) = app.uploads.clone().try_acquire_owned() else {
        return Err(Problem::busy(words.plain("refused.uploads-busy")));
    };

    let announced = Announced { shop, digest, size: first.size, exact };
    let size = incoming::receive(&app, announced, body).await.map_err(|p| p.told_in(words))?;
    let (index, judged) = if exact {
        photo(&app, shop, digest, size, &named, ride(&req), words).await?
    } else {
        side_file(&app, shop, digest, size, words).await?
    };
    Ok(HttpResponse::Ok().json(HeldFile { digest: digest.to_string(), size, index, judged }))
}

/// A photo whose bytes stand under their digest: entered as received, judged.
pub(super) async fn held(
    app: &App,
    shop: Uuid,
    digest: Digest,
    size: u64,
    req: &HttpRequest,
) -> Result<HeldFile, Problem> {
    let named = named(app, shop, &digest).await?;
    let (index, judged) = photo(app, shop, digest, size, &named, ride(req), super::words_of(req)).await?;
    Ok(HeldFile { digest: digest.to_string(), size, index, judged })
}

/// A photo: told by its bytes, entered as received, then judged; the judgement rides along if it is quick.
async fn photo(
    app: &App,
    shop: Uuid,
    file: Digest,
    size: u64,
    named: &[Named],
    ride: Duration,
    words: &crate::words::Catalogue,
) -> Result<(u64, Option<Value>), Problem> {
    // From here until they are said to be held nobody takes the bytes away.
    let kept = app.discarding.read().await;
    let weighed = judging::weigh(app, shop, file, size, film(app, shop, &file).await?).await.map_err(|e| {
        // Or they are gone already: somebody sent the same at the same time, and they were refused.
        if originals::is_away(&e) {
            Problem::away(e).told_in(words)
        } else {
            Problem::busy(words.plain("refused.busy")).because(e)
        }
    })?;
    let media_type = match weighed.admitted {
        Ok(kind) => kind.media_type(),
        Err(why) => {
            drop(kept);
            let _alone = app.discarding.write().await;
            discard(app, shop, file).await?;
            return Err(Problem::refused_type(words.plain(match why {
                photo::Refused::Type => "refused.photo-type",
                photo::Refused::Long => "refused.film-long",
                photo::Refused::Bomb => "refused.photo-bomb",
            })));
        }
    };
    let mut index = 0;
    let mut tasks = Vec::new();
    for n in named.iter().filter(|n| n.of == "photo" && !n.erased) {
        let photo: Uuid = n.photo.parse().map_err(no::fault)?;
        if let Some(held) = n.held {
            index = held;
            continue;
        }
        let body = json!({"photo": photo, "file": file.to_string(), "size": size, "media_type": media_type});
        let Some(said) = say(app, shop, n.intake, "photo-received", body, words).await? else {
            index = held_now(app, shop, &file, n).await?;
            continue;
        };
        index = said;
        let held = Held { shop, intake: n.intake, photo, file };
        let task = judging::judge(app.clone(), held, weighed).instrument(step!("judging"));
        tasks.push((photo, app.background.spawn_on(task, &app.runtime)));
    }
    drop(kept);
    let mut judged = None;
    for (photo, task) in tasks {
        judged = match tokio::time::timeout(ride, task).await {
            Ok(Ok(Ok(body))) => Some(Value::Object(body)),
            Ok(Ok(Err(e))) => {
                tracing::error!(%photo, error = %e, "a photo could not be judged");
                None
            }
            Ok(Err(e)) => {
                tracing::error!(%photo, error = %e, "judging a photo broke off");
                None
            }
            Err(_) => None,
        };
    }
    Ok((index, judged))
}

/// How long this caller wants to wait for the judgement: not at all with `Prefer: respond-async` (RFC 7240).
fn ride(req: &HttpRequest) -> Duration {
    let prefers = |h: &header::HeaderValue| {
        h.to_str().is_ok_and(|v| v.split(',').any(|p| p.trim().eq_ignore_ascii_case("respond-async")))
    };
    if req.headers().get_all("Prefer").any(prefers) { Duration::ZERO } else { RIDE }
}

/// A sheet or a signature's strokes.
async fn side_file(
    app: &App,
    shop: Uuid,
    file: Digest,
    size: u64,
    words: &crate::words::Catalogue,
) -> Result<(u64, Option<Value>), Problem> {
    // One by one: what is found here holds until it is said, or the bytes are gone.
    let _alone = app.discarding.write().await;
    let named = named(app, shop, &file).await?;
    let originals = app.ledger.originals().clone();
    let bytes = blocking(move || originals.read(shop, Shelf::Originals, &file).map_err(KeepError::from)).await?;
    // Whoever named them: before the first of them is told that they are held.
    let good = |n: &Named| match n.of.as_str() {
        "sheet" => evidence::sheet::Sheet::parse(&bytes).is_ok(),
        _ => strokes::parse(&bytes).is_ok(),
    };
    if !named.iter().all(good) {
        discard(app, shop, file).await?;
        return Err(Problem::refused_type(words.plain("refused.side-file")));
    }
    let mut index = 0;
    for n in &named {
        if let Some(held) = n.held {
            index = held;
            continue;
        }
        let body = json!({"file": file.to_string(), "size": size, "of": n.of});
        index = match say(app, shop, n.intake, "file-received", body, words).await? {
            Some(said) => said,
            None => held_now(app, shop, &file, n).await?,
        };
    }
    Ok((index, None))
}

/// Bytes that are refused are taken away again, unless an entry says by now that they are held. The caller is alone.
async fn discard(app: &App, shop: Uuid, file: Digest) -> Result<(), Problem> {
    let _held = app.ledger.hold(shop).await.map_err(no::fault)?;
    if named(app, shop, &file).await?.iter().all(|n| n.held.is_none())
        && let Err(e) = app.ledger.originals().discard(shop, &file)
        && e.kind() != std::io::ErrorKind::NotFound
    {
        tracing::warn!(%file, error = %e, "refused bytes could not be taken away");
    }
    Ok(())
}

/// Says it. None: it was said before, by an upload of the same bytes at the same time.
async fn say(
    app: &App,
    shop: Uuid,
    intake: Uuid,
    kind: &'static str,
    body: Value,
    words: &crate::words::Catalogue,
) -> Result<Option<u64>, Problem> {
    let entry = ServerEntry {
        kind: kind.to_owned(),
        intake: Some(intake),
        body: crate::ledger::start::map(body),
        personal: Vec::new(),
        author: None,
    };
    match app.ledger.say(shop, entry).await {
        Ok(answer) => Ok(Some(answer.index)),
        Err(No::Refused(Refusal::SaidBefore)) => Ok(None),
        Err(no) => Err(no::problem(no, words)),
    }
}

/// The entry that says by now that the bytes are held.
async fn held_now(app: &App, shop: Uuid, file: &Digest, like: &Named) -> Result<u64, Problem> {
    let all = named(app, shop, file).await?;
    let same = all.iter().find(|n| (n.intake, &n.photo) == (like.intake, &like.photo));
    same.and_then(|n| n.held).ok_or_else(|| no::fault("bytes are said to be held, and no entry says so"))
}

pub(super) async fn named(app: &App, shop: Uuid, file: &Digest) -> Result<Vec<Named>, Problem> {
    let rows = sqlx::query(
        "SELECT intake, of, photo, size, media_type, held_idx, erased_idx FROM named_file WHERE shop = $1 AND file = $2 ORDER BY named_idx",
    )
    .bind(shop.to_string())
    .bind(file.0.to_vec())
    .fetch_all(app.ledger.pool())
    .await
    .map_err(no::fault)?;
    rows.iter()
        .map(|r| {
            Ok(Named {
                intake: r.try_get::<String, _>("intake").map_err(no::fault)?.parse().map_err(no::fault)?,
                of: r.try_get("of").map_err(no::fault)?,
                photo: r.try_get("photo").map_err(no::fault)?,
                size: load::number(r, "size").map_err(no::fault)?,
                media_type: r.try_get("media_type").map_err(no::fault)?,
                held: r.try_get::<Option<i64>, _>("held_idx").map_err(no::fault)?.and_then(|i| u64::try_from(i).ok()),
                erased: r.try_get::<Option<i64>, _>("erased_idx").map_err(no::fault)?.is_some(),
            })
        })
        .collect()
}

/// Whether one of the entries that name a file says it is a film.
async fn film(app: &App, shop: Uuid, file: &Digest) -> Result<bool, Problem> {
    let entries: Vec<Vec<u8>> = sqlx::query_scalar(
        "SELECT e.bytes FROM named_file f JOIN entry e ON e.shop = f.shop AND e.idx = f.named_idx WHERE f.shop = $1 AND f.file = $2 AND f.of = 'photo' LIMIT 64",
    )
    .bind(shop.to_string())
    .bind(file.0.to_vec())
    .fetch_all(app.ledger.pool())
    .await
    .map_err(no::fault)?;
    let says = |b: &Vec<u8>| {
        Ok(evidence::entry::Entry::parse(b).map_err(no::fault)?.said.body.get("film") == Some(&Value::Bool(true)))
    };
    Ok(entries.iter().map(says).collect::<Result<Vec<bool>, Problem>>()?.contains(&true))
}

/// An original, as an attachment, byte for byte; a range of it with `Range`.
#[utoipa::path(get, path = "/v1/shops/{shop}/files/{digest}", operation_id = "getFile", tag = "files",
    params(("shop" = Uuid, Path, description = "The shop"), ("digest" = String, Path, description = "SHA-256, 64 hexadecimal digits"),
        ("Range" = Option<String>, Header, description = "One range of bytes, `bytes=0-499` (RFC 9110 14)")),
    responses((status = 200, description = "The bytes as they were sent", body = Vec<u8>, content_type = "application/octet-stream"),
        (status = 206, description = "The bytes of the range", body = Vec<u8>, content_type = "application/octet-stream"),
        (status = "default", description = "A problem", body = crate::problem::Problem, content_type = "application/problem+json")),
    security(("cookie" = []), ("bearer" = [])))]
pub async fn get(
    app: web::Data<App>,
    caller: Caller,
    path: web::Path<(Uuid, String)>,
    req: HttpRequest,
) -> Result<HttpResponse, Problem> {
    let (shop, hex) = path.into_inner();
    caller.in_shop(shop)?;
    let none = || Problem::not_found("There is no such file.");
    let digest = Digest::from_hex(&hex).map_err(|_| none())?;
    if erasing::erased(&app, shop, &digest).await.map_err(no::fault)? {
        return Err(Problem::erased(super::words_of(&req).plain("refused.erased")));
    }
    let named = named(&app, shop, &digest).await?;
    let Some(media_type) = named.into_iter().find(|n| n.held.is_some()).map(|n| n.media_type) else {
        return Err(none());
    };
    let source = match app.ledger.originals().source(shop, Shelf::Originals, &digest).await {
        Ok(source) => source,
        // Held once, erased, and named anew: not sent again yet.
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Err(none().because(e)),
        Err(e) => return Err(Problem::of_file(e).told_in(super::words_of(&req))),
    };
    let size = source.size();
    let etag = format!("\"{hex}\"");
    // A range of another version is answered by the whole (RFC 9110 13.1.5); bytes under a digest have one version.
    let same = req.headers().get(header::IF_RANGE).is_none_or(|v| v.as_bytes() == etag.as_bytes());
    let asked = req.headers().get(header::RANGE).filter(|_| same).and_then(|h| h.to_str().ok());
    let (mut answer, from, len) = match range::wanted(asked, size) {
        Wanted::Whole => (HttpResponse::Ok(), 0, size),
        Wanted::Part(first, last) => {
            let mut answer = HttpResponse::PartialContent();
            answer.insert_header((header::CONTENT_RANGE, format!("bytes {first}-{last}/{size}")));
            (answer, first, last - first + 1)
        }
        Wanted::Nothing => {
            let mut no = Problem::no_such_range("The file has no such bytes.").error_response();
            if let Ok(all) = header::HeaderValue::from_str(&format!("bytes */{size}")) {
                no.headers_mut().insert(header::CONTENT_RANGE, all);
            }
            return Ok(no);
        }
    };
    let part = source.part(from, len).await.map_err(no::fault)?;
    Ok(answer
        // Films are played in place; nothing else is ever shown as what its bytes claim to be.
        .content_type(if media_type.starts_with("video/") { media_type } else { "application/octet-stream".into() })
        .insert_header((header::CONTENT_DISPOSITION, format!("attachment; filename=\"{hex}\"")))
        .insert_header((header::CACHE_CONTROL, "private, max-age=31536000, immutable"))
        // A range is of the bytes as they are.
        .insert_header(header::ContentEncoding::Identity)
        .insert_header((header::ACCEPT_RANGES, "bytes"))
        .insert_header((header::ETAG, etag))
        .no_chunking(len)
        .streaming(part))
}

/// A rendition of a photo: upright, smaller, without metadata.
#[utoipa::path(get, path = "/v1/shops/{shop}/photos/{photo}/{purpose}", operation_id = "getRendition", tag = "files",
    params(("shop" = Uuid, Path, description = "The shop"), ("photo" = Uuid, Path, description = "The photo"), ("purpose" = String, Path, description = "`small` or `large`")),
    responses((status = 200, description = "A JPEG", body = Vec<u8>, content_type = "image/jpeg"),
        (status = "default", description = "A problem", body = crate::problem::Problem, content_type = "application/problem+json")),
    security(("cookie" = []), ("bearer" = [])))]
pub async fn rendition(
    app: web::Data<App>,
    caller: Caller,
    path: web::Path<(Uuid, Uuid, String)>,
    req: HttpRequest,
) -> Result<HttpResponse, Problem> {
    let (shop, photo, purpose) = path.into_inner();
    caller.in_shop(shop)?;
    if erased_photo(&app, shop, photo).await.map_err(no::fault)? {
        return Err(Problem::erased(super::words_of(&req).plain("refused.erased")));
    }
    let bytes = rendition_bytes(&app, shop, photo, &purpose).await?;
    Ok(HttpResponse::Ok()
        .content_type("image/jpeg")
        .insert_header((header::CACHE_CONTROL, "private, max-age=31536000, immutable"))
        .body(bytes))
}

/// Whether a photo was erased, wherever it stood.
pub(super) async fn erased_photo(app: &App, shop: Uuid, photo: Uuid) -> Result<bool, sqlx::Error> {
    let erased: i64 =
        sqlx::query_scalar("SELECT count(*) FROM named_file WHERE shop = $1 AND photo = $2 AND erased_idx IS NOT NULL")
            .bind(shop.to_string())
            .bind(photo.to_string())
            .fetch_one(app.ledger.pool())
            .await?;
    Ok(erased > 0)
}

/// The bytes of a rendition, as the judgement names it.
pub async fn rendition_bytes(app: &App, shop: Uuid, photo: Uuid, purpose: &str) -> Result<Vec<u8>, Problem> {
    let none = || Problem::not_found("There is no such picture.");
    let bytes: Option<Vec<u8>> = sqlx::query_scalar(
        "SELECT e.bytes FROM named_file f JOIN entry e ON e.shop = f.shop AND e.idx = f.judged_idx WHERE f.shop = $1 AND f.photo = $2",
    )
    .bind(shop.to_string())
    .bind(photo.to_string())
    .fetch_optional(app.ledger.pool())
    .await
    .map_err(no::fault)?;
    let entry = evidence::entry::Entry::parse(&bytes.ok_or_else(none)?).map_err(no::fault)?;
    let file = rendition_file(&entry.said.body, purpose).ok_or_else(none)?;
    let originals = app.ledger.originals().clone();
    match tokio::task::spawn_blocking(move || originals.read(shop, Shelf::Renditions, &file))
        .await
        .map_err(no::fault)?
    {
        Ok(bytes) => Ok(bytes),
        Err(e) if originals::is_away(&e) => Err(Problem::of_file(e)),
        Err(e) => Err(none().because(e)),
    }
}

fn rendition_file(body: &Map<String, Value>, purpose: &str) -> Option<Digest> {
    let list = body.get("renditions")?.as_array()?;
    list.iter().find(|r| r.get("purpose").and_then(Value::as_str) == Some(purpose))?.get("file")?.as_str()?.parse().ok()
}
