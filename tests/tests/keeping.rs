//! How long what is kept: the shop's own rules list what was kept long enough, and the owner's word erases it, each thing by an
//! entry; what a hold keeps meanwhile stays; the log checks.

use std::path::Path;

use evidence::digest::Digest;
use serde_json::{Value, json};
use sqlx::any::AnyConnectOptions;
use sqlx::{AnyConnection, ConnectOptions as _, Connection as _, Executor as _};
use tests::ask::{Actor, Answer, CookieStaff};
use tests::counter::{Counter, Intake, Step};
use tests::engine;
use tests::home::go_home;
use tests::picture;
use tests::seeded::Seeded;
use tests::server::{self, How, Server};
use tests::shop::Shop;

const KEPT: &str = "/kept-long-enough";

async fn gone_home(counter: &mut Counter, tag: &str) -> Intake {
    let mut intake = counter.take_in(tag).await.expect("answers");
    go_home(counter, &mut intake, &[("name", "Bartholomeus")]).await.expect("answers");
    intake
}

/// One that was sent home, with a photo.
async fn refused(counter: &mut Counter, tag: &str) -> (Intake, Vec<u8>) {
    let mut intake = counter.intake(tag);
    counter.step(&mut intake, &Step::Open).await.expect("an answer");
    let photo = picture::sharp(counter.random.number());
    counter.photo(&mut intake, None, &photo).await.expect("an answer");
    let who = [("name", "M. Okafor")];
    counter.say(&mut intake, "person-named", json!({"who": "owner"}), &who).await.expect("an answer");
    counter.say(&mut intake, "not-taken-in", json!({"because": "no room"}), &[]).await.expect("an answer");
    (intake, photo)
}

async fn rule(owner: &CookieStaff, keep: Value) -> Answer {
    let read = owner.get(&owner.path("/settings")).send().await;
    let etag = read.header("etag").expect("an ETag").to_owned();
    owner.put(&owner.path("/settings")).header("If-Match", &etag).json(&json!({"keep": keep})).send().await
}

async fn listed(owner: &CookieStaff) -> Vec<Value> {
    let page = owner.get(&owner.path(KEPT)).send().await.expect(200).json();
    assert!(page["next"].is_null(), "{page}");
    page["due"].as_array().expect("a list").clone()
}

fn tags(of: &[Value]) -> Vec<&str> {
    of.iter().filter_map(|k| k["tag"].as_str()).collect()
}

/// What the owner was shown and means.
fn meant(counter: &mut Counter, shown: &[Value]) -> Value {
    let one = |k: &Value| json!({"intake": k["intake"], "personal": k["personal"], "photos": k["photos"] != 0});
    json!({"erasure": counter.uuid(), "intakes": shown.iter().map(one).collect::<Vec<_>>()})
}

async fn erase(owner: &CookieStaff, wanted: &Value) -> Vec<Value> {
    let done = owner.post(&owner.path(KEPT)).json(wanted).send().await;
    done.expect(200).json()["intakes"].as_array().expect("a list").clone()
}

async fn file(staff: &CookieStaff, hex: &str) -> u16 {
    staff.get(&staff.path(&format!("/files/{hex}"))).send().await.status.as_u16()
}

