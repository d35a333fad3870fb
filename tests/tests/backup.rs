//! A backup is taken while machines are taken in, again into the same folder, and put back: everything up to that moment is there
//! and proves, what came later is lost and the log says so, what was erased is not in the copy, and nobody is signed in by it.
//! With photos in a bucket only what is new is fetched, and what the bucket lost comes back from the backup.

use std::path::Path;
use std::process::Command;

use cluster::store;
use counterfoil::originals::Address;
use evidence::digest::Digest;
use serde_json::json;
use tests::ask::{Actor, CookieStaff};
use tests::counter::Counter;
use tests::engine;
use tests::one_time;
use tests::picture;
use tests::record;
use tests::seeded::Seeded;
use tests::server::{self, How, Server, program};
use tests::shop::{PASSWORD, Shop};

/// Runs the program; what it said, and whether it did it.
fn told(args: &[&str], paths: &[(&str, &Path)]) -> (bool, String) {
    let mut command = Command::new(program());
    command.args(args);
    for (name, path) in paths {
        command.arg(name).arg(path);
        if *name == "--data" {
            command.args(engine::arguments(path));
        }
    }
    let done = command.envs(engine::STORE_KEYS).output().expect("the program runs");
    let said = format!("{}{}", String::from_utf8_lossy(&done.stdout), String::from_utf8_lossy(&done.stderr));
    (done.status.success(), said)
}

async fn backup(data: &Path, to: &Path) -> String {
    let (data, to) = (data.to_owned(), to.to_owned());
    let run = tokio::task::spawn_blocking(move || told(&["backup"], &[("--data", &data), ("--to", &to)]));
    let (good, said) = run.await.expect("it runs");
    assert!(good, "{said}");
    said
}

fn restore(from: &Path, data: &Path, key: &Path) -> (bool, String) {
    told(&["restore", "--because", "the disk broke"], &[("--from", from), ("--data", data), ("--key", key)])
}

async fn file(staff: &CookieStaff, bytes: &[u8]) -> u16 {
    staff.get(&staff.path(&format!("/files/{}", Digest::of(bytes).hex()))).send().await.status.as_u16()
}

