//! A command that came before: a device whose answer was lost asks again, and hears what it would have heard.

use std::collections::HashSet;

use evidence::digest::Digest;
use evidence::entry::{Author, Entry};
use sqlx::Row;
use uuid::Uuid;

use super::load::{self, Range, broken};
use super::{Answer, No};
use crate::database::{self, Connection};
use crate::intake::body::Body;
use crate::intake::decide::{self, Sentence};
use crate::intake::state::Whose;

/// Which of these ids stand for an entry.
///
/// # Errors
/// The database's.
pub(super) async fn among(db: &mut Connection, shop: Uuid, ids: &[Uuid]) -> Result<HashSet<Uuid>, sqlx::Error> {
    let mut query = database::Builder::new("SELECT id FROM entry WHERE shop = ");
    query.push_bind(shop.to_string()).push(" AND id IN (");
    for (n, id) in ids.iter().enumerate() {
        query.push(if n == 0 { "" } else { ", " }).push_bind(id.to_string());
    }
    query.push(")");
    let rows = query.build()?.fetch_all(db).await?;
    rows.iter()
        .map(|row| row.try_get::<String, _>("id")?.parse().map_err(|_| broken("an entry's id is no UUID")))
        .collect()
}

/// The same id again: the same words are the same command; other words are refused.
///
/// # Errors
/// The database's, or a broken entry.
pub(super) async fn kept_before(
    db: &mut Connection,
    shop: Uuid,
    id: Uuid,
    digest: &Digest,
) -> Result<Option<Result<Answer, No>>, sqlx::Error> {
    let row = sqlx::query("SELECT idx, digest, bytes FROM entry WHERE shop = $1 AND id = $2")
        .bind(shop.to_string())
        .bind(id.to_string())
        .fetch_optional(&mut *db)
        .await?;
    let Some(row) = row else { return Ok(None) };
    if load::hash(&row, "digest")? != digest.0 {
        return Ok(Some(Err(No::IdUsed)));
    }
    let entry = Entry::parse(&row.try_get::<Vec<u8>, _>("bytes")?).map_err(|e| broken(e.to_string()))?;
    let index = load::number(&row, "idx")?;
    let told = told_then(db, &entry, index).await?;
    Ok(Some(Ok(Answer { id, index, digest: *digest, kept: entry.kept, told, checkpoint: String::new(), fresh: false })))
}

/// What its author was told when it was kept, from the entries before it.
async fn told_then(db: &mut Connection, entry: &Entry, index: u64) -> Result<Vec<Sentence>, sqlx::Error> {
    let said = &entry.said;
    let (Some(intake), Author::Staff { staff, .. }) = (said.intake, &said.author) else { return Ok(Vec::new()) };
    let range = Range { intake: Some(intake), after: None, limit: u32::MAX };
    let mut entries = load::entries(db, said.shop, range).await?;
    let Some(at) = entries.iter().position(|e| e.index == index) else { return Ok(Vec::new()) };
    // Of an erased customer the words are gone, and with them what there was to tell.
    let Some(Ok(body)) = entries[at].disclosed(entry).ok().and_then(|b| Body::parse(&said.kind, said.v, &b)) else {
        return Ok(Vec::new());
    };
    entries.truncate(at);
    let before = load::fold(Whose { shop: said.shop, intake }, &entries).map_err(broken)?;
    Ok(decide::meanwhile(&before, Some(*staff), said.seen, &body))
}
