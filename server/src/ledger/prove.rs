//! What leaves the shop as proof: a signed head of a chosen size, and that a log goes on from an earlier size.

use evidence::checkpoint::{Checkpoint, origin};
use evidence::tree::{self, Hash};
use uuid::Uuid;

use super::load::{self, Head, broken};
use super::{LOG_NAME, Ledger};

use crate::database::Connection;

impl Ledger {
    /// The log's head at a size it had, signed under the present origin by the keys that sign now: the same bytes whenever it is
    /// asked for, until those change. It agrees with every other checkpoint of this origin, since it comes from the same nodes.
    ///
    /// # Errors
    /// The database's, or a size the log never had.
    pub async fn signed_at(
        &self,
        db: &mut Connection,
        shop: Uuid,
        head: &Head,
        size: u64,
    ) -> Result<String, sqlx::Error> {
        if size == 0 || size > head.size {
            return Err(broken("the log never had this size"));
        }
        let origin = origin(LOG_NAME, &shop.to_string(), head.epoch);
        let root = load::root_at(db, shop, size).await?;
        let keys = self.signers(&origin, head)?;
        let keys: Vec<_> = keys.iter().collect();
        Checkpoint { origin, size, root }.sign(&keys).map_err(|e| broken(e.to_string()))
    }
}

/// That the log of size `new` begins with the log of size `old`.
///
/// # Errors
/// The database's, or a missing node.
pub async fn consistency(db: &mut Connection, shop: Uuid, old: u64, new: u64) -> Result<Vec<Hash>, sqlx::Error> {
    let have = load::nodes(db, shop, &tree::needed_for_consistency(old, new)).await?;
    tree::consistency(old, new, &mut |l, i| have.get(&(l, i)).copied()).map_err(|e| broken(e.to_string()))
}

/// By the index of types, whatever a database thinks of the order: walking the log to find three entries takes as long as the log is.
const OF_SHOP: &str = "SELECT idx, bytes FROM entry
    WHERE shop = $1 AND type IN ('epoch-opened', 'key-rotated', 'key-retired') AND idx + 0 > 0 ORDER BY idx + 0";

/// The entries that opened a later epoch or changed the log's key, by index: whatever leaves the shop carries them.
///
/// # Errors
/// The database's.
pub async fn of_shop(db: &mut Connection, shop: Uuid) -> Result<Vec<load::Stored>, sqlx::Error> {
    let rows: Vec<(i64, Vec<u8>)> = sqlx::query_as(OF_SHOP).bind(shop.to_string()).fetch_all(db).await?;
    let stored =
        |(index, bytes): (i64, Vec<u8>)| load::Stored { index: index.unsigned_abs(), bytes, disclosures: Vec::new() };
    Ok(rows.into_iter().map(stored).collect())
}

#[cfg(test)]
mod tests {
    use sqlx::Row;

    use crate::{database, http, upkeep};

    #[tokio::test]
    async fn the_few_entries_of_a_type_are_found_without_walking_the_log() {
        let pool = database::in_memory().await;
        for query in [super::OF_SHOP, http::shop::NEWEST_KEY, upkeep::holds::FILES] {
            let plan = sqlx::query(sqlx::AssertSqlSafe(format!("EXPLAIN QUERY PLAN {query}"))).bind("a shop");
            let steps: Vec<String> =
                plan.fetch_all(&pool).await.expect(query).iter().map(|row| row.get("detail")).collect();
            let of_entries: Vec<&String> = steps.iter().filter(|s| s.contains(" entry ")).collect();
            assert!(
                !of_entries.is_empty() && of_entries.iter().all(|s| s.contains("entry_of_type (shop=? AND type=?")),
                "{query}: {steps:?}"
            );
        }
    }
}
