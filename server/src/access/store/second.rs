//! Second factors and their recovery codes.

use std::collections::HashSet;

use sqlx::{Error, Row};
use uuid::Uuid;

use super::{Store, uuid};
use crate::access::caller::{Caller, Via};
use crate::access::one_time;
use crate::access::secrets::Digest;
use crate::database;
use crate::edge::Millis;

/// Somebody's second factor.
pub(crate) struct SecondRow {
    pub key: one_time::Key,
    pub made_at: Millis,
    /// None: shown, and no code of it given yet.
    pub on_at: Option<Millis>,
    /// The last one whose code was taken.
    pub step: i64,
}

impl Store {
    /// Somebody's second factor, on or only shown.
    pub async fn second(&self, shop: Uuid, staff: Uuid) -> Result<Option<SecondRow>, Error> {
        let row = sqlx::query("SELECT secret, made_at, on_at, step FROM second_factors WHERE shop = $1 AND staff = $2")
            .bind(shop.to_string())
            .bind(staff.to_string())
            .fetch_optional(&self.pool)
            .await?;
        row.map(|r| {
            let key: &[u8] = r.try_get("secret")?;
            let key = key.try_into().map_err(|e| Error::Decode(Box::new(e)))?;
            Ok(SecondRow { key, made_at: r.try_get("made_at")?, on_at: r.try_get("on_at")?, step: r.try_get("step")? })
        })
        .transpose()
    }

    /// Those of a shop who have one that is on.
    pub async fn all_with_second(&self, shop: Uuid) -> Result<HashSet<Uuid>, Error> {
        let rows = sqlx::query("SELECT staff FROM second_factors WHERE shop = $1 AND on_at IS NOT NULL LIMIT 1000")
            .bind(shop.to_string())
            .fetch_all(&self.pool)
            .await?;
        rows.iter().map(|r| uuid(r, "staff")).collect()
    }

    /// Keeps what was shown, instead of what was shown before. False: one is on already.
    pub async fn show_second(&self, shop: Uuid, staff: Uuid, key: &one_time::Key, now: Millis) -> Result<bool, Error> {
        let done = sqlx::query(
            "INSERT INTO second_factors (shop, staff, secret, made_at, step) VALUES ($1, $2, $3, $4, 0)
             ON CONFLICT (shop, staff) DO UPDATE SET secret = $3, made_at = $4 WHERE second_factors.on_at IS NULL",
        )
        .bind(shop.to_string())
        .bind(staff.to_string())
        .bind(key.as_slice())
        .bind(now)
        .execute(&self.pool)
        .await?;
        Ok(done.rows_affected() == 1)
    }

    /// Turns on what was shown, with its first recovery codes. False: another one was shown since, or one is on.
    pub async fn turn_second_on(
        &self,
        caller: &Caller,
        row: &SecondRow,
        step: i64,
        codes: &[Digest],
        now: Millis,
    ) -> Result<bool, Error> {
        let mut tx = self.write().await?;
        let done = sqlx::query(
            "UPDATE second_factors SET on_at = $4, step = $5
             WHERE shop = $1 AND staff = $2 AND secret = $3 AND on_at IS NULL",
        )
        .bind(caller.shop.to_string())
        .bind(caller.staff.to_string())
        .bind(row.key.as_slice())
        .bind(now)
        .bind(step)
        .execute(&mut *tx)
        .await?;
        if done.rows_affected() == 0 {
            return Ok(false);
        }
        keep_codes(&mut tx, caller.shop, caller.staff, codes).await?;
        tx.commit().await?;
        Ok(true)
    }

    /// Uses a step up, in one statement, so that of two who give the same code one is let in. False: it or a later one was used.
    pub async fn use_step(&self, shop: Uuid, staff: Uuid, step: i64) -> Result<bool, Error> {
        let done = sqlx::query(
            "UPDATE second_factors SET step = $3 WHERE shop = $1 AND staff = $2 AND on_at IS NOT NULL AND step < $3",
        )
        .bind(shop.to_string())
        .bind(staff.to_string())
        .bind(step)
        .execute(&self.pool)
        .await?;
        Ok(done.rows_affected() == 1)
    }

    /// Uses a recovery code up. False: there is none such, or it was used.
    pub async fn use_recovery(&self, shop: Uuid, staff: Uuid, code: &Digest, now: Millis) -> Result<bool, Error> {
        let done = sqlx::query(
            "UPDATE recovery_codes SET used_at = $4 WHERE shop = $1 AND staff = $2 AND code = $3 AND used_at IS NULL",
        )
        .bind(shop.to_string())
        .bind(staff.to_string())
        .bind(code.as_slice())
        .bind(now)
        .execute(&self.pool)
        .await?;
        Ok(done.rows_affected() == 1)
    }

