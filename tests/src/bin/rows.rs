//! `rows`: lists, searches and an intake opened, over HTTP, with 10,000 intakes and with 1,000,000 in one shop's projections; then
//! `check` by the entry, over a short log and one ten times as long. `COUNTERFOIL_TEST_ENGINE=postgres` for PostgreSQL.
//!
//! Eight intakes are taken in as people do; the rest are rows made from the first of them by the database, each with a tag and a
//! serial of its own and all the words of the first, so that its words stand a million times in the index.

use std::path::Path;

use serde_json::json;
use sqlx::any::AnyConnectOptions;
use sqlx::{AnyConnection, ConnectOptions, Connection, Executor};
use tests::ask::Actor;
use tests::counter::Counter;
use tests::engine;
use tests::seeded::Seeded;
use tests::server::{self, How, Server};
use tests::shop::Shop;
use tests::timing::{middle, millis, now};

/// Rows at which is measured.
const SIZES: [u64; 2] = [10_000, 1_000_000];
/// Each question is asked so often; the middle time is told.
const TIMES: usize = 15;
/// Entries of the log that is checked, and of the longer one.
const ENTRIES: [u32; 2] = [1_000, 10_000];

async fn connect(data: &Path) -> Result<AnyConnection, sqlx::Error> {
    let address =
        engine::database_of(data).unwrap_or_else(|| format!("sqlite://{}", data.join("counterfoil.db").display()));
    address.parse::<AnyConnectOptions>()?.connect().await
}

/// Makes rows from number `from` on, up to `to`.
async fn multiply(data: &Path, from: u64, to: u64) -> Result<(), sqlx::Error> {
    let mut db = connect(data).await?;
    // Twelve digits, on either database: an id's last part, and what a word of its own ends with.
    let digits = "substr(CAST(1000000000000 + i AS TEXT), 2)";
    let numbers =
        format!("WITH RECURSIVE n(i) AS (SELECT CAST({from} AS BIGINT) UNION ALL SELECT i + 1 FROM n WHERE i < {to})");
    let model = "(SELECT min(id) FROM intake WHERE state = 'in care')";
    let id = format!("'00000000-0000-7000-8000-' || {digits}");
    for query in [
        format!(
            "{numbers} INSERT INTO intake (shop, id, tag, state, kind, opened_idx, last_idx, summary)
             SELECT shop, {id}, 'm' || {digits}, 'handed back', kind, i, i, summary FROM n, intake WHERE id = {model}"
        ),
        format!(
            "{numbers} INSERT INTO intake_word (shop, word, intake)
             SELECT shop, word, {id} FROM n, intake_word WHERE intake = {model}"
        ),
        format!("{numbers} INSERT INTO intake_word (shop, word, intake) SELECT id, 'm' || {digits}, {id} FROM n, shop"),
        format!(
            "{numbers} INSERT INTO search_word (shop, word, front, back)
             SELECT id, 'm' || {digits}, 'm0', substr(CAST(1000000000000 + i AS TEXT), 12) FROM n, shop"
        ),
        "ANALYZE".to_owned(),
    ] {
        db.execute(sqlx::AssertSqlSafe(query)).await?;
    }
    db.close().await
}

/// The middle time of one question.
async fn asked(who: &impl Actor, path: &str, found: usize) -> f64 {
    let mut all = Vec::with_capacity(TIMES);
    for _ in 0..TIMES {
        let started = now();
        let answer = who.get(path).send().await.expect(200).json();
        all.push(millis(started));
        let rows = answer["intakes"].as_array().map_or(found, Vec::len);
        assert!(rows >= found, "{path} found {rows}");
    }
    middle(all)
}

/// Says so many entries and checks the folder: milliseconds an entry.
async fn checked(home: &Path, entries: u32) -> Result<f64, Box<dyn std::error::Error>> {
    let data = home.join(format!("log-{entries}"));
    let mut shop = Shop::on(Server::over(&data, &How::default())).await;
    let mut counter = Counter::of(shop.ravi.clone(), Seeded::new(u64::from(entries))).await;
    let mut intake = counter.intake("A");
    for n in 0..entries {
        if n % 40 == 0 {
            intake = counter.intake(&format!("A{n}"));
            counter.open(&mut intake).await?;
            continue;
        }
        counter
            .say(
                &mut intake,
                "machine-described",
                json!({"field": "model", "value": format!("A {n}"), "from": "typed"}),
                &[],
            )
            .await?;
    }
    assert!(shop.server.stop().success(), "{}", shop.server.log());
    let started = now();
    let said = server::check(&data);
    assert!(said.sound, "{}", said.said);
    Ok(millis(started) / f64::from(entries))
}

#[tokio::main]
async fn main() -> Result<(), Box<dyn std::error::Error>> {
    sqlx::any::install_default_drivers();
    let home = tempfile::tempdir()?;
    let data = home.path().join("rows");
    let mut shop = Shop::on(Server::over(&data, &How::default())).await;
    let mut counter = shop.counter(1).await;
    let mut last = None;
    for tag in 101..109 {
        last = Some(counter.take_in(&format!("0{tag}")).await?);
    }
    let opened = last.ok_or("an intake")?.id;
    let mut from = 1;
    for size in SIZES {
        assert!(shop.server.stop().success(), "{}", shop.server.log());
        multiply(&data, from, size).await?;
        from = size + 1;
        let started = now();
        shop.server = Server::over(&data, &How::default());
        println!("{size:>9} rows: the server is ready after {:.0} ms", millis(started));
        let who = shop.ravi.at(&shop.server.address);
        for (what, path, found) in [
            ("the desk: what is in care", "/intakes?state=in%20care&limit=200".to_owned(), 8),
            ("a page of all", "/intakes?limit=50".to_owned(), 50),
            ("a page further back", "/intakes?limit=50&after=5000".to_owned(), 50),
            ("a tag", "/intakes?q=0104&limit=50".to_owned(), 1),
            ("one in the middle", format!("/intakes?q=m{:012}&limit=50", size / 2), 1),
            ("one with a typo", format!("/intakes?q=m{:011}x&limit=50", size / 20), 0),
            ("a word of every row", "/intakes?q=chainsaw&limit=50".to_owned(), 50),
            ("two words of every row", "/intakes?q=chainsaw%20alder&limit=50".to_owned(), 0),
            ("a word of no row", "/intakes?q=zzzzzz&limit=50".to_owned(), 0),
            ("an intake opened", format!("/intakes/{opened}"), 0),
        ] {
            println!("{size:>9} rows: {what:<26} {:8.1} ms", asked(&who, &who.path(&path), found).await);
        }
    }
    assert!(shop.server.stop().success(), "{}", shop.server.log());
    for entries in ENTRIES {
        println!("{entries:>9} entries: check {:.3} ms an entry", checked(home.path(), entries).await?);
    }
    Ok(())
}
