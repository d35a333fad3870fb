//! How long a shop keeps what: which intakes were kept as long as the shop's own rule says, and what of them goes then. Nothing goes
//! by itself: it is listed, and the owner means it. What is held, disputed or claimed stays, whatever the rule. Pure.

use serde_json::Value;
use uuid::Uuid;

use super::decide::Sentence;
use super::erasure;
use super::state::{Intake, Standing};
use crate::edge::Millis;

/// What a rule is for: the customer's details and the photos of a machine that went home; all of one that was not taken in; all of
/// one about which there was a dispute, a claim or a tag "do not use", counted from when that ended.
pub const CLASSES: [&str; 4] = ["personal", "photos", "refused", "disputed"];
/// Most days of a rule: a hundred years.
pub const MOST_DAYS: i64 = 36_500;
/// A day in milliseconds.
const DAY: Millis = 24 * 3_600_000;

/// What was kept long enough.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Due {
    /// By which rules.
    pub classes: Vec<&'static str>,
    /// Since when it is counted, log time.
    pub since: Millis,
    /// Whether the customer's details go.
    pub personal: bool,
    /// The photos that go.
    pub photos: Vec<Uuid>,
}

/// Why nothing of this intake goes now, by whatever rule; none when nothing speaks against it.
pub fn against(intake: &Intake) -> Option<Sentence> {
    let parts = &intake.parts;
    let ended = |claim: Uuid| parts.ended.iter().any(|e| e.what.claim == claim);
    let claimed = parts.claims.iter().any(|c| !ended(c.what.claim));
    erasure::against(intake).or_else(|| claimed.then(|| Sentence::plain("refused.erase-claim")))
}

/// What of an intake was kept long enough by the setting `keep`. `personal`: whether any of the customer's details is there.
pub fn due(intake: &Intake, personal: bool, rules: &Value, now: Millis) -> Option<Due> {
    if against(intake).is_some() {
        return None;
    }
    let left = match intake.state {
        Standing::HandedBack => intake.home.handed_back.as_ref()?.at,
        Standing::NotTakenIn => intake.not_taken_in.as_ref()?.mark.at,
        _ => return None,
    };
    let settled = troubled(intake);
    let since = settled.unwrap_or(left).max(left);
    let over = |class: &str| {
        let days = rules.get(class).and_then(Value::as_i64).filter(|d| (0..=MOST_DAYS).contains(d));
        days.is_some_and(|days| now.saturating_sub(since) >= days * DAY)
    };
    let all: &[&'static str] = match (settled, intake.state) {
        (Some(_), _) => &["disputed"],
        (None, Standing::NotTakenIn) => &["refused"],
        (None, _) => &["personal", "photos"],
    };
    let classes: Vec<&'static str> = all.iter().copied().filter(|c| over(c)).collect();
    let goes = |class: &str| classes.iter().any(|c| *c == class || ["disputed", "refused"].contains(c));
    let there = intake.photos.iter().filter(|p| p.gone().is_none()).map(|p| p.taken.photo);
    let photos: Vec<Uuid> = if goes("photos") { there.collect() } else { Vec::new() };
    let personal = personal && goes("personal");
    (personal || !photos.is_empty()).then_some(Due { classes, since, personal, photos })
}

