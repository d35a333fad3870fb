//! Originals that go in parts: a large file over a bad line, resumed after a stop on either side.
//!
//! Each part is synced before it is answered. The parts are a device's own, bounded, and go when nobody finishes them.

use actix_web::{HttpRequest, HttpResponse, web};
use evidence::digest::Digest;
use futures_util::StreamExt;
use serde::Serialize;
use utoipa::ToSchema;
use uuid::Uuid;

use super::files::{self, HeldFile, Named};
use super::incoming::{self, blocking};
use super::no;
use crate::access::{Caller, Role};
use crate::app::App;
use crate::erasing;
use crate::intake::body::MAX_FILM;
use crate::originals::KeepError;
use crate::originals::parts::PartsOf;
use crate::problem::Problem;
use crate::upkeep::holds;

/// A file up to so many bytes goes whole.
pub const WHOLE: u64 = 8 * 1024 * 1024;
/// Longest part, bytes.
pub const LONGEST: u64 = 4 * 1024 * 1024;
/// Shortest part but the last, bytes: a file is not to become ten thousand.
pub const SHORTEST: u64 = 256 * 1024;
/// Files a device may have here unfinished.
const FILES: usize = 8;
/// And their bytes: a film of the greatest size, and some photos.
const BYTES: u64 = MAX_FILM + 64 * 1024 * 1024;

/// How far the parts of a file reach.
#[derive(Debug, Serialize, ToSchema)]
pub struct Parts {
    /// The file.
    digest: String,
    /// Number of bytes of the whole.
    size: u64,
    /// Where the next part begins. At `size`, an empty part finishes what is not held yet.
    offset: u64,
    /// Log index of the entry that says that the whole is held: nothing more is to be sent.
    #[serde(skip_serializing_if = "Option::is_none")]
    held: Option<u64>,
    /// Shortest part but the last, bytes.
    shortest: u64,
    /// Longest part, bytes.
    longest: u64,
    /// How long parts are kept to which nothing is added, seconds.
    kept_s: u64,
}

/// The file, as entries name it, and where this device's parts of it are kept.
struct Place {
    of: PartsOf,
    size: u64,
    held: Option<u64>,
}

async fn place(app: &App, caller: &Caller, shop: Uuid, hex: &str, req: &HttpRequest) -> Result<Place, Problem> {
    let words = super::words_of(req);
    caller.in_shop(shop)?;
    caller.may_either(&[Role::Counter, Role::Bench])?;
    app.see_checkpoint(shop, req).await?;
    let file = Digest::from_hex(hex)
        .map_err(|_| Problem::not_found("A file is named by 64 lower-case hexadecimal digits."))?;
    let named = files::named(app, shop, &file).await?;
    let photo = named.iter().find(|n| n.of == "photo");
    let Some(first) = photo else { return Err(Problem::not_named(words.plain("refused.not-named"))) };
    if erasing::erased(app, shop, &file).await.map_err(no::fault)? {
        return Err(Problem::erased(words.plain("refused.erased")));
    }
    Ok(Place { of: PartsOf { shop, device: caller.device, file }, size: first.size, held: held_for_all(&named) })
}

/// Held for every intake that names it; one that came later is told of when the whole is finished again.
fn held_for_all(named: &[Named]) -> Option<u64> {
    named.iter().filter(|n| n.of == "photo" && !n.erased).map(|n| n.held).min().flatten()
}

async fn reach(app: &App, place: &Place) -> Result<u64, Problem> {
    let (originals, of) = (app.ledger.originals().clone(), place.of);
    blocking(move || originals.parts_reach(&of).map_err(KeepError::from)).await
}

fn answer(app: &App, place: &Place, offset: u64) -> Parts {
    Parts {
        digest: place.of.file.to_string(),
        size: place.size,
        offset,
        held: place.held,
        shortest: SHORTEST,
        longest: LONGEST,
        kept_s: app.settled.parts_kept.as_secs(),
    }
}

/// How far the parts of a file reach that this device sent: where to go on after a stop on either side.
#[utoipa::path(get, path = "/v1/shops/{shop}/files/{digest}/parts", operation_id = "getParts", tag = "files",
    params(("shop" = Uuid, Path, description = "The shop"), ("digest" = String, Path, description = "SHA-256 of the whole, 64 hexadecimal digits")),
    responses((status = 200, description = "How far they reach", body = Parts),
        (status = "default", description = "A problem", body = crate::problem::Problem, content_type = "application/problem+json")),
    security(("cookie" = []), ("bearer" = [])))]
pub async fn get(
    app: web::Data<App>,
    caller: Caller,
    path: web::Path<(Uuid, String)>,
    req: HttpRequest,
) -> Result<HttpResponse, Problem> {
    let (shop, hex) = path.into_inner();
    let place = place(&app, &caller, shop, &hex, &req).await?;
    let offset = if place.held.is_some() { place.size } else { reach(&app, &place).await? };
    Ok(HttpResponse::Ok().json(answer(&app, &place, offset)))
}

/// Sends one part of a photo or film of more than 8 MB that an entry named, one after the other: 256 KB to 4 MB, the last as it
/// comes, and none at the end finishes what is complete. The part that completes the
/// file is answered as the whole would be: with the digest of all bytes, as the server computed it.
#[utoipa::path(put, path = "/v1/shops/{shop}/files/{digest}/parts/{offset}", operation_id = "putPart", tag = "files",
    params(("shop" = Uuid, Path, description = "The shop"), ("digest" = String, Path, description = "SHA-256 of the whole, 64 hexadecimal digits"),
        ("offset" = u64, Path, description = "Where the part begins, bytes"),
        ("Content-Digest" = String, Header, description = "`sha-256=:<base64>:` of the part (RFC 9530)")),
    request_body(content = Vec<u8>, content_type = "application/octet-stream"),
    responses((status = 200, description = "The whole is held and durable; the digest is ours", body = HeldFile),
        (status = 202, description = "The part is durable; send the next one", body = Parts),
        (status = "default", description = "A problem", body = crate::problem::Problem, content_type = "application/problem+json")),
    security(("cookie" = []), ("bearer" = [])))]
