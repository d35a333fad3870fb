//! Days that go differently, over HTTP: a lost tag, a machine found outside hours, a photo of the wrong machine, who brings
//! it, paper, a photo erased.

use serde_json::{Value, json};
use tests::ask::Actor;
use tests::counter::{Counter, Intake, Step};
use tests::picture;
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

#[tokio::test]
async fn a_found_machine_waits_for_its_owner_and_silence_is_no_agreement() {
    let shop = Shop::set_up().await;
    let mut ravi = shop.counter(42).await;
    let mut intake = ravi.intake("0050");
    let mut body = opening(&ravi, "0050");
    body["how"] = json!("found");
    ravi.say(&mut intake, "intake-opened", body, &[]).await.expect("an answer");
    assert_eq!(state(&shop, &intake).await["intake"]["state"], "found");
    let list = shop.ravi.get(&shop.ravi.path("/intakes?state=found")).send().await.expect(200).json();
    assert_eq!(list["intakes"].as_array().map(Vec::len), Some(1), "{list}");

    // Photographed before it is moved; then where, when, and where it stands now.
    ravi.photo(&mut intake, Some("bar-side"), &picture::sharp(42)).await.expect("an answer");
    let named = |s: &Value| s["gaps"].as_array().into_iter().flatten().any(|g| g["gap"] == "found");
    assert!(named(&state(&shop, &intake).await));
    for bad in ["2026-11-25T06:40:00Z", "2026-11-25 06:40", "yesterday, dawn", "2026-11-31T06:40"] {
        let find = json!({"place": "in front of the roller door", "seen_at": bad});
        assert_eq!(gist(&mut ravi, &intake, "found-noted", find).await, "422 not-valid", "{bad}");
    }
    let find = json!({"place": "in front of the roller door", "seen_at": "2026-11-25T06:40"});
    ravi.say(&mut intake, "found-noted", find, &[("note", "a bag with a chain beside it")]).await.expect("an answer");
    assert!(!named(&state(&shop, &intake).await));
    ravi.say(&mut intake, "moved", json!({"place": "Shelf 2"}), &[]).await.expect("an answer");

    for how in ["no answer", "by phone", "by message"] {
        ravi.say(&mut intake, "owner-answered", json!({"how": how}), &[]).await.expect("an answer");
        assert_eq!(state(&shop, &intake).await["intake"]["state"], "found", "{how}");
    }
    assert_eq!(gist(&mut ravi, &intake, "taken-in", json!({})).await, "409 refused");
    let fee = json!({"values": {"fee": "none"}});
    assert_eq!(gist(&mut ravi, &intake, "arrangement-made", fee).await, "409 refused");
    assert_eq!(gist(&mut ravi, &intake, "owner-answered", json!({"how": "agreed"})).await, "422 not-valid");
    let page = receipt(&shop, &intake).await;
    for wanted in ["Found", "in front of the roller door", "2026-11-25, 06:40", "a bag with a chain", "No answer on"] {
        assert!(page.contains(wanted), "the list does not say {wanted}");
    }

    // The owner comes in: the intake goes on as any other.
    ravi.say(&mut intake, "owner-answered", json!({"how": "came in"}), &[]).await.expect("an answer");
    assert_eq!(state(&shop, &intake).await["intake"]["state"], "open");
    assert_eq!(gist(&mut ravi, &intake, "owner-answered", json!({"how": "no answer"})).await, "409 refused");
    for step in ravi.steps().into_iter().filter(|s| *s != Step::Open) {
        ravi.step(&mut intake, &step).await.expect("an answer");
    }
    assert!(receipt(&shop, &intake).await.contains("Taken into our care"));
    let brought = {
        let mut other = ravi.intake("0051");
        ravi.open(&mut other).await.expect("an answer");
        gist(&mut ravi, &other, "owner-answered", json!({"how": "came in"})).await
    };
    assert_eq!(brought, "409 refused");
    stop_and_check(shop);
}

/// Waits until a photo of an intake is judged there.
async fn judged(shop: &Shop, intake: &Intake, photo: uuid::Uuid) -> Value {
    let found = async {
        loop {
            let view = state(shop, intake).await;
            let photos = view["intake"]["photos"].as_array().cloned().unwrap_or_default();
            let found = photos.into_iter().find(|p| p["photo"] == photo.to_string() && p["judged"].is_object());
            if let Some(found) = found {
                break found;
            }
        }
    };
    tokio::time::timeout(std::time::Duration::from_secs(30), found).await.expect("the photo is judged")
}

