//! Reading: the head, the facts of an intake, pages of the log, tree nodes, documents.

use std::collections::{BTreeMap, HashMap};
use std::sync::Arc;

use evidence::checkpoint::{Checkpoint, origin};
use evidence::digest::Digest;
use evidence::disclosure;
use evidence::entry::{Author, Entry};
use evidence::tree::{self, Hash};
use serde_json::Value;
use sqlx::Row;
use uuid::Uuid;

use super::project::OwnKind;
use super::{LOG_NAME, Ledger};
use crate::database::{self, Connection, Executor};
use crate::intake::body::Body;
use crate::intake::kind::LoadedKind;
use crate::intake::state::{Fact, Intake, Mark, Whose};

/// The head of a shop's log.
#[derive(Clone, Debug, PartialEq)]
pub struct Head {
    /// The epoch.
    pub epoch: u64,
    /// Number of entries.
    pub size: u64,
    /// Root of the tree.
    pub root: Hash,
    /// The signed checkpoint.
    pub note: String,
    /// Log time of the newest entry, milliseconds UTC.
    pub log_time: i64,
    /// A newer checkpoint that somebody holds; writing is stopped while there is one.
    pub ahead: Option<String>,
}

impl Head {
    /// The checkpoint as it is signed.
    pub fn checkpoint(&self, shop: Uuid) -> Checkpoint {
        Checkpoint { origin: origin(LOG_NAME, &shop.to_string(), self.epoch), size: self.size, root: self.root }
    }
}

/// One entry as stored, with its disclosures.
#[derive(Clone, Debug)]
pub struct Stored {
    /// Log index.
    pub index: u64,
    /// The bytes that were hashed.
    pub bytes: Vec<u8>,
    /// Disclosures that were kept and not erased.
    pub disclosures: Vec<String>,
}

/// A fault in what is stored, as a sentence.
pub fn broken(sentence: impl Into<String>) -> sqlx::Error {
    sqlx::Error::Protocol(sentence.into())
}

/// An unsigned number from a column.
pub fn number(row: &database::Row, column: &str) -> Result<u64, sqlx::Error> {
    u64::try_from(row.try_get::<i64, _>(column)?).map_err(|_| broken(format!("{column} is negative")))
}

/// A 32-byte hash from a column.
pub fn hash(row: &database::Row, column: &str) -> Result<Hash, sqlx::Error> {
    row.try_get::<Vec<u8>, _>(column)?.try_into().map_err(|_| broken(format!("{column} is not a hash")))
}

/// The head of a shop's log.
///
/// # Errors
/// The database's.
pub async fn head(db: impl Executor<'_>, shop: Uuid) -> Result<Option<Head>, sqlx::Error> {
    let row = sqlx::query(HEAD).bind(shop.to_string()).fetch_optional(db).await?;
    row.map(|r| head_of(&r)).transpose()
}

/// The same, for a transaction that will replace it: nobody else can until that ends.
///
/// # Errors
/// The database's.
pub async fn head_to_write(db: &mut Connection, shop: Uuid) -> Result<Option<Head>, sqlx::Error> {
    let query = sqlx::AssertSqlSafe(format!("{HEAD}{}", database::lock_read(db)));
    let row = sqlx::query(query).bind(shop.to_string()).fetch_optional(db).await?;
    row.map(|r| head_of(&r)).transpose()
}

const HEAD: &str = "SELECT epoch, size, root, note, log_time, ahead FROM log_head WHERE shop = $1";

fn head_of(r: &database::Row) -> Result<Head, sqlx::Error> {
    Ok(Head {
        epoch: number(r, "epoch")?,
        size: number(r, "size")?,
        root: hash(r, "root")?,
        note: r.try_get("note")?,
        log_time: r.try_get("log_time")?,
        ahead: r.try_get("ahead")?,
    })
}

/// Which entries of a log.
#[derive(Clone, Copy, Debug)]
pub struct Range {
    /// Only this intake's.
    pub intake: Option<Uuid>,
    /// Only with a higher index.
    pub after: Option<u64>,
    /// At most so many.
    pub limit: u32,
}

