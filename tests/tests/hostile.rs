//! Hostile uploads: whatever is sent, the answer says what is wrong, nothing is left on the disk that nobody was
//! promised, memory stays bounded, and the next machine is taken in as if nothing had been.

#[path = "hostile/files.rs"]
mod files;
#[path = "hostile/sendings.rs"]
mod sendings;

use std::collections::{BTreeMap, BTreeSet};

use evidence::digest::Digest;
use serde_json::Value;
use tests::ask::{Actor, CookieStaff};
use tests::counter::{Counter, Intake, Step, content_digest};
use tests::server::{self, How, Server};
use tests::shop::Shop;
use tests::{picture, raw, shadow};
use uuid::Uuid;

/// The budget for many uploads at once: megabytes beyond an idle server's. Its permits for pictures are 160 of them.
const MANY_MB: u64 = 200;
/// One picture at the limits goes alone: 80 million pixels of 3 bytes, 320 MB for its decoder, and 80 MB besides.
const LARGEST_MB: u64 = 240 + 320 + 80;

/// Files of a shop that are not among those acknowledged, temporary ones too.
fn left_over(server: &Server, shop: Uuid, held: &BTreeSet<String>) -> Vec<String> {
    let originals = server.data().join("shops").join(shop.to_string()).join("originals");
    if !originals.is_dir() {
        return Vec::new();
    }
    let names = shadow::tree(&originals).into_keys().filter(|n| !n.ends_with('/'));
    names.filter(|n| n.rsplit('/').next().is_none_or(|name| !held.contains(name))).collect()
}

/// The same once the server had the time to notice that a client is gone: it is asked, not waited for.
async fn nothing_is_left(shop: &Shop, held: &BTreeSet<String>, name: &str) {
    for _ in 0..500 {
        if left_over(&shop.server, shop.id, held).is_empty() {
            return;
        }
        shop.server.anonymous().get("/healthz").send().await.expect(200);
    }
    panic!("{name}: left on the disk: {:?}", left_over(&shop.server, shop.id, held));
}

/// The judgement of every photo of an intake by its file, once all are judged.
async fn judged(staff: &CookieStaff, intake: &Intake) -> BTreeMap<String, Value> {
    let path = staff.path(&format!("/intakes/{}", intake.id));
    loop {
        let view = staff.get(&path).send().await.expect(200).json();
        let photos = view["intake"]["photos"].as_array().cloned().unwrap_or_default();
        let received = photos.iter().filter(|p| p["received"].is_object());
        if received.clone().all(|p| p["judged"].is_object()) {
            let file = |p: &Value| p["file"].as_str().unwrap_or_default().to_owned();
            return received.map(|p| (file(p), p["judged"].clone())).collect();
        }
    }
}

/// A proper intake goes on, and the whole record checks.
async fn still_takes_in(shop: &mut Shop, counter: &mut Counter) {
    counter.take_in("0999").await.expect("answers");
    assert!(shop.server.stop().success(), "{}", shop.server.log());
    let checked = server::check(shop.server.data());
    assert!(checked.sound, "{}", checked.said);
}

/// Says what memory did; fails above the bound.
fn grew_less(server: &Server, before: u64, most_mb: u64) {
    let after = server.peak_kb();
    let grown = after.saturating_sub(before) / 1024;
    eprintln!(
        "memory: {} MB before, {} MB at most, {grown} MB more; allowed {most_mb} MB",
        before / 1024,
        after / 1024
    );
    assert!(grown < most_mb, "memory grew by {grown} MB, more than {most_mb} MB");
}