#[tokio::test]
async fn a_photo_of_the_wrong_machine_is_moved_and_both_say_so() {
    let shop = Shop::set_up().await;
    let mut ravi = shop.counter(43).await;
    let mut source = ravi.take_in("0060").await.expect("answers");
    let mut target = ravi.intake("0061");
    ravi.open(&mut target).await.expect("an answer");
    let before = state(&shop, &source).await;
    let fact = before["intake"]["photos"][0].clone();
    let photo: uuid::Uuid = fact["photo"].as_str().and_then(|p| p.parse().ok()).expect("a photo");
    let came = json!({"photo": photo, "from": source.id, "file": fact["file"], "size": fact["size"],
        "stage": "received", "view": "bar-side"});

    // Nothing comes that was not moved, or not here, or is another file.
    assert_eq!(gist(&mut ravi, &target, "photo-came", came.clone()).await, "409 refused");
    let nowhere = json!({"photo": photo, "to": uuid::Uuid::nil(), "because": "the wrong intake was open"});
    assert_eq!(gist(&mut ravi, &source, "photo-moved", nowhere).await, "409 refused");
    let moved = json!({"photo": photo, "to": target.id, "because": "the wrong intake was open"});
    ravi.say(&mut source, "photo-moved", moved.clone(), &[]).await.expect("an answer");
    assert_eq!(gist(&mut ravi, &source, "photo-moved", moved).await, "422 not-valid");
    let mut other_file = came.clone();
    other_file["file"] = before["intake"]["photos"][1]["file"].clone();
    assert_eq!(gist(&mut ravi, &target, "photo-came", other_file).await, "409 refused");
    let third = {
        let mut third = ravi.intake("0062");
        ravi.open(&mut third).await.expect("an answer");
        gist(&mut ravi, &third, "photo-came", came.clone()).await
    };
    assert_eq!(third, "409 refused");
    ravi.say(&mut target, "photo-came", came.clone(), &[]).await.expect("an answer");
    assert_eq!(gist(&mut ravi, &target, "photo-came", came).await, "422 not-valid");

    // It fills the view where it came to, once judged there, and none where it was taken for.
    let there = judged(&shop, &target, photo).await;
    assert_eq!(there["from"], source.id.to_string());
    let asks = |view: &Value| view["gaps"].as_array().into_iter().flatten().any(|g| g["gap"] == "view:bar-side");
    assert!(!asks(&state(&shop, &target).await), "it fills the view in the target");
    let left = state(&shop, &source).await;
    assert_eq!(left["intake"]["photos"][0]["moved"]["to"], target.id.to_string());
    let view = fact["view"].as_str().expect("a view").to_owned();
    assert!(left["gaps"].as_array().into_iter().flatten().any(|g| g["gap"] == format!("view:{view}")), "{left}");

    // What was signed stays as it was, and the receipt made again says what moved.
    assert_eq!(left["intake"]["acknowledgement"], before["intake"]["acknowledgement"]);
    let page = receipt(&shop, &source).await;
    assert!(
        page.contains("Photos that were moved or erased")
            && page.contains("0061")
            && page.contains("the wrong intake was open")
    );

    // And back again: it is judged there anew.
    let back = json!({"photo": photo, "to": source.id, "because": "it was right before"});
    ravi.say(&mut target, "photo-moved", back, &[]).await.expect("an answer");
    let home = json!({"photo": photo, "from": target.id, "file": fact["file"], "size": fact["size"], "stage": "received", "view": view});
    ravi.say(&mut source, "photo-came", home, &[]).await.expect("an answer");
    judged(&shop, &source, photo).await;
    assert!(asks(&state(&shop, &target).await), "it fills nothing in the target any more");
    stop_and_check(shop);
}

