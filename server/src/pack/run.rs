//! `counterfoil pack`: makes a pack out of a data folder.

use std::fs::File;
use std::io::BufWriter;
use std::path::Path;

use uuid::Uuid;

use super::choose::Wanted;
use super::gather;
use crate::database::{Place, Pool};
use crate::intake::state::Whose;
use crate::problem::Problem;
use crate::search::Words;
use crate::serve;

/// By its id, in any shop. SQLite takes the tables of a CROSS JOIN in this order: the few shops first.
const BY_ID: &str = "SELECT i.shop, i.id FROM shop s CROSS JOIN intake i WHERE i.shop = s.id AND i.id = $1";
/// By its tag, in any shop, found by one of the words that a search finds it by.
const BY_TAG: &str = "SELECT i.shop, i.id FROM shop s CROSS JOIN intake_word w CROSS JOIN intake i
    WHERE w.shop = s.id AND w.word = $1 AND i.shop = w.shop AND i.id = w.intake AND i.tag = $2 ORDER BY i.id DESC";

/// The intakes that are called so, as shop and id; those of a million are not all looked at.
async fn called(pool: &Pool, name: &str) -> Result<Vec<(String, String)>, sqlx::Error> {
    if let Ok(id) = name.parse::<Uuid>() {
        return sqlx::query_as(BY_ID).bind(id.to_string()).fetch_all(pool).await;
    }
    let mut words = Words::default();
    words.tag(name);
    // The longest says the most.
    let Some(word) = words.all().into_iter().max_by_key(String::len) else { return Ok(Vec::new()) };
    sqlx::query_as(BY_TAG).bind(word).bind(name).fetch_all(pool).await
}

/// Writes the pack of an intake, named by its id or its tag, to a file.
///
/// # Errors
/// A sentence.
pub async fn run(place: &Place, intake: &str, out: &Path, wanted: &Wanted) -> Result<(), String> {
    place.must_be_there()?;
    let ledger = serve::open(place.clone(), false).await?.ledger;
    let found = called(ledger.pool(), intake).await.map_err(|e| e.to_string())?;
    let [(shop, id)] = &found[..] else {
        return Err(format!("{} intakes are called {intake}", found.len()));
    };
    let (Ok(shop), Ok(id)) = (shop.parse::<Uuid>(), id.parse::<Uuid>()) else {
        return Err("an intake's id is not a UUID".to_owned());
    };
    let said = |p: Problem| p.to_string();
    let plan = gather::plan(&ledger, Whose { shop, intake: id }, wanted).await.map_err(said)?;
    let file = File::create(out).map_err(|e| format!("{}: {e}", out.display()))?;
    plan.write(BufWriter::new(&file)).and_then(|()| file.sync_all()).map_err(|e| format!("{}: {e}", out.display()))?;
    println!("{}: {} bytes", out.display(), plan.length());
    ledger.close().await;
    Ok(())
}

#[cfg(test)]
mod tests {
    use sqlx::Row as _;

    use super::*;
    use crate::database;

    #[tokio::test]
    async fn an_intake_is_found_by_an_index_in_whichever_shop_and_by_nothing_like_its_tag() {
        let pool = database::in_memory().await;
        let shops = [Uuid::from_u128(1), Uuid::from_u128(2)];
        let made = [(0, 10, "0417"), (1, 11, "0417"), (0, 12, "A-7 b"), (0, 13, "417")];
        for shop in shops {
            let sql = "INSERT INTO shop (id, log_name, opened_at) VALUES ($1, 'x', 0)";
            sqlx::query(sql).bind(shop.to_string()).execute(&pool).await.expect("a shop");
        }
        for (shop, id, tag) in made {
            let (shop, id) = (shops[shop].to_string(), Uuid::from_u128(id).to_string());
            sqlx::query(
                "INSERT INTO intake (shop, id, tag, state, kind, opened_idx, last_idx, summary) VALUES ($1, $2, $3, 'open', $4, $5, 0, '{}')",
            )
            .bind(&shop)
            .bind(&id)
            .bind(tag)
            .bind(vec![0u8; 32])
            .bind(0i64)
            .execute(&pool)
            .await
            .expect("an intake");
            let mut words = Words::default();
            words.tag(tag);
            for word in words.all() {
                let sql = "INSERT INTO intake_word (shop, word, intake) VALUES ($1, $2, $3)";
                sqlx::query(sql).bind(&shop).bind(word).bind(&id).execute(&pool).await.expect("a word");
            }
        }
        let ids = async |name: &str| -> Vec<Uuid> {
            let found = called(&pool, name).await.expect("an answer");
            found.iter().map(|(_, id)| id.parse().expect("an id")).collect()
        };
        assert_eq!(ids("0417").await, [11, 10].map(Uuid::from_u128));
        assert_eq!(ids("417").await, [Uuid::from_u128(13)]);
        assert_eq!(ids("A-7 b").await, [Uuid::from_u128(12)]);
        assert_eq!(ids(&Uuid::from_u128(11).to_string()).await, [Uuid::from_u128(11)]);
        for none in ["a-7 b", "0418", "", "--"] {
            assert!(ids(none).await.is_empty(), "{none}");
        }
        // No table of intakes is read through.
        for (sql, binds) in [(BY_ID, 1), (BY_TAG, 2)] {
            let plan = sqlx::AssertSqlSafe(format!("EXPLAIN QUERY PLAN {sql}"));
            let mut query = sqlx::query(plan);
            for _ in 0..binds {
                query = query.bind("x");
            }
            let rows = query.fetch_all(&pool).await.expect("a plan");
            let plan: Vec<String> = rows.iter().map(|r| r.try_get("detail").expect("a step")).collect();
            assert!(plan.iter().all(|step| !step.starts_with("SCAN i") && !step.starts_with("SCAN w")), "{plan:?}");
        }
    }
}
