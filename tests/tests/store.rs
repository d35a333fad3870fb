//! A server whose originals are in a bucket, and the days on which the bucket is away: the intake goes on, photos wait on the
//! phone, and nothing that was acknowledged is missing afterwards. 14 faults and 3 kills of the store, 140 and 30 in the long form.

use cluster::store::{self, KEY, SECRET, Store};
use counterfoil::edge::Random;
use counterfoil::originals::{Address, Bucket, Keys, Originals, Shelf};
use evidence::digest::Digest;
use serde_json::json;
use tests::ask::{Actor, Anonymous};
use tests::counter::{Acknowledged, Counter};
use tests::engine;
use tests::picture;
use tests::seeded::Seeded;
use tests::server::{self, How, Server};
use tests::shop::Shop;
use tests::wire::{Fault, Wire};

/// Requests are given up soon, so that a line that stands still is met often.
const SOON: &str = "&timeout_ms=300";

/// A home with a server whose originals are in a bucket behind a line that may be bad.
struct Kept {
    home: tempfile::TempDir,
    wire: Wire,
    shop: Shop,
    address: String,
}

async fn kept(endpoint: &str, how: &How) -> Kept {
    let home = tempfile::Builder::new().prefix("counterfoil-store-").tempdir().expect("a temporary folder");
    let wire = Wire::to(endpoint.trim_start_matches("http://")).await;
    let address = store::address(endpoint);
    let data = home.path().join("data");
    engine::use_originals(&data, &format!("{}{SOON}", address.replace(endpoint, &format!("http://{}", wire.address))));
    let shop = Shop::on(Server::over(&data, how)).await;
    Kept { home, wire, shop, address }
}

/// The bucket as somebody else sees it, by a line that is good.
fn look(address: &str, home: &std::path::Path) -> Originals {
    let keys = Keys { id: KEY.into(), secret: SECRET.into(), token: None };
    let bucket =
        Bucket::new(Address::parse(address).expect("an address"), &keys, None, Random::System).expect("a bucket");
    Originals::in_bucket(&home.join("look"), bucket, &home.join("look-copies")).expect("the store")
}

