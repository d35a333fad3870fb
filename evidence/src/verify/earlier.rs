//! An earlier receipt against a later receipt or pack: does the log only go on, or was it written anew?

use std::collections::BTreeMap;

use super::keys::Believed;
use super::receipt::Carried;
use super::{Report, Trusted, Verdict, entries::Facts, keys, same_log};
use crate::checkpoint::{Checkpoint, origin_parts};
use crate::note::VerifierKey;
use crate::rotation::Keys;
use crate::tree::{self, Hash};

/// Proofs that a log begins with the log of an earlier size: the size and its proof's hashes.
pub type Continuations = BTreeMap<u64, Vec<Hash>>;

/// What an earlier receipt knows of the log.
#[derive(Clone, Debug)]
pub struct Earlier {
    /// The head it was given with.
    pub head: Checkpoint,
    /// All of its keys that signed that head.
    signed: Vec<VerifierKey>,
    keys: Keys,
    leaves: BTreeMap<u64, Hash>,
    continues: Continuations,
}

/// Why an earlier file cannot be compared with.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Unusable;

impl Earlier {
    /// Reads an earlier receipt: every entry in it has to be proven. Whether its key is the log's is seen when it is compared.
    ///
    /// # Errors
    /// When it is no receipt, or does not check by itself.
    pub fn of_receipt(bytes: &[u8]) -> Result<Earlier, Unusable> {
        let carried = Carried::read(bytes).ok_or(Unusable)?;
        let mut report = Report::default();
        let (listed, note) = (carried.keys(), &carried.checkpoint);
        let believed = keys::believed(note, listed.clone(), &Trusted::default(), &mut report).ok_or(Unusable)?;
        let key = believed.key.clone();
        let head = Checkpoint::open(&carried.checkpoint, &[&key]).map_err(|_| Unusable)?;
        let mut facts = Facts::default();
        for e in &carried.entries {
            facts.take(&head, (e.index, e.bytes.as_bytes(), &e.path), &e.disclosures, &mut report);
        }
        believed.settle(("checkpoint", note), &facts, &mut report);
        if report.worst() == Verdict::Broken || !carried.page_holds(bytes, &key) {
            return Err(Unusable);
        }
        let signed = listed.into_iter().filter(|k| Checkpoint::open(note, &[k]).is_ok()).collect();
        Ok(Earlier { head, signed, keys: facts.keys, leaves: facts.leaves, continues: carried.continues })
    }
}

/// Adds what comparing shows.
pub(super) fn compare(
    earlier: &Result<Earlier, Unusable>,
    later: (&Checkpoint, &Believed, &Facts),
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
    (head, believed, facts): (&Checkpoint, &Believed, &Facts),
    continues: &Continuations,
) -> (Verdict, &'static str) {
    // The same key, or one that became the other: as the later file tells it, or, where an older state was put back since, the
    // earlier one.
    let now = &believed.key.public;
    let one = |then: &VerifierKey| {
        then.public == *now || facts.keys.leads(&then.public, now) || earlier.keys.leads(now, &then.public)
    };
    if !earlier.signed.iter().any(one) || !same_log(&earlier.head.origin, &head.origin) {
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
