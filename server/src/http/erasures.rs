//! Erasing a customer: what would go and what would stay, the erasure itself, which there were, and the receipt for it.

use std::collections::BTreeSet;

use actix_web::{HttpRequest, HttpResponse, web};
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use super::{no, receipts, shop};
use crate::access::{Caller, Role};
use crate::app::App;
use crate::customer::{self, Card};
use crate::database;
use crate::erasing::customer::{self as erasing, Asked, By};
use crate::intake::erasure::{self, WHY};
use crate::intake::state::{Intake, Whose};
use crate::ledger::load::{self, Range, Stored};
use crate::ledger::{Right, erase, find, prove};
use crate::problem::Problem;
use crate::receipt::erased as paper;
use crate::search::Query;
use crate::words::{self, Catalogue};

/// Most intakes in one erasure.
pub(super) const MOST: usize = 50;
/// Most intakes that are looked at for the same person.
const CANDIDATES: u32 = 200;
/// Most free words that are shown as staying.
const STAYS: usize = 50;
/// Most erasures in one page.
const PAGE: u32 = 500;

/// One intake of a customer: what an erasure takes and what it leaves.
#[derive(Debug, Serialize, ToSchema)]
pub struct OfCustomer {
    /// The intake.
    intake: Uuid,
    /// Its tag.
    tag: String,
    /// Its state.
    state: String,
    /// Kind, make and model.
    machine: String,
    /// When it was opened, milliseconds UTC.
    opened_at: i64,
    /// By what it seems to be of the same person: `phone`, `email`, `name`, `earlier`; nothing for the intake asked about.
    same: Vec<String>,
    /// The people in it.
    #[schema(value_type = Vec<Object>)]
    people: Vec<Value>,
    /// What is kept apart as personal, by type of entry and member.
    #[schema(value_type = Vec<Object>)]
    details: Vec<erasure::Count>,
    /// Signatures.
    signatures: usize,
    /// Photos that may be named to go with it; `always` ones go in any case.
    #[schema(value_type = Vec<Object>)]
    photos: Vec<Value>,
    /// Free words that stand in entries themselves and cannot be taken out of the log, at most 50.
    stays: Vec<String>,
    /// Why it may not be erased now.
    #[serde(skip_serializing_if = "Option::is_none")]
    refused: Option<String>,
    /// Erasures before.
    #[schema(value_type = Vec<Object>)]
    erasures: Vec<Value>,
}

/// A customer as the log knows them.
#[derive(Debug, Serialize, ToSchema)]
pub struct CustomerView {
    /// The intake asked about, then others that seem to be of the same person, newest first.
    intakes: Vec<OfCustomer>,
}

/// What erasing this intake's customer would take, and other intakes that seem to be of the same person.
#[utoipa::path(get, path = "/v1/shops/{shop}/intakes/{intake}/customer", operation_id = "getCustomer", tag = "intakes",
    params(("shop" = Uuid, Path, description = "The shop"), ("intake" = Uuid, Path, description = "The intake")),
    responses((status = 200, description = "What goes and what stays", body = CustomerView),
        (status = "default", description = "A problem", body = crate::problem::Problem, content_type = "application/problem+json")),
    security(("cookie" = []), ("bearer" = [])))]
pub async fn of_intake(
    app: web::Data<App>,
    caller: Caller,
    path: web::Path<(Uuid, Uuid)>,
    req: HttpRequest,
) -> Result<HttpResponse, Problem> {
    let (shop, id) = path.into_inner();
    caller.in_shop(shop)?;
    caller.may(Role::Owner)?;
    let words = super::words_of(&req);
    let (all, intake) = one(&app, Whose { shop, intake: id }).await?;
    let cards = customer::cards(&intake);
    let earlier = intake.opened.as_ref().and_then(|o| o.what.earlier.as_ref()).map(|e| e.intake);
    let mut intakes = vec![shown(words, &app, &all, &intake, Vec::new()).await?];
    let mut others = Vec::new();
    for other in candidates(&app, shop, &cards).await?.into_iter().chain(earlier).filter(|o| *o != id) {
        if others.iter().any(|o: &OfCustomer| o.intake == other) {
            continue;
        }
        let (all, found) = one(&app, Whose { shop, intake: other }).await?;
        let mut same: Vec<String> =
            customer::same(&cards, &customer::cards(&found)).into_iter().map(Into::into).collect();
        same.extend((Some(other) == earlier).then(|| "earlier".to_owned()));
        if !same.is_empty() {
            others.push(shown(words, &app, &all, &found, same).await?);
        }
    }
    others.sort_by_key(|o| std::cmp::Reverse(o.opened_at));
    others.truncate(MOST - 1);
    intakes.extend(others);
    Ok(HttpResponse::Ok().json(CustomerView { intakes }))
}

