//! The rules of a kind whose shape is right: identifiers, what the counter may be asked, what conditions name.

use std::collections::BTreeSet;
use std::ops::Range;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::body::{BLOCKS, NOT_ANSWERED, SEEN, SERVICES};
use super::kind::{Due, Kind, Text, number};
use super::kind_file::Faults;

/// Most views that the counter is asked for without a condition.
const COUNTER_VIEWS: usize = 6;
/// Most questions that the counter asks without a condition.
const COUNTER_QUESTIONS: usize = 3;

/// Where things stand in the file.
struct Places<'a, 'i>(&'a DeTable<'i>);

impl<'a, 'i> Places<'a, 'i> {
    /// A member of the n-th entry of a list.
    fn member(&self, list: &str, n: usize, member: &str) -> Option<&'a Spanned<DeValue<'i>>> {
        self.0.get(list)?.get_ref().as_array()?.get(n)?.get_ref().as_table()?.get(member)
    }

    fn span(&self, list: &str, n: usize, member: &str) -> Range<usize> {
        self.member(list, n, member).map_or(0..0, Spanned::span)
    }
}

/// Judges a kind; every fault found is noted.
pub(super) fn judge(kind: &Kind, table: &DeTable<'_>, faults: &mut Faults<'_>) {
    let places = Places(table);
    let top = |field: &str| table.get(field).map_or(0..0, Spanned::span);
    if kind.v != 1 {
        faults.at(top("v"), format!("kind version {} is not known here", kind.v));
    }
    ids(kind, &places, faults);
    counter(kind, &places, faults);
    for (n, q) in kind.questions.iter().enumerate() {
        if (q.kind == "choice") == q.choices.is_empty() {
            let reason = format!("question \"{}\": a choice question lists its choices, others list none", q.id);
            faults.at(places.span("question", n, "kind"), reason);
        }
    }
    for service in kind.services.iter().filter(|s| !SERVICES.contains(&s.as_str())) {
        faults.at(top("services"), format!("services: \"{service}\" is none of {}", SERVICES.join(", ")));
    }
    let owners = [
        ("view", kind.views.iter().map(|v| v.id.as_str()).collect::<Vec<_>>()),
        ("question", kind.questions.iter().map(|q| q.id.as_str()).collect()),
        ("reading", kind.readings.iter().map(|r| r.id.as_str()).collect()),
        ("note", kind.notes.iter().map(|n| n.id.as_str()).collect()),
    ];
    for (list, ids) in owners {
        for (n, id) in ids.into_iter().enumerate() {
            if let Some(when) = places.member(list, n, "when") {
                condition(kind, &format!("{list} \"{id}\""), when, faults);
            }
        }
    }
    notes(kind, &places, faults);
    examples(kind, &places, faults);
}

/// An example answers what is there, and asks for what the check asks for.
fn examples(kind: &Kind, places: &Places<'_, '_>, faults: &mut Faults<'_>) {
    for (n, e) in kind.examples.iter().enumerate() {
        let unsaid = e.answers.iter().find(|(field, said)| !known(kind, field) || !sayable(kind, field, "is", said));
        if let Some((field, said)) = unsaid {
            let reason = format!("example \"{}\": \"{field}\" never says \"{said}\"", e.name);
            faults.at(places.span("example", n, "answers"), reason);
            continue;
        }
        let asked = super::example::asked(kind, &e.answers);
        if asked != e.asks {
            let list = if asked.is_empty() { "nothing".to_owned() } else { asked.join(", ") };
            faults
                .at(places.span("example", n, "asks"), format!("example \"{}\": these answers ask for {list}", e.name));
        }
    }
}

/// Whether a field of a condition is one of this kind's.
fn known(kind: &Kind, field: &str) -> bool {
    match field.split_once(':') {
        Some(("question", id)) => kind.question(id).is_some(),
        Some(("safety", id)) => kind.safety.iter().any(|s| s.id == id),
        Some(("line", id)) => kind.parts.iter().any(|p| p.id == id),
        Some(("block", id)) => BLOCKS.contains(&id),
        _ => false,
    }
}

