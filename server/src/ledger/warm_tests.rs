//! Two appenders of one shop, as in two processes: whatever one remembers, what is written is what the log says.

use std::sync::Arc;
use std::sync::atomic::AtomicU64;

use evidence::entry::{Author, Said};
use futures_util::future::join_all;
use serde_json::{Value, json};
use uuid::Uuid;

use super::{INTAKES, Nodes, Warm};
use crate::access::testing::{Folder, NOON};
use crate::check;
use crate::database::Place;
use crate::edge::{Clock, Random};
use crate::kinds;
use crate::ledger::start::map;
use crate::ledger::{Command, Ledger, No, Right};
use crate::serve;

/// A place of the engine that is tested.
fn place(folder: &Folder) -> Place {
    let postgres = std::env::var("COUNTERFOIL_TEST_ENGINE").is_ok_and(|engine| engine == "postgres");
    Place::new(&folder.0, postgres.then(cluster::database).as_deref())
}

async fn ledger(place: &Place) -> Ledger {
    let clock = Clock::Set(Arc::new(NOON.into()));
    serve::open_at(place.clone(), true, clock).await.expect("a ledger").ledger
}

/// Somebody at the counter with a repeatable sequence.
struct Hand {
    shop: Uuid,
    staff: Uuid,
    device: Uuid,
    random: Random,
}

impl Hand {
    fn below(&self, end: usize) -> usize {
        usize::try_from(u64::from_le_bytes(self.random.bytes()) % end as u64).expect("small")
    }

    fn says(&self, intake: Uuid, kind: &str, body: Value) -> Command {
        let said = Said {
            author: Author::Staff { staff: self.staff, device: self.device },
            body: map(body),
            at: NOON,
            offset_minutes: 0,
            id: self.random.uuid(NOON),
            intake: Some(intake),
            seen: None,
            shop: self.shop,
            kind: kind.to_owned(),
            v: 1,
        };
        let right = Right { staff: Some(self.staff), roles: vec!["counter".into()] };
        Command { said, disclosures: Vec::new(), measured: None, right }
    }

    /// Opens it as the kind with this place in the list.
    fn opens(&self, intake: Uuid, tag: usize, kind: usize) -> Command {
        let kind = &kinds::shipped()[kind];
        let body =
            json!({"kind": kind.digest, "kind_id": kind.kind.id, "tag": format!("W{tag:03}"), "how": "at counter"});
        self.says(intake, "intake-opened", body)
    }

    fn describes(&self, intake: Uuid) -> Command {
        let field = ["make", "model", "serial"][self.below(3)];
        let value = ["Alder 20", "Birch 44", "A-260", "Larch"][self.below(4)];
        self.says(intake, "machine-described", json!({"field": field, "value": value, "from": "typed"}))
    }
}

#[actix_web::test]
async fn what_an_appender_remembers_is_what_the_log_says_whoever_wrote_meanwhile() {
    let folder = Folder::new();
    let place = place(&folder);
    let first = ledger(&place).await;
    let shop = first.open_shop("Tarn Street Engines", "UTC", "EUR").await.expect("a shop");
    first.keep_documents_of(shop).await.expect("kinds");
    let both = [first, ledger(&place).await];
    let random = Random::Seeded(Arc::new(AtomicU64::new(44)));
    let hand = Hand { shop, staff: random.uuid(0), device: random.uuid(0), random };
    // More than are remembered.
    let intakes: Vec<Uuid> = (0..INTAKES + 8).map(|_| hand.random.uuid(NOON)).collect();
    for (tag, intake) in intakes.iter().enumerate() {
        both[tag % 2].append(hand.opens(*intake, tag, 0)).await.expect("an intake");
    }
    let (mut kept, mut refused, mut again) = (0, 0, 0);
    for round in 0..160 {
        // A few that both are busy with, and now and then any.
        let many = if round % 8 == 0 { intakes.len() } else { 5 };
        let mut commands = Vec::new();
        for _ in 0..=hand.below(5) {
            let n = hand.below(many);
            commands.push(match hand.below(9) {
                // It is open, as another kind: refused, and what follows is judged by the kind it has.
                0 => hand.opens(intakes[n], n, 1),
                // There is none.
                1 => hand.describes(hand.random.uuid(NOON)),
                _ => hand.describes(intakes[n]),
            });
        }
        if round % 7 == 0 {
            commands.push(commands[0].clone());
        }
        for answer in join_all(commands.into_iter().map(|c| both[hand.below(2)].append(c))).await {
            match answer {
                Ok(answer) if answer.fresh => kept += 1,
                Ok(_) => again += 1,
                Err(No::Refused(_)) => refused += 1,
                Err(no) => panic!("{no:?}"),
            }
        }
    }
    assert!(kept > 250 && refused > 50 && again > 3, "{kept} kept, {refused} refused, {again} said again");
    // Rows, words, nodes and head against the entries, each read anew.
    for ledger in &both {
        let report = check::whole(ledger).await.expect("a report");
        assert_eq!(report.faults, Vec::<String>::new());
        assert_eq!(report.intakes, intakes.len() as u64);
    }
    for ledger in both {
        ledger.close().await;
    }
}

#[actix_web::test]
async fn the_words_of_an_intake_are_those_of_its_newest_entry_after_any_that_were_refused() {
    let folder = Folder::new();
    let ledger = ledger(&place(&folder)).await;
    let shop = ledger.open_shop("Tarn Street Engines", "UTC", "EUR").await.expect("a shop");
    ledger.keep_documents_of(shop).await.expect("kinds");
    let random = Random::Seeded(Arc::new(AtomicU64::new(9)));
    let hand = Hand { shop, staff: random.uuid(0), device: random.uuid(0), random };
    let intake = hand.random.uuid(NOON);
    ledger.append(hand.opens(intake, 1, 0)).await.expect("an intake");
    for value in ["Alder", "Birch", "Alder"] {
        ledger
            .append(hand.says(intake, "machine-described", json!({"field": "make", "value": value, "from": "typed"})))
            .await
            .expect("a make");
        let refused = ledger.append(hand.opens(intake, 1, 1)).await;
        assert!(matches!(refused, Err(No::Refused(_))), "{refused:?}");
        let mut db = ledger.pool().acquire().await.expect("a connection");
        let words: Vec<String> =
            sqlx::query_scalar("SELECT word FROM intake_word WHERE intake = $1 AND word IN ('alder', 'birch')")
                .bind(intake.to_string())
                .fetch_all(&mut *db)
                .await
                .expect("words");
        assert_eq!(words, [value.to_lowercase()]);
    }
    ledger.close().await;
}

#[test]
fn only_the_edge_of_the_tree_is_remembered_and_a_head_of_somebody_else_makes_it_forget_that() {
    let all: Nodes = (0..11).map(|n| ((0, n), [0; 32])).chain([((3, 0), [1; 32]), ((1, 4), [2; 32])]).collect();
    let mut warm = Warm::default();
    let (nodes, intakes) = warm.begin("");
    assert!(nodes.is_empty() && intakes.is_empty());
    warm.keep("note", 11, all.clone(), intakes, &std::collections::BTreeSet::new());
    let (nodes, intakes) = warm.begin("note");
    let edge = nodes.keys().copied().collect::<std::collections::BTreeSet<_>>();
    assert_eq!(edge, [(0, 10), (1, 4), (3, 0)].into(), "the pieces of 11, which the next entry needs too");
    warm.keep("note", 11, nodes, intakes, &std::collections::BTreeSet::new());
    assert!(warm.begin("another").0.is_empty());
    assert!(warm.begin("note").0.is_empty(), "what was handed out and not given back is forgotten");
}