pub async fn put(
    app: web::Data<App>,
    caller: Caller,
    path: web::Path<(Uuid, String, String)>,
    req: HttpRequest,
    mut body: web::Payload,
) -> Result<HttpResponse, Problem> {
    let (shop, hex, offset) = path.into_inner();
    let words = super::words_of(&req);
    let place = place(&app, &caller, shop, &hex, &req).await?;
    let of = place.of;
    let offset: u64 = offset.parse().map_err(|_| Problem::not_found("A part is named by where it begins."))?;
    let digest = incoming::content_digest(&req)?;
    if place.size <= WHOLE {
        return Err(Problem::not_valid("digest", words.plain("refused.part-small")));
    }
    let Some(len) = incoming::content_length(&req) else {
        return Err(Problem::not_valid("Content-Length", words.plain("refused.part-length")));
    };
    let end = offset.checked_add(len).filter(|end| *end <= place.size);
    let good = len <= LONGEST && (len >= SHORTEST || end == Some(place.size));
    if !good || end.is_none() {
        return Err(Problem::not_valid("Content-Length", words.plain("refused.part-length")));
    }
    if let Some(index) = place.held {
        // Its answer was lost: read to the end, so that the phone hears this one.
        while body.next().await.is_some_and(|piece| piece.is_ok()) {}
        let held = HeldFile { digest: of.file.to_string(), size: place.size, index, judged: None };
        return Ok(HttpResponse::Ok().json(held));
    }
    let Ok(_permit) = app.uploads.clone().try_acquire_owned() else {
        return Err(Problem::busy(words.plain("refused.uploads-busy")));
    };
    let at = reach(&app, &place).await?;
    let originals = app.ledger.originals().clone();
    // What was acknowledged may come again; anything else begins where the parts end.
    if offset != at && !originals.has_part(&of, offset, len) {
        return Err(Problem::parts_elsewhere(words.plain("refused.part-elsewhere")).with("offset", at.into()));
    }
    if len > 0 {
        room(&app, &place, at, len, words).await?;
        let nonce = app.ledger.nonce();
        let begun =
            blocking(move || originals.begin_part(&of, offset, len, digest, nonce).map_err(KeepError::from)).await?;
        incoming::take(&app, begun, body).await?;
    }
    let at = reach(&app, &place).await?;
    if at < place.size {
        return Ok(HttpResponse::Accepted().json(answer(&app, &place, at)));
    }
    finish(&app, &place, &req).await
}

/// The parts reach to the end: joined, hashed, and then an original as if it had come at once.
async fn finish(app: &App, place: &Place, req: &HttpRequest) -> Result<HttpResponse, Problem> {
    let (of, size) = (place.of, place.size);
    let drop_parts = || {
        let originals = app.ledger.originals().clone();
        blocking(move || originals.drop_parts(&of).map_err(KeepError::from))
    };
    let joining = app.joining.lock().await;
    let everywhere = app.alone_in(of.shop, "joining").await.map_err(no::fault)?;
    // The same last part twice at once: the other one finished it.
    if reach(app, place).await? < size {
        return match held_for_all(&files::named(app, of.shop, &of.file).await?) {
            Some(index) => {
                Ok(HttpResponse::Ok().json(HeldFile { digest: of.file.to_string(), size, index, judged: None }))
            }
            None => {
                Err(Problem::parts_elsewhere(super::words_of(req).plain("refused.part-elsewhere"))
                    .with("offset", 0.into()))
            }
        };
    }
    let (originals, nonce) = (app.ledger.originals().clone(), app.ledger.nonce());
    let joined =
        tokio::task::spawn_blocking(move || originals.join_parts(&of, size, nonce)).await.map_err(no::fault)?;
    if let Err(KeepError::WrongBytes) = joined {
        // Nothing right will come of them.
        drop_parts().await?;
    }
    blocking(move || joined).await.map_err(|p| p.told_in(super::words_of(req)))?;
    drop((joining, everywhere));
    let held = files::held(app, of.shop, of.file, size, req).await;
    // What is refused for what it is stays refused; what could not be written now is finished by an empty part.
    if held.as_ref().map_or_else(|e| e.slug == "refused-type", |_| true) {
        drop_parts().await?;
    }
    held.map(|held| HttpResponse::Ok().json(held))
}

/// Whether there is room for a part; what nobody finished makes some.
async fn room(app: &App, place: &Place, at: u64, len: u64, words: &crate::words::Catalogue) -> Result<(), Problem> {
    let (originals, of) = (app.ledger.originals().clone(), place.of);
    let kept = i64::try_from(app.settled.parts_kept.as_millis()).unwrap_or(i64::MAX);
    let before = app.ledger.clock().now().saturating_sub(kept);
    let keep = holds::files(app.ledger.pool(), of.shop).await.map_err(no::fault)?;
    let there = blocking(move || {
        if at == 0 {
            originals.expire_parts(of.shop, before, &keep)?;
        }
        originals.unfinished(of.shop, of.device).map_err(KeepError::from)
    })
    .await?;
    if there.bytes + len > BYTES || (at == 0 && there.files >= FILES) {
        return Err(Problem::busy(words.plain("refused.parts-quota")));
    }
    Ok(())
}