#[tokio::test]
async fn files_that_are_something_else_inside() {
    let mut shop = Shop::set_up().await;
    let mut ravi = shop.counter(101).await;
    ravi.take_in("0100").await.expect("answers");
    let mut intake = ravi.intake("0101");
    ravi.open(&mut intake).await.expect("an answer");
    let mut held: BTreeSet<String> = left_over(&shop.server, shop.id, &BTreeSet::new())
        .iter()
        .filter_map(|n| n.rsplit('/').next().map(str::to_owned))
        .collect();
    let before = shop.server.peak_kb();
    let (mut wrong, mut want_verdict) = (Vec::new(), BTreeMap::new());
    for file in files::FILES {
        let bytes = (file.bytes)();
        let digest = Digest::of(&bytes);
        ravi.name(&mut intake, None, &bytes).await.expect("an answer");
        let got = ravi.put(&bytes).await.expect("an answer").gist();
        if got != file.want {
            wrong.push(format!("{}: {got} instead of {}", file.name, file.want));
            continue;
        }
        let path = shop.bo.path(&format!("/files/{}", digest.hex()));
        let back = shop.bo.get(&path).send().await;
        if file.want == "200" {
            held.insert(digest.hex());
            want_verdict.insert(digest.to_string(), file);
            // Byte for byte, and nothing that a browser would run.
            assert_eq!(back.expect(200).body, bytes, "{}", file.name);
            assert_eq!(back.header("content-type"), Some("application/octet-stream"), "{}", file.name);
            assert_eq!(back.header("x-content-type-options"), Some("nosniff"), "{}", file.name);
            assert!(back.header("content-disposition").is_some_and(|d| d.starts_with("attachment")), "{}", file.name);
        } else {
            assert_eq!(back.gist(), "404 not-found", "{}", file.name);
        }
        nothing_is_left(&shop, &held, file.name).await;
    }
    let judgements = judged(&shop.bo, &intake).await;
    for (digest, file) in &want_verdict {
        let verdict = judgements.get(digest).and_then(|j| j["verdict"].as_str());
        if verdict != Some(file.verdict) {
            wrong.push(format!("{}: {verdict:?} instead of {:?}", file.name, file.verdict));
        }
    }
    assert!(wrong.is_empty(), "{} of {}:\n{}", wrong.len(), files::FILES.len(), wrong.join("\n"));
    eprintln!("{} hostile files, {} kept", files::FILES.len(), want_verdict.len());
    grew_less(&shop.server, before, MANY_MB);
    still_takes_in(&mut shop, &mut ravi).await;
}

#[tokio::test]
async fn a_good_file_sent_in_bad_ways() {
    let impatient = How::default().env("COUNTERFOIL_BODY_TIMEOUT_MS", 1_000);
    let mut shop = Shop::on(Server::start_as(&impatient)).await;
    let elsewhere = Shop::set_up().await;
    let mut ravi = shop.counter(102).await;
    let mut intake = ravi.intake("0102");
    ravi.open(&mut intake).await.expect("an answer");
    let mut held = BTreeSet::new();
    let mut wrong = Vec::new();
    let before = shop.server.peak_kb();
    for (n, sending) in sendings::SENDINGS.iter().enumerate() {
        let photo = picture::sharp_of(1_000 + n as u64, 640, 480);
        ravi.name(&mut intake, None, &photo).await.expect("an answer");
        let given = sendings::Given { staff: &shop.ravi, host: shop.server.host(), other: elsewhere.id, photo: &photo };
        let answer = raw::ask(shop.server.host(), &(sending.make)(&given), sending.then).await;
        let got = answer.map_or_else(|| "cut".to_owned(), |a| a.gist());
        if got != sending.want {
            wrong.push(format!("{}: {got} instead of {}", sending.name, sending.want));
        }
        let digest = Digest::of(&photo).hex();
        if sending.want == "200" {
            held.insert(digest.clone());
        }
        nothing_is_left(&shop, &held, sending.name).await;
        // The same file sent as it should be is taken: no refusal sticks to it.
        ravi.put(&photo).await.expect("an answer").expect(200);
        held.insert(digest);
    }
    assert!(wrong.is_empty(), "{} of {}:\n{}", wrong.len(), sendings::SENDINGS.len(), wrong.join("\n"));
    eprintln!("{} hostile sendings", sendings::SENDINGS.len());
    grew_less(&shop.server, before, MANY_MB);
    still_takes_in(&mut shop, &mut ravi).await;
}

#[tokio::test]
async fn a_size_that_no_photo_has_is_refused_in_the_entry() {
    let shop = Shop::set_up().await;
    let mut ravi = shop.counter(103).await;
    let mut intake = ravi.intake("0103");
    ravi.open(&mut intake).await.expect("an answer");
    for size in [0u64, 64 * 1024 * 1024 + 1, 1 << 50] {
        let body = serde_json::json!({"photo": ravi.uuid(), "file": Digest::of(b"x").to_string(), "size": size,
            "stage": "received"});
        let saying = ravi.saying(&intake, "photo-taken", body, &[]);
        assert_eq!(ravi.post(&saying).await.expect("an answer").gist(), "422 not-valid", "{size}");
    }
}

#[tokio::test]
async fn a_sheet_is_for_a_reader_with_a_name_not_a_novel() {
    let shop = Shop::set_up().await;
    let mut ravi = shop.counter(109).await;
    let mut intake = ravi.intake("0110");
    ravi.open(&mut intake).await.expect("an answer");
    for (name, most) in [("language", 35), ("reader", 200)] {
        let path = |len| shop.ravi.path(&format!("/intakes/{}/sheet?{name}={}", intake.id, "x".repeat(len)));
        shop.ravi.get(&path(most)).send().await.expect(200);
        assert_eq!(shop.ravi.get(&path(most + 1)).send().await.gist(), "422 not-valid", "{name}");
    }
}

