//! Originals are read again, a share each day, so that all are within so many days: a disk that forgets is noticed while a backup
//! still has what it lost. What is not what it is called is listed, logged and counted, until it is right again.

use evidence::digest::Digest;
use sqlx::Row as _;
use uuid::Uuid;

use crate::database;
use crate::edge::Millis;
use crate::ledger::Ledger;
use crate::ledger::load::{self, broken};

/// A day, in milliseconds.
pub const DAY: Millis = 24 * 3_600_000;
/// Files read between two notes of how far it is.
const GROUP: i64 = 16;
/// What is an original that should be there.
const LIVE: &str =
    "FROM named_file WHERE shop = $1 AND held_idx IS NOT NULL AND moved_idx IS NULL AND erased_idx IS NULL";

/// An original that is not what it is called.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Broken {
    /// Its name.
    pub file: Digest,
    /// `changed` or `missing`.
    pub what: String,
    /// When it was first found so, milliseconds since 1970.
    pub since: Millis,
    /// The tags of the intakes that have it.
    pub tags: Vec<String>,
}

/// What was read.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Slice {
    /// Originals.
    pub read: u64,
    /// Those of them that are not what they are called.
    pub broken: u64,
}

/// Reads what is due by now when all are to be read within `days`.
///
/// # Errors
/// The database's. What was read stays noted.
pub async fn slice(ledger: &Ledger, shop: Uuid, days: u32) -> Result<Slice, sqlx::Error> {
    let mut out = Slice::default();
    reckon(ledger, shop, days).await?;
    while let Some(done) = group(ledger, shop).await? {
        out.read += done.read;
        out.broken += done.broken;
    }
    if out.read > 0 {
        tracing::info!(%shop, read = out.read, broken = out.broken, "originals were read again");
    }
    Ok(out)
}

/// Adds what the time since the last reckoning makes due. One process after the other.
async fn reckon(ledger: &Ledger, shop: Uuid, days: u32) -> Result<(), sqlx::Error> {
    let now = ledger.clock().now();
    let round = i64::from(days.max(1)) * DAY;
    let mut tx = database::writing(ledger.pool(), &format!("rehash {shop}")).await?;
    let live = format!("SELECT count(DISTINCT file) {LIVE}");
    let all: i64 = sqlx::query_scalar(sqlx::AssertSqlSafe(live)).bind(shop.to_string()).fetch_one(&mut *tx).await?;
    let before = sqlx::query("SELECT due, at FROM rehash WHERE shop = $1")
        .bind(shop.to_string())
        .fetch_optional(&mut *tx)
        .await?;
    let (due, at) = match &before {
        Some(row) => (row.try_get::<i64, _>("due")?, row.try_get::<i64, _>("at")?),
        None => (0, now.saturating_sub(DAY)),
    };
    let share = share(all, now.saturating_sub(at), round);
    // Until it makes a whole file due, the time runs on; a clock that was set back begins anew.
    let at = if share == 0 && before.is_some() && at <= now { at } else { now };
    sqlx::query(
        "INSERT INTO rehash (shop, due, at, was_read) VALUES ($1, $2, $3, 0) ON CONFLICT (shop) DO UPDATE SET due = excluded.due, at = excluded.at",
    )
    .bind(shop.to_string())
    .bind((due + share).min(all))
    .bind(at)
    .execute(&mut *tx)
    .await?;
    // What nothing names any more is broken for nobody.
    let stale = format!("DELETE FROM broken_file WHERE shop = $1 AND file NOT IN (SELECT file {LIVE})");
    sqlx::query(sqlx::AssertSqlSafe(stale)).bind(shop.to_string()).execute(&mut *tx).await?;
    tx.commit().await
}

/// How many of `all` are due after `passed` of a `round`: never fewer than it takes, never more than all.
fn share(all: i64, passed: Millis, round: Millis) -> i64 {
    let passed = i128::from(passed.clamp(0, round));
    let exact = i128::from(all) * passed;
    i64::try_from((exact + i128::from(round) - 1) / i128::from(round)).unwrap_or(all).min(all)
}

