//! Several servers over one database (PostgreSQL) and one folder: no fork, nothing acknowledged lost, whoever is killed
//! and whenever the database goes away; what one does the other knows at once.

use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use cluster::Cluster;
use serde_json::{Value, json};
use tests::ask::{Actor, Anonymous, CookieStaff};
use tests::counter::{Acknowledged, Counter, Intake};
use tests::engine;
use tests::record;
use tests::seeded::Seeded;
use tests::server::{self, How, Server};
use tests::shop::PASSWORD;
use tests::two::{Two, keep_on, keep_on_until, no_two_with_one_index, opening};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio::sync::Barrier;
use tokio::task::JoinSet;

/// Far above what anything here takes.
const SOON: Duration = Duration::from_secs(60);

#[tokio::test(flavor = "multi_thread")]
async fn of_two_that_race_for_a_tag_one_has_it_and_both_write_on_one_intake() {
    let both = Two::new().await;
    let [here, there] = both.at_both(&both.ravi);
    let mut counters = [Counter::of(here, Seeded::new(1)).await, Counter::of(there, Seeded::new(2)).await];
    let rounds = if tests::long() { 400 } else { 40 };
    let mut all = Acknowledged::default();
    for round in 0..rounds {
        let tag = format!("R{round:04}");
        let start = Arc::new(Barrier::new(2));
        let mut race = JoinSet::new();
        for mut counter in counters.clone() {
            counter.random = Seeded::new(counter.random.number() + round);
            let (tag, start) = (tag.clone(), start.clone());
            race.spawn(async move {
                let mut intake = counter.intake(&tag);
                let saying = counter.saying(&intake, "intake-opened", opening(&counter, &tag), &[]);
                start.wait().await;
                let answer = counter.post(&saying).await.expect("an answer");
                if answer.status.is_success() {
                    intake.note(&saying, &answer);
                }
                (answer.gist(), intake)
            });
        }
        let ended = race.join_all().await;
        let mut said: Vec<&str> = ended.iter().map(|(gist, _)| gist.as_str()).collect();
        said.sort_unstable();
        assert_eq!(said, ["201", "409 tag-used"], "{tag}");
        let (_, won) = ended.into_iter().find(|(gist, _)| gist == "201").expect("a winner");
        all.add(&won.sent);
        // Both say several things about the one intake at once.
        let mut at_once = JoinSet::new();
        for (n, counter) in counters.iter().enumerate() {
            for field in ["make", "model", "serial"] {
                let (mut counter, mut intake) =
                    (counter.clone(), Intake { sent: Acknowledged::default(), ..won.clone() });
                counter.random = Seeded::new(9_000 * round + 10 * n as u64 + field.len() as u64);
                let body = json!({"field": field, "value": format!("{n}"), "from": "typed"});
                at_once.spawn(async move {
                    counter.say(&mut intake, "machine-described", body, &[]).await.expect("an answer");
                    intake.sent
                });
            }
        }
        for sent in at_once.join_all().await {
            all.add(&sent);
        }
        for counter in &mut counters {
            counter.random.number();
        }
    }
    no_two_with_one_index(&all);
    assert_eq!(all.missing(&both.ines.at(&both.two.address)).await, [""; 0]);
    println!("{rounds} races for a tag, {} entries acknowledged by two servers; {}", all.entries.len(), both.end());
}

#[tokio::test(flavor = "multi_thread")]
async fn of_two_servers_one_is_killed_again_and_again_and_nothing_is_lost() {
    let mut both = Two::new().await;
    let rounds = if tests::long() { 60 } else { 6 };
    let (mut all, mut again) = (Acknowledged::default(), 0);
    let mut random = Seeded::new(0x2b0b);
    for round in 0..rounds {
        let to = both.at_both(&both.ravi).to_vec();
        let (mut people, over) = (JoinSet::new(), Arc::new(AtomicBool::new(false)));
        for person in 0..4u64 {
            let counter = Counter::of(to[1].clone(), Seeded::new(random.number())).await;
            // Everybody begins at the one that is killed, and goes to the other when it does not answer.
            people.spawn(keep_on_until(counter, to.clone(), format!("{round:02}{person}"), over.clone()));
        }
        // The race puts the kill into the middle of something.
        let race = Duration::from_micros(20_000 + random.below(200_000));
        assert!(tokio::time::timeout(race, people.join_next()).await.is_err(), "somebody's work ended by itself");
        both.one.kill();
        over.store(true, Ordering::Relaxed);
        for (sent, asked) in tokio::time::timeout(SOON, people.join_all()).await.expect("they go on at the other") {
            all.add(&sent);
            again += asked;
        }
        both.one = Server::over(&both.data(), &How::default());
    }
    no_two_with_one_index(&all);
    assert!(again > rounds as usize, "{again}: too few were under way when it was killed");
    assert_eq!(all.missing(&both.ines.at(&both.one.address)).await, [""; 0]);
    println!(
        "{rounds} kills of one of two; {} entries acknowledged and there, {again} asked again; {}",
        all.entries.len(),
        both.end()
    );
}

