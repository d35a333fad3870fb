//! What may be said once the shop has a machine, and by whom: the counter's facts stay as they were signed, the bench goes on.

use std::path::PathBuf;

use counterfoil::intake::body::Body;
use counterfoil::intake::decide::{Author, Refusal, decide};
use counterfoil::intake::kind::LoadedKind;
use counterfoil::intake::state::{Fact, Intake, Mark, Whose};
use evidence::digest::Digest;
use serde_json::{Value, json};
use uuid::Uuid;

const PHOTO: Uuid = Uuid::from_u128(7);

fn kind() -> LoadedKind {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../schema/vectors/kinds/bench.toml");
    LoadedKind::parse(&std::fs::read(path).unwrap()).unwrap()
}

fn body(kind: &str, value: Value) -> Result<Body, String> {
    Body::parse(kind, 1, value.as_object().unwrap()).expect("a known type").map_err(|e| e.sentence)
}

fn taken(view: Option<&str>, photo: Uuid) -> Value {
    let mut value = json!({"photo": photo, "file": Digest::of(b"bytes"), "size": 10, "stage": "opened"});
    if let Some(view) = view {
        value["view"] = json!(view);
    }
    value
}

/// An intake with one photo: open, or in care.
fn intake(in_care: bool) -> Intake {
    let opened = json!({"kind": Digest::of(b"kind"), "kind_id": "bench", "tag": "0417", "how": "at counter"});
    let mut said = vec![("intake-opened", opened), ("photo-taken", taken(Some("front"), PHOTO))];
    if in_care {
        said.push(("taken-in", json!({})));
    }
    let fact = |(n, (kind, value)): (usize, (&str, Value))| {
        let id = Uuid::from_u128(n as u128);
        let mark = Mark {
            index: Some(n as u64),
            id,
            digest: Digest::of(kind.as_bytes()),
            by: None,
            at: 0,
            device_at: 0,
            order: n,
        };
        Fact { mark, body: body(kind, value).unwrap() }
    };
    let facts: Vec<Fact> = said.into_iter().enumerate().map(fact).collect();
    Intake::fold(Whose::default(), &facts)
}

/// What is said, and whether the bench may say it while the machine is in care.
fn sayings() -> Vec<(&'static str, Value, bool)> {
    vec![
        ("photo-taken", taken(Some("lid"), Uuid::from_u128(8)), true),
        ("photo-taken", taken(None, Uuid::from_u128(8)), true),
        ("photo-taken", taken(Some("front"), Uuid::from_u128(8)), false),
        ("question-answered", json!({"question": "oil-age", "text": "14"}), true),
        ("question-answered", json!({"question": "use", "choice": "work"}), false),
        ("reading-noted", json!({"reading": "stop-time", "value": "2,8", "unit": "s", "photo": PHOTO}), true),
        ("service-noted", json!({"service": "plug", "what": "changed", "fitted": "type 7", "old": "kept here"}), true),
        ("machine-described", json!({"field": "engine-numbers", "value": "4 / 2", "from": "typed"}), true),
        ("machine-described", json!({"field": "serial", "value": "1", "from": "typed"}), false),
        ("left-open", json!({"gap": "reading:stop-time", "reason": "no bar"}), true),
        ("left-open", json!({"gap": "view:lid", "reason": "glued"}), true),
        ("left-open", json!({"gap": "view:front", "reason": "dark"}), false),
        ("left-open", json!({"gap": "walk-round", "reason": "later"}), false),
        ("moved", json!({"place": "Bench 1"}), true),
        ("safety-noted", json!({"item": "guard", "seen": "seen"}), false),
        ("condition-noted", json!({"line": Uuid::from_u128(9), "part": "hood", "word": "clean", "photos": []}), false),
    ]
}

#[test]
fn in_care_the_bench_goes_on_and_the_counter_s_facts_stay() {
    let (kind, all) = (kind(), ["*".to_owned()]);
    for counter in [true, false] {
        let author = Author { staff: Some(Uuid::from_u128(1)), may_leave_open: &all, counter, owner: false };
        for (name, value, bench) in sayings() {
            let said = body(name, value.clone()).unwrap();
            let answer = decide(&kind.kind, &intake(true), &author, None, &said);
            match (bench, counter) {
                (true, _) => assert!(answer.is_ok(), "{name} {value}: {answer:?}"),
                (false, true) => assert!(matches!(answer, Err(Refusal::Ended(_))), "{name} {value}: {answer:?}"),
                (false, false) => assert!(matches!(answer, Err(Refusal::MayNot(_))), "{name} {value}: {answer:?}"),
            }
        }
    }
}

