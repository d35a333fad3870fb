//! What `check` looks at beside entries and projections: the tree as stored, published checkpoints, documents, and
//! whether the database holds together at all.

use std::collections::BTreeMap;
use std::io;

use evidence::digest::Digest;
use evidence::disclosure;
use evidence::tree::{self, Hash};
use futures_util::StreamExt;
use sqlx::Row;
use uuid::Uuid;

use super::Report;
use crate::database::{self, Connection};
use crate::ledger::keys::Line;
use crate::ledger::load::{self, broken};

/// The stored tree, level by level.
pub(super) type Levels = Vec<Vec<Hash>>;

/// Asks the database whether its tables and indexes agree, which nothing else sees, and whether every row belongs to a
/// shop: what belongs to none is not looked at below.
pub(super) async fn whole(pool: &database::Pool, report: &mut Report) {
    let (faults, notes) = database::whole(pool).await;
    report.faults.extend(faults);
    report.notes.extend(notes);
}

/// Every stored node against the two below it; leaves are compared with their entries elsewhere.
pub(super) async fn nodes(
    db: &mut Connection,
    shop: Uuid,
    size: u64,
    report: &mut Report,
) -> Result<Levels, sqlx::Error> {
    let mut levels: Levels = Vec::new();
    let mut rows = sqlx::query("SELECT level, idx, hash FROM node WHERE shop = $1 ORDER BY level, idx")
        .bind(shop.to_string())
        .fetch(&mut *db);
    while let Some(row) = rows.next().await {
        let row = row?;
        let (level, index) = (load::number(&row, "level")?, load::number(&row, "idx")?);
        let hash = load::hash(&row, "hash").map_err(|e| broken(format!("node {level}/{index}: {e}")))?;
        if level >= u64::from(u64::BITS) {
            report.faults.push(format!("node {level}/{index}: the stored tree has no such level"));
            continue;
        }
        let below = usize::try_from(level).ok().and_then(|l| l.checked_sub(1)).and_then(|l| levels.get(l));
        let expected = below.and_then(|b| {
            let left = usize::try_from(index).ok()?.checked_mul(2)?;
            Some(tree::node_hash(b.get(left)?, b.get(left + 1)?))
        });
        if level > 0 && expected != Some(hash) {
            report.faults.push(format!("node {level}/{index} of the stored tree is not the hash of what is below it"));
        }
        while levels.len() as u64 <= level {
            levels.push(Vec::new());
        }
        if let Some(level) = levels.last_mut() {
            level.push(hash);
        }
    }
    for (level, nodes) in levels.iter().enumerate() {
        let due = size >> level;
        if nodes.len() as u64 != due {
            report.faults.push(format!(
                "shop {shop}: level {level} of the stored tree has {} nodes, the log's {size} entries give {due}",
                nodes.len()
            ));
        }
    }
    Ok(levels)
}

/// Every published checkpoint: signed by this log under the name it has, and what the log still says. `epochs` holds
/// each epoch with the log index that opened it.
pub(super) fn published(
    line: &Line,
    shop: Uuid,
    list: io::Result<Vec<(String, String)>>,
    levels: &Levels,
    epochs: &BTreeMap<u64, u64>,
    report: &mut Report,
) {
    let list = match list {
        Ok(list) => list,
        Err(e) => return report.faults.push(format!("shop {shop}: the published checkpoints cannot be read ({e})")),
    };
    let size = levels.first().map_or(0, Vec::len) as u64;
    let (mut lost, mut other) = (0u64, Vec::new());
    for (name, note) in list {
        let Some((epoch, checkpoint)) = line.own(&note).filter(|(e, c)| name == format!("{e}/{}", c.size)) else {
            report.faults.push(format!("checkpoint {name}: it was not signed by this log under that name"));
            continue;
        };
        // What a later epoch went on from is all that is left of the ones before.
        let left = epochs.range(epoch + 1..).map(|(_, index)| *index).min().unwrap_or(size);
        if checkpoint.size > left {
            lost += 1;
            if epochs.range(epoch + 1..).next().is_none() {
                report.faults.push(format!("checkpoint {name}: it is ahead of the log, which has {size} entries"));
            }
            continue;
        }
        let get =
            &mut |level: u8, index: u64| levels.get(usize::from(level))?.get(usize::try_from(index).ok()?).copied();
        if tree::root_from(checkpoint.size, get) != Ok(checkpoint.root) {
            other.push(name);
        }
    }
    if let Some(first) = other.first() {
        report.faults.push(format!(
            "{} published checkpoints say another root than the stored tree, first checkpoint {first}",
            other.len()
        ));
    }
    if lost > 0 {
        report.notes.push(format!("{lost} published checkpoints cover entries that an earlier epoch lost"));
    }
}

/// Kinds, catalogues and terms stand under the digest that entries name.
pub(super) async fn documents(db: &mut Connection, shop: Uuid, report: &mut Report) -> Result<(), sqlx::Error> {
    let rows = sqlx::query("SELECT digest, what, name, bytes FROM document WHERE shop = $1")
        .bind(shop.to_string())
        .fetch_all(&mut *db)
        .await?;
    for row in &rows {
        let digest = Digest(load::hash(row, "digest")?);
        let (what, name): (String, String) = (row.try_get("what")?, row.try_get("name")?);
        if !["kind", "words", "terms"].contains(&what.as_str()) {
            report.faults.push(format!("document {digest}: nothing is looked for under \"{what}\""));
        }
        if Digest::of(&row.try_get::<Vec<u8>, _>("bytes")?) != digest {
            report.faults.push(format!("document {digest} ({what} {name}): its bytes were changed"));
        }
    }
    Ok(())
}

/// The columns beside each disclosure; whether it fits its entry's body is looked at with the entry.
pub(super) async fn disclosures(db: &mut Connection, shop: Uuid, report: &mut Report) -> Result<(), sqlx::Error> {
    let mut rows = sqlx::query(
        "SELECT d.idx, d.digest, d.text, CASE WHEN d.intake IS NOT DISTINCT FROM e.intake AND e.idx IS NOT NULL THEN 1 ELSE 0 END AS belongs
         FROM disclosure d LEFT JOIN entry e ON e.shop = d.shop AND e.idx = d.idx WHERE d.shop = $1",
    )
    .bind(shop.to_string())
    .fetch(&mut *db);
    while let Some(row) = rows.next().await {
        let row = row?;
        let (digest, text): (String, String) = (row.try_get("digest")?, row.try_get("text")?);
        if disclosure::digest_of(&text) != digest || row.try_get::<i64, _>("belongs")? == 0 {
            let index = load::number(&row, "idx")?;
            report.faults.push(format!("entry {index}: a column beside a disclosure says something else than the log"));
        }
    }
    Ok(())
}
