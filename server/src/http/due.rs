//! `GET …/due`: what a day asks for. Promised days reached or past, intakes that stand open or found too long, machines in
//! care that nobody gave a place. Only what is in the shop is read, however long the log is.

use actix_web::{HttpResponse, web};
use jiff::ToSpan;
use jiff::civil::Date;
use jiff::tz::TimeZone;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use sqlx::Row;
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use super::{intakes, no, shop};
use crate::access::Caller;
use crate::app::App;
use crate::ledger::load;
use crate::problem::Problem;
use crate::settings;

/// Most intakes in each list.
const MOST: usize = 500;

/// Days before its end from which the window of a claim is shown.
const AHEAD: i64 = 7;

/// A step of the shop's own clocks.
#[derive(Debug, Deserialize)]
struct Clock {
    name: String,
    from: String,
    days: i64,
}

/// Which day.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct On {
    /// The day in the shop's zone, YYYY-MM-DD; today when absent.
    #[param(format = Date)]
    on: Option<String>,
}

/// A promise that is due.
#[derive(Debug, Serialize, ToSchema)]
pub struct Promise {
    /// What was promised: `diagnosis` or `ready`.
    what: &'static str,
    /// For which day.
    by: String,
    /// The intake.
    intake: intakes::Listed,
}

/// A step of the shop's own clocks whose day has come.
#[derive(Debug, Serialize, ToSchema)]
pub struct StepDue {
    /// The step, as the shop named it.
    name: String,
    /// Its day.
    on: String,
    /// The intake.
    intake: intakes::Listed,
}

/// The window of a claim that ends soon, or has ended.
#[derive(Debug, Serialize, ToSchema)]
pub struct WindowDue {
    /// The part.
    what: String,
    /// `return` or `warranty`.
    route: String,
    /// Its last day.
    until: String,
    /// The intake.
    intake: intakes::Listed,
}

/// What a day asks for.
#[derive(Debug, Serialize, ToSchema)]
pub struct Due {
    /// The day.
    on: String,
    /// The shop's zone (IANA).
    zone: String,
    /// Promised diagnoses and repairs whose day has come, the oldest first.
    promised: Vec<Promise>,
    /// Intakes that stand open, or found with nobody having come, longer than the shop allows, the oldest first.
    waiting: Vec<intakes::Listed>,
    /// Machines in care that have no place, the oldest first.
    no_place: Vec<intakes::Listed>,
    /// Steps of the shop's own clocks whose day has come, the oldest first.
    steps: Vec<StepDue>,
    /// Windows of open claims that end within a week or have ended, the first to end first.
    windows: Vec<WindowDue>,
    /// Whether there is more than is listed.
    more: bool,
}

/// What a day asks for, in the shop's zone.
#[utoipa::path(get, path = "/v1/shops/{shop}/due", operation_id = "getDue", tag = "intakes",
    params(("shop" = Uuid, Path, description = "The shop"), On),
    responses((status = 200, description = "What is due", body = Due),
        (status = "default", description = "A problem", body = crate::problem::Problem, content_type = "application/problem+json")),
    security(("cookie" = []), ("bearer" = [])))]
