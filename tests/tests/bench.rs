//! The bench goes on with a machine in care over HTTP: what it says is kept, what the counter recorded and the customer
//! signed stays, and the receipt is the same as before.

use serde_json::json;
use tests::ask::Actor;
use tests::counter::Counter;
use tests::picture;
use tests::seeded::Seeded;
use tests::shop::Shop;

#[tokio::test]
async fn the_bench_measures_and_photographs_and_the_receipt_stays() {
    let shop = Shop::set_up().await;
    let mut ravi = shop.counter(21).await;
    let mut intake = ravi.take_in("0021").await.expect("answers");
    let path = shop.ravi.path(&format!("/intakes/{}", intake.id));
    let before = shop.ravi.get(&path).send().await.expect(200).json();

    let mut bo = Counter::of(shop.bo.clone(), Seeded::new(22)).await;
    let (photo, _) = bo.photo(&mut intake, Some("brake-pushed"), &picture::sharp(22)).await.expect("an answer");
    let answer = json!({"question": "how-runs", "choice": "no power"});
    bo.say(&mut intake, "question-answered", answer, &[]).await.expect("an answer");
    let asked = shop.bo.get(&path).send().await.expect(200).json();
    let named = |gap: &str| asked["gaps"].as_array().into_iter().flatten().any(|g| g["gap"] == gap);
    assert!(
        named("reading:compression") && named("view:plug") && !named("view:brake-pushed") && !named("acknowledgement")
    );

    let reading =
        json!({"reading": "compression", "value": "118", "unit": "psi", "method": "cold, 6 pulls", "photo": photo});
    bo.say(&mut intake, "reading-noted", reading, &[]).await.expect("an answer");
    let plug = json!({"service": "plug", "what": "changed", "fitted": "type 7", "old": "given back"});
    bo.say(&mut intake, "service-noted", plug, &[("note", "gap was shut")]).await.expect("an answer");
    let left = json!({"gap": "view:air-filter", "reason": "the cover is glued on"});
    bo.say(&mut intake, "left-open", left, &[]).await.expect("an answer");

    let after = shop.bo.get(&path).send().await.expect(200).json();
    assert_eq!(after["intake"]["readings"][0]["value"], "118");
    assert_eq!(after["intake"]["services"][0]["old"], "given back");
    assert_eq!(after["intake"]["acknowledgement"], before["intake"]["acknowledgement"]);
    let receipt = shop.ravi.get(&format!("{path}/receipt")).send().await.expect(200).text();
    for later in ["118 psi", "type 7", "glued on", "no power"] {
        assert!(!receipt.contains(later), "the receipt says {later}");
    }
}

#[tokio::test]
async fn the_bench_may_not_speak_for_the_counter() {
    let shop = Shop::set_up().await;
    let mut ravi = shop.counter(23).await;
    let mut bo = Counter::of(shop.bo.clone(), Seeded::new(24)).await;

    let mut open = ravi.intake("0023");
    ravi.open(&mut open).await.expect("an answer");
    let early = bo.saying(&open, "question-answered", json!({"question": "use", "choice": "home"}), &[]);
    assert_eq!(bo.post(&early).await.expect("an answer").gist(), "403 may-not");
    let own = bo.intake("0024");
    let body = json!({"kind": bo.kind["digest"], "kind_id": "chainsaw", "tag": "0024", "how": "at counter"});
    let opening = bo.saying(&own, "intake-opened", body, &[]);
    assert_eq!(bo.post(&opening).await.expect("an answer").gist(), "403 may-not");

    let taken = ravi.take_in("0025").await.expect("answers");
    let fact = bo.saying(&taken, "question-answered", json!({"question": "bought", "choice": "used"}), &[]);
    assert_eq!(bo.post(&fact).await.expect("an answer").gist(), "403 may-not");
    let fact = ravi.saying(&taken, "question-answered", json!({"question": "bought", "choice": "used"}), &[]);
    assert_eq!(ravi.post(&fact).await.expect("an answer").gist(), "409 ended");
    let odd = bo.saying(&taken, "reading-noted", json!({"reading": "compression", "value": "118"}), &[]);
    assert_eq!(bo.post(&odd).await.expect("an answer").gist(), "422 not-valid");
}
