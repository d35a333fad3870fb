//! The receipt as a page and a file, the tag to print, and the receipt behind a share link.

use std::borrow::Cow;
use std::collections::{BTreeMap, BTreeSet};
use std::io;
use std::sync::Arc;

use actix_web::http::header;
use actix_web::{HttpRequest, HttpResponse, web};
use base64::Engine;
use evidence::digest::Digest;
use evidence::disclosure::Disclosure;
use serde::Deserialize;
use utoipa::IntoParams;
use uuid::Uuid;

use super::{intakes, no, shop};
use crate::access::Caller;
use crate::app::App;
use crate::database::Connection;
use crate::intake::kind::LoadedKind;
use crate::intake::state::{Intake, Standing, Whose};
use crate::intake::{sheet, strokes};
use crate::ledger::load::{self, Range};
use crate::ledger::{Ledger, prove};
use crate::originals::{self, Shelf};
use crate::problem::Problem;
use crate::receipt::{Evidence, Input, Picture, page, since, tag};
use crate::words::{self, Catalogue};

/// Photos that stand large on a receipt; further ones stand small.
const LARGE: usize = 12;

/// In which language a paper is made.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct PaperIn {
    /// Language tag. Without it the receipt is in the language the sheet was shown in, a tag in the caller's.
    #[param(max_length = 35)]
    pub(super) language: Option<String>,
}

/// The receipt: one self-contained file.
#[utoipa::path(get, path = "/v1/shops/{shop}/intakes/{intake}/receipt", operation_id = "getReceipt", tag = "intakes",
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
    let (shop, id) = path.into_inner();
    caller.in_shop(shop)?;
    file(&app, shop, id, super::language_tag(wanted.language.as_deref())?).await
}

/// The receipt behind a share link: whoever holds the link may read it until it expires or is revoked.
#[utoipa::path(get, path = "/r/{token}", operation_id = "getReceiptByLink", tag = "links",
    params(("token" = String, Path, description = "The link's secret"), PaperIn),
    responses((status = 200, description = "The receipt", body = String, content_type = "text/html"),
        (status = "default", description = "A problem", body = crate::problem::Problem, content_type = "application/problem+json")))]
pub async fn by_link(
    app: web::Data<App>,
    token: web::Path<String>,
    wanted: web::Query<PaperIn>,
    req: HttpRequest,
) -> Result<HttpResponse, Problem> {
    let link = app.access.open_link(&req, &token).await?;
    file(&app, link.shop, link.intake, super::language_tag(wanted.language.as_deref())?).await
}

async fn file(app: &App, shop: Uuid, id: Uuid, language: Option<&str>) -> Result<HttpResponse, Problem> {
    let (_, kind) = intakes::find(app, shop, id).await?;
    Ok(as_file(render(app, shop, id, kind, language).await?, "receipt.html"))
}

/// A receipt as a file of this name.
pub(super) fn as_file(html: String, name: &str) -> HttpResponse {
    HttpResponse::Ok()
        .content_type("text/html; charset=utf-8")
        .insert_header((header::CONTENT_SECURITY_POLICY, page::policy()))
        .insert_header((header::CACHE_CONTROL, "private, no-store"))
        .insert_header((header::CONTENT_DISPOSITION, format!("inline; filename=\"{name}\"")))
        .body(html)
}

/// Entries with their paths to the head of a size, and of their personal members those that `discloses(type, member)` lets out.
pub(super) async fn proven(
    db: &mut Connection,
    shop: Uuid,
    entries: Vec<load::Stored>,
    size: u64,
    discloses: impl Fn(&str, &str) -> bool,
) -> Result<Vec<Evidence>, Problem> {
    let mut evidence = Vec::with_capacity(entries.len());
    for stored in entries {
        let entry = stored.entry().map_err(no::fault)?;
        let hashes = load::inclusion(db, shop, stored.index, size).await.map_err(no::fault)?;
        let out = |d: &String| Disclosure::decode(d).is_ok_and(|d| discloses(&entry.said.kind, &d.name));
        evidence.push(Evidence {
            index: stored.index,
            disclosures: stored.disclosures.into_iter().filter(out).collect(),
            bytes: String::from_utf8(stored.bytes).map_err(no::fault)?,
            hashes,
        });
    }
    Ok(evidence)
}

