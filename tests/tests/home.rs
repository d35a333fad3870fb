//! From the bench to the hand-back and after it, over HTTP: opening is locked, a step over the limit is refused, a hand-back is
//! blocked while a line is open, the second receipt says what was not found, and the dispute stands beside it.

use std::collections::BTreeSet;

use evidence::digest::Digest;
use evidence::disclosure::Disclosure;
use serde_json::{Value, json};
use tests::ask::Actor;
use tests::counter::{Counter, Intake, Saying, Step};
use tests::picture;
use tests::seeded::Seeded;
use tests::shop::Shop;
use uuid::Uuid;

/// A chainsaw in care that was left with its scabbard.
async fn with_scabbard(counter: &mut Counter, tag: &str) -> Intake {
    let mut intake = counter.intake(tag);
    for step in counter.steps() {
        if step == Step::Sign {
            let scabbard = json!({"item": "scabbard", "count": 1, "stays": "kept here"});
            counter.say(&mut intake, "accessory-noted", scabbard, &[]).await.expect("an answer");
        }
        counter.step(&mut intake, &step).await.expect("an answer");
    }
    intake
}

/// What a thing said is answered with, nothing being kept of it.
async fn gist(counter: &mut Counter, intake: &Intake, kind: &str, body: Value, personal: &[(&str, &str)]) -> String {
    let saying: Saying = counter.saying(intake, kind, body, personal);
    counter.post(&saying).await.expect("an answer").gist()
}

/// The gaps of the hand-back.
async fn open(shop: &Shop, intake: &Intake) -> Vec<String> {
    let path = shop.ravi.path(&format!("/intakes/{}/hand-back", intake.id));
    let found = shop.ravi.get(&path).send().await.expect(200).json();
    let gaps = found["gaps"].as_array().cloned().unwrap_or_default();
    gaps.iter().filter_map(|g| g["gap"].as_str()).map(str::to_owned).collect()
}

async fn photo_as_it_leaves(counter: &mut Counter, intake: &mut Intake, view: &str) -> Uuid {
    let bytes = picture::sharp(counter.random.number());
    let (photo, file) = (counter.uuid(), Digest::of(&bytes).to_string());
    let body = json!({"photo": photo, "file": file, "size": bytes.len(), "stage": "left", "view": view});
    counter.say(intake, "photo-taken", body, &[]).await.expect("an answer");
    counter.send(intake, &bytes).await.expect("an answer");
    photo
}

/// The signature on the sheet at an address, with both files. `body`: in which language, and who read it.
async fn signed_back(counter: &mut Counter, intake: &mut Intake, sheet_at: &str, mut body: Value) {
    let sheet = counter.staff.get(sheet_at).send().await.expect(200).body.clone();
    let strokes = evidence::canon::to_bytes(
        &json!({"height": 200, "strokes": [[[20, 60, 0], [90, 70, 16]]], "v": 1, "width": 400}),
    );
    let strokes = strokes.expect("canonical bytes");
    body["how"] = json!("signed");
    body["sheet"] = json!(Digest::of(&sheet));
    body["strokes"] = json!(Digest::of(&strokes));
    counter.say(intake, "hand-back-shown", body, &[]).await.expect("an answer");
    counter.send(intake, &sheet).await.expect("an answer");
    counter.send(intake, &strokes).await.expect("an answer");
}

/// All that a hand-back asks for but its lines: views, a trial, who collects.
async fn ready(counter: &mut Counter, intake: &mut Intake) {
    for view in counter.views() {
        photo_as_it_leaves(counter, intake, &view).await;
    }
    let trial = json!({"how": "not tried", "what": "the brake does not hold"});
    counter.say(intake, "trial-noted", trial, &[]).await.expect("an answer");
    let collector = json!({"who": "owner", "checked": "known here"});
    counter.say(intake, "collector-noted", collector, &[]).await.expect("an answer");
}

