//! An earlier receipt against a later receipt or pack: does the log only go on, or was it written anew?

use std::collections::BTreeMap;

use super::receipt::Carried;
use super::{Report, Verdict, believed, entries::Facts, same_log};
use crate::checkpoint::{Checkpoint, origin_parts};
use crate::note::VerifierKey;
use crate::tree::{self, Hash};

/// Proofs that a log begins with the log of an earlier size: the size and its proof's hashes.
pub type Continuations = BTreeMap<u64, Vec<Hash>>;

/// What an earlier receipt knows of the log.
#[derive(Clone, Debug)]
pub struct Earlier {
    /// The head it was given with.
    pub head: Checkpoint,
    key: VerifierKey,
    leaves: BTreeMap<u64, Hash>,
    continues: Continuations,
}

/// Why an earlier file cannot be compared with.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Unusable;

impl Earlier {
    /// Reads an earlier receipt. Its own key has to be one of those given, when any were; every entry in it has to be proven.
    ///
    /// # Errors
    /// When it is no receipt, or does not check by itself.
    pub fn of_receipt(bytes: &[u8], given: &[VerifierKey]) -> Result<Earlier, Unusable> {
        let carried = Carried::read(bytes).ok_or(Unusable)?;
        let mut report = Report::default();
        let key = believed(carried.key(), given, &mut report).ok_or(Unusable)?;
        let head = Checkpoint::open(&carried.checkpoint, &[&key]).map_err(|_| Unusable)?;
        let mut facts = Facts::default();
        for e in &carried.entries {
            facts.take(&head, (e.index, e.bytes.as_bytes(), &e.path), &e.disclosures, &mut report);
        }
        if report.worst() == Verdict::Broken || !carried.page_holds(bytes, &key) {
            return Err(Unusable);
        }
        Ok(Earlier { head, key, leaves: facts.leaves, continues: carried.continues })
    }
}

/// Adds what comparing shows.
pub(super) fn compare(
    earlier: &Result<Earlier, Unusable>,
    later: (&Checkpoint, &VerifierKey, &Facts),
    continues: &Continuations,
    report: &mut Report,
) {
    let (verdict, code) = match earlier {
        Err(Unusable) => (Verdict::Broken, "earlier-broken"),
        Ok(earlier) => judged(earlier, later, continues),
    };
    report.add("earlier receipt", verdict, code);
}

fn judged(
    earlier: &Earlier,
    (head, key, facts): (&Checkpoint, &VerifierKey, &Facts),
    continues: &Continuations,
) -> (Verdict, &'static str) {
    if earlier.key.public != key.public || !same_log(&earlier.head.origin, &head.origin) {
        return (Verdict::Broken, "earlier-other-log");
    }
    let epoch = |origin: &str| origin_parts(origin).map(|(_, _, epoch)| epoch);
    let crossed = epoch(&earlier.head.origin) != epoch(&head.origin);
    // The log of the newer epoch begins with what was restored; what came after that in the older one is lost, and the
    // entry that opens the epoch says so.
    if crossed && facts.epoch_begins.is_some_and(|begins| earlier.head.size > begins) {
        return (Verdict::Missing, "earlier-lost");
    }
    if earlier.leaves.iter().any(|(index, leaf)| facts.leaves.get(index).is_some_and(|l| l != leaf)) {
        return if crossed && facts.epoch_begins.is_none() {
            (Verdict::Missing, "earlier-epoch")
        } else {
            (Verdict::Broken, "rewritten")
        };
    }
    let (old, new, proofs) = if earlier.head.size <= head.size {
        (&earlier.head, head, continues)
    } else {
        (head, &earlier.head, &earlier.continues)
    };
    let empty = Vec::new();
    let proof = if old.size == new.size { Some(&empty) } else { proofs.get(&old.size) };
    match proof.map(|p| tree::verify_consistency(old.size, new.size, p, old.root, new.root)) {
        None => (Verdict::Missing, "earlier-no-proof"),
        Some(Ok(())) if crossed => (Verdict::Unchanged, "earlier-crossed"),
        Some(Ok(())) => (Verdict::Unchanged, "earlier"),
        Some(Err(_)) if crossed && facts.epoch_begins.is_none() => (Verdict::Missing, "earlier-epoch"),
        Some(Err(_)) => (Verdict::Broken, "rewritten"),
    }
}
