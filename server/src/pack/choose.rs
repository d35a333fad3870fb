//! What goes into a pack: which entries, which of their personal members, which photos. Pure.

use std::collections::BTreeSet;

use evidence::entry::Entry;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::ToSchema;
use uuid::Uuid;

use crate::ledger::load::Stored;

/// Whom it is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize, Serialize, ToSchema)]
#[serde(rename_all = "lowercase")]
pub enum Customer {
    /// With everything said of the customer.
    Shown,
    /// Without the customer, and without any original photo.
    Withheld,
}

/// How much of the intake.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Wanted {
    /// Whether the customer is in it.
    pub customer: Customer,
    /// Whether photos with boxes over them are in it with the boxes, without their originals. Without the customer always.
    pub covered: bool,
    /// Only the photos of this view, from all stages.
    pub view: Option<String>,
    /// Only what concerns the part of this claim.
    pub claim: Option<Uuid>,
    /// The language of the reader; without it that of the sheet.
    pub language: Option<String>,
}

impl Wanted {
    /// The scope's word in the manifest.
    pub fn scope(&self) -> &'static str {
        match (&self.view, self.claim, self.customer) {
            (_, Some(_), _) | (None, None, Customer::Withheld) => "claim",
            (Some(_), None, _) => "view",
            (None, None, Customer::Shown) => "intake",
        }
    }
}

/// Types that a pack without the customer may carry: none of them has words of or about a customer outside its
/// disclosures. What is not named here stays out, so that a new type stays out until somebody has looked at it.
const WITHOUT_CUSTOMER: [&str; 20] = [
    "intake-opened",
    "machine-described",
    "photo-taken",
    "photo-received",
    "photo-judged",
    "photo-redacted",
    "condition-noted",
    "condition-withdrawn",
    "safety-noted",
    "reading-noted",
    "finding-noted",
    "taken-in",
    "opened-up",
    "part-noted",
    "part-pictured",
    "part-observed",
    "claim-opened",
    "part-posted",
    "customer-erased",
    "epoch-opened",
];

fn says<'a>(entry: &'a Entry, member: &str) -> Option<&'a str> {
    entry.said.body.get(member).and_then(Value::as_str)
}

/// What a pack is narrowed to.
enum About {
    /// The whole intake.
    All,
    /// The photos of a view.
    View(Vec<Uuid>),
    /// A claim, its part, and the photos of it and of what else was looked at.
    Claim { claim: String, part: String, photos: Vec<Uuid> },
}

fn id(entry: &Entry, member: &str) -> Option<Uuid> {
    says(entry, member)?.parse().ok()
}

fn about(entries: &[(u64, Entry)], wanted: &Wanted) -> About {
    let all = || entries.iter().map(|(_, e)| e);
    if let Some(claim) = wanted.claim.map(|c| c.to_string()) {
        let opened = all().find(|e| e.said.kind == "claim-opened" && says(e, "claim") == Some(claim.as_str()));
        let part = opened.and_then(|e| says(e, "part")).unwrap_or_default().to_owned();
        let photos = all().flat_map(|e| match e.said.kind.as_str() {
            "part-pictured" | "reading-noted" if says(e, "part") == Some(part.as_str()) => {
                id(e, "photo").into_iter().collect()
            }
            "part-observed" if says(e, "part") == Some(part.as_str()) => {
                let list = e.said.body.get("photos").and_then(Value::as_array);
                list.into_iter().flatten().filter_map(|p| p.as_str()?.parse().ok()).collect()
            }
            "finding-noted" => id(e, "photo").into_iter().collect(),
            _ => Vec::new(),
        });
        let photos = photos.collect();
        return About::Claim { claim, part, photos };
    }
    let Some(view) = wanted.view.as_deref() else { return About::All };
    let of = |e: &Entry| matches!(e.said.kind.as_str(), "photo-taken" | "photo-came") && says(e, "view") == Some(view);
    About::View(all().filter(|e| of(e)).filter_map(|e| id(e, "photo")).collect())
}

/// Findings that were taken back: why is said in free words, so that both stay out.
fn findings_taken_back(entries: &[(u64, Entry)]) -> BTreeSet<Uuid> {
    let back = entries.iter().filter(|(_, e)| e.said.kind == "finding-withdrawn");
    back.filter_map(|(_, e)| id(e, "finding")).collect()
}

