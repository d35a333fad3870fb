//! What `check` compares for the desk: the words of the forgiving search, and the kinds a shop made.

use std::collections::BTreeSet;

use evidence::digest::Digest;
use sqlx::Row;
use uuid::Uuid;

use super::Report;
use crate::database::Connection;
use crate::ledger::load;
use crate::ledger::project::OwnKind;
use crate::search::{ends, is_plain};

/// Words with a typo are looked up among exactly those that intakes have; those are compared with the log elsewhere.
pub(super) async fn words(db: &mut Connection, shop: Uuid, report: &mut Report) -> Result<(), sqlx::Error> {
    let found_by: Vec<String> = sqlx::query_scalar("SELECT DISTINCT word FROM intake_word WHERE shop = $1")
        .bind(shop.to_string())
        .fetch_all(&mut *db)
        .await?;
    let wanted: BTreeSet<(String, (String, String))> =
        found_by.into_iter().filter(|w| is_plain(w)).map(|w| (w.clone(), ends(&w))).collect();
    let rows = sqlx::query("SELECT word, front, back FROM search_word WHERE shop = $1")
        .bind(shop.to_string())
        .fetch_all(&mut *db)
        .await?;
    let stored = rows
        .iter()
        .map(|r| Ok((r.try_get("word")?, (r.try_get("front")?, r.try_get("back")?))))
        .collect::<Result<BTreeSet<_>, sqlx::Error>>()?;
    if wanted != stored {
        report.faults.push(format!("shop {shop}: the words of the search are not those that the list has"));
    }
    Ok(())
}

/// The kinds a shop added and retired are those the log says, and the bytes of each are there.
pub(super) async fn kinds(
    db: &mut Connection,
    shop: Uuid,
    rebuilt: &[OwnKind],
    report: &mut Report,
) -> Result<(), sqlx::Error> {
    let stored = load::own_kinds(&mut *db, shop).await?;
    if stored != rebuilt {
        report.faults.push(format!("shop {shop}: the shop's own kinds are not the ones the log says"));
    }
    let named: BTreeSet<Digest> = rebuilt.iter().filter_map(|k| k.digest).collect();
    for digest in named {
        if load::document(&mut *db, shop, "kind", &digest).await?.is_none() {
            report.faults.push(format!("kind {digest}: an entry added it and its bytes are not there"));
        }
    }
    Ok(())
}
