//! Tags set apart for devices: two never have the same, what was used is not offered again, and what an entry says counts.

use serde_json::json;
use tests::ask::{Actor, CookieStaff};
use tests::shop::Shop;

async fn lease(who: &CookieStaff, count: u64) -> Vec<String> {
    let asked = who.post(&who.path("/tags/lease")).json(&json!({"count": count})).send().await.expect(200).json();
    asked["tags"].as_array().into_iter().flatten().filter_map(|t| t.as_str().map(str::to_owned)).collect()
}

#[tokio::test]
async fn each_device_has_tags_of_its_own() {
    let shop = Shop::set_up().await;
    let ravis = lease(&shop.ravi, 3).await;
    assert_eq!(ravis, ["0001", "0002", "0003"]);
    assert_eq!(lease(&shop.bo, 2).await, ["0004", "0005"]);
    assert_eq!(lease(&shop.ravi, 3).await, ravis, "asked again it has the same");
    assert_eq!(lease(&shop.ravi, 4).await, ["0001", "0002", "0003", "0006"]);

    // One of them hangs on a machine now; Bo takes one of Ravi's, which nobody refuses.
    let mut counter = shop.counter(81).await;
    let mut intake = counter.intake("0001");
    counter.open(&mut intake).await.expect("an answer");
    let mut other = counter.intake("0040");
    counter.open(&mut other).await.expect("an answer");
    assert_eq!(lease(&shop.ravi, 4).await, ["0002", "0003", "0006", "0041"]);

    // A phone that is put out leaves its tags to nobody in particular: they are free numbers again, below the highest.
    let gone = shop.bo.who.device;
    shop.ines.delete(&shop.ines.path(&format!("/devices/{gone}"))).send().await.expect(204);
    assert_eq!(lease(&shop.ines, 1).await, ["0042"]);
}

#[tokio::test]
async fn a_device_asks_for_a_few() {
    let shop = Shop::set_up().await;
    for (asked, answer) in [
        (json!({"count": 0}), "422 not-valid"),
        (json!({"count": 51}), "422 not-valid"),
        (json!({"count": -1}), "400 malformed"),
        (json!({"count": "3"}), "400 malformed"),
        (json!({"count": 1, "from": "0001"}), "400 malformed"),
        (json!({}), "400 malformed"),
    ] {
        let given = shop.ravi.post(&shop.ravi.path("/tags/lease")).json(&asked).send().await;
        assert_eq!(given.gist(), answer, "{asked}");
    }
}
