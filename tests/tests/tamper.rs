//! One byte changed in what a shop keeps, and `counterfoil check` ends with an error and says where: in every column of
//! every table that the log decides, anywhere in the database's file, in an original, in a published checkpoint.

use std::path::{Path, PathBuf};

use serde_json::json;
use sqlx::sqlite::{SqliteConnectOptions, SqliteConnection};
use sqlx::{ConnectOptions, Row};
use tempfile::TempDir;
use tests::ask::Actor;
use tests::seeded::Seeded;
use tests::server::{self, How, Server};
use tests::shop::Shop;

/// The tables that the log decides, and what a sentence about a change in each must name: a column's value in that row,
/// or words.
const TABLES: [(&str, &[&str]); 11] = [
    ("shop", &["table"]),
    ("log_head", &["the head", "the signed root", "table log_head"]),
    ("entry", &["entry {idx}"]),
    ("node", &["node {level}/{idx}", "stored tree", "entry {idx}"]),
    ("disclosure", &["entry {idx}", "beside a disclosure", "table disclosure"]),
    ("intake", &["intake {id}"]),
    ("intake_word", &["intake {intake}", "table intake_word"]),
    ("named_file", &["list of files", "table named_file"]),
    ("photo_look", &["what photos look like", "table photo_look"]),
    ("setting", &["settings", "table setting"]),
    ("document", &["document sha256:", "table document"]),
];

/// Columns that repeat nothing of the log: nothing hangs on them.
const SAYS_NOTHING: [(&str, &str); 3] = [("shop", "log_name"), ("shop", "opened_at"), ("document", "name")];

/// A shop with two intakes, stopped, and a copy of its database.
struct Kept {
    home: TempDir,
    shop: String,
    files: Vec<String>,
    database: Vec<u8>,
}

impl Kept {
    async fn new() -> Kept {
        let home = tempfile::Builder::new().prefix("counterfoil-tamper-").tempdir().expect("a temporary folder");
        let mut shop = Shop::on(Server::over(&home.path().join("data"), &How::default().sqlite())).await;
        let settings = shop.ines.get(&shop.ines.path("/settings")).send().await;
        let tag = settings.expect(200).header("etag").expect("an ETag").to_owned();
        let terms = json!({"terms": "We keep your machine dry and locked."});
        let put = shop.ines.put(&shop.ines.path("/settings")).header("If-Match", &tag).json(&terms);
        put.send().await.expect(200);
        let mut counter = shop.counter(41).await;
        let mut files = Vec::new();
        for number in ["0041", "0042"] {
            files.extend(counter.take_in(number).await.expect("answers").sent.files);
        }
        assert!(shop.server.stop().success(), "{}", shop.server.log());
        let database = std::fs::read(home.path().join("data/counterfoil.db")).expect("the database");
        let kept = Kept { home, shop: shop.id.to_string(), files, database };
        let checked = server::check(&kept.data());
        assert!(checked.sound, "{}", checked.said);
        kept
    }

    fn data(&self) -> PathBuf {
        self.home.path().join("data")
    }

    fn file(&self) -> PathBuf {
        self.data().join("counterfoil.db")
    }

    /// The database as it was.
    fn put_back(&self) {
        for rest in ["counterfoil.db-wal", "counterfoil.db-shm"] {
            let _ = std::fs::remove_file(self.data().join(rest));
        }
        std::fs::write(self.file(), &self.database).expect("the database is put back");
    }

    async fn open(&self) -> SqliteConnection {
        let options = SqliteConnectOptions::new().filename(self.file()).foreign_keys(false);
        options.connect().await.expect("the database opens")
    }
}

/// The columns of a table with their types, and those of its key.
async fn columns(db: &mut SqliteConnection, table: &str) -> (Vec<(String, String)>, Vec<String>) {
    let rows =
        sqlx::query(sqlx::AssertSqlSafe(format!("PRAGMA table_info({table})"))).fetch_all(db).await.expect("columns");
    let (mut all, mut key) = (Vec::new(), Vec::new());
    for row in &rows {
        let name: String = row.get("name");
        if row.get::<i64, _>("pk") > 0 {
            key.push(name.clone());
        }
        all.push((name, row.get("type")));
    }
    (all, key)
}

