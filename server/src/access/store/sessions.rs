//! Devices and sessions.

use sqlx::{Error, Row};
use uuid::Uuid;

use super::{Store, unsaid, uuid};
use crate::access::caller::{Caller, Via};
use crate::access::log::ServerEntry;
use crate::access::roles::Roles;
use crate::access::second::AskedOf;
use crate::access::secrets::Digest;
use crate::database;
use crate::edge::Millis;

/// One device.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct DeviceRow {
    pub device: Uuid,
    pub staff: Uuid,
    pub label: String,
    pub made_at: Millis,
    pub revoked_at: Option<Millis>,
}

/// A device in a list.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Listed {
    pub row: DeviceRow,
    /// Whether a session or token family on it holds, by the times that were asked for.
    pub signed_in: bool,
}

/// From when on something counts that has not run out, in milliseconds.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Since {
    /// Sessions used since.
    pub seen: Millis,
    /// Sessions and token families made since.
    pub made: Millis,
    /// Refresh tokens made since.
    pub refreshed: Millis,
}

/// A session or token family that holds: not ended, its device not revoked, its person active.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct SessionRow {
    pub shop: Uuid,
    pub staff: Uuid,
    pub device: Uuid,
    pub name: String,
    pub roles: Roles,
    pub made_at: Millis,
    pub seen_at: Millis,
    /// The shop asks for a second factor that they have not set up.
    pub code_due: bool,
}

/// Somebody who has proved who they are, on a device.
pub(crate) struct Arrival {
    pub shop: Uuid,
    pub staff: Uuid,
    pub device: Uuid,
    /// What a person calls the device.
    pub label: String,
    pub new_device: bool,
    /// Whether they proved it by what is theirs alone.
    pub proved: bool,
}

/// What the arrival is given.
pub(crate) enum Key {
    Session(Digest),
    Family { family: Uuid, refresh: Digest },
}

impl Store {
    /// Lets somebody in: the device if it is new, and its session or token family, together.
    pub async fn let_in(&self, a: &Arrival, key: &Key, now: Millis) -> Result<(), Error> {
        let mut tx = self.write().await?;
        let (shop, staff, device) = (a.shop.to_string(), a.staff.to_string(), a.device.to_string());
        let proved_at = a.proved.then_some(now);
        if a.new_device {
            sqlx::query("INSERT INTO devices (shop, device, staff, label, made_at) VALUES ($1, $2, $3, $4, $5)")
                .bind(&shop)
                .bind(&device)
                .bind(&staff)
                .bind(&a.label)
                .bind(now)
                .execute(&mut *tx)
                .await?;
        } else {
            sqlx::query("UPDATE devices SET staff = $3 WHERE shop = $1 AND device = $2")
                .bind(&shop)
                .bind(&device)
                .bind(&staff)
                .execute(&mut *tx)
                .await?;
        }
        match key {
            Key::Session(secret) => {
                sqlx::query(
                    "INSERT INTO sessions (secret, shop, staff, device, made_at, seen_at, proved_at)
                     VALUES ($1, $2, $3, $4, $5, $5, $6)",
                )
                .bind(secret.as_slice())
                .bind(&shop)
                .bind(&staff)
                .bind(&device)
                .bind(now)
                .bind(proved_at)
                .execute(&mut *tx)
                .await?;
            }
            Key::Family { family, refresh } => {
                sqlx::query(
                    "INSERT INTO token_families (shop, family, staff, device, made_at, proved_at)
                     VALUES ($1, $2, $3, $4, $5, $6)",
                )
                .bind(&shop)
                .bind(family.to_string())
                .bind(&staff)
                .bind(&device)
                .bind(now)
                .bind(proved_at)
                .execute(&mut *tx)
                .await?;
                super::tokens::keep(&mut tx, a.shop, *family, refresh, now).await?;
            }
        }
        tx.commit().await
    }