/// Every acknowledged file is in the bucket and right, is given by the server, and the record checks.
async fn nothing_is_missing(kept: Kept, sent: &Acknowledged) {
    let Kept { home, mut shop, address, .. } = kept;
    assert_eq!(sent.missing(&shop.ines).await, [""; 0]);
    let (files, id, there) = (sent.files.clone(), shop.id, home.path().to_owned());
    let looked = tokio::task::spawn_blocking(move || {
        let store = look(&address, &there);
        for hex in &files {
            let digest = Digest::from_hex(hex).expect("a digest");
            assert_eq!(store.rehash(id, &digest).expect("it is in the bucket"), digest);
        }
        store.list(id, Shelf::Originals).expect("a list").len()
    });
    assert!(looked.await.expect("a look") >= sent.files.len());
    assert!(shop.server.stop().success(), "{}", shop.server.log());
    let checked = server::check(&home.path().join("data"));
    assert!(checked.sound, "{}", checked.said);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_bucket_that_is_away_stops_photos_and_nothing_else() {
    let how = How::default().arg("--operations").arg("127.0.0.1:0");
    let kept = kept(store::endpoint(), &how).await;
    let beside = Anonymous::at(kept.shop.server.operations.as_deref().expect("an address of its own"));
    assert_eq!(beside.get("/readyz").send().await.expect(200).json()["lacks"], json!([]));
    let mut counter = kept.shop.counter(7).await;
    let mut sent = Acknowledged::default();
    sent.add(&counter.take_in("0700").await.expect("answers").sent);

    let mut random = Seeded::new(0x53);
    let rounds: u64 = if tests::long() { 140 } else { 14 };
    let (mut refused, mut kept_all_the_same) = (0, 0);
    for n in 0..rounds {
        let photo = picture::sharp(1000 + n);
        let half = 1 + random.below(photo.len() as u64);
        let fault = match n % 7 {
            0 => Fault::Refuse,
            1 => Fault::Status(503),
            2 => Fault::Status(500),
            3 => Fault::Request(half),
            4 => Fault::Answer(random.below(400)),
            5 => Fault::Status(429),
            _ => Fault::Still,
        };
        let mut intake = counter.intake(&format!("8{n:03}"));
        let met = kept.wire.met();
        kept.wire.set(fault);
        // The intake goes on: entries do not wait for the bucket.
        counter.open(&mut intake).await.expect("answers");
        counter.name(&mut intake, Some("bar-side"), &photo).await.expect("an answer");
        let answer = counter.put(&photo).await.expect("an answer");
        assert!(kept.wire.met() > met, "{fault:?} was never met");
        match answer.status.as_u16() {
            503 => {
                refused += 1;
                assert_eq!(answer.json()["type"], "/problems/store-away", "{}", answer.text());
                assert_eq!(answer.json()["retry"], "same");
                assert!(answer.header("retry-after").is_some());
                let path = counter.staff.path(&format!("/files/{}", Digest::of(&photo).hex()));
                assert_eq!(counter.staff.get(&path).send().await.gist(), "404 not-found", "not said to be held");
            }
            // Such a fault may leave one of the tries whole.
            200 => kept_all_the_same += 1,
            _ => panic!("{fault:?}: {}", answer.gist()),
        }
        if n % 7 == 0 {
            let told = beside.get("/readyz").send().await.expect(200).json();
            assert_eq!(
                (told["ready"].clone(), told["lacks"].as_array().map(Vec::len)),
                (json!(true), Some(1)),
                "{told}"
            );
            let numbers = beside.get("/metrics").send().await.expect(200).text();
            assert!(numbers.lines().any(|l| l == "counterfoil_originals_store_answers 0"), "{numbers}");
        }
        kept.wire.set(Fault::None);
        // The phone sends it again.
        counter.send(&mut intake, &photo).await.expect("an answer");
        sent.add(&intake.sent);
    }
    println!(
        "{rounds} faults: {refused} told as away, {kept_all_the_same} photos held all the same; {} files there",
        sent.files.len()
    );
    assert!(refused * 2 > rounds, "too few faults were felt: {refused} of {rounds}");
    let numbers = beside.get("/metrics").send().await.expect(200).text();
    assert!(numbers.lines().any(|l| l == "counterfoil_originals_store_answers 1"), "{numbers}");
    nothing_is_missing(kept, &sent).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_store_that_is_killed_in_the_middle_loses_nothing_acknowledged() {
    let mut far = tokio::task::spawn_blocking(Store::start).await.expect("a store");
    let kept = kept(far.endpoint(), &How::default()).await;
    let mut random = Seeded::new(0x54);
    let (rounds, mut sent, mut failed) = (if tests::long() { 30 } else { 3 }, Acknowledged::default(), 0);
    for round in 0..rounds {
        let mut people = tokio::task::JoinSet::new();
        for person in 0..3 {
            let mut counter = Counter::of(kept.shop.ravi.clone(), Seeded::new(random.number())).await;
            people.spawn(async move {
                let mut intake = counter.intake(&format!("{round:03}{person}"));
                counter.open(&mut intake).await.expect("answers");
                let mut left = Vec::new();
                for n in 0..6 {
                    let photo = picture::sharp(round * 1000 + person * 100 + n);
                    counter.name(&mut intake, None, &photo).await.expect("an answer");
                    let answer = counter.put(&photo).await.expect("an answer");
                    match answer.status.as_u16() {
                        200 => intake.sent.files.push(Digest::of(&photo).hex()),
                        503 => left.push(photo),
                        _ => panic!("{}", answer.gist()),
                    }
                }
                (counter, intake, left)
            });
        }
        let race = std::time::Duration::from_millis(random.below(400));
        let _ = tokio::time::timeout(race, people.join_next()).await;
        far = tokio::task::spawn_blocking(move || {
            far.crash();
            far
        })
        .await
        .expect("a crash");
        let mut ended = Vec::new();
        while let Some(one) = people.join_next().await {
            ended.push(one.expect("somebody's work"));
        }
        far = tokio::task::spawn_blocking(move || {
            far.start_again();
            far
        })
        .await
        .expect("a start");
        for (counter, mut intake, left) in ended {
            failed += left.len();
            for photo in left {
                counter.send(&mut intake, &photo).await.expect("an answer");
            }
            sent.add(&intake.sent);
        }
    }
    println!("{rounds} kills of the store: {failed} photos waited; {} files acknowledged and there", sent.files.len());
    assert!(failed > 0, "no kill was felt");
    nothing_is_missing(kept, &sent).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_start_needs_no_bucket_and_clears_what_a_kill_left_in_it() {
    let mut kept = kept(store::endpoint(), &How::default()).await;
    let data = kept.home.path().join("data");
    let mut counter = kept.shop.counter(9).await;
    let mut intake = counter.intake("0900");
    counter.open(&mut intake).await.expect("answers");
    // Longer than one part: the line takes some of the parts, then the server is killed.
    let mut photo = picture::sharp(9);
    photo.extend(Seeded::new(9).noise(20 * 1024 * 1024));
    counter.name(&mut intake, Some("bar-side"), &photo).await.expect("an answer");
    kept.wire.set(Fault::Request(12 * 1024 * 1024));
    let (sender, whole) = (counter.clone(), photo.clone());
    let upload = tokio::spawn(async move { sender.put(&whole).await });
    let begun = |log: &str| log.contains("does not answer");
    while !begun(&kept.shop.server.log()) {
        assert!(!upload.is_finished(), "the upload ended before a part was tried again");
        tokio::task::yield_now().await;
    }
    kept.shop.server.kill();
    assert!(upload.await.expect("the sender").is_err());

    // A start while the bucket is away.
    kept.wire.set(Fault::Refuse);
    let mut server = Server::over(&data, &How::default());
    let counter = Counter::of(kept.shop.ravi.at(&server.address), Seeded::new(10)).await;
    let answer = counter.put(&photo).await.expect("an answer");
    assert_eq!(answer.gist(), "503 store-away");
    assert!(server.stop().success(), "{}", server.log());
    kept.wire.set(Fault::None);
    let server = Server::over(&data, &How::default().arg("--log-json"));
    let swept = |l: &str| l.contains("a crash left half done") && l.contains("\"swept\":1");
    assert!(server.log().lines().any(swept), "{}", server.log());
    let counter = Counter::of(kept.shop.ravi.at(&server.address), Seeded::new(11)).await;
    counter.send(&mut intake, &photo).await.expect("an answer");

    // Another place than before is refused with a sentence, and so is none.
    kept.shop.ines = kept.shop.ines.at(&server.address);
    kept.shop.server = server;
    let elsewhere = How::default().arg("--originals").arg("s3://another?region=x");
    kept.shop.server.stop();
    let said = Server::try_over(&data, &elsewhere).expect_err("another bucket");
    assert!(said.contains("the argument '--originals") || said.contains("are in s3://"), "{said}");
    kept.shop.server = Server::over(&data, &How::default());
    kept.shop.ines = kept.shop.ines.at(&kept.shop.server.address);
    nothing_is_missing(kept, &intake.sent).await;
}

/// How many files each shelf has in the bucket.
async fn shelves(kept: &Kept) -> [usize; 2] {
    let (address, home, id) = (kept.address.clone(), kept.home.path().to_owned(), kept.shop.id);
    let looked = tokio::task::spawn_blocking(move || {
        let store = look(&address, &home);
        [Shelf::Originals, Shelf::Renditions].map(|shelf| store.list(id, shelf).expect("a list").len())
    });
    looked.await.expect("a look")
}

#[tokio::test(flavor = "multi_thread")]
async fn what_is_erased_while_the_bucket_is_away_goes_when_it_is_back() {
    let mut kept = kept(store::endpoint(), &How::default()).await;
    let data = kept.home.path().join("data");
    let mut ines = Counter::of(kept.shop.ines.clone(), Seeded::new(12)).await;
    let mut intake = ines.intake("1200");
    ines.open(&mut intake).await.expect("answers");
    let (stays, goes) = (picture::sharp(12), picture::sharp(13));
    ines.photo(&mut intake, Some("bar-side"), &stays).await.expect("an answer");
    let (photo, _) = ines.photo(&mut intake, Some("starter-side"), &goes).await.expect("an answer");
    let [originals, renditions] = shelves(&kept).await;
    assert!(originals == 2 && renditions >= 2, "{originals} and {renditions}");

    kept.wire.set(Fault::Refuse);
    let body = json!({"photo": photo, "because": "a passer-by is in the picture"});
    ines.say(&mut intake, "photo-erased", body, &[]).await.expect("the entry is kept");
    let path = ines.staff.path(&format!("/files/{}", Digest::of(&goes).hex()));
    assert_eq!(ines.staff.get(&path).send().await.gist(), "410 erased");
    // Nor does a start need the bucket.
    assert!(kept.shop.server.stop().success(), "{}", kept.shop.server.log());
    kept.shop.server = Server::over(&data, &How::default());
    assert_eq!(shelves(&kept).await, [originals, renditions], "it cannot be gone");
    assert!(kept.shop.server.stop().success(), "{}", kept.shop.server.log());

    kept.wire.set(Fault::None);
    kept.shop.server = Server::over(&data, &How::default());
    let [left, copies] = shelves(&kept).await;
    assert!(left == 1 && copies < renditions && copies > 0, "{left} and {copies}");
    let ravi = kept.shop.ravi.at(&kept.shop.server.address);
    assert_eq!(ravi.get(&path).send().await.gist(), "410 erased");
    kept.shop.ines = kept.shop.ines.at(&kept.shop.server.address);
    let there = Acknowledged { files: vec![Digest::of(&stays).hex()], ..Acknowledged::default() };
    nothing_is_missing(kept, &there).await;
}