/// Reads the next few; `None`: nothing is due.
async fn group(ledger: &Ledger, shop: Uuid) -> Result<Option<Slice>, sqlx::Error> {
    let row = sqlx::query("SELECT after, due FROM rehash WHERE shop = $1")
        .bind(shop.to_string())
        .fetch_one(ledger.pool())
        .await?;
    let after: Option<Vec<u8>> = row.try_get("after")?;
    let due: i64 = row.try_get("due")?;
    if due <= 0 {
        return Ok(None);
    }
    let next = format!("SELECT DISTINCT file {LIVE} AND file > $2 ORDER BY file LIMIT $3");
    let files = sqlx::query(sqlx::AssertSqlSafe(next))
        .bind(shop.to_string())
        .bind(after.clone().unwrap_or_default())
        .bind(due.min(GROUP))
        .fetch_all(ledger.pool())
        .await?;
    let files: Vec<Digest> = files.iter().map(|r| load::hash(r, "file").map(Digest)).collect::<Result<_, _>>()?;
    let ends = (files.len() as i64) < due.min(GROUP);
    let originals = ledger.originals().clone();
    let read = files.clone();
    let work = move || read.iter().map(|file| told(originals.rehash(shop, file), file)).collect::<Vec<_>>();
    let said = tokio::task::spawn_blocking(work).await.map_err(|e| broken(e.to_string()))?;
    // A disk that does not answer says nothing of a file: it is read again later.
    if let Some(Err(e)) = said.iter().find(|s| s.is_err()) {
        return Err(sqlx::Error::Io(std::io::Error::other(e.to_string())));
    }
    let mut out = Slice { read: files.len() as u64, broken: 0 };
    let now = ledger.clock().now();
    let mut tx = database::writing(ledger.pool(), &format!("rehash {shop}")).await?;
    // Another process may have read the same: then it is noted already.
    let last = if ends { None } else { files.last().map(|f| f.0.to_vec()) };
    let moved = sqlx::query(
        "UPDATE rehash SET after = $1, due = CASE WHEN $2 = 1 AND $3 = 0 AND after IS NULL THEN 0 ELSE due - $3 END, was_read = was_read + $3,
           round_at = CASE WHEN $2 = 1 THEN $4 ELSE round_at END WHERE shop = $5 AND after IS NOT DISTINCT FROM $6 AND due = $7",
    )
    .bind(last)
    .bind(i64::from(ends))
    .bind(files.len() as i64)
    .bind(now)
    .bind(shop.to_string())
    .bind(after.clone())
    .bind(due)
    .execute(&mut *tx)
    .await?;
    if moved.rows_affected() == 0 {
        return Ok(Some(Slice::default()));
    }
    for (file, what) in files.iter().zip(said.into_iter().flatten()) {
        match what {
            None => {
                sqlx::query("DELETE FROM broken_file WHERE shop = $1 AND file = $2")
                    .bind(shop.to_string())
                    .bind(file.0.to_vec())
                    .execute(&mut *tx)
                    .await?;
            }
            Some(what) => {
                // Erased while it was read, it is missing to nobody.
                let live = format!("SELECT count(*) {LIVE} AND file = $2");
                let live: i64 = sqlx::query_scalar(sqlx::AssertSqlSafe(live))
                    .bind(shop.to_string())
                    .bind(file.0.to_vec())
                    .fetch_one(&mut *tx)
                    .await?;
                if live == 0 {
                    continue;
                }
                out.broken += 1;
                tracing::error!(%shop, %file, what, "an original is not what it was; a backup may have it");
                sqlx::query("INSERT INTO broken_file (shop, file, what, found_at) VALUES ($1, $2, $3, $4) ON CONFLICT (shop, file) DO UPDATE SET what = excluded.what")
                    .bind(shop.to_string())
                    .bind(file.0.to_vec())
                    .bind(what)
                    .bind(now)
                    .execute(&mut *tx)
                    .await?;
            }
        }
    }
    tx.commit().await?;
    Ok(Some(out))
}

/// What a reading says of a file: right, wrong, or nothing.
fn told(read: std::io::Result<Digest>, file: &Digest) -> std::io::Result<Option<&'static str>> {
    match read {
        Ok(digest) if digest == *file => Ok(None),
        Ok(_) => Ok(Some("changed")),
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => Ok(Some("missing")),
        // EIO: the disk itself says that it lost these bytes.
        Err(e) if e.raw_os_error() == Some(5) => Ok(Some("changed")),
        Err(e) => Err(e),
    }
}

/// The originals of a shop that are not what they are called, the longest known first.
///
/// # Errors
/// The database's.
pub async fn broken_list(ledger: &Ledger, shop: Uuid) -> Result<Vec<Broken>, sqlx::Error> {
    let rows = sqlx::query("SELECT file, what, found_at FROM broken_file WHERE shop = $1 ORDER BY found_at, file")
        .bind(shop.to_string())
        .fetch_all(ledger.pool())
        .await?;
    let mut out = Vec::new();
    for row in &rows {
        let file = Digest(load::hash(row, "file")?);
        let tags = sqlx::query_scalar(
            "SELECT DISTINCT i.tag FROM named_file f JOIN intake i ON i.shop = f.shop AND i.id = f.intake
             WHERE f.shop = $1 AND f.file = $2 AND f.moved_idx IS NULL AND f.erased_idx IS NULL ORDER BY i.tag",
        )
        .bind(shop.to_string())
        .bind(file.0.to_vec())
        .fetch_all(ledger.pool())
        .await?;
        out.push(Broken { file, what: row.try_get("what")?, since: row.try_get("found_at")?, tags });
    }
    Ok(out)
}

/// How many originals were read again, ever, and when all had been last.
///
/// # Errors
/// The database's.
pub async fn far(ledger: &Ledger, shop: Uuid) -> Result<(i64, Option<Millis>), sqlx::Error> {
    let row = sqlx::query("SELECT was_read, round_at FROM rehash WHERE shop = $1")
        .bind(shop.to_string())
        .fetch_optional(ledger.pool())
        .await?;
    row.map_or(Ok((0, None)), |r| Ok((r.try_get("was_read")?, r.try_get("round_at")?)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_share_a_day_reads_all_within_the_round() {
        for (all, days) in [(0, 30), (1, 30), (29, 30), (1_000_000, 30), (7, 1)] {
            let mut read = 0;
            (0..days).for_each(|_| read += share(all, DAY, days * DAY));
            assert!(read >= all, "{read} of {all} in {days} days");
            assert!(share(all, DAY, days * DAY) <= all / days + 1);
            assert_eq!(share(all, 400 * DAY, days * DAY), all, "after a long stop all of it, once");
            assert_eq!(share(all, -5, days * DAY), 0, "a clock that was set back");
        }
    }
}
