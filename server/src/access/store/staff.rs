//! Staff.

use sqlx::{Error, Row};
use uuid::Uuid;

use super::{Store, second, unsaid, uuid};
use crate::access::log::ServerEntry;
use crate::access::roles::Roles;
use crate::database;
use crate::edge::Millis;

/// One member of the staff.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct StaffRow {
    pub shop: Uuid,
    pub staff: Uuid,
    pub name: String,
    pub sign_in: String,
    pub password: Option<String>,
    pub roles: Roles,
    pub active: bool,
    pub revision: i64,
    pub made_at: Millis,
}

/// How a change ended.
#[derive(Debug, PartialEq)]
pub(crate) enum Changed {
    Done,
    /// Somebody else changed it meanwhile, or it is gone.
    Stale,
    /// Another has this sign-in name.
    NameTaken,
    /// It would leave the shop without an owner.
    LastOwner,
}

impl Store {
    /// Whether anybody is there, in any shop.
    pub async fn any_staff(&self) -> Result<bool, Error> {
        Ok(sqlx::query("SELECT 1 FROM staff LIMIT 1").fetch_optional(&self.pool).await?.is_some())
    }

    /// Those with this sign-in name, oldest first: in one shop, or in all (at most 16, each costs a password check).
    pub async fn staff_by_sign_in(&self, sign_in: &str, shop: Option<Uuid>) -> Result<Vec<StaffRow>, Error> {
        let rows = sqlx::query(
            "SELECT shop, staff, name, sign_in, password, roles, active, revision, made_at FROM staff WHERE sign_in = $1 AND ($2 IS NULL OR shop = $2) AND active = 1 ORDER BY made_at LIMIT 16",
        )
        .bind(sign_in)
        .bind(shop.map(|s| s.to_string()))
        .fetch_all(&self.pool)
        .await?;
        rows.iter().map(read).collect()
    }

    /// Whether somebody of the shop, active or not, has this sign-in name.
    pub async fn staff_named(&self, shop: Uuid, sign_in: &str) -> Result<bool, Error> {
        let found = sqlx::query("SELECT 1 FROM staff WHERE shop = $1 AND sign_in = $2")
            .bind(shop.to_string())
            .bind(sign_in)
            .fetch_optional(&self.pool)
            .await?;
        Ok(found.is_some())
    }

    /// Whether an owner other than this person, active, has a password.
    pub async fn other_owner_with_password(&self, shop: Uuid, staff: Uuid) -> Result<bool, Error> {
        let found = sqlx::query(
            "SELECT 1 FROM staff WHERE shop = $1 AND staff <> $2 AND active = 1 AND password IS NOT NULL
               AND instr(roles, 'owner') > 0 LIMIT 1",
        )
        .bind(shop.to_string())
        .bind(staff.to_string())
        .fetch_optional(&self.pool)
        .await?;
        Ok(found.is_some())
    }

    /// One of them.
    pub async fn staff(&self, shop: Uuid, staff: Uuid) -> Result<Option<StaffRow>, Error> {
        let row = sqlx::query("SELECT shop, staff, name, sign_in, password, roles, active, revision, made_at FROM staff WHERE shop = $1 AND staff = $2")
            .bind(shop.to_string())
            .bind(staff.to_string())
            .fetch_optional(&self.pool)
            .await?;
        row.as_ref().map(read).transpose()
    }

    /// All of a shop, oldest first. A shop has tens, not thousands.
    pub async fn all_staff(&self, shop: Uuid) -> Result<Vec<StaffRow>, Error> {
        let rows = sqlx::query("SELECT shop, staff, name, sign_in, password, roles, active, revision, made_at FROM staff WHERE shop = $1 ORDER BY made_at, staff LIMIT 1000")
            .bind(shop.to_string())
            .fetch_all(&self.pool)
            .await?;
        rows.iter().map(read).collect()
    }

