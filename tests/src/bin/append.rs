//! `append`: one entry made durable, beside a bare insert of one row of its size made durable in the same database, on SQLite and
//! on PostgreSQL; then two servers beside one over one PostgreSQL, each held to one processor, as if each were a small machine of
//! its own. All in one run on one machine.
//!
//! Bare insert: one connection, one row, one commit, as durable as the server's own (WAL and `synchronous=FULL`;
//! `synchronous_commit=on`). Ours: `POST` of an entry over HTTP to the built program, answered after its commit: parsed, judged
//! against its intake's state, hashed into the tree, signed, projected.

use std::path::Path;
use std::process::Command;

use serde_json::json;
use sqlx::any::AnyConnectOptions;
use sqlx::{AnyConnection, ConnectOptions, Connection, Executor};
use tests::ask::CookieStaff;
use tests::counter::Counter;
use tests::engine;
use tests::picture;
use tests::seeded::Seeded;
use tests::server::{How, Server};
use tests::shop::Shop;
use tests::timing::{middle, millis, now};
use tokio::task::JoinSet;

/// Entries, or rows, of one measurement.
const COUNT: u32 = 300;
/// Rounds; the middle one is told.
const ROUNDS: usize = 3;
/// People who say something at the same time, where several do.
const PEOPLE: u32 = 16;

async fn connect(data: &Path) -> Result<AnyConnection, sqlx::Error> {
    let Some(address) = engine::database_of(data) else {
        let options: AnyConnectOptions = format!("sqlite://{}", data.join("counterfoil.db").display()).parse()?;
        let mut db = options.connect().await?;
        db.execute("PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL; PRAGMA busy_timeout = 10000").await?;
        return Ok(db);
    };
    address.parse::<AnyConnectOptions>()?.connect().await
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

/// What many do at once.
#[derive(Clone, Copy)]
enum Work {
    /// Say something of their own intake.
    Entries,
    /// Name a photo, send it, wait for its judgement.
    Photos,
}

/// So much a second and the processor's time for each in milliseconds, done by many at once, each at one of these servers.
async fn crowd(servers: &[&Server], who: &CookieStaff, seed: u64, work: Work) -> Result<(f64, f64), reqwest::Error> {
    let mut people = JoinSet::new();
    let mut ready = Vec::new();
    let each = match work {
        Work::Entries => 30,
        Work::Photos => 4,
    };
    for person in 0..PEOPLE {
        let staff = who.at(&servers[person as usize % servers.len()].address);
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

#[tokio::main]
async fn main() -> Result<(), Box<dyn std::error::Error>> {
    sqlx::any::install_default_drivers();
    let home = tempfile::tempdir()?;
    for (name, how) in [("SQLite", How::default().sqlite()), ("PostgreSQL", How::default().postgres())] {
        // One alone, to hold two builds of the program against each other.
        if std::env::var("COUNTERFOIL_TEST_ENGINE").is_ok_and(|only| !name.to_lowercase().starts_with(&only)) {
            continue;
        }
        let data = home.path().join(name);
        let mut shop = Shop::on(Server::over(&data, &how)).await;
        let (mut rows, mut entries) = (Vec::new(), Vec::new());
        for round in 0..ROUNDS {
            rows.push(bare(&data).await?);
            entries.push(said(&shop.ravi, 1 + round as u64).await?);
        }
        let (row, entry) = (middle(rows), middle(entries));
        println!("{name:<11} bare row {row:6.2} ms   entry over HTTP {entry:6.2} ms   ratio {:.2}", entry / row);
        let (fast, busy) = crowd(&[&shop.server], &shop.ravi, 11, Work::Entries).await?;
        println!("{name:<11} {PEOPLE} people, one server: {fast:.0} entries/s, {busy:.2} ms of a processor each");
        if engine::database_of(&data).is_some() {
            let second = Server::over(&data, &how);
            hold(&shop.server, "0");
            hold(&second, "1");
            let mut seed = 20;
            for (what, work) in [("entries", Work::Entries), ("photos", Work::Photos)] {
                let (mut one, mut two) = ((Vec::new(), Vec::new()), (Vec::new(), Vec::new()));
                for _ in 0..ROUNDS {
                    seed += 2;
                    for (servers, all, seed) in
                        [(&[&shop.server][..], &mut one, seed), (&[&shop.server, &second][..], &mut two, seed + 1)]
                    {
                        let (fast, busy) = crowd(servers, &shop.ravi, seed, work).await?;
                        all.0.push(fast);
                        all.1.push(busy);
                    }
                }
                let ((one, busy), (two, busy_two)) = ((middle(one.0), middle(one.1)), (middle(two.0), middle(two.1)));
                println!(
                    "{name:<11} {PEOPLE} people, a processor a server: one {one:.0} {what}/s ({busy:.2} ms of it each), two {two:.0} ({busy_two:.2} ms), {:.2} times",
                    two / one
                );
            }
        }
        assert!(shop.server.stop().success(), "{}", shop.server.log());
    }
    Ok(())
}
