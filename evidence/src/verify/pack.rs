//! A pack: every file against the signed list, every entry against the signed head, every photo against its entry.

use std::collections::{BTreeMap, BTreeSet};

use serde::Deserialize;
use uuid::Uuid;

use super::earlier::{Continuations, Earlier, Unusable, compare};
use super::entries::Facts;
use super::receipt::continuations;
use super::{MANIFEST_NOTE, Report, Trusted, Verdict, keys, outside, seal_text};
use crate::canon;
use crate::checkpoint::{Checkpoint, origin_parts};
use crate::digest::{Digest, Hasher};
use crate::disclosure::MAX_ENCODED;
use crate::entry::MAX_ENTRY;
use crate::note::{self, MAX_NOTE, VerifierKey};
use crate::proof::{MAX_PROOF, Proof};
use crate::sheet::{MAX_SHEET, Sheet};
use crate::zip::{self, Member, Source, ZipError};

/// Largest manifest read, in bytes.
pub const MAX_MANIFEST: u64 = 8 << 20;
/// Most bytes of entries, proofs and disclosures together.
pub const MAX_RECORD: u64 = 128 << 20;
/// Bytes read at once.
const PIECE: usize = 1 << 18;

/// The signed list of what is in a pack.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
pub struct Manifest {
    /// 1.
    pub v: u64,
    /// The shop.
    pub shop: Uuid,
    /// The intake.
    pub intake: Uuid,
    /// `intake`, `claim` or `view`.
    pub scope: String,
    /// The files beside the list itself and its signature, by path.
    pub files: Vec<Listed>,
    /// Originals that were left out for this reader.
    pub withheld: Vec<Digest>,
}

/// One file of a pack.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
pub struct Listed {
    /// Its path.
    pub path: String,
    /// Its length.
    pub size: u64,
    /// Its digest.
    pub sha256: Digest,
}

/// Where an entry, its proof and its disclosures stand.
pub fn entry_path(folder: &str, index: u64, ending: &str) -> String {
    format!("{folder}/{index:08}.{ending}")
}

pub(super) struct Open<'a> {
    source: &'a mut dyn Source,
    pub members: BTreeMap<String, Member>,
}

impl Open<'_> {
    /// A member's bytes, when it is there and not longer than this.
    pub fn bytes(&mut self, path: &str, most: u64) -> Option<Vec<u8>> {
        let member = self.members.get(path).filter(|m| u64::from(m.size) <= most)?;
        let mut out = vec![0; member.size as usize];
        self.source.read_at(member.at, &mut out).ok()?;
        Some(out)
    }

    pub fn text(&mut self, path: &str, most: u64) -> Option<String> {
        String::from_utf8(self.bytes(path, most)?).ok()
    }

    fn digest(&mut self, member: &Member) -> Option<Digest> {
        let (mut hasher, mut piece, mut done) = (Hasher::new(), vec![0; PIECE], 0u64);
        while done < u64::from(member.size) {
            let now = (u64::from(member.size) - done).min(PIECE as u64) as usize;
            self.source.read_at(member.at + done, &mut piece[..now]).ok()?;
            hasher.update(&piece[..now]);
            done += now as u64;
        }
        Some(hasher.finish())
    }
}

