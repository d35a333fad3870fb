//! Tags set apart for a device: a table beside the log, and a proposal only. What an entry says counts.

use std::collections::BTreeSet;

use uuid::Uuid;

use super::Ledger;

use crate::database::{self, Connection};

/// Newest intakes whose tags say where the numbers stand.
const NEWEST: i64 = 200;
/// How long a tag stays set apart, milliseconds: a phone that is not back by then takes new ones.
const HOLD: i64 = 30 * 24 * 3_600_000;
/// The widest number a tag can have, in digits.
const DIGITS: usize = 12;
/// Where a shop without any tag begins.
const FIRST: &str = "0001";

impl Ledger {
    /// Sets tags apart for a device until it has `count`; those it already has and did not use stay its own. In order.
    ///
    /// # Errors
    /// The database's.
    pub async fn lease_tags(&self, shop: Uuid, device: Uuid, count: usize) -> Result<Vec<String>, sqlx::Error> {
        let now = self.clock().now();
        let mut tx = database::writing(self.pool(), &format!("tags {shop}")).await?;
        // What was used, what ran out, and what a device held that was put out is free or gone.
        sqlx::query(
            "DELETE FROM tag_lease WHERE shop = $1 AND (until < $2
               OR tag IN (SELECT i.tag FROM intake i WHERE i.shop = $1 AND i.tag = tag_lease.tag
                         AND i.state IN ('open', 'in care', 'found'))
               OR tag IN (SELECT l.tag FROM lost_tag l WHERE l.shop = $1 AND l.tag = tag_lease.tag)
               OR device IN (SELECT d.device FROM devices d WHERE d.shop = $1 AND d.revoked_at IS NOT NULL))",
        )
        .bind(shop.to_string())
        .bind(now)
        .execute(&mut *tx)
        .await?;
        let held: Vec<String> = texts(
            &mut tx,
            "SELECT tag FROM tag_lease WHERE shop = $1 AND device = $2 ORDER BY length(tag), tag",
            shop,
            Some(device),
        )
        .await?;
        let taken: BTreeSet<String> = texts(
            &mut tx,
            "SELECT tag FROM tag_lease WHERE shop = $1 UNION SELECT tag FROM lost_tag WHERE shop = $1",
            shop,
            None,
        )
        .await?
        .into_iter()
        .collect();
        let newest = format!("SELECT tag FROM intake WHERE shop = $1 ORDER BY opened_idx DESC LIMIT {NEWEST}");
        let given = texts(&mut tx, &newest, shop, None).await?;
        let more = following(given.iter().chain(&taken), count.saturating_sub(held.len()));
        for tag in &more {
            sqlx::query("INSERT INTO tag_lease (shop, tag, device, until) VALUES ($1, $2, $3, $4)")
                .bind(shop.to_string())
                .bind(tag)
                .bind(device.to_string())
                .bind(now + HOLD)
                .execute(&mut *tx)
                .await?;
        }
        tx.commit().await?;
        Ok(held.into_iter().chain(more).take(count).collect())
    }
}

async fn texts(db: &mut Connection, query: &str, shop: Uuid, device: Option<Uuid>) -> Result<Vec<String>, sqlx::Error> {
    let mut asked = sqlx::query_scalar(sqlx::AssertSqlSafe(query.to_owned())).bind(shop.to_string());
    if let Some(device) = device {
        asked = asked.bind(device.to_string());
    }
    asked.fetch_all(db).await
}

/// The numbers after the highest of these, as wide as it. Tags that are no numbers do not count.
fn following<'a>(tags: impl Iterator<Item = &'a String>, count: usize) -> Vec<String> {
    let numbers = tags.filter(|t| (1..=DIGITS).contains(&t.len()) && t.bytes().all(|b| b.is_ascii_digit()));
    let highest = numbers.filter_map(|t| t.parse::<u64>().ok().map(|n| (n, t.len()))).max();
    let (last, width) = highest.unwrap_or((0, FIRST.len()));
    (last + 1..).take(count).map(|n| format!("{n:0width$}")).take_while(|t| t.len() <= DIGITS).collect()
}

#[cfg(test)]
mod tests {
    use super::following;

    #[test]
    fn numbers_go_on_after_the_highest_as_wide_as_it() {
        let of =
            |tags: &[&str], count| following(tags.iter().map(|t| (*t).to_owned()).collect::<Vec<_>>().iter(), count);
        assert_eq!(of(&[], 2), ["0001", "0002"]);
        assert_eq!(of(&["0009", "0417", "A-7", "1234567890123"], 2), ["0418", "0419"]);
        assert_eq!(of(&["99"], 1), ["100"]);
        assert_eq!(of(&["999999999998"], 3), ["999999999999"], "no tag is wider");
        assert!(of(&["0001"], 0).is_empty());
    }
}
