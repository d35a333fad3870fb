//! `rows [COUNT…]`: what a person waits for, over HTTP, with 10,000 intakes in one shop's projections and with 1,000,000, or with
//! as many as are named; the middle and the 95th of a hundred. `COUNTERFOIL_TEST_ENGINE=postgres` for PostgreSQL.
//! `rows check [ENTRIES…]`: `counterfoil check` by the entry, and its memory, over logs of 5,000 and 50,000 entries.
//!
//! Eight intakes are taken in as people do; the rest are rows that the database makes from one of them. Each has the words of its
//! kind and its complaint, which therefore stand in all, and a tag, a serial, a telephone number and an owner of its own: 10,000
//! surnames; one of two colours, one of 25 chains; a word that only the 3,000 oldest have. 150 are in care and twenty
//! have the window of a claim open, however many there are.

use std::path::Path;
use std::process::{Command, Stdio};

use serde_json::json;
use sqlx::{AnyConnection, Connection, Executor};
use tests::ask::Actor;
use tests::counter::Counter;
use tests::engine;
use tests::seeded::Seeded;
use tests::server::{self, How, Server};
use tests::shop::Shop;
use tests::timing::{millis, now};
use tokio::task::JoinSet;

/// Rows at which is measured where none are named.
const SIZES: [u64; 2] = [10_000, 1_000_000];
/// Each question is asked so often.
const TIMES: usize = 100;
/// Entries of the logs that are checked.
const ENTRIES: [u64; 2] = [5_000, 50_000];
/// People who say them at once.
const PEOPLE: u64 = 16;

type Failed = Box<dyn std::error::Error>;

/// The words of an intake that its own numbers and names do not make.
async fn words(db: &mut AnyConnection, model: &str) -> Result<String, sqlx::Error> {
    let all: Vec<String> =
        sqlx::query_scalar("SELECT word FROM intake_word WHERE intake = $1").bind(model).fetch_all(db).await?;
    let kept = all.iter().filter(|w| w.chars().all(char::is_alphabetic) && *w != "okafor");
    Ok(kept.map(|w| format!("('{w}')")).collect::<Vec<_>>().join(", "))
}

