//! Capability links.

use sqlx::{Error, Row};
use uuid::Uuid;

use super::{Store, unsaid, uuid};
use crate::access::log::ServerEntry;
use crate::access::secrets::Digest;
use crate::database;
use crate::edge::Millis;

/// One link. Its secret is not in here: nobody can read it again.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct LinkRow {
    pub shop: Uuid,
    pub link: Uuid,
    pub intake: Uuid,
    pub what: String,
    pub made_by: Uuid,
    pub made_at: Millis,
    pub expires_at: Millis,
    pub revoked_at: Option<Millis>,
    pub opened: i64,
    pub opened_at: Option<Millis>,
}

impl Store {
    /// Keeps a link.
    pub async fn keep_link(&self, l: &LinkRow, secret: &Digest) -> Result<(), Error> {
        sqlx::query(
            "INSERT INTO links (shop, link, secret, intake, what, made_by, made_at, expires_at)
             VALUES ($1, $2, $3, $4, $5, $6, $7, $8)",
        )
        .bind(l.shop.to_string())
        .bind(l.link.to_string())
        .bind(secret.as_slice())
        .bind(l.intake.to_string())
        .bind(&l.what)
        .bind(l.made_by.to_string())
        .bind(l.made_at)
        .bind(l.expires_at)
        .execute(&self.pool)
        .await?;
        Ok(())
    }

    /// Whether it is an intake of this shop.
    pub async fn has_intake(&self, shop: Uuid, intake: Uuid) -> Result<bool, Error> {
        let row = sqlx::query("SELECT 1 FROM intake WHERE shop = $1 AND id = $2")
            .bind(shop.to_string())
            .bind(intake.to_string())
            .fetch_optional(&self.pool)
            .await?;
        Ok(row.is_some())
    }

    /// The links of an intake, newest first, at most 200.
    pub async fn links(&self, shop: Uuid, intake: Uuid) -> Result<Vec<LinkRow>, Error> {
        let rows =
            sqlx::query("SELECT shop, link, intake, what, made_by, made_at, expires_at, revoked_at, opened, opened_at FROM links WHERE shop = $1 AND intake = $2 ORDER BY made_at DESC, link LIMIT 200")
                .bind(shop.to_string())
                .bind(intake.to_string())
                .fetch_all(&self.pool)
                .await?;
        rows.iter().map(read).collect()
    }

    /// One link of a shop.
    pub async fn link(&self, shop: Uuid, link: Uuid) -> Result<Option<LinkRow>, Error> {
        let row = sqlx::query("SELECT shop, link, intake, what, made_by, made_at, expires_at, revoked_at, opened, opened_at FROM links WHERE shop = $1 AND link = $2")
            .bind(shop.to_string())
            .bind(link.to_string())
            .fetch_optional(&self.pool)
            .await?;
        row.as_ref().map(read).transpose()
    }

    /// Opens a link: counts it and gives it. None: no such link, run out, or revoked.
    pub async fn open_link(&self, secret: &Digest, now: Millis) -> Result<Option<LinkRow>, Error> {
        let row = sqlx::query(
            "UPDATE links SET opened = opened + 1, opened_at = $2
             WHERE secret = $1 AND revoked_at IS NULL AND expires_at > $2 
             RETURNING shop, link, intake, what, made_by, made_at, expires_at, revoked_at, opened, opened_at",
        )
        .bind(secret.as_slice())
        .bind(now)
        .fetch_optional(&self.pool)
        .await?;
        row.as_ref().map(read).transpose()
    }

    /// Revokes a link and keeps what is to be said of it. False: revoked already.
    pub async fn revoke_link(&self, shop: Uuid, link: Uuid, now: Millis, say: &ServerEntry) -> Result<bool, Error> {
        let mut tx = self.write().await?;
        let done = sqlx::query("UPDATE links SET revoked_at = $3 WHERE shop = $1 AND link = $2 AND revoked_at IS NULL")
            .bind(shop.to_string())
            .bind(link.to_string())
            .bind(now)
            .execute(&mut *tx)
            .await?;
        if done.rows_affected() == 0 {
            return Ok(false);
        }
        unsaid::keep(&mut tx, shop, say).await?;
        tx.commit().await?;
        Ok(true)
    }
}

fn read(row: &database::Row) -> Result<LinkRow, Error> {
    Ok(LinkRow {
        shop: uuid(row, "shop")?,
        link: uuid(row, "link")?,
        intake: uuid(row, "intake")?,
        what: row.try_get("what")?,
        made_by: uuid(row, "made_by")?,
        made_at: row.try_get("made_at")?,
        expires_at: row.try_get("expires_at")?,
        revoked_at: row.try_get("revoked_at")?,
        opened: row.try_get("opened")?,
        opened_at: row.try_get("opened_at")?,
    })
}
