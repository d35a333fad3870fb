//! The shop's settings: their names, their defaults and their bounds.

use serde_json::{Value, json};

use crate::access::ASKED_OF;
use crate::intake::keeping;
use crate::reading::{Measure, Rule, units};

/// Who may leave which gaps open, by role: lists of patterns.
pub const MAY_LEAVE_OPEN: &str = "may-leave-open";

/// Of whom the shop asks a second factor.
pub const CODE_ASKED_OF: &str = "code-asked-of";

/// The patterns that apply to somebody with these roles. The owner may leave anything open that may be at all.
pub fn patterns(setting: Option<&Value>, roles: &[String]) -> Vec<String> {
    if roles.iter().any(|r| r == "owner") {
        return vec!["*".into()];
    }
    let usual = default(MAY_LEAVE_OPEN);
    let table = setting.filter(|v| v.is_object()).unwrap_or(&usual);
    roles
        .iter()
        .filter_map(|r| table.get(r).and_then(Value::as_array))
        .flatten()
        .filter_map(Value::as_str)
        .map(str::to_owned)
        .collect()
}

/// What a setting is until the shop sets it. No legal number is shipped.
pub fn default(name: &str) -> Value {
    match name {
        MAY_LEAVE_OPEN => json!({
            "bench": ["view:*", "question:*", "reading:*"],
            "counter": ["view:*", "!view:machine-plate", "question:*", "line-photo:*", "reading:*", "left-view:*"],
        }),
        CODE_ASKED_OF => json!(ASKED_OF[0]),
        "places" => json!(["Counter", "Bench 1", "Bench 2", "Rack A", "Rack B", "Shed"]),
        // Hours after which an open intake is shown as waiting too long.
        "open-limit" => json!(24),
        "usual" => json!({}),
        "renamed-places" => json!([]),
        // Two-strokes without a manual's value: common practice, no source. The shop changes it.
        "compression-rule" => json!({"good": "150", "low": "100", "unit": "psi"}),
        // Steps of storage and of goods that nobody collects, windows of suppliers: local law and contracts; none is shipped.
        "clocks" => json!([]),
        // How long what is kept: local law; no number is shipped, and what has none stays until the owner erases it by hand.
        "keep" => json!({}),
        "height" => Value::Null,
        "terms" => json!(""),
        _ => Value::Null,
    }
}

/// The names of all settings.
pub const NAMES: [&str; 11] = [
    "clocks",
    CODE_ASKED_OF,
    "compression-rule",
    "height",
    "keep",
    MAY_LEAVE_OPEN,
    "open-limit",
    "places",
    "renamed-places",
    "terms",
    "usual",
];

/// Checks a value a shop wants to set.
///
/// # Errors
/// A sentence that says what does not fit.
pub fn check(name: &str, value: &Value) -> Result<(), String> {
    let words = |v: &Value, most: usize| {
        v.as_array().is_some_and(|list| {
            list.len() <= most
                && list.iter().all(|w| w.as_str().is_some_and(|s| !s.trim().is_empty() && s.chars().count() <= 80))
        })
    };
    let good = match name {
        MAY_LEAVE_OPEN => value.as_object().is_some_and(|m| {
            m.keys().all(|k| ["counter", "bench"].contains(&k.as_str())) && m.values().all(|v| words(v, 50))
        }),
        CODE_ASKED_OF => value.as_str().is_some_and(|v| ASKED_OF.contains(&v)),
        "places" => words(value, 60),
        "renamed-places" => renamed(value),
        "open-limit" => value.as_i64().is_some_and(|h| (1..=8_760).contains(&h)),
        "terms" => value.as_str().is_some_and(|t| t.chars().count() <= 4_000),
        "usual" => usual(value),
        "compression-rule" => rule(value),
        "height" => {
            value.is_null()
                || serde_json::from_value::<Measure>(value.clone()).is_ok_and(|m| {
                    let metres = units::metres(&m.unit).filter(|_| ["m", "ft"].contains(&m.unit.as_str()));
                    let height = metres.and_then(|u| Some(units::number(&m.value)? * u));
                    height.is_some_and(|h| (-500.0..=6_000.0).contains(&h))
                })
        }
        "clocks" => clocks(value),
        "keep" => keep(value),
        _ => return Err(format!("there is no setting \"{name}\"; the settings are {}", NAMES.join(", "))),
    };
    if good { Ok(()) } else { Err(format!("this is not a value for the setting \"{name}\"")) }
}

/// The shop's rule for a compression reading: two numbers of one unit, the lower one first.
fn rule(value: &Value) -> bool {
    serde_json::from_value::<Rule>(value.clone()).is_ok_and(|r| {
        let ends = (units::number(&r.low), units::number(&r.good));
        units::pascals(&r.unit).is_some() && matches!(ends, (Some(low), Some(good)) if low > 0.0 && low <= good)
    })
}

/// The shop's own steps: `[{"name", "from", "days"}]`, counted from `taken in`, `ready by` or `reached`.
fn clocks(value: &Value) -> bool {
    let step = |v: &Value| {
        v.as_object().is_some_and(|m| {
            m.len() == 3
                && m.get("name")
                    .and_then(Value::as_str)
                    .is_some_and(|n| !n.trim().is_empty() && n.chars().count() <= 80)
                && matches!(m.get("from").and_then(Value::as_str), Some("taken in" | "ready by" | "reached"))
                && m.get("days").and_then(Value::as_i64).is_some_and(|d| (0..=3_660).contains(&d))
        })
    };
    value.as_array().is_some_and(|list| list.len() <= 20 && list.iter().all(step))
}

/// How many days what is kept: `{"photos": 400, …}`, each class of [`keeping::CLASSES`] at most once.
fn keep(value: &Value) -> bool {
    let days = |v: &Value| v.as_i64().is_some_and(|d| (0..=keeping::MOST_DAYS).contains(&d));
    value.as_object().is_some_and(|m| m.iter().all(|(k, v)| keeping::CLASSES.contains(&k.as_str()) && days(v)))
}

/// What a place was called when machines were put there, and what it is called now: `[{"old", "now"}]`.
fn renamed(value: &Value) -> bool {
    let place =
        |v: Option<&Value>| v.and_then(Value::as_str).is_some_and(|s| !s.trim().is_empty() && s.chars().count() <= 80);
    value.as_array().is_some_and(|list| {
        list.len() <= 200
            && list
                .iter()
                .all(|r| r.as_object().is_some_and(|m| m.len() == 2) && place(r.get("old")) && place(r.get("now")))
    })
}

/// The shop's usual fee, limit, deposit, days to a diagnosis, and so on: offered as one sentence, never pre-ticked.
fn usual(value: &Value) -> bool {
    let money = |v: &Value| v.as_str() == Some("none") || v.as_i64().is_some_and(|m| (0..=1_000_000_000).contains(&m));
    value.as_object().is_some_and(|m| {
        m.iter().all(|(k, v)| match k.as_str() {
            "fee" | "limit" | "deposit" => money(v),
            "diagnosis_days" | "ready_days" => v.as_i64().is_some_and(|d| (0..=365).contains(&d)),
            "over_limit" => matches!(v.as_str(), Some("ask first" | "do not go over")),
            "old_parts" => matches!(v.as_str(), Some("give back" | "dispose" | "keep for supplier")),
            _ => false,
        })
    })
}