    /// The session of this cookie, if it holds. Whether it has run out by time is for the caller to judge.
    pub async fn session(&self, secret: &Digest) -> Result<Option<SessionRow>, Error> {
        let row = sqlx::query(
            "SELECT s.shop, s.staff, s.device, s.made_at, s.seen_at, t.name, t.roles, t.password, x.on_at, w.value AS asked_of
             FROM sessions s
             JOIN devices d ON d.shop = s.shop AND d.device = s.device
             JOIN staff t ON t.shop = s.shop AND t.staff = s.staff
             LEFT JOIN second_factors x ON x.shop = s.shop AND x.staff = s.staff
             LEFT JOIN setting w ON w.shop = s.shop AND w.name = 'code-asked-of'
             WHERE s.secret = $1 AND s.ended_at IS NULL AND d.revoked_at IS NULL AND t.active = 1",
        )
        .bind(secret.as_slice())
        .fetch_optional(&self.pool)
        .await?;
        row.as_ref().map(read_session).transpose()
    }

    /// The shop and device of a cookie, even of a session that is over: the browser that holds it is that device.
    pub async fn device_of_cookie(&self, secret: &Digest) -> Result<Option<(Uuid, Uuid)>, Error> {
        let row = sqlx::query("SELECT shop, device FROM sessions WHERE secret = $1")
            .bind(secret.as_slice())
            .fetch_optional(&self.pool)
            .await?;
        row.map(|r| Ok((uuid(&r, "shop")?, uuid(&r, "device")?))).transpose()
    }

    /// When the password was given last in this session, or for these tokens.
    pub async fn proved_at(&self, caller: &Caller) -> Result<Option<Millis>, Error> {
        let found = match &caller.via {
            Via::Cookie(secret) => {
                sqlx::query_scalar("SELECT proved_at FROM sessions WHERE secret = $1")
                    .bind(secret.as_slice())
                    .fetch_optional(&self.pool)
                    .await?
            }
            Via::Token(family) => {
                sqlx::query_scalar("SELECT proved_at FROM token_families WHERE shop = $1 AND family = $2")
                    .bind(caller.shop.to_string())
                    .bind(family.to_string())
                    .fetch_optional(&self.pool)
                    .await?
            }
        };
        Ok(found.flatten())
    }

    /// Notes that it was given now.
    pub async fn proved(&self, caller: &Caller, now: Millis) -> Result<(), Error> {
        match &caller.via {
            Via::Cookie(secret) => {
                sqlx::query("UPDATE sessions SET proved_at = $2 WHERE secret = $1")
                    .bind(secret.as_slice())
                    .bind(now)
                    .execute(&self.pool)
                    .await?
            }
            Via::Token(family) => {
                sqlx::query("UPDATE token_families SET proved_at = $3 WHERE shop = $1 AND family = $2")
                    .bind(caller.shop.to_string())
                    .bind(family.to_string())
                    .bind(now)
                    .execute(&self.pool)
                    .await?
            }
        };
        Ok(())
    }

    /// Notes that a session was used.
    pub async fn session_seen(&self, secret: &Digest, now: Millis) -> Result<(), Error> {
        sqlx::query("UPDATE sessions SET seen_at = $2 WHERE secret = $1 AND seen_at < $2")
            .bind(secret.as_slice())
            .bind(now)
            .execute(&self.pool)
            .await?;
        Ok(())
    }

    /// Ends one session.
    pub async fn end_session(&self, secret: &Digest, now: Millis) -> Result<(), Error> {
        sqlx::query("UPDATE sessions SET ended_at = $2 WHERE secret = $1 AND ended_at IS NULL")
            .bind(secret.as_slice())
            .bind(now)
            .execute(&self.pool)
            .await?;
        Ok(())
    }

    /// One device of a shop, revoked ones too.
    pub async fn device(&self, shop: Uuid, device: Uuid) -> Result<Option<DeviceRow>, Error> {
        let row = sqlx::query(
            "SELECT device, staff, label, made_at, revoked_at FROM devices WHERE shop = $1 AND device = $2",
        )
        .bind(shop.to_string())
        .bind(device.to_string())
        .fetch_optional(&self.pool)
        .await?;
        row.as_ref().map(read_device).transpose()
    }

