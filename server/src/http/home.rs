//! Going home: what still speaks against it, and the second receipt.

use std::collections::BTreeMap;

use actix_web::{HttpRequest, HttpResponse, web};
use evidence::digest::Digest;
use serde::Serialize;
use serde_json::{Value, json};
use utoipa::ToSchema;
use uuid::Uuid;

use super::intakes::SheetFor;
use super::receipts::{self, PaperIn};
use super::{intakes, no, shop};
use crate::access::Caller;
use crate::app::App;
use crate::intake::check::Mode;
use crate::intake::hand_back;
use crate::intake::sheet::Shown;
use crate::intake::state::Standing;
use crate::intake::strokes;
use crate::ledger::load::{self, Range};
use crate::ledger::prove;
use crate::originals::{self, Shelf};
use crate::problem::Problem;
use crate::receipt::{Picture, erased, home};
use crate::words;

/// What still speaks against handing a machine back.
#[derive(Debug, Serialize, ToSchema)]
pub struct HandBackView {
    /// What is still asked for, each with its sentence.
    #[schema(value_type = Vec<Object>)]
    gaps: Vec<Value>,
    /// Views that were left open.
    #[schema(value_type = Vec<Object>)]
    left_open: Vec<Value>,
    /// The lines to settle: things left with it, old parts, suspect parts.
    lines: Vec<String>,
}

/// What still speaks against handing it back.
#[utoipa::path(get, path = "/v1/shops/{shop}/intakes/{intake}/hand-back", operation_id = "getHandBack", tag = "intakes",
    params(("shop" = Uuid, Path, description = "The shop"), ("intake" = Uuid, Path, description = "The intake")),
    responses((status = 200, description = "What is still open", body = HandBackView),
        (status = "default", description = "A problem", body = crate::problem::Problem, content_type = "application/problem+json")),
    security(("cookie" = []), ("bearer" = [])))]
pub async fn open(
    app: web::Data<App>,
    caller: Caller,
    path: web::Path<(Uuid, Uuid)>,
    req: HttpRequest,
) -> Result<HttpResponse, Problem> {
    let (shop_id, id) = path.into_inner();
    caller.in_shop(shop_id)?;
    let words = super::words_of(&req);
    let (intake, kind) = intakes::find(&app, shop_id, id).await?;
    let checked = hand_back::check(&kind.kind, &intake, Mode::Server);
    Ok(HttpResponse::Ok().json(HandBackView {
        gaps: checked.gaps.iter().map(|g| no::gap(g, words)).collect(),
        left_open: checked.left_open.iter().map(|l| json!(l)).collect(),
        lines: hand_back::lines(&kind.kind, &intake),
    }))
}

/// The hand-back sheet as it stands: canonical JSON. Its SHA-256 goes into the signature.
#[utoipa::path(get, path = "/v1/shops/{shop}/intakes/{intake}/hand-back-sheet", operation_id = "getHandBackSheet", tag = "intakes",
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
    let (shop_id, id) = path.into_inner();
    caller.in_shop(shop_id)?;
    let (words, reader) = wanted.shown()?;
    let (intake, kind) = intakes::find(&app, shop_id, id).await?;
    let shown = Shown { language: &words.language, words: words.digest, reader };
    let Some(sheet) = hand_back::sheet(&kind.kind, &intake, &shown) else {
        return Err(Problem::not_found("There is no such intake."));
    };
    let bytes = sheet.bytes().map_err(|e| Problem::not_valid("reader", e.to_string()))?;
    Ok(HttpResponse::Ok()
        .content_type("application/json")
        .insert_header(("Counterfoil-Digest", Digest::of(&bytes).to_string()))
        .body(bytes))
}

/// The receipt of the hand-back: one self-contained file.
#[utoipa::path(get, path = "/v1/shops/{shop}/intakes/{intake}/hand-back-receipt", operation_id = "getHandBackReceipt", tag = "intakes",
    params(("shop" = Uuid, Path, description = "The shop"), ("intake" = Uuid, Path, description = "The intake"), PaperIn),
    responses((status = 200, description = "The receipt", body = String, content_type = "text/html"),
        (status = "default", description = "A problem", body = crate::problem::Problem, content_type = "application/problem+json")),
    security(("cookie" = []), ("bearer" = [])))]