/// Gathers what the receipt is made from, and makes it off the runtime.
async fn render(
    app: &App,
    shop: Uuid,
    id: Uuid,
    kind: Arc<LoadedKind>,
    language: Option<&str>,
) -> Result<String, Problem> {
    let whose = Whose { shop, intake: id };
    let mut tx = app.ledger.reading().await.map_err(no::fault)?;
    let entries = load::entries(&mut tx, shop, Range { intake: Some(id), after: None, limit: u32::MAX })
        .await
        .map_err(no::fault)?;
    let whole = load::fold(whose, &entries).map_err(no::fault)?;
    let end = match (&whole.taken_in, &whole.not_taken_in, whole.state) {
        (Some(m), _, _) => m.index,
        (_, Some(n), _) => n.mark.index,
        // The customer was not here: what stands so far is a list for them.
        (_, _, Standing::Found) => whole.last_index,
        _ => return Err(Problem::refused(words::language("en").plain("refused.receipt-open"))),
    };
    let (shown, later): (Vec<_>, Vec<_>) = entries.into_iter().partition(|e| Some(e.index) <= end);
    let intake = load::fold(whose, &shown).map_err(no::fault)?;
    let told = |e: &load::Stored| e.entry().is_ok_and(|e| since::TYPES.contains(&e.said.kind.as_str()));
    // Receipts were given when it was taken in, and made again after each of these.
    let mut sizes: BTreeSet<u64> = end.into_iter().map(|i| i + 1).collect();
    let later: Vec<_> = later.into_iter().filter(told).collect();
    sizes.extend(later.iter().map(|e| e.index + 1));
    let epochs = prove::of_shop(&mut tx, shop).await.map_err(no::fault)?;
    let mut entries: Vec<_> = shown.into_iter().chain(later).chain(epochs).collect();
    entries.sort_by_key(|e| e.index);
    // Of the size that covers what it carries: made again, it is the same.
    let size = entries.last().map_or(1, |e| e.index + 1);
    let head = load::head(&mut *tx, shop).await.map_err(no::fault)?.ok_or_else(|| no::fault("no head"))?;
    let shown = shown_in(&mut tx, shop, &intake).await.map_err(no::fault)?;
    let catalogue = language.and_then(words::find).map_or_else(|| shown.clone(), Cow::Borrowed);
    let terms = match intake
        .arrangements
        .get("terms")
        .and_then(|t| t.what.value.as_str())
        .and_then(|t| t.parse::<Digest>().ok())
    {
        Some(digest) => load::document(&mut *tx, shop, "terms", &digest).await.map_err(no::fault)?.unwrap_or_default(),
        None => Vec::new(),
    };
    let checkpoint = app.ledger.signed_at(&mut tx, shop, &head, size).await.map_err(no::fault)?;
    let mut continues = Vec::new();
    for old in sizes.into_iter().filter(|s| *s < size) {
        continues.push((old, prove::consistency(&mut tx, shop, old, size).await.map_err(no::fault)?));
    }
    let covered = [size - 1];
    let seen = crate::pack::outside::witnessed(&app.ledger, &mut tx, (shop, &head), &covered, size);
    let witnessed = seen.await.map_err(no::fault)?;
    let mut phones = BTreeMap::new();
    for stored in &entries {
        phones.extend(phone_clock(&stored.entry().map_err(no::fault)?));
    }
    // Where the camera stood and its serial are nobody's business but the original's.
    let evidence = proven(&mut tx, shop, entries, size, |kind, _| kind != "photo-judged").await?;
    let tags = tags_beside(&mut tx, &whole).await.map_err(no::fault)?;
    let keys = app.ledger.verifiers(&mut tx, shop, &head).await.map_err(no::fault)?;
    tx.rollback().await.map_err(no::fault)?;

    let (shop_name, zone, _) = shop::facts(app, shop).await?;
    let staff = shop::staff_names(app, shop).await?;
    let origin = head.checkpoint(shop).origin;
    let signers = app.ledger.signers(&origin, &head).map_err(no::fault)?;
    let app = app.clone();
    let made = tokio::task::spawn_blocking(move || {
        // A receipt without its pictures must not be the one that is given because the store is away.
        let pictures = pictures(&app, shop, &whole, &intake, &kind).map_err(Problem::of_file)?;
        let signature = signature(&app.ledger, shop, &intake).map_err(Problem::of_file)?;
        let input = Input {
            words: &catalogue,
            shop_name: &shop_name,
            zone: &zone,
            intake: &intake,
            since: &whole,
            kind: &kind.kind,
            tags: &tags,
            staff: &staff,
            terms: &String::from_utf8_lossy(&terms),
            phones: &phones,
            pictures: &pictures,
            signature,
            evidence: &evidence,
            continues: &continues,
            witnessed: &witnessed,
            checkpoint: &checkpoint,
            keys: &keys,
            shown_in: shown.name(),
            sheet: intake.acknowledgement.as_ref().map(|a| a.what.sheet),
        };
        page::sealed(&input, &signers).map_err(no::fault)
    });
    made.await.map_err(no::fault)?
}