fn ids(kind: &Kind, places: &Places<'_, '_>, faults: &mut Faults<'_>) {
    let lists: [(&str, Vec<&str>); 8] = [
        ("view", kind.views.iter().map(|v| v.id.as_str()).collect()),
        ("question", kind.questions.iter().map(|v| v.id.as_str()).collect()),
        ("part", kind.parts.iter().map(|v| v.id.as_str()).collect()),
        ("condition", kind.conditions.iter().map(|v| v.id.as_str()).collect()),
        ("safety", kind.safety.iter().map(|v| v.id.as_str()).collect()),
        ("accessory", kind.accessories.iter().map(|v| v.id.as_str()).collect()),
        ("reading", kind.readings.iter().map(|v| v.id.as_str()).collect()),
        ("note", kind.notes.iter().map(|v| v.id.as_str()).collect()),
    ];
    for (list, ids) in &lists {
        let mut seen = BTreeSet::new();
        for (n, id) in ids.iter().enumerate() {
            let span = || places.span(list, n, "id");
            let plain = id.len() <= 64
                && id.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-' || c == ' ');
            if !plain {
                faults.at(span(), format!("{list} \"{id}\": an id is lower-case letters, digits, - and spaces"));
            }
            if !seen.insert(*id) {
                faults.at(span(), format!("{list} \"{id}\" stands twice"));
            }
        }
    }
}

/// The counter has one person, one phone and a customer waiting.
fn counter(kind: &Kind, places: &Places<'_, '_>, faults: &mut Faults<'_>) {
    let views: Vec<usize> = (0..kind.views.len())
        .filter(|n| kind.views[*n].due == Due::AtCounter && kind.views[*n].when.is_none())
        .collect();
    if let Some(first) = views.get(COUNTER_VIEWS) {
        let reason = format!("{} views are due at the counter; at most {COUNTER_VIEWS} may be", views.len());
        faults.at(places.span("view", *first, "due"), reason);
    }
    let asked: Vec<usize> = (0..kind.questions.len())
        .filter(|n| kind.questions[*n].due == Due::AtCounter && kind.questions[*n].when.is_none())
        .collect();
    if let Some(first) = asked.get(COUNTER_QUESTIONS) {
        let reason = format!("{} questions are due at the counter; at most {COUNTER_QUESTIONS} may be", asked.len());
        faults.at(places.span("question", *first, "due"), reason);
    }
    for (n, r) in kind.readings.iter().enumerate().filter(|(_, r)| r.due == Due::AtCounter) {
        let reason = format!("reading \"{}\": nothing is measured at the counter", r.id);
        faults.at(places.span("reading", n, "due"), reason);
    }
}

/// What a condition names is there, and its operator has what it needs.
fn condition(kind: &Kind, owner: &str, when: &Spanned<DeValue<'_>>, faults: &mut Faults<'_>) {
    let Some(table) = when.get_ref().as_table() else { return };
    let group = ["all", "any"].into_iter().find_map(|g| table.get(g)?.get_ref().as_array());
    if let Some(list) = group {
        return list.iter().for_each(|w| condition(kind, owner, w, faults));
    }
    let word = |name: &str| table.get(name).and_then(|v| v.get_ref().as_str());
    let values: Vec<&str> = table
        .get("values")
        .and_then(|v| v.get_ref().as_array())
        .map(|list| list.iter().filter_map(|v| v.get_ref().as_str()).collect())
        .unwrap_or_default();
    let (field, op, value) = (word("field").unwrap_or_default(), word("op").unwrap_or_default(), word("value"));
    if !known(kind, field) {
        return faults.at(when.span(), format!("{owner}: the condition names \"{field}\", which is not there"));
    }
    let complete = match op {
        "is" | "is-not" | "at-least" => value.is_some() && values.is_empty(),
        "one-of" => value.is_none() && !values.is_empty(),
        _ => value.is_none() && values.is_empty(),
    };
    if !complete {
        let reason = format!("{owner}: is, is-not and at-least need a value, one-of values, answered neither");
        return faults.at(when.span(), reason);
    }
    if let Some(unsaid) = value.into_iter().chain(values).find(|v| !sayable(kind, field, op, v)) {
        faults.at(when.span(), format!("{owner}: \"{field}\" never says \"{unsaid}\""));
    }
}

/// Whether a field can ever say this; a condition on anything else would silently never hold.
fn sayable(kind: &Kind, field: &str, op: &str, value: &str) -> bool {
    match field.split_once(':') {
        Some(("question", id)) => kind.question(id).is_some_and(|q| match (op, q.kind.as_str()) {
            ("at-least", kind) => kind == "number" && number(value).is_some(),
            (_, "choice") => NOT_ANSWERED.contains(&value) || q.choices.iter().any(|c| c.id == value),
            _ => true,
        }),
        _ if op == "at-least" => false,
        Some(("line", _)) => kind.condition(value).is_some(),
        Some(("safety", _)) => SEEN.contains(&value),
        _ => true,
    }
}

