//! What may not go: files that intakes under a hold name.

use std::collections::BTreeSet;

use evidence::digest::Digest;
use uuid::Uuid;

use crate::database::Pool;
use crate::ledger::load;

/// The few entries on holds first, by the index of types: grouping by intake would walk the whole log.
pub(crate) const FILES: &str = "WITH said AS MATERIALIZED (
        SELECT intake, type, idx FROM entry WHERE shop = $1 AND type IN ('hold-set', 'hold-lifted')
    ), h AS MATERIALIZED (
        SELECT intake, max(CASE WHEN type = 'hold-set' THEN idx ELSE -1 END) AS put,
            max(CASE WHEN type = 'hold-lifted' THEN idx ELSE -1 END) AS lifted
        FROM said GROUP BY intake
    ) SELECT DISTINCT f.file FROM h JOIN named_file f ON f.intake = h.intake WHERE f.shop = $1 AND h.put > h.lifted";

/// Every file that an intake names whose newest word on holds is that it is held.
///
/// # Errors
/// The database's.
pub async fn files(pool: &Pool, shop: Uuid) -> Result<BTreeSet<Digest>, sqlx::Error> {
    let rows = sqlx::query(FILES).bind(shop.to_string()).fetch_all(pool).await?;
    rows.iter().map(|r| load::hash(r, "file").map(Digest)).collect()
}