#[tokio::test]
async fn a_backup_taken_while_serving_is_put_back_and_checks() {
    let home = tempfile::Builder::new().prefix("counterfoil-backup-").tempdir().expect("a folder");
    let at = |name: &str| home.path().join(name);
    let (data, copy, key) = (at("data"), at("copy"), at("log.key"));
    let mut shop = Shop::on(Server::over(&data, &How::default())).await;
    let mut counter = shop.counter(81).await;
    let mut first = counter.take_in("0100").await.expect("answers");
    let (kept, erased) = (picture::sharp(811), picture::sharp(812));
    counter.photo(&mut first, None, &kept).await.expect("an answer");
    let (photo, _) = counter.photo(&mut first, None, &erased).await.expect("an answer");
    let exported = shop.ines.post(&shop.ines.path("/key-export")).send().await.expect(200).text();
    std::fs::write(&key, exported).expect("a file");
    let (_, recovery) = one_time::set_up(&shop.ravi).await;

    // While others work.
    let working = tokio::spawn(async move {
        for tag in ["0101", "0102", "0103"] {
            counter.take_in(tag).await.expect("answers");
        }
        counter
    });
    let said = backup(&data, &copy).await;
    assert!(said.contains("0 faults") && said.contains("keep the exported log key elsewhere"), "{said}");
    let counter = working.await.expect("they took three in");
    assert!(!copy.join("keys").exists(), "no key is in a backup");

    // Again: what is new, and without what was erased.
    let mut owner = Counter::of(shop.ines.clone(), Seeded::new(82)).await;
    let because = json!({"photo": photo, "because": "a passer-by is in the picture"});
    owner.say(&mut first, "photo-erased", because, &[]).await.expect("an answer");
    assert_eq!(file(&shop.ines, &erased).await, 410, "it is erased here");
    let said = backup(&data, &copy).await;
    assert!(said.contains(" taken away as erased") && !said.contains(" 0 taken away"), "{said}");
    let hex = Digest::of(&erased).hex();
    let named = format!("shops/{}/originals/{}/{hex}", shop.id, &hex[..2]);
    assert!(!copy.join(&named).exists(), "a backup keeps what was erased");
    // What the shop's disk lost without erasing it stays in the backup, and is told.
    let lost = Digest::of(&kept).hex();
    let lost = format!("shops/{}/originals/{}/{lost}", shop.id, &lost[..2]);
    std::fs::remove_file(data.join(&lost)).expect("an original");
    let copies = data.join(format!("shops/{}/renditions", shop.id));
    std::fs::rename(&copies, at("renditions-lost")).expect("its copies");
    let (good, said) = told(&["backup"], &[("--data", &data), ("--to", &copy)]);
    assert!(!good && said.contains(&format!("{lost} is not in the shop's store any more")), "{said}");
    assert!(copy.join(&lost).is_file(), "the last copy is not taken away");
    assert!(said.contains(" 0 taken away") && said.contains("/renditions/"), "{said}");
    std::fs::rename(at("renditions-lost"), &copies).expect("they are back");
    let before = record::log(&shop.ines).await.expect("the log");

    // What came later is lost with the disk.
    let mut counter = counter;
    counter.take_in("0109").await.expect("answers");
    assert!(shop.server.stop().success(), "{}", shop.server.log());

    let wrong = at("wrong.key");
    std::fs::write(&wrong, format!("{}\n", "5a".repeat(32))).expect("a file");
    let (good, said) = restore(&copy, &at("with-a-wrong-key"), &wrong);
    assert!(!good && said.contains("key"), "{said}");
    let (good, said) = restore(&copy, &data, &key);
    assert!(!good && said.contains("is not empty"), "{said}");

    let back = at("back");
    engine::address(&back);
    let (good, said) = restore(&copy, &back, &key);
    assert!(good && said.contains("epoch 2 is open") && said.contains("; 0 faults"), "{said}");
    let mut server = Server::over(&back, &How::default());
    let ines = shop.ines.at(&server.address);
    assert_eq!(ines.get(&ines.path("")).send().await.status.as_u16(), 401, "nobody is signed in by a backup");
    let (door, ines) = (server.anonymous(), json!({"sign_in": "ines", "password": PASSWORD}));
    for (code, gist) in [("", "401 code-asked"), (&recovery[0], "201")] {
        let ravi = json!({"sign_in": "ravi", "password": PASSWORD, "code": code});
        assert_eq!(door.post("/v1/sessions").json(&ravi).send().await.gist(), gist, "a second factor is in a backup");
    }
    let ines = door.let_in(&door.post("/v1/sessions").json(&ines).send().await);
    let log = record::log(&ines).await.expect("the log");
    let same = before.iter().all(|(index, bytes)| log.get(index) == Some(bytes));
    assert!(same, "everything up to the backup is there, byte for byte");
    let next = before.len() as u64;
    let opened: serde_json::Value = serde_json::from_slice(&log[&next]).expect("an entry");
    assert_eq!(opened["said"]["type"], "epoch-opened", "what came later is lost, and the log says so");
    assert_eq!((file(&ines, &kept).await, file(&ines, &erased).await), (200, 410));
    Counter::of(ines, Seeded::new(83)).await.take_in("0109").await.expect("it goes on");
    assert!(server.stop().success(), "{}", server.log());
    let checked = server::check(&back);
    assert!(checked.sound, "{}", checked.said);
}

/// Somebody else's hand in a bucket, through the library that the program uses.
fn hand(place: &Address) -> Box<s3::Bucket> {
    let endpoint = place.endpoint.clone().expect("an endpoint");
    let region = s3::Region::Custom { region: place.region.clone(), endpoint };
    let keys = s3::creds::Credentials::new(Some(store::KEY), Some(store::SECRET), None, None, None).expect("keys");
    s3::Bucket::new(&place.bucket, region, keys).expect("a bucket").with_path_style()
}

