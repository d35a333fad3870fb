//! Two photos of one intake laid over each other over HTTP: what is said, what is refused, and who asks for whose.

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use serde_json::{Value, json};
use tests::ask::Actor;
use tests::picture;
use tests::shop::Shop;
use uuid::Uuid;

#[tokio::test]
async fn what_changed_is_a_place_and_what_cannot_be_compared_is_refused() {
    let shop = Shop::set_up().await;
    let mut ravi = shop.counter(61).await;
    let mut intake = ravi.intake("0061");
    ravi.open(&mut intake).await.expect("an answer");
    let mut photos = Vec::new();
    for bytes in [picture::sharp(61), picture::marked(61), picture::sharp(62)] {
        photos.push(ravi.photo(&mut intake, Some("bar-side"), &bytes).await.expect("an answer").0);
    }
    let mut other = ravi.intake("0062");
    ravi.open(&mut other).await.expect("an answer");
    let elsewhere = ravi.photo(&mut other, Some("bar-side"), &picture::sharp(63)).await.expect("an answer").0;

    let path = |first: Uuid, second: Uuid| {
        shop.ravi.path(&format!("/intakes/{}/compare?first={first}&second={second}", intake.id))
    };
    let said = async |first: usize, second: usize| -> Value {
        shop.ravi.get(&path(photos[first], photos[second])).send().await.expect(200).json()
    };

    let same = said(0, 0).await;
    assert_eq!(json!([same["compared"], same["places"]]), json!([true, []]), "{}", same["why"]);

    let marked = said(0, 1).await;
    let places = marked["places"].as_array().expect("places");
    // The bar stands from 560 to 720 of 1280 pixels; the comparison names its own size.
    let across = marked["first"][0].as_f64().expect("a size") / 1280.0;
    let [place] = places.as_slice() else { panic!("{places:?}") };
    let number = |n: usize| place["first"][n].as_f64().expect("a number") / across;
    assert!((540.0..600.0).contains(&number(0)) && (90.0..180.0).contains(&number(2)), "{place}");
    for name in ["bent", "differences"] {
        let jpeg = STANDARD.decode(marked[name].as_str().expect("a picture")).expect("base64");
        assert!(jpeg.starts_with(&[0xff, 0xd8, 0xff]), "{name} is no JPEG");
    }

    let different = said(0, 2).await;
    assert_eq!(json!([different["compared"], different["why"]]), json!([false, "not-the-same-view"]));
    assert!(different.get("bent").is_none() && different.get("places").is_none());

    let gist = async |path: String| shop.ravi.get(&path).send().await.gist();
    assert_eq!(gist(path(photos[0], elsewhere)).await, "404 not-found");
    assert_eq!(gist(path(photos[0], Uuid::nil())).await, "404 not-found");
    let base = shop.ravi.path(&format!("/intakes/{}/compare", intake.id));
    assert_eq!(gist(format!("{base}?first={}", photos[0])).await, "400 malformed");
    assert_eq!(gist(format!("{base}?first=x&second={}", photos[0])).await, "400 malformed");
}