/// Photos that a pack without the customer leaves out: of a sheet written by hand, which names the customer; and those that
/// were erased, moved or came, since their entries say why in free words.
fn photos_kept_back(entries: &[(u64, Entry)]) -> BTreeSet<Uuid> {
    let back = |e: &Entry| match e.said.kind.as_str() {
        "photo-taken" => e.said.body.get("of_paper").and_then(Value::as_bool) == Some(true),
        kind => matches!(kind, "photo-erased" | "photo-moved" | "photo-came"),
    };
    entries.iter().filter(|(_, e)| back(e)).filter_map(|(_, e)| says(e, "photo")?.parse().ok()).collect()
}

fn wanted_here(entry: &Entry, wanted: &Wanted, about: &About, back: &BTreeSet<Uuid>) -> bool {
    let kind = entry.said.kind.as_str();
    let photo = id(entry, "photo");
    if wanted.customer == Customer::Withheld {
        // Whoever wrote a sheet by hand is named in the entry; why something was not measured is said in free words.
        let free = ["written", "because"].iter().any(|m| entry.said.body.contains_key(*m));
        let named = [photo, id(entry, "finding")].into_iter().flatten().any(|n| back.contains(&n));
        if !WITHOUT_CUSTOMER.contains(&kind) || free || named {
            return false;
        }
    }
    let always = ["intake-opened", "machine-described", "taken-in", "customer-erased", "epoch-opened"].contains(&kind);
    match about {
        About::All => true,
        About::View(photos) => photo.map_or(always, |p| photos.contains(&p)),
        About::Claim { claim, part, photos } => match kind {
            "part-noted" | "part-pictured" | "part-observed" | "reading-noted" => says(entry, "part") == Some(part),
            "claim-opened" | "part-posted" => says(entry, "claim") == Some(claim),
            "finding-noted" => true,
            _ => photo.map_or(always, |p| photos.contains(&p)),
        },
    }
}

/// The entries that go in, with the disclosures that go with them.
///
/// # Errors
/// A sentence when an entry cannot be read.
pub fn choose(all: Vec<Stored>, wanted: &Wanted) -> Result<Vec<Stored>, String> {
    let read: Vec<(u64, Entry)> = all.iter().map(|s| Ok((s.index, s.entry()?))).collect::<Result<_, String>>()?;
    let about = about(&read, wanted);
    let back: BTreeSet<Uuid> = photos_kept_back(&read).into_iter().chain(findings_taken_back(&read)).collect();
    let chosen = all.into_iter().zip(read).filter(|(_, (_, e))| wanted_here(e, wanted, &about, &back));
    Ok(chosen
        .map(|(stored, _)| {
            let disclosures = if wanted.customer == Customer::Shown { stored.disclosures } else { Vec::new() };
            Stored { disclosures, ..stored }
        })
        .collect())
}

#[cfg(test)]
mod tests {
    use super::*;
    use evidence::entry::{Author, Kept, Said};
    use serde_json::json;

    fn stored(index: u64, kind: &str, body: Value, server: bool) -> Stored {
        let id = |n: u64| format!("0199c0de-0000-7000-8000-{n:012}").parse::<Uuid>().unwrap_or_default();
        let author =
            if server { Author::Server { version: "1".into() } } else { Author::Staff { staff: id(1), device: id(2) } };
        let Value::Object(body) = body else { panic!("a body is an object") };
        let (intake, kind) = (Some(id(3)), kind.to_owned());
        let said =
            Said { author, body, at: 1, offset_minutes: 0, id: id(index), intake, seen: None, shop: id(1), kind, v: 1 };
        let kept = Kept { at: 1, raw: None, clock_offset_ms: None, round_trip_ms: None };
        let bytes = Entry { said, kept }.bytes().expect("canonical bytes");
        Stored { index, bytes, disclosures: vec!["secret".into()] }
    }

    fn wanted(customer: Customer, view: Option<&str>) -> Wanted {
        Wanted { customer, covered: false, view: view.map(str::to_owned), claim: None, language: None }
    }