    /// Adds one. `NameTaken` when another of the shop has the sign-in name.
    pub async fn add_staff(&self, s: &StaffRow) -> Result<Changed, Error> {
        let done = sqlx::query(
            "INSERT INTO staff (shop, staff, name, sign_in, password, roles, active, revision, made_at)
             VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)",
        )
        .bind(s.shop.to_string())
        .bind(s.staff.to_string())
        .bind(&s.name)
        .bind(&s.sign_in)
        .bind(&s.password)
        .bind(s.roles.stored())
        .bind(i64::from(s.active))
        .bind(s.revision)
        .bind(s.made_at)
        .execute(&self.pool)
        .await;
        taken_or(done.map(|_| Changed::Done))
    }

    /// Replaces one that still has revision `seen`. Ends its sessions where `ends` says so; keeps what is to be said of a
    /// revocation in the same transaction. Who leaves loses the second factor.
    pub async fn change_staff(
        &self,
        s: &StaffRow,
        seen: i64,
        ends: Option<Millis>,
        say: Option<&ServerEntry>,
    ) -> Result<Changed, Error> {
        let mut tx = self.write().await?;
        let (shop, staff) = (s.shop.to_string(), s.staff.to_string());
        let done = sqlx::query(
            "UPDATE staff SET name = $3, sign_in = $4, password = $5, roles = $6, active = $7, revision = $8 + 1
             WHERE shop = $1 AND staff = $2 AND revision = $8",
        )
        .bind(&shop)
        .bind(&staff)
        .bind(&s.name)
        .bind(&s.sign_in)
        .bind(&s.password)
        .bind(s.roles.stored())
        .bind(i64::from(s.active))
        .bind(seen)
        .execute(&mut *tx)
        .await;
        match done {
            Ok(done) if done.rows_affected() == 1 => {}
            Ok(_) => return Ok(Changed::Stale),
            Err(e) => return taken_or(Err(e)),
        }
        let owners =
            sqlx::query("SELECT 1 FROM staff WHERE shop = $1 AND active = 1 AND instr(roles, 'owner') > 0 LIMIT 1")
                .bind(&shop)
                .fetch_optional(&mut *tx)
                .await?;
        if owners.is_none() {
            return Ok(Changed::LastOwner); // dropping the transaction rolls it back
        }
        if let Some(now) = ends {
            for sql in [
                "UPDATE sessions SET ended_at = $3 WHERE shop = $1 AND staff = $2 AND ended_at IS NULL",
                "UPDATE token_families SET ended_at = $3 WHERE shop = $1 AND staff = $2 AND ended_at IS NULL",
                "UPDATE pairings SET claimed_at = $3 WHERE shop = $1 AND staff = $2 AND claimed_at IS NULL",
            ] {
                sqlx::query(sql).bind(&shop).bind(&staff).bind(now).execute(&mut *tx).await?;
            }
        }
        if !s.active {
            second::take_away(&mut tx, &shop, &staff).await?;
        }
        if let Some(entry) = say {
            unsaid::keep(&mut tx, s.shop, entry).await?;
        }
        tx.commit().await?;
        Ok(Changed::Done)
    }
}

/// The only unique constraint that a fresh random id can meet is the sign-in name.
fn taken_or(done: Result<Changed, Error>) -> Result<Changed, Error> {
    match done {
        Err(Error::Database(e)) if e.is_unique_violation() => Ok(Changed::NameTaken),
        other => other,
    }
}

fn read(row: &database::Row) -> Result<StaffRow, Error> {
    Ok(StaffRow {
        shop: uuid(row, "shop")?,
        staff: uuid(row, "staff")?,
        name: row.try_get("name")?,
        sign_in: row.try_get("sign_in")?,
        password: row.try_get("password")?,
        roles: Roles::from_stored(row.try_get("roles")?),
        active: row.try_get::<i64, _>("active")? == 1,
        revision: row.try_get("revision")?,
        made_at: row.try_get("made_at")?,
    })
}