/// Tags of the intakes that photos came from or were moved to.
pub async fn tags_beside(db: &mut Connection, intake: &Intake) -> Result<BTreeMap<Uuid, String>, sqlx::Error> {
    let mut tags = BTreeMap::new();
    for photo in &intake.photos {
        for other in photo.from.into_iter().chain(photo.moved.as_ref().map(|m| m.what.to)) {
            let tag: Option<String> = sqlx::query_scalar("SELECT tag FROM intake WHERE shop = $1 AND id = $2")
                .bind(intake.whose.shop.to_string())
                .bind(other.to_string())
                .fetch_optional(&mut *db)
                .await?;
            tags.extend(tag.map(|t| (other, t)));
        }
    }
    Ok(tags)
}

/// What a phone's clock said when a photo was taken, corrected by its error as measured then; half the round trip sure.
pub fn phone_clock(entry: &evidence::entry::Entry) -> Option<(Uuid, (i64, i64))> {
    let photo = entry.said.body.get("photo").filter(|_| entry.said.kind == "photo-taken")?.as_str()?.parse().ok()?;
    let uncertainty = entry.kept.round_trip_ms?.div_ceil(2);
    Some((photo, (entry.said.at.checked_add(entry.kept.clock_offset_ms?)?, i64::try_from(uncertainty).ok()?)))
}

/// The words a sheet was shown in: of its language as it speaks now, or, where the shop has that language no more, as it spoke
/// then.
pub async fn shown_in(
    db: &mut Connection,
    shop: Uuid,
    intake: &Intake,
) -> Result<Cow<'static, Catalogue>, sqlx::Error> {
    let Some(ack) = &intake.acknowledgement else { return Ok(Cow::Borrowed(words::language(words::FIRST))) };
    let (language, digest) = (&ack.what.language, &ack.what.words);
    if let Some(known) = words::find(language) {
        return Ok(Cow::Borrowed(known));
    }
    Ok(match load::document(db, shop, "words", digest).await? {
        Some(bytes) => Cow::Owned(words::own::pinned(language, &bytes)),
        None => Cow::Borrowed(words::language(words::FIRST)),
    })
}

