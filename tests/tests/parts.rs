//! Originals that go in parts, and films: resumed after a stop on either side, bounded, and the same bytes in the end.

use evidence::digest::Digest;
use serde_json::{Value, json};
use tests::ask::{Actor, Answer, Ask, CookieStaff};
use tests::counter::{Counter, Intake, content_digest};
use tests::picture;
use tests::seeded::Seeded;
use tests::server::{self, How, Server};
use tests::shop::{Shop, hire};
use tokio::io::AsyncWriteExt;
use tokio::net::TcpStream;

const MB: usize = 1024 * 1024;

/// A picture of so many bytes; nearly all of them follow its end, as a film does in a phone's moving picture.
fn large(seed: u64, size: usize) -> Vec<u8> {
    let mut bytes = picture::sharp(seed);
    let rest = size - bytes.len();
    bytes.extend(Seeded::new(seed).noise(rest));
    bytes
}

fn a_box(name: &[u8; 4], body: &[u8]) -> Vec<u8> {
    let mut out = u32::try_from(body.len() + 8).expect("a small box").to_be_bytes().to_vec();
    out.extend_from_slice(name);
    out.extend_from_slice(body);
    out
}

/// A film of so many milliseconds and at least so many bytes (ISO/IEC 14496-12, laid out from memory): what it shows is noise.
fn film(ms: u32, bytes: usize, seed: u64) -> Vec<u8> {
    let mut mvhd = vec![0; 100];
    // 2026-11-24 09:12:44 UTC, counted from 1904.
    mvhd[4..8].copy_from_slice(&(1_795_511_564u32 + 2_082_844_800).to_be_bytes());
    mvhd[12..16].copy_from_slice(&1000u32.to_be_bytes());
    mvhd[16..20].copy_from_slice(&ms.to_be_bytes());
    let mut tkhd = vec![0; 84];
    tkhd[76..80].copy_from_slice(&(1280u32 << 16).to_be_bytes());
    tkhd[80..84].copy_from_slice(&(720u32 << 16).to_be_bytes());
    let moov = a_box(b"moov", &[a_box(b"mvhd", &mvhd), a_box(b"trak", &a_box(b"tkhd", &tkhd))].concat());
    [a_box(b"ftyp", b"mp42\0\0\0\0mp42isom"), a_box(b"mdat", &Seeded::new(seed).noise(bytes)), moov].concat()
}

fn parts_of(staff: &CookieStaff, whole: &[u8]) -> String {
    staff.path(&format!("/files/{}/parts", Digest::of(whole).hex()))
}

/// How far this device's parts reach, as the server says.
async fn reach(staff: &CookieStaff, whole: &[u8]) -> usize {
    let told = staff.get(&parts_of(staff, whole)).send().await.expect(200).json();
    usize::try_from(told["offset"].as_u64().expect("an offset")).expect("an offset")
}

fn part(staff: &CookieStaff, whole: &[u8], from: usize, to: usize) -> Ask {
    let bytes = whole[from..to].to_vec();
    let put = staff.put(&format!("{}/{from}", parts_of(staff, whole)));
    put.header("Content-Digest", &content_digest(&Digest::of(&bytes))).bytes(bytes)
}

/// Sends what is missing, 1 MB a part. Gives the answer to the last one.
async fn rest(staff: &CookieStaff, whole: &[u8]) -> Answer {
    let mut at = reach(staff, whole).await;
    loop {
        let to = (at + MB).min(whole.len());
        let answer = part(staff, whole, at, to).send().await;
        if answer.status.as_u16() != 202 {
            return answer;
        }
        at = usize::try_from(answer.json()["offset"].as_u64().expect("an offset")).expect("an offset");
        assert_eq!(at, to, "a part that is acknowledged counts");
    }
}

async fn opened(counter: &mut Counter, tag: &str) -> Intake {
    let mut intake = counter.intake(tag);
    counter.open(&mut intake).await.expect("an answer");
    intake
}

/// Says that a film was made. Gives the answer of the log.
async fn name_film(counter: &mut Counter, intake: &mut Intake, bytes: &[u8], view: Option<&str>) -> Answer {
    let photo = counter.uuid();
    let mut body = json!({"photo": photo, "file": Digest::of(bytes).to_string(), "size": bytes.len(), "stage": "received", "film": true});
    if let (Some(view), Some(body)) = (view, body.as_object_mut()) {
        body.insert("view".into(), json!(view));
    }
    let saying = counter.saying(intake, "photo-taken", body, &[]);
    let answer = counter.post(&saying).await.expect("an answer");
    if answer.status.is_success() {
        intake.note(&saying, &answer);
    }
    answer
}

