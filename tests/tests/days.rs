//! Days that go differently, over HTTP: a lost tag.

use serde_json::{Value, json};
use tests::ask::Actor;
use tests::counter::{Counter, Intake};
use tests::server;
use tests::shop::Shop;

/// The intake as the server shows it.
async fn state(shop: &Shop, intake: &Intake) -> Value {
    shop.ravi.get(&shop.ravi.path(&format!("/intakes/{}", intake.id))).send().await.expect(200).json()
}

/// Its receipt as text.
async fn receipt(shop: &Shop, intake: &Intake) -> String {
    shop.ravi.get(&shop.ravi.path(&format!("/intakes/{}/receipt", intake.id))).send().await.expect(200).text()
}

/// What a search finds: the tags.
async fn found(shop: &Shop, q: &str) -> Vec<String> {
    let list = shop.ravi.get(&shop.ravi.path(&format!("/intakes?q={q}"))).send().await.expect(200).json();
    list["intakes"].as_array().into_iter().flatten().filter_map(|i| i["tag"].as_str()).map(str::to_owned).collect()
}

/// Says something and gives the gist of the answer.
async fn gist(who: &mut Counter, intake: &Intake, kind: &str, body: Value) -> String {
    let saying = who.saying(intake, kind, body, &[]);
    who.post(&saying).await.expect("an answer").gist()
}

/// Stops the server and has its folder checked.
fn stop_and_check(mut shop: Shop) {
    assert!(shop.server.stop().success(), "{}", shop.server.log());
    let checked = server::check(shop.server.data());
    assert!(checked.sound, "{}", checked.said);
}

fn opening(who: &Counter, tag: &str) -> Value {
    json!({"kind": who.kind["digest"], "kind_id": "chainsaw", "tag": tag, "how": "at counter"})
}

#[tokio::test]
async fn a_lost_tag_stays_findable_and_is_never_used_again() {
    let shop = Shop::set_up().await;
    let mut ravi = shop.counter(41).await;
    let mut intake = ravi.take_in("0007").await.expect("answers");
    let mut other = ravi.intake("0008");
    ravi.open(&mut other).await.expect("an answer");

    let lost = |tag: &str| json!({"tag": tag, "because": "it fell off in the yard"});
    assert_eq!(gist(&mut ravi, &intake, "tag-replaced", lost("0007")).await, "422 not-valid");
    assert_eq!(gist(&mut ravi, &intake, "tag-replaced", lost("0008")).await, "409 tag-used");
    ravi.say(&mut intake, "tag-replaced", lost("0031"), &[]).await.expect("an answer");
    assert_eq!(found(&shop, "0007").await, ["0031"]);
    assert_eq!(found(&shop, "0031").await, ["0031"]);

    // Never again: not at an opening, not as another machine's new tag, not on the same machine, not after it left.
    let fresh = ravi.intake("0007");
    let body = opening(&ravi, "0007");
    assert_eq!(gist(&mut ravi, &fresh, "intake-opened", body).await, "409 tag-used");
    assert_eq!(gist(&mut ravi, &other, "tag-replaced", lost("0007")).await, "409 tag-used");
    assert_eq!(gist(&mut ravi, &intake, "tag-replaced", lost("0007")).await, "409 tag-used");
    ravi.say(&mut other, "tag-replaced", lost("0032"), &[]).await.expect("an answer");
    ravi.say(&mut other, "not-taken-in", json!({"because": "no room now"}), &[]).await.expect("an answer");
    let body = opening(&ravi, "0008");
    assert_eq!(gist(&mut ravi, &fresh, "intake-opened", body).await, "409 tag-used");
    // The one that replaced it is as free as any tag of a machine that went home.
    let mut next = ravi.intake("0032");
    ravi.open(&mut next).await.expect("an answer");

    // A receipt that names the old tag still leads back, and the receipt made again names both.
    let mut again = opening(&ravi, "0040");
    again["earlier"] = json!({"intake": other.id, "tag": "0008", "again": "same machine"});
    let back = ravi.intake("0040");
    assert_eq!(gist(&mut ravi, &back, "intake-opened", again).await, "201");
    let page = receipt(&shop, &intake).await;
    assert!(page.contains("Tag 0031, before 0007") && page.contains("fell off in the yard"), "the receipt names both");
    assert_eq!(state(&shop, &intake).await["intake"]["state"], "in care");
    stop_and_check(shop);
}