/// Makes rows from number `from` on, up to `to`, as one copy: nobody serves meanwhile, and the indexes are made anew.
async fn multiply(data: &Path, from: u64, to: u64) -> Result<(), Failed> {
    let postgres = engine::database_of(data).is_some();
    let mut db = engine::connect(data).await?;
    let model: String =
        sqlx::query_scalar("SELECT min(id) FROM intake WHERE state = 'in care' AND id NOT LIKE '00000000-%'")
            .fetch_one(&mut db)
            .await?;
    let words = words(&mut db, &model).await?;
    let before: &[&str] = if postgres {
        &[
            "SET session_replication_role = replica",
            "SET synchronous_commit = off",
            "SET maintenance_work_mem = '1GB'",
            "ALTER TABLE intake_word DROP CONSTRAINT intake_word_pkey",
            "DROP INDEX word_of_intake",
        ]
    } else {
        &[
            "PRAGMA journal_mode = DELETE",
            "PRAGMA journal_mode = OFF",
            "PRAGMA synchronous = OFF",
            "PRAGMA foreign_keys = OFF",
            "PRAGMA cache_size = -1000000",
            "PRAGMA threads = 2",
            "DROP INDEX word_of_intake",
        ]
    };
    // The numbers of intake i, each spread over its range: a tag of 6 digits, a serial of 9, a telephone number of 12.
    let digits = |seven: &str, len: u32| format!("substr(CAST({} + {seven} AS TEXT), 2)", 10u64.pow(len));
    let (tag, serial, phone) = (
        digits("i", 6),
        digits("(i * 7919 + 13) % 1000000000", 9),
        format!("'43660' || {}", digits("(i * 104729) % 10000000", 7)),
    );
    let letter = |of: &str, by: u64| format!("substr('{of}', CAST((i / {by}) % {} AS INTEGER) + 1, 1)", of.len());
    let (hard, soft) = ("bdfghklmnprstvwxzcjq", "aeiou");
    let owner = [(hard, 1), (soft, 20), (hard, 100), (soft, 2000), (hard, 5), (soft, 4)]
        .map(|(of, by)| letter(of, by))
        .join(" || ");
    let ends = |number: &str, len: usize| {
        (1..=len - 2).map(|at| format!("'#' || substr({number}, {at})")).chain([number.to_owned()]).collect::<Vec<_>>()
    };
    let id = format!("'00000000-0000-7000-8000-' || {}", digits("i", 12));
    let numbers =
        format!("WITH RECURSIVE n(i) AS (SELECT CAST({from} AS BIGINT) UNION ALL SELECT i + 1 FROM n WHERE i < {to})");
    let mut own = [ends(&tag, 6), ends(&serial, 9), ends(&phone, 12)].concat();
    own.extend([owner.clone(), format!("'chain' || {}", letter("abcdefghijklmnopqrstuvwxy", 1))]);
    own.push("CASE WHEN i % 2 = 0 THEN 'orange' ELSE 'violet' END".to_owned());
    own.push("CASE WHEN i <= 3000 THEN 'vintage' ELSE 'modern' END".to_owned());
    // Two numbers of an intake may end alike: each word once.
    let words = if postgres {
        let own = own.iter().map(|word| format!(" UNION SELECT {word}")).collect::<String>();
        format!(
            "{numbers}, w(word) AS (VALUES {words}) INSERT INTO intake_word (shop, word, intake) SELECT shop.id, made.word, {id}
             FROM shop, n CROSS JOIN LATERAL (SELECT word FROM w{own}) AS made"
        )
    } else {
        let own = own.iter().map(|word| format!(" UNION ALL SELECT {word}, {id} FROM n")).collect::<String>();
        format!(
            "{numbers}, w(word) AS (VALUES {words}) INSERT INTO intake_word (shop, word, intake) SELECT shop.id, word, intake
             FROM (SELECT w.word AS word, {id} AS intake FROM n, w{own}) AS made, shop WHERE true ORDER BY word, intake
             ON CONFLICT DO NOTHING"
        )
    };
    let after: &[&str] = if postgres {
        &[
            "ALTER TABLE intake_word ADD PRIMARY KEY (shop, word, intake)",
            "CREATE INDEX word_of_intake ON intake_word (shop, intake)",
            "VACUUM ANALYZE",
        ]
    } else {
        &["CREATE INDEX word_of_intake ON intake_word (shop, intake)"]
    };
    let window = r#""windows":[{"what":"cylinder","route":"warranty","until":"2020-01-01"}],"#;
    let rows = [
        format!(
            "{numbers} INSERT INTO intake (shop, id, tag, state, kind, opened_idx, last_idx, summary)
             SELECT shop, {id}, {tag}, CASE WHEN i <= 150 THEN 'in care' ELSE 'handed back' END, kind, i + 1000, i + 1000,
             CASE WHEN i > 150 AND i <= 170 THEN '{{' || '{window}' || substr(summary, 2) ELSE summary END FROM n, intake WHERE id = '{model}'"
        ),
        words,
        format!(
            "{numbers} INSERT INTO search_word (shop, word, front, back)
             SELECT DISTINCT shop.id, {owner}, substr({owner}, 1, 2), substr({owner}, 5) FROM n, shop WHERE i <= {from} + 10000 ON CONFLICT DO NOTHING"
        ),
    ];
    let rows = rows.iter().map(String::as_str);
    for query in before.iter().copied().chain(rows).chain(after.iter().copied()) {
        let started = now();
        db.execute(sqlx::AssertSqlSafe(query.to_owned())).await.map_err(|e| format!("{query}: {e}"))?;
        let what: String = query.trim_start_matches(&numbers).chars().take(60).collect();
        if millis(started) > 1000.0 {
            eprintln!("{:7.1} s  {what}", millis(started) / 1000.0);
        }
    }
    Ok(db.close().await?)
}

