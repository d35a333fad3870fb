//! What was kept long enough by the shop's own rules: listed, and then erased because the owner means it. What would go is judged
//! again for each intake in the moment it goes, so that a hold, a dispute or a claim that came up meanwhile keeps it.

use std::collections::BTreeSet;

use actix_web::{HttpRequest, HttpResponse, web};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use super::erasures::{MOST, by, new_id};
use super::no;
use crate::access::{Caller, Role};
use crate::app::App;
use crate::erasing::customer::{self as erasing, Asked, By};
use crate::intake::decide::{Refusal, Sentence};
use crate::intake::erasure::WHY;
use crate::intake::keeping::{self, Due};
use crate::intake::state::{Intake, Whose};
use crate::ledger::load::{self, Stored};
use crate::ledger::{Ledger, No, gone};
use crate::problem::Problem;
use crate::settings;
use crate::words::Catalogue;

/// Intakes that are looked at for one page.
const PAGE: u32 = 100;
/// The setting.
const KEEP: &str = "keep";

/// One intake of which something was kept long enough.
#[derive(Debug, Serialize, ToSchema)]
pub struct KeptLong {
    /// The intake.
    intake: Uuid,
    /// Its tag.
    tag: String,
    /// Its state.
    state: String,
    /// The rules by which: `personal`, `photos`, `refused`, `disputed`.
    classes: Vec<&'static str>,
    /// Since when it is counted, milliseconds UTC.
    since: i64,
    /// Whether the customer's details would go.
    personal: bool,
    /// How many photos would go.
    photos: usize,
}

/// A page of what was kept long enough. Nothing of it is gone.
#[derive(Debug, Serialize, ToSchema)]
pub struct KeptPage {
    /// In the order in which they were opened.
    due: Vec<KeptLong>,
    /// `after` of the next page; absent at the end.
    #[serde(skip_serializing_if = "Option::is_none")]
    next: Option<u64>,
}

/// Which page.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct Page {
    /// Only intakes opened at a higher log index.
    #[param(maximum = 9_007_199_254_740_991i64)]
    after: Option<u64>,
}

/// What was kept as long as the shop's rules say, and would go. Only listed.
#[utoipa::path(get, path = "/v1/shops/{shop}/kept-long-enough", operation_id = "listKeptLongEnough", tag = "intakes",
    params(("shop" = Uuid, Path, description = "The shop"), Page),
    responses((status = 200, description = "A page", body = KeptPage),
        (status = "default", description = "A problem", body = crate::problem::Problem, content_type = "application/problem+json")),
    security(("cookie" = []), ("bearer" = [])))]
pub async fn list(
    app: web::Data<App>,
    caller: Caller,
    shop: web::Path<Uuid>,
    page: web::Query<Page>,
) -> Result<HttpResponse, Problem> {
    caller.in_shop(*shop)?;
    caller.may(Role::Owner)?;
    app.access.asks_for_list(&caller)?;
    let after = super::page_from(page.after)?;
    let rules = rules(&app.ledger, *shop).await?;
    if rules.as_object().is_none_or(serde_json::Map::is_empty) {
        return Ok(HttpResponse::Ok().json(KeptPage { due: Vec::new(), next: None }));
    }
    let looked_at = gone::with_something_left(app.ledger.pool(), *shop, after, PAGE).await.map_err(no::fault)?;
    let (mut due, mut last) = (Vec::new(), None);
    for found in &looked_at {
        last = Some(found.opened);
        let intake = found.intake;
        let mut db = app.ledger.pool().acquire().await.map_err(no::fault)?;
        let (all, intake) = erasing::read(&mut db, Whose { shop: *shop, intake }).await.map_err(no::fault)?;
        drop(db);
        due.extend(of(&app.ledger, &all, &intake, &rules).map_err(no::fault)?.map(|due| KeptLong {
            intake: intake.whose.intake,
            tag: intake.tag().unwrap_or_default().to_owned(),
            state: intake.state.word().to_owned(),
            classes: due.classes,
            since: due.since,
            personal: due.personal,
            photos: due.photos.len(),
        }));
    }
    let next = last.filter(|_| looked_at.len() == PAGE as usize);
    Ok(HttpResponse::Ok().json(KeptPage { due, next }))
}

async fn rules(ledger: &Ledger, shop: Uuid) -> Result<Value, Problem> {
    let set = load::settings(ledger.pool(), shop).await.map_err(no::fault)?;
    Ok(set.get(KEEP).map_or_else(|| settings::default(KEEP), |(v, _)| v.clone()))
}

/// What of an intake was kept long enough now.
fn of(ledger: &Ledger, all: &[Stored], intake: &Intake, rules: &Value) -> Result<Option<Due>, String> {
    let asked = Asked { erasure: Uuid::nil(), why: String::new(), of: intake.whose, photos: Vec::new() };
    let plan = erasing::plan(&asked, all, intake)?;
    let personal = !plan.details.is_empty() || !plan.files.is_empty();
    Ok(keeping::due(intake, personal, rules, ledger.clock().now()))
}

/// One intake that the owner was shown.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct KeptOne {
    /// The intake.
    intake: Uuid,
    /// Its customer's details were shown as going.
    personal: bool,
    /// Its photos were.
    photos: bool,
}

/// What was shown and is to go.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct KeptErasure {
    /// The caller's own id for it (UUIDv7): the same request again erases nothing twice.
    erasure: Uuid,
    /// The intakes.
    #[schema(min_items = 1, max_items = 50)]
    intakes: Vec<KeptOne>,
}

