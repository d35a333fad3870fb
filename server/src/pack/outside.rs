//! What others said of the log, chosen for a pack or a receipt: for each of its entries the first stamp and the first witnessed head that
//! cover it, with the proof that this head and the pack's are of one log.

use std::collections::{BTreeMap, BTreeSet};

use evidence::stamp::Stamp;
use evidence::tree::Hash;
use evidence::verify::outside::{MAX_STAMPS, proof_file, stamp_path, witnessed_path};
use uuid::Uuid;

use super::Planned;
use crate::database::Connection;
use crate::ledger::load::{self, Head};
use crate::ledger::{Ledger, prove};
use crate::outside::stamping::{self, Kept};
use crate::outside::witnessing;

/// A stamp in a pack.
#[derive(Clone, Debug)]
pub struct Placed {
    /// Entries that the log had at the stamped head.
    pub size: u64,
    /// What it says.
    pub stamp: Stamp,
}

/// For each index the first of these sizes that covers it. Pure.
fn first_to_cover(indices: impl Iterator<Item = u64>, sizes: &BTreeSet<u64>) -> BTreeSet<u64> {
    indices.filter_map(|i| sizes.range(i + 1..).next().copied()).collect()
}

/// The kept stamps that cover these entries first, the smallest head first: at most [`MAX_STAMPS`].
///
/// # Errors
/// The database's, or a sentence.
pub async fn covering(
    ledger: &Ledger,
    db: &mut Connection,
    (shop, head): (Uuid, &Head),
    indices: &[u64],
) -> Result<Vec<Kept>, String> {
    let originals = ledger.originals();
    let list = originals.outside_list(shop, stamping::FOLDER, stamping::ANSWER).map_err(|e| e.to_string())?;
    let line = ledger.line(db, shop).await.map_err(|e| e.to_string())?;
    let mut found: Vec<Kept> = Vec::new();
    let mut usable: BTreeSet<u64> = list.iter().map(|(_, size)| *size).filter(|s| *s <= head.size).collect();
    // A stamp that does not hold any more, or is of what an epoch lost, makes room for the next one.
    while found.len() < MAX_STAMPS {
        let chosen = first_to_cover(indices.iter().copied(), &usable);
        let Some(next) = chosen.into_iter().find(|s| !found.iter().any(|k| k.of.1 == *s)) else { break };
        let root = load::root_at(db, shop, next).await.map_err(|e| e.to_string())?;
        let ours = |k: &Kept| line.own(&k.note).is_some_and(|(_, c)| (c.size, c.root) == (next, root));
        let of = list.iter().filter(|(_, size)| *size == next);
        let Some(kept) = of.filter_map(|of| stamping::kept(originals, shop, *of).ok()).find(ours) else {
            tracing::warn!(%shop, size = next, "a time stamp is left out: it does not hold");
            usable.remove(&next);
            continue;
        };
        found.push(kept);
    }
    found.sort_by_key(|k| k.of.1);
    Ok(found)
}

/// The stamps for a pack whose head has this size, as files; and where they stand.
///
/// # Errors
/// The database's, or a sentence.
pub async fn stamps(
    ledger: &Ledger,
    db: &mut Connection,
    (shop, head): (Uuid, &Head),
    indices: &[u64],
    size: u64,
) -> Result<(Vec<Planned>, Vec<Placed>), String> {
    let (mut files, mut placed) = (Vec::new(), Vec::new());
    for kept in covering(ledger, db, (shop, head), indices).await? {
        let at = kept.of.1;
        let proof = between(db, shop, size, at).await?;
        files.push(Planned::here(stamp_path(at, "txt"), kept.note));
        files.push(Planned::here(stamp_path(at, "json"), proof_file(&proof)));
        files.push(Planned::here(stamp_path(at, stamping::ANSWER), kept.answer));
        files.push(Planned::here(stamp_path(at, stamping::ROOTS), kept.pem));
        placed.push(Placed { size: at, stamp: kept.stamp });
    }
    Ok((files, placed))
}

/// A head that witnesses cosigned.
#[derive(Clone, Debug)]
pub struct Witnessed {
    /// Entries that the log had then.
    pub size: u64,
    /// The checkpoint with its cosignatures.
    pub note: String,
    /// The proof that it and the other head are of one log.
    pub proof: Vec<Hash>,
}

impl Witnessed {
    /// As files of a pack.
    pub fn files(&self) -> [Planned; 2] {
        let (note, proof) = (self.note.clone(), proof_file(&self.proof));
        [Planned::here(witnessed_path(self.size, "txt"), note), Planned::here(witnessed_path(self.size, "json"), proof)]
    }
}

/// The witnessed heads that cover these entries, for a head of this size.
///
/// # Errors
/// The database's, or a sentence.
pub async fn witnessed(
    ledger: &Ledger,
    db: &mut Connection,
    (shop, head): (Uuid, &Head),
    indices: &[u64],
    size: u64,
) -> Result<Vec<Witnessed>, String> {
    let originals = ledger.originals();
    let all = originals.outside_names(shop, witnessing::FOLDER).map_err(|e| e.to_string())?;
    let mut usable = BTreeMap::new();
    for (of, _) in all.into_iter().filter(|((_, size), _)| *size <= head.size) {
        usable.insert(of.1, of);
    }
    let line = ledger.line(db, shop).await.map_err(|e| e.to_string())?;
    let mut out: Vec<Witnessed> = Vec::new();
    while out.len() < MAX_STAMPS {
        let sizes = usable.keys().copied().collect();
        let chosen = first_to_cover(indices.iter().copied(), &sizes);
        let Some(next) = chosen.into_iter().find(|s| !out.iter().any(|w| w.size == *s)) else { break };
        let root = load::root_at(db, shop, next).await.map_err(|e| e.to_string())?;
        let note = witnessing::cosigned(originals, shop, usable[&next])?;
        let note = note.filter(|n| line.own(n).is_some_and(|(_, c)| (c.size, c.root) == (next, root)));
        let Some(note) = note else {
            usable.remove(&next);
            continue;
        };
        out.push(Witnessed { size: next, note, proof: between(db, shop, size, next).await? });
    }
    out.sort_by_key(|w| w.size);
    Ok(out)
}

/// The proof that heads of two sizes are of one log.
async fn between(db: &mut Connection, shop: Uuid, a: u64, b: u64) -> Result<Vec<Hash>, String> {
    if a == b {
        return Ok(Vec::new());
    }
    prove::consistency(db, shop, a.min(b), a.max(b)).await.map_err(|e| e.to_string())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_entry_gets_the_first_stamp_after_it() {
        let sizes = BTreeSet::from([3, 7, 20]);
        let of = |indices: &[u64]| first_to_cover(indices.iter().copied(), &sizes).into_iter().collect::<Vec<_>>();
        assert_eq!(of(&[0, 2]), [3]);
        assert_eq!(of(&[2, 3, 6]), [3, 7]);
        assert_eq!(of(&[7, 19, 20]), [20]);
        assert!(of(&[]).is_empty());
    }
}
