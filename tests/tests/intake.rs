//! The story: a chainsaw is taken in over HTTP, and the record stands.

use tests::ask::Actor;
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