async fn one(app: &App, of: Whose) -> Result<(Vec<Stored>, Intake), Problem> {
    let mut db = app.ledger.pool().acquire().await.map_err(no::fault)?;
    let (all, intake) = erasing::read(&mut db, of).await.map_err(no::fault)?;
    if intake.opened.is_none() {
        return Err(Problem::not_found("There is no such intake."));
    }
    Ok((all, intake))
}

/// Intakes found by a number, an address or a name of one of these people.
async fn candidates(app: &App, shop: Uuid, cards: &[Card]) -> Result<Vec<Uuid>, Problem> {
    let mut db = database::reading(app.ledger.pool()).await.map_err(no::fault)?;
    let mut out = BTreeSet::new();
    let known: BTreeSet<&String> =
        cards.iter().flat_map(|c| [&c.phone, &c.email, &c.name]).filter(|t| !t.trim().is_empty()).collect();
    for text in known {
        let plan = find::plan(&mut db, shop, &Query::parse(text)).await.map_err(no::fault)?;
        if plan.is_empty() {
            continue;
        }
        out.extend(find::all(&mut db, shop, &plan, CANDIDATES).await.map_err(no::fault)?.0);
    }
    Ok(out.into_iter().collect())
}

async fn shown(
    words: &Catalogue,
    app: &App,
    all: &[Stored],
    intake: &Intake,
    same: Vec<String>,
) -> Result<OfCustomer, Problem> {
    let opened = intake.opened.as_ref().ok_or_else(|| Problem::not_found("There is no such intake."))?;
    let mut db = app.ledger.pool().acquire().await.map_err(no::fault)?;
    let kind = app.ledger.kind(&mut db, intake.whose.shop, &opened.what.kind).await.map_err(no::fault)?;
    let value = |f: &str| intake.machine.get(f).and_then(|m| m.what.value.clone());
    let name = kind.map(|k| words.text(&k.kind.name).to_owned()).unwrap_or_default();
    let machine: Vec<String> = [Some(name), value("make"), value("model")].into_iter().flatten().collect();
    let asked = Asked { erasure: Uuid::nil(), why: String::new(), of: intake.whose, photos: Vec::new() };
    let plan = erasing::plan(&asked, all, intake).map_err(no::fault)?;
    let photos = intake.photos.iter().filter(|p| p.gone().is_none() && p.received.is_some()).map(|p| {
        let film = p.taken.film || p.received.as_ref().is_some_and(|r| r.what.media_type.starts_with("video/"));
        json!({"photo": p.taken.photo, "view": p.taken.view, "stage": p.taken.stage, "film": film, "always": p.taken.of_paper})
    });
    let mut stays: BTreeSet<String> = BTreeSet::new();
    for stored in all {
        let entry = stored.entry().map_err(no::fault)?;
        if !super::SERVER_ONLY.contains(&entry.said.kind.as_str()) {
            stays.extend(erasure::words_that_stay(&entry.said.body));
        }
    }
    Ok(OfCustomer {
        intake: intake.whose.intake,
        tag: intake.tag().unwrap_or_default().to_owned(),
        state: intake.state.word().to_owned(),
        machine: machine.join(" "),
        opened_at: opened.mark.at,
        same,
        people: customer::cards(intake).iter().map(Card::shown).collect(),
        details: plan.details,
        signatures: plan.files.len(),
        photos: photos.collect(),
        stays: stays.into_iter().take(STAYS).collect(),
        refused: erasure::against(intake).map(|s| words.say(&s.key, &s.with)),
        erasures: intake.erasures.iter().map(|e| json!({"erasure": e.what.erasure, "at": e.mark.at})).collect(),
    })
}