#[test]
fn at_the_counter_only_the_counter_speaks() {
    let (kind, all) = (kind(), ["*".to_owned()]);
    for (name, value, _) in sayings() {
        let said = body(name, value.clone()).unwrap();
        let by = |counter| Author { staff: Some(Uuid::from_u128(1)), may_leave_open: &all, counter, owner: false };
        assert!(decide(&kind.kind, &intake(false), &by(true), None, &said).is_ok(), "{name} {value}");
        let bench = decide(&kind.kind, &intake(false), &by(false), None, &said);
        assert!(matches!(bench, Err(Refusal::MayNot(_))), "{name} {value}: {bench:?}");
    }
}

#[test]
fn readings_and_service_entries_are_written_one_way() {
    let (kind, all) = (kind(), ["*".to_owned()]);
    let author = Author { staff: Some(Uuid::from_u128(1)), may_leave_open: &all, counter: true, owner: false };
    let cases = [
        ("reading-noted", json!({"reading": "stop-time", "value": "118", "unit": "psi"}), true),
        ("reading-noted", json!({"reading": "stop-time", "value": "-0.5", "unit": "bar", "method": "cold"}), true),
        ("reading-noted", json!({"reading": "stop-time", "value": "118"}), false),
        ("reading-noted", json!({"reading": "stop-time", "value": "118 psi", "unit": "psi"}), false),
        ("reading-noted", json!({"reading": "stop-time", "value": "1e3", "unit": "psi"}), false),
        ("reading-noted", json!({"reading": "stop-time", "not": "not taken", "because": "no adapter"}), true),
        ("reading-noted", json!({"reading": "stop-time", "not": "not taken"}), false),
        ("reading-noted", json!({"reading": "stop-time", "not": "low", "because": "x"}), false),
        (
            "reading-noted",
            json!({"reading": "stop-time", "value": "1", "unit": "s", "not": "not taken", "because": "x"}),
            false,
        ),
        ("reading-noted", json!({"reading": "stop-time"}), false),
        ("reading-noted", json!({"reading": "spark", "value": "1", "unit": "mm"}), false),
        (
            "reading-noted",
            json!({"reading": "stop-time", "value": "1", "unit": "s", "photo": Uuid::from_u128(99)}),
            false,
        ),
        ("service-noted", json!({"service": "plug", "what": "as found"}), true),
        ("service-noted", json!({"service": "plug", "what": "changed", "fitted": "type 7"}), false),
        ("service-noted", json!({"service": "plug", "what": "changed", "old": "given back"}), false),
        ("service-noted", json!({"service": "plug", "what": "as found", "old": "given back"}), false),
        (
            "service-noted",
            json!({"service": "oil", "what": "topped up", "fitted": "5W-30", "level": "below the mark"}),
            true,
        ),
        ("service-noted", json!({"service": "oil", "what": "changed"}), false),
        ("service-noted", json!({"service": "oil", "what": "as found", "level": "low"}), false),
        ("service-noted", json!({"service": "plug", "what": "as found", "level": "at the mark"}), false),
        // This kind takes no carburettor entry.
        ("service-noted", json!({"service": "carburettor", "what": "fixed jets"}), false),
        ("service-noted", json!({"service": "chain", "what": "changed"}), false),
        ("question-answered", json!({"question": "oil-age", "text": "12 months"}), false),
        ("question-answered", json!({"question": "oil-age", "text": "12,5"}), true),
        ("question-answered", json!({"question": "oil-age", "not": "does not know"}), true),
    ];
    for (name, value, good) in cases {
        let answer = decide(&kind.kind, &intake(true), &author, None, &body(name, value.clone()).unwrap());
        assert_eq!(answer.is_ok(), good, "{name} {value}: {answer:?}");
    }
}