/// A note names answers of its own questions only.
fn notes(kind: &Kind, places: &Places<'_, '_>, faults: &mut Faults<'_>) {
    for (n, note) in kind.notes.iter().enumerate() {
        for id in note.with.iter().filter(|id| kind.question(id).is_none()) {
            let reason = format!("note \"{}\": there is no question \"{id}\"", note.id);
            faults.at(places.span("note", n, "with"), reason);
        }
        for name in named(&note.text).difference(&note.with.iter().map(String::as_str).collect()) {
            let reason = format!("note \"{}\": \"{{{name}}}\" is not among its \"with\"", note.id);
            faults.at(places.span("note", n, "text"), reason);
        }
    }
}

/// The names in braces of a text, in all its languages.
fn named(text: &Text) -> BTreeSet<&str> {
    text.values()
        .flat_map(|t| t.split('{').skip(1).filter_map(|rest| rest.split_once('}').map(|(name, _)| name)))
        .collect()
}

#[cfg(test)]
mod tests {
    use crate::intake::kind::LoadedKind;

    const GOOD: &str = include_str!("../../../schema/vectors/kinds/bench.toml");

    /// The faults of the frozen kind with some of its text replaced, as lines.
    fn faults(changes: &[(&str, &str)]) -> Vec<String> {
        let mut text = GOOD.to_owned();
        for (old, new) in changes {
            assert!(text.contains(old), "{old}");
            text = text.replacen(old, new, 1);
        }
        let error = LoadedKind::parse(text.as_bytes()).expect_err("a fault");
        error.in_file("own.toml").lines().map(str::to_owned).collect()
    }

    #[test]
    fn a_kind_without_faults_is_loaded() {
        let kind = LoadedKind::parse(GOOD.as_bytes()).unwrap().kind;
        assert_eq!((kind.readings.len(), kind.notes.len(), kind.services.len()), (2, 1, 2));
    }

    #[test]
    fn every_fault_of_the_shape_is_named_with_its_line() {
        let found = faults(&[
            ("due = \"at counter\"\nstage", "due = \"at the counter\"\nstage"),
            ("why = { en = \"A crack may go further.\" }", "why = { de = \"Ein Riss.\" }\nhow = 3"),
            ("unit = \"s\"\n", ""),
            ("photo = false", "photo = \"no\""),
        ]);
        assert_eq!(found.len(), 5, "{found:#?}");
        assert_eq!(found[0], "own.toml:11: view \"front\": due: this is one of: at counter, before opening, at bench");
        assert!(found[1].contains("the English text (en) is missing"), "{found:#?}");
        assert_eq!(found[2], "own.toml:28: view \"lid\": there is no field \"how\"");
        assert!(found[3].ends_with("reading \"stop-time\": \"unit\" is missing"), "{found:#?}");
        assert!(found[4].ends_with("photo: this is true or false"), "{found:#?}");
    }

    #[test]
    fn every_broken_rule_is_named_with_its_line() {
        let found = faults(&[
            ("services = [\"plug\"", "services = [\"spark\""),
            ("id = \"lid\"", "id = \"front\""),
            (
                "question:oil-age\", op = \"at-least\", value = \"12\"",
                "question:oil-age\", op = \"at-least\", value = \"a year\"",
            ),
            ("field = \"question:rebuilt\"", "field = \"question:rebuild\""),
            ("due = \"at bench\"\nunit", "due = \"at counter\"\nunit"),
            ("Paid {paid}.", "Paid {price}."),
            ("with = [\"paid\"]", "with = [\"pay\"]"),
        ]);
        let wanted = [
            "\"spark\" is none of",
            "view \"front\" stands twice",
            "never says \"a year\"",
            "names \"question:rebuild\"",
            "nothing is measured at the counter",
            "\"{price}\" is not among",
            "no question \"pay\"",
        ];
        assert_eq!(found.len(), wanted.len(), "{found:#?}");
        for (found, wanted) in found.iter().zip(wanted) {
            assert!(found.starts_with("own.toml:") && found.contains(wanted), "{found} / {wanted}");
        }
    }

    #[test]
    fn what_is_no_toml_is_told_by_its_line() {
        let found = faults(&[("v = 1", "v = "), ("[[safety]]", "[[safety]")]);
        assert!(found.iter().any(|f| f.starts_with("own.toml:3:")), "{found:#?}");
        assert!(found.len() >= 2, "{found:#?}");
        assert!(LoadedKind::parse(b"\xff").is_err());
    }
}
