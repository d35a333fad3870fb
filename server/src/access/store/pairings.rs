//! Pairing codes.

use sqlx::Error;
use uuid::Uuid;

use super::{Store, uuid};
use crate::access::secrets::Digest;
use crate::edge::Millis;

/// What a code is for.
pub(crate) struct PairingRow {
    pub shop: Uuid,
    /// Whose device it will be.
    pub staff: Uuid,
    /// The staff and device that made it.
    pub by: (Uuid, Uuid),
}

impl Store {
    /// Keeps a code for one person's next device.
    pub async fn keep_pairing(
        &self,
        p: &PairingRow,
        secret: &Digest,
        now: Millis,
        expires: Millis,
    ) -> Result<(), Error> {
        sqlx::query(
            "INSERT INTO pairings (secret, shop, staff, by_staff, by_device, made_at, expires_at)
             VALUES ($1, $2, $3, $4, $5, $6, $7)",
        )
        .bind(secret.as_slice())
        .bind(p.shop.to_string())
        .bind(p.staff.to_string())
        .bind(p.by.0.to_string())
        .bind(p.by.1.to_string())
        .bind(now)
        .bind(expires)
        .execute(&self.pool)
        .await?;
        Ok(())
    }

    /// Uses a code up and gives what it was for. None: no such code, used, run out, or its person is not active.
    pub async fn claim_pairing(&self, secret: &Digest, now: Millis) -> Result<Option<PairingRow>, Error> {
        let row = sqlx::query(
            "UPDATE pairings SET claimed_at = $2
             WHERE secret = $1 AND claimed_at IS NULL AND expires_at > $2
               AND EXISTS (SELECT 1 FROM staff t WHERE t.shop = pairings.shop AND t.staff = pairings.staff AND t.active = 1)
             RETURNING shop, staff, by_staff, by_device",
        )
        .bind(secret.as_slice())
        .bind(now)
        .fetch_optional(&self.pool)
        .await?;
        row.map(|r| {
            let by = (uuid(&r, "by_staff")?, uuid(&r, "by_device")?);
            Ok(PairingRow { shop: uuid(&r, "shop")?, staff: uuid(&r, "staff")?, by })
        })
        .transpose()
    }
}