    /// How many recovery codes are left.
    pub async fn recovery_left(&self, shop: Uuid, staff: Uuid) -> Result<i64, Error> {
        sqlx::query_scalar("SELECT count(*) FROM recovery_codes WHERE shop = $1 AND staff = $2 AND used_at IS NULL")
            .bind(shop.to_string())
            .bind(staff.to_string())
            .fetch_one(&self.pool)
            .await
    }

    /// Replaces all recovery codes. False: the second factor is gone.
    pub async fn renew_recovery(&self, shop: Uuid, staff: Uuid, codes: &[Digest]) -> Result<bool, Error> {
        let mut tx = self.write().await?;
        let on = sqlx::query("SELECT 1 FROM second_factors WHERE shop = $1 AND staff = $2 AND on_at IS NOT NULL")
            .bind(shop.to_string())
            .bind(staff.to_string())
            .fetch_optional(&mut *tx)
            .await?;
        if on.is_none() {
            return Ok(false);
        }
        sqlx::query("DELETE FROM recovery_codes WHERE shop = $1 AND staff = $2")
            .bind(shop.to_string())
            .bind(staff.to_string())
            .execute(&mut *tx)
            .await?;
        keep_codes(&mut tx, shop, staff, codes).await?;
        tx.commit().await?;
        Ok(true)
    }

    /// Takes somebody's second factor away. False: there was none that was on.
    pub async fn take_second_away(&self, shop: Uuid, staff: Uuid) -> Result<bool, Error> {
        let mut tx = self.write().await?;
        let was_on = take_away(&mut tx, &shop.to_string(), &staff.to_string()).await?;
        tx.commit().await?;
        Ok(was_on)
    }

    /// Ends what else somebody has here: sessions, tokens and codes for phones, but what they call by.
    pub async fn end_others(&self, caller: &Caller, now: Millis) -> Result<(), Error> {
        let mut tx = self.write().await?;
        let (shop, staff) = (caller.shop.to_string(), caller.staff.to_string());
        let (session, family) = match &caller.via {
            Via::Cookie(secret) => (secret.to_vec(), String::new()),
            Via::Token(family) => (Vec::new(), family.to_string()),
        };
        sqlx::query(
            "UPDATE sessions SET ended_at = $4 WHERE shop = $1 AND staff = $2 AND secret <> $3 AND ended_at IS NULL",
        )
        .bind(&shop)
        .bind(&staff)
        .bind(session)
        .bind(now)
        .execute(&mut *tx)
        .await?;
        sqlx::query(
            "UPDATE token_families SET ended_at = $4 WHERE shop = $1 AND staff = $2 AND family <> $3 AND ended_at IS NULL",
        )
        .bind(&shop)
        .bind(&staff)
        .bind(family)
        .bind(now)
        .execute(&mut *tx)
        .await?;
        sqlx::query("UPDATE pairings SET claimed_at = $3 WHERE shop = $1 AND staff = $2 AND claimed_at IS NULL")
            .bind(&shop)
            .bind(&staff)
            .bind(now)
            .execute(&mut *tx)
            .await?;
        tx.commit().await
    }
}

/// Takes it away, on or only shown, with its recovery codes. Whether it was on.
pub(super) async fn take_away(tx: &mut database::Transaction, shop: &str, staff: &str) -> Result<bool, Error> {
    let on = sqlx::query("SELECT 1 FROM second_factors WHERE shop = $1 AND staff = $2 AND on_at IS NOT NULL")
        .bind(shop)
        .bind(staff)
        .fetch_optional(&mut **tx)
        .await?;
    for sql in [
        "DELETE FROM recovery_codes WHERE shop = $1 AND staff = $2",
        "DELETE FROM second_factors WHERE shop = $1 AND staff = $2",
    ] {
        sqlx::query(sql).bind(shop).bind(staff).execute(&mut **tx).await?;
    }
    Ok(on.is_some())
}

async fn keep_codes(tx: &mut database::Transaction, shop: Uuid, staff: Uuid, codes: &[Digest]) -> Result<(), Error> {
    for code in codes {
        sqlx::query("INSERT INTO recovery_codes (shop, staff, code) VALUES ($1, $2, $3)")
            .bind(shop.to_string())
            .bind(staff.to_string())
            .bind(code.as_slice())
            .execute(&mut **tx)
            .await?;
    }
    Ok(())
}