/// The middle and the 95th of a hundred times a question is answered, after it was asked once; milliseconds.
async fn asked(who: &impl Actor, path: &str, found: usize) -> (f64, f64) {
    let mut all = Vec::with_capacity(TIMES);
    for n in 0..=TIMES {
        let started = now();
        let answer = who.get(path).send().await;
        let took = millis(started);
        let answer = answer.expect(200).json();
        let rows = answer["intakes"].as_array().map_or(found, Vec::len);
        assert!(rows >= found, "{path} found {rows}");
        if n > 0 {
            all.push(took);
        }
    }
    all.sort_by(f64::total_cmp);
    (all[TIMES / 2], all[TIMES * 95 / 100])
}

/// What is asked: in words, the path, and how many must be found at least.
fn questions(size: u64, opened: &str) -> Vec<(&'static str, String, usize)> {
    let middle = size / 2;
    let phone = format!("/intakes?q=%2B43%20660%20{:07}", (middle * 104_729) % 10_000_000);
    vec![
        ("a page of all", "/intakes?limit=50".into(), 50),
        ("a page further back", "/intakes?limit=50&after=6000".into(), 50),
        ("the desk: in care", "/intakes?state=in%20care&limit=50".into(), 50),
        ("the desk: its fourth page", "/intakes?state=in%20care&limit=50&after=1010".into(), 1),
        ("the desk: found", "/intakes?state=found&limit=50".into(), 0),
        ("what is due", "/due".into(), 0),
        ("an intake opened", format!("/intakes/{opened}"), 0),
        ("search: a tag", "/intakes?q=000104".into(), 1),
        ("search: a surname", "/intakes?q=dababa".into(), 1),
        ("search: a surname with a typo", "/intakes?q=dabaab".into(), 1),
        ("search: a telephone number", phone, 1),
        ("search: four digits", "/intakes?q=4711".into(), 1),
        ("search: a word of all", "/intakes?q=chainsaw".into(), 50),
        ("search: two words of all", "/intakes?q=chainsaw%20alder".into(), 50),
        ("search: a beginning of many", "/intakes?q=cha".into(), 50),
        ("search: a word of all, in care", "/intakes?q=chainsaw&state=in%20care".into(), 50),
        ("search: a word of all and a surname", "/intakes?q=chainsaw%20dababa".into(), 0),
        ("search: common, only in old ones", "/intakes?q=vintage".into(), 0),
        ("search: two common, never together", "/intakes?q=orange%20violet".into(), 0),
        ("search: a word of none", "/intakes?q=zzzzzz".into(), 0),
    ]
}

async fn waits(home: &Path, sizes: &[u64]) -> Result<(), Failed> {
    let data = home.join("rows");
    let mut shop = Shop::on(Server::over(&data, &How::default())).await;
    let mut counter = shop.counter(1).await;
    let mut last = None;
    for tag in 101..109 {
        last = Some(counter.take_in(&format!("0{tag}")).await?);
    }
    let opened = last.ok_or("an intake")?.id.to_string();
    let mut from = 1;
    let mut table: Vec<(&str, Vec<(f64, f64)>)> = Vec::new();
    for &size in sizes {
        assert!(shop.server.stop().success(), "{}", shop.server.log());
        let started = now();
        multiply(&data, from, size).await?;
        from = size + 1;
        eprintln!("{size} rows are there after {:.0} s", millis(started) / 1000.0);
        let started = now();
        shop.server = Server::over(&data, &How::default());
        eprintln!("the server is ready after {:.0} ms", millis(started));
        let who = shop.ravi.at(&shop.server.address);
        for (n, (what, path, found)) in questions(size, &opened).into_iter().enumerate() {
            let took = asked(&who, &who.path(&path), found).await;
            match table.get_mut(n) {
                Some((_, all)) => all.push(took),
                None => table.push((what, vec![took])),
            }
        }
        eprintln!("the server held {} MB at most", shop.server.peak_kb() / 1024);
    }
    println!(
        "| milliseconds, middle and 95th of {TIMES} | {} |",
        sizes.iter().map(u64::to_string).collect::<Vec<_>>().join(" | ")
    );
    println!("| --- |{}", " ---: |".repeat(sizes.len()));
    for (what, all) in table {
        println!(
            "| {what} | {} |",
            all.iter().map(|(m, p)| format!("{m:.1} · {p:.1}")).collect::<Vec<_>>().join(" | ")
        );
    }
    assert!(shop.server.stop().success(), "{}", shop.server.log());
    Ok(())
}

