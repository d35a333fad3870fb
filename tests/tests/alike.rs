//! The same picture again: told to a person, never refused, and a projection that the check rebuilds.

use serde_json::{Value, json};
use tests::counter::Counter;
use tests::picture;
use tests::seeded::Seeded;
use tests::server;
use tests::shop::Shop;

fn flags(judged: &Value) -> Vec<&str> {
    judged["flags"].as_array().into_iter().flatten().filter_map(|f| f["key"].as_str()).collect()
}

#[tokio::test]
async fn the_same_picture_again_is_told_and_stays_usable() {
    let mut shop = Shop::set_up().await;
    let mut counter = shop.counter(3).await;
    let mut intake = counter.intake("0411");
    counter.open(&mut intake).await.expect("an answer");

    let bytes = picture::sharp(41);
    let (first, answer) = counter.photo(&mut intake, Some("bar-side"), &bytes).await.expect("an answer");
    let judged = answer.json()["judged"].clone();
    assert_eq!(judged["look"].as_str().map(str::len), Some(16), "{judged}");
    assert_eq!((flags(&judged), judged.get("alike")), (vec!["flag.no-exif"], None));

    // The very same file for another view, then other bytes of the same picture, then another picture.
    let (_, answer) = counter.photo(&mut intake, Some("starter-side"), &bytes).await.expect("an answer");
    let judged = answer.json()["judged"].clone();
    assert_eq!(judged["verdict"], "usable");
    assert_eq!(flags(&judged), ["flag.same-file-view", "flag.no-exif"]);
    assert!(judged["flags"][0]["with"]["view"]["en"].is_string(), "{judged}");
    assert_eq!(judged["alike"], json!([{"photo": first, "intake": intake.id, "how": "same file"}]));

    let again = [&bytes[..], b" "].concat();
    let (_, answer) = counter.photo(&mut intake, Some("hand-guard"), &again).await.expect("an answer");
    let judged = answer.json()["judged"].clone();
    assert_eq!((flags(&judged)[0], judged["verdict"].as_str()), ("flag.alike-view", Some("usable")));
    assert_eq!(judged["alike"].as_array().map(Vec::len), Some(2), "{judged}");
    assert_eq!(judged["alike"][0]["bits"], 0);
    let (_, answer) = counter.photo(&mut intake, Some("underside"), &picture::sharp(42)).await.expect("an answer");
    assert_eq!(flags(&answer.json()["judged"]), ["flag.no-exif"]);

    // A retake of the same view is meant to look like the first take.
    let retake = [&bytes[..], b"  "].concat();
    let mut other = counter.intake("0412");
    counter.open(&mut other).await.expect("an answer");
    let (_, answer) = counter.photo(&mut other, Some("bar-side"), &retake).await.expect("an answer");
    assert_eq!(flags(&answer.json()["judged"]), ["flag.alike-elsewhere", "flag.no-exif"]);
    let third = [&bytes[..], b"   "].concat();
    let (_, answer) = counter.photo(&mut other, Some("bar-side"), &third).await.expect("an answer");
    let judged = answer.json()["judged"].clone();
    assert_eq!(flags(&judged), ["flag.alike-elsewhere", "flag.no-exif"], "{judged}");

    assert!(shop.server.stop().success(), "{}", shop.server.log());
    let checked = server::check(shop.server.data());
    assert!(checked.sound, "{}", checked.said);
}

#[tokio::test]
async fn an_erased_picture_is_like_nothing_any_more() {
    let mut shop = Shop::set_up().await;
    let mut counter = shop.counter(5).await;
    let mut intake = counter.intake("0414");
    counter.open(&mut intake).await.expect("an answer");
    let bytes = picture::sharp(77);
    let (photo, _) = counter.photo(&mut intake, Some("bar-side"), &bytes).await.expect("an answer");
    let mut owner = Counter::of(shop.ines.clone(), Seeded::new(6)).await;
    let erase = json!({"photo": photo, "because": "a passer-by is in the picture"});
    owner.say(&mut intake, "photo-erased", erase, &[]).await.expect("an answer");

    let again = [&bytes[..], b" "].concat();
    let mut other = counter.intake("0415");
    counter.open(&mut other).await.expect("an answer");
    let (_, answer) = counter.photo(&mut other, Some("bar-side"), &again).await.expect("an answer");
    assert_eq!(flags(&answer.json()["judged"]), ["flag.no-exif"]);

    assert!(shop.server.stop().success(), "{}", shop.server.log());
    let checked = server::check(shop.server.data());
    assert!(checked.sound, "{}", checked.said);
}

#[tokio::test]
async fn a_serial_may_come_from_a_code() {
    let shop = Shop::set_up().await;
    let mut counter = shop.counter(4).await;
    let mut intake = counter.intake("0413");
    counter.open(&mut intake).await.expect("an answer");
    let body = json!({"field": "serial", "value": "178302944", "from": "code"});
    counter.say(&mut intake, "machine-described", body, &[]).await.expect("an answer");
    let guessed = json!({"field": "serial", "value": "178302944", "from": "guess"});
    let saying = counter.saying(&intake, "machine-described", guessed, &[]);
    assert!(!counter.post(&saying).await.expect("an answer").status.is_success());
}