#[tokio::test]
async fn who_brings_it_and_what_was_on_paper_is_said() {
    let shop = Shop::set_up().await;
    let mut ravi = shop.counter(44).await;
    let mut intake = ravi.intake("0070");
    let mut body = opening(&ravi, "0070");
    body["how"] = json!("on paper");
    assert_eq!(gist(&mut ravi, &intake, "intake-opened", body.clone()).await, "422 not-valid");
    body["written"] = json!({"at": "14:05", "by": "Ines"});
    assert_eq!(gist(&mut ravi, &intake, "intake-opened", body.clone()).await, "422 not-valid");
    body["written"] = json!({"at": "2026-11-25T14:05", "by": "Ines"});
    ravi.say(&mut intake, "intake-opened", body, &[]).await.expect("an answer");

    let sheet = picture::sharp(44);
    let photo = json!({"photo": ravi.uuid(), "file": evidence::digest::Digest::of(&sheet), "size": sheet.len(),
        "stage": "received", "of_paper": true});
    let mut as_view = photo.clone();
    as_view["view"] = json!("bar-side");
    assert_eq!(gist(&mut ravi, &intake, "photo-taken", as_view).await, "422 not-valid");
    ravi.say(&mut intake, "photo-taken", photo, &[]).await.expect("an answer");
    ravi.send(&mut intake, &sheet).await.expect("an answer");

    for step in ravi.steps().into_iter().filter(|s| !matches!(s, Step::Open | Step::Sign | Step::TakeIn)) {
        ravi.step(&mut intake, &step).await.expect("an answer");
    }
    let standing = json!({"who": "owner", "standing": "minor"});
    assert_eq!(gist(&mut ravi, &intake, "person-named", standing).await, "422 not-valid");
    let bringer = json!({"who": "bringer", "standing": "sent by owner"});
    ravi.say(&mut intake, "person-named", bringer, &[("name", "Jonas")]).await.expect("an answer");
    for step in [Step::Sign, Step::TakeIn] {
        ravi.step(&mut intake, &step).await.expect("an answer");
    }
    let page = receipt(&shop, &intake).await;
    for wanted in ["Written 2026-11-25, 14:05 by Ines, entered", "brought in by Jonas", "sent by the owner"] {
        assert!(page.contains(wanted), "the receipt does not say {wanted}");
    }
    stop_and_check(shop);
}

#[tokio::test]
async fn paper_lies_ready_and_another_phone_goes_on() {
    let shop = Shop::set_up().await;
    let mut ravi = shop.counter(45).await;
    let kind = ravi.kind["digest"].as_str().expect("a digest").replace("sha256:", "");
    let paper = shop.ravi.path(&format!("/kinds/{kind}/paper?language=en"));
    let page = shop.ravi.get(&paper).send().await.expect(200).text();
    let due = ravi.kind["kind"]["view"].as_array().into_iter().flatten().filter(|v| v["due"] == "at counter").cloned();
    for view in due {
        let short = view["short"]["en"].as_str().expect("a name");
        assert!(page.contains(short), "the sheet does not ask for {short}");
    }
    assert!(page.contains("Number on the tag") && page.contains("Signature") && page.contains("Terms"));
    assert!(!page.contains("<script") && !page.contains("checked"));
    let none = shop.ravi.path(&format!("/kinds/{}/paper", "0".repeat(64)));
    assert_eq!(shop.ravi.get(&none).send().await.gist(), "404 not-found");

    let tags = |query: &str| shop.ravi.path(&format!("/tags/print?{query}"));
    let page = shop.ravi.get(&tags("from=0098&count=4")).send().await.expect(200).text();
    for tag in ["0098", "0099", "0100", "0101"] {
        assert!(page.contains(tag), "{tag}");
    }
    for bad in ["from=1&count=101", "from=1&count=0", "from=x&count=1", "from=&count=1"] {
        assert_eq!(shop.ravi.get(&tags(bad)).send().await.gist(), "422 not-valid", "{bad}");
    }

    let mut intake = ravi.intake("0080");
    ravi.open(&mut intake).await.expect("an answer");
    let path = shop.ravi.path(&format!("/intakes/{}/go-on", intake.id));
    let code = shop.ravi.get(&path).send().await.expect(200).json();
    assert!(code["url"].as_str().is_some_and(|u| u.ends_with(&format!("/intake/{}", intake.id))), "{code}");
    assert!(code["qr_svg"].as_str().is_some_and(|s| s.starts_with("<svg")));
}

/// Files of a shop's folder below a shelf.
fn kept(shop: &Shop, shelf: &str) -> usize {
    fn below(folder: &std::path::Path) -> usize {
        let entries = std::fs::read_dir(folder).into_iter().flatten().flatten();
        entries.map(|e| if e.path().is_dir() { below(&e.path()) } else { 1 }).sum()
    }
    let originals = shop.server.data().join("shops").join(shop.ravi.who.shop.to_string()).join(shelf);
    assert!(originals.is_dir(), "{}", originals.display());
    below(&originals)
}

