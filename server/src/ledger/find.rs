//! Searching: a query becomes stretches of the index of words, and words with a typo are looked up first.
//!
//! A page costs the same however long the history is. A term that few intakes have begins the search. Where every term is
//! common, a page of the newest intakes that have them is soon full, so intakes are looked at in the order of the list. Where
//! it does not fill (none has them all, or only old ones) and each term is in more than 20,000, it ends and says where to go on.

use sqlx::Row as _;
use uuid::Uuid;

use super::project;
use super::start::shops;
use super::{Ledger, load};
use crate::database::{self, Connection, Row};
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

/// How far one page of a search goes, so that it takes as long in an old shop as in a young one.
#[derive(Clone, Copy, Debug)]
pub struct Reach {
    /// What stands in at most so many places is rare: the search begins there.
    pub rare: i64,
    /// Where nothing is rare, intakes are looked at from the newest back, for so many looks into the index of words.
    pub looks: i64,
    /// Where that does not fill a page, the search begins with what stands in at most so many places; where nothing does,
    /// the page ends there.
    pub most: i64,
}

impl Reach {
    /// Each of them takes some tens of milliseconds at the most.
    pub const PAGE: Reach = Reach { rare: 4_000, looks: 10_000, most: 20_000 };
}

/// Which intakes are looked for.
#[derive(Clone, Copy, Debug)]
pub struct Wanted<'a> {
    /// The shop.
    pub shop: Uuid,
    /// Only in this state.
    pub state: Option<&'a str>,
    /// Only opened before this log index.
    pub before: Option<u64>,
    /// At most so many.
    pub limit: u32,
    /// Columns of the table `intake`; `opened_idx` among them.
    pub columns: &'static str,
}

/// A page of what was found, newest opened first.
pub struct Page {
    /// The rows.
    pub rows: Vec<Row>,
    /// `before` of the next page; none at the end. The page may have fewer rows than were asked for, or none, and still
    /// this: the search went so far back.
    pub next: Option<u64>,
}

/// Finds a page. `db` reads one state throughout (`database::reading`).
///
/// # Errors
/// The database's.
pub async fn page(db: &mut Connection, plan: &Plan, wanted: &Wanted<'_>, reach: Reach) -> Result<Page, sqlx::Error> {
    if let Some(rare) = rarest(db, plan, wanted.shop, reach.rare).await? {
        return begun_with(db, plan, &rare, wanted).await;
    }
    let newest = among_the_newest(db, plan, wanted, reach.looks).await?;
    if newest.next.is_none() || newest.rows.len() == wanted.limit as usize {
        return Ok(newest);
    }
    match rarest(db, plan, wanted.shop, reach.most).await? {
        Some(rare) => begun_with(db, plan, &rare, wanted).await,
        None => Ok(newest),
    }
}

/// Looks through the intakes of a term that few have.
async fn begun_with(db: &mut Connection, plan: &Plan, rare: &Rare, wanted: &Wanted<'_>) -> Result<Page, sqlx::Error> {
    let mut query = database::Builder::new("WITH few (intake) AS MATERIALIZED (SELECT DISTINCT intake FROM (");
    let ways = plan.get(rare.term).into_iter().flatten().zip(&rare.atoms);
    for (n, atom) in ways.filter_map(|(way, n)| way.get(*n)).enumerate() {
        query.push(if n == 0 { "" } else { " UNION ALL " });
        postings(&mut query, wanted.shop, atom);
    }
    // The limit cuts nothing: it tells the database how few they are. A power of two, so that there are few such queries.
    let above = 1i64 << (i64::BITS - rare.places.leading_zeros()).min(i64::BITS - 2);
    query.push(&format!(" LIMIT {above}) AS places) SELECT ")).push(wanted.columns);
    // SQLite keeps the order of a CROSS JOIN.
    query
        .push(" FROM few CROSS JOIN intake WHERE intake.id = few.intake AND shop = ")
        .push_bind(wanted.shop.to_string());
    which(&mut query, wanted)?;
    for (term, ways) in plan.iter().enumerate() {
        let met = term == rare.term && ways.iter().all(|way| way.len() == 1);
        if !met {
            has(&mut query, wanted.shop, ways);
        }
    }
    // Not by the index of openings: they would all be walked.
    query.push(" ORDER BY opened_idx + 0 DESC LIMIT ").push_bind(i64::from(wanted.limit));
    let rows = query.build()?.fetch_all(db).await?;
    let next = full(&rows, wanted)?;
    Ok(Page { rows, next })
}

/// Looks at intakes from the newest back; a query of nothing has no end of looks.
async fn among_the_newest(
    db: &mut Connection,
    plan: &Plan,
    wanted: &Wanted<'_>,
    looks: i64,
) -> Result<Page, sqlx::Error> {
    let floor = if plan.is_empty() { None } else { last_looked_at(db, plan, wanted, looks).await? };
    let mut query = database::Builder::new("SELECT ");
    query.push(wanted.columns).push(" FROM intake WHERE shop = ").push_bind(wanted.shop.to_string());
    which(&mut query, wanted)?;
    if let Some(floor) = floor {
        query.push(" AND opened_idx >= ").push_bind(floor);
    }
    for ways in plan {
        has(&mut query, wanted.shop, ways);
    }
    // As text, so that the database knows how little is wanted.
    query.push(&format!(" ORDER BY opened_idx DESC LIMIT {}", wanted.limit));
    let rows = query.build()?.fetch_all(db).await?;
    let next = match full(&rows, wanted)? {
        Some(next) => Some(next),
        None => floor.map(|f| u64::try_from(f).map_err(|_| load::broken("opened_idx is negative"))).transpose()?,
    };
    Ok(Page { rows, next })
}