    fn photo(n: u64) -> Value {
        json!(format!("0199c0de-0000-7000-8000-{n:012}"))
    }

    fn log() -> Vec<Stored> {
        vec![
            stored(1, "intake-opened", json!({"tag": "0417"}), false),
            stored(2, "person-named", json!({"who": "owner"}), false),
            stored(3, "photo-taken", json!({"photo": photo(31), "view": "front"}), false),
            stored(4, "photo-taken", json!({"photo": photo(32), "view": "rear"}), false),
            stored(5, "photo-taken", json!({"photo": photo(33), "of_paper": true}), false),
            stored(6, "photo-received", json!({"photo": photo(33)}), true),
            stored(7, "photo-erased", json!({"photo": photo(32), "because": "M. Okafor asked"}), false),
            stored(8, "a-type-of-the-future", json!({}), false),
            stored(9, "reading-noted", json!({"reading": "compression", "because": "M. Okafor waits"}), false),
            stored(10, "taken-in", json!({}), false),
        ]
    }

    fn indices(wanted: &Wanted) -> Vec<u64> {
        choose(log(), wanted).expect("entries").iter().map(|s| s.index).collect()
    }

    #[test]
    fn with_the_customer_everything_goes() {
        let all = choose(log(), &wanted(Customer::Shown, None)).expect("entries");
        assert!(all.len() == 10 && all.iter().all(|s| s.disclosures == ["secret"]));
    }

    #[test]
    fn without_the_customer_only_what_is_known_to_name_nobody() {
        let some = choose(log(), &wanted(Customer::Withheld, None)).expect("entries");
        assert_eq!(some.iter().map(|s| s.index).collect::<Vec<_>>(), [1, 3, 10]);
        assert!(some.iter().all(|s| s.disclosures.is_empty()));
        let mut by_hand = log();
        by_hand[0] = stored(1, "intake-opened", json!({"tag": "0417", "written": {"by": "M. Okafor"}}), false);
        let some = choose(by_hand, &wanted(Customer::Withheld, None)).expect("entries");
        assert_eq!(some.iter().map(|s| s.index).collect::<Vec<_>>(), [3, 10]);
    }

    #[test]
    fn of_a_view_only_its_photos() {
        assert_eq!(indices(&wanted(Customer::Shown, Some("rear"))), [1, 4, 7, 10]);
        assert_eq!(indices(&wanted(Customer::Withheld, Some("front"))), [1, 3, 10]);
    }

    #[test]
    fn of_a_claim_only_its_part() {
        let mut log = log();
        log.extend([
            stored(11, "photo-taken", json!({"photo": photo(34)}), false),
            stored(12, "part-noted", json!({"part": photo(41), "what": "plug"}), false),
            stored(13, "part-noted", json!({"part": photo(42), "what": "kit"}), false),
            stored(14, "part-pictured", json!({"part": photo(41), "photo": photo(34)}), false),
            stored(15, "claim-opened", json!({"claim": photo(51), "part": photo(41)}), false),
            stored(16, "claim-opened", json!({"claim": photo(52), "part": photo(42)}), false),
            stored(17, "part-posted", json!({"claim": photo(52)}), false),
            stored(18, "part-posted", json!({"claim": photo(51)}), false),
            stored(19, "finding-noted", json!({"finding": photo(61), "photo": photo(31)}), false),
            stored(20, "finding-noted", json!({"finding": photo(62), "photo": photo(31)}), false),
            stored(21, "finding-withdrawn", json!({"finding": photo(62), "because": "M. Okafor said so"}), false),
            stored(22, "part-observed", json!({"part": photo(41), "photos": [photo(33)]}), false),
            stored(23, "reading-noted", json!({"reading": "compression", "part": photo(42)}), false),
        ]);
        let claim = photo(51).as_str().and_then(|c| c.parse().ok());
        let of = Wanted { customer: Customer::Withheld, covered: true, view: None, claim, language: None };
        let some = choose(log, &of).expect("entries");
        // Photo 33 is of a sheet written by hand: it names the customer and stays out though it was named.
        assert_eq!(some.iter().map(|s| s.index).collect::<Vec<_>>(), [1, 3, 10, 11, 12, 14, 15, 18, 19, 22]);
    }
}