fn pictures(
    app: &App,
    shop: Uuid,
    whole: &Intake,
    intake: &Intake,
    kind: &LoadedKind,
) -> io::Result<BTreeMap<Uuid, Picture>> {
    let mut out = BTreeMap::new();
    for (i, photo) in sheet::shown_photos(&kind.kind, intake).into_iter().enumerate() {
        if whole.photo(photo.taken.photo).is_some_and(|p| p.erased.is_some()) {
            continue;
        }
        let wanted = if i < LARGE { "large" } else { "small" };
        let renditions = photo.judged.as_ref().map(|j| j.what.renditions.as_slice()).unwrap_or_default();
        let Some(r) = renditions.iter().find(|r| r.purpose == wanted) else { continue };
        match app.ledger.originals().read(shop, Shelf::Renditions, &r.file) {
            Ok(jpeg) => {
                out.insert(photo.taken.photo, Picture { jpeg, width: r.width, height: r.height });
            }
            Err(e) if originals::is_away(&e) => return Err(e),
            Err(e) => {
                tracing::warn!(photo = %photo.taken.photo, error = %e, "a rendition is missing; it can be made again")
            }
        }
    }
    Ok(out)
}

/// The outline of the signature.
///
/// # Errors
/// When the store does not answer now.
pub fn signature(ledger: &Ledger, shop: Uuid, intake: &Intake) -> io::Result<Option<(i64, i64, String)>> {
    let file = intake.acknowledgement.as_ref().and_then(|a| a.what.strokes);
    let bytes = file.map(|file| ledger.originals().read(shop, Shelf::Originals, &file));
    let bytes = match bytes {
        Some(Err(e)) if originals::is_away(&e) => return Err(e),
        Some(Ok(bytes)) => bytes,
        _ => return Ok(None),
    };
    let drawn = strokes::parse(&bytes).ok();
    Ok(drawn.map(|d| (d.width, d.height, d.path())))
}

/// The tag, to print.
#[utoipa::path(get, path = "/v1/shops/{shop}/intakes/{intake}/tag", operation_id = "getTag", tag = "intakes",
    params(("shop" = Uuid, Path, description = "The shop"), ("intake" = Uuid, Path, description = "The intake"), PaperIn),
    responses((status = 200, description = "The tag as a page", body = String, content_type = "text/html"),
        (status = "default", description = "A problem", body = crate::problem::Problem, content_type = "application/problem+json")),
    security(("cookie" = []), ("bearer" = [])))]
pub async fn print_tag(
    app: web::Data<App>,
    caller: Caller,
    path: web::Path<(Uuid, Uuid)>,
    wanted: web::Query<PaperIn>,
    req: HttpRequest,
) -> Result<HttpResponse, Problem> {
    let (shop_id, id) = path.into_inner();
    caller.in_shop(shop_id)?;
    let words: &Catalogue =
        super::language_tag(wanted.language.as_deref())?.and_then(words::find).unwrap_or_else(|| super::words_of(&req));
    let (intake, kind) = intakes::find(&app, shop_id, id).await?;
    let (shop_name, zone, _) = shop::facts(&app, shop_id).await?;
    let (Some(opened), Some(number)) = (&intake.opened, intake.tag()) else {
        return Err(Problem::not_found("There is no such intake."));
    };
    let value = |f: &str| intake.machine.get(f).and_then(|m| m.what.value.clone()).unwrap_or_default();
    let machine = format!("{} {} {}", words.text(&kind.kind.name), value("make"), value("model"));
    let when = words.wall(opened.mark.at, &zone);
    let base = app.settled.public_url.as_deref().unwrap_or(&app.settled.local_url);
    let code = format!("{base}/machine/{id}");
    let html = tag::render(&tag::Tag {
        words,
        tag: number,
        shop: &shop_name,
        machine: machine.trim(),
        when: &when,
        code: &code,
    });
    let hash = base64::engine::general_purpose::STANDARD.encode(Digest::of(tag::STYLE.as_bytes()).0);
    Ok(HttpResponse::Ok()
        .content_type("text/html; charset=utf-8")
        .insert_header((
            header::CONTENT_SECURITY_POLICY,
            format!("default-src 'none'; style-src 'sha256-{hash}'; object-src 'none'; frame-ancestors 'none'; base-uri 'none'"),
        ))
        .body(html))
}
