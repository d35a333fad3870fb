//! A kind's own examples: what is asked for when certain things were answered. The phone's check runs the same ones
//! (`core/example.js`). Pure.

use std::collections::BTreeMap;

use evidence::digest::Digest;
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use super::body::{Answer, Block, Body, Line, NOT_ANSWERED, Safety};
use super::check::{Mode, check};
use super::kind::Kind;
use super::state::{Fact, Intake, Mark, Whose};

/// Answers, and what they ask for.
#[derive(Clone, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Example {
    /// What it is about.
    pub name: String,
    /// What was answered, by field of a condition: `question:<id>`, `safety:<id>`, `line:<part>`, `block:<block>`.
    pub answers: BTreeMap<String, String>,
    /// What is asked for because of it: `view:<id>`, `question:<id>` and `reading:<id>` that have a condition, in the order
    /// of the check.
    pub asks: Vec<String>,
}

/// What a kind asks for because of these answers.
pub fn asked(kind: &Kind, answers: &BTreeMap<String, String>) -> Vec<String> {
    let facts: Vec<Fact> = answers
        .iter()
        .enumerate()
        .filter_map(|(order, (field, said))| {
            let mark =
                Mark { index: None, id: Uuid::nil(), digest: Digest([0; 32]), by: None, at: 0, device_at: 0, order };
            Some(Fact { mark, body: fact(kind, field, said)? })
        })
        .collect();
    let intake = Intake::fold(Whose::default(), &facts);
    let conditional = |gap: &str| match gap.split_once(':') {
        Some(("view", id)) => kind.view(id).is_some_and(|v| v.when.is_some()),
        Some(("question", id)) => kind.question(id).is_some_and(|q| q.when.is_some()),
        Some(("reading", id)) => kind.reading(id).is_some_and(|r| r.when.is_some()),
        _ => false,
    };
    let gaps = check(kind, &intake, Mode::Device).gaps;
    gaps.into_iter().map(|g| g.gap).filter(|g| conditional(g)).collect()
}

fn fact(kind: &Kind, field: &str, said: &str) -> Option<Body> {
    let (group, id) = field.split_once(':')?;
    let (id, said) = (id.to_owned(), said.to_owned());
    Some(match group {
        "question" => {
            let choice = kind.question(&id).is_some_and(|q| q.choices.iter().any(|c| c.id == said));
            let not = !choice && NOT_ANSWERED.contains(&said.as_str());
            let is = |yes: bool| yes.then(|| said.clone());
            let (choice, not, text) = (is(choice), is(not), is(!choice && !not));
            Body::Answer(Answer { question: id, choice, not, because: None, text })
        }
        "safety" => Body::Safety(Safety { item: id, seen: said }),
        "line" => Body::Line(Line { line: Uuid::nil(), part: id, word: said, photos: Vec::new(), note: None }),
        "block" => Body::Block(Block { block: id, sentence: said }),
        _ => return None,
    })
}
