//! A suspect part, its readings' method and its claim in words: the same in the letter to a supplier and in the report. Pure.

use serde_json::{Value, json};

use crate::intake::part::{self, Card, Claimed, Told};
use crate::intake::state::Said;
use crate::reading::{Measure, Method};
use crate::receipt::Input;
use crate::receipt::lines::say;

/// A day as the language writes it; what is no day, as it stands.
pub(super) fn day(input: &Input<'_>, text: &str) -> String {
    text.parse().map_or_else(|_| text.to_owned(), |date| input.words.day(date, None))
}

fn field(input: &Input<'_>, name: &str) -> String {
    input.words.plain(&format!("part.field.{}", name.replace('_', "-")))
}

/// The card, field by field; what is not known is not invented.
pub(super) fn card(input: &Input<'_>, card: &Card) -> Vec<(String, String)> {
    let texts = [
        ("supplier", &card.supplier),
        ("invoice", &card.invoice),
        ("on_bag", &card.on_bag),
        ("on_invoice", &card.on_invoice),
        ("on_casting", &card.on_casting),
        ("lot", &card.lot),
        ("note", &card.note),
    ];
    let days = [("made", &card.made), ("bought", &card.bought), ("fitted", &card.fitted), ("failed", &card.failed)];
    let counts = [("count", card.count), ("count_fitted", card.count_fitted)];
    let texts = texts.into_iter().filter_map(|(n, v)| Some((field(input, n), v.clone()?)));
    let days = days.into_iter().filter_map(|(n, v)| Some((field(input, n), day(input, v.as_deref()?))));
    texts.chain(days).chain(counts.into_iter().filter_map(|(n, v)| Some((field(input, n), v?.to_string())))).collect()
}

/// A sentence about a card, the fields and places it names in words.
pub(super) fn told(input: &Input<'_>, (key, with): &Told) -> String {
    let mut names = with.as_object().cloned().unwrap_or_default();
    for (name, value) in &mut names {
        match (name.as_str(), value.as_str()) {
            ("field" | "earlier" | "later", Some(v)) => *value = Value::String(field(input, v)),
            ("a" | "b", Some(v)) => *value = Value::String(input.words.plain(&format!("part.on.{v}"))),
            _ => (),
        }
    }
    input.words.say(key, &names)
}

/// Until when a claim can be made, and what was sent.
pub(super) fn window(input: &Input<'_>, card: &Card, claim: &Said<Claimed>) -> Vec<String> {
    let from = field(input, &claim.what.from);
    let window = match part::until(card, &claim.what) {
        Some(end) => {
            say(input, "part.window", &json!({"day": day(input, &end), "days": claim.what.days, "from": from}))
        }
        None => say(input, "part.no-window", &json!({"from": from})),
    };
    let sent = input.intake.parts.posted.iter().filter(|p| p.what.claim == claim.what.claim);
    let sent =
        sent.map(|p| say(input, "part.sent", &json!({"day": day(input, &p.what.on), "tracking": p.what.tracking})));
    [window].into_iter().chain(sent).collect()
}

/// How something was measured, member by member.
pub(super) fn method(input: &Input<'_>, m: &Method) -> Vec<String> {
    let mut out: Vec<String> = Vec::new();
    let mut add =
        |ask: &str, value: String| out.push(format!("{}: {value}", input.words.plain(&format!("reading.ask.{ask}"))));
    let words = [
        ("engine", &m.engine),
        ("release", &m.release),
        ("throttle", &m.throttle),
        ("engine-is", &m.engine_is),
        ("cylinder", &m.cylinder),
        ("valve", &m.valve),
    ];
    for (ask, word) in words {
        if let Some(word) = word {
            add(ask, input.words.plain(&format!("reading.{ask}.{}", word.replace(' ', "-"))));
        }
    }
    let measure = |m: &Measure| format!("{} {}", m.value, m.unit);
    m.gauge.iter().for_each(|v| add("gauge", v.clone()));
    m.gauge_checked.iter().for_each(|v| add("gauge-checked", day(input, v)));
    m.division.iter().for_each(|v| add("division", v.clone()));
    m.pulls.iter().for_each(|v| add("pulls", v.to_string()));
    m.first.iter().for_each(|v| add("first", v.clone()));
    if !m.repeats.is_empty() {
        add("repeats", m.repeats.join(" "));
    }
    m.altitude.iter().for_each(|v| add("altitude", measure(v)));
    m.station.iter().for_each(|v| add("station", measure(v)));
    if let Some(manual) = &m.manual {
        manual.least.iter().for_each(|v| add("least", format!("{v} {}", manual.unit)));
        manual.most.iter().for_each(|v| add("most", format!("{v} {}", manual.unit)));
        add("page", manual.page.clone());
    }
    out
}
