//! SQLite: one file in the data folder, WAL, every commit synced.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::time::Duration;

use sqlx::any::{AnyConnectOptions, AnyPoolOptions};
use sqlx::{Executor, Row};

use super::{For, Pool, mark};
use crate::ledger::load::broken;
use crate::ledger::start::StartError;
use crate::originals::sync_folder;

/// Takes the write lock at once.
pub(super) const WRITING: &str = "BEGIN IMMEDIATE";

/// As long as `busy_timeout`.
const WAIT: Duration = Duration::from_secs(10);

/// What every connection says first. WAL holds for the file, the others for the connection. What is deleted is overwritten: a
/// person's name is.
const SETTINGS: &str = "PRAGMA busy_timeout = 10000; PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL; PRAGMA foreign_keys = ON; \
     PRAGMA secure_delete = ON;";

/// The database's file.
pub(super) fn file(data: &Path) -> PathBuf {
    data.join("counterfoil.db")
}

/// Opens it, made where it is not there.
pub(super) async fn open(data: &Path, what: For) -> Result<Pool, StartError> {
    let held = if what == For::Move { None } else { Some(mark::share(data)?) };
    let options = address(&file(data))?;
    let pool = pool(6)
        .after_connect(move |db, _| {
            // The folder's lock is shared for as long as there is a pool.
            let _held = &held;
            Box::pin(async move { db.execute(SETTINGS).await.map(|_| ()) })
        })
        .connect_with(options)
        .await?;
    sqlx::migrate!("../schema/migrations/sqlite").run(&pool).await?;
    sync_folder(data).map_err(|e| StartError::Io("the data folder cannot be synced".into(), e))?;
    mark::heed(&pool, what).await?;
    Ok(pool)
}

/// One connection more to the same file; connected when it is first used. Who holds it holds the write lock, so waiting for either
/// ends after the same time.
pub(super) fn writer(of: &Pool) -> Pool {
    let options = of.connect_options();
    if options.database_url.as_str().contains(":memory:") {
        // Another connection would be another database.
        return of.clone();
    }
    pool(1)
        .acquire_timeout(WAIT)
        .idle_timeout(None)
        .max_lifetime(None)
        .after_connect(|db, _| Box::pin(async move { db.execute(SETTINGS).await.map(|_| ()) }))
        .connect_lazy_with((*options).clone())
}

/// A file that is filled once, by one connection, and counts for nothing until it was synced and renamed: no journal.
pub(super) async fn fresh(path: &Path) -> Result<Pool, StartError> {
    const ONCE: &str = "PRAGMA journal_mode = OFF; PRAGMA synchronous = OFF; PRAGMA foreign_keys = ON;";
    let pool = pool(1)
        .after_connect(|db, _| Box::pin(async move { db.execute(ONCE).await.map(|_| ()) }))
        .connect_with(address(path)?)
        .await?;
    sqlx::migrate!("../schema/migrations/sqlite").run(&pool).await?;
    Ok(pool)
}

fn address(file: &Path) -> Result<AnyConnectOptions, StartError> {
    let path = std::path::absolute(file).map_err(|e| StartError::Io("the data folder".into(), e))?;
    let path = path.to_str().ok_or_else(|| StartError::Stop("the data folder's name is not UTF-8".into()))?;
    Ok(format!("sqlite://{}?mode=rwc", escaped(path)).parse()?)
}

fn pool(connections: u32) -> AnyPoolOptions {
    // A file does not go away as a server does: a connection is not asked first whether it still stands.
    AnyPoolOptions::new().max_connections(connections).test_before_acquire(false)
}

/// One in memory, for the tests of a single process.
#[cfg(test)]
pub(super) async fn in_memory() -> Pool {
    sqlx::any::install_default_drivers();
    let pool = pool(1)
        .after_connect(|db, _| Box::pin(async move { db.execute(SETTINGS).await.map(|_| ()) }))
        .idle_timeout(None)
        .max_lifetime(None)
        .connect("sqlite::memory:")
        .await
        .expect("a database");
    sqlx::migrate!("../schema/migrations/sqlite").run(&pool).await.expect("migrations");
    pool
}

/// A path as a URL has it: everything but letters, digits and `/._-` as `%XX`.
fn escaped(path: &str) -> String {
    let plain = |b: u8| b.is_ascii_alphanumeric() || b"/._-".contains(&b);
    path.bytes().map(|b| if plain(b) { char::from(b).to_string() } else { format!("%{b:02X}") }).collect()
}

/// What `integrity_check` and `foreign_key_check` find.
pub(super) async fn faults(pool: &Pool) -> Vec<String> {
    let mut faults = Vec::new();
    match sqlx::query("PRAGMA foreign_key_check").fetch_all(pool).await {
        Ok(rows) => {
            let tables: BTreeSet<String> = rows.iter().filter_map(|r| r.try_get("table").ok()).collect();
            faults.extend(tables.iter().map(|t| format!("table {t}: rows belong to nothing that is there")));
        }
        Err(e) => faults.push(format!("the database cannot be read whole: {e}")),
    }
    match sqlx::query_scalar::<_, String>("PRAGMA integrity_check(20)").fetch_all(pool).await {
        Ok(said) => faults.extend(said.into_iter().filter(|s| s != "ok").map(|s| format!("the database: {s}"))),
        Err(e) => faults.push(format!("the database cannot be read whole: {e}")),
    }
    faults
}

/// How often a scrub is tried while readers stand in its way; each try waits as long as the database does.
const TRIES: usize = 3;

/// Writes the database's file anew from what is in its tables, and empties the write-ahead log. Deleted rows are overwritten at
/// once (`secure_delete`), but a page that was split earlier may still hold a copy of a row in its unused part, and the
/// write-ahead log holds pages as they were.
pub(super) async fn scrub(pool: &Pool) -> Result<(), sqlx::Error> {
    let mut db = pool.acquire().await?;
    let mut last = None;
    for _ in 0..TRIES {
        match sqlx::query("VACUUM").execute(&mut *db).await {
            Ok(_) => {}
            Err(e) => {
                last = Some(e);
                continue;
            }
        }
        let done: (i64, i64, i64) = sqlx::query_as("PRAGMA wal_checkpoint(TRUNCATE)").fetch_one(&mut *db).await?;
        if done.0 == 0 {
            return Ok(());
        }
        last = Some(broken("somebody still reads an older state of the database"));
    }
    Err(last.unwrap_or_else(|| broken("the database's files could not be written anew")))
}

/// SQLITE_BUSY is 5 and SQLITE_LOCKED 6 in the low byte of the extended code (sqlite.org/rescode.html).
pub(super) fn busy(code: &str) -> bool {
    code.len() < 5 && code.parse::<i32>().is_ok_and(|c| matches!(c & 0xff, 5 | 6))
}

#[cfg(test)]
mod tests {
    use super::{busy, escaped};

    #[test]
    fn a_folder_with_any_name_is_opened() {
        assert_eq!(escaped("/shop data/é?#%/x.db"), "/shop%20data/%C3%A9%3F%23%25/x.db");
    }

    #[test]
    fn busy_is_told_from_broken() {
        assert!(busy("5") && busy("6") && busy("517"), "SQLITE_BUSY_SNAPSHOT too");
        assert!(!busy("11") && !busy("53300"), "corrupt, and another database's code");
    }
}
