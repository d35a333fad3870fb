//! What the counter may not do, and what it may with a name and a reason. Promise 3: no machine is taken in incomplete.

use serde_json::json;
use tests::ask::Actor;
use tests::counter::{Counter, Step};
use tests::picture;
use tests::seeded::Seeded;
use tests::shop::Shop;

fn gaps(answer: &tests::ask::Answer) -> Vec<String> {
    let json = answer.json();
    json["gaps"].as_array().into_iter().flatten().filter_map(|g| g["gap"].as_str()).map(str::to_owned).collect()
}

#[tokio::test]
async fn a_skipped_view_is_named_left_open_only_by_who_may_and_printed() {
    let shop = Shop::set_up().await;
    let mut ravi = shop.counter(3).await;
    let mut intake = ravi.intake("0007");
    let skipped = Step::Photo("machine-plate".into());
    let before: Vec<Step> =
        ravi.steps().into_iter().filter(|s| *s != skipped && !matches!(s, Step::Sign | Step::TakeIn)).collect();
    for step in before {
        ravi.step(&mut intake, &step).await.expect("an answer");
    }

    let try_it = ravi.saying(&intake, "taken-in", json!({}), &[]);
    let refused = ravi.post(&try_it).await.expect("an answer");
    assert_eq!(refused.gist(), "409 gaps");
    assert_eq!(gaps(&refused), ["view:machine-plate", "acknowledgement"]);
    assert!(refused.json()["gaps"][0]["sentence"].as_str().is_some_and(|s| s.contains("late")), "{}", refused.text());

    let left = json!({"gap": "view:machine-plate", "reason": "the plate is under the spilled oil"});
    let mine = ravi.saying(&intake, "left-open", left.clone(), &[]);
    assert_eq!(ravi.post(&mine).await.expect("an answer").gist(), "403 may-not-leave-open");
    let never = ravi.saying(&intake, "left-open", json!({"gap": "acknowledgement", "reason": "in a hurry"}), &[]);
    assert_eq!(ravi.post(&never).await.expect("an answer").gist(), "403 may-not-leave-open");

    let mut ines = Counter::of(shop.ines.clone(), Seeded::new(4)).await;
    ines.say(&mut intake, "left-open", left, &[]).await.expect("an answer");
    ravi.step(&mut intake, &Step::Sign).await.expect("an answer");
    ravi.step(&mut intake, &Step::TakeIn).await.expect("an answer");

    let receipt = shop.ravi.get(&shop.ravi.path(&format!("/intakes/{}/receipt", intake.id))).send().await;
    let page = receipt.expect(200).text();
    for wanted in ["Left open", "the plate is under the spilled oil", "(Ines)", "Signature", "Taken into our care"] {
        assert!(page.contains(wanted), "the receipt does not say {wanted}");
    }
    // A receipt opens from disk and asks nobody for anything.
    for outside in ["src=\"http", "href=\"http", "src=\"/", "url(", "<script>", "<link"] {
        assert!(!page.contains(outside), "the receipt reaches out: {outside}");
    }
}

#[tokio::test]
async fn a_dark_photo_is_kept_and_fills_nothing() {
    let shop = Shop::set_up().await;
    let mut ravi = shop.counter(5).await;
    let mut intake = ravi.intake("0008");
    ravi.open(&mut intake).await.expect("an answer");
    let (_, sent) = ravi.photo(&mut intake, Some("bar-side"), &picture::dark(5)).await.expect("an answer");
    assert_eq!(sent.json()["judged"]["verdict"], "poor", "{}", sent.text());
    let view = shop.ravi.get(&shop.ravi.path(&format!("/intakes/{}", intake.id))).send().await.expect(200).json();
    let gap = view["gaps"].as_array().into_iter().flatten().find(|g| g["gap"] == "view:bar-side").cloned();
    assert_eq!(gap.map(|g| g["key"].clone()), Some(json!("gap.view.poor")));
}

