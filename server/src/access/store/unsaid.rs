//! What was revoked and is still to be said to the log.

use sqlx::{Error, Row};
use uuid::Uuid;

use super::{Store, uuid};
use crate::access::log::ServerEntry;
use crate::database;

/// Keeps an entry to be said, in the transaction of the revocation.
pub(super) async fn keep(tx: &mut database::Transaction, shop: Uuid, entry: &ServerEntry) -> Result<(), Error> {
    let text = serde_json::to_string(entry).map_err(|e| Error::Encode(Box::new(e)))?;
    sqlx::query("INSERT INTO unsaid (shop, entry) VALUES ($1, $2)")
        .bind(shop.to_string())
        .bind(text)
        .execute(&mut **tx)
        .await?;
    Ok(())
}

impl Store {
    /// Entries still to be said, oldest first, at most 100.
    pub async fn unsaid(&self) -> Result<Vec<(i64, Uuid, ServerEntry)>, Error> {
        let rows = sqlx::query("SELECT n, shop, entry FROM unsaid ORDER BY n LIMIT 100").fetch_all(&self.pool).await?;
        rows.iter()
            .map(|r| {
                let text: &str = r.try_get("entry")?;
                let entry = serde_json::from_str(text).map_err(|e| Error::Decode(Box::new(e)))?;
                Ok((r.try_get("n")?, uuid(r, "shop")?, entry))
            })
            .collect()
    }

    /// The entry was said.
    pub async fn said(&self, n: i64) -> Result<(), Error> {
        sqlx::query("DELETE FROM unsaid WHERE n = $1").bind(n).execute(&self.pool).await?;
        Ok(())
    }
}