#[tokio::test]
async fn one_photo_is_erased_by_the_owner_and_what_was_signed_stays_visible() {
    let shop = Shop::set_up().await;
    let mut ravi = shop.counter(46).await;
    let mut ines = Counter::of(shop.ines.clone(), tests::seeded::Seeded::new(47)).await;
    let mut intake = ravi.take_in("0090").await.expect("answers");
    let before = state(&shop, &intake).await;
    let fact = before["intake"]["photos"][2].clone();
    let (photo, file) = (fact["photo"].clone(), fact["file"].as_str().expect("a digest").replace("sha256:", ""));
    let (originals, renditions) = (kept(&shop, "originals"), kept(&shop, "renditions"));

    let erase = json!({"photo": photo, "because": "a passer-by is in the picture"});
    assert_eq!(gist(&mut ravi, &intake, "photo-erased", erase.clone()).await, "403 may-not");
    let bytes = shop.ravi.path(&format!("/files/{file}"));
    let small = shop.ravi.path(&format!("/photos/{}/small", photo.as_str().expect("an id")));
    let sent = shop.ravi.get(&bytes).send().await.expect(200).body.clone();
    shop.ravi.get(&small).send().await.expect(200);
    ines.say(&mut intake, "photo-erased", erase.clone(), &[]).await.expect("an answer");
    assert_eq!(gist(&mut ines, &intake, "photo-erased", erase).await, "422 not-valid");

    // Its bytes are gone, everywhere, and do not come back.
    assert_eq!(shop.ravi.get(&bytes).send().await.gist(), "410 erased");
    assert_eq!(shop.ravi.get(&small).send().await.gist(), "410 erased");
    assert_eq!(ravi.put(&sent).await.expect("an answer").gist(), "410 erased");
    assert_eq!(kept(&shop, "originals"), originals - 1);
    assert!(kept(&shop, "renditions") < renditions);

    // What was signed stays visible as signed.
    let after = state(&shop, &intake).await;
    assert_eq!(after["intake"]["acknowledgement"], before["intake"]["acknowledgement"]);
    let view = fact["view"].as_str().expect("a view");
    assert!(after["gaps"].as_array().into_iter().flatten().any(|g| g["gap"] == format!("view:{view}")), "{after}");
    let page = receipt(&shop, &intake).await;
    assert!(page.contains("erased on") && page.contains("a passer-by is in the picture"), "the receipt says it");
    assert_eq!(page.matches("<figcaption>").count(), 6, "every photo that was signed keeps its place");

    // A photo whose bytes another one names keeps them until that one is erased too.
    let twin = picture::sharp(4711);
    let mut ids = Vec::new();
    let mut other = ravi.intake("0091");
    ravi.open(&mut other).await.expect("an answer");
    for view in ["bar-side", "starter-side"] {
        ids.push(ravi.photo(&mut other, Some(view), &twin).await.expect("an answer").0);
    }
    let twin = shop.ravi.path(&format!("/files/{}", evidence::digest::Digest::of(&twin).hex()));
    for (id, gist) in ids.into_iter().zip(["200", "410 erased"]) {
        ines.say(&mut other, "photo-erased", json!({"photo": id, "because": "twice the same"}), &[])
            .await
            .expect("an answer");
        assert_eq!(shop.ravi.get(&twin).send().await.gist(), gist);
    }
    stop_and_check(shop);
}

#[tokio::test]
async fn an_erasure_that_a_crash_interrupted_is_done_at_the_next_start() {
    let mut shop = Shop::set_up().await;
    let mut ines = Counter::of(shop.ines.clone(), tests::seeded::Seeded::new(48)).await;
    let mut intake = ines.intake("0092");
    ines.open(&mut intake).await.expect("an answer");
    let bytes = picture::sharp(48);
    let (photo, _) = ines.photo(&mut intake, Some("bar-side"), &bytes).await.expect("an answer");
    let digest = evidence::digest::Digest::of(&bytes).hex();
    let folder = shop.server.data().join("shops").join(shop.ines.who.shop.to_string()).join("originals");
    let place = folder.join(&digest[..2]).join(&digest);
    assert!(place.is_file());
    ines.say(&mut intake, "photo-erased", json!({"photo": photo, "because": "not ours"}), &[])
        .await
        .expect("an answer");
    assert!(!place.exists());

    // As after a crash between the entry and the deletion: the bytes are still there at the next start.
    assert!(shop.server.stop().success(), "{}", shop.server.log());
    std::fs::write(&place, &bytes).expect("the file");
    let checked = server::check(shop.server.data());
    assert!(checked.sound, "{}", checked.said);
    let data = shop.server.data().to_owned();
    let mut again = server::Server::over(&data, &server::How::default());
    assert!(!place.exists(), "it is taken away at the start");
    again.anonymous().get("/healthz").send().await.expect(200);
    assert!(again.stop().success(), "{}", again.log());
    assert!(server::check(&data).sound);
}