#[tokio::test]
async fn what_was_kept_long_enough_goes_when_the_owner_says_so_and_what_is_held_meanwhile_stays() {
    let mut shop = Shop::set_up().await;
    let (mut ravi, ines) = (shop.counter(71).await, shop.ines.clone());
    let mut owner = Counter::of(ines.clone(), Seeded::new(72)).await;
    let home = gone_home(&mut ravi, "0701").await;
    let mut held = gone_home(&mut ravi, "0702").await;
    let mut disputed = gone_home(&mut ravi, "0703").await;
    let (sent_home, photo) = refused(&mut ravi, "0704").await;
    ravi.take_in("0705").await.expect("one that is here");
    let about = owner.uuid();
    let dispute = json!({"dispute": about, "side": "customer", "how": "by phone", "heard_by": ines.who.staff});
    let words = [("text", "It was fine when I dropped it off.")];
    owner.say(&mut disputed, "dispute-opened", dispute, &words).await.expect("an answer");

    // No rule, nothing: none is shipped. Rules are days, of classes that there are, and the owner's.
    assert!(listed(&ines).await.is_empty());
    for wrong in
        [json!({"photos": -1}), json!({"photos": "1"}), json!({"all": 1}), json!([1]), json!({"photos": 40_000})]
    {
        assert_eq!(rule(&ines, wrong.clone()).await.gist(), "422 not-valid", "{wrong}");
    }
    assert_eq!(ravi.staff.get(&ravi.staff.path(KEPT)).send().await.gist(), "403 may-not");
    rule(&ines, json!({"personal": 30, "photos": 30, "refused": 30, "disputed": 0})).await.expect(200);
    assert!(listed(&ines).await.is_empty(), "all of it is younger, and one is in dispute");

    // Photos alone: they go, and who brought it stays.
    rule(&ines, json!({"photos": 0})).await.expect(200);
    let shown = listed(&ines).await;
    assert_eq!(tags(&shown), ["0701", "0702"]);
    assert!(shown.iter().all(|k| k["classes"] == json!(["photos"]) && k["personal"] == false), "{shown:?}");
    let first = meant(&mut owner, &shown[..1]);
    assert_eq!(file(&ines, &home.sent.files[0]).await, 200, "a list takes nothing away");
    let done = erase(&ines, &first).await;
    assert!(done[0]["photos"] == shown[0]["photos"] && done[0]["index"].is_null(), "{done:?}");
    assert_eq!(file(&ines, &home.sent.files[0]).await, 410);
    let view = ines.get(&ines.path(&format!("/intakes/{}", home.id))).send().await.expect(200).text();
    assert!(view.contains("Okafor") && view.contains("kept long enough"), "{view}");

    // All of it. What is not due is not there, whoever asks for it.
    rule(&ines, json!({"personal": 0, "photos": 0, "refused": 0})).await.expect(200);
    let shown = listed(&ines).await;
    assert_eq!(tags(&shown), ["0701", "0702", "0704"], "nothing that is here, and nothing in dispute");
    assert_eq!((&shown[0]["photos"], &shown[0]["personal"]), (&json!(0), &json!(true)));
    let mut all = meant(&mut owner, &shown);
    let dispute = json!({"intake": disputed.id, "personal": true, "photos": true});
    all["intakes"].as_array_mut().expect("a list").push(dispute);
    // Between the list and the word, an insurer calls.
    let insurer = json!({"because": "an insurer asked"});
    owner.say(&mut held, "hold-set", insurer, &[]).await.expect("an answer");
    let done = erase(&ines, &all).await;
    assert_eq!(tags(&done), ["0701", "0702", "0704", "0703"]);
    assert!(done[0]["index"].is_u64() && done[2]["index"].is_u64() && done[2]["photos"] == 1, "{done:?}");
    assert!(done[1]["index"].is_null() && done[1]["stays"].as_str().is_some_and(|s| s.contains("held")), "{done:?}");
    assert!(done[3]["stays"].as_str().is_some_and(|s| s.contains("dispute")), "{done:?}");
    for (of, there) in [(&home, false), (&held, true), (&disputed, true), (&sent_home, false)] {
        let view = ines.get(&ines.path(&format!("/intakes/{}", of.id))).send().await.expect(200).text();
        assert_eq!(view.contains("Okafor"), there, "{}", of.tag);
    }
    assert_eq!((file(&ines, &Digest::of(&photo).hex()).await, file(&ines, &held.sent.files[0]).await), (410, 200));
    // The same again erases nothing twice; and the erasure has its receipt.
    let again = erase(&ines, &all).await;
    assert_eq!((&again[0]["index"], &again[2]["index"]), (&done[0]["index"], &done[2]["index"]));
    let receipt = format!("/erasures/{}/receipt", all["erasure"].as_str().expect("an id"));
    let paper = ines.get(&ines.path(&receipt)).send().await.expect(200).text();
    assert!(paper.contains("0701") && paper.contains("0704") && !paper.contains("Okafor"), "{paper}");

    // The dispute ends: from then on its own rule counts.
    let ended = json!({"dispute": about, "outcome": "agreed"});
    owner.say(&mut disputed, "dispute-ended", ended, &[]).await.expect("an answer");
    assert!(listed(&ines).await.is_empty(), "there is no rule for such");
    rule(&ines, json!({"disputed": 0})).await.expect(200);
    assert_eq!(tags(&listed(&ines).await), ["0703"]);
    // One thing more than one request takes, or an id that is none.
    let twice = json!({"erasure": all["erasure"], "intakes": [all["intakes"][0], all["intakes"][0]]});
    assert_eq!(ines.post(&ines.path(KEPT)).json(&twice).send().await.gist(), "422 not-valid");
    // Where a request breaks off, what was said to be erased before is gone from the disk too.
    rule(&ines, json!({"refused": 0})).await.expect(200);
    let (last, photo) = refused(&mut ravi, "0706").await;
    let hex = Digest::of(&photo).hex();
    let originals = shop.server.data().join("shops").join(shop.id.to_string()).join("originals");
    let on_disk = originals.join(&hex[..2]).join(&hex);
    assert!(on_disk.exists());
    let one = |id: Value| json!({"intake": id, "personal": true, "photos": true});
    let broken = json!({"erasure": owner.uuid(), "intakes": [one(json!(last.id)), one(json!(owner.uuid()))]});
    assert_eq!(ines.post(&ines.path(KEPT)).json(&broken).send().await.gist(), "404 not-found");
    assert!(!on_disk.exists(), "the photo is still there");
    assert!(shop.server.stop().success(), "{}", shop.server.log());
    let checked = server::check(shop.server.data());
    assert!(checked.sound, "{}", checked.said);
}