/// Says so many entries, by many at once, forty an intake.
async fn say(shop: &Shop, entries: u64) -> Result<(), Failed> {
    let mut people = JoinSet::new();
    for person in 0..PEOPLE {
        let mut counter = Counter::of(shop.ravi.clone(), Seeded::new(entries * 100 + person)).await;
        people.spawn(async move {
            let mut intake = counter.intake("A");
            for n in 0..entries / PEOPLE {
                if n % 40 == 0 {
                    intake = counter.intake(&format!("{}-{person}-{}", entries / 1000, n / 40));
                    counter.open(&mut intake).await?;
                    continue;
                }
                let body = json!({"field": "model", "value": format!("A {n}"), "from": "typed"});
                counter.say(&mut intake, "machine-described", body, &[]).await?;
            }
            Ok::<_, reqwest::Error>(())
        });
    }
    for done in people.join_all().await {
        done?;
    }
    Ok(())
}

/// Runs `check`: seconds, and the most memory it held, in MB.
fn checked(data: &Path) -> Result<(f64, f64, String), Failed> {
    let started = now();
    let mut check = Command::new(server::program())
        .args(["check", "--data"])
        .arg(data)
        .args(engine::arguments(data))
        .stdout(Stdio::piped())
        .spawn()?;
    let status = format!("/proc/{}/status", check.id());
    let mut peak = 0.0f64;
    while check.try_wait()?.is_none() {
        let text = std::fs::read_to_string(&status).unwrap_or_default();
        let line = text.lines().find_map(|l| l.strip_prefix("VmHWM:")).unwrap_or_default();
        peak = peak.max(line.split_whitespace().next().and_then(|kb| kb.parse::<f64>().ok()).unwrap_or(0.0) / 1024.0);
        std::thread::sleep(std::time::Duration::from_millis(2));
    }
    let took = millis(started) / 1000.0;
    let done = check.wait_with_output()?;
    let said = String::from_utf8_lossy(&done.stdout).into_owned();
    assert!(done.status.success(), "{said}");
    Ok((took, peak, said))
}

async fn checks(home: &Path, sizes: &[u64]) -> Result<(), Failed> {
    println!("| entries | `check`, seconds | microseconds an entry | memory, MB |\n| ---: | ---: | ---: | ---: |");
    let data = home.join("log");
    let (mut shop, mut there) = (Shop::on(Server::over(&data, &How::default())).await, 0);
    for &size in sizes {
        say(&shop, size.saturating_sub(there)).await?;
        there = size;
        assert!(shop.server.stop().success(), "{}", shop.server.log());
        let (took, peak, said) = checked(&data)?;
        let entries: f64 = said.split_whitespace().next().and_then(|n| n.parse().ok()).ok_or("a count of entries")?;
        println!("| {entries} | {took:.2} | {:.0} | {peak:.0} |", took * 1e6 / entries);
        let server = Server::over(&data, &How::default());
        shop.ravi = shop.ravi.at(&server.address);
        shop.server = server;
    }
    assert!(shop.server.stop().success(), "{}", shop.server.log());
    Ok(())
}

#[tokio::main]
async fn main() -> Result<(), Failed> {
    sqlx::any::install_default_drivers();
    let home = tempfile::tempdir()?;
    let mut told: Vec<String> = std::env::args().skip(1).collect();
    let check = told.first().is_some_and(|what| what == "check");
    if check {
        told.remove(0);
    }
    let sizes = told.iter().map(|n| n.parse()).collect::<Result<Vec<u64>, _>>()?;
    match (check, sizes.is_empty()) {
        (true, true) => checks(home.path(), &ENTRIES).await,
        (true, false) => checks(home.path(), &sizes).await,
        (false, true) => waits(home.path(), &SIZES).await,
        (false, false) => waits(home.path(), &sizes).await,
    }
}