/// Changes one value of a seeded row; gives what is to be named, its columns filled in. `None`: it has no value.
async fn change(
    db: &mut SqliteConnection,
    (table, named): (&str, &[&str]),
    (column, kind): (&str, &str),
    random: &mut Seeded,
) -> Option<Vec<String>> {
    let (all, key) = columns(db, table).await;
    let key = key.join(", ");
    let filled = format!("FROM {table} WHERE {column} IS NOT NULL AND length({column}) > 0");
    let count: i64 = sqlx::query_scalar(sqlx::AssertSqlSafe(format!("SELECT count(*) {filled}")))
        .fetch_one(&mut *db)
        .await
        .expect("a count");
    // Not the last one: that an entry was cut off at the end shows in other words.
    let nth = random.below(u64::try_from(count).ok()?.checked_sub(1)?.max(1));
    let place = format!("{filled} ORDER BY {key} LIMIT 1 OFFSET {nth}");
    let mut named: Vec<String> = named.iter().map(|n| (*n).to_owned()).collect();
    for (c, _) in all.iter().filter(|(_, kind)| kind != "BLOB") {
        let value = sqlx::AssertSqlSafe(format!("SELECT CAST({c} AS TEXT) {place}"));
        let value: Option<String> = sqlx::query_scalar(value).fetch_one(&mut *db).await.expect("a value");
        named = named.iter().map(|n| n.replace(&format!("{{{c}}}"), value.as_deref().unwrap_or("?"))).collect();
    }
    let set = format!("UPDATE {table} SET {column} = ? WHERE ({key}) = (SELECT {key} {place})");
    let read = format!("SELECT {column} {place}");
    let read = sqlx::query(sqlx::AssertSqlSafe(read)).fetch_one(&mut *db).await.expect("a value");
    let update = sqlx::query(sqlx::AssertSqlSafe(set));
    let update = match kind {
        "INTEGER" => update.bind(read.get::<i64, _>(0) + 1_000_000),
        "BLOB" => {
            let mut bytes: Vec<u8> = read.get(0);
            flip(&mut bytes, random);
            update.bind(bytes)
        }
        _ => {
            let mut bytes = read.get::<String, _>(0).into_bytes();
            // Letters and digits only, so that it stays text.
            let places: Vec<usize> = (0..bytes.len()).filter(|i| bytes[*i].is_ascii_alphanumeric()).collect();
            let at = places[usize::try_from(random.below(places.len() as u64)).expect("a place")];
            bytes[at] = if bytes[at] == b'7' { b'8' } else { b'7' };
            update.bind(String::from_utf8(bytes).expect("text"))
        }
    };
    let done = update.execute(db).await.unwrap_or_else(|e| panic!("{table}.{column}: {e}"));
    assert_eq!(done.rows_affected(), 1, "{table}.{column}");
    Some(named)
}

/// Changes one byte at a seeded place.
fn flip(bytes: &mut [u8], random: &mut Seeded) -> usize {
    let at = usize::try_from(random.below(bytes.len() as u64)).expect("a place");
    bytes[at] ^= 1;
    at
}

/// Everything that the log decides, as text; `None` where it cannot be read.
async fn dump(kept: &Kept) -> Option<String> {
    let mut db = SqliteConnectOptions::new().filename(kept.file()).connect().await.ok()?;
    let mut out = String::new();
    for (table, _) in TABLES {
        let (all, _) = columns(&mut db, table).await;
        let said = all.iter().filter(|(c, _)| !SAYS_NOTHING.contains(&(table, c.as_str())));
        let line = said.map(|(c, _)| format!("quote({c})")).collect::<Vec<_>>().join(" || ',' || ");
        let rows = format!("SELECT {line} FROM {table} ORDER BY 1");
        for row in sqlx::query_scalar::<_, String>(sqlx::AssertSqlSafe(rows)).fetch_all(&mut db).await.ok()? {
            out.push_str(&row);
            out.push('\n');
        }
    }
    Some(out)
}