/// Starts uploads that send nothing of their body, and gives their connections.
async fn standing(shop: &Shop, photo: &[u8], count: usize) -> Vec<tokio::net::TcpStream> {
    use tokio::io::AsyncWriteExt;
    let (digest, mut all) = (Digest::of(photo), Vec::new());
    let head = format!(
        "PUT {} HTTP/1.1\r\nHost: {}\r\nCookie: {}\r\nCounterfoil-Client: web/1\r\nContent-Digest: {}\r\nContent-Length: {}\r\n\r\n",
        shop.ravi.path(&format!("/files/{}", digest.hex())),
        shop.server.host(),
        shop.ravi.cookie(),
        content_digest(&digest),
        photo.len()
    );
    for _ in 0..count {
        let mut stream = tokio::net::TcpStream::connect(shop.server.host()).await.expect("connect");
        stream.write_all(head.as_bytes()).await.expect("the head");
        all.push(stream);
    }
    all
}

#[tokio::test]
async fn uploads_that_stand_still_do_not_keep_others_out_for_long() {
    // Longer than the test takes: they go when their connections go.
    let patient = How::default().env("COUNTERFOIL_BODY_TIMEOUT_MS", 120_000);
    let mut shop = Shop::on(Server::start_as(&patient)).await;
    let mut ravi = shop.counter(104).await;
    let mut intake = ravi.intake("0104");
    ravi.open(&mut intake).await.expect("an answer");
    let photo = picture::sharp_of(104, 640, 480);
    ravi.name(&mut intake, None, &photo).await.expect("an answer");
    let standing = standing(&shop, &photo, 120).await;
    // One after another until all places are taken: the answer is not to wait.
    let good = picture::sharp_of(105, 640, 480);
    ravi.name(&mut intake, None, &good).await.expect("an answer");
    loop {
        let answer = ravi.put(&good).await.expect("an answer");
        match answer.gist().as_str() {
            "503 busy" => break,
            other => assert_eq!(other, "200"),
        }
    }
    // Everything else goes on, and once they are gone the file is taken.
    shop.ravi.get(&shop.ravi.path("/intakes")).send().await.expect(200);
    drop(standing);
    while ravi.put(&good).await.expect("an answer").gist() != "200" {}
    nothing_is_left(&shop, &BTreeSet::from([Digest::of(&good).hex()]), "standing still").await;
    still_takes_in(&mut shop, &mut ravi).await;
}

#[tokio::test]
async fn the_same_file_many_times_at_once_is_one_file() {
    let mut shop = Shop::set_up().await;
    let mut ravi = shop.counter(105).await;
    let mut intake = ravi.intake("0105");
    ravi.open(&mut intake).await.expect("an answer");
    for bytes in [picture::sharp(106), picture::sharp(107), picture::sharp(108)] {
        ravi.name(&mut intake, Some("bar-side"), &bytes).await.expect("an answer");
        let many: Vec<_> = (0..12)
            .map(|_| {
                let (ravi, bytes) = (ravi.clone(), bytes.clone());
                tokio::spawn(async move { ravi.put(&bytes).await.expect("an answer") })
            })
            .collect();
        let mut indexes = BTreeSet::new();
        for task in many {
            let answer = task.await.expect("an upload");
            indexes.insert(answer.expect(200).json()["index"].as_u64());
        }
        assert_eq!(indexes.len(), 1, "one entry says that it was received: {indexes:?}");
    }
    // A refused one is refused every time, and gone; whoever found it gone already is told to come again.
    let page = b"<html>".to_vec();
    ravi.name(&mut intake, None, &page).await.expect("an answer");
    let many: Vec<_> = (0..12)
        .map(|_| {
            let (ravi, page) = (ravi.clone(), page.clone());
            tokio::spawn(async move { ravi.put(&page).await.expect("an answer").gist() })
        })
        .collect();
    for task in many {
        let gist = task.await.expect("an upload");
        assert!(["415 refused-type", "503 busy"].contains(&gist.as_str()), "{gist}");
    }
    assert_eq!(ravi.put(&page).await.expect("an answer").gist(), "415 refused-type");
    still_takes_in(&mut shop, &mut ravi).await;
}

