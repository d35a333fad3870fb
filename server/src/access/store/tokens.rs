//! Token families and their refresh tokens.

use sqlx::{Error, Row};
use uuid::Uuid;

use super::sessions::read_session;
use super::{SessionRow, Store, uuid};
use crate::access::secrets::Digest;
use crate::database;
use crate::edge::Millis;

/// What became of a refresh token that was presented.
#[derive(Debug, PartialEq)]
pub(crate) enum Refreshed {
    /// It was used up and the next one is kept.
    Next { family: Uuid, session: SessionRow },
    /// It had been used before: somebody has a copy, so the whole family was ended.
    Reused { shop: Uuid, device: Uuid },
    /// There is none such, it has run out, or the family is over.
    Unknown,
}

/// A family that holds: not ended, its device not revoked, its person active.
const HOLDS: &str =
    "SELECT f.shop, f.staff, f.device, f.made_at, f.made_at AS seen_at, t.name, t.roles, t.password, x.on_at, w.value AS asked_of
     FROM token_families f
     JOIN devices d ON d.shop = f.shop AND d.device = f.device
     JOIN staff t ON t.shop = f.shop AND t.staff = f.staff
     LEFT JOIN second_factors x ON x.shop = f.shop AND x.staff = f.staff
     LEFT JOIN setting w ON w.shop = f.shop AND w.name = 'code-asked-of'
     WHERE f.shop = $1 AND f.family = $2 AND f.ended_at IS NULL AND d.revoked_at IS NULL AND t.active = 1";

impl Store {
    /// The person and device behind a family, if it holds.
    pub async fn family(&self, shop: Uuid, family: Uuid) -> Result<Option<SessionRow>, Error> {
        let row = sqlx::query(HOLDS).bind(shop.to_string()).bind(family.to_string()).fetch_optional(&self.pool).await?;
        row.as_ref().map(read_session).transpose()
    }

    /// Replaces a refresh token by the next one. `token_from` and `family_from` are the earliest making times that have
    /// not run out.
    pub async fn refresh(
        &self,
        old: &Digest,
        next: &Digest,
        now: Millis,
        token_from: Millis,
        family_from: Millis,
    ) -> Result<Refreshed, Error> {
        let mut tx = self.write().await?;
        let found = sqlx::query("SELECT shop, family, made_at, used_at FROM refresh_tokens WHERE secret = $1")
            .bind(old.as_slice())
            .fetch_optional(&mut *tx)
            .await?;
        let Some(row) = found else { return Ok(Refreshed::Unknown) };
        let (shop, family) = (uuid(&row, "shop")?, uuid(&row, "family")?);
        let used: Option<Millis> = row.try_get("used_at")?;
        let made: Millis = row.try_get("made_at")?;
        let holds = sqlx::query(HOLDS).bind(shop.to_string()).bind(family.to_string()).fetch_optional(&mut *tx).await?;
        let Some(session) = holds.as_ref().map(read_session).transpose()? else { return Ok(Refreshed::Unknown) };
        if used.is_some() {
            end(&mut tx, shop, family, now).await?;
            tx.commit().await?;
            return Ok(Refreshed::Reused { shop, device: session.device });
        }
        if made < token_from || session.made_at < family_from {
            return Ok(Refreshed::Unknown);
        }
        sqlx::query("UPDATE refresh_tokens SET used_at = $2 WHERE secret = $1")
            .bind(old.as_slice())
            .bind(now)
            .execute(&mut *tx)
            .await?;
        keep(&mut tx, shop, family, next, now).await?;
        tx.commit().await?;
        Ok(Refreshed::Next { family, session })
    }

    /// Ends the family of a refresh token and gives its shop and device. None: no such token.
    pub async fn end_family_of(&self, secret: &Digest, now: Millis) -> Result<Option<(Uuid, Uuid)>, Error> {
        let mut tx = self.write().await?;
        let found = sqlx::query(
            "SELECT f.shop, f.family, f.device FROM refresh_tokens r
             JOIN token_families f ON f.shop = r.shop AND f.family = r.family WHERE r.secret = $1",
        )
        .bind(secret.as_slice())
        .fetch_optional(&mut *tx)
        .await?;
        let Some(row) = found else { return Ok(None) };
        let shop = uuid(&row, "shop")?;
        end(&mut tx, shop, uuid(&row, "family")?, now).await?;
        tx.commit().await?;
        Ok(Some((shop, uuid(&row, "device")?)))
    }

    /// Ends one family.
    pub async fn end_family(&self, shop: Uuid, family: Uuid, now: Millis) -> Result<(), Error> {
        let mut tx = self.write().await?;
        end(&mut tx, shop, family, now).await?;
        tx.commit().await
    }
}

pub(super) async fn keep(
    tx: &mut database::Transaction,
    shop: Uuid,
    family: Uuid,
    secret: &Digest,
    now: Millis,
) -> Result<(), Error> {
    sqlx::query("INSERT INTO refresh_tokens (secret, shop, family, made_at) VALUES ($1, $2, $3, $4)")
        .bind(secret.as_slice())
        .bind(shop.to_string())
        .bind(family.to_string())
        .bind(now)
        .execute(&mut **tx)
        .await?;
    Ok(())
}

async fn end(tx: &mut database::Transaction, shop: Uuid, family: Uuid, now: Millis) -> Result<(), Error> {
    sqlx::query("UPDATE token_families SET ended_at = $3 WHERE shop = $1 AND family = $2 AND ended_at IS NULL")
        .bind(shop.to_string())
        .bind(family.to_string())
        .bind(now)
        .execute(&mut **tx)
        .await?;
    Ok(())
}