/// Entries with their disclosures, in log order.
///
/// # Errors
/// The database's.
pub async fn entries(db: &mut Connection, shop: Uuid, range: Range) -> Result<Vec<Stored>, sqlx::Error> {
    let after = range.after.map_or(-1, |a| i64::try_from(a).unwrap_or(i64::MAX));
    let (of_entry, of_disclosure) = match range.intake {
        Some(_) => (
            "SELECT idx, bytes FROM entry WHERE shop = $1 AND idx > $2 AND intake = $3 ORDER BY idx LIMIT $4",
            "SELECT idx, text FROM disclosure WHERE shop = $1 AND idx > $2 AND intake = $3 AND idx <= $4",
        ),
        None => (
            "SELECT idx, bytes FROM entry WHERE shop = $1 AND idx > $2 AND $3 = '' ORDER BY idx LIMIT $4",
            "SELECT idx, text FROM disclosure WHERE shop = $1 AND idx > $2 AND $3 = '' AND idx <= $4",
        ),
    };
    let which = range.intake.map(|i| i.to_string()).unwrap_or_default();
    let rows = sqlx::query(of_entry)
        .bind(shop.to_string())
        .bind(after)
        .bind(&which)
        .bind(i64::from(range.limit))
        .fetch_all(&mut *db)
        .await?;
    let mut out = Vec::with_capacity(rows.len());
    for r in &rows {
        out.push(Stored { index: number(r, "idx")?, bytes: r.try_get("bytes")?, disclosures: Vec::new() });
    }
    let Some(last) = out.last().map(|s| s.index) else { return Ok(out) };
    let rows = sqlx::query(of_disclosure)
        .bind(shop.to_string())
        .bind(after)
        .bind(&which)
        .bind(i64::try_from(last).unwrap_or(i64::MAX))
        .fetch_all(&mut *db)
        .await?;
    let place: HashMap<u64, usize> = out.iter().enumerate().map(|(i, s)| (s.index, i)).collect();
    for r in &rows {
        if let Some(stored) = place.get(&number(r, "idx")?).and_then(|i| out.get_mut(*i)) {
            stored.disclosures.push(r.try_get("text")?);
        }
    }
    Ok(out)
}

impl Stored {
    /// The entry, parsed.
    ///
    /// # Errors
    /// A sentence when the bytes are not an entry.
    pub fn entry(&self) -> Result<Entry, String> {
        Entry::parse(&self.bytes).map_err(|e| format!("entry {}: {e}", self.index))
    }

    /// The entry's body with its personal members put back.
    ///
    /// # Errors
    /// A sentence when disclosures do not fit.
    pub fn disclosed(&self, entry: &Entry) -> Result<serde_json::Map<String, Value>, String> {
        disclosure::disclose(&entry.said.body, &self.disclosures).map_err(|e| format!("entry {}: {e}", self.index))
    }
}

/// Folds the entries of an intake.
///
/// # Errors
/// A sentence when an entry's bytes or disclosures are broken.
pub fn fold(whose: Whose, entries: &[Stored]) -> Result<Intake, String> {
    let mut intake = Intake { whose, ..Intake::default() };
    for (order, stored) in entries.iter().enumerate() {
        let entry = stored.entry()?;
        let body = stored.disclosed(&entry)?;
        match Body::parse(&entry.said.kind, entry.said.v, &body) {
            Some(Ok(body)) => intake.apply(&Fact { mark: mark(&entry, Some(stored.index), order)?, body }),
            _ => {
                intake.not_understood += 1;
                intake.last_index = intake.last_index.max(Some(stored.index));
            }
        }
    }
    Ok(intake)
}

/// Who, when and where of an entry.
///
/// # Errors
/// A sentence when it cannot be written canonically.
pub fn mark(entry: &Entry, index: Option<u64>, order: usize) -> Result<Mark, String> {
    Ok(Mark {
        index,
        id: entry.said.id,
        digest: entry.said.digest().map_err(|e| e.to_string())?,
        by: match entry.said.author {
            Author::Staff { staff, .. } => Some(staff),
            Author::Server { .. } => None,
        },
        at: entry.kept.at,
        device_at: entry.said.at,
        order,
    })
}