#[tokio::test]
async fn a_value_changed_in_any_column_is_named() {
    let kept = Kept::new().await;
    let mut random = Seeded::new(0x7a3b);
    let (mut changed, mut missed) = (0, Vec::new());
    for (table, named) in TABLES {
        let (all, _) = columns(&mut kept.open().await, table).await;
        for (column, kind) in &all {
            if SAYS_NOTHING.contains(&(table, column.as_str())) {
                continue;
            }
            let mut db = kept.open().await;
            let named = change(&mut db, (table, named), (column, kind), &mut random).await;
            sqlx::Connection::close(db).await.expect("the change is kept");
            if let Some(named) = named {
                let checked = server::check(&kept.data());
                changed += 1;
                if checked.sound || !named.iter().any(|n| checked.said.contains(n.as_str())) {
                    missed.push(format!("{table}.{column} wants one of {named:?}:\n{}", checked.said));
                }
            }
            kept.put_back();
        }
    }
    println!("{changed} values changed, {} not named", missed.len());
    assert!(missed.is_empty(), "{}", missed.join("\n"));
    assert!(changed > 45, "{changed}");
}

#[tokio::test]
async fn a_byte_changed_anywhere_in_the_database_is_found_or_says_nothing() {
    let kept = Kept::new().await;
    let before = dump(&kept).await.expect("a database that reads");
    let mut random = Seeded::new(0x7a3c);
    let tries = if tests::long() { 1_000 } else { 24 };
    let mut found = 0;
    for _ in 0..tries {
        let mut bytes = kept.database.clone();
        let at = flip(&mut bytes, &mut random);
        kept.put_back();
        std::fs::write(kept.file(), &bytes).expect("the changed database");
        let checked = server::check(&kept.data());
        if checked.sound {
            assert_eq!(dump(&kept).await.as_deref(), Some(before.as_str()), "byte {at} was changed and not found");
        } else {
            found += 1;
        }
    }
    println!("{tries} bytes changed in the file, {found} found, the others in places that say nothing");
    assert!(found > 0);
}

#[tokio::test]
async fn a_changed_original_or_checkpoint_is_named() {
    let kept = Kept::new().await;
    let mut random = Seeded::new(0x7a3d);
    let shop = kept.data().join("shops").join(&kept.shop);
    let mut cases: Vec<(PathBuf, String)> = Vec::new();
    for hex in &kept.files {
        cases.push((shop.join("originals").join(&hex[..2]).join(hex), format!("original sha256:{hex}")));
    }
    let sizes =
        std::fs::read_dir(shop.join("checkpoints/1")).expect("checkpoints").map(|e| e.expect("a name").file_name());
    let mut sizes: Vec<String> = sizes.map(|n| n.to_string_lossy().into_owned()).collect();
    sizes.sort();
    for size in sizes.iter().step_by(9) {
        cases.push((shop.join("checkpoints/1").join(size), format!("checkpoint 1/{size}")));
    }
    cases.push((shop.join("checkpoints/newest"), "the checkpoint published beside the originals".into()));
    println!("{} files, {} of them checkpoints", cases.len(), cases.len() - kept.files.len());
    for (path, named) in &cases {
        let before = std::fs::read(path).expect("a file");
        let mut bytes = before.clone();
        flip(&mut bytes, &mut random);
        std::fs::write(path, &bytes).expect("the changed file");
        says(&kept.data(), named);
        std::fs::write(path, &before).expect("the file is put back");
    }
    let (gone, named) = &cases[0];
    std::fs::remove_file(gone).expect("an original is taken away");
    says(&kept.data(), named);
}

fn says(data: &Path, named: &str) {
    let checked = server::check(data);
    assert!(!checked.sound && checked.said.contains(named), "{named} is not named: {}", checked.said);
}