#[tokio::test(flavor = "multi_thread")]
async fn the_database_crashes_and_comes_back_and_the_servers_with_it() {
    let mut cluster = Cluster::start();
    let both = Two::over(Some(&cluster.database()), &How::default()).await;
    let rounds = if tests::long() { 40 } else { 4 };
    let (mut all, mut again) = (Acknowledged::default(), 0);
    let mut random = Seeded::new(0x0dd);
    for round in 0..rounds {
        let to = both.at_both(&both.ravi).to_vec();
        let (mut people, over) = (JoinSet::new(), Arc::new(AtomicBool::new(false)));
        for person in 0..4u64 {
            let counter = Counter::of(to[(person % 2) as usize].clone(), Seeded::new(random.number())).await;
            people.spawn(keep_on_until(counter, to.clone(), format!("{round:02}{person}"), over.clone()));
        }
        let race = Duration::from_micros(20_000 + random.below(150_000));
        assert!(tokio::time::timeout(race, people.join_next()).await.is_err(), "somebody's work ended by itself");
        cluster.crash();
        for staff in &to {
            let answer = staff.get(&staff.path("/intakes")).send().await;
            assert_eq!(answer.gist(), "503 busy");
            assert!(answer.header("retry-after").is_some(), "{}", answer.text());
            assert_eq!(answer.json()["retry"], "later");
            let alive = staff.get("/healthz").send().await;
            assert_eq!(alive.status.as_u16(), 503);
        }
        cluster.start_again();
        over.store(true, Ordering::Relaxed);
        for (sent, asked) in tokio::time::timeout(SOON, people.join_all()).await.expect("they go on") {
            all.add(&sent);
            again += asked;
        }
    }
    no_two_with_one_index(&all);
    assert!(again > rounds as usize, "{again}: too few were under way when it crashed");
    assert_eq!(all.missing(&both.ines.at(&both.two.address)).await, [""; 0]);
    println!(
        "{rounds} crashes of the database; {} entries acknowledged and there, {again} asked again; {}",
        all.entries.len(),
        both.end()
    );
}

/// Reads until what was read contains each of these.
async fn read_to(line: &mut TcpStream, marks: &[String]) -> String {
    let mut read = Vec::new();
    while !marks.iter().all(|m| String::from_utf8_lossy(&read).contains(m.as_str())) {
        let mut piece = [0; 4096];
        let n = tokio::time::timeout(SOON, line.read(&mut piece)).await.expect("soon").expect("an answer");
        assert!(n > 0, "the stream ended: {}", String::from_utf8_lossy(&read));
        read.extend_from_slice(&piece[..n]);
    }
    String::from_utf8_lossy(&read).into_owned()
}

async fn stream(server: &Server, who: &CookieStaff) -> TcpStream {
    let mut line = TcpStream::connect(server.host()).await.expect("a connection");
    let (path, host, cookie) = (who.path("/stream"), server.host(), who.cookie());
    let ask = format!("GET {path} HTTP/1.1\r\nHost: {host}\r\nCookie: {cookie}\r\n\r\n");
    line.write_all(ask.as_bytes()).await.expect("a request");
    read_to(&mut line, &["event: hello".into()]).await;
    line
}

