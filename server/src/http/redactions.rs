//! Boxes over a photo: a copy is made in which they are filled, and an entry binds it to the original, which stays.

use actix_web::http::header;
use actix_web::{HttpRequest, HttpResponse, web};
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::ToSchema;
use uuid::Uuid;

use super::no;
use crate::access::{Caller, Role};
use crate::app::App;
use crate::intake::redaction::{self, Area, Covered, PhotoRedacted};
use crate::intake::state::{Intake, Whose};
use crate::judging;
use crate::ledger::{No, ServerEntry, load, start};
use crate::originals::{self, Shelf};
use crate::photo::{self, cover};
use crate::problem::Problem;

/// Boxes, in ten thousandths of the upright picture.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Boxes {
    /// The boxes; none takes a redaction back.
    #[schema(max_items = 40)]
    boxes: Vec<OneBox>,
}

/// One box, in ten thousandths of the upright picture; it lies inside it.
#[derive(Clone, Copy, Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct OneBox {
    /// From the left.
    #[schema(maximum = 9950)]
    x: u32,
    /// From the top.
    #[schema(maximum = 9950)]
    y: u32,
    /// Width.
    #[schema(minimum = 50, maximum = 10_000)]
    w: u32,
    /// Height.
    #[schema(minimum = 50, maximum = 10_000)]
    h: u32,
}

impl From<OneBox> for Area {
    fn from(OneBox { x, y, w, h }: OneBox) -> Area {
        Area { x, y, w, h }
    }
}

/// A redaction as it was kept.
#[derive(Debug, Serialize, ToSchema)]
pub struct Redacted {
    /// The photo.
    photo: Uuid,
    /// Log index of the entry that binds the copies to the original.
    index: u64,
    /// The copies: purpose, digest, bytes, pixels.
    #[schema(value_type = Vec<Object>)]
    renditions: Vec<Covered>,
}

/// Puts boxes over a photo, in the place of those before. The original stays; archives without the customer carry the copy.
#[utoipa::path(put, path = "/v1/shops/{shop}/photos/{photo}/redaction", operation_id = "redactPhoto", tag = "files",
    params(("shop" = Uuid, Path, description = "The shop"), ("photo" = Uuid, Path, description = "The photo")), request_body = Boxes,
    responses((status = 200, description = "Kept and durable", body = Redacted),
        (status = "default", description = "A problem", body = crate::problem::Problem, content_type = "application/problem+json")),
    security(("cookie" = []), ("bearer" = [])))]