/// The opening of the last row of a full page.
fn full(rows: &[Row], wanted: &Wanted<'_>) -> Result<Option<u64>, sqlx::Error> {
    match rows.last() {
        Some(last) if rows.len() == wanted.limit as usize => Ok(Some(load::number(last, "opened_idx")?)),
        _ => Ok(None),
    }
}

/// The newest intakes found, at most so many, and whether there are more.
///
/// # Errors
/// The database's, or an id that is none.
pub async fn all(db: &mut Connection, shop: Uuid, plan: &Plan, most: u32) -> Result<(Vec<Uuid>, bool), sqlx::Error> {
    let (mut found, mut before) = (Vec::new(), None);
    loop {
        let limit = most.saturating_add(1).saturating_sub(u32::try_from(found.len()).unwrap_or(u32::MAX));
        let wanted = Wanted { shop, state: None, before, limit, columns: "id, opened_idx" };
        let page = page(db, plan, &wanted, Reach::PAGE).await?;
        for row in &page.rows {
            found.push(
                row.try_get::<String, _>("id")?.parse().map_err(|_| load::broken("an intake's id is not a UUID"))?,
            );
        }
        let more = found.len() > most as usize;
        if more || page.next.is_none() {
            found.truncate(most as usize);
            return Ok((found, more));
        }
        before = page.next;
    }
}

/// A term that begins the search.
struct Rare {
    /// Its place in the plan.
    term: usize,
    /// Of each of its ways the atom that fewest places have.
    atoms: Vec<usize>,
    /// So many have these.
    places: i64,
}

/// The term that fewest places have, if these are few enough.
async fn rarest(db: &mut Connection, plan: &Plan, shop: Uuid, rare: i64) -> Result<Option<Rare>, sqlx::Error> {
    let mut best: Option<Rare> = None;
    for (term, ways) in plan.iter().enumerate() {
        let (mut places, mut atoms) = (0, Vec::with_capacity(ways.len()));
        for way in ways {
            let mut least = (i64::MAX, 0);
            for (n, atom) in way.iter().enumerate() {
                let mut query = database::Builder::new("SELECT count(*) FROM (");
                postings(&mut query, shop, atom);
                query.push(" LIMIT ").push_bind(rare + 1).push(") AS counted");
                least = least.min((query.build()?.fetch_one(&mut *db).await?.try_get(0)?, n));
            }
            places = least.0.saturating_add(places);
            atoms.push(least.1);
            if places > rare {
                break;
            }
        }
        if places <= rare && best.as_ref().is_none_or(|best| places < best.places) {
            best = Some(Rare { term, atoms, places });
        }
    }
    Ok(best)
}

/// Where the words of an atom stand.
fn postings(query: &mut database::Builder, shop: Uuid, atom: &[Stretch]) {
    for (n, (from, to)) in atom.iter().enumerate() {
        query.push(if n == 0 { "" } else { " UNION ALL " });
        query.push("SELECT intake FROM intake_word WHERE shop = ").push_bind(shop.to_string());
        query.push(" AND word >= ").push_bind(from.clone());
        query.push(" AND word < ").push_bind(to.clone());
    }
}

/// The opening of the last intake that is looked at; none where the history is shorter.
async fn last_looked_at(
    db: &mut Connection,
    plan: &Plan,
    wanted: &Wanted<'_>,
    looks: i64,
) -> Result<Option<i64>, sqlx::Error> {
    let each = i64::try_from(plan.iter().flatten().flatten().flatten().count()).unwrap_or(i64::MAX).max(1);
    let mut query = database::Builder::new("SELECT opened_idx FROM intake WHERE shop = ");
    query.push_bind(wanted.shop.to_string());
    which(&mut query, wanted)?;
    query.push(" ORDER BY opened_idx DESC LIMIT 1 OFFSET ").push_bind((looks / each).max(1) - 1);
    query.build()?.fetch_optional(db).await?.map(|row| row.try_get(0)).transpose()
}

fn which(query: &mut database::Builder, wanted: &Wanted<'_>) -> Result<(), sqlx::Error> {
    if let Some(state) = wanted.state {
        query.push(" AND state = ").push_bind(state);
    }
    if let Some(before) = wanted.before {
        let before = i64::try_from(before).map_err(|_| load::broken("no log is so long"))?;
        query.push(" AND opened_idx < ").push_bind(before);
    }
    Ok(())
}

/// Adds the condition that an intake has a term. One look a stretch: each is a seek by intake and word. `OFFSET 0` keeps
/// PostgreSQL from reading all that have the word first.
fn has(query: &mut database::Builder, shop: Uuid, ways: &[Vec<Vec<Stretch>>]) {
    query.push(" AND (");
    for (n, way) in ways.iter().enumerate() {
        query.push(if n == 0 { "(" } else { " OR (" });
        for (n, atom) in way.iter().enumerate() {
            query.push(if n == 0 { "(" } else { " AND (" });
            for (n, (from, to)) in atom.iter().enumerate() {
                query.push(if n == 0 { "" } else { " OR " });
                query.push("EXISTS (SELECT 1 FROM intake_word w WHERE w.shop = ").push_bind(shop.to_string());
                query.push(" AND w.intake = intake.id AND w.word >= ").push_bind(from.clone());
                query.push(" AND w.word < ").push_bind(to.clone()).push(" LIMIT 1 OFFSET 0)");
            }
            query.push(")");
        }
        query.push(")");
    }
    query.push(")");
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
                project::write(&mut tx, &intake, kind.as_deref(), None).await?;
            }
            project::written(&mut tx, shop).await?;
            tx.commit().await?;
        }
        Ok(())
    }
}

#[cfg(test)]
#[path = "find_tests.rs"]
mod tests;