/// Checks a pack.
pub fn check(source: &mut dyn Source, trusted: &Trusted, earlier: Option<&Result<Earlier, Unusable>>) -> Report {
    let mut report = Report::default();
    let members = match zip::list(source) {
        Ok(members) => members,
        Err(e) => {
            report.add("archive", Verdict::Broken, archive_code(e));
            return report;
        }
    };
    let order: Vec<String> = members.iter().map(|m| m.name.clone()).collect();
    let mut open = Open { source, members: members.into_iter().map(|m| (m.name.clone(), m)).collect() };
    report.add("archive", Verdict::Unchanged, "archive");

    let note = open.text("checkpoint.txt", MAX_NOTE as u64).unwrap_or_default();
    let origin = note.lines().next().unwrap_or_default().to_owned();
    let text = open.text("keys.txt", MAX_NOTE as u64).unwrap_or_default();
    let own = text.lines().filter_map(|k| k.parse::<VerifierKey>().ok()).filter(|k| k.name == origin).collect();
    let Some(believed) = keys::believed(&note, own, trusted, &mut report) else { return report };
    let key = &believed.key;
    let Ok(head) = Checkpoint::open(&note, &[key]) else {
        report.add("checkpoint.txt", Verdict::Broken, "checkpoint-signature");
        return report;
    };
    report.add("checkpoint.txt", Verdict::Unchanged, "checkpoint");
    let Some(manifest) = manifest(&mut open, key, &head, &mut report) else { return report };

    let seen = files(&mut open, &manifest, &order, &mut report);
    let facts = record(&mut open, &head, &note, &mut report);
    believed.settle(("checkpoint.txt", &note), &facts, &mut report);
    let of = (&head, &believed.line(&facts)[..]);
    sheet(&mut open, &manifest, &facts, &mut report);
    photos(&manifest, &seen, &facts, &mut report);
    outside::stamps(&mut open, of, trusted, &mut report);
    outside::witnessed(&mut open, of, trusted, &mut report);
    if let Some(earlier) = earlier {
        let proofs = open.bytes("consistency.json", MAX_MANIFEST).and_then(|b| canon::parse(&b).ok());
        let continues: Continuations = proofs.as_ref().and_then(continuations).unwrap_or_default();
        compare(earlier, (&head, &believed, &facts), &continues, &mut report);
    }
    report
}

fn archive_code(e: ZipError) -> &'static str {
    match e {
        ZipError::End => "archive-end",
        ZipError::Directory => "archive-directory",
        ZipError::Packed => "archive-packed",
        ZipError::Path => "archive-path",
        ZipError::Twice => "archive-twice",
        ZipError::Unread => "archive-unread",
    }
}

fn manifest(open: &mut Open<'_>, key: &VerifierKey, head: &Checkpoint, report: &mut Report) -> Option<Manifest> {
    let mut say = |verdict, code| {
        report.add("manifest.json", verdict, code);
        None
    };
    let (Some(bytes), Some(seal)) =
        (open.bytes("manifest.json", MAX_MANIFEST), open.text("manifest.note", MAX_NOTE as u64))
    else {
        return say(Verdict::Missing, "manifest-missing");
    };
    let text = seal_text(MANIFEST_NOTE, &Digest::of(&bytes));
    if note::open(&seal, &[key]) != Ok(text.as_str()) {
        return say(Verdict::Broken, "manifest-signature");
    }
    let read = canon::parse(&bytes).ok().and_then(|v| serde_json::from_value::<Manifest>(v).ok());
    let Some(manifest) = read.filter(|m| m.v == 1 && m.files.windows(2).all(|w| w[0].path < w[1].path)) else {
        return say(Verdict::NotUnderstood, "manifest-form");
    };
    if origin_parts(&head.origin).is_some_and(|(_, shop, _)| shop != manifest.shop) {
        return say(Verdict::Broken, "manifest-other-shop");
    }
    say(Verdict::Unchanged, "manifest");
    Some(manifest)
}

/// Every listed file, then every file that is not listed. Gives the digests of the files as they are.
fn files(open: &mut Open<'_>, manifest: &Manifest, order: &[String], report: &mut Report) -> BTreeMap<String, Digest> {
    let mut seen = BTreeMap::new();
    for file in &manifest.files {
        let Some(member) = open.members.get(&file.path).cloned() else {
            report.add(&file.path, Verdict::Missing, "file-missing");
            continue;
        };
        let found = open.digest(&member);
        if found == Some(file.sha256) && u64::from(member.size) == file.size {
            report.add(&file.path, Verdict::Unchanged, "file");
        } else {
            report.add(&file.path, Verdict::Broken, "file-changed");
        }
        seen.extend(found.map(|d| (file.path.clone(), d)));
    }
    let listed: BTreeSet<&str> = manifest.files.iter().map(|f| f.path.as_str()).collect();
    for name in order {
        if !listed.contains(name.as_str()) && name != "manifest.json" && name != "manifest.note" {
            report.add(name, Verdict::Broken, "file-extra");
        }
    }
    seen
}

