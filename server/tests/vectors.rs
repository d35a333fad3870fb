//! The shared vectors: the server's check and sheet give the same answers as the phone's
//! (`schema/vectors/README.md`; expectations written by hand from the rules).

use std::path::PathBuf;

use counterfoil::intake::body::Body;
use counterfoil::intake::check::{Mode, check};
use counterfoil::intake::kind::LoadedKind;
use counterfoil::intake::sheet::{Shown, build};
use counterfoil::intake::state::{Fact, Intake, Mark, Whose};
use counterfoil::intake::{hand_back, part};
use serde_json::{Value, json};
use uuid::Uuid;

fn schema(path: &str) -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../schema").join(path)
}

/// The files, and how many vectors each holds at least.
const FILES: [(&str, usize); 4] = [("check", 60), ("bench", 30), ("days", 20), ("shipped", 40)];

/// A frozen kind where there is one; `shipped` is about the kinds as shipped.
fn kind(file: &str, name: &str) -> LoadedKind {
    let frozen = schema(&format!("vectors/kinds/{name}.toml"));
    let path = if file != "shipped" && frozen.is_file() { frozen } else { schema(&format!("kinds/{name}.toml")) };
    LoadedKind::parse(&std::fs::read(path).unwrap()).unwrap()
}

/// Every vector, with its file.
fn vectors() -> Vec<(&'static str, Value)> {
    let read = |file: &'static str, least: usize| {
        let bytes = std::fs::read(schema(&format!("vectors/{file}.json"))).unwrap();
        let list: Vec<Value> = serde_json::from_slice(&bytes).unwrap();
        assert!(list.len() >= least, "{file}");
        list.into_iter().map(move |v| (file, v))
    };
    FILES.into_iter().flat_map(|(file, least)| read(file, least)).collect()
}

fn facts(vector: &Value) -> Vec<Fact> {
    let mut entries: Vec<&Value> = vector["entries"].as_array().unwrap().iter().collect();
    entries.sort_by_key(|e| e["index"].as_u64().unwrap_or(u64::MAX));
    let fact = |(order, e): (usize, &Value)| {
        let body = e["body"].as_object().unwrap();
        let body = Body::parse(e["type"].as_str().unwrap(), 1, body).expect("a known type").expect("a body");
        let mark = Mark {
            index: e["index"].as_u64(),
            id: Uuid::from_u128(order as u128),
            digest: e["digest"].as_str().unwrap().parse().unwrap(),
            by: e["by"].as_str().map(|b| b.parse().unwrap()),
            at: 0,
            device_at: 0,
            order,
        };
        Fact { mark, body }
    };
    entries.into_iter().enumerate().map(fact).collect()
}

#[test]
fn every_shared_vector_gives_the_answer_it_names() {
    let vectors = vectors();
    let mut wrong = Vec::new();
    for (file, v) in &vectors {
        let name = v["name"].as_str().unwrap();
        let kind = kind(file, v["kind"].as_str().unwrap());
        let id = |k: &str| v[k].as_str().unwrap().parse().unwrap();
        let intake = Intake::fold(Whose { shop: id("shop"), intake: id("intake") }, &facts(v));
        let mode = if v["mode"] == "server" { Mode::Server } else { Mode::Device };
        let found = json!(check(&kind.kind, &intake, mode));
        if found != v["expect"] {
            wrong.push(format!("{name}\n  expected {}\n  found    {found}", v["expect"]));
        }
        let Some(s) = v.get("sheet") else { continue };
        let words = s["words"].as_str().unwrap().parse().unwrap();
        let shown = Shown { language: s["language"].as_str().unwrap(), words, reader: s["reader"].as_str() };
        let sheet = build(&kind.kind, &intake, &shown).expect("an opened intake has a sheet");
        let same = json!(sheet.digest()) == s["digest"]
            && json!(sheet.files) == s["files"]
            && json!(sheet.entries) == s["entries"];
        if !same {
            wrong.push(format!("{name}: another sheet\n  expected {s}\n  found    {}", json!(sheet)));
        }
    }
    assert!(wrong.is_empty(), "{} of {} differ:\n{}", wrong.len(), vectors.len(), wrong.join("\n"));
}

#[test]
fn every_state_can_be_shown_as_json() {
    for (_, v) in vectors() {
        let intake = Intake::fold(Whose::default(), &facts(&v));
        assert!(serde_json::to_string(&intake).is_ok(), "{}", v["name"]);
    }
}

/// A file of vectors of another shape.
fn list(file: &str, least: usize) -> Vec<Value> {
    let bytes = std::fs::read(schema(&format!("vectors/{file}.json"))).unwrap();
    let list: Vec<Value> = serde_json::from_slice(&bytes).unwrap();
    assert!(list.len() >= least, "{file}: {}", list.len());
    list
}

#[test]
fn what_speaks_against_handing_back() {
    for v in list("home", 27) {
        let kind = kind("home", v["kind"].as_str().unwrap());
        let id = |k: &str| v[k].as_str().unwrap().parse().unwrap();
        let intake = Intake::fold(Whose { shop: id("shop"), intake: id("intake") }, &facts(&v));
        let mode = if v["mode"] == "server" { Mode::Server } else { Mode::Device };
        assert_eq!(json!(hand_back::check(&kind.kind, &intake, mode)), v["expect"], "{}", v["name"]);
    }
}

#[test]
fn what_a_suspect_part_s_card_says_and_a_claim_lacks() {
    for v in list("parts", 15) {
        let opened = json!(["intake-opened", {"kind": format!("sha256:{}", "0".repeat(64)), "kind_id": "small", "tag": "0417", "how": "at counter"}]);
        let entries = std::iter::once(&opened).chain(v["entries"].as_array().unwrap());
        let entry = |(i, e): (usize, &Value)| json!({"index": i, "type": e[0], "body": e[1], "digest": format!("sha256:{}", "0".repeat(64))});
        let entries: Vec<Value> = entries.enumerate().map(entry).collect();
        let intake = Intake::fold(Whose::default(), &facts(&json!({ "entries": entries })));
        let card = intake.parts.card(v["part"].as_str().unwrap().parse().unwrap()).unwrap();
        let told =
            |all: Vec<part::Told>| json!(all.iter().map(|(k, w)| json!({"key": k, "with": w})).collect::<Vec<_>>());
        let claim: part::Claimed = serde_json::from_value(v["claim"].clone()).unwrap();
        let found = json!({
            "disagreements": told(part::disagreements(card)),
            "missing": told(part::missing(&intake, card, &claim.route)),
            "until": part::until(card, &claim),
        });
        assert_eq!(found, v["expect"], "{}", v["name"]);
    }
}
