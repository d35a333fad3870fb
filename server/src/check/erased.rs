//! What was erased, against what is there: a personal detail that is not there was erased by an entry, or is missing; one that
//! was erased and is there came back.

use std::collections::{BTreeMap, BTreeSet};

use evidence::disclosure;
use evidence::entry::Entry;
use serde_json::Value;
use uuid::Uuid;

use super::Report;
use crate::database::Connection;
use crate::ledger::Ledger;
use crate::ledger::erase;
use crate::ledger::load::Stored;

/// What is known of erasures.
#[derive(Debug, Default)]
pub(super) struct Erased {
    /// By intake, the log index up to which everything personal was erased.
    upto: BTreeMap<Uuid, u64>,
    /// Digests on the list that is kept outside backups.
    listed: BTreeSet<String>,
    /// Details that were erased.
    gone: usize,
}

impl Erased {
    /// Reads what the log and the list say, and holds one against the other.
    pub(super) async fn read(
        ledger: &Ledger,
        db: &mut Connection,
        shop: Uuid,
        report: &mut Report,
    ) -> Result<Erased, sqlx::Error> {
        let mut out = Erased::default();
        let said = match erase::said(db, shop, None, None, u32::MAX).await {
            Ok(said) => said,
            Err(e) => {
                report.faults.push(format!("shop {shop}: {e}"));
                Vec::new()
            }
        };
        for said in &said {
            let upto = out.upto.entry(said.intake).or_default();
            *upto = (*upto).max(said.body.upto);
        }
        match ledger.originals().erasures_listed(shop) {
            Ok(list) => {
                let lines: BTreeSet<Uuid> = list.lines.iter().map(|l| l.entry).collect();
                let waiting = said.iter().filter(|s| !lines.contains(&s.entry.said.id)).count();
                if waiting > 0 {
                    report.notes.push(format!(
                        "{waiting} erasures are not on the list outside backups yet; the next start puts them there"
                    ));
                }
                if list.unread > 0 {
                    report.notes.push(format!("{} lines of the list of erasures were cut short", list.unread));
                }
                out.listed = list.lines.into_iter().flat_map(|l| l.disclosures).collect();
            }
            Err(e) => report.faults.push(format!("shop {shop}: the list of erasures cannot be read ({e})")),
        }
        Ok(out)
    }

    /// One entry with the disclosures that are there.
    pub(super) fn look(&mut self, stored: &Stored, entry: &Entry, report: &mut Report) {
        let named = entry.said.body.get("_sd").and_then(Value::as_array);
        let named: BTreeSet<&str> = named.into_iter().flatten().filter_map(Value::as_str).collect();
        let here: BTreeSet<String> = stored.disclosures.iter().map(|d| disclosure::digest_of(d)).collect();
        let by_entry = entry.said.intake.and_then(|i| self.upto.get(&i)).is_some_and(|upto| stored.index <= *upto);
        let erased = |digest: &str| by_entry || self.listed.contains(digest);
        let (mut missing, mut gone, mut back) = (0, 0, 0);
        for digest in named {
            match (here.contains(digest), erased(digest)) {
                (true, true) => back += 1,
                (false, true) => gone += 1,
                (false, false) => missing += 1,
                (true, false) => {}
            }
        }
        self.gone += gone;
        if missing > 0 {
            report.faults.push(format!(
                "entry {}: {missing} personal details are missing, and no entry erased them",
                stored.index
            ));
        }
        if back > 0 {
            report.faults.push(format!(
                "entry {}: {back} personal details were erased and are there again; starting the server erases them",
                stored.index
            ));
        }
    }

    /// What is worth knowing of it.
    pub(super) fn told(&self, shop: Uuid, report: &mut Report) {
        if self.gone > 0 {
            report
                .notes
                .push(format!("shop {shop}: {} personal details were erased by entries that say so", self.gone));
        }
    }
}
