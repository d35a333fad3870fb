//! The story: a chainsaw is taken in over HTTP, and the record stands.

use tests::ask::Actor;
use tests::counter::Counter;
use tests::seeded::Seeded;
use tests::server;
use tests::shop::Shop;

#[tokio::test]
async fn a_chainsaw_is_taken_in_and_the_record_checks() {
    let mut shop = Shop::set_up().await;
    let mut counter = shop.counter(1).await;
    let intake = counter.take_in("0417").await.expect("answers");

    let path = shop.ravi.path(&format!("/intakes/{}", intake.id));
    let view = shop.bo.get(&path).send().await.expect(200).json();
    assert_eq!(view["intake"]["state"], "in care", "{view}");
    let at_counter = view["gaps"].as_array().into_iter().flatten().filter(|g| g["due"] == "at counter").count();
    assert_eq!(at_counter, 0, "{view}");

    assert!(shop.server.stop().success(), "{}", shop.server.log());
    let checked = server::check(shop.server.data());
    assert!(checked.sound, "{}", checked.said);
    // Kept for the reader of a failing test: what the check counts.
    assert!(checked.said.contains("original"), "{}", checked.said);
}

#[tokio::test]
async fn saying_and_sending_twice_changes_nothing() {
    let shop = Shop::set_up().await;
    let mut counter = shop.counter(2).await;
    let mut intake = counter.intake("0001");
    counter.open(&mut intake).await.expect("an answer");

    let field = serde_json::json!({"field": "make", "value": "Alder", "from": "typed"});
    let saying = counter.saying(&intake, "machine-described", field.clone(), &[]);
    let first = counter.post(&saying).await.expect("an answer").expect(201).json();
    let again = counter.post(&saying).await.expect("an answer").expect(200).json();
    assert_eq!(
        (&first["index"], &first["kept"], &first["digest"]),
        (&again["index"], &again["kept"], &again["digest"])
    );

    let mut other = counter.saying(&intake, "machine-described", field, &[]);
    other.request["said"]["id"] = saying.request["said"]["id"].clone();
    other.request.as_object_mut().expect("an object").remove("digest");
    assert_eq!(counter.post(&other).await.expect("an answer").gist(), "409 id-used");

    let bytes = tests::picture::sharp(7);
    let (_, sent) = counter.photo(&mut intake, Some("bar-side"), &bytes).await.expect("an answer");
    let again = counter.put(&bytes).await.expect("an answer");
    assert_eq!(sent.json()["index"], again.expect(200).json()["index"]);
}

#[tokio::test]
async fn what_changed_meanwhile_is_told_again_to_who_lost_the_answer() {
    let shop = Shop::set_up().await;
    let mut ravi = shop.counter(3).await;
    let mut ines = Counter::of(shop.ines.clone(), Seeded::new(4)).await;
    let mut intake = ravi.intake("0002");
    ravi.open(&mut intake).await.expect("an answer");

    let serial = |value: &str| serde_json::json!({"field": "serial", "value": value, "from": "typed"});
    let late = ines.saying(&intake, "machine-described", serial("7K-2"), &[]);
    ravi.say(&mut intake, "machine-described", serial("7K-20931"), &[]).await.expect("an answer");
    let told = ines.post(&late).await.expect("an answer").expect(201).json()["told"].clone();
    assert_eq!(told[0]["key"], "told.changed-meanwhile", "{told}");
    // Later words of somebody else change nothing of what was told then.
    ravi.say(&mut intake, "machine-described", serial("7K-20932"), &[]).await.expect("an answer");
    assert_eq!(ines.post(&late).await.expect("an answer").expect(200).json()["told"], told);

    // Who had seen it is told nothing, the second time neither.
    let seen = ines.saying(&intake, "machine-described", serial("7K-20933"), &[]);
    for status in [201, 200] {
        assert_eq!(ines.post(&seen).await.expect("an answer").expect(status).json()["told"], serde_json::json!([]));
    }
}