/// The state of an intake.
///
/// # Errors
/// The database's, or a broken entry.
pub async fn intake(db: &mut Connection, whose: Whose) -> Result<Intake, sqlx::Error> {
    Ok(counted(db, whose).await?.0)
}

/// The same with the number of its entries.
///
/// # Errors
/// The database's, or a broken entry.
pub async fn counted(db: &mut Connection, whose: Whose) -> Result<(Intake, usize), sqlx::Error> {
    let range = Range { intake: Some(whose.intake), after: None, limit: u32::MAX };
    let entries = entries(db, whose.shop, range).await?;
    Ok((fold(whose, &entries).map_err(broken)?, entries.len()))
}

/// The log indices of an intake's entries, in order; none where it has none.
///
/// # Errors
/// The database's.
pub async fn indices(db: &mut Connection, whose: Whose) -> Result<Vec<u64>, sqlx::Error> {
    let all: Vec<i64> = sqlx::query_scalar("SELECT idx FROM entry WHERE shop = $1 AND intake = $2 ORDER BY idx")
        .bind(whose.shop.to_string())
        .bind(whose.intake.to_string())
        .fetch_all(db)
        .await?;
    all.into_iter().map(|n| u64::try_from(n).map_err(|_| broken("a negative log index"))).collect()
}

/// The log index of an intake's newest entry; none where it has none.
///
/// # Errors
/// The database's.
pub async fn last_of(db: &mut Connection, whose: Whose) -> Result<Option<u64>, sqlx::Error> {
    let last: Option<i64> = sqlx::query_scalar("SELECT MAX(idx) FROM entry WHERE shop = $1 AND intake = $2")
        .bind(whose.shop.to_string())
        .bind(whose.intake.to_string())
        .fetch_one(db)
        .await?;
    last.map(|n| u64::try_from(n).map_err(|_| broken("a negative log index"))).transpose()
}

/// Fetches the tree nodes named.
///
/// # Errors
/// The database's.
pub async fn nodes(
    db: &mut Connection,
    shop: Uuid,
    wanted: &[(u8, u64)],
) -> Result<HashMap<(u8, u64), Hash>, sqlx::Error> {
    let mut out = HashMap::with_capacity(wanted.len());
    for some in wanted.chunks(64) {
        let mut query = database::Builder::default();
        for (n, (level, idx)) in some.iter().enumerate() {
            query.push(if n == 0 { "SELECT" } else { " UNION ALL SELECT" });
            query.push(" level, idx, hash FROM node WHERE shop = ").push_bind(shop.to_string());
            query.push(" AND level = ").push_bind(i64::from(*level));
            query.push(" AND idx = ").push_bind(i64::try_from(*idx).unwrap_or(i64::MAX));
        }
        for row in query.build()?.fetch_all(&mut *db).await? {
            let level =
                u8::try_from(number(&row, "level")?).map_err(|_| broken("the stored tree has no such level"))?;
            out.insert((level, number(&row, "idx")?), hash(&row, "hash")?);
        }
    }
    Ok(out)
}

/// The root of the first `size` entries.
///
/// # Errors
/// The database's, or a missing node.
pub async fn root_at(db: &mut Connection, shop: Uuid, size: u64) -> Result<Hash, sqlx::Error> {
    let have = nodes(db, shop, &tree::needed_for_root(size)).await?;
    tree::root_from(size, &mut |l, i| have.get(&(l, i)).copied()).map_err(|e| broken(e.to_string()))
}

/// The proof that entry `index` is in the tree of `size`, from the leaf side.
///
/// # Errors
/// The database's, or a missing node.
pub async fn inclusion(db: &mut Connection, shop: Uuid, index: u64, size: u64) -> Result<Vec<Hash>, sqlx::Error> {
    let have = nodes(db, shop, &tree::needed_for_inclusion(index, size)).await?;
    tree::inclusion(index, size, &mut |l, i| have.get(&(l, i)).copied()).map_err(|e| broken(e.to_string()))
}