/// What became of one of them.
#[derive(Debug, Serialize, ToSchema)]
pub struct KeptDone {
    /// The intake.
    intake: Uuid,
    /// Its tag.
    tag: String,
    /// Log index of the entry that says that the customer's details are gone.
    #[serde(skip_serializing_if = "Option::is_none")]
    index: Option<u64>,
    /// How many photos are gone.
    photos: usize,
    /// Why it stayed, or what of it did: a sentence.
    #[serde(skip_serializing_if = "Option::is_none")]
    stays: Option<String>,
}

/// What became of each.
#[derive(Debug, Serialize, ToSchema)]
pub struct KeptErased {
    /// Each intake.
    intakes: Vec<KeptDone>,
}

/// Erases, for ever, what was listed and was kept long enough still; an entry for each thing. What a hold, a dispute or a claim
/// keeps meanwhile stays, and is told.
#[utoipa::path(post, path = "/v1/shops/{shop}/kept-long-enough", operation_id = "eraseKeptLongEnough", tag = "intakes",
    params(("shop" = Uuid, Path, description = "The shop")), request_body = KeptErasure,
    responses((status = 200, description = "What became of each", body = KeptErased),
        (status = "default", description = "A problem", body = crate::problem::Problem, content_type = "application/problem+json")),
    security(("cookie" = []), ("bearer" = [])))]
pub async fn erase(
    app: web::Data<App>,
    caller: Caller,
    shop: web::Path<Uuid>,
    new: web::Json<KeptErasure>,
    req: HttpRequest,
) -> Result<HttpResponse, Problem> {
    let (shop, words, new) = (*shop, super::words_of(&req), new.into_inner());
    caller.in_shop(shop)?;
    caller.may(Role::Owner)?;
    app.see_checkpoint(shop, &req).await?;
    new_id(new.erasure)?;
    let named: BTreeSet<Uuid> = new.intakes.iter().map(|k| k.intake).collect();
    if named.is_empty() || new.intakes.len() > MOST || named.len() != new.intakes.len() {
        return Err(Problem::not_valid("/intakes", format!("1 to {MOST} intakes, each once.")));
    }
    let rules = rules(&app.ledger, shop).await?;
    let (by, going) = (by(&caller), app.get_ref().clone());
    let work = async move {
        let (mut intakes, mut failed) = (Vec::with_capacity(new.intakes.len()), Ok(()));
        for one in &new.intakes {
            let of = Whose { shop, intake: one.intake };
            match gone(&going.ledger, of, one, (new.erasure, &by, &rules), words).await {
                Ok(done) => intakes.push(done),
                Err(problem) => {
                    failed = Err(problem);
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
    Ok(HttpResponse::Ok().json(KeptErased { intakes }))
}

/// One intake: what of it is due now and was shown goes.
async fn gone(
    ledger: &Ledger,
    whose: Whose,
    wanted: &KeptOne,
    (erasure, by, rules): (Uuid, &By, &Value),
    words: &Catalogue,
) -> Result<KeptDone, Problem> {
    let mut db = ledger.pool().acquire().await.map_err(no::fault)?;
    let (all, intake) = erasing::read(&mut db, whose).await.map_err(no::fault)?;
    drop(db);
    if intake.opened.is_none() {
        return Err(Problem::not_found("There is no such intake."));
    }
    let tag = intake.tag().unwrap_or_default().to_owned();
    let mut done = KeptDone { intake: whose.intake, tag, index: None, photos: 0, stays: None };
    if let Some(before) = intake.erasures.iter().find(|e| e.what.erasure == erasure) {
        done.index = before.mark.index;
        done.photos = before.what.photos.len();
        return Ok(done);
    }
    let not_due = || Sentence::plain("refused.not-kept-long-enough");
    let Some(due) = of(ledger, &all, &intake, rules).map_err(no::fault)? else {
        done.stays = Some(told(words, &keeping::against(&intake).unwrap_or_else(not_due)));
        return Ok(done);
    };
    let photos = if wanted.photos { due.photos } else { Vec::new() };
    if due.personal && wanted.personal {
        let asked = Asked { erasure, why: WHY[1].to_owned(), of: whose, photos };
        let still = |all: &[Stored], intake: &Intake| match of(ledger, all, intake, rules) {
            Ok(Some(due)) if due.personal => Ok(()),
            _ => Err(Refusal::Refused(keeping::against(intake).unwrap_or_else(not_due))),
        };
        match erasing::say(ledger, &asked, by, &still).await {
            Ok(index) => (done.index, done.photos) = (Some(index), asked.photos.len()),
            Err(No::Refused(Refusal::Refused(sentence))) => done.stays = Some(told(words, &sentence)),
            Err(other) => return Err(no::problem(other, words)),
        }
        return Ok(done);
    }
    for photo in photos {
        let body = serde_json::json!({"photo": photo, "because": WHY[1]});
        match ledger.append(by.command(ledger, whose, intake.last_index, "photo-erased", body)).await {
            Ok(_) => done.photos += 1,
            Err(No::Refused(Refusal::Refused(sentence))) => {
                done.stays = Some(told(words, &sentence));
                break;
            }
            // Erased or moved away by somebody else meanwhile.
            Err(No::Refused(Refusal::NotValid(_))) => {}
            Err(other) => return Err(no::problem(other, words)),
        }
    }
    Ok(done)
}

fn told(words: &Catalogue, sentence: &Sentence) -> String {
    words.say(&sentence.key, &sentence.with)
}
