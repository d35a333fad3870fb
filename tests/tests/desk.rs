//! The desk over HTTP: what a day asks for, a search that forgives, the log as a list, and kinds of the shop's own.

use serde_json::json;
use tests::ask::Actor;
use tests::shop::Shop;

#[tokio::test]
async fn a_day_asks_for_what_was_promised_and_for_machines_without_a_place() {
    let shop = Shop::set_up().await;
    let mut ravi = shop.counter(71).await;
    let intake = ravi.take_in("0071").await.expect("answers");
    let due = |on: &str| shop.bo.path(&format!("/due?on={on}"));
    let early = shop.bo.get(&due("2000-01-01")).send().await.expect(200).json();
    assert_eq!(early["promised"], json!([]));
    let late = shop.bo.get(&due("2099-12-31")).send().await.expect(200).json();
    assert_eq!(late["zone"], "Europe/Vienna");
    assert_eq!(late["no_place"][0]["id"], json!(intake.id));
    for wrong in ["2026-02-30", "today", "2026-1-1"] {
        assert_eq!(shop.bo.get(&due(wrong)).send().await.gist(), "422 not-valid", "{wrong}");
    }
}

#[tokio::test]
async fn a_search_forgives() {
    let shop = Shop::set_up().await;
    let mut ravi = shop.counter(72).await;
    let intake = ravi.take_in("0072").await.expect("answers");
    for (q, found) in
        [("0072", true), ("72", true), ("CHAINSAW", true), ("chiansaw", true), ("Motorsage", true), ("zzzzz", false)]
    {
        let list = shop.bo.get(&shop.bo.path(&format!("/intakes?q={q}"))).send().await.expect(200).json();
        let there = list["intakes"].as_array().into_iter().flatten().any(|i| i["id"] == json!(intake.id));
        assert_eq!(there, found, "{q}");
    }
}

#[tokio::test]
async fn the_log_is_a_list_for_the_owner_and_says_nobodys_name() {
    let shop = Shop::set_up().await;
    let mut ravi = shop.counter(73).await;
    ravi.take_in("0073").await.expect("answers");
    assert_eq!(shop.ravi.get(&shop.ravi.path("/log")).send().await.gist(), "403 may-not");
    let page = shop.ines.get(&shop.ines.path("/log?limit=5")).send().await.expect(200).json();
    let indexes: Vec<u64> =
        page["entries"].as_array().into_iter().flatten().filter_map(|e| e["index"].as_u64()).collect();
    assert!(indexes.len() == 5 && indexes.is_sorted_by(|a, b| a > b), "{indexes:?}");
    let next = page["next"].as_u64().expect("a next page");
    let older =
        shop.ines.get(&shop.ines.path(&format!("/log?before={next}&limit=500"))).send().await.expect(200).json();
    assert_eq!(older["entries"].as_array().map(Vec::len), usize::try_from(next).ok());
    for member in ["body", "bytes", "disclosures", "name", "_sd"] {
        assert!(!older.to_string().contains(&format!("\"{member}\"")), "{member}");
    }
}

#[tokio::test]
async fn an_owner_tries_adds_and_retires_a_kind_and_an_intake_keeps_its_own() {
    let shop = Shop::set_up().await;
    let path = |rest: &str| shop.ines.path(&format!("/kinds{rest}"));
    let kinds = shop.ines.get(&path("")).send().await.expect(200).json();
    let saw =
        kinds.as_array().into_iter().flatten().find(|k| k["kind"]["id"] == "chainsaw").expect("a chainsaw").clone();
    let hex = saw["digest"].as_str().unwrap_or_default().trim_start_matches("sha256:").to_owned();
    let text = shop.ines.get(&path(&format!("/{hex}/text"))).send().await.expect(200).text();

    let broken = text.replacen("due = \"at counter\"", "due = \"soon\"", 1);
    let trial = shop.ines.post(&path("/try")).json(&json!({"toml": broken})).send().await.expect(200).json();
    assert!(trial["faults"][0]["line"].as_u64() > Some(1) && trial["kind"].is_null(), "{trial}");
    assert_eq!(shop.ines.post(&path("")).json(&json!({"toml": broken})).send().await.gist(), "422 not-valid");
    let bare = text.replacen("drawing = \"", "drawing = \"no-such-", 1);
    let trial = shop.ines.post(&path("/try")).json(&json!({"toml": bare})).send().await.expect(200).json();
    assert!(trial["faults"][0]["reason"].as_str().is_some_and(|r| r.contains("no drawing")), "{trial}");

    // Another kind under the same identifier needs to know what it takes the place of.
    let changed = format!("# ours\n{text}");
    assert_eq!(shop.ines.post(&path("")).json(&json!({"toml": changed})).send().await.gist(), "412 not-current");
    for staff in [&shop.ravi, &shop.bo] {
        for to in ["", "/try"] {
            assert_eq!(staff.post(&path(to)).json(&json!({"toml": text})).send().await.gist(), "403 may-not");
        }
    }
    let own = text.replacen("id = \"chainsaw\"", "id = \"pole-saw\"", 1);
    let example =
        "\n[[example]]\nname = \"just rebuilt\"\nanswers = { \"question:told-rebuilt\" = \"yes\" }\nasks = []\n";
    let trial =
        shop.ines.post(&path("/try")).json(&json!({"toml": format!("{own}{example}")})).send().await.expect(200).json();
    assert!(trial["faults"][0]["reason"].as_str().is_some_and(|r| r.contains("ask for")), "{trial}");
    let added = shop.ines.post(&path("")).json(&json!({"toml": own})).send().await.expect(201).json();
    let offered = shop.ravi.get(&path("")).send().await.expect(200).json();
    assert!(offered.as_array().into_iter().flatten().any(|k| k["digest"] == added["digest"] && k["own"] == true));

    let hex = added["digest"].as_str().unwrap_or_default().trim_start_matches("sha256:").to_owned();
    assert_eq!(shop.bo.delete(&path(&format!("/{hex}"))).send().await.gist(), "403 may-not");
    shop.ines.delete(&path(&format!("/{hex}"))).send().await.expect(204);
    let offered = shop.ravi.get(&path("")).send().await.expect(200).json();
    assert!(!offered.to_string().contains("pole-saw"));
    let all = shop.ines.get(&path("?retired=true")).send().await.expect(200).json();
    assert!(all.as_array().into_iter().flatten().any(|k| k["digest"] == added["digest"] && k["retired"].is_u64()));
    shop.ravi.get(&path(&format!("/{hex}"))).send().await.expect(200);
}