/// One intake of an erasure.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Wanted {
    /// The intake.
    intake: Uuid,
    /// Photos that go with it, because they show a person.
    #[serde(default)]
    #[schema(max_items = 400)]
    photos: Vec<Uuid>,
}

/// A customer to be erased.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewErasure {
    /// The caller's own id for it (UUIDv7): the same request again erases nothing twice.
    erasure: Uuid,
    /// `customer asked`, `kept long enough` or `should not have been kept`.
    #[schema(pattern = "^(customer asked|kept long enough|should not have been kept)$")]
    why: String,
    /// The intakes.
    #[schema(min_items = 1, max_items = 50)]
    intakes: Vec<Wanted>,
}

/// An intake whose customer was erased.
#[derive(Debug, Serialize, ToSchema)]
pub struct ErasedIntake {
    /// The intake.
    intake: Uuid,
    /// Log index of the entry that says so.
    index: u64,
    /// The erasure.
    erasure: Uuid,
}

/// What was erased.
#[derive(Debug, Serialize, ToSchema)]
pub struct Erased {
    /// Each intake with the entry that says so.
    intakes: Vec<ErasedIntake>,
}

/// Erases a customer's personal data, for ever. Each intake whole or not at all; the answer comes when nothing is left.
#[utoipa::path(post, path = "/v1/shops/{shop}/erasures", operation_id = "eraseCustomer", tag = "intakes",
    params(("shop" = Uuid, Path, description = "The shop")), request_body = NewErasure,
    responses((status = 200, description = "Erased; the same again gives the same", body = Erased),
        (status = "default", description = "A problem", body = crate::problem::Problem, content_type = "application/problem+json")),
    security(("cookie" = []), ("bearer" = [])))]
pub async fn erase(
    app: web::Data<App>,
    caller: Caller,
    shop: web::Path<Uuid>,
    new: web::Json<NewErasure>,
    req: HttpRequest,
) -> Result<HttpResponse, Problem> {
    let (shop, words) = (*shop, super::words_of(&req));
    caller.in_shop(shop)?;
    caller.may(Role::Owner)?;
    app.see_checkpoint(shop, &req).await?;
    let asked = read(shop, new.into_inner())?;
    // All are looked at before the first one goes.
    for a in &asked {
        let (_, intake) = one(&app, a.of).await?;
        let before = intake.erasures.iter().any(|e| e.what.erasure == a.erasure);
        if let Some(against) = erasure::against(&intake).filter(|_| !before) {
            let with = json!({"tag": intake.tag().unwrap_or_default(), "why": words.say(&against.key, &against.with)});
            return Err(Problem::refused(
                words.say("refused.erase-of", with.as_object().unwrap_or(&serde_json::Map::new())),
            ));
        }
    }
    let by = by(&caller);
    let going = app.get_ref().clone();
    let work = async move {
        let (mut intakes, mut failed) = (Vec::with_capacity(asked.len()), Ok(()));
        for a in &asked {
            match erasing::say(&going.ledger, a, &by, &|_, _| Ok(())).await {
                Ok(index) => intakes.push(ErasedIntake { intake: a.of.intake, index, erasure: a.erasure }),
                Err(no) => {
                    failed = Err(no::problem(no, words));
                    break;
                }
            }
        }
        // What was said to be erased goes, whatever became of the rest.
        erasing::finish(&going).await.map_err(|e| Problem::busy(words.plain("refused.erasing")).because(e))?;
        failed.map(|()| intakes)
    };
    // A caller that goes away stops nothing.
    let intakes = app.background.spawn_on(work, &app.runtime).await.map_err(no::fault)??;
    Ok(HttpResponse::Ok().json(Erased { intakes }))
}

