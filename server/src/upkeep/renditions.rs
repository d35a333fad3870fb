//! Copies that are gone are made again from their originals, and kept only if they are the very bytes that an entry names.

use std::collections::BTreeSet;

use evidence::digest::Digest;
use evidence::entry::Entry;
use serde_json::Value;
use sqlx::Row as _;
use uuid::Uuid;

use crate::intake::redaction::Area;
use crate::ledger::Ledger;
use crate::ledger::load::broken;
use crate::originals::Shelf;
use crate::photo::rendition::Rendition;
use crate::photo::{self, cover};

/// Entries read at once.
const PAGE: i64 = 200;

/// What was done.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Made {
    /// Copies that were gone.
    pub missing: usize,
    /// Those of them that are there again.
    pub made: usize,
    /// Why others are not: a sentence each.
    pub cannot: Vec<String>,
}

/// Makes every copy again that an entry names, whose photo is here and that is not.
///
/// # Errors
/// The database's.
pub async fn make(ledger: &Ledger, shop: Uuid, dry: bool) -> Result<Made, sqlx::Error> {
    let (mut out, mut next) = (Made::default(), 0);
    loop {
        let rows = sqlx::query(
            "SELECT idx, bytes FROM entry WHERE shop = $1 AND idx >= $2 AND type IN ('photo-judged', 'photo-redacted') ORDER BY idx LIMIT $3",
        )
        .bind(shop.to_string())
        .bind(next)
        .bind(PAGE)
        .fetch_all(ledger.pool())
        .await?;
        for row in &rows {
            next = row.try_get::<i64, _>("idx")? + 1;
            let entry = Entry::parse(&row.try_get::<Vec<u8>, _>("bytes")?).map_err(|e| broken(e.to_string()))?;
            one(ledger, shop, next - 1, &entry, dry, &mut out).await?;
        }
        if (rows.len() as i64) < PAGE {
            return Ok(out);
        }
    }
}

async fn one(
    ledger: &Ledger,
    shop: Uuid,
    index: i64,
    entry: &Entry,
    dry: bool,
    out: &mut Made,
) -> Result<(), sqlx::Error> {
    let body = &entry.said.body;
    let digest = |value: Option<&Value>| value?.as_str()?.parse::<Digest>().ok();
    let Some(file) = digest(body.get("file")) else { return Ok(()) };
    let list = body.get("renditions").and_then(Value::as_array);
    let originals = ledger.originals().clone();
    let mut missing = BTreeSet::new();
    for copy in list.into_iter().flatten().filter_map(|r| digest(r.get("file"))) {
        if !originals.is_there(shop, Shelf::Renditions, &copy).map_err(sqlx::Error::Io)? {
            missing.insert(copy);
        }
    }
    if missing.is_empty() {
        return Ok(());
    }
    // Of what was erased nothing is made again.
    let live: i64 = sqlx::query_scalar(
        "SELECT count(*) FROM named_file WHERE shop = $1 AND file = $2 AND moved_idx IS NULL AND erased_idx IS NULL",
    )
    .bind(shop.to_string())
    .bind(file.0.to_vec())
    .fetch_one(ledger.pool())
    .await?;
    if live == 0 {
        return Ok(());
    }
    out.missing += missing.len();
    if dry {
        return Ok(());
    }
    let boxes: Option<Vec<Area>> =
        body.get("boxes").map(|b| serde_json::from_value(b.clone())).transpose().map_err(|e| broken(e.to_string()))?;
    let (nonce, wanted) = (ledger.nonce(), missing.clone());
    let work = move || {
        let copies = again(&originals.read(shop, Shelf::Originals, &file).map_err(|e| e.to_string())?, boxes)?;
        let mut made = 0;
        for copy in copies.iter().filter(|c| wanted.contains(&Digest::of(&c.bytes))) {
            originals.keep(shop, Shelf::Renditions, &copy.bytes, nonce).map_err(|e| e.to_string())?;
            made += 1;
        }
        Ok::<usize, String>(made)
    };
    match tokio::task::spawn_blocking(work).await.map_err(|e| broken(e.to_string()))? {
        Ok(made) => {
            out.made += made;
            if made < missing.len() {
                out.cannot.push(format!(
                    "entry {index}: {} copies of {file} come out different in this version of the program",
                    missing.len() - made
                ));
            }
        }
        Err(e) => out.cannot.push(format!("entry {index}: no copies of {file}: {e}")),
    }
    Ok(())
}

/// The copies of an original as they are made; with boxes filled where there are boxes.
fn again(bytes: &[u8], boxes: Option<Vec<Area>>) -> Result<Vec<Rendition>, String> {
    match boxes {
        None => photo::judge(bytes).map(|outcome| outcome.renditions).map_err(|e| e.to_string()),
        Some(boxes) => {
            let upright = photo::upright(bytes).map_err(|_| "it is no picture that can be read".to_owned())?;
            cover::copies(upright, &boxes).ok_or_else(|| "it cannot be encoded".to_owned())
        }
    }
}
