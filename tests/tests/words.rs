//! The customer's language: the sheet and the receipt in it, a catalogue of the shop's own, and words once shown that stay
//! there by their digest when the shop's file changes or goes.

use std::path::Path;

use evidence::digest::Digest;
use serde_json::json;
use tests::ask::Actor;
use tests::server::{How, Server};
use tests::shop::Shop;

/// Puts a catalogue into a data folder.
fn write(data: &Path, name: &str, texts: &serde_json::Value) {
    let folder = data.join("words");
    std::fs::create_dir_all(&folder).expect("a folder");
    std::fs::write(folder.join(name), texts.to_string()).expect("a written file");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_sheet_is_signed_in_a_language_of_the_shop_s_own_and_stays_readable() {
    let data = tempfile::tempdir().expect("a folder");
    write(
        data.path(),
        "pl.json",
        &json!({"language.name": "polski", "receipt.title": "Pokwitowanie", "receipt.owner": "Właściciel: {name}"}),
    );
    write(data.path(), "cs.json", &json!({"receipt.owner": "Majitel"}));
    let mut shop = Shop::on(Server::over(data.path(), &How::default())).await;
    let list = shop.ines.get(&shop.ines.path("/words")).send().await.expect(200).json();
    let tags: Vec<_> = list.as_array().into_iter().flatten().filter_map(|l| l["language"].as_str()).collect();
    assert_eq!(tags, ["en", "de", "pl"], "a faulty catalogue is not used");
    assert!(shop.server.log().contains("names nothing, and should name name"), "{}", shop.server.log());

    let polish = shop.ines.get(&shop.ines.path("/words/pl")).send().await.expect(200).body.clone();
    let mut counter = shop.counter(7).await;
    counter.language = "pl".to_owned();
    counter.words = Digest::of(&polish).to_string();
    let intake = counter.take_in("0417").await.expect("taken in");
    let receipt = shop.ines.path(&format!("/intakes/{}/receipt", intake.id));
    let of =
        async |shop: &Shop, query: &str| shop.ines.get(&format!("{receipt}{query}")).send().await.expect(200).text();
    let page = of(&shop, "").await;
    for said in ["<html lang=\"pl\">", "Pokwitowanie", "Właściciel: ", "in language polski", "Taken into our care on"]
    {
        assert!(page.contains(said), "{said}: {page}");
    }
    assert!(of(&shop, "?language=de-AT").await.contains("In unsere Obhut genommen am"));
    assert!(of(&shop, "?language=xx").await.contains("Pokwitowanie"), "an unknown language is the one that was shown");

    // The file changes: what was shown is there by its digest. It goes: the receipt still speaks it.
    let by_digest =
        shop.ines.path(&format!("/words/{}", Digest::of(&polish).to_string().trim_start_matches("sha256:")));
    for change in [Some(json!({"language.name": "polski", "receipt.title": "Kwit"})), None] {
        assert!(shop.server.stop().success());
        match &change {
            Some(texts) => write(data.path(), "pl.json", texts),
            None => std::fs::remove_file(data.path().join("words/pl.json")).expect("removed"),
        }
        shop.server = Server::over(data.path(), &How::default());
        shop.ines = shop.ines.at(&shop.server.address);
        assert_eq!(shop.ines.get(&by_digest).send().await.expect(200).body, polish);
        let title = if change.is_some() { "Kwit" } else { "Pokwitowanie" };
        assert!(of(&shop, "").await.contains(&format!("<title>{title} 0417")), "{change:?}");
    }
    shop.ines.get(&shop.ines.path("/words/pl")).send().await.expect(404);
    shop.ines.get(&shop.ines.path(&format!("/words/{}", "0".repeat(64)))).send().await.expect(404);
    assert!(shop.server.stop().success());
    let checked = tests::server::check(data.path());
    assert!(checked.sound, "{}", checked.said);
}
