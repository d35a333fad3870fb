//! `append`: one entry made durable, beside a bare insert of one row of its size made durable in the same database, on SQLite and
//! on PostgreSQL; then two servers beside one over one PostgreSQL, each held to one processor, as if each were a small machine of
//! its own: one shop, then four shops in one installation. All in one run on one machine.
//! `append long [ENTRIES…]`: the same by the length of the log, 1,000 to 10,000,000 or as named.
//!
//! Bare insert: one connection, one row, one commit, as durable as the server's own (WAL and `synchronous=FULL`;
//! `synchronous_commit=on`). Ours: `POST` of an entry over HTTP to the built program, answered after its commit: parsed, judged
//! against its intake's state, hashed into the tree, signed, projected.

use std::path::Path;
use std::process::Command;

use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use serde_json::json;
use sqlx::{AnyConnection, Connection, Executor};
use tests::ask::{Actor, CookieStaff};
use tests::counter::Counter;
use tests::engine;
use tests::long_log;
use tests::picture;
use tests::seeded::Seeded;
use tests::server::{How, Server};
use tests::shop::{Shop, further, wanted};
use tests::timing::{middle, millis, now};
use tokio::task::JoinSet;

/// Entries, or rows, of one measurement.
const COUNT: u32 = 300;
/// Rounds; the middle one is told.
const ROUNDS: usize = 3;
/// People who say something at the same time, where several do.
const PEOPLE: u32 = 16;
/// Shops that they are in, where it is a chain.
const SHOPS: usize = 4;
/// Entries that a log has, where none are named.
const SIZES: [u64; 3] = [1_000, 100_000, 10_000_000];

type Failed = Box<dyn std::error::Error>;

/// As durable as the server's own.
async fn connect(data: &Path) -> Result<AnyConnection, sqlx::Error> {
    let mut db = engine::connect(data).await?;
    if engine::database_of(data).is_none() {
        db.execute("PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL; PRAGMA busy_timeout = 10000").await?;
    }
    Ok(db)
}

/// Milliseconds for one row, durable.
async fn bare(data: &Path) -> Result<f64, sqlx::Error> {
    let mut db = connect(data).await?;
    let bytes = if engine::database_of(data).is_some() { "BYTEA" } else { "BLOB" };
    let table = format!("CREATE TABLE IF NOT EXISTS bare (n BIGINT PRIMARY KEY, bytes {bytes} NOT NULL)");
    db.execute(sqlx::AssertSqlSafe(table)).await?;
    db.execute("DELETE FROM bare").await?;
    let row = vec![7u8; 900];
    let started = now();
    for n in 0..COUNT {
        sqlx::query("INSERT INTO bare (n, bytes) VALUES ($1, $2)")
            .bind(i64::from(n))
            .bind(&row)
            .execute(&mut db)
            .await?;
    }
    let took = millis(started) / f64::from(COUNT);
    db.execute("DROP TABLE bare").await?;
    db.close().await?;
    Ok(took)
}

/// Milliseconds for one entry, said one after the other.
async fn said(who: &CookieStaff, seed: u64) -> Result<f64, reqwest::Error> {
    let mut counter = Counter::of(who.clone(), Seeded::new(seed)).await;
    let mut intake = counter.intake(&format!("A{seed}"));
    counter.open(&mut intake).await?;
    let started = now();
    for n in 0..COUNT {
        // Many intakes, as in a shop: each has some tens of entries.
        if n % 20 == 0 && n > 0 {
            intake = counter.intake(&format!("A{seed}-{n}"));
            counter.open(&mut intake).await?;
            continue;
        }
        let body = json!({"field": "model", "value": format!("A {n}"), "from": "typed"});
        counter.say(&mut intake, "machine-described", body, &[]).await?;
    }
    Ok(millis(started) / f64::from(COUNT))
}

/// Milliseconds until the shop has looked at a checkpoint that it has not met from a client yet, and told its own; the middle of some.
async fn shown(who: &CookieStaff, seed: u64) -> Result<f64, reqwest::Error> {
    let mut counter = Counter::of(who.clone(), Seeded::new(seed)).await;
    let mut intake = counter.intake(&format!("S{seed}"));
    counter.open(&mut intake).await?;
    let mut all = Vec::new();
    for n in 0..30 {
        let body = json!({"field": "model", "value": format!("S {n}"), "from": "typed"});
        counter.say(&mut intake, "machine-described", body, &[]).await?;
        let note = who.get(&who.path("/checkpoint")).send().await.expect(200).text();
        let ask = who.get(&who.path("")).header("Counterfoil-Checkpoint", &URL_SAFE_NO_PAD.encode(note));
        let started = now();
        ask.send().await.expect(200);
        all.push(millis(started));
    }
    Ok(middle(all))
}