/// The caller, as the log knows them.
pub(super) fn by(caller: &Caller) -> By {
    let roles = caller.roles.words().into_iter().map(str::to_owned).collect();
    By { author: (caller.staff, caller.device), right: Right { staff: Some(caller.staff), roles } }
}

/// The caller's own id of an erasure.
pub(super) fn new_id(erasure: Uuid) -> Result<(), Problem> {
    let new = erasure.get_version_num() == 7;
    new.then_some(()).ok_or_else(|| Problem::not_valid("/erasure", "This is a UUID of version 7."))
}

fn read(shop: Uuid, new: NewErasure) -> Result<Vec<Asked>, Problem> {
    if !WHY.contains(&new.why.as_str()) {
        return Err(Problem::not_valid("/why", format!("This is one of: {}.", WHY.join(", "))));
    }
    new_id(new.erasure)?;
    if new.intakes.is_empty() || new.intakes.len() > MOST {
        return Err(Problem::not_valid("/intakes", format!("1 to {MOST} intakes.")));
    }
    let mut seen = BTreeSet::new();
    for (i, wanted) in new.intakes.iter().enumerate() {
        if !seen.insert(wanted.intake) {
            return Err(Problem::not_valid(format!("/intakes/{i}"), "This intake is named twice."));
        }
        if wanted.photos.len() > 400 {
            return Err(Problem::not_valid(format!("/intakes/{i}/photos"), "An intake holds at most 400 photos."));
        }
    }
    let asked = |w: Wanted| Asked {
        erasure: new.erasure,
        why: new.why.clone(),
        of: Whose { shop, intake: w.intake },
        photos: w.photos,
    };
    Ok(new.intakes.into_iter().map(asked).collect())
}

/// Which page of the erasures.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct Page {
    /// Only with a higher log index.
    #[param(maximum = 9_007_199_254_740_991i64)]
    after: Option<u64>,
}

/// A page of erasures.
#[derive(Debug, Serialize, ToSchema)]
pub struct ErasurePage {
    /// In log order.
    erasures: Vec<ErasedIntake>,
    /// `after` of the next page; absent at the end.
    #[serde(skip_serializing_if = "Option::is_none")]
    next: Option<u64>,
}

/// Which intakes' customers were erased, so that a phone that was away lets go of what it holds of them.
#[utoipa::path(get, path = "/v1/shops/{shop}/erasures", operation_id = "listErasures", tag = "intakes",
    params(("shop" = Uuid, Path, description = "The shop"), Page),
    responses((status = 200, description = "A page", body = ErasurePage),
        (status = "default", description = "A problem", body = crate::problem::Problem, content_type = "application/problem+json")),
    security(("cookie" = []), ("bearer" = [])))]
pub async fn list(
    app: web::Data<App>,
    caller: Caller,
    shop: web::Path<Uuid>,
    page: web::Query<Page>,
) -> Result<HttpResponse, Problem> {
    caller.in_shop(*shop)?;
    app.access.asks_for_list(&caller)?;
    let after = super::page_from(page.after)?;
    let mut db = app.ledger.pool().acquire().await.map_err(no::fault)?;
    let said = erase::said(&mut db, *shop, None, after, PAGE).await.map_err(no::fault)?;
    let next = (said.len() == PAGE as usize).then(|| said.last().map(|s| s.index)).flatten();
    let one = |s: erase::Said| ErasedIntake { intake: s.intake, index: s.index, erasure: s.body.erasure };
    Ok(HttpResponse::Ok().json(ErasurePage { erasures: said.into_iter().map(one).collect(), next }))
}

/// The receipt of an erasure: one self-contained file, without the personal data.
#[utoipa::path(get, path = "/v1/shops/{shop}/erasures/{erasure}/receipt", operation_id = "getErasureReceipt", tag = "intakes",
    params(("shop" = Uuid, Path, description = "The shop"), ("erasure" = Uuid, Path, description = "The erasure"), receipts::PaperIn),
    responses((status = 200, description = "The receipt", body = String, content_type = "text/html"),
        (status = "default", description = "A problem", body = crate::problem::Problem, content_type = "application/problem+json")),
    security(("cookie" = []), ("bearer" = [])))]