#[tokio::test]
async fn one_tag_hangs_on_one_machine_and_what_is_taken_in_stays() {
    let shop = Shop::set_up().await;
    let mut ravi = shop.counter(6).await;
    let mut first = ravi.take_in("0009").await.expect("answers");
    let second = ravi.intake("0009");
    let body = json!({"kind": ravi.kind["digest"], "kind_id": "chainsaw", "tag": "0009", "how": "at counter"});
    let opening = ravi.saying(&second, "intake-opened", body, &[]);
    assert_eq!(ravi.post(&opening).await.expect("an answer").gist(), "409 tag-used");

    let late =
        ravi.saying(&first, "machine-described", json!({"field": "make", "value": "Brenn", "from": "typed"}), &[]);
    assert_eq!(ravi.post(&late).await.expect("an answer").gist(), "409 ended");
    ravi.say(&mut first, "moved", json!({"place": "Rack A"}), &[]).await.expect("an answer");

    let mut home = ravi.intake("0010");
    ravi.open(&mut home).await.expect("an answer");
    ravi.say(&mut home, "not-taken-in", json!({"because": "no agreement on price"}), &[]).await.expect("an answer");
    let slip = shop.ravi.get(&shop.ravi.path(&format!("/intakes/{}/receipt", home.id))).send().await.expect(200).text();
    assert!(slip.contains("no agreement on price") && slip.contains("Not taken in"));
    // The tag is free again: unique among intakes not ended.
    let mut next = ravi.intake("0010");
    ravi.open(&mut next).await.expect("an answer");
}

#[tokio::test]
async fn a_signature_does_not_outlive_a_change() {
    let shop = Shop::set_up().await;
    let mut ravi = shop.counter(7).await;
    let mut intake = ravi.intake("0011");
    for step in ravi.steps().into_iter().filter(|s| !matches!(s, Step::TakeIn)).collect::<Vec<_>>() {
        ravi.step(&mut intake, &step).await.expect("an answer");
    }
    ravi.say(&mut intake, "machine-described", json!({"field": "model", "value": "A 261", "from": "typed"}), &[])
        .await
        .expect("an answer");
    let try_it = ravi.saying(&intake, "taken-in", json!({}), &[]);
    let refused = ravi.post(&try_it).await.expect("an answer");
    assert_eq!(gaps(&refused), ["acknowledgement"]);
    assert_eq!(refused.json()["gaps"][0]["key"], "gap.acknowledgement.stale");
    ravi.step(&mut intake, &Step::Sign).await.expect("an answer");
    ravi.step(&mut intake, &Step::TakeIn).await.expect("an answer");
}

#[tokio::test]
async fn a_list_finds_a_machine_by_whatever_somebody_remembers() {
    let shop = Shop::set_up().await;
    let mut ravi = shop.counter(8).await;
    ravi.take_in("0012").await.expect("answers");
    for (words, found) in
        [("0012", 1), ("alder", 1), ("178302", 1), ("okaf", 1), ("43660", 1), ("dies load", 1), ("alder zzz", 0)]
    {
        let path = shop.ravi.path(&format!("/intakes?q={}", words.replace(' ', "%20")));
        let list = shop.ravi.get(&path).send().await.expect(200).json();
        assert_eq!(list["intakes"].as_array().map(Vec::len), Some(found), "{words}: {list}");
    }
}

#[tokio::test]
async fn an_intake_goes_back_only_to_a_machine_that_left() {
    let shop = Shop::set_up().await;
    let mut ravi = shop.counter(9).await;
    let first = ravi.take_in("0021").await.expect("answers");
    let kind = ravi.kind["digest"].clone();
    let again = |tag: &str, intake: uuid::Uuid, old: &str, how: &str| {
        json!({"kind": kind, "kind_id": "chainsaw", "tag": tag, "how": "at counter",
            "earlier": {"intake": intake, "tag": old, "again": how}})
    };
    let still = again("0022", first.id, "0021", "same machine");
    let other_tag = again("0022", first.id, "0020", "same customer");
    let nobody = again("0022", uuid::Uuid::nil(), "0021", "same customer");
    let no_word = again("0022", first.id, "0021", "as new");
    let customer = again("0022", first.id, "0021", "same customer");
    for (body, gist) in [
        (still, "409 refused"),
        (other_tag, "409 refused"),
        (nobody, "409 refused"),
        (no_word, "422 not-valid"),
        (customer, "201"),
    ] {
        let intake = ravi.intake("0022");
        let opening = ravi.saying(&intake, "intake-opened", body.clone(), &[]);
        let answer = ravi.post(&opening).await.expect("an answer");
        assert!(answer.gist().starts_with(gist), "{body}: {}", answer.gist());
    }
}