/// A document by digest.
///
/// # Errors
/// The database's.
pub async fn document(
    db: impl Executor<'_>,
    shop: Uuid,
    what: &str,
    digest: &Digest,
) -> Result<Option<Vec<u8>>, sqlx::Error> {
    sqlx::query_scalar("SELECT bytes FROM document WHERE shop = $1 AND digest = $2 AND what = $3")
        .bind(shop.to_string())
        .bind(digest.0.to_vec())
        .bind(what)
        .fetch_optional(db)
        .await
}

/// Keeps a document under its digest.
///
/// # Errors
/// The database's.
pub async fn keep_document(
    db: impl Executor<'_>,
    shop: Uuid,
    what: &str,
    name: &str,
    bytes: &[u8],
) -> Result<Digest, sqlx::Error> {
    let digest = Digest::of(bytes);
    sqlx::query(
        "INSERT INTO document (shop, digest, what, name, bytes) VALUES ($1, $2, $3, $4, $5) ON CONFLICT DO NOTHING",
    )
    .bind(shop.to_string())
    .bind(digest.0.to_vec())
    .bind(what)
    .bind(name)
    .bind(bytes)
    .execute(db)
    .await?;
    Ok(digest)
}

/// The settings of a shop, each with the index of the entry that set it.
///
/// # Errors
/// The database's.
pub async fn settings(db: impl Executor<'_>, shop: Uuid) -> Result<BTreeMap<String, (Value, u64)>, sqlx::Error> {
    let rows = sqlx::query("SELECT name, value, idx FROM setting WHERE shop = $1")
        .bind(shop.to_string())
        .fetch_all(db)
        .await?;
    rows.iter()
        .map(|r| {
            let value = serde_json::from_str(&r.try_get::<String, _>("value")?).map_err(|e| broken(e.to_string()))?;
            Ok((r.try_get("name")?, (value, number(r, "idx")?)))
        })
        .collect()
}

impl Ledger {
    /// The kind with this digest, from memory or the database.
    ///
    /// # Errors
    /// The database's, or a stored kind that no longer parses.
    pub async fn kind(
        &self,
        db: &mut Connection,
        shop: Uuid,
        digest: &Digest,
    ) -> Result<Option<Arc<LoadedKind>>, sqlx::Error> {
        if let Some(kind) = self.inner.kinds.lock().ok().and_then(|k| k.get(digest).cloned()) {
            return Ok(Some(kind));
        }
        let Some(bytes) = document(&mut *db, shop, "kind", digest).await? else { return Ok(None) };
        let kind = Arc::new(LoadedKind::parse(&bytes).map_err(|e| broken(e.to_string()))?);
        if let Ok(mut kinds) = self.inner.kinds.lock() {
            kinds.insert(*digest, kind.clone());
        }
        Ok(Some(kind))
    }

    /// The head of a shop's log.
    ///
    /// # Errors
    /// The database's.
    pub async fn head(&self, shop: Uuid) -> Result<Option<Head>, sqlx::Error> {
        head(&self.inner.pool, shop).await
    }
}

/// Everything a shop said of its own kinds, in log order.
///
/// # Errors
/// The database's.
pub async fn own_kinds(db: impl Executor<'_>, shop: Uuid) -> Result<Vec<OwnKind>, sqlx::Error> {
    let rows = sqlx::query("SELECT idx, kind_id, digest FROM own_kind WHERE shop = $1 ORDER BY idx")
        .bind(shop.to_string())
        .fetch_all(db)
        .await?;
    rows.iter()
        .map(|r| {
            let digest = match r.try_get::<Option<Vec<u8>>, _>("digest")? {
                Some(_) => Some(Digest(hash(r, "digest")?)),
                None => None,
            };
            Ok(OwnKind { index: number(r, "idx")?, kind_id: r.try_get("kind_id")?, digest })
        })
        .collect()
}
