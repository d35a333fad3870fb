//! Erasing disclosures: within the transaction of the entry that says so, and after it what deleted rows leave in the
//! database's files.

use evidence::entry::Entry;
use sqlx::{Row, SqliteConnection, SqlitePool};
use uuid::Uuid;

use super::load::{self, broken};
use crate::intake::body::Body;
use crate::intake::erasure::CustomerErased;

/// How often a scrub is tried while readers stand in its way; each try waits as long as the database does.
const TRIES: usize = 3;

/// One erasure as the log has it.
#[derive(Clone, Debug)]
pub struct Said {
    /// Log index.
    pub index: u64,
    /// The intake.
    pub intake: Uuid,
    /// The entry.
    pub entry: Entry,
    /// What it says.
    pub body: CustomerErased,
}

/// Deletes the disclosures of an intake up to a log index and notes that their traces are to be taken away.
///
/// # Errors
/// The database's.
pub async fn forget(
    db: &mut SqliteConnection,
    shop: Uuid,
    intake: Uuid,
    upto: u64,
    index: u64,
) -> Result<(), sqlx::Error> {
    sqlx::query("DELETE FROM disclosure WHERE shop = ? AND intake = ? AND idx <= ?")
        .bind(shop.to_string())
        .bind(intake.to_string())
        .bind(i64::try_from(upto).map_err(|e| broken(e.to_string()))?)
        .execute(&mut *db)
        .await?;
    mark(db, shop, index).await
}

/// Notes that traces are to be taken away.
///
/// # Errors
/// The database's.
pub async fn mark(db: &mut SqliteConnection, shop: Uuid, index: u64) -> Result<(), sqlx::Error> {
    sqlx::query("INSERT INTO erasing (shop, idx) VALUES (?, ?) ON CONFLICT DO NOTHING")
        .bind(shop.to_string())
        .bind(i64::try_from(index).map_err(|e| broken(e.to_string()))?)
        .execute(db)
        .await?;
    Ok(())
}

/// Erasures of which traces are still to be taken away: shop and log index.
///
/// # Errors
/// The database's.
pub async fn unfinished(pool: &SqlitePool) -> Result<Vec<(String, i64)>, sqlx::Error> {
    sqlx::query_as("SELECT shop, idx FROM erasing ORDER BY shop, idx").fetch_all(pool).await
}

/// Takes these off the list: nothing of them is left.
///
/// # Errors
/// The database's.
pub async fn finished(pool: &SqlitePool, done: &[(String, i64)]) -> Result<(), sqlx::Error> {
    for (shop, index) in done {
        sqlx::query("DELETE FROM erasing WHERE shop = ? AND idx = ?").bind(shop).bind(index).execute(pool).await?;
    }
    Ok(())
}

/// Writes the database's file anew from what is in its tables, and empties the write-ahead log. Deleted rows are overwritten at
/// once (`secure_delete`), but a page that was split earlier may still hold a copy of a row in its unused part, and the
/// write-ahead log holds pages as they were. Writers wait meanwhile.
///
/// # Errors
/// The database's; a reader that does not end.
pub async fn scrub(pool: &SqlitePool) -> Result<(), sqlx::Error> {
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

/// Erasures of a shop after a log index, in order; of one intake where it is named.
///
/// # Errors
/// The database's, or a broken entry.
pub async fn said(
    db: &mut SqliteConnection,
    shop: Uuid,
    intake: Option<Uuid>,
    after: Option<u64>,
    limit: u32,
) -> Result<Vec<Said>, sqlx::Error> {
    let rows = sqlx::query(
        "SELECT idx, bytes FROM entry WHERE shop = ?1 AND type = 'customer-erased' AND idx > ?2 AND (?3 IS NULL OR intake = ?3)
         ORDER BY idx LIMIT ?4",
    )
    .bind(shop.to_string())
    .bind(after.map_or(-1, |a| i64::try_from(a).unwrap_or(i64::MAX)))
    .bind(intake.map(|i| i.to_string()))
    .bind(i64::from(limit))
    .fetch_all(db)
    .await?;
    rows.iter().map(one).collect()
}

fn one(row: &sqlx::sqlite::SqliteRow) -> Result<Said, sqlx::Error> {
    let index = load::number(row, "idx")?;
    let entry = Entry::parse(&row.try_get::<Vec<u8>, _>("bytes")?).map_err(|e| broken(e.to_string()))?;
    let body = match Body::parse(&entry.said.kind, entry.said.v, &entry.said.body) {
        Some(Ok(Body::CustomerErased(body))) => *body,
        _ => return Err(broken(format!("entry {index}: an erasure that is not understood"))),
    };
    let intake = entry.said.intake.ok_or_else(|| broken(format!("entry {index}: an erasure of no intake")))?;
    Ok(Said { index, intake, entry, body })
}

/// The digests of everything personal that entries of an intake bind, up to a log index.
///
/// # Errors
/// The database's, or a broken entry.
pub async fn bound(db: &mut SqliteConnection, shop: Uuid, intake: Uuid, upto: u64) -> Result<Vec<String>, sqlx::Error> {
    let all: Vec<Vec<u8>> =
        sqlx::query_scalar("SELECT bytes FROM entry WHERE shop = ? AND intake = ? AND idx <= ? ORDER BY idx")
            .bind(shop.to_string())
            .bind(intake.to_string())
            .bind(i64::try_from(upto).unwrap_or(i64::MAX))
            .fetch_all(db)
            .await?;
    let mut out = Vec::new();
    for bytes in all {
        let entry = Entry::parse(&bytes).map_err(|e| broken(e.to_string()))?;
        let list = entry.said.body.get("_sd").and_then(|v| v.as_array()).cloned().unwrap_or_default();
        out.extend(list.iter().filter_map(|d| d.as_str().map(str::to_owned)));
    }
    Ok(out)
}
