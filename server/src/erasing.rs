//! Erasing: the bytes of a photo that was erased by an entry leave the disk, and its renditions with them, once nothing else
//! names them. The entry comes first; what a stop interrupted is done at the next start.

use evidence::digest::Digest;
use evidence::entry::Entry;
use serde_json::Value;
use sqlx::Row;
use uuid::Uuid;

use crate::app::App;
use crate::away;
use crate::ledger::Ledger;
use crate::ledger::load::{self, broken};
use crate::originals::Shelf;

pub mod customer;

/// Files that were erased and that no photo names any more.
const ERASED: &str = "SELECT DISTINCT shop, file FROM named_file f WHERE f.erased_idx IS NOT NULL AND NOT EXISTS
    (SELECT 1 FROM named_file o WHERE o.shop = f.shop AND o.file = f.file AND o.moved_idx IS NULL AND o.erased_idx IS NULL)";

/// Takes away what was erased and is still there. Gives the number of files taken away.
///
/// # Errors
/// A sentence for the log; the same is tried again at the next start.
pub async fn sweep(app: &App) -> Result<usize, String> {
    let rows = sqlx::query(ERASED).fetch_all(app.ledger.pool()).await.map_err(|e| e.to_string())?;
    let away = || "the store of originals does not answer; it is taken away when it does".to_owned();
    // Nobody is kept from writing while a store that is away is waited for.
    if !rows.is_empty() && !away::reachable(app).await {
        return Err(away());
    }
    let (mut gone, mut failed) = (0, None);
    for r in &rows {
        let shop: String = r.try_get("shop").map_err(|e| e.to_string())?;
        let shop: Uuid = shop.parse().map_err(|_| "a shop's id is not a UUID".to_owned())?;
        let file = Digest(load::hash(r, "file").map_err(|e| e.to_string())?);
        match one(app, shop, file).await {
            Ok(n) => gone += n,
            // One that a bucket keeps locked keeps no other.
            Err(e) if away::reachable(app).await => failed = failed.or(Some(format!("{file}: {e}"))),
            Err(_) => return Err(away()),
        }
    }
    failed.map_or(Ok(gone), Err)
}

/// One file. Alone: nobody says meanwhile that its bytes are held.
async fn one(app: &App, shop: Uuid, file: Digest) -> Result<usize, sqlx::Error> {
    let _alone = app.discarding.write().await;
    let _held = app.ledger.hold(shop).await?;
    if !erased(app, shop, &file).await? {
        return Ok(0);
    }
    let ledger = &app.ledger;
    let mut wanted = vec![(Shelf::Originals, file)];
    for rendition in renditions(ledger, shop, &file).await? {
        if !shown_elsewhere(ledger, shop, &file, &rendition).await? {
            wanted.push((Shelf::Renditions, rendition));
        }
    }
    let originals = ledger.originals().clone();
    let take = move || {
        let mut gone = 0;
        originals.erase_parts(shop, &file)?;
        for (shelf, digest) in wanted {
            gone += usize::from(originals.erase(shop, shelf, &digest)?);
        }
        Ok::<_, std::io::Error>(gone)
    };
    let gone = tokio::task::spawn_blocking(take).await.map_err(|e| broken(e.to_string()))?;
    gone.map_err(sqlx::Error::Io)
}

/// Whether a file was erased and no photo names it any more.
///
/// # Errors
/// The database's.
pub async fn erased(app: &App, shop: Uuid, file: &Digest) -> Result<bool, sqlx::Error> {
    gone(&app.ledger, shop, file).await
}

async fn gone(ledger: &Ledger, shop: Uuid, file: &Digest) -> Result<bool, sqlx::Error> {
    let (erased, live): (i64, i64) = sqlx::query_as(
        "SELECT count(erased_idx), count(*) FILTER (WHERE moved_idx IS NULL AND erased_idx IS NULL)
         FROM named_file WHERE shop = $1 AND file = $2",
    )
    .bind(shop.to_string())
    .bind(file.0.to_vec())
    .fetch_one(ledger.pool())
    .await?;
    Ok(erased > 0 && live == 0)
}

/// Judgements that name this digest.
async fn judgements(ledger: &Ledger, shop: Uuid, digest: &Digest) -> Result<Vec<Entry>, sqlx::Error> {
    let all: Vec<Vec<u8>> = sqlx::query_scalar(
        "SELECT bytes FROM entry WHERE shop = $1 AND type IN ('photo-judged', 'photo-redacted') AND instr(bytes, $2) > 0",
    )
    .bind(shop.to_string())
    .bind(digest.to_string().into_bytes())
    .fetch_all(ledger.pool())
    .await?;
    all.iter().map(|bytes| Entry::parse(bytes).map_err(|e| broken(e.to_string()))).collect()
}

fn digest_in(value: Option<&Value>) -> Option<Digest> {
    value?.as_str()?.parse().ok()
}

/// The copies that were made of a file.
async fn renditions(ledger: &Ledger, shop: Uuid, file: &Digest) -> Result<Vec<Digest>, sqlx::Error> {
    let mut out = Vec::new();
    for entry in judgements(ledger, shop, file).await? {
        if digest_in(entry.said.body.get("file")) == Some(*file) {
            let list = entry.said.body.get("renditions").and_then(Value::as_array);
            out.extend(list.into_iter().flatten().filter_map(|r| digest_in(r.get("file"))));
        }
    }
    Ok(out)
}

/// Whether a copy is one of a photo that stays.
///
/// # Errors
/// The database's.
pub async fn shown(app: &App, shop: Uuid, rendition: &Digest) -> Result<bool, sqlx::Error> {
    shown_elsewhere(&app.ledger, shop, rendition, rendition).await
}

/// Whether a copy is also one of another file that stays: the same picture with other words in it.
async fn shown_elsewhere(ledger: &Ledger, shop: Uuid, file: &Digest, rendition: &Digest) -> Result<bool, sqlx::Error> {
    for entry in judgements(ledger, shop, rendition).await? {
        let Some(other) = digest_in(entry.said.body.get("file")).filter(|o| o != file) else { continue };
        if !gone(ledger, shop, &other).await? {
            return Ok(true);
        }
    }
    Ok(false)
}