pub async fn put(
    app: web::Data<App>,
    caller: Caller,
    path: web::Path<(Uuid, Uuid)>,
    wanted: web::Json<Boxes>,
    req: HttpRequest,
) -> Result<HttpResponse, Problem> {
    let (shop, id) = path.into_inner();
    let words = super::words_of(&req);
    caller.in_shop(shop)?;
    caller.may_either(&[Role::Counter, Role::Bench])?;
    app.see_checkpoint(shop, &req).await?;
    let boxes: Vec<Area> = wanted.into_inner().boxes.into_iter().map(Area::from).collect();
    redaction::boxes(&boxes).map_err(|e| Problem::not_valid(e.pointer, e.sentence))?;
    let intake = holding(&app, shop, id, &req).await?;
    let photo = intake.photo(id).ok_or_else(|| Problem::not_found("There is no such photo."))?;
    let (file, film) = (photo.taken.file, photo.taken.film || photo.received.is_none());
    if film {
        return Err(Problem::refused(words.plain("refused.no-picture")));
    }
    let mut renditions = Vec::new();
    if !boxes.is_empty() {
        let weighed = judging::weigh(&app, shop, file, photo.taken.size, false).await.map_err(Problem::of_file)?;
        let permit = judging::memory(&app, weighed.needed).await;
        let (ledger, drawn) = (app.ledger.clone(), boxes.clone());
        let work = move || {
            let _until_done = permit;
            let bytes = ledger.originals().read(shop, Shelf::Originals, &file).map_err(|e| e.to_string())?;
            let Ok(upright) = photo::upright(&bytes) else { return Ok(None) };
            let Some(copies) = cover::copies(upright, &drawn) else { return Ok(None) };
            let keep = |r: photo::rendition::Rendition| {
                let kept = ledger.originals().keep(shop, Shelf::Renditions, &r.bytes, ledger.nonce());
                let file = kept.map_err(|e| e.to_string())?;
                let (purpose, size) = (r.purpose.word().to_owned(), r.bytes.len() as u64);
                Ok::<_, String>(Covered { purpose, file, size, width: r.width, height: r.height })
            };
            copies.into_iter().map(keep).collect::<Result<Vec<_>, _>>().map(Some)
        };
        let made = tokio::task::spawn_blocking(work).await.map_err(no::fault)?.map_err(no::fault)?;
        renditions = made.ok_or_else(|| Problem::refused(words.plain("refused.no-picture")))?;
    }
    let body = PhotoRedacted { photo: id, file, boxes, renditions: renditions.clone(), by: caller.staff };
    let body = start::map(json!(body));
    let entry = ServerEntry {
        kind: "photo-redacted".into(),
        intake: Some(intake.whose.intake),
        body: body.clone(),
        personal: Vec::new(),
        author: None,
    };
    let said = app.ledger.say(shop, entry).await;
    if matches!(said, Err(No::Refused(_))) {
        // Erased while the boxes were drawn: the copies show the rest of it, and go again.
        judging::unmake(&app, shop, &body).await;
    }
    let answer = said.map_err(|n| no::problem(n, words))?;
    Ok(HttpResponse::Ok().json(Redacted { photo: id, index: answer.index, renditions }))
}

/// The copy of a photo with its boxes filled, as archives without the customer carry it.
#[utoipa::path(get, path = "/v1/shops/{shop}/photos/{photo}/redaction", operation_id = "getRedaction", tag = "files",
    params(("shop" = Uuid, Path, description = "The shop"), ("photo" = Uuid, Path, description = "The photo")),
    responses((status = 200, description = "A JPEG", body = Vec<u8>, content_type = "image/jpeg"),
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
    let none = || Problem::not_found("This photo has no boxes.");
    let intake = holding(&app, shop, id, &req).await?;
    let photo = intake.photo(id).ok_or_else(none)?;
    let redacted = redaction::of(&intake, photo).ok_or_else(none)?;
    let file = redacted.renditions.iter().find(|r| r.purpose == "large").ok_or_else(none)?.file;
    let originals = app.ledger.originals().clone();
    let bytes = tokio::task::spawn_blocking(move || originals.read(shop, Shelf::Renditions, &file)).await;
    let bytes = bytes.map_err(no::fault)?;
    let bytes = bytes.map_err(|e| if originals::is_away(&e) { Problem::of_file(e) } else { none().because(e) })?;
    Ok(HttpResponse::Ok().content_type("image/jpeg").insert_header((header::CACHE_CONTROL, "no-store")).body(bytes))
}

/// The intake where a photo stands now.
async fn holding(app: &App, shop: Uuid, photo: Uuid, req: &HttpRequest) -> Result<Intake, Problem> {
    if super::files::erased_photo(app, shop, photo).await.map_err(no::fault)? {
        return Err(Problem::erased(super::words_of(req).plain("refused.erased")));
    }
    let mut db = app.ledger.pool().acquire().await.map_err(no::fault)?;
    let intake: Option<String> = sqlx::query_scalar(
        "SELECT intake FROM named_file WHERE shop = $1 AND photo = $2 AND of = 'photo' AND moved_idx IS NULL ORDER BY named_idx DESC LIMIT 1",
    )
    .bind(shop.to_string())
    .bind(photo.to_string())
    .fetch_optional(&mut *db)
    .await
    .map_err(no::fault)?;
    let intake = intake.ok_or_else(|| Problem::not_found("There is no such photo."))?.parse().map_err(no::fault)?;
    load::intake(&mut db, Whose { shop, intake }).await.map_err(no::fault)
}
