//! A customer's personal data in one intake is erased: everything in it that was said apart as personal, the signatures, and
//! the photos the owner named. The entries stay as they were signed; what they bind is gone. Pure.

use std::collections::BTreeMap;

use evidence::digest::Digest;
use evidence::disclosure::Disclosure;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use uuid::Uuid;

use super::body::{Body, BodyError, one_of};
use super::custody::entries;
use super::decide::{Author, Refusal, Sentence, files_named, known};
use super::rules::need;
use super::state::{Intake, Standing};

/// Why it was erased. Words of a list: a reason typed freely might name whom it is about, and would stay for ever.
pub const WHY: [&str; 3] = ["customer asked", "kept long enough", "should not have been kept"];
/// Why it was erased once more, as the server says it: a backup had brought it back.
pub const AGAIN: &str = "restored from a backup";
/// Most kinds of members that are counted: there are not so many.
const MOST_COUNTS: usize = 100;
/// Most signatures of an intake.
const MOST_FILES: usize = 400;

entries! {
/** How many members of one name were erased from entries of one type. */ Count {
    /** The entries' type. */ of: String,
    /** The member. */ member: String,
    /** How many. */ count: u32,
}
/** The customer's personal data was erased. */ CustomerErased {
    /** This erasure; one may reach over several intakes. */ erasure: Uuid,
    /** `customer asked`, `kept long enough`, `should not have been kept`, or of the server `restored from a backup`. */ why: String,
    /** Everything personal of this intake up to this log index, itself included. */ upto: u64,
    /** What was erased, by type and member. */ details: Vec<Count>,
    /** Photos whose bytes were erased with it. */ photos: Vec<Uuid>,
    /** Digests of the signatures' strokes. */ files: Vec<Digest>,
}
}

impl CustomerErased {
    /// How many members were erased.
    pub fn members(&self) -> u64 {
        self.details.iter().map(|c| u64::from(c.count)).sum()
    }
}

/// The rules that need neither the state nor the kind.
///
/// # Errors
/// The pointer and a sentence.
pub(super) fn well_formed(b: &CustomerErased) -> Result<(), BodyError> {
    one_of("/why", &b.why, &[WHY[0], WHY[1], WHY[2], AGAIN])?;
    need("/details", b.details.len() <= MOST_COUNTS, "more kinds of members than there are")?;
    need("/photos", b.photos.len() <= 400, "an intake holds at most 400 photos")?;
    need("/files", b.files.len() <= MOST_FILES, "more signatures than an intake has")
}

/// Why the customer's data may not be erased now, by anybody; none when nothing speaks against it. A claim against a supplier
/// does not: what goes to a supplier never names the customer.
pub fn against(intake: &Intake) -> Option<Sentence> {
    let open = intake.disputes.opened.iter().any(|d| intake.disputes.open(d.what.dispute));
    let key = match intake.state {
        _ if intake.custody.hold.is_some() => "refused.held",
        _ if open => "refused.erase-dispute",
        Standing::Open | Standing::Found => "refused.erase-open",
        Standing::InCare => "refused.erase-in-care",
        _ => return None,
    };
    Some(Sentence::plain(key))
}

/// Judges an erasure. What a backup brought back was erased before, rightly: the server asks nobody again.
///
/// # Errors
/// The refusal.
pub(super) fn decide(intake: &Intake, author: &Author<'_>, b: &CustomerErased) -> Result<(), Refusal> {
    let server = author.staff.is_none();
    if !server && !author.owner {
        return Err(Refusal::MayNot(Sentence::plain("refused.owner-erases-customer")));
    }
    known(server == (b.why == AGAIN), "/why", "only the server says that a backup brought it back")?;
    if let Some(sentence) = against(intake).filter(|_| !server) {
        return Err(Refusal::Refused(sentence));
    }
    if b.details.is_empty() && b.photos.is_empty() && b.files.is_empty() && !server {
        return Err(Refusal::Refused(Sentence::plain("refused.nothing-personal")));
    }
    known(intake.last_index == Some(b.upto), "/upto", "something was said of this intake meanwhile")?;
    let there = |p: &Uuid| intake.photo(*p).is_some_and(|p| p.gone().is_none());
    known(server || b.photos.iter().all(there), "/photos", "a photo that is named is on this machine and not erased")
}

/// Whether somebody who had seen the log up to `seen` does not know yet that the customer was erased: what they say about a
/// person may be what was erased.
pub fn unseen(intake: &Intake, seen: Option<u64>) -> bool {
    let newest = intake.erasures.iter().filter_map(|e| e.mark.index).max();
    newest.is_some_and(|at| seen.is_none_or(|s| s < at))
}

/// Counts what disclosures hold, by type and member.
pub fn counts<'a>(entries: impl IntoIterator<Item = (&'a str, &'a [String])>) -> Vec<Count> {
    let mut all: BTreeMap<(String, String), u32> = BTreeMap::new();
    for (of, disclosures) in entries {
        for d in disclosures.iter().filter_map(|d| Disclosure::decode(d).ok()) {
            *all.entry((of.to_owned(), d.name)).or_default() += 1;
        }
    }
    all.into_iter().map(|((of, member), count)| Count { of, member, count }).collect()
}

/// The strokes of signatures that an entry names.
pub fn strokes_named(body: &Body) -> impl Iterator<Item = Digest> {
    files_named(body).into_iter().filter(|(_, _, of)| *of == "strokes").map(|(file, _, _)| file)
}

/// Photos that always go: a sheet written by hand names the customer.
pub fn always(intake: &Intake) -> Vec<Uuid> {
    let paper = intake.photos.iter().filter(|p| p.taken.of_paper && p.gone().is_none());
    paper.map(|p| p.taken.photo).collect()
}

