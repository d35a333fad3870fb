//! Erasing disclosures: within the transaction of the entry that says so, and after it what deleted rows leave in the
//! database's files.

use evidence::entry::Entry;
use sqlx::Row as _;
use uuid::Uuid;

use super::load::{self, broken};
use crate::database::{Connection, Pool, Row};
use crate::intake::body::Body;
use crate::intake::erasure::CustomerErased;

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
pub async fn forget(db: &mut Connection, shop: Uuid, intake: Uuid, upto: u64, index: u64) -> Result<(), sqlx::Error> {
    sqlx::query("DELETE FROM disclosure WHERE shop = $1 AND intake = $2 AND idx <= $3")
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
pub async fn mark(db: &mut Connection, shop: Uuid, index: u64) -> Result<(), sqlx::Error> {
    sqlx::query("INSERT INTO erasing (shop, idx) VALUES ($1, $2) ON CONFLICT DO NOTHING")
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
pub async fn unfinished(pool: &Pool) -> Result<Vec<(String, i64)>, sqlx::Error> {
    sqlx::query_as("SELECT shop, idx FROM erasing ORDER BY shop, idx").fetch_all(pool).await
}

/// Takes these off the list: nothing of them is left.
///
/// # Errors
/// The database's.
pub async fn finished(pool: &Pool, done: &[(String, i64)]) -> Result<(), sqlx::Error> {
    for (shop, index) in done {
        sqlx::query("DELETE FROM erasing WHERE shop = $1 AND idx = $2")
            .bind(shop.clone())
            .bind(*index)
            .execute(pool)
            .await?;
    }
    Ok(())
}

/// Erasures of a shop after a log index, in order; of one intake where it is named.
///
/// # Errors
/// The database's, or a broken entry.
pub async fn said(
    db: &mut Connection,
    shop: Uuid,
    intake: Option<Uuid>,
    after: Option<u64>,
    limit: u32,
) -> Result<Vec<Said>, sqlx::Error> {
    let rows = sqlx::query(
        "SELECT idx, bytes FROM entry WHERE shop = $1 AND type = 'customer-erased' AND idx > $2 AND ($3 IS NULL OR intake = $3)
         ORDER BY idx LIMIT $4",
    )
    .bind(shop.to_string())
    .bind(after.map_or(-1, |a| i64::try_from(a).unwrap_or(i64::MAX)))
    .bind(intake.map(|i| i.to_string()))
    .bind(i64::from(limit))
    .fetch_all(db)
    .await?;
    rows.iter().map(one).collect()
}

fn one(row: &Row) -> Result<Said, sqlx::Error> {
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
pub async fn bound(db: &mut Connection, shop: Uuid, intake: Uuid, upto: u64) -> Result<Vec<String>, sqlx::Error> {
    let all: Vec<Vec<u8>> =
        sqlx::query_scalar("SELECT bytes FROM entry WHERE shop = $1 AND intake = $2 AND idx <= $3 ORDER BY idx")
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