#[tokio::test(flavor = "multi_thread")]
async fn streams_tell_what_either_server_appended_once_and_in_order() {
    let both = Two::new().await;
    let [here, there] = both.at_both(&both.ravi);
    let mut lines = [stream(&both.one, &here).await, stream(&both.two, &there).await];
    let before = record::log(&both.ines.at(&both.one.address)).await.expect("the log").len();
    let mut people = JoinSet::new();
    for (n, who) in [here, there].into_iter().enumerate() {
        let counter = Counter::of(who.clone(), Seeded::new(70 + n as u64)).await;
        people.spawn(keep_on(counter, vec![who], format!("S{n}"), 10));
    }
    let mut sent = Acknowledged::default();
    for (one, _) in people.join_all().await {
        sent.add(&one);
    }
    let marks: Vec<String> = sent.entries.iter().map(|(index, _)| format!("id: {index}\n")).collect();
    for line in &mut lines {
        let read = read_to(line, &marks).await;
        let told: Vec<usize> =
            read.lines().filter_map(|l| l.strip_prefix("id: ")).map(|id| id.parse().expect("an index")).collect();
        let wanted: Vec<usize> = (before..before + sent.entries.len()).collect();
        assert_eq!(told, wanted, "each once, in the order of the log");
    }
    drop(lines);
    both.end();
}

async fn lease(who: &CookieStaff) -> Vec<Value> {
    let asked = who.post(&who.path("/tags/lease")).json(&json!({"count": 20})).send().await.expect(200).json();
    asked["tags"].as_array().cloned().unwrap_or_default()
}

#[tokio::test(flavor = "multi_thread")]
async fn what_one_server_gives_or_takes_away_counts_at_the_other() {
    let both = Two::new().await;
    let (one, two) = (Anonymous::at(&both.one.address), Anonymous::at(&both.two.address));
    let ines = both.ines.at(&both.one.address);

    // A pairing code of the one is taken at the other, once.
    let made = ines.post(&ines.path("/pairings")).json(&json!({})).send().await.expect(201).json();
    let claim = json!({"code": made["code"], "label": "Ines's phone"});
    let (first, second) = tokio::join!(
        one.post("/v1/pairings/claim").json(&claim).send(),
        two.post("/v1/pairings/claim").json(&claim).send()
    );
    let mut claimed = [first.status.as_u16(), second.status.as_u16()];
    claimed.sort_unstable();
    assert_eq!(claimed, [201, 409]);

    // Tags set apart at the same time for two devices at two servers are different ones.
    let [ravi, _] = both.at_both(&both.ravi);
    let [_, bo] = both.at_both(&both.bo);
    let (ravis, bos) = tokio::join!(lease(&ravi), lease(&bo));
    assert_eq!((ravis.len(), bos.len()), (20, 20));
    assert!(ravis.iter().all(|t| !bos.contains(t)), "{ravis:?} {bos:?}");

    // A token of the one is good at the other, and a refresh token is used up for both.
    let asked = json!({"sign_in": "ravi", "password": PASSWORD});
    let token = one.with_tokens(&one.post("/v1/tokens").json(&asked).send().await);
    let path = both.ravi.path("/intakes");
    two.bearing(token.token(), token.who).get(&path).send().await.expect(200);
    let refresh = json!({"refresh": token.refresh});
    two.post("/v1/tokens/refresh").json(&refresh).send().await.expect(200);
    let again = one.post("/v1/tokens/refresh").json(&refresh).send().await;
    assert_eq!(again.status.as_u16(), 401, "{}", again.text());
    let gone = two.bearing(token.token(), token.who).get(&path).send().await;
    assert_eq!(gone.status.as_u16(), 401, "used twice, the whole family is over");

    // A device that the one puts out is out at the other with the next request, its stream with the next beat.
    let mut line = stream(&both.two, &bo).await;
    ines.delete(&ines.path(&format!("/devices/{}", bo.who.device))).send().await.expect(204);
    assert_eq!(bo.get(&bo.path("/intakes")).send().await.status.as_u16(), 401);
    let ended = async {
        let mut read = Vec::new();
        line.read_to_end(&mut read).await
    };
    // However much is said meanwhile, often enough that it is never quiet for as long as a beat.
    let mut counter = Counter::of(both.ravi.clone(), Seeded::new(77)).await;
    let mut intake = counter.intake("B077");
    counter.open(&mut intake).await.expect("an intake");
    let talk = async {
        let mut often = tokio::time::interval(Duration::from_secs(2));
        loop {
            often.tick().await;
            let body = json!({"field": "model", "value": "A 260", "from": "typed"});
            counter.say(&mut intake, "machine-described", body, &[]).await.expect("kept");
        }
    };
    tokio::select! {
        done = tokio::time::timeout(SOON, ended) => {
            done.expect("the stream ends with a beat").expect("a clean end");
        }
        () = talk => {}
    }

    // A setting of the one is the other's too.
    let settings = ines.get(&ines.path("/settings")).send().await;
    let tag = settings.expect(200).header("etag").expect("an ETag").to_owned();
    let put = ines.put(&ines.path("/settings")).header("If-Match", &tag).json(&json!({"terms": "Kept dry."}));
    put.send().await.expect(200);
    let there = both.ines.at(&both.two.address);
    let shown = there.get(&there.path("/settings")).send().await.expect(200).json();
    assert_eq!(shown["terms"], "Kept dry.");
    both.end();
}