/// What many do at once.
#[derive(Clone, Copy)]
enum Work {
    /// Say something of their own intake.
    Entries,
    /// Name a photo, send it, wait for its judgement.
    Photos,
}

/// So much a second and the processor's time for each in milliseconds, done by many at once, each at one of these servers and in one
/// of these shops: people of each shop are at every server.
async fn crowd(servers: &[&Server], who: &[CookieStaff], seed: u64, work: Work) -> Result<(f64, f64), reqwest::Error> {
    let mut people = JoinSet::new();
    let mut ready = Vec::new();
    let each = match work {
        Work::Entries => 30,
        Work::Photos => 4,
    };
    for person in 0..PEOPLE {
        let (round, at) = (person as usize / servers.len(), person as usize % servers.len());
        let staff = who[round % who.len()].at(&servers[at].address);
        let mut counter = Counter::of(staff, Seeded::new(seed * 100 + u64::from(person))).await;
        let mut intake = counter.intake(&format!("C{seed}-{person}"));
        counter.open(&mut intake).await?;
        let pictures: Vec<Vec<u8>> = match work {
            Work::Entries => Vec::new(),
            Work::Photos => {
                (0..each).map(|n| picture::sharp((seed * 100 + u64::from(person)) * 100 + u64::from(n))).collect()
            }
        };
        ready.push((counter, intake, pictures));
    }
    let busy = servers.iter().map(|s| processor(s)).sum::<f64>();
    let started = now();
    for (mut counter, mut intake, pictures) in ready {
        people.spawn(async move {
            for picture in &pictures {
                counter.photo(&mut intake, None, picture).await?;
            }
            let sayings = if pictures.is_empty() { each } else { 0 };
            for n in 0..sayings {
                let body = json!({"field": "model", "value": format!("C {n}"), "from": "typed"});
                counter.say(&mut intake, "machine-described", body, &[]).await?;
            }
            Ok::<_, reqwest::Error>(())
        });
    }
    for done in people.join_all().await {
        done?;
    }
    let (took, all) = (millis(started), f64::from(PEOPLE * each));
    let busy = servers.iter().map(|s| processor(s)).sum::<f64>() - busy;
    Ok((all * 1000.0 / took, busy / all))
}

/// Milliseconds of a processor that a server used so far (proc(5), in hundredths of a second).
fn processor(server: &Server) -> f64 {
    let stat = std::fs::read_to_string(format!("/proc/{}/stat", server.pid())).unwrap_or_default();
    let fields = stat.rsplit(')').next().unwrap_or_default().split_whitespace();
    fields.skip(11).take(2).filter_map(|n| n.parse::<f64>().ok()).sum::<f64>() * 10.0
}

/// Holds all threads of a server to some processors.
fn hold(server: &Server, processors: &str) {
    let held = Command::new("taskset").args(["-acp", processors, &server.pid().to_string()]).output();
    assert!(held.is_ok_and(|h| h.status.success()), "taskset holds a server to processor {processors}");
}

/// One server beside two, each with a processor of its own.
async fn beside(one: &Server, data: &Path, how: &How, who: &CookieStaff) -> Result<(), reqwest::Error> {
    let second = Server::over(data, how);
    hold(one, "0");
    hold(&second, "1");
    let mut shops = vec![who.clone()];
    let mut seed = 20;
    for (what, work, many) in [
        ("entries", Work::Entries, 1),
        ("photos", Work::Photos, 1),
        ("entries", Work::Entries, SHOPS),
        ("photos", Work::Photos, SHOPS),
    ] {
        while shops.len() < many {
            let token = further(one);
            let wanted = wanted(&token, &format!("Alder Row {}", shops.len()), &format!("Nora{}", shops.len()));
            let door = one.anonymous();
            shops.push(door.let_in(&door.post("/v1/set-up").json(&wanted).send().await));
        }
        let (mut alone, mut both) = ((Vec::new(), Vec::new()), (Vec::new(), Vec::new()));
        for _ in 0..ROUNDS {
            seed += 2;
            for (servers, all, seed) in [(&[one][..], &mut alone, seed), (&[one, &second][..], &mut both, seed + 1)] {
                let (fast, busy) = crowd(servers, &shops, seed, work).await?;
                all.0.push(fast);
                all.1.push(busy);
            }
        }
        let ((alone, busy), (both, busy_both)) = ((middle(alone.0), middle(alone.1)), (middle(both.0), middle(both.1)));
        println!(
            "PostgreSQL  {PEOPLE} people in {many} shops, a processor a server: one {alone:.0} {what}/s ({busy:.2} ms of it each), two {both:.0} ({busy_both:.2} ms), {:.2} times",
            both / alone
        );
    }
    Ok(())
}