#[tokio::test]
async fn of_a_bucket_only_what_is_new_is_fetched_and_what_it_lost_is_put_back() {
    let home = tempfile::Builder::new().prefix("counterfoil-backup-").tempdir().expect("a folder");
    let at = |name: &str| home.path().join(name);
    let (data, copy, key) = (at("data"), at("copy"), at("log.key"));
    let address = store::address(store::endpoint());
    engine::use_originals(&data, &address);
    let mut shop = Shop::on(Server::over(&data, &How::default())).await;
    let mut counter = shop.counter(91).await;
    let mut first = counter.take_in("0100").await.expect("answers");
    let (broken, lost, erased) = (picture::sharp(911), picture::sharp(912), picture::sharp(913));
    for bytes in [&broken, &lost] {
        counter.photo(&mut first, None, bytes).await.expect("an answer");
    }
    let (photo, _) = counter.photo(&mut first, None, &erased).await.expect("an answer");
    counter.judged(&first).await;
    let exported = shop.ines.post(&shop.ines.path("/key-export")).send().await.expect(200).text();
    std::fs::write(&key, exported).expect("a file");
    let said = backup(&data, &copy).await;
    assert!(said.contains(" 0 there already") && said.contains("; 0 faults"), "{said}");
    let (good, said) = told(&["backup"], &[("--data", &data), ("--to", &at("data").join("inside"))]);
    assert!(!good && said.contains("neither in the data folder"), "{said}");

    // What the backup has is not fetched again: of the same length, other bytes are not even seen. What is new is.
    let place = Address::parse(&address).expect("an address");
    let bucket = hand(&place);
    let object = |bytes: &[u8]| format!("{}{}/originals/{}", place.prefix, shop.id, Digest::of(bytes).hex());
    let mut other = broken.clone();
    other[100] ^= 1;
    bucket.put_object(object(&broken), &other).await.expect("another hand in the bucket");
    let because = json!({"photo": photo, "because": "a passer-by is in the picture"});
    Counter::of(shop.ines.clone(), Seeded::new(92))
        .await
        .say(&mut first, "photo-erased", because, &[])
        .await
        .expect("an answer");
    let new = picture::sharp(914);
    counter.photo(&mut first, None, &new).await.expect("an answer");
    counter.judged(&first).await;
    let said = backup(&data, &copy).await;
    let copied: usize = said.split(" files copied").next().and_then(|n| n.parse().ok()).expect("a number");
    assert!((1..=4).contains(&copied) && !said.contains(" 0 taken away") && said.contains("; 0 faults"), "{said}");
    let held = |bytes: &[u8]| {
        let hex = Digest::of(bytes).hex();
        std::fs::read(copy.join(format!("shops/{}/originals/{}/{hex}", shop.id, &hex[..2]))).ok()
    };
    assert!(held(&broken).as_ref() == Some(&broken) && held(&new).as_ref() == Some(&new), "they are in the backup");
    assert_eq!(held(&erased), None, "a backup keeps what was erased");

    // What the bucket lost stays in the backup, and is told.
    bucket.delete_object(object(&lost)).await.expect("another hand in the bucket");
    let (good, said) = told(&["backup"], &[("--data", &data), ("--to", &copy)]);
    assert!(!good && said.contains(&Digest::of(&lost).hex()) && said.contains("it stays here"), "{said}");
    assert!(said.starts_with("fault: ") && said.contains("0 files copied") && held(&lost).is_some(), "{said}");
    assert!(shop.server.stop().success(), "{}", shop.server.log());
    let checked = server::check(&data);
    assert!(!checked.sound && checked.said.contains("2 faults"), "{}", checked.said);

    // Back into the very bucket: what is right in it stays, what is broken or gone is put there again.
    let back = at("back");
    engine::address(&back);
    engine::use_originals(&back, &address);
    let (good, said) = restore(&copy, &back, &key);
    assert!(good && said.contains("epoch 2 is open") && said.contains("; 0 faults"), "{said}");
    let mut server = Server::over(&back, &How::default());
    let (door, ines) = (server.anonymous(), json!({"sign_in": "ines", "password": PASSWORD}));
    let ines = door.let_in(&door.post("/v1/sessions").json(&ines).send().await);
    for (bytes, status) in [(&broken, 200), (&lost, 200), (&new, 200), (&erased, 410)] {
        assert_eq!(file(&ines, bytes).await, status);
    }
    assert!(server.stop().success(), "{}", server.log());
    let checked = server::check(&back);
    assert!(checked.sound, "{}", checked.said);
}
