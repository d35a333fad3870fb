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
    /// The language of the reader; without it that of the sheet.
    pub language: Option<String>,
}

impl Wanted {
    /// The scope's word in the manifest.
    pub fn scope(&self) -> &'static str {
        match (&self.view, self.customer) {
            (Some(_), _) => "view",
            (None, Customer::Shown) => "intake",
            (None, Customer::Withheld) => "claim",
        }
    }
}

/// Types that a pack without the customer may carry: none of them has words of or about a customer outside its
/// disclosures. What is not named here stays out, so that a new type stays out until somebody has looked at it.
const WITHOUT_CUSTOMER: [&str; 19] = [
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

/// The photos of a view, in log order; `None` when no view was asked for.
fn photos_of_view(entries: &[(u64, Entry)], view: Option<&str>) -> Option<Vec<Uuid>> {
    let view = view?;
    let of = |e: &Entry| matches!(e.said.kind.as_str(), "photo-taken" | "photo-came") && says(e, "view") == Some(view);
    Some(entries.iter().filter(|(_, e)| of(e)).filter_map(|(_, e)| says(e, "photo")?.parse().ok()).collect())
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

fn wanted_here(entry: &Entry, wanted: &Wanted, photos: Option<&[Uuid]>, back: &BTreeSet<Uuid>) -> bool {
    let kind = entry.said.kind.as_str();
    let photo: Option<Uuid> = says(entry, "photo").and_then(|p| p.parse().ok());
    if wanted.customer == Customer::Withheld {
        // Whoever wrote a sheet by hand is named in the entry; why something was not measured is said in free words.
        let free = ["written", "because"].iter().any(|m| entry.said.body.contains_key(*m));
        if !WITHOUT_CUSTOMER.contains(&kind) || free || photo.is_some_and(|p| back.contains(&p)) {
            return false;
        }
    }
    match (photos, photo) {
        (None, _) => true,
        (Some(photos), Some(photo)) => photos.contains(&photo),
        (Some(_), None) => {
            matches!(kind, "intake-opened" | "machine-described" | "taken-in" | "customer-erased" | "epoch-opened")
        }
    }
}

/// The entries that go in, with the disclosures that go with them.
///
/// # Errors
/// A sentence when an entry cannot be read.
pub fn choose(all: Vec<Stored>, wanted: &Wanted) -> Result<Vec<Stored>, String> {
    let read: Vec<(u64, Entry)> = all.iter().map(|s| Ok((s.index, s.entry()?))).collect::<Result<_, String>>()?;
    let photos = photos_of_view(&read, wanted.view.as_deref());
    let back = photos_kept_back(&read);
    let chosen = all.into_iter().zip(read).filter(|(_, (_, e))| wanted_here(e, wanted, photos.as_deref(), &back));
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
        Wanted { customer, covered: false, view: view.map(str::to_owned), language: None }
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
}