#[tokio::test]
async fn bytes_said_to_be_held_are_not_taken_away_by_another_name() {
    let mut shop = Shop::set_up().await;
    let mut ravi = shop.counter(108).await;
    let mut intake = ravi.intake("0108");
    let steps = ravi.steps();
    for step in steps.iter().filter(|s| !matches!(s, Step::Sign | Step::TakeIn)) {
        ravi.step(&mut intake, step).await.expect("an answer");
    }
    let path = shop.ravi.path(&format!("/intakes/{}/sheet?language=en", intake.id));
    let sheet = shop.ravi.get(&path).send().await.expect(200).body.clone();
    let digest = Digest::of(&sheet);
    // The sheet is no signature, whatever an entry says: neither at once nor later.
    let body = |strokes: Digest| serde_json::json!({"how": "signed", "sheet": digest, "strokes": strokes, "language": "en", "words": ravi.words});
    let (at_once, first) = (body(digest), body(Digest::of(b"strokes to come")));
    let saying = ravi.saying(&intake, "acknowledged", at_once, &[]);
    assert_eq!(ravi.post(&saying).await.expect("an answer").gist(), "422 not-valid");
    ravi.say(&mut intake, "acknowledged", first, &[]).await.expect("an answer");
    ravi.put(&sheet).await.expect("an answer").expect(200);
    let mut other = ravi.intake("0109");
    ravi.open(&mut other).await.expect("an answer");
    let of_other = shop.ravi.path(&format!("/intakes/{}/sheet?language=en", other.id));
    let of_other = shop.ravi.get(&of_other).send().await.expect(200).body.clone();
    let later = serde_json::json!({"how": "signed", "sheet": Digest::of(&of_other), "strokes": digest, "language": "en",
        "words": ravi.words});
    ravi.say(&mut other, "acknowledged", later, &[]).await.expect("an answer");
    assert_eq!(ravi.put(&sheet).await.expect("an answer").gist(), "415 refused-type");
    let held = shop.ravi.get(&shop.ravi.path(&format!("/files/{}", digest.hex()))).send().await;
    assert_eq!(held.expect(200).body, sheet);
    still_takes_in(&mut shop, &mut ravi).await;
}

/// A picture of 20 MB; nearly all of it follows the picture's end, as a film does.
fn heavy(seed: u64) -> Vec<u8> {
    let mut bytes = picture::sharp(seed);
    bytes.resize(20 * 1024 * 1024, 0x20);
    bytes
}

#[tokio::test]
async fn many_large_files_at_once_take_no_more_memory_than_is_theirs() {
    let count = if tests::long() { 64 } else { 20 };
    let mut shop = Shop::set_up().await;
    let mut ravi = shop.counter(106).await;
    ravi.take_in("0105").await.expect("answers");
    let mut intake = ravi.intake("0106");
    ravi.open(&mut intake).await.expect("an answer");
    for n in 0..count {
        ravi.name(&mut intake, None, &heavy(200 + n)).await.expect("an answer");
    }
    let before = shop.server.peak_kb();
    let many: Vec<_> = (0..count)
        .map(|n| {
            let ravi = ravi.clone();
            tokio::spawn(async move {
                let bytes = heavy(200 + n);
                let digest = Digest::of(&bytes);
                let put = ravi.staff.put(&ravi.staff.path(&format!("/files/{}", digest.hex())));
                // Not waiting for the judgement is what lets work pile up.
                let put = put.headers(&[("Content-Digest", &content_digest(&digest)), ("Prefer", "respond-async")]);
                put.bytes(bytes).send().await.expect(200);
            })
        })
        .collect();
    for task in many {
        task.await.expect("an upload");
    }
    assert_eq!(judged(&shop.bo, &intake).await.len() as u64, count);
    grew_less(&shop.server, before, MANY_MB);
    still_takes_in(&mut shop, &mut ravi).await;
}

#[tokio::test]
async fn the_largest_pictures_are_looked_at_one_by_one() {
    let mut shop = Shop::set_up().await;
    let mut ravi = shop.counter(107).await;
    ravi.take_in("0106").await.expect("answers");
    let mut intake = ravi.intake("0107");
    ravi.open(&mut intake).await.expect("an answer");
    let pictures: Vec<Vec<u8>> = files::LARGEST.iter().map(|f| (f.bytes)()).collect();
    for bytes in &pictures {
        ravi.name(&mut intake, None, bytes).await.expect("an answer");
    }
    let before = shop.server.peak_kb();
    let many: Vec<_> = pictures
        .iter()
        .map(|bytes| {
            let (ravi, bytes) = (ravi.clone(), bytes.clone());
            tokio::spawn(async move { ravi.put(&bytes).await.expect("an answer").expect(200).status })
        })
        .collect();
    for task in many {
        task.await.expect("an upload");
    }
    let judgements = judged(&shop.bo, &intake).await;
    for (file, bytes) in files::LARGEST.iter().zip(&pictures) {
        let judged = &judgements[&Digest::of(bytes).to_string()];
        assert_eq!(judged["verdict"], file.verdict, "{}: {judged}", file.name);
    }
    grew_less(&shop.server, before, LARGEST_MB);
    still_takes_in(&mut shop, &mut ravi).await;
}
