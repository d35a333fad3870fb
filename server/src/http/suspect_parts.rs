//! `GET …/parts`: suspect parts by supplier, lot or number, each with its machine's tag and what was measured on it, so that
//! the readings of a lot stand side by side.

use actix_web::{HttpResponse, web};
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use super::no;
use crate::access::Caller;
use crate::app::App;
use crate::database;
use crate::intake::state::Whose;
use crate::ledger::{find as finding, load};
use crate::problem::Problem;
use crate::reading::{self, Rule};
use crate::search::Query;
use crate::settings;

/// Most machines that are looked through, the newest first.
const MOST: u32 = 200;

/// Which parts.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct Which {
    /// Words of the supplier's name, a lot, a part number or an invoice's number.
    #[param(min_length = 1, max_length = 120)]
    q: String,
}

/// A part as found.
#[derive(Debug, Serialize, ToSchema)]
pub struct PartFound {
    /// Its machine's intake.
    intake: Uuid,
    /// The tag on that machine.
    tag: String,
    /// The part's card.
    #[schema(value_type = Object)]
    card: Value,
    /// What was measured on it, each with what may be said of it.
    #[schema(value_type = Vec<Object>)]
    readings: Vec<Value>,
}

/// What was found.
#[derive(Debug, Serialize, ToSchema)]
pub struct PartsFound {
    /// The parts, those of the newest machines first.
    parts: Vec<PartFound>,
    /// Whether more machines match than were looked through.
    more: bool,
}

/// Finds suspect parts by supplier, lot or number, with their readings.
#[utoipa::path(get, path = "/v1/shops/{shop}/parts", operation_id = "findParts", tag = "intakes",
    params(("shop" = Uuid, Path, description = "The shop"), Which),
    responses((status = 200, description = "The parts", body = PartsFound),
        (status = "default", description = "A problem", body = crate::problem::Problem, content_type = "application/problem+json")),
    security(("cookie" = []), ("bearer" = [])))]
pub async fn find(
    app: web::Data<App>,
    caller: Caller,
    shop: web::Path<Uuid>,
    which: web::Query<Which>,
) -> Result<HttpResponse, Problem> {
    caller.in_shop(*shop)?;
    app.access.asks_for_list(&caller)?;
    let shop = *shop;
    let q = which.q.trim();
    if q.is_empty() || q.chars().count() > 120 {
        return Err(Problem::not_valid("q", "A search for parts has 1 to 120 characters."));
    }
    let set = load::settings(app.ledger.pool(), shop).await.map_err(no::fault)?;
    let rule = set.get("compression-rule").map_or_else(|| settings::default("compression-rule"), |(v, _)| v.clone());
    let rule: Rule = serde_json::from_value(rule).map_err(no::fault)?;
    let mut db = database::reading(app.ledger.pool()).await.map_err(no::fault)?;
    let plan = finding::plan(&mut db, shop, &Query::parse(q)).await.map_err(no::fault)?;
    let (found, more) = finding::all(&mut db, shop, &plan, MOST).await.map_err(no::fault)?;
    let mut parts = Vec::new();
    for id in found {
        let intake = load::intake(&mut db, Whose { shop, intake: id }).await.map_err(no::fault)?;
        for card in intake.parts.parts.iter().filter(|p| names(&p.what, q)) {
            let measured = intake.readings.iter().filter(|r| r.what.part == Some(card.what.part));
            let readings = measured.map(|r| {
                let how = r.what.how.clone().unwrap_or_default();
                let read = r.what.value.as_deref().zip(r.what.unit.as_deref());
                let read = read.filter(|_| r.what.reading == "compression");
                let judged = read.map(|(value, unit)| reading::compression(value, unit, &how, &rule));
                let mut shown = json!(r);
                if let (Some(m), Some(judged)) = (shown.as_object_mut(), judged) {
                    m.insert("judged".into(), json!(judged));
                }
                shown
            });
            parts.push(PartFound {
                intake: id,
                tag: intake.tag().unwrap_or_default().to_owned(),
                card: json!(card),
                readings: readings.collect(),
            });
        }
    }
    Ok(HttpResponse::Ok().json(PartsFound { parts, more }))
}

/// Whether a card itself names what is looked for: its machine may be found by other words.
fn names(card: &crate::intake::part::Card, q: &str) -> bool {
    let plain = |t: &str| t.chars().filter(|c| c.is_alphanumeric()).flat_map(char::to_lowercase).collect::<String>();
    let all = [&card.supplier, &card.lot, &card.invoice, &card.on_bag, &card.on_invoice, &card.on_casting];
    let text: Vec<String> = all.into_iter().flatten().map(|t| plain(t)).collect();
    q.split_whitespace().map(plain).all(|word| text.iter().any(|t| t.contains(&word)))
}