async fn original(staff: &CookieStaff, whole: &[u8]) -> Ask {
    staff.get(&staff.path(&format!("/files/{}", Digest::of(whole).hex())))
}

/// Everything that is derived agrees with the log, and every original with its digest.
fn sound(data: &std::path::Path) {
    let checked = server::check(data);
    assert!(checked.sound, "{}", checked.said);
}

/// No part of anything is left on the disk.
fn nothing_left(server: &Server, shop: &Shop) {
    let top = server.data().join("shops").join(shop.id.to_string()).join("parts");
    let devices = std::fs::read_dir(&top).into_iter().flatten().flatten();
    let files: Vec<_> = devices.flat_map(|d| std::fs::read_dir(d.path()).into_iter().flatten().flatten()).collect();
    assert!(files.is_empty(), "{files:?}");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_large_original_goes_in_parts_and_is_the_same_bytes() {
    let shop = Shop::set_up().await;
    let mut counter = shop.counter(41).await;
    let mut intake = opened(&mut counter, "0001").await;
    let whole = large(41, 9 * MB + 12_345);
    counter.name(&mut intake, Some("bar-side"), &whole).await.expect("an answer");
    let staff = counter.staff.clone();
    assert_eq!(reach(&staff, &whole).await, 0);
    let first = part(&staff, &whole, 0, MB).send().await;
    assert_eq!(first.expect(202).json()["offset"], json!(MB));
    // The same again changes nothing; another phone has nothing of it.
    assert_eq!(part(&staff, &whole, 0, MB).send().await.expect(202).json()["offset"], json!(MB));
    assert_eq!(reach(&shop.bo, &whole).await, 0);
    let last = rest(&staff, &whole).await;
    let held = last.expect(200).json();
    assert_eq!(held["digest"], json!(Digest::of(&whole).to_string()));
    assert_eq!(held["size"], json!(whole.len()));
    assert_eq!(original(&staff, &whole).await.send().await.expect(200).body, whole);
    let told = staff.get(&parts_of(&staff, &whole)).send().await.expect(200).json();
    assert_eq!((told["offset"].as_u64(), told["held"].as_u64()), (Some(whole.len() as u64), held["index"].as_u64()));
    nothing_left(&shop.server, &shop);
    let mut server = shop.server;
    assert!(server.stop().success());
    sound(server.data());
}

/// Sends the head and half of a part, and leaves the line open.
async fn half_a_part(server: &Server, staff: &CookieStaff, whole: &[u8], from: usize, bytes: usize) -> TcpStream {
    let part = &whole[from..(from + MB).min(whole.len())];
    let mut line = TcpStream::connect(server.host()).await.expect("a connection");
    let head = format!(
        "PUT {}/{from} HTTP/1.1\r\nHost: {}\r\nCookie: {}\r\nCounterfoil-Client: web/1\r\nContent-Digest: {}\r\n\
         Content-Length: {}\r\n\r\n",
        parts_of(staff, whole),
        server.host(),
        staff.cookie(),
        content_digest(&Digest::of(part)),
        part.len()
    );
    line.write_all(head.as_bytes()).await.expect("the head is sent");
    line.write_all(&part[..bytes.min(part.len())]).await.expect("some bytes are sent");
    line
}

#[tokio::test(flavor = "multi_thread")]
async fn a_kill_on_either_side_costs_at_most_the_part_under_way() {
    let rounds = if tests::long() { 40 } else { 4 };
    let folder = tempfile::tempdir().expect("a folder");
    let data = folder.path().join("data");
    let mut shop = Shop::on(Server::over(&data, &How::default())).await;
    let mut random = Seeded::new(42);
    for round in 0..rounds {
        let mut counter = Counter::of(shop.ravi.clone(), Seeded::new(random.number())).await;
        let mut intake = opened(&mut counter, &format!("{round:04}")).await;
        let whole = large(1000 + round, 8 * MB + 1 + usize::try_from(random.below(2 * MB as u64)).expect("small"));
        counter.name(&mut intake, Some("bar-side"), &whole).await.expect("an answer");
        let count = whole.len().div_ceil(MB);
        let until = usize::try_from(random.below(count as u64)).expect("small");
        for n in 0..until {
            part(&counter.staff, &whole, n * MB, (n + 1) * MB).send().await.expect(202);
        }
        // The next part is somewhere on its way, perhaps all of it, when the server is killed.
        let bytes = if round % 3 == 2 { MB } else { usize::try_from(random.below(MB as u64)).expect("small") };
        let line = half_a_part(&shop.server, &counter.staff, &whole, until * MB, bytes).await;
        shop.server.kill();
        drop(line);
        shop.server = Server::over(&data, &How::default());
        let staff = counter.staff.at(&shop.server.address);
        shop.ines = shop.ines.at(&shop.server.address);
        shop.ravi = shop.ravi.at(&shop.server.address);
        let at = reach(&staff, &whole).await;
        let next = ((until + 1) * MB).min(whole.len());
        assert!(at == until * MB || at == next, "round {round}: {at} after {until} parts");
        // A phone that is killed knows nothing any more: it asks, as here, and goes on.
        let held =
            if at == whole.len() { part(&staff, &whole, at, at).send().await } else { rest(&staff, &whole).await };
        assert_eq!(held.expect(200).json()["digest"], json!(Digest::of(&whole).to_string()), "round {round}");
        assert_eq!(original(&staff, &whole).await.send().await.expect(200).body, whole, "round {round}");
    }
    nothing_left(&shop.server, &shop);
    assert!(shop.server.stop().success());
    sound(&data);
}

#[tokio::test(flavor = "multi_thread")]
async fn parts_are_bounded_and_what_does_not_fit_is_told() {
    let shop = Shop::set_up().await;
    let mut counter = shop.counter(43).await;
    let mut intake = opened(&mut counter, "0001").await;
    let staff = counter.staff.clone();
    let whole = large(43, 9 * MB);
    let told =
        |a: &Answer| a.json()["type"].as_str().unwrap_or_default().rsplit('/').next().unwrap_or_default().to_owned();
    assert_eq!(told(part(&staff, &whole, 0, MB).send().await.expect(404)), "not-named");
    counter.name(&mut intake, None, &whole).await.expect("an answer");
    let elsewhere = part(&staff, &whole, MB, 2 * MB).send().await;
    assert_eq!((told(elsewhere.expect(409)).as_str(), &elsewhere.json()["offset"]), ("parts-elsewhere", &json!(0)));
    for (from, to, why) in [(0, 1000, "short"), (0, 5 * MB, "long")] {
        assert_eq!(told(part(&staff, &whole, from, to).send().await.expect(422)), "not-valid", "{why}");
    }
    let beyond = staff.put(&format!("{}/{}", parts_of(&staff, &whole), u64::MAX));
    let beyond = beyond.header("Content-Digest", &content_digest(&Digest::of(b""))).bytes(vec![0; MB]).send().await;
    assert_eq!(told(beyond.expect(422)), "not-valid");
    // Other bytes than were announced are no part.
    let wrong = staff.put(&format!("{}/0", parts_of(&staff, &whole)));
    let wrong = wrong.header("Content-Digest", &content_digest(&Digest::of(b"other"))).bytes(whole[..MB].to_vec());
    assert_eq!(told(wrong.send().await.expect(400)), "wrong-bytes");
    assert_eq!(reach(&staff, &whole).await, 0);
    // What is no more than 8 MB goes whole.
    let small = large(44, 8 * MB);
    counter.name(&mut intake, None, &small).await.expect("an answer");
    assert_eq!(told(part(&staff, &small, 0, MB).send().await.expect(422)), "not-valid");
    // Parts that make another whole than was named are taken away.
    let mut other = whole.clone();
    other[5 * MB] ^= 1;
    for n in 0..8 {
        let bytes = other[n * MB..(n + 1) * MB].to_vec();
        let put = staff.put(&format!("{}/{}", parts_of(&staff, &whole), n * MB));
        put.header("Content-Digest", &content_digest(&Digest::of(&bytes))).bytes(bytes).send().await.expect(202);
    }
    assert_eq!(told(part(&staff, &whole, 8 * MB, 9 * MB).send().await.expect(400)), "wrong-bytes");
    assert_eq!(reach(&staff, &whole).await, 0);
    rest(&staff, &whole).await.expect(200);

    // A device has at most eight files here unfinished; another one is not hindered.
    let many: Vec<Vec<u8>> = (0..9).map(|n| large(50 + n, 8 * MB + 1)).collect();
    for one in &many {
        counter.name(&mut intake, None, one).await.expect("an answer");
    }
    for one in &many[..8] {
        part(&staff, one, 0, MB).send().await.expect(202);
    }
    assert_eq!(told(part(&staff, &many[8], 0, MB).send().await.expect(503)), "busy");
    let spare = hire(&shop.server.anonymous(), &shop.ines, "Spare", "counter").await;
    part(&spare, &many[8], 0, MB).send().await.expect(202);
    rest(&staff, &many[0]).await.expect(200);
    part(&staff, &many[8], 0, MB).send().await.expect(202);

    // What nobody finishes goes, at a start as well.
    let data = shop.server.data().to_owned();
    let mut shop = shop;
    assert!(shop.server.stop().success());
    let later = Server::over(&data, &How::default().env("COUNTERFOIL_PARTS_KEPT_S", 0));
    assert_eq!(reach(&staff.at(&later.address), &many[8]).await, 0);
    nothing_left(&later, &shop);
    let mut later = later;
    assert!(later.stop().success());
    sound(&data);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_film_is_kept_told_and_played_from_its_middle() {
    let shop = Shop::set_up().await;
    let mut counter = shop.counter(45).await;
    let mut intake = counter.intake("0001");
    let steps = counter.steps();
    let (before, after) = steps.split_at(3);
    for step in before {
        counter.step(&mut intake, step).await.expect("an answer");
    }
    let clip = film(12_500, 300_000, 45);
    let no = name_film(&mut counter, &mut intake, &clip, Some("bar-side")).await;
    assert_eq!(no.expect(422).json()["pointer"], json!("/said/body/film"), "{}", no.text());
    name_film(&mut counter, &mut intake, &clip, None).await.expect(201);
    let held = counter.put(&clip).await.expect("an answer");
    let judged = held.expect(200).json()["judged"].clone();
    assert_eq!(judged["reasons"][0], json!({"key": "photo.film", "with": {"seconds": 13}}), "{judged}");
    assert_eq!(judged["measures"]["duration_ms"], json!(12_500));
    assert_eq!(judged["claims"]["film_created"], json!("2026-11-24T09:12:44.000Z"));

    let whole = original(&counter.staff, &clip).await.send().await;
    assert_eq!(whole.expect(200).header("content-type"), Some("video/mp4"));
    assert_eq!((whole.header("accept-ranges"), whole.body.as_ref()), (Some("bytes"), clip.as_slice()));
    for (range, from, to) in
        [("bytes=0-99", 0, 100), ("bytes=1000-", 1000, clip.len()), ("bytes=-20", clip.len() - 20, clip.len())]
    {
        let some = original(&counter.staff, &clip)
            .await
            .header("Range", range)
            .header("Accept-Encoding", "gzip, br")
            .send()
            .await;
        assert_eq!(some.expect(206).body, clip[from..to], "{range}");
        let told = format!("bytes {from}-{}/{}", to - 1, clip.len());
        assert_eq!(some.header("content-range"), Some(told.as_str()));
    }
    let beyond = original(&counter.staff, &clip).await.header("Range", &format!("bytes={}-", clip.len())).send().await;
    assert_eq!(beyond.expect(416).header("content-range"), Some(format!("bytes */{}", clip.len()).as_str()));
    let other =
        original(&counter.staff, &clip).await.header("Range", "bytes=0-9").header("If-Range", "\"x\"").send().await;
    assert_eq!(other.expect(200).body.len(), clip.len());

    // It hinders nothing, and the receipt stands.
    for step in after {
        counter.step(&mut intake, step).await.expect("an answer");
    }
    let receipt = counter.staff.get(&counter.staff.path(&format!("/intakes/{}/receipt", intake.id))).send().await;
    assert!(receipt.expect(200).text().contains(&Digest::of(&clip).hex()[..8]), "the receipt does not name the film");

    // What is no film, and what is too long, stays on the phone.
    let mut second = opened(&mut counter, "0002").await;
    for (bytes, why) in [
        (film(45_000, 1000, 1), "45 s"),
        (picture::sharp(9), "a photo"),
        (b"\0\0\0\x18ftypavif\0\0\0\0isommif1".to_vec(), "an AVIF"),
    ] {
        name_film(&mut counter, &mut second, &bytes, None).await.expect(201);
        let no = counter.put(&bytes).await.expect("an answer");
        assert!(no.expect(415).json()["type"].as_str().is_some_and(|t| t.ends_with("refused-type")), "{why}");
    }
    let plain = film(1000, 1000, 2);
    counter.name(&mut second, None, &plain).await.expect("an answer");
    counter.put(&plain).await.expect("an answer").expect(415);
    let mut server = shop.server;
    assert!(server.stop().success());
    sound(server.data());
}

#[tokio::test(flavor = "multi_thread")]
async fn a_large_film_in_parts_takes_little_memory() {
    let shop = Shop::set_up().await;
    let mut counter = shop.counter(46).await;
    let mut intake = opened(&mut counter, "0001").await;
    let clip = film(30_000, if tests::long() { 250 * MB } else { 90 * MB }, 46);
    name_film(&mut counter, &mut intake, &clip, None).await.expect(201);
    let before = shop.server.resident_kb();
    let held: Value = rest(&counter.staff, &clip).await.expect(200).json();
    assert_eq!(held["digest"], json!(Digest::of(&clip).to_string()));
    let more = shop.server.peak_kb().saturating_sub(before) / 1024;
    assert!(more <= 48, "{more} MB more at its peak for a film of {} MB", clip.len() / MB);
    println!("film of {} MB in parts: {more} MB more at the peak", clip.len() / MB);
}