#[tokio::test]
async fn a_lost_scabbard_stands_on_the_second_receipt() {
    let shop = Shop::set_up().await;
    let mut ravi = shop.counter(41).await;
    let mut intake = with_scabbard(&mut ravi, "0041").await;
    let path = |rest: &str| shop.ravi.path(&format!("/intakes/{}{rest}", intake.id));
    let (sheet_at, second, first) = (path("/hand-back-sheet"), path("/hand-back-receipt"), path("/receipt"));
    let before = shop.ravi.get(&first).send().await.expect(200).text();

    assert_eq!(shop.ravi.get(&second).send().await.gist(), "409 refused");
    assert_eq!(gist(&mut ravi, &intake, "handed-back", json!({}), &[]).await, "409 gaps");
    let settled = json!({"line": "accessory:chain", "how": "given back"});
    assert_eq!(gist(&mut ravi, &intake, "thing-settled", settled, &[]).await, "422 not-valid");
    let lost = json!({"line": "accessory:scabbard", "how": "not found"});
    assert_eq!(gist(&mut ravi, &intake, "thing-settled", lost.clone(), &[]).await, "422 not-valid", "no place named");

    // What was looked at first: the red tag, told; tried outside; who is here.
    let red = json!({"word": "do not use", "because": "chain brake does not hold"});
    ravi.say(&mut intake, "quarantined", red, &[]).await.expect("an answer");
    ready(&mut ravi, &mut intake).await;
    let left = open(&shop, &intake).await;
    assert_eq!(left, ["settle:accessory:scabbard", "told:do not use", "hand-back-signature"]);

    let note = [("note", "looked on bench 2 and rack A; a new one is ordered")];
    ravi.say(&mut intake, "thing-settled", lost, &note).await.expect("an answer");
    let told = json!({"word": "do not use", "labelled": true});
    ravi.say(&mut intake, "quarantine-told", told, &[]).await.expect("an answer");

    assert_eq!(open(&shop, &intake).await, ["hand-back-signature"]);
    let body = json!({"language": "en", "words": ravi.words});
    signed_back(&mut ravi, &mut intake, &sheet_at, body).await;

    let mut bo = Counter::of(shop.bo.clone(), Seeded::new(42)).await;
    assert_eq!(
        gist(&mut bo, &intake, "handed-back", json!({}), &[]).await,
        "403 may-not",
        "the bench hands nothing out"
    );
    ravi.say(&mut intake, "handed-back", json!({}), &[]).await.expect("an answer");

    let receipt = shop.ravi.get(&second).send().await.expect(200).text();
    for said in ["scabbard: not found, looked on bench 2", "chain brake does not hold", "Handed back"] {
        assert!(receipt.contains(said), "the second receipt does not say: {said}");
    }
    // Whoever collects it gets proof of what the page shows, and of nobody's phone or words.
    let proof = receipt
        .split("id=\"counterfoil-evidence\">")
        .nth(1)
        .and_then(|p| p.split("</script>").next())
        .expect("a proof");
    let proof: Value = serde_json::from_str(proof).expect("JSON");
    let disclosed = proof["entries"]
        .as_array()
        .into_iter()
        .flatten()
        .flat_map(|e| e["disclosures"].as_array().cloned().unwrap_or_default());
    let names: BTreeSet<String> =
        disclosed.map(|d| Disclosure::decode(d.as_str().unwrap_or_default()).expect("a disclosure").name).collect();
    assert!(
        names.contains("note") && names.iter().all(|n| ["name", "note", "signer", "who"].contains(&n.as_str())),
        "{names:?}"
    );
    let after = shop.ravi.get(&first).send().await.expect(200).text();
    let told = |html: &str| html.split("<section class=\"proof\">").next().unwrap_or_default().to_owned();
    assert_eq!(told(&before), told(&after), "the first receipt stays as it was");

    // It is gone: its tag is free again, nothing more is done to it, its dispute goes on.
    assert_eq!(gist(&mut ravi, &intake, "moved", json!({"place": "Bench 1"}), &[]).await, "409 ended");
    let dispute = ravi.uuid();
    let opened = json!({"dispute": dispute, "side": "customer", "how": "by phone", "heard_by": ravi.staff.who.staff});
    ravi.say(&mut intake, "dispute-opened", opened, &[("text", "You lost my scabbard.")]).await.expect("an answer");
    let point = json!({"dispute": dispute, "point": ravi.uuid(), "about": "accessory:scabbard"});
    ravi.say(&mut intake, "dispute-point", point, &[("text", "It hung on the saw.")]).await.expect("an answer");
    let ended = json!({"dispute": dispute, "outcome": "agreed"});
    assert_eq!(gist(&mut ravi, &intake, "dispute-ended", ended.clone(), &[]).await, "403 may-not", "the owner ends it");
    ravi.take_in("0041").await.expect("the tag is free again");
}