/// Free words that stand in an entry itself, not apart: they are bound by its hash and cannot be taken out of it.
pub fn words_that_stay(body: &serde_json::Map<String, Value>) -> Vec<String> {
    const FREE: [&str; 6] = ["because", "reason", "reader", "about", "to", "reference"];
    let mut out: Vec<String> = FREE
        .iter()
        .filter_map(|m| body.get(*m)?.as_str())
        .filter(|t| t.parse::<Uuid>().is_err())
        .map(str::to_owned)
        .collect();
    out.extend(body.get("written").and_then(|w| w.get("by")?.as_str()).map(str::to_owned));
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::intake::state::{Fact, Mark, Whose};
    use serde_json::json;

    fn author(owner: bool) -> Author<'static> {
        Author { staff: Some(Uuid::from_u128(1)), may_leave_open: &[], counter: true, owner }
    }

    /// An intake that went through these entries.
    fn intake(said: &[(&str, Value)]) -> Intake {
        let fact = |(n, (kind, body)): (usize, &(&str, Value))| {
            let (id, digest) = (Uuid::from_u128(n as u128), Digest::of(kind.as_bytes()));
            let mark = Mark { index: Some(n as u64), id, digest, by: None, at: 0, device_at: 0, order: n };
            let body = Body::parse(kind, 1, body.as_object().unwrap()).expect("a known type").expect("a body");
            Fact { mark, body }
        };
        let opened = json!({"kind": Digest::of(b"kind"), "kind_id": "small", "tag": "0417", "how": "at counter"});
        let all: Vec<(&str, Value)> = std::iter::once(("intake-opened", opened)).chain(said.iter().cloned()).collect();
        let facts: Vec<Fact> = all.iter().enumerate().map(fact).collect();
        Intake::fold(Whose::default(), &facts)
    }

    fn erased(upto: u64, why: &str) -> CustomerErased {
        let details = vec![Count { of: "person-named".into(), member: "name".into(), count: 1 }];
        CustomerErased {
            erasure: Uuid::from_u128(9),
            why: why.into(),
            upto,
            details,
            photos: Vec::new(),
            files: Vec::new(),
        }
    }

    fn gone_home(more: &[(&str, Value)]) -> Intake {
        let home = [("taken-in", json!({})), ("handed-back", json!({}))];
        intake(&home.into_iter().chain(more.iter().cloned()).collect::<Vec<_>>())
    }

    #[test]
    fn only_what_nobody_needs_any_more_is_erased() {
        let against = |i: &Intake| against(i).map(|s| s.key);
        let dispute = Uuid::from_u128(7);
        let opened =
            ("dispute-opened", json!({"dispute": dispute, "side": "customer", "how": "by phone", "heard_by": dispute}));
        let ended = ("dispute-ended", json!({"dispute": dispute, "outcome": "agreed"}));
        let hold = ("hold-set", json!({"because": "an insurer asked"}));
        assert_eq!(against(&intake(&[])).as_deref(), Some("refused.erase-open"));
        assert_eq!(against(&intake(&[("taken-in", json!({}))])).as_deref(), Some("refused.erase-in-care"));
        assert_eq!(against(&gone_home(&[])), None);
        assert_eq!(against(&intake(&[("not-taken-in", json!({"because": "no room"}))])), None);
        assert_eq!(against(&gone_home(std::slice::from_ref(&opened))).as_deref(), Some("refused.erase-dispute"));
        assert_eq!(against(&gone_home(&[opened, ended])), None);
        assert_eq!(against(&gone_home(std::slice::from_ref(&hold))).as_deref(), Some("refused.held"));
        assert_eq!(against(&gone_home(&[hold, ("hold-lifted", json!({"because": "settled"}))])), None);
    }

    #[test]
    fn the_owner_erases_and_only_the_server_says_it_again() {
        let home = gone_home(&[]);
        let last = home.last_index.unwrap();
        assert_eq!(decide(&home, &author(true), &erased(last, WHY[0])), Ok(()));
        assert!(matches!(decide(&home, &author(false), &erased(last, WHY[0])), Err(Refusal::MayNot(_))));
        assert!(matches!(decide(&home, &author(true), &erased(last, AGAIN)), Err(Refusal::NotValid(_))));
        assert!(
            matches!(decide(&home, &author(true), &erased(last - 1, WHY[0])), Err(Refusal::NotValid(e)) if e.pointer == "/upto")
        );
        let mut nothing = erased(last, WHY[0]);
        nothing.details.clear();
        assert!(matches!(decide(&home, &author(true), &nothing), Err(Refusal::Refused(_))));
        // A log that was set back may say that the machine is still here: what was erased is erased all the same.
        let server = Author { staff: None, ..author(false) };
        let before = intake(&[("taken-in", json!({}))]);
        assert_eq!(decide(&before, &server, &erased(1, AGAIN)), Ok(()));
        assert!(matches!(decide(&before, &server, &erased(1, WHY[0])), Err(Refusal::NotValid(_))));
    }

    #[test]
    fn who_did_not_see_it_speaks_of_what_was_erased() {
        let home = gone_home(&[("customer-erased", serde_json::to_value(erased(2, WHY[0])).unwrap())]);
        assert!(unseen(&home, None) && unseen(&home, Some(2)));
        assert!(!unseen(&home, Some(3)) && !unseen(&gone_home(&[]), None));
    }

    #[test]
    fn free_words_in_an_entry_are_told() {
        let body =
            json!({"because": "M. Okafor was in a hurry", "to": Uuid::nil(), "written": {"by": "Ines"}, "name": "x"});
        assert_eq!(words_that_stay(body.as_object().unwrap()), ["M. Okafor was in a hurry", "Ines"]);
    }
}