pub async fn due(
    app: web::Data<App>,
    caller: Caller,
    shop_id: web::Path<Uuid>,
    wanted: web::Query<On>,
) -> Result<HttpResponse, Problem> {
    caller.in_shop(*shop_id)?;
    app.access.asks_for_list(&caller)?;
    let (_, zone_name, _) = shop::facts(&app, *shop_id).await?;
    let zone = TimeZone::get(&zone_name).unwrap_or(TimeZone::UTC);
    let now = app.ledger.clock().now();
    let today = day_of(now, &zone);
    let on: Date = match wanted.on.as_deref() {
        None => today,
        Some(text) if text.len() == 10 => {
            text.parse().map_err(|_| Problem::not_valid("on", "This is not a day: YYYY-MM-DD."))?
        }
        Some(_) => return Err(Problem::not_valid("on", "This is not a day: YYYY-MM-DD.")),
    };
    // Another day is looked at as it stands when it ends.
    let until = if on == today { now } else { end_of(on, &zone).unwrap_or(now) };
    let set = load::settings(app.ledger.pool(), *shop_id).await.map_err(no::fault)?;
    let limit = set.get("open-limit").map_or_else(|| settings::default("open-limit"), |(v, _)| v.clone());
    let limit = limit.as_i64().unwrap_or(24).saturating_mul(3_600_000);

    const HERE: &str = "SELECT id, tag, state, opened_idx, last_idx, summary FROM intake
         WHERE shop = $1 AND state IN ('found', 'open', 'in care')";
    // What went home is the shop's whole history; an index of its own has the few with a window (intake_with_window).
    const WITH_WINDOW: &str = "SELECT id, tag, state, opened_idx, last_idx, summary FROM intake
         WHERE shop = $1 AND instr(summary, '\"windows\":') > 0";
    let mut rows = Vec::new();
    for query in [HERE, WITH_WINDOW] {
        let found =
            sqlx::query(query).bind(shop_id.to_string()).fetch_all(app.ledger.pool()).await.map_err(no::fault)?;
        for row in found {
            let state = row.try_get::<String, _>("state").map_err(no::fault)?;
            if query == HERE || state == "handed back" {
                rows.push((load::number(&row, "opened_idx").map_err(no::fault)?, state, row));
            }
        }
    }
    rows.sort_by_key(|(opened, ..)| *opened);
    let on_text = on.to_string();
    let clocks = set.get("clocks").map_or_else(|| settings::default("clocks"), |(v, _)| v.clone());
    let clocks: Vec<Clock> = serde_json::from_value(clocks).map_err(no::fault)?;
    let ahead = on.checked_add(AHEAD.days()).map_err(no::fault)?.to_string();
    let (mut promised, mut waiting, mut no_place) = (Vec::new(), Vec::new(), Vec::new());
    let (mut steps, mut windows) = (Vec::new(), Vec::new());
    for (_, state, row) in &rows {
        let one = || intakes::listed(row).map_err(no::fault);
        let listed = one()?;
        let text = |k: &str| listed.summary().get(k).and_then(Value::as_str).map(str::to_owned);
        for window in listed.summary().get("windows").and_then(Value::as_array).into_iter().flatten() {
            let word = |k: &str| window.get(k).and_then(Value::as_str).unwrap_or_default().to_owned();
            if word("until") <= ahead {
                windows.push(WindowDue {
                    what: word("what"),
                    route: word("route"),
                    until: word("until"),
                    intake: one()?,
                });
            }
        }
        if state == "handed back" {
            continue;
        }
        if state != "in care" {
            let opened = listed.summary().get("opened_at").and_then(Value::as_i64).unwrap_or(until);
            if until.saturating_sub(opened) > limit {
                waiting.push(listed);
            }
            continue;
        }
        for (what, field) in [("diagnosis", "diagnosis_by"), ("ready", "ready_by")] {
            if let Some(by) = text(field).filter(|by| *by <= on_text) {
                promised.push(Promise { what, by, intake: one()? });
            }
        }
        for clock in &clocks {
            let at = |k: &str| listed.summary().get(k).and_then(Value::as_i64).map(|at| day_of(at, &zone));
            let start = match clock.from.as_str() {
                "taken in" => at("taken_in_at"),
                "reached" => at("reached_at"),
                _ => text("ready_by").and_then(|d| d.parse().ok()),
            };
            let day = start.and_then(|d| d.checked_add(clock.days.days()).ok()).map(|d| d.to_string());
            if let Some(day) = day.filter(|d| *d <= on_text) {
                steps.push(StepDue { name: clock.name.clone(), on: day, intake: one()? });
            }
        }
        if text("place").is_none() {
            no_place.push(listed);
        }
    }
    promised.sort_by(|a, b| a.by.cmp(&b.by));
    steps.sort_by(|a, b| a.on.cmp(&b.on));
    windows.sort_by(|a, b| a.until.cmp(&b.until));
    let more = promised.len() > MOST
        || waiting.len() > MOST
        || no_place.len() > MOST
        || steps.len() > MOST
        || windows.len() > MOST;
    promised.truncate(MOST);
    waiting.truncate(MOST);
    no_place.truncate(MOST);
    steps.truncate(MOST);
    windows.truncate(MOST);
    Ok(HttpResponse::Ok().json(Due { on: on_text, zone: zone_name, promised, waiting, no_place, steps, windows, more }))
}

fn day_of(at: i64, zone: &TimeZone) -> Date {
    let stamp = jiff::Timestamp::from_millisecond(at).unwrap_or(jiff::Timestamp::UNIX_EPOCH);
    stamp.to_zoned_datetime(zone.clone()).date()
}

/// The moment a day ends, milliseconds UTC.
fn end_of(day: Date, zone: &TimeZone) -> Option<i64> {
    let next = day.tomorrow().ok()?.to_zoned_datetime(zone.clone()).ok()?;
    Some(next.timestamp().as_millisecond())
}
