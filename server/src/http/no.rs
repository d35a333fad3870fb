//! The one conversion from the ledger's refusals to problems.

use serde_json::{Value, json};

use crate::intake::check::Gap;
use crate::intake::decide::{Refusal, Sentence};
use crate::ledger::No;
use crate::problem::{AGAIN, Problem};
use crate::words::Catalogue;

/// A refusal as a problem, in the caller's language.
pub fn problem(no: No, words: &Catalogue) -> Problem {
    let say = |s: &Sentence| words.say(&s.key, &s.with);
    match no {
        No::Refused(Refusal::NotValid(e)) => Problem::not_valid(format!("/said/body{}", e.pointer), e.sentence),
        No::Refused(Refusal::Refused(s)) => Problem::refused(say(&s)),
        No::Refused(Refusal::Gaps(gaps)) => {
            let list: Vec<Value> = gaps.iter().map(|g| gap(g, words)).collect();
            let with = json!({"count": gaps.len()});
            let sentence = words.say("problem.gaps", with.as_object().unwrap_or(&serde_json::Map::new()));
            Problem::gaps(sentence, Value::Array(list))
        }
        No::Refused(Refusal::Ended(s)) => Problem::ended(say(&s)),
        No::Refused(Refusal::MayNot(s)) => Problem::may_not(say(&s)),
        No::Refused(Refusal::MayNotLeaveOpen(s)) => Problem::may_not_leave_open(say(&s)),
        No::Refused(Refusal::Erased(s)) => Problem::erased(say(&s)),
        No::Refused(Refusal::NoIntake) => Problem::not_found(words.plain("refused.no-intake")),
        No::Refused(Refusal::NotUnderstood) | No::UnknownVersion => {
            Problem::unknown_version(words.plain("refused.not-understood"))
        }
        No::Refused(Refusal::SaidBefore) => fault("the server said it before"),
        No::IdUsed => Problem::id_used(words.plain("refused.id-used")),
        No::TagUsed(tag) => {
            let with = json!({"tag": tag});
            Problem::tag_used(words.say("refused.tag-used", with.as_object().unwrap_or(&serde_json::Map::new())))
        }
        No::TagLost(tag) => {
            let with = json!({"tag": tag});
            Problem::tag_used(words.say("refused.tag-lost", with.as_object().unwrap_or(&serde_json::Map::new())))
        }
        No::Ahead => Problem::history_behind(words.plain("refused.history-behind")),
        No::TooLarge => Problem::too_large(words.plain("refused.entry-too-large")),
        No::Disclosures(sentence) => Problem::not_valid("/disclosures", sentence),
        No::NoShop => Problem::not_found(words.plain("refused.no-shop")),
        No::Busy(reason) => Problem::busy(words.plain("refused.busy")).because(reason).after(AGAIN),
    }
}

/// A gap with its sentence.
pub fn gap(gap: &Gap, words: &Catalogue) -> Value {
    let mut value = json!(gap);
    if let Value::Object(map) = &mut value {
        map.insert("sentence".into(), json!(words.say(&gap.key, &gap.with)));
    }
    value
}

/// A database error as a problem.
///
/// A database that is busy or away may be asked again; anything else is a fault.
pub fn fault<E: std::fmt::Display + 'static>(e: E) -> Problem {
    let database = (&e as &dyn std::any::Any).downcast_ref::<sqlx::Error>();
    database.map_or_else(|| Problem::internal(&e), Problem::of_database)
}