/// Whether there was a dispute, a claim or a tag "do not use", and when the last of them ended; 0 where that has no end.
fn troubled(intake: &Intake) -> Option<Millis> {
    let (disputes, parts, custody) = (&intake.disputes, &intake.parts, &intake.custody);
    let any = !disputes.opened.is_empty()
        || !parts.claims.is_empty()
        || !custody.quarantine.is_empty()
        || !custody.lifted.is_empty();
    let ends = disputes.ended.iter().map(|e| e.mark.at).chain(parts.ended.iter().map(|e| e.mark.at));
    any.then(|| ends.chain(custody.lifted.iter().map(|l| l.mark.at)).max().unwrap_or(0))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::intake::body::Body;
    use crate::intake::state::{Fact, Mark, Whose};
    use evidence::digest::Digest;
    use serde_json::json;

    /// An intake that went through these entries, a day apart, the first on day 0.
    fn intake(said: &[(&str, Value)]) -> Intake {
        let fact = |(n, (kind, body)): (usize, &(&str, Value))| {
            let (id, digest) = (Uuid::from_u128(n as u128), Digest::of(kind.as_bytes()));
            let at = i64::try_from(n).unwrap() * DAY;
            let mark = Mark { index: Some(n as u64), id, digest, by: None, at, device_at: 0, order: n };
            Fact { mark, body: Body::parse(kind, 1, body.as_object().unwrap()).expect("a type").expect("a body") }
        };
        let opened = json!({"kind": Digest::of(b"kind"), "kind_id": "small", "tag": "0417", "how": "at counter"});
        let photo = |n: u128| {
            let file = Digest::of(&n.to_be_bytes());
            json!({"photo": Uuid::from_u128(n), "file": file, "size": 7, "stage": "received"})
        };
        let first = [("intake-opened", opened), ("photo-taken", photo(1)), ("photo-taken", photo(2))];
        let all: Vec<(&str, Value)> = first.into_iter().chain(said.iter().cloned()).collect();
        Intake::fold(Whose::default(), &all.iter().enumerate().map(fact).collect::<Vec<_>>())
    }

    fn home(more: &[(&str, Value)]) -> Intake {
        let home = [("taken-in", json!({})), ("handed-back", json!({}))];
        intake(&home.into_iter().chain(more.iter().cloned()).collect::<Vec<_>>())
    }

    /// On this day by these rules: which classes, whether details, how many photos.
    fn on(day: i64, of: &Intake, rules: Value) -> Option<(Vec<&'static str>, bool, usize)> {
        due(of, true, &rules, day * DAY).map(|d| (d.classes, d.personal, d.photos.len()))
    }

    #[test]
    fn nothing_goes_without_a_rule_and_each_class_by_its_own() {
        let back = home(&[]);
        assert_eq!(on(30_000, &back, json!({})), None, "no number is shipped");
        assert_eq!(on(30_000, &back, json!({"refused": 1, "disputed": 1})), None);
        // It went home on day 4.
        assert_eq!(on(13, &back, json!({"photos": 10})), None);
        assert_eq!(on(14, &back, json!({"photos": 10})), Some((vec!["photos"], false, 2)));
        assert_eq!(on(14, &back, json!({"personal": 10})), Some((vec!["personal"], true, 0)));
        assert_eq!(on(14, &back, json!({"personal": 10, "photos": 5})), Some((vec!["personal", "photos"], true, 2)));
        assert_eq!(due(&back, false, &json!({"personal": 10}), 14 * DAY), None, "nothing is left of it");
        let gone = [("photo-erased", json!({"photo": Uuid::from_u128(1), "because": "x"}))];
        assert_eq!(on(14, &home(&gone), json!({"photos": 10})), Some((vec!["photos"], false, 1)));
        let refused = intake(&[("not-taken-in", json!({"because": "no room"}))]);
        assert_eq!(on(13, &refused, json!({"refused": 10})), Some((vec!["refused"], true, 2)));
        assert_eq!(on(13, &refused, json!({"personal": 1, "photos": 1})), None);
        assert_eq!(on(4, &back, json!({"photos": 0})), Some((vec!["photos"], false, 2)), "as soon as it went home");
        for rules in [json!({"photos": -1}), json!({"photos": "10"}), json!([1]), Value::Null] {
            assert_eq!(on(30_000, &back, rules), None);
        }
    }

    #[test]
    fn what_is_held_disputed_or_claimed_stays_and_counts_from_its_end() {
        let id = Uuid::from_u128(7);
        let all = json!({"personal": 1, "photos": 1, "refused": 1, "disputed": 10});
        let dispute = ("dispute-opened", json!({"dispute": id, "side": "customer", "how": "by phone", "heard_by": id}));
        let ended = ("dispute-ended", json!({"dispute": id, "outcome": "agreed"}));
        let hold = ("hold-set", json!({"because": "an insurer asked"}));
        let key = |i: &Intake| against(i).map(|s| s.key);
        for (said, why) in [
            (vec![dispute.clone()], "refused.erase-dispute"),
            (vec![hold.clone()], "refused.held"),
            (vec![dispute.clone(), ended.clone(), hold.clone()], "refused.held"),
        ] {
            assert_eq!(key(&home(&said)).as_deref(), Some(why));
            assert_eq!(on(30_000, &home(&said), all.clone()), None, "{said:?}");
        }
        for here in [intake(&[]), intake(&[("taken-in", json!({}))])] {
            assert_eq!(on(30_000, &here, all.clone()), None, "it is not gone");
        }
        // It went home on day 4; the dispute ended on day 6. Only the rule for such counts, and from then on.
        let settled = home(&[dispute, ended]);
        assert_eq!(on(15, &settled, all.clone()), None);
        assert_eq!(on(16, &settled, all.clone()), Some((vec!["disputed"], true, 2)));
        let lifted = home(&[hold, ("hold-lifted", json!({"because": "settled"}))]);
        assert_eq!(on(30_000, &lifted, all).map(|d| d.0), Some(vec!["personal", "photos"]));
    }
}
