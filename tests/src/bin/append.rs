//! `append`: one entry made durable, beside a bare insert of one row of its size made durable in the same database, on SQLite and
//! on PostgreSQL; then two servers beside one over one PostgreSQL. All in one run on one machine.
//!
//! Bare insert: one connection, one row, one commit, as durable as the server's own (WAL and `synchronous=FULL`;
//! `synchronous_commit=on`). Ours: `POST` of an entry over HTTP to the built program, answered after its commit: parsed, judged
//! against its intake's state, hashed into the tree, signed, projected.

use std::path::Path;

use serde_json::json;
use sqlx::any::AnyConnectOptions;
use sqlx::{AnyConnection, ConnectOptions, Connection, Executor};
use tests::ask::CookieStaff;
use tests::counter::Counter;
use tests::engine;
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

/// Entries a second, said by many at once, each at one of these servers.
async fn crowd(servers: &[&Server], who: &CookieStaff, seed: u64) -> Result<f64, reqwest::Error> {
    let mut people = JoinSet::new();
    let mut ready = Vec::new();
    for person in 0..PEOPLE {
        let staff = who.at(&servers[person as usize % servers.len()].address);
        let mut counter = Counter::of(staff, Seeded::new(seed * 100 + u64::from(person))).await;
        let mut intake = counter.intake(&format!("C{seed}-{person}"));
        counter.open(&mut intake).await?;
        ready.push((counter, intake));
    }
    let started = now();
    for (mut counter, mut intake) in ready {
        people.spawn(async move {
            for n in 0..30 {
                let body = json!({"field": "model", "value": format!("C {n}"), "from": "typed"});
                counter.say(&mut intake, "machine-described", body, &[]).await?;
            }
            Ok::<_, reqwest::Error>(())
        });
    }
    for done in people.join_all().await {
        done?;
    }
    Ok(f64::from(PEOPLE * 30) * 1000.0 / millis(started))
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
        let alone = [crowd(&[&shop.server], &shop.ravi, 11).await?, crowd(&[&shop.server], &shop.ravi, 12).await?];
        println!("{name:<11} {PEOPLE} people, one server   {:6.0} entries/s", (alone[0] + alone[1]) / 2.0);
        if engine::database_of(&data).is_some() {
            let second = Server::over(&data, &how);
            let mut both = 0.0;
            for seed in [21, 22] {
                both += crowd(&[&shop.server, &second], &shop.ravi, seed).await? / 2.0;
            }
            println!("{name:<11} {PEOPLE} people, two servers  {both:6.0} entries/s");
        }
        assert!(shop.server.stop().success(), "{}", shop.server.log());
    }
    Ok(())
}