/// The entries, each with its proof and its disclosures.
fn record(open: &mut Open<'_>, head: &Checkpoint, note: &str, report: &mut Report) -> Facts {
    let mut facts = Facts::default();
    let inside = |m: &&Member| ["entries/", "proofs/", "details/"].iter().any(|f| m.name.starts_with(f));
    if open.members.values().filter(inside).map(|m| u64::from(m.size)).sum::<u64>() > MAX_RECORD {
        report.add("entries", Verdict::NotUnderstood, "record-too-large");
        return facts;
    }
    let names: Vec<String> = open.members.keys().filter(|n| n.starts_with("entries/")).cloned().collect();
    for name in names {
        let index = name.strip_prefix("entries/").and_then(|n| n.strip_suffix(".json")).and_then(|n| n.parse().ok());
        let Some(index) = index.filter(|i| entry_path("entries", *i, "json") == name) else {
            report.add(name, Verdict::NotUnderstood, "entry-name");
            continue;
        };
        let of = format!("entry {index}");
        let Some(bytes) = open.bytes(&name, MAX_ENTRY as u64) else {
            report.add(of, Verdict::NotUnderstood, "entry-form");
            continue;
        };
        let proof = open.text(&entry_path("proofs", index, "tlog-proof"), MAX_PROOF as u64);
        let Some(proof) = proof else {
            report.add(of, Verdict::Missing, "proof-missing");
            continue;
        };
        let proof = proof.parse::<Proof>().ok().filter(|p| p.index == index && p.checkpoint == note);
        let Some(proof) = proof else {
            report.add(of, Verdict::Broken, "proof-other");
            continue;
        };
        let details = open.text(&entry_path("details", index, "txt"), 64 * MAX_ENCODED as u64).unwrap_or_default();
        let details: Vec<String> = details.lines().map(str::to_owned).collect();
        facts.take(head, (index, &bytes, &proof.hashes), &details, report);
    }
    facts
}

/// The sheet that was signed: what it names has to be here, unless only a part of the intake was asked for.
fn sheet(open: &mut Open<'_>, manifest: &Manifest, facts: &Facts, report: &mut Report) {
    let Some(named) = facts.sheet else { return };
    let Some(bytes) = open.bytes("sheet.json", MAX_SHEET as u64) else {
        return report.add("sheet.json", Verdict::Missing, "sheet-missing");
    };
    if Digest::of(&bytes) != named {
        return report.add("sheet.json", Verdict::Broken, "sheet-changed");
    }
    let Ok(sheet) = Sheet::parse(&bytes) else {
        return report.add("sheet.json", Verdict::NotUnderstood, "sheet-form");
    };
    report.add("sheet.json", Verdict::Unchanged, "sheet");
    let whole = manifest.scope == "intake";
    let verdict = if whole { Verdict::Missing } else { Verdict::Withheld };
    for digest in sheet.entries.iter().filter(|d| !facts.said.contains(d)) {
        report.add(digest.to_string(), verdict, if whole { "sheet-entry" } else { "sheet-part" });
    }
    for digest in sheet.files.iter().filter(|d| !facts.photos.iter().any(|(_, f)| f == *d)) {
        report.add(digest.to_string(), verdict, if whole { "sheet-photo" } else { "sheet-part" });
    }
}

/// Every photo that an entry names; then every picture that none names.
fn photos(manifest: &Manifest, seen: &BTreeMap<String, Digest>, facts: &Facts, report: &mut Report) {
    let here: BTreeSet<Digest> = seen.iter().filter(|(p, _)| p.starts_with("originals/")).map(|(_, d)| *d).collect();
    let copies: BTreeSet<Digest> = seen.iter().filter(|(p, _)| p.starts_with("copies/")).map(|(_, d)| *d).collect();
    for (photo, file) in &facts.photos {
        let copied = facts.copies.get(file).is_some_and(|made| !made.is_disjoint(&copies));
        let (verdict, code) = if here.contains(file) {
            (Verdict::Unchanged, "photo")
        } else if facts.erased.contains(photo) {
            (Verdict::Erased, "photo-erased")
        } else if facts.moved.contains(photo) {
            (Verdict::Withheld, "photo-moved")
        } else if manifest.withheld.contains(file) && copied {
            (Verdict::Withheld, "photo-withheld")
        } else {
            (Verdict::Missing, "photo-missing")
        };
        report.add(format!("photo {photo}"), verdict, code);
    }
    for (path, digest) in seen {
        if path.starts_with("originals/") && !facts.photos.iter().any(|(_, f)| f == digest) {
            report.add(path, Verdict::Broken, "original-unnamed");
        }
        if path.starts_with("copies/") && !facts.copies.values().any(|c| c.contains(digest)) {
            report.add(path, Verdict::Broken, "copy-unbound");
        }
    }
}
