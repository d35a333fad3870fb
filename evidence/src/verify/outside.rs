//! What others than the shop say of its log, as a pack or a receipt carries it: an authority's time on one of its heads, a witness's
//! cosignature. Each head has to be of the same log and agree with the pack's own.

use base64::Engine;
use base64::engine::general_purpose::STANDARD as BASE64;
use serde_json::Value;

use super::pack::Open;
use super::receipt::hashes;
use super::{Report, Trusted, Verdict, same_log};
use crate::canon;
use crate::checkpoint::{Checkpoint, decimal};
use crate::cosignature::cosignatures;
use crate::note::{MAX_NOTE, VerifierKey};
use crate::proof::MAX_PROOF;
use crate::stamp::{self, Fault, MAX_ANSWER};
use crate::tree::{self, Hash};

/// Most stamps looked at in a pack, and most witnessed heads.
pub const MAX_STAMPS: usize = 256;

/// Where a stamp, the head it stamps, and the proof that binds this head to the pack's stand.
pub fn stamp_path(size: u64, ending: &str) -> String {
    format!("stamps/{size:08}.{ending}")
}

/// Such a proof as a file.
pub fn proof_file(proof: &[Hash]) -> Vec<u8> {
    let hashes: Vec<Value> = proof.iter().map(|h| Value::String(BASE64.encode(h))).collect();
    canon::to_bytes(&Value::Array(hashes)).unwrap_or_default()
}

fn read(proof: &[u8]) -> Option<Vec<Hash>> {
    hashes(&canon::parse(proof).ok()?)
}

/// A pack's head, and the public keys that are the log's or were.
pub(super) type OfLog<'a> = (&'a Checkpoint, &'a [[u8; 32]]);

/// Whether another head belongs to the same log as the pack's: signed by a key of it, and one goes on from the other.
fn agrees(note: &str, proof: &[Hash], (head, keys): OfLog<'_>) -> Option<Checkpoint> {
    let origin = note.lines().next().filter(|o| same_log(o, &head.origin))?;
    let other = keys.iter().find_map(|public| {
        let key = VerifierKey { name: origin.to_owned(), public: *public };
        Checkpoint::open(note, &[&key]).ok()
    })?;
    let (old, new) = if other.size <= head.size { (&other, head) } else { (head, &other) };
    tree::verify_consistency(old.size, new.size, proof, old.root, new.root).ok()?;
    Some(other)
}

/// Every stamp in the pack.
pub(super) fn stamps(open: &mut Open<'_>, of: OfLog<'_>, trusted: &Trusted, report: &mut Report) {
    let ends = |n: &&String| n.starts_with("stamps/") && n.ends_with(".tsr");
    let names: Vec<String> = open.members.keys().filter(ends).cloned().collect();
    if names.len() > MAX_STAMPS {
        return report.add("stamps", Verdict::NotUnderstood, "record-too-large");
    }
    for name in names {
        let size = name.strip_prefix("stamps/").and_then(|n| n.strip_suffix(".tsr")).and_then(|n| n.parse().ok());
        let Some(size) = size.filter(|s| stamp_path(*s, "tsr") == name) else {
            report.add(name, Verdict::NotUnderstood, "stamp-form");
            continue;
        };
        let (said, verdict, code) = one(open, size, of, trusted);
        report.add(format!("stamp {size}{said}"), verdict, code);
    }
}

fn one(open: &mut Open<'_>, size: u64, of: OfLog<'_>, trusted: &Trusted) -> (String, Verdict, &'static str) {
    let no = |verdict, code| (String::new(), verdict, code);
    let note = open.text(&stamp_path(size, "txt"), MAX_NOTE as u64);
    let (Some(note), Some(proof)) = (note, open.bytes(&stamp_path(size, "json"), MAX_PROOF as u64)) else {
        return no(Verdict::Missing, "stamp-missing");
    };
    let Some(answer) = open.bytes(&stamp_path(size, "tsr"), MAX_ANSWER as u64) else {
        return no(Verdict::NotUnderstood, "stamp-form");
    };
    match stamp::check(&answer, note.as_bytes(), &trusted.roots) {
        Err(Fault::Form | Fault::Refused | Fault::Nonce | Fault::Unknown) => no(Verdict::NotUnderstood, "stamp-form"),
        Err(Fault::Way) => no(Verdict::NotUnderstood, "stamp-way"),
        Err(Fault::Imprint) => no(Verdict::Broken, "stamp-imprint"),
        Err(Fault::Signature) => no(Verdict::Broken, "stamp-signature"),
        Err(Fault::Authority) => no(Verdict::Broken, "stamp-authority"),
        Ok(_) if read(&proof).and_then(|p| agrees(&note, &p, of)).is_none_or(|c| c.size != size) => {
            no(Verdict::Broken, "stamp-other-log")
        }
        Ok(stamp) if stamp.known => (format!(": {stamp}"), Verdict::Unchanged, "stamp"),
        Ok(stamp) => (format!(": {stamp}"), Verdict::Claimed, "stamp-claimed"),
    }
}

/// Where a head that witnesses cosigned, and the proof that binds it to the pack's, stand.
pub fn witnessed_path(size: u64, ending: &str) -> String {
    format!("witnessed/{size:08}.{ending}")
}

/// Every witnessed head in the pack.
pub(super) fn witnessed(open: &mut Open<'_>, of: OfLog<'_>, trusted: &Trusted, report: &mut Report) {
    let ends = |n: &&String| n.starts_with("witnessed/") && n.ends_with(".txt");
    let names: Vec<String> = open.members.keys().filter(ends).cloned().collect();
    if names.len() > MAX_STAMPS {
        return report.add("witnessed", Verdict::NotUnderstood, "record-too-large");
    }
    for name in names {
        let note = open.text(&name, MAX_NOTE as u64).unwrap_or_default();
        let proof = open.bytes(&name.replace(".txt", ".json"), MAX_PROOF as u64);
        head_seen(&note, proof.and_then(|p| read(&p)).as_deref(), of, trusted, report);
    }
}

/// What witnesses say of one head.
pub(super) fn head_seen(note: &str, proof: Option<&[Hash]>, of: OfLog<'_>, trusted: &Trusted, report: &mut Report) {
    let size = note.split('\n').nth(1).and_then(decimal);
    let Some(size) = size else { return report.add("witnessed", Verdict::NotUnderstood, "witness-form") };
    let what = format!("witnessed {size}");
    let Some(proof) = proof else { return report.add(what, Verdict::Missing, "witness-missing") };
    if agrees(note, proof, of).is_none() {
        return report.add(what, Verdict::Broken, "witness-other-log");
    }
    let found = cosignatures(note, &trusted.witnesses).unwrap_or_default();
    if found.is_empty() {
        return report.add(what, Verdict::NotUnderstood, "witness-form");
    }
    for c in found {
        let millis = i64::try_from(c.time).ok().and_then(|t| t.checked_mul(1000)).unwrap_or(i64::MAX);
        let (verdict, code) = match c.holds {
            Some(true) => (Verdict::Unchanged, "witness"),
            Some(false) => (Verdict::Broken, "witness-signature"),
            None => (Verdict::Claimed, "witness-claimed"),
        };
        report.add(format!("{what}: {}Z, {}", &crate::time::format(millis)[..19], c.name), verdict, code);
    }
}