pub async fn receipt(
    app: web::Data<App>,
    caller: Caller,
    path: web::Path<(Uuid, Uuid)>,
    wanted: web::Query<receipts::PaperIn>,
    req: HttpRequest,
) -> Result<HttpResponse, Problem> {
    let (shop_id, erasure) = path.into_inner();
    caller.in_shop(shop_id)?;
    let here = super::words_of(&req);
    let words = super::language_tag(wanted.language.as_deref())?.and_then(words::find).unwrap_or(here);
    let mut tx = app.ledger.reading().await.map_err(no::fault)?;
    let said = erase::said(&mut tx, shop_id, None, None, u32::MAX).await.map_err(no::fault)?;
    let said: Vec<_> = said.into_iter().filter(|s| s.body.erasure == erasure).collect();
    if said.is_empty() {
        return Err(Problem::not_found("There is no such erasure."));
    }
    let left = erase::unfinished(app.ledger.pool()).await.map_err(no::fault)?;
    let is =
        |s: &erase::Said| left.iter().any(|(of, i)| *of == shop_id.to_string() && i64::try_from(s.index) == Ok(*i));
    if said.iter().any(is) {
        return Err(Problem::busy(here.plain("refused.erasing")));
    }
    let mut entries = prove::of_shop(&mut tx, shop_id).await.map_err(no::fault)?;
    let (mut intakes, mut sizes) = (Vec::new(), BTreeSet::new());
    for s in &said {
        let of = Whose { shop: shop_id, intake: s.intake };
        let range = Range { intake: Some(s.intake), after: None, limit: u32::MAX };
        let all = load::entries(&mut tx, shop_id, range).await.map_err(no::fault)?;
        let intake = load::fold(of, &all).map_err(no::fault)?;
        let ends = [&intake.taken_in, &intake.home.handed_back, &intake.not_taken_in.as_ref().map(|n| n.mark.clone())];
        sizes.extend(ends.into_iter().flatten().filter_map(|m| m.index).map(|i| i + 1));
        let opened = intake.opened.as_ref().and_then(|o| o.mark.index);
        entries.extend(all.into_iter().filter(|e| Some(e.index) == opened || e.index == s.index));
        intakes.push(paper::One::of(s, &intake));
    }
    entries.sort_by_key(|e| e.index);
    entries.dedup_by_key(|e| e.index);
    let size = entries.last().map_or(1, |e| e.index + 1);
    let head = load::head(&mut *tx, shop_id).await.map_err(no::fault)?.ok_or_else(|| no::fault("no head"))?;
    let evidence = receipts::proven(&mut tx, shop_id, entries, size, |_, _| false).await?;
    let checkpoint = app.ledger.signed_at(&mut tx, shop_id, &head, size).await.map_err(no::fault)?;
    let mut continues = Vec::new();
    for old in sizes.into_iter().filter(|s| *s < size) {
        continues.push((old, prove::consistency(&mut tx, shop_id, old, size).await.map_err(no::fault)?));
    }
    let keys = app.ledger.verifiers(&mut tx, shop_id, &head).await.map_err(no::fault)?;
    tx.rollback().await.map_err(no::fault)?;
    let (shop_name, zone, _) = shop::facts(&app, shop_id).await?;
    let staff = shop::staff_names(&app, shop_id).await?;
    let origin = head.checkpoint(shop_id).origin;
    let input = paper::Input {
        words,
        shop_name: &shop_name,
        zone: &zone,
        erasure,
        intakes: &intakes,
        staff: &staff,
        evidence: &evidence,
        continues: &continues,
        checkpoint: &checkpoint,
        keys: &keys,
    };
    let html = paper::sealed(&input, &app.ledger.signers(&origin, &head).map_err(no::fault)?).map_err(no::fault)?;
    Ok(receipts::as_file(html, "erasure.html"))
}
