//! The demo: every state the program has, months of it, pictures the judge takes, and a folder that checks clean.

use std::collections::{BTreeMap, BTreeSet};
use std::process::ExitCode;

use counterfoil::database::Place;
use counterfoil::photo::judge::Verdict;
use counterfoil::{check, demo, photo, serve};
use drawn::{Flaw, Machine, Shot, Taken};
use evidence::entry::Entry;
use serde_json::{Value, json};
use sqlx::Row;

/// 25 November 2026, 15:00 UTC.
const NOW: i64 = 1_795_618_800_000;
const DAY: i64 = 24 * 3_600_000;

fn shot(kind: &'static str, view: &str, flaw: Flaw) -> Shot {
    Shot {
        machine: Machine { kind, make: "Brenn", model: "K 45", serial: "450118273".into(), about: "45.0 CM3" },
        view: view.into(),
        tag: "0159".into(),
        taken: Taken {
            wall: "2026:03:29 01:59:53".into(),
            offset: Some("+01:00".into()),
            sub_seconds: Some("417".into()),
        },
        phone: "Counter 1".into(),
        damage: "",
        flaw,
        seed: 11,
    }
}

#[test]
fn the_judge_takes_every_drawing_but_the_two_flaws() {
    for (kind, view) in drawn::views() {
        let bytes = drawn::draw(&shot(kind, view, Flaw::None)).expect("a drawing");
        let outcome = photo::judge(&bytes).expect("a JPEG is kept");
        assert_eq!(outcome.judged.verdict, Verdict::Usable, "{kind} {view}: {:?}", outcome.judged);
        let claims = json!(outcome.claims);
        assert_eq!(claims["date_time_original"], "2026:03:29 01:59:53", "{kind} {view}");
        assert_eq!(claims["offset_time_original"], "+01:00", "{kind} {view}");
    }
    for (flaw, reason) in [(Flaw::Dark, "photo.too-dark"), (Flaw::Blurred, "photo.blurred")] {
        let bytes = drawn::draw(&shot("chainsaw", "bar-side", flaw)).expect("a drawing");
        let judged = photo::judge(&bytes).expect("a JPEG is kept").judged;
        assert_eq!((judged.verdict, judged.reasons[0].key.as_str()), (Verdict::Poor, reason), "{judged:?}");
    }
}

/// A data folder and its database, as the suite is told.
fn place(data: &std::path::Path) -> Place {
    Place::new(data, tests::engine::address(data).as_deref())
}

/// All entries of a folder, in log order.
async fn entries(place: &Place) -> Vec<Entry> {
    let ledger = serve::open(place.clone(), false).await.expect("the folder opens").ledger;
    let rows = sqlx::query("SELECT bytes FROM entry ORDER BY idx").fetch_all(ledger.pool()).await.expect("entries");
    let all = rows.iter().map(|r| Entry::parse(&r.get::<Vec<u8>, _>("bytes")).expect("an entry")).collect();
    ledger.close().await;
    all
}

async fn states(place: &Place) -> BTreeMap<String, usize> {
    let ledger = serve::open(place.clone(), false).await.expect("the folder opens").ledger;
    let rows = sqlx::query("SELECT state FROM intake").fetch_all(ledger.pool()).await.expect("intakes");
    let mut states = BTreeMap::new();
    for row in rows {
        *states.entry(row.get::<String, _>("state")).or_default() += 1;
    }
    ledger.close().await;
    states
}

#[tokio::test(flavor = "multi_thread")]
async fn a_history_in_every_state_that_checks_clean() {
    let folder = tempfile::tempdir().expect("a folder");
    let place = place(&folder.path().join("data"));
    demo::fill(place.clone(), NOW, false).await.expect("the history is told");
    assert_eq!(check::run(&place).await.expect("it can be checked"), ExitCode::SUCCESS);

    let states = states(&place).await;
    assert!(states.values().sum::<usize>() >= 20, "{states:?}");
    assert!(states["open"] >= 3 && states["in care"] >= 12 && states["not taken in"] >= 2, "{states:?}");

    let all = entries(&place).await;
    let of = |kind: &str| all.iter().filter(|e| e.said.kind == kind).collect::<Vec<_>>();
    let text = |e: &Entry, name: &str| e.said.body.get(name).and_then(Value::as_str).unwrap_or_default().to_owned();
    let words = |kind: &str, name: &str| of(kind).iter().map(|e| text(e, name)).collect::<BTreeSet<_>>();
    assert_eq!(words("acknowledged", "how"), ["not now", "signed"].map(String::from).into());
    assert!(words("moved", "place").len() >= 5, "{:?}", words("moved", "place"));
    assert!(words("intake-opened", "kind_id").len() >= 6);
    assert!(
        of("intake-opened").iter().any(|e| e
            .said
            .body
            .get("earlier")
            .is_some_and(|was| was["again"] == "same machine"))
    );
    assert!(of("left-open").len() >= 4 && of("reading-noted").len() >= 5 && of("service-noted").len() >= 5);
    // What the five stories begin with (tests/web/browser/stories.mjs).
    let lines = of("condition-noted").into_iter();
    let chutes: Vec<_> = lines.filter(|e| text(e, "part") == "chute" && text(e, "word") == "cracked").collect();
    assert!(!chutes.is_empty() && chutes.iter().all(|e| e.said.body["photos"] != json!([])), "cracked, on a photo");
    assert!(words("part-noted", "what").contains("spark plug") && !of("found-noted").is_empty());
    assert!(of("accessory-noted").iter().filter(|e| text(e, "item") == "scabbard").count() >= 3);
    let verdicts: Vec<String> = of("photo-judged").iter().map(|e| text(e, "verdict")).collect();
    assert_eq!(verdicts.len(), of("photo-taken").len(), "every photo is judged");
    assert_eq!(verdicts.iter().filter(|v| *v == "poor").count(), 3);
    assert_eq!(verdicts.iter().filter(|v| *v == "usable").count(), verdicts.len() - 3);

    let times: Vec<i64> = all.iter().map(|e| e.kept.at).collect();
    assert!(times.is_sorted() && all.iter().all(|e| e.kept.raw.is_none()), "the log's clock was never set back");
    assert!(times[0] < NOW - 200 * DAY && times[times.len() - 1] <= NOW && times[times.len() - 1] > NOW - DAY);
    // Phones say their own time with its offset; summer and winter differ.
    let offsets: BTreeSet<i64> = all.iter().map(|e| i64::from(e.said.offset_minutes)).collect();
    assert!(offsets.contains(&0) && offsets.contains(&60), "{offsets:?}");
    // Told again, nothing is added.
    demo::fill(place.clone(), NOW + DAY, false).await.expect("it is there already");
    assert_eq!(entries(&place).await.len(), all.len());
}

#[tokio::test(flavor = "multi_thread")]
async fn an_empty_shop_has_no_machine() {
    let folder = tempfile::tempdir().expect("a folder");
    let place = place(&folder.path().join("data"));
    demo::fill(place.clone(), NOW, true).await.expect("the shop is made");
    assert!(states(&place).await.is_empty());
    assert_eq!(check::run(&place).await.expect("it can be checked"), ExitCode::SUCCESS);
}
