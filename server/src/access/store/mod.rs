//! The tables of access: whole uses, not rows. All SQL of access is here.

mod links;
mod pairings;
mod second;
mod sessions;
mod staff;
mod tokens;
mod tries;
mod unsaid;

pub(crate) use links::LinkRow;
pub(crate) use pairings::PairingRow;
pub(crate) use second::SecondRow;
pub(crate) use sessions::{Arrival, Key, SessionRow, Since};
pub(crate) use staff::{Changed, StaffRow};
pub(crate) use tokens::Refreshed;
pub(crate) use tries::Pace;

use sqlx::{Error, Row};
use uuid::Uuid;

use super::secrets::Digest;
use crate::database;
use crate::edge::Millis;

/// Access's tables.
#[derive(Clone)]
pub(crate) struct Store {
    pool: database::Pool,
}

impl Store {
    /// Over a pool whose migrations have run.
    pub fn new(pool: database::Pool) -> Self {
        Store { pool }
    }

    /// A transaction that has the write lock from its start, so that what it read still holds when it writes.
    async fn write(&self) -> Result<database::Transaction, Error> {
        database::writing(&self.pool, "access").await
    }

    /// Keeps other processes out until it is dropped.
    pub async fn alone(&self, key: &str) -> Result<Option<database::Transaction>, Error> {
        database::alone(&self.pool, key).await
    }

    /// Keeps a set-up token; the newest one counts. `until` makes it one for a further shop.
    pub async fn keep_set_up(&self, secret: &Digest, now: Millis, until: Option<Millis>) -> Result<(), Error> {
        sqlx::query(
            "INSERT INTO set_up (one, secret, made_at, until) VALUES (1, $1, $2, $3)
             ON CONFLICT (one) DO UPDATE SET secret = $1, made_at = $2, until = $3, used_at = NULL",
        )
        .bind(secret.as_slice())
        .bind(now)
        .bind(until)
        .execute(&self.pool)
        .await?;
        Ok(())
    }

    /// Whether there is a set-up token that counts.
    pub async fn awaits_set_up(&self, now: Millis) -> Result<bool, Error> {
        let found = sqlx::query(sqlx::AssertSqlSafe(format!("SELECT 1 FROM set_up WHERE {COUNTS}")))
            .bind(now)
            .fetch_optional(&self.pool)
            .await?;
        Ok(found.is_some())
    }

    /// Uses the set-up token up. False: another one, or used already, or over.
    pub async fn use_set_up(&self, secret: &Digest, now: Millis) -> Result<bool, Error> {
        let done =
            sqlx::query(sqlx::AssertSqlSafe(format!("UPDATE set_up SET used_at = $1 WHERE secret = $2 AND {COUNTS}")))
                .bind(now)
                .bind(secret.as_slice())
                .execute(&self.pool)
                .await?;
        Ok(done.rows_affected() == 1)
    }

    /// Gives the set-up token back after a failure, so that it can be tried again.
    pub async fn give_back_set_up(&self, secret: &Digest) -> Result<(), Error> {
        sqlx::query(
            "UPDATE set_up SET used_at = NULL
             WHERE secret = $1 AND (until IS NOT NULL OR NOT EXISTS (SELECT 1 FROM staff))",
        )
        .bind(secret.as_slice())
        .execute(&self.pool)
        .await?;
        Ok(())
    }

    /// Deletes what has been over for a while: nobody can use it any more, and nothing shows it.
    pub async fn forget(&self, sessions_before: Millis, pairings_before: Millis) -> Result<(), Error> {
        let mut tx = self.write().await?;
        sqlx::query("DELETE FROM sessions WHERE made_at < $1").bind(sessions_before).execute(&mut *tx).await?;
        sqlx::query("DELETE FROM token_families WHERE made_at < $1").bind(sessions_before).execute(&mut *tx).await?;
        sqlx::query("DELETE FROM pairings WHERE expires_at < $1").bind(pairings_before).execute(&mut *tx).await?;
        sqlx::query("DELETE FROM second_factors WHERE on_at IS NULL AND made_at < $1")
            .bind(pairings_before)
            .execute(&mut *tx)
            .await?;
        tx.commit().await
    }
}

/// Whether a set-up token counts at `$1`: the first shop's while nobody is there, a further one's for as long as was said.
const COUNTS: &str = "used_at IS NULL AND (until >= $1 OR (until IS NULL AND NOT EXISTS (SELECT 1 FROM staff)))";

/// A UUID column.
fn uuid(row: &database::Row, column: &'static str) -> Result<Uuid, Error> {
    let text: &str = row.try_get(column)?;
    Uuid::parse_str(text).map_err(|e| Error::ColumnDecode { index: column.to_owned(), source: Box::new(e) })
}
