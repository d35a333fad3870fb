//! Intakes that are gone and of which something is left that could be erased, for whoever asks what was kept long enough.

use sqlx::Row as _;
use uuid::Uuid;

use super::load;
use crate::database::Pool;

/// One of them.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Gone {
    /// The intake.
    pub intake: Uuid,
    /// Log index of its opening.
    pub opened: u64,
}

/// By the index of openings, for what is gone is nearly all there ever was. A count of photos is believed at the revision at which it was
/// made and at no other; without one the intake is looked at. `OFFSET 0`: each is asked for its details, not all details collected first.
const LEFT: &str = "SELECT i.id, i.opened_idx FROM intake i WHERE i.shop = $1 AND i.state IN ('handed back', 'not taken in') AND i.opened_idx > $2
       AND (i.photos IS NULL OR i.photos > 0 OR i.photos_idx IS DISTINCT FROM i.last_idx
         OR EXISTS (SELECT 1 FROM disclosure d WHERE d.shop = i.shop AND d.intake = i.id LIMIT 1 OFFSET 0))
     ORDER BY i.opened_idx LIMIT $3";

/// Those opened at a higher index than `after`, in that order, at most so many. Of one with nothing left nothing is asked again; one that
/// is given may still have nothing left.
///
/// # Errors
/// The database's, or an id that is none.
pub async fn with_something_left(
    pool: &Pool,
    shop: Uuid,
    after: Option<u64>,
    most: u32,
) -> Result<Vec<Gone>, sqlx::Error> {
    let rows = sqlx::query(LEFT)
        .bind(shop.to_string())
        .bind(after.map_or(-1, |a| i64::try_from(a).unwrap_or(i64::MAX)))
        .bind(i64::from(most))
        .fetch_all(pool)
        .await?;
    let gone = |row: &crate::database::Row| {
        let id = row.try_get::<String, _>("id")?;
        let intake = id.parse().map_err(|_| load::broken(format!("{id} is no id of an intake")))?;
        Ok(Gone { intake, opened: load::number(row, "opened_idx")? })
    };
    rows.iter().map(gone).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::access::testing::{Folder, database};
    use crate::database::Engine;

    /// Photos, the revision at which they were counted and the revision of the row; whether a detail is there; whether it is found.
    type Row = (Option<i64>, Option<i64>, i64, bool, bool);
    const ROWS: [Row; 7] = [
        (Some(0), Some(9), 9, false, false),
        (Some(0), Some(9), 9, true, true),
        (Some(2), Some(9), 9, false, true),
        // Written since by a server that does not count.
        (Some(0), Some(8), 9, false, true),
        (None, None, 9, false, true),
        // Neither is anybody's, and neither is believed.
        (Some(0), None, 9, false, true),
        (None, Some(9), 9, false, true),
    ];
    /// As in a history that is long: nothing is left of most.
    const MANY: usize = 3_000;

    async fn made(pool: &Pool, shop: Uuid) -> Vec<Uuid> {
        let mut tx = pool.begin().await.expect("a transaction");
        let sql = "INSERT INTO shop (id, log_name, opened_at) VALUES ($1, 'x', 0)";
        sqlx::query(sql).bind(shop.to_string()).execute(&mut *tx).await.expect("a shop");
        let mut wanted = Vec::new();
        for n in 0..MANY {
            let (photos, counted, last, detail, found) = ROWS.get(n % 300).copied().unwrap_or(ROWS[0]);
            // One that is here is not asked for.
            let state = ["in care", "handed back", "not taken in"][if n % 97 == 0 { 0 } else { 1 + n % 2 }];
            let id = Uuid::from_u128(n as u128);
            let opened = i64::try_from(n).expect("small");
            sqlx::query(
                "INSERT INTO intake (shop, id, tag, state, kind, opened_idx, last_idx, summary, photos, photos_idx)
                 VALUES ($1, $2, $2, $3, $4, $5, $6, '{}', $7, $8)",
            )
            .bind(shop.to_string())
            .bind(id.to_string())
            .bind(state)
            .bind(Vec::<u8>::new())
            .bind(opened)
            .bind(last)
            .bind(photos)
            .bind(counted)
            .execute(&mut *tx)
            .await
            .expect("a row");
            // What is here has most of the details that there are.
            for d in 0..if state == "in care" { 30 } else { i64::from(detail) } {
                sqlx::query("INSERT INTO disclosure (shop, idx, intake, digest, text) VALUES ($1, $2, $3, $4, 't')")
                    .bind(shop.to_string())
                    .bind(opened)
                    .bind(id.to_string())
                    .bind(d.to_string())
                    .execute(&mut *tx)
                    .await
                    .expect("a detail");
            }
            if found && state != "in care" {
                wanted.push(id);
            }
        }
        tx.commit().await.expect("a commit");
        wanted
    }

    #[tokio::test]
    async fn a_count_of_photos_is_believed_at_its_own_revision_only_and_nothing_is_read_through() {
        let folder = Folder::new();
        let pool = database(&folder.0).await;
        let [shop, other] = [1, 2].map(|n| Uuid::from_u128(1 << 100 | n));
        let wanted = made(&pool, shop).await;
        made(&pool, other).await;
        let mut found = Vec::new();
        let mut after = None;
        loop {
            let page = with_something_left(&pool, shop, after, 7).await.expect("a page");
            let Some(last) = page.last() else { break };
            after = Some(last.opened);
            found.extend(page.iter().map(|g| g.intake));
        }
        assert_eq!(found, wanted);

        // Both walk along the index of openings and ask each by the index of its details.
        sqlx::query("ANALYZE").execute(&pool).await.expect("statistics");
        let (explain, column) = match Engine::of(&pool) {
            Engine::Sqlite => ("EXPLAIN QUERY PLAN", "detail"),
            Engine::Postgres => ("EXPLAIN", "QUERY PLAN"),
        };
        let plan = sqlx::query(sqlx::AssertSqlSafe(format!("{explain} {LEFT}")))
            .bind(shop.to_string())
            .bind(-1_i64)
            .bind(100_i64)
            .fetch_all(&pool)
            .await
            .expect("a plan");
        let plan: Vec<String> = plan.iter().map(|r| r.try_get(column).expect("a step")).collect();
        let plan = plan.join("\n");
        for wanted in ["intake_by_opening", "disclosure_of_intake"] {
            assert!(plan.contains(wanted), "{plan}");
        }
        for costly in ["SCAN i", "SCAN d", "TEMP B-TREE", "Seq Scan", "Sort"] {
            assert!(!plan.contains(costly), "{costly}: {plan}");
        }
        pool.close().await;
    }
}
