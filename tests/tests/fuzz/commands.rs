//! Commands, one a line, in any order: each is judged, and what is kept folds to one state.

use counterfoil::intake::body::Body;
use counterfoil::intake::check::{Mode, check};
use counterfoil::intake::decide::{Author, Refusal, decide};
use counterfoil::intake::kind::LoadedKind;
use counterfoil::intake::sheet::{Shown, build};
use counterfoil::intake::state::{Fact, Intake, Mark, Standing, Whose};
use evidence::digest::Digest;
use evidence::sheet::Sheet;
use serde_json::{Map, Value, json};
use std::sync::OnceLock;
use uuid::Uuid;

use crate::keep::shipped;

/// Types and members.
pub const WORDS: &[&str] = &[
    "\"taken-in\"",
    "\"not-taken-in\"",
    "\"photo-moved\"",
    "\"photo-erased\"",
    "\"customer-erased\"",
    "\"left-open\"",
    "\"acknowledged\"",
    "\"tag-replaced\"",
    "\"condition-withdrawn\"",
    "\"found\"",
    "\"gap\":\"view:bar-side\"",
    "\"because\":\"x\"",
    "\"photos\":[]",
    "\"none\":[\"phone\"]",
];

/// Most commands of one input.
const MOST: usize = 200;
const FILES: [&str; 3] = ["check", "bench", "days"];

fn kinds() -> &'static [LoadedKind] {
    static KINDS: OnceLock<Vec<LoadedKind>> = OnceLock::new();
    KINDS.get_or_init(|| {
        ["small", "bench", "chainsaw"]
            .map(|k| LoadedKind::parse(&shipped(&format!("schema/vectors/kinds/{k}.toml"))).expect("a kind"))
            .into()
    })
}

/// The vectors of the check, as lines: the kind, then a command each.
pub fn seeds() -> Vec<Vec<u8>> {
    let mut out = Vec::new();
    for file in FILES {
        let all: Vec<Value> =
            serde_json::from_slice(&shipped(&format!("schema/vectors/{file}.json"))).expect("vectors");
        // Every fifth: they differ by little, and one is mutated into the other.
        for vector in all.iter().step_by(5) {
            let mut lines = vec![vector["kind"].as_str().unwrap_or_default().to_owned()];
            lines.extend(vector["entries"].as_array().into_iter().flatten().map(Value::to_string));
            out.push(lines.join("\n").into_bytes());
        }
    }
    out
}

fn read(line: &str, order: usize) -> Option<Fact> {
    let value: Value = serde_json::from_str(line).ok()?;
    let empty = Map::new();
    let body = Body::parse(value["type"].as_str()?, 1, value["body"].as_object().unwrap_or(&empty))?.ok()?;
    let index = value["index"].as_u64();
    let id = Uuid::from_u128(order as u128);
    let digest = value["digest"].as_str().and_then(|d| d.parse().ok()).unwrap_or_else(|| Digest::of(line.as_bytes()));
    let by = value["by"].as_str().and_then(|b| b.parse().ok());
    Some(Fact { mark: Mark { index, id, digest, by, at: 1, device_at: 1, order }, body })
}

/// Judges every line. What is taken in lacks nothing, what has ended stays so, and the kept facts give the same state again.
pub fn run(bytes: &[u8]) -> Result<String, String> {
    let text = String::from_utf8_lossy(bytes);
    let mut lines = text.split('\n');
    let named = lines.next().unwrap_or_default();
    let loaded = kinds().iter().find(|k| k.kind.id == named).unwrap_or(&kinds()[0]);
    let kind = &loaded.kind;
    let whose = Whose { shop: Uuid::from_u128(1), intake: Uuid::from_u128(2) };
    let mut intake = Intake::fold(whose, []);
    let mut kept: Vec<Fact> = Vec::new();
    let mut refusals: Vec<&'static str> = Vec::new();
    let all = ["*".to_owned()];
    for (order, fact) in lines.take(MOST).enumerate().filter_map(|(n, l)| read(l, n).map(|f| (n, f))) {
        let server = matches!(fact.body, Body::PhotoReceived(_) | Body::PhotoJudged(_) | Body::FileReceived(_));
        let staff = if server { None } else { fact.mark.by.or(Some(Uuid::nil())) };
        // A bench hand now and then: who may do less must not be able to do more.
        let counter = order % 7 != 6;
        let author = Author { staff, may_leave_open: &all, counter, owner: counter };
        let before = intake.state;
        let complete = check(kind, &intake, Mode::Server).at_counter().is_empty();
        let answer = decide(kind, &intake, &author, fact.mark.index, &fact.body);
        if answer != decide(kind, &intake, &author, fact.mark.index, &fact.body) {
            return Err("the same command is judged twice, differently".into());
        }
        match answer {
            Ok(_) => {
                if matches!(fact.body, Body::TakenIn(_)) && !complete {
                    return Err("taken in with gaps".into());
                }
                intake.apply(&fact);
                kept.push(fact);
            }
            Err(refused) => refusals.push(name(&refused)),
        }
        if matches!(before, Standing::InCare | Standing::NotTakenIn) && intake.state != before {
            return Err(format!("{} became {}", before.word(), intake.state.word()));
        }
    }
    let again = Intake::fold(whose, &kept);
    if json!(again) != json!(intake) {
        return Err("the kept facts give another state".into());
    }
    let device = check(kind, &intake, Mode::Device);
    let mut gaps: Vec<&str> = device.gaps.iter().map(|g| g.gap.as_str()).collect();
    gaps.sort_unstable();
    if gaps.windows(2).any(|w| w[0] == w[1]) {
        return Err(format!("a gap stands twice: {gaps:?}"));
    }
    let shown = Shown { language: "en", words: Digest([0; 32]), reader: None };
    let sheet = build(kind, &intake, &shown);
    if let Some(sheet) = &sheet {
        let bytes = sheet.bytes().map_err(|e| format!("a sheet that cannot be written: {}", e.sentence))?;
        if Sheet::parse(&bytes).as_ref() != Ok(sheet) {
            return Err("a sheet is read differently".into());
        }
    }
    refusals.sort_unstable();
    refusals.dedup();
    Ok(format!("{} {} {} {refusals:?}", intake.state.word(), gaps.len(), kept.len().min(9)))
}

fn name(refused: &Refusal) -> &'static str {
    match refused {
        Refusal::NotValid(_) => "not valid",
        Refusal::Refused(_) => "refused",
        Refusal::Gaps(_) => "gaps",
        Refusal::Ended(_) => "ended",
        Refusal::MayNot(_) => "may not",
        Refusal::MayNotLeaveOpen(_) => "may not leave open",
        Refusal::NoIntake => "no intake",
        Refusal::NotUnderstood => "not understood",
        Refusal::Erased(_) => "erased",
        Refusal::SaidBefore => "said before",
    }
}