pub async fn receipt(
    app: web::Data<App>,
    caller: Caller,
    path: web::Path<(Uuid, Uuid)>,
    wanted: web::Query<PaperIn>,
) -> Result<HttpResponse, Problem> {
    let (shop_id, id) = path.into_inner();
    caller.in_shop(shop_id)?;
    let language = super::language_tag(wanted.language.as_deref())?.map(str::to_owned);
    let (intake, kind) = intakes::find(&app, shop_id, id).await?;
    let Some(end) = intake.home.handed_back.as_ref().and_then(|m| m.index) else {
        return Err(Problem::refused(words::language("en").plain("refused.not-handed-back")));
    };
    let mut tx = app.ledger.reading().await.map_err(no::fault)?;
    let range = Range { intake: Some(id), after: None, limit: u32::MAX };
    let entries = load::entries(&mut tx, shop_id, range).await.map_err(no::fault)?;
    let (entries, later): (Vec<_>, Vec<_>) = entries.into_iter().partition(|e| e.index <= end);
    let is_erasure = |e: &load::Stored| e.entry().is_ok_and(|e| e.said.kind == "customer-erased");
    let whole = load::fold(intake.whose, &entries).map_err(no::fault)?;
    let first = whole.taken_in.as_ref().and_then(|m| m.index).map(|i| i + 1);
    let epochs = prove::of_shop(&mut tx, shop_id).await.map_err(no::fault)?;
    let mut entries: Vec<_> = entries.into_iter().chain(later.into_iter().filter(is_erasure)).chain(epochs).collect();
    entries.sort_by_key(|e| e.index);
    // Of the size that covers what it carries: made again, it is the same.
    let size = entries.last().map_or(1, |e| e.index + 1);
    debug_assert_eq!(whole.state, Standing::HandedBack);
    let head = load::head(&mut *tx, shop_id).await.map_err(no::fault)?.ok_or_else(|| no::fault("no head"))?;
    let evidence = receipts::proven(&mut tx, shop_id, entries, size, home::discloses).await?;
    let checkpoint = app.ledger.signed_at(&mut tx, shop_id, &head, size).await.map_err(no::fault)?;
    let mut continues = Vec::new();
    // It goes on from the receipts that were given when the machine came, and when it left.
    for old in first.into_iter().chain([end + 1]).filter(|s| *s < size) {
        continues.push((old, prove::consistency(&mut tx, shop_id, old, size).await.map_err(no::fault)?));
    }
    let keys = app.ledger.verifiers(&mut tx, shop_id, &head).await.map_err(no::fault)?;
    tx.rollback().await.map_err(no::fault)?;

    let (shop_name, zone, _) = shop::facts(&app, shop_id).await?;
    let staff = shop::staff_names(&app, shop_id).await?;
    let origin = head.checkpoint(shop_id).origin;
    let signers = app.ledger.signers(&origin, &head).map_err(no::fault)?;
    let shown = whole.home.shown.as_ref().map(|s| s.what.clone());
    let language = language.or(shown.as_ref().map(|s| s.language.clone())).unwrap_or_else(|| words::FIRST.to_owned());
    let words = words::language(&language);
    let erased: Vec<String> = intake
        .erasures
        .iter()
        .map(|e| {
            let name =
                e.mark.by.and_then(|id| staff.get(&id).cloned()).unwrap_or_else(|| words.plain("receipt.the-server"));
            let with =
                json!({"why": erased::why(words, &e.what.why), "when": words.wall(e.mark.at, &zone), "name": name});
            words.say("receipt.customer-erased", with.as_object().unwrap_or(&serde_json::Map::new()))
        })
        .collect();
    let kept = app.clone();
    let made = tokio::task::spawn_blocking(move || {
        // A paper without its pictures must not be the one that is given because the store is away.
        let read = |shelf: Shelf, file: &Digest| match kept.ledger.originals().read(shop_id, shelf, file) {
            Err(e) if originals::is_away(&e) => Err(Problem::of_file(e)),
            read => Ok(read.ok()),
        };
        let mut pictures = BTreeMap::new();
        for photo in hand_back::photos(&kind.kind, &whole) {
            let made = photo.judged.as_ref().map(|j| j.what.renditions.as_slice()).unwrap_or_default();
            let Some(r) = made.iter().find(|r| r.purpose == "large").or(made.first()) else { continue };
            if let Some(jpeg) = read(Shelf::Renditions, &r.file)? {
                pictures.insert(photo.taken.photo, Picture { jpeg, width: r.width, height: r.height });
            }
        }
        let strokes = match shown.as_ref().and_then(|s| s.strokes) {
            Some(file) => read(Shelf::Originals, &file)?,
            None => None,
        };
        let signature = strokes.and_then(|b| strokes::parse(&b).ok()).map(|d| (d.width, d.height, d.path()));
        let input = home::Input {
            words,
            shop_name: &shop_name,
            zone: &zone,
            intake: &whole,
            kind: &kind.kind,
            staff: &staff,
            pictures: &pictures,
            signature,
            erased: &erased,
            evidence: &evidence,
            continues: &continues,
            checkpoint: &checkpoint,
            keys: &keys,
        };
        home::sealed(&input, &signers).map_err(no::fault)
    });
    let html = made.await.map_err(no::fault)??;
    Ok(receipts::as_file(html, "hand-back.html"))
}