#[tokio::test]
async fn old_parts_of_any_kind_are_answered_line_by_line_in_the_customers_language() {
    let shop = Shop::set_up().await;
    let mut ravi = shop.counter(44).await;
    let mut intake = ravi.take_in("0044").await.expect("an answer");
    let path = |rest: &str| shop.ravi.path(&format!("/intakes/{}{rest}", intake.id));
    let (sheet_at, second) = (path("/hand-back-sheet?language=de&reader=T.%20Ilves"), path("/hand-back-receipt"));
    let german = ravi.staff.get(&ravi.staff.path("/words/de")).send().await.expect(200).body.clone();
    ready(&mut ravi, &mut intake).await;

    let (chain, rings, wheel) = (ravi.uuid(), ravi.uuid(), ravi.uuid());
    let part = |old: Uuid, what: &str, fate: &str| json!({"old": old, "what": what, "fate": fate});
    let lies = |mut body: Value, place: &str| {
        body["place"] = json!(place);
        body
    };
    let nowhere = part(chain, "chain", "kept here");
    assert_eq!(gist(&mut ravi, &intake, "old-part-noted", nowhere.clone(), &[]).await, "422 not-valid", "no place");
    let binned = part(wheel, "wheel", "thrown away");
    assert_eq!(
        gist(&mut ravi, &intake, "old-part-noted", binned.clone(), &[]).await,
        "409 refused",
        "nobody let it go"
    );
    for (body, word) in [
        (lies(nowhere, "tray 4"), None),
        (lies(part(rings, "piston rings", "kept here"), "tray 4"), None),
        (binned, Some(("word", "Just bin it, she said on the phone."))),
    ] {
        let personal: Vec<_> = word.into_iter().collect();
        ravi.say(&mut intake, "old-part-noted", body, &personal).await.expect("an answer");
    }
    let (chain_line, rings_line) = (format!("old:{chain}"), format!("old:{rings}"));
    let blocked = [format!("settle:{chain_line}"), format!("settle:{rings_line}"), "hand-back-signature".into()];
    assert_eq!(open(&shop, &intake).await, blocked);
    let gone = json!({"line": format!("old:{wheel}"), "how": "given back"});
    assert_eq!(gist(&mut ravi, &intake, "thing-settled", gone, &[]).await, "422 not-valid", "it was thrown away");
    for (line, how) in [(&rings_line, "sent with a claim"), (&chain_line, "given back")] {
        assert_eq!(gist(&mut ravi, &intake, "handed-back", json!({}), &[]).await, "409 gaps", "{line} is open");
        ravi.say(&mut intake, "thing-settled", json!({"line": line, "how": how}), &[]).await.expect("an answer");
    }

    // Shown in another language, read out by somebody: both are signed, and neither can be said otherwise.
    let words = Digest::of(&german).to_string();
    let other = json!({"how": "not now", "because": "in a hurry", "sheet": Digest::of(&german), "language": "de", "words": words});
    assert_eq!(gist(&mut ravi, &intake, "hand-back-shown", other, &[]).await, "409 refused", "another sheet");
    let body = json!({"language": "de", "words": words, "reader": "T. Ilves"});
    signed_back(&mut ravi, &mut intake, &sheet_at, body).await;
    ravi.say(&mut intake, "handed-back", json!({}), &[]).await.expect("an answer");

    let receipt = shop.ravi.get(&second).send().await.expect(200).text();
    for said in
        ["chain“: zurückgegeben", "piston rings“: mit einem Anspruch eingesandt", "wheel“: entsorgt", "T. Ilves"]
    {
        assert!(receipt.contains(said), "the second receipt does not say: {said}");
    }
    assert!(!receipt.contains("Just bin it"), "whoever collects it reads nobody's words");
    let english = shop.ravi.get(&format!("{second}?language=en")).send().await.expect(200).text();
    assert!(english.contains("the old part “piston rings”: sent with a claim"), "in the reader's language");
}