/// The two databases, or the one that the environment names, to hold two builds of the program against each other.
fn databases() -> Vec<(&'static str, How)> {
    let mut all = vec![("SQLite", How::default().sqlite()), ("PostgreSQL", How::default().postgres())];
    let only = std::env::var("COUNTERFOIL_TEST_ENGINE");
    all.retain(|(name, _)| only.as_ref().is_ok_and(|only| name.to_lowercase().starts_with(only)) || only.is_err());
    all
}

/// A bare row and an entry, middle of some rounds, milliseconds.
async fn pair(data: &Path, who: &CookieStaff, seed: u64) -> Result<(f64, f64), Failed> {
    let (mut rows, mut entries) = (Vec::new(), Vec::new());
    for round in 0..ROUNDS {
        rows.push(bare(data).await?);
        entries.push(said(who, seed + round as u64).await?);
    }
    Ok((middle(rows), middle(entries)))
}

/// The same by the length of the log.
async fn by_length(home: &Path, sizes: &[u64]) -> Result<(), Failed> {
    println!(
        "| entries in the log | bare row, ms | entry over HTTP, ms | the shop, a checkpoint shown, ms | ready after, ms |\n| --- | ---: | ---: | ---: | ---: |"
    );
    for (name, how) in databases() {
        let data = home.join(name);
        let mut shop = Shop::on(Server::over(&data, &how)).await;
        said(&shop.ravi, 1).await?;
        for (n, &size) in sizes.iter().enumerate() {
            assert!(shop.server.stop().success(), "{}", shop.server.log());
            let started = now();
            long_log::grow(&data, shop.id, size).await?;
            eprintln!("{name}: {size} entries are there after {:.0} s", millis(started) / 1000.0);
            let started = now();
            shop.server = Server::over(&data, &how);
            let ready = millis(started);
            let (who, seed) = (shop.ravi.at(&shop.server.address), 10 * (n as u64 + 1));
            let (row, entry) = pair(&data, &who, seed).await?;
            let shown = shown(&who, seed).await?;
            println!("| {name}, {size} | {row:.2} | {entry:.2} | {shown:.2} | {ready:.0} |");
        }
        assert!(shop.server.stop().success(), "{}", shop.server.log());
        std::fs::remove_dir_all(&data)?;
    }
    Ok(())
}

#[tokio::main]
async fn main() -> Result<(), Failed> {
    sqlx::any::install_default_drivers();
    let home = tempfile::tempdir()?;
    let mut told = std::env::args().skip(1);
    if told.next().is_some_and(|what| what == "long") {
        let sizes = told.map(|n| n.parse()).collect::<Result<Vec<u64>, _>>()?;
        return by_length(home.path(), if sizes.is_empty() { &SIZES } else { &sizes }).await;
    }
    for (name, how) in databases() {
        let data = home.path().join(name);
        let mut shop = Shop::on(Server::over(&data, &how)).await;
        let (row, entry) = pair(&data, &shop.ravi, 1).await?;
        println!("{name:<11} bare row {row:6.2} ms   entry over HTTP {entry:6.2} ms   ratio {:.2}", entry / row);
        let (fast, busy) = crowd(&[&shop.server], std::slice::from_ref(&shop.ravi), 11, Work::Entries).await?;
        println!("{name:<11} {PEOPLE} people, one server: {fast:.0} entries/s, {busy:.2} ms of a processor each");
        if engine::database_of(&data).is_some() {
            beside(&shop.server, &data, &how, &shop.ravi).await?;
        }
        assert!(shop.server.stop().success(), "{}", shop.server.log());
    }
    Ok(())
}
