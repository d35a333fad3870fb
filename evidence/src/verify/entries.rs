//! The entries of a receipt or a pack: each proven, read, and what follows from it.

use std::collections::{BTreeMap, BTreeSet};

use serde_json::Value;
use uuid::Uuid;

use super::{Report, Verdict};
use crate::checkpoint::{Checkpoint, origin_parts};
use crate::digest::Digest;
use crate::disclosure;
use crate::entry::{Author, Entry};
use crate::rotation::{self, Fault, Keys};
use crate::tree::{self, Hash};

/// What proven entries say, as far as other checks need it.
#[derive(Debug, Default)]
pub struct Facts {
    /// Leaf hashes by log index.
    pub leaves: BTreeMap<u64, Hash>,
    /// Digests of what was said.
    pub said: BTreeSet<Digest>,
    /// Photos in the order they were named: the photo and the digest of its original.
    pub photos: Vec<(Uuid, Digest)>,
    /// Photos that were erased.
    pub erased: BTreeSet<Uuid>,
    /// Photos that were moved to another intake.
    pub moved: BTreeSet<Uuid>,
    /// Copies by the digest of the original they were made from.
    pub copies: BTreeMap<Digest, BTreeSet<Digest>>,
    /// The sheet that the newest acknowledgement names.
    pub sheet: Option<Digest>,
    /// Where the newest epoch begins: its index.
    pub epoch_begins: Option<u64>,
    /// The log's keys, one after the other.
    pub keys: Keys,
    /// Details that are not here, told as withheld: the intake, the entry's index, the place in the report.
    lacking: Vec<(Option<Uuid>, u64, usize)>,
    newest: Option<(u64, i64)>,
}

fn digest_of(body: &serde_json::Map<String, Value>, member: &str) -> Option<Digest> {
    body.get(member)?.as_str()?.parse().ok()
}

impl Facts {
    /// One entry, in ascending order of index: its bytes as they stand, its path to the checkpoint's root, its disclosures.
    pub fn take(
        &mut self,
        head: &Checkpoint,
        (index, bytes, path): (u64, &[u8], &[Hash]),
        disclosures: &[String],
        report: &mut Report,
    ) {
        let of = format!("entry {index}");
        let leaf = tree::leaf_hash(bytes);
        if tree::verify_inclusion(index, head.size, leaf, path, head.root).is_err() {
            return report.add(of, Verdict::Broken, "entry-not-in-log");
        }
        self.leaves.insert(index, leaf);
        let Ok(entry) = Entry::parse(bytes) else {
            return report.add(of, Verdict::NotUnderstood, "entry-form");
        };
        if origin_parts(&head.origin).is_some_and(|(_, shop, _)| shop != entry.said.shop) {
            return report.add(of, Verdict::Broken, "entry-other-shop");
        }
        if self.newest.is_some_and(|(_, at)| entry.kept.at < at) {
            report.add(of, Verdict::Broken, "entry-time");
        } else if entry.said.v != 1 {
            report.add(of, Verdict::NotUnderstood, "entry-version");
        } else {
            report.add(of, Verdict::Unchanged, "entry");
        }
        self.newest = Some((index, entry.kept.at));
        self.disclosed(&entry, index, disclosures, report);
        self.learn(&entry, index);
        self.erased_since(&entry, report);
        self.keys_changed(&head.origin, &entry, index, report);
    }

    fn keys_changed(&mut self, origin: &str, entry: &Entry, index: u64, report: &mut Report) {
        let (verdict, code) = match self.keys.take(origin, entry) {
            None => return,
            Some(Ok(())) if entry.said.kind == rotation::ROTATED => (Verdict::Unchanged, "rotation"),
            Some(Ok(())) => (Verdict::Unchanged, "rotation-ended"),
            Some(Err(Fault::Form)) => (Verdict::NotUnderstood, "rotation-form"),
            Some(Err(Fault::Signature)) => (Verdict::Broken, "rotation-signature"),
            Some(Err(Fault::NotTheirs)) => (Verdict::Broken, "rotation-key"),
        };
        report.add(format!("key of the log at entry {index}"), verdict, code);
    }

    fn disclosed(&mut self, entry: &Entry, index: u64, disclosures: &[String], report: &mut Report) {
        let named = entry.said.body.get("_sd").and_then(Value::as_array).map_or(0, Vec::len);
        if named == 0 && disclosures.is_empty() {
            return;
        }
        let of = format!("details of entry {index}");
        if disclosure::disclose(&entry.said.body, disclosures).is_err() {
            report.add(of, Verdict::Broken, "details-changed");
        } else if disclosures.len() < named {
            self.lacking.push((entry.said.intake, index, report.items.len()));
            report.add(of, Verdict::Withheld, "details-withheld");
        } else {
            report.add(of, Verdict::Unchanged, "details");
        }
    }

    /// What an erasure of the customer reaches back to is not withheld: it is gone.
    fn erased_since(&mut self, entry: &Entry, report: &mut Report) {
        let upto = entry.said.body.get("upto").and_then(Value::as_u64);
        let (Some(upto), "customer-erased") = (upto, entry.said.kind.as_str()) else { return };
        for (intake, index, place) in &self.lacking {
            if *intake == entry.said.intake
                && *index <= upto
                && let Some(item) = report.items.get_mut(*place)
            {
                (item.verdict, item.code) = (Verdict::Erased, "details-erased");
            }
        }
    }

    fn learn(&mut self, entry: &Entry, index: u64) {
        let body = &entry.said.body;
        if let Ok(digest) = entry.said.digest() {
            self.said.insert(digest);
        }
        let photo: Option<Uuid> = body.get("photo").and_then(Value::as_str).and_then(|p| p.parse().ok());
        match (entry.said.kind.as_str(), photo) {
            ("photo-taken" | "photo-came", Some(photo)) => {
                self.photos.extend(digest_of(body, "file").map(|file| (photo, file)));
            }
            ("photo-erased", Some(photo)) => {
                self.erased.insert(photo);
            }
            ("customer-erased", _) => {
                let list = body.get("photos").and_then(Value::as_array);
                self.erased.extend(list.into_iter().flatten().filter_map(|p| p.as_str()?.parse::<Uuid>().ok()));
            }
            ("photo-moved", Some(photo)) => {
                self.moved.insert(photo);
            }
            // Only the server binds a copy to its original.
            ("photo-judged" | "photo-redacted", _) if matches!(entry.said.author, Author::Server { .. }) => {
                let Some(file) = digest_of(body, "file") else { return };
                let list = body.get("renditions").and_then(Value::as_array);
                let copies = list.into_iter().flatten().filter_map(|r| digest_of(r.as_object()?, "file"));
                self.copies.entry(file).or_default().extend(copies);
            }
            ("acknowledged", _) => self.sheet = digest_of(body, "sheet"),
            ("epoch-opened", _) => self.epoch_begins = Some(index),
            _ => {}
        }
    }
}
