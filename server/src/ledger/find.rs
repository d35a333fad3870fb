//! Searching: a query becomes stretches of the index of words, and words with a typo are looked up first.

use uuid::Uuid;

use super::project;
use super::start::shops;
use super::{Ledger, load};
use crate::database::{self, Connection};
use crate::intake::state::Whose;
use crate::search::{Atom, Query, Stretch, ends, one_typo};

/// Most words with the same beginning or end that are compared with one that may have a typo.
const CANDIDATES: i64 = 4_000;
/// Most words that one with a typo may mean.
const MEANT: usize = 24;

/// A query with each atom as stretches of the index.
pub type Plan = Vec<Vec<Vec<Vec<Stretch>>>>;

/// Looks up what words with a typo may mean.
///
/// # Errors
/// The database's.
pub async fn plan(db: &mut Connection, shop: Uuid, query: &Query) -> Result<Plan, sqlx::Error> {
    let mut plan = Vec::with_capacity(query.0.len());
    for ways in &query.0 {
        let mut planned = Vec::with_capacity(ways.len());
        for way in ways {
            let mut atoms = Vec::with_capacity(way.len());
            for atom in way {
                atoms.push(stretches(db, shop, atom).await?);
            }
            planned.push(atoms);
        }
        plan.push(planned);
    }
    Ok(plan)
}

async fn stretches(db: &mut Connection, shop: Uuid, atom: &Atom) -> Result<Vec<Stretch>, sqlx::Error> {
    let mut all = atom.stretches();
    let Some(word) = atom.forgiving() else { return Ok(all) };
    let (front, back) = ends(word);
    let near: Vec<String> = sqlx::query_scalar(
        "SELECT word FROM search_word WHERE shop = $1 AND front = $2
         UNION SELECT word FROM search_word WHERE shop = $1 AND back = $3 LIMIT $4",
    )
    .bind(shop.to_string())
    .bind(front)
    .bind(back)
    .bind(CANDIDATES)
    .fetch_all(db)
    .await?;
    let meant = near.into_iter().filter(|w| !w.starts_with(word) && one_typo(word, w)).take(MEANT);
    all.extend(meant.map(|w| (w.clone(), format!("{w}\u{1}"))));
    Ok(all)
}

/// Adds the conditions of a plan to a query over `intake`.
pub fn push(query: &mut database::Builder, shop: Uuid, plan: &Plan) {
    for ways in plan {
        query.push(" AND (");
        for (n, way) in ways.iter().enumerate() {
            query.push(if n == 0 { "(" } else { " OR (" });
            for (n, atom) in way.iter().enumerate() {
                query.push(if n == 0 { "id IN (" } else { " AND id IN (" });
                for (n, (from, to)) in atom.iter().enumerate() {
                    query.push(if n == 0 { "" } else { " UNION ALL " });
                    query.push("SELECT intake FROM intake_word WHERE shop = ").push_bind(shop.to_string());
                    query.push(" AND word >= ").push_bind(from.clone());
                    query.push(" AND word < ").push_bind(to.clone());
                }
                query.push(")");
            }
            query.push(")");
        }
        query.push(")");
    }
}

impl Ledger {
    /// Writes the rows of intakes anew where another version of the projections wrote them.
    ///
    /// # Errors
    /// The database's, or a broken entry.
    pub async fn project_anew(&self) -> Result<(), sqlx::Error> {
        for shop in shops(self.pool()).await? {
            let by: Option<i64> = sqlx::query_scalar("SELECT version FROM projected WHERE shop = $1")
                .bind(shop.to_string())
                .fetch_optional(self.pool())
                .await?;
            if by == Some(project::VERSION) {
                continue;
            }
            tracing::info!(%shop, "the list of intakes is written anew for this version");
            let mut tx = database::writing_rows(self.pool()).await?;
            // Nobody appends to this shop meanwhile; another process that does the same afterwards changes nothing.
            load::head_to_write(&mut tx, shop).await?;
            for table in ["DELETE FROM intake_word WHERE shop = $1", "DELETE FROM search_word WHERE shop = $1"] {
                sqlx::query(table).bind(shop.to_string()).execute(&mut *tx).await?;
            }
            let ids: Vec<String> = sqlx::query_scalar("SELECT id FROM intake WHERE shop = $1")
                .bind(shop.to_string())
                .fetch_all(&mut *tx)
                .await?;
            for id in ids {
                let Ok(id) = id.parse() else { continue };
                let intake = load::intake(&mut tx, Whose { shop, intake: id }).await?;
                let kind = match &intake.opened {
                    Some(o) => self.kind(&mut tx, shop, &o.what.kind).await?,
                    None => None,
                };
                project::write(&mut tx, &intake, kind.as_deref()).await?;
            }
            project::written(&mut tx, shop).await?;
            tx.commit().await?;
        }
        Ok(())
    }
}