#[tokio::test]
async fn opening_is_locked_and_money_has_a_limit() {
    let shop = Shop::set_up().await;
    let mut ravi = shop.counter(43).await;
    let mut intake = ravi.take_in("0043").await.expect("answers");
    let step = |minor: u64| json!({"what": "a new brake band", "adds": {"minor": minor, "currency": "EUR"}});

    assert_eq!(gist(&mut ravi, &intake, "opened-up", json!({}), &[]).await, "409 gaps");
    assert_eq!(gist(&mut ravi, &intake, "work-noted", step(1), &[]).await, "409 refused", "not opened up");
    // What is due before opening is answered or left open by name: here all of it is left open by the owner.
    let mut ines = Counter::of(shop.ines.clone(), Seeded::new(44)).await;
    loop {
        let path = shop.ines.path(&format!("/intakes/{}", intake.id));
        let gaps = shop.ines.get(&path).send().await.expect(200).json()["gaps"].clone();
        let due = gaps.as_array().into_iter().flatten().find(|g| g["due"] == "before opening").cloned();
        let Some(gap) = due else { break };
        let body = json!({"gap": gap["gap"], "reason": "agreed with the owner"});
        ines.say(&mut intake, "left-open", body, &[]).await.expect("an answer");
    }
    ravi.say(&mut intake, "opened-up", json!({}), &[]).await.expect("an answer");

    // The counter arranged 200 euro.
    ravi.say(&mut intake, "work-noted", step(15_000), &[]).await.expect("an answer");
    assert_eq!(gist(&mut ravi, &intake, "work-noted", step(5_001), &[]).await, "409 refused");
    let price = ravi.uuid();
    let told = json!({"price": price, "amount": {"minor": 26_000, "currency": "EUR"}, "what": "brake band and clutch", "how": "by phone"});
    ravi.say(&mut intake, "price-told", told, &[]).await.expect("an answer");
    let answer = |answer: &str, total: Option<u64>| {
        let mut body = json!({"answer": answer, "price": price, "how": "by phone", "at": "2026-11-26T09:10"});
        if let (Some(total), Some(m)) = (total, body.as_object_mut()) {
            m.insert("total".into(), json!({"minor": total, "currency": "EUR"}));
        }
        body
    };
    let who = [("who", "M. Okafor"), ("number", "+43 660 0000000")];
    assert_eq!(
        gist(&mut ravi, &intake, "approval-noted", answer("yes", Some(26_000)), &who[..1]).await,
        "422 not-valid",
        "no number"
    );
    ravi.say(&mut intake, "approval-noted", answer("no", None), &who).await.expect("an answer");
    assert_eq!(gist(&mut ravi, &intake, "work-noted", step(5_001), &[]).await, "409 refused", "a no moves no limit");
    ravi.say(&mut intake, "approval-noted", answer("yes", Some(26_000)), &who).await.expect("an answer");
    ravi.say(&mut intake, "work-noted", step(11_000), &[]).await.expect("an answer");
    assert_eq!(gist(&mut ravi, &intake, "work-noted", step(1), &[]).await, "409 refused");

    // A hold: only the owner, and nothing is erased meanwhile.
    assert_eq!(gist(&mut ravi, &intake, "hold-set", json!({"because": "a dispute"}), &[]).await, "403 may-not");
    ines.say(&mut intake, "hold-set", json!({"because": "a dispute"}), &[]).await.expect("an answer");
    let state = shop.ines.get(&shop.ines.path(&format!("/intakes/{}", intake.id))).send().await.expect(200).json();
    let photo = state["intake"]["photos"][0]["photo"].clone();
    let erase = json!({"photo": photo, "because": "a face"});
    assert_eq!(gist(&mut ines, &intake, "photo-erased", erase.clone(), &[]).await, "409 refused");
    ines.say(&mut intake, "hold-lifted", json!({"because": "agreed"}), &[]).await.expect("an answer");
    ines.say(&mut intake, "photo-erased", erase, &[]).await.expect("an answer");
}

#[tokio::test]
async fn parts_of_one_lot_stand_side_by_side() {
    let shop = Shop::set_up().await;
    let mut ravi = shop.counter(45).await;
    for (tag, read) in [("0045", "92"), ("0046", "128")] {
        let mut intake = ravi.take_in(tag).await.expect("answers");
        let part = ravi.uuid();
        let card = json!({"part": part, "what": "cylinder kit", "origin": "in it when it came", "supplier": "Reedmere Parts", "lot": "L-2209"});
        ravi.say(&mut intake, "part-noted", card, &[]).await.expect("an answer");
        let how = json!({"engine": "two-stroke", "release": "closed", "gauge": "G2", "valve": "at the tip", "throttle": "wide open", "pulls": 9,
            "engine_is": "warm", "cylinder": "dry", "altitude": {"value": "0", "unit": "m"}});
        let reading = json!({"reading": "compression", "value": read, "unit": "psi", "how": how, "part": part});
        ravi.say(&mut intake, "reading-noted", reading, &[]).await.expect("an answer");
        let none = json!({"reading": "compression", "value": read, "unit": "psi", "part": ravi.uuid()});
        assert_eq!(gist(&mut ravi, &intake, "reading-noted", none, &[]).await, "422 not-valid", "no such part");
    }
    let found = |q: &str| shop.bo.get(&shop.bo.path(&format!("/parts?q={q}"))).send();
    let by_lot = found("L-2209").await.expect(200).json();
    let parts = by_lot["parts"].as_array().cloned().unwrap_or_default();
    let stands: Vec<&Value> = parts.iter().map(|p| &p["readings"][0]["judged"]["compared"][0]["stands"]).collect();
    assert_eq!(stands, ["within", "below"], "the newest machine first: {by_lot}");
    let by_name = found("reedmere").await.expect(200).json();
    assert_eq!(by_name["parts"].as_array().map(Vec::len), Some(2));
    let by_tag = found("0045").await.expect(200).json();
    assert_eq!(by_tag["parts"].as_array().map(Vec::len), Some(0), "a tag names no part");
    assert_eq!(found("").await.gist(), "422 not-valid");
}