/// The database itself, beside the server.
async fn tables(data: &Path) -> AnyConnection {
    sqlx::any::install_default_drivers();
    let file = || format!("sqlite://{}", data.join("counterfoil.db").display());
    let address = engine::database_of(data).unwrap_or_else(file);
    address.parse::<AnyConnectOptions>().expect("an address").connect().await.expect("the database")
}

async fn run(data: &Path, sql: &[&'static str]) {
    let mut db = tables(data).await;
    for sql in sql {
        db.execute(*sql).await.unwrap_or_else(|e| panic!("{sql}: {e}"));
    }
    db.close().await.expect("it is written");
}

/// What is counted of every row: photos, and how far behind the row the count is.
async fn counts(data: &Path) -> Vec<(Option<i64>, Option<i64>)> {
    let mut db = tables(data).await;
    let sql = "SELECT photos, last_idx - photos_idx FROM intake ORDER BY opened_idx";
    let rows = sqlx::query_as(sql).fetch_all(&mut db).await.expect("rows");
    db.close().await.expect("closed");
    rows
}

#[tokio::test]
async fn a_row_written_by_a_server_that_does_not_count_photos_is_found_and_a_count_is_believed_at_its_own_revision_only()
 {
    let home = tempfile::Builder::new().prefix("counterfoil-keeping-").tempdir().expect("a temporary folder");
    let data = home.path().join("data");
    let mut shop = Shop::on(Server::over(&data, &How::default())).await;
    let (mut ravi, ines) = (shop.counter(73).await, shop.ines.clone());
    let mut owner = Counter::of(ines.clone(), Seeded::new(74)).await;
    gone_home(&mut ravi, "0711").await;
    ravi.take_in("0712").await.expect("one that is here");
    // Photos alone are left of it.
    rule(&ines, json!({"personal": 0})).await.expect(200);
    let shown = listed(&ines).await;
    assert!(erase(&ines, &meant(&mut owner, &shown)).await[0]["index"].is_u64());
    rule(&ines, json!({"photos": 0})).await.expect(200);
    let photos = listed(&ines).await[0]["photos"].as_i64().expect("a count");
    let counted = counts(&data).await;
    assert!(photos > 0 && counted[0] == (Some(photos), Some(0)) && counted[1].1 == Some(0), "{counted:?}");

    // A row made by an older server, and one that it wrote over: neither count is one.
    for old in [
        "UPDATE intake SET photos = NULL, photos_idx = NULL",
        "UPDATE intake SET photos = 0, photos_idx = last_idx - 1",
    ] {
        run(&data, &[old]).await;
        assert_eq!(tags(&listed(&ines).await), ["0711"], "{old}");
    }
    // Of this revision, it is: nothing is asked of the intake.
    run(&data, &["UPDATE intake SET photos = 0, photos_idx = last_idx WHERE tag = '0711'"]).await;
    assert!(listed(&ines).await.is_empty());
    assert!(shop.server.stop().success(), "{}", shop.server.log());
    let checked = server::check(&data);
    assert!(!checked.sound && checked.said.contains("something else than the log: photos"), "{}", checked.said);

    // From the tables as they were before anything was counted.
    run(
        &data,
        &[
            "ALTER TABLE intake DROP COLUMN photos",
            "ALTER TABLE intake DROP COLUMN photos_idx",
            "DELETE FROM _sqlx_migrations WHERE version IN (100, 101)",
        ],
    )
    .await;
    let mut server = Server::over(&data, &How::default());
    assert_eq!(counts(&data).await, [(Some(photos), Some(0)), (None, None)]);
    let ines = ines.at(&server.address);
    assert_eq!(tags(&listed(&ines).await), ["0711"]);
    // What is erased then is counted anew, and the count says that nothing is left.
    let shown = listed(&ines).await;
    assert_eq!(erase(&ines, &meant(&mut owner, &shown)).await[0]["photos"], photos);
    assert_eq!(counts(&data).await[0], (Some(0), Some(0)));
    assert!(listed(&ines).await.is_empty());
    assert!(server.stop().success(), "{}", server.log());
    let checked = server::check(&data);
    assert!(checked.sound, "{}", checked.said);
}