#[tokio::test(flavor = "multi_thread")]
async fn what_was_tried_at_one_server_counts_at_the_other() {
    let both = Two::new().await;
    let (one, two) = (Anonymous::at(&both.one.address), Anonymous::at(&both.two.address));
    let sign_in = |name: &str, password: &str| json!({"sign_in": name, "password": password});

    // The tries of a name are spent at the one, and the other takes not even the right password any more.
    // Ten in all: some went when the shop was set up, and one comes back each 15 seconds.
    let mut guessed = 0;
    let ended = loop {
        let gist = one.post("/v1/sessions").json(&sign_in("ravi", "a guess")).send().await.gist();
        if gist != "401 not-signed-in" {
            break gist;
        }
        guessed += 1;
    };
    assert_eq!((ended.as_str(), (5..=12).contains(&guessed)), ("429 too-many", true), "{guessed}");
    let right = sign_in("ravi", PASSWORD);
    for door in [&two, &one] {
        for path in ["/v1/sessions", "/v1/tokens"] {
            let answer = door.post(path).json(&right).send().await;
            assert_eq!(answer.gist(), "429 too-many", "{path}");
            let wait: u32 = answer.header("retry-after").and_then(|s| s.parse().ok()).expect("seconds");
            assert!((1..=15).contains(&wait), "{wait}");
        }
    }
    // Nobody else is kept out, and whoever is in stays in.
    two.post("/v1/sessions").json(&sign_in("bo", PASSWORD)).send().await.expect(201);
    let [_, ravi] = both.at_both(&both.ravi);
    ravi.get(&ravi.path("/intakes")).send().await.expect(200);

    // Pairing codes and set-up, by address.
    let spent = async |path: &str, wrong: &Value, not_it: &str| {
        let mut tries = 0;
        let said = loop {
            let gist = one.post(path).json(wrong).send().await.gist();
            if gist != not_it {
                break gist;
            }
            tries += 1;
        };
        assert_eq!((said.as_str(), tries <= 10), ("429 too-many", true), "{path}: {tries}");
        assert_eq!(two.post(path).json(wrong).send().await.gist(), "429 too-many", "{path} at the other");
    };
    spent("/v1/pairings/claim", &json!({"code": "guessed"}), "409 refused").await;
    let set_up = json!({"token": "guessed", "shop_name": "Another", "zone": "Europe/Vienna", "currency": "EUR",
        "name": "Eve", "sign_in": "eve", "password": PASSWORD});
    spent("/v1/set-up", &set_up, "409 refused").await;
    both.end();
}

#[tokio::test(flavor = "multi_thread")]
async fn a_photo_in_parts_and_its_judgement_cross_servers_and_a_check_runs_beside_them() {
    let both = Two::new().await;
    let [here, there] = both.at_both(&both.ravi);
    let mut counter = Counter::of(here.clone(), Seeded::new(5)).await;
    let mut other = Counter::of(there.clone(), Seeded::new(6)).await;
    let mut people = JoinSet::new();
    people.spawn(keep_on(other.clone(), vec![there.clone()], "W".into(), 30));
    // Named at the one, sent to the other.
    let mut intake = counter.intake("0001");
    counter.open(&mut intake).await.expect("an answer");
    let photo = tests::picture::sharp(5);
    counter.name(&mut intake, Some("bar-side"), &photo).await.expect("an answer");
    other.staff = there.clone();
    let sent = other.send(&mut intake, &photo).await.expect("an answer");
    assert_eq!(sent.json()["judged"]["verdict"], "usable", "{}", sent.text());
    let digest = evidence::digest::Digest::of(&photo).hex();
    assert_eq!(here.get(&here.path(&format!("/files/{digest}"))).send().await.expect(200).body, photo);
    // While others write, a check sees one state.
    let data = both.data();
    let checked = tokio::task::spawn_blocking(move || server::check(&data)).await.expect("a check");
    assert!(checked.sound, "{}", checked.said);
    let (written, _) = people.join_next().await.expect("somebody").expect("their work");
    assert_eq!(written.missing(&both.ines.at(&both.one.address)).await, [""; 0]);
    both.end();
}

