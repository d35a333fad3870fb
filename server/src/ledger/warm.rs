//! What the appender of a shop remembers from one batch to the next, so that an entry does not read its intake's whole history
//! and the edge of the tree again.
//!
//! Nothing here is believed by itself. The head that a batch reads for writing says whether somebody else wrote meanwhile: its
//! note is signed over the root of all entries. Is it the one this appender left, everything holds; is it another, the nodes are
//! forgotten and an intake holds only if its newest entry is the one that was folded last. Entries never change, and
//! disclosures go only with an entry of their intake (`erase::forget`), so that an intake is a function of its entries.

use std::collections::{BTreeSet, HashMap};
use std::sync::Arc;

use evidence::tree::{self, Hash};
use uuid::Uuid;

use super::load::{self, broken};
use crate::database::Connection;
use crate::intake::kind::LoadedKind;
use crate::intake::state::{Intake, Whose};

/// Most intakes that are remembered.
const INTAKES: usize = 64;
/// Most entries that are remembered in all intakes together: some tens of megabytes.
const ENTRIES: usize = 20_000;

/// Nodes of a tree by level and index.
pub(super) type Nodes = HashMap<(u8, u64), Hash>;

/// An intake as a batch knows it.
pub(super) struct Open {
    pub intake: Intake,
    pub kind: Option<Arc<LoadedKind>>,
    /// The words it is found by, as the database has them. None: not known.
    pub words: Option<BTreeSet<String>>,
    /// How many entries were folded into it.
    pub entries: usize,
    /// Whether it is what the log holds now.
    sure: bool,
    /// The batch that used it last.
    used: u64,
}

/// What is remembered.
#[derive(Default)]
pub(super) struct Warm {
    note: String,
    batch: u64,
    nodes: Nodes,
    intakes: HashMap<Uuid, Open>,
}

impl Warm {
    /// Hands out what is remembered to a batch that found the head with this note, and remembers nothing until [`Warm::keep`].
    pub fn begin(&mut self, note: &str) -> (Nodes, HashMap<Uuid, Open>) {
        self.batch += 1;
        let same = self.note == note;
        self.note.clear();
        let mut nodes = std::mem::take(&mut self.nodes);
        let mut intakes = std::mem::take(&mut self.intakes);
        if !same {
            nodes.clear();
            intakes.values_mut().for_each(|open| open.sure = false);
        }
        (nodes, intakes)
    }

    /// Remembers what a batch knew when the log ended with this note and size.
    pub fn keep(
        &mut self,
        note: &str,
        size: u64,
        mut nodes: Nodes,
        mut intakes: HashMap<Uuid, Open>,
        used: &BTreeSet<Uuid>,
    ) {
        let edge: BTreeSet<_> = tree::needed_for_append(size).into_iter().chain(tree::needed_for_root(size)).collect();
        nodes.retain(|node, _| edge.contains(node));
        // Whoever asks for intakes that are none fills nothing.
        intakes.retain(|_, open| open.intake.opened.is_some());
        for id in used {
            if let Some(open) = intakes.get_mut(id) {
                open.used = self.batch;
            }
        }
        let mut entries: usize = intakes.values().map(|open| open.entries).sum();
        while intakes.len() > INTAKES || entries > ENTRIES {
            let Some(oldest) = intakes.iter().min_by_key(|(id, open)| (open.used, **id)).map(|(id, _)| *id) else {
                break;
            };
            entries -= intakes.remove(&oldest).map_or(0, |open| open.entries);
        }
        note.clone_into(&mut self.note);
        (self.nodes, self.intakes) = (nodes, intakes);
    }
}

/// The intake in what a batch knows; from the log where it is not there, or is not what the log holds now. Gives no kind with one
/// that it loads.
///
/// # Errors
/// The database's, or a broken entry.
pub(super) async fn open<'a>(
    db: &mut Connection,
    known: &'a mut HashMap<Uuid, Open>,
    whose: Whose,
) -> Result<&'a mut Open, sqlx::Error> {
    let fresh = match known.get(&whose.intake) {
        None => Some(load(db, whose).await?),
        Some(open) if open.sure => None,
        Some(open) if open.intake.last_index == load::last_of(db, whose).await? => None,
        Some(_) => Some(load(db, whose).await?),
    };
    if let Some(fresh) = fresh {
        known.insert(whose.intake, fresh);
    }
    let open = known.get_mut(&whose.intake).ok_or_else(|| broken("an intake that was just loaded is not there"))?;
    open.sure = true;
    Ok(open)
}

/// From the log.
async fn load(db: &mut Connection, whose: Whose) -> Result<Open, sqlx::Error> {
    let (intake, entries) = load::counted(db, whose).await?;
    Ok(Open { intake, kind: None, words: None, entries, sure: true, used: 0 })
}

impl Open {
    /// Reads it anew: of what was erased only the log knows what is left.
    ///
    /// # Errors
    /// The database's, or a broken entry.
    pub async fn again(&mut self, db: &mut Connection) -> Result<(), sqlx::Error> {
        let read = load(db, self.intake.whose).await?;
        (self.intake, self.entries, self.words) = (read.intake, read.entries, None);
        Ok(())
    }
}

#[cfg(test)]
#[path = "warm_tests.rs"]
mod tests;