    /// The devices of a shop, newest first, at most 1,000: all, or those of one person.
    pub async fn devices(&self, shop: Uuid, staff: Option<Uuid>, since: Since) -> Result<Vec<Listed>, Error> {
        let rows = sqlx::query(
            "SELECT d.device, d.staff, d.label, d.made_at, d.revoked_at,
               (SELECT COUNT(*) FROM sessions s JOIN staff t ON t.shop = s.shop AND t.staff = s.staff
                WHERE s.shop = d.shop AND s.device = d.device AND s.ended_at IS NULL AND t.active = 1
                  AND s.seen_at > $3 AND s.made_at > $4) +
               (SELECT COUNT(*) FROM token_families f JOIN staff t ON t.shop = f.shop AND t.staff = f.staff
                WHERE f.shop = d.shop AND f.device = d.device AND f.ended_at IS NULL AND t.active = 1 AND f.made_at > $4
                  AND EXISTS (SELECT 1 FROM refresh_tokens r WHERE r.shop = f.shop AND r.family = f.family
                    AND r.used_at IS NULL AND r.made_at > $5)) AS holding
             FROM devices d
             WHERE d.shop = $1 AND ($2 IS NULL OR d.staff = $2) ORDER BY d.made_at DESC, d.device LIMIT 1000",
        )
        .bind(shop.to_string())
        .bind(staff.map(|s| s.to_string()))
        .bind(since.seen)
        .bind(since.made)
        .bind(since.refreshed)
        .fetch_all(&self.pool)
        .await?;
        let listed = |r: &database::Row| {
            let row = read_device(r)?;
            let signed_in = row.revoked_at.is_none() && r.try_get::<i64, _>("holding")? > 0;
            Ok(Listed { row, signed_in })
        };
        rows.iter().map(listed).collect()
    }

    /// Revokes a device with all its sessions and tokens, and keeps what is to be said of it. False: revoked already.
    pub async fn revoke_device(&self, shop: Uuid, device: Uuid, now: Millis, say: &ServerEntry) -> Result<bool, Error> {
        let mut tx = self.write().await?;
        let (s, d) = (shop.to_string(), device.to_string());
        let done =
            sqlx::query("UPDATE devices SET revoked_at = $3 WHERE shop = $1 AND device = $2 AND revoked_at IS NULL")
                .bind(&s)
                .bind(&d)
                .bind(now)
                .execute(&mut *tx)
                .await?;
        if done.rows_affected() == 0 {
            return Ok(false);
        }
        end_device(&mut tx, &s, &d, now).await?;
        unsaid::keep(&mut tx, shop, say).await?;
        tx.commit().await?;
        Ok(true)
    }
}

async fn end_device(tx: &mut database::Transaction, shop: &str, device: &str, now: Millis) -> Result<(), Error> {
    for sql in [
        "UPDATE sessions SET ended_at = $3 WHERE shop = $1 AND device = $2 AND ended_at IS NULL",
        "UPDATE token_families SET ended_at = $3 WHERE shop = $1 AND device = $2 AND ended_at IS NULL",
    ] {
        sqlx::query(sql).bind(shop).bind(device).bind(now).execute(&mut **tx).await?;
    }
    Ok(())
}

pub(super) fn read_session(row: &database::Row) -> Result<SessionRow, Error> {
    let roles = Roles::from_stored(row.try_get("roles")?);
    let (password, on): (Option<&str>, Option<Millis>) = (row.try_get("password")?, row.try_get("on_at")?);
    let code_due = AskedOf::stored(row.try_get("asked_of")?).is_due(&roles, password.is_some(), on.is_some());
    Ok(SessionRow {
        shop: uuid(row, "shop")?,
        staff: uuid(row, "staff")?,
        device: uuid(row, "device")?,
        name: row.try_get("name")?,
        roles,
        made_at: row.try_get("made_at")?,
        seen_at: row.try_get("seen_at")?,
        code_due,
    })
}

fn read_device(row: &database::Row) -> Result<DeviceRow, Error> {
    Ok(DeviceRow {
        device: uuid(row, "device")?,
        staff: uuid(row, "staff")?,
        label: row.try_get("label")?,
        made_at: row.try_get("made_at")?,
        revoked_at: row.try_get("revoked_at")?,
    })
}