#[tokio::test(flavor = "multi_thread")]
async fn a_text_that_cannot_be_kept_is_the_caller_s_fault() {
    let both = Two::new().await;
    let ravi = both.ravi.at(&both.one.address);
    for query in ["state=%00", "q=a%00b"] {
        let answer = ravi.get(&ravi.path(&format!("/intakes?{query}"))).send().await;
        assert!(answer.status.as_u16() < 500, "{query}: {}", answer.text());
    }
    both.end();
}

#[tokio::test(flavor = "multi_thread")]
async fn rows_changed_behind_the_program_s_back_are_named() {
    let both = Two::new().await;
    let mut counter = Counter::of(both.ravi.at(&both.one.address), Seeded::new(9)).await;
    counter.take_in("0009").await.expect("answers");
    let data = both.data();
    let address = engine::database_of(&data).expect("a database");
    cluster::run("psql", &["-qc", "CREATE EXTENSION amcheck", "-d"], &address);
    let checked = tokio::task::spawn_blocking(move || server::check(&data)).await.expect("a check");
    assert!(checked.sound && !checked.said.contains("amcheck"), "{}", checked.said);
    for (sql, named) in [
        ("UPDATE intake SET tag = '0010'", "the list says something else than the log: tag"),
        ("UPDATE disclosure SET text = 'x' || text WHERE idx = (SELECT max(idx) FROM disclosure)", "disclosure"),
        ("UPDATE node SET hash = sha256(hash) WHERE level = 1 AND idx = 2", "node 1/2"),
        (
            "SET session_replication_role = replica; INSERT INTO setting (shop, name, value, idx) VALUES ('none', 'x', '1', 1)",
            "table setting: rows belong to nothing",
        ),
        // Last: an entry that cannot be read hides what the list says of its intake.
        (
            "UPDATE entry SET bytes = overlay(bytes PLACING 'x'::bytea FROM 60) WHERE idx = 9",
            "entry 9: its bytes were changed",
        ),
    ] {
        cluster::run("psql", &["-qc", sql, "-d"], &address);
        let data = both.data();
        let checked = tokio::task::spawn_blocking(move || server::check(&data)).await.expect("a check");
        assert!(!checked.sound && checked.said.contains(named), "{sql}: {}", checked.said);
    }
}

#[test]
fn a_database_that_would_lose_things_is_refused() {
    let home = tempfile::Builder::new().prefix("counterfoil-unfit-").tempdir().expect("a temporary folder");
    let refused = |name: &str, address: &str| -> String {
        let data: &Path = &home.path().join(name);
        engine::use_database(data, address);
        match Server::try_over(data, &How::default()) {
            Ok(_) => panic!("{name}: it starts"),
            Err(said) => said,
        }
    };
    let address = cluster::database();
    cluster::run(
        "psql",
        &["-qc", "CREATE DATABASE latin ENCODING 'LATIN1' LOCALE 'C' TEMPLATE template0", "-d"],
        &address,
    );
    let (before, _) = address.split_once("localhost/").expect("an address");
    let (_, socket) = address.split_once('?').expect("a socket");
    let latin = format!("{before}localhost/latin?{socket}");
    assert!(refused("latin", &latin).contains("ENCODING 'UTF8'"));
    cluster::run("psql", &["-qc", "DROP DATABASE latin", "-d"], &address);
    assert!(refused("other", "mysql://localhost/x").contains("postgres://"));
    assert!(refused("nowhere", "postgres://postgres@127.0.0.1:1/none").contains("database"));
}
