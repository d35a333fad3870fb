//! A receipt: a page that carries its entries, their paths, the signed head and the key in one block at its end.

use base64::Engine;
use base64::engine::general_purpose::STANDARD as BASE64;
use serde::Deserialize;
use serde_json::Value;

use super::earlier::{Continuations, Earlier, Unusable, compare};
use super::entries::Facts;
use super::{PAGE_NOTE, Report, Trusted, Verdict, keys, outside, seal_text};
use crate::checkpoint::Checkpoint;
use crate::digest::{Digest, Hasher};
use crate::note::{self, VerifierKey};
use crate::tree::Hash;

/// Largest receipt read, in bytes.
pub const MAX_RECEIPT: usize = 64 << 20;
/// Most keys looked at in a receipt beside its first.
const MAX_KEYS: usize = 256;
/// Most witnessed heads looked at in a receipt.
const MAX_WITNESSED: usize = 16;
/// What stands before the block, and what ends it.
pub const BLOCK: (&str, &str) = ("<script type=\"application/json\" id=\"counterfoil-evidence\">", "</script>");
/// What stands before the seal, a note, and what ends it. The seal is over the whole page but what stands between these.
pub const SEAL: (&str, &str) = ("<script type=\"text/plain\" id=\"counterfoil-seal\">", "</script>");
/// What stands before a picture, and what ends it.
const PICTURE: (&str, &str) = ("src=\"data:image/jpeg;base64,", "\"");

/// One entry as a receipt carries it.
#[derive(Clone, Debug)]
pub(super) struct CarriedEntry {
    pub index: u64,
    pub bytes: String,
    pub path: Vec<Hash>,
    pub disclosures: Vec<String>,
}

/// What stands in the block.
#[derive(Clone, Debug)]
pub(super) struct Carried {
    pub checkpoint: String,
    pub entries: Vec<CarriedEntry>,
    pub continues: Continuations,
    witnessed: Vec<Witnessed>,
    verifier_key: String,
    /// Keys that the log had before, and what signs beside the first.
    keys: Vec<String>,
    /// Whether it says that it is sealed: receipts were not, at first.
    sealed: bool,
}

#[derive(Deserialize)]
struct Block {
    v: u64,
    checkpoint: String,
    verifier_key: String,
    entries: Vec<Value>,
    #[serde(default)]
    keys: Vec<String>,
    #[serde(default)]
    continues: Value,
    #[serde(default)]
    witnessed: Vec<Witnessed>,
}

/// A head that witnesses cosigned, and the hashes that bind it to the receipt's.
#[derive(Clone, Debug, Deserialize)]
pub(super) struct Witnessed {
    checkpoint: String,
    hashes: Value,
}

pub(super) fn hashes(value: &Value) -> Option<Vec<Hash>> {
    let hash = |v: &Value| BASE64.decode(v.as_str()?).ok()?.try_into().ok();
    value.as_array()?.iter().map(hash).collect()
}

/// `[{"size":…,"hashes":[…]}]`.
pub(super) fn continuations(value: &Value) -> Option<Continuations> {
    value.as_array()?.iter().map(|c| Some((c.get("size")?.as_u64()?, hashes(c.get("hashes")?)?))).collect()
}

fn carried_entry(value: &Value) -> Option<CarriedEntry> {
    let text = |v: &Value| v.as_str().map(str::to_owned);
    Some(CarriedEntry {
        index: value.get("index")?.as_u64()?,
        bytes: text(value.get("entry")?)?,
        path: hashes(value.get("path")?)?,
        disclosures: value.get("disclosures")?.as_array()?.iter().map(text).collect::<Option<_>>()?,
    })
}

/// Where the first of a kind of element has its contents.
fn within(page: &str, element: (&str, &str)) -> Option<(usize, usize)> {
    let from = page.find(element.0)? + element.0.len();
    Some((from, from + page[from..].find(element.1)?))
}

impl Carried {
    pub(super) fn read(bytes: &[u8]) -> Option<Carried> {
        if bytes.len() > MAX_RECEIPT {
            return None;
        }
        let page = std::str::from_utf8(bytes).ok()?;
        let (from, to) = within(page, BLOCK)?;
        let block: Block = serde_json::from_str(&page[from..to]).ok()?;
        let entries = block.entries.iter().map(carried_entry).collect::<Option<Vec<_>>>()?;
        let ascending = entries.windows(2).all(|w| w[0].index < w[1].index);
        let continues =
            if block.continues.is_null() { Some(Continuations::new()) } else { continuations(&block.continues) };
        ((1..=2).contains(&block.v) && ascending).then_some(Carried {
            checkpoint: block.checkpoint,
            entries,
            continues: continues?,
            witnessed: block.witnessed,
            verifier_key: block.verifier_key,
            keys: block.keys,
            sealed: block.v == 2,
        })
    }

    /// Its keys of its log, the one that signs first.
    pub(super) fn keys(&self) -> Vec<VerifierKey> {
        let first = std::iter::once(&self.verifier_key).filter_map(|k| k.parse::<VerifierKey>().ok());
        let origin = self.checkpoint.split('\n').next().unwrap_or_default();
        let more = self.keys.iter().take(MAX_KEYS).filter_map(|k| k.parse::<VerifierKey>().ok());
        first.chain(more.filter(|k| k.name == origin)).collect()
    }

    /// Whether the key signed this page as it stands.
    pub(super) fn page_holds(&self, bytes: &[u8], key: &VerifierKey) -> bool {
        let page = std::str::from_utf8(bytes).unwrap_or_default();
        let seal = within(page, SEAL).map(|(from, to)| &page[from..to]).unwrap_or_default();
        let digest = page_digest(bytes);
        note::open(seal, &[key]).is_ok_and(|text| digest.is_some_and(|d| text == seal_text(PAGE_NOTE, &d)))
    }
}

/// The digest of a receipt without the contents of its seal: what the seal is over.
pub fn page_digest(bytes: &[u8]) -> Option<Digest> {
    let (from, to) = within(std::str::from_utf8(bytes).ok()?, SEAL)?;
    let mut hasher = Hasher::new();
    hasher.update(&bytes[..from]);
    hasher.update(&bytes[to..]);
    Some(hasher.finish())
}

/// Checks a receipt.
pub fn check(bytes: &[u8], trusted: &Trusted, earlier: Option<&Result<Earlier, Unusable>>) -> Report {
    let mut report = Report::default();
    let Some(carried) = Carried::read(bytes) else {
        report.add("receipt", Verdict::NotUnderstood, "receipt-unread");
        return report;
    };
    let believed = keys::believed(&carried.checkpoint, carried.keys(), trusted, &mut report);
    let Some(believed) = believed else { return report };
    let key = &believed.key;
    let Ok(head) = Checkpoint::open(&carried.checkpoint, &[key]) else {
        report.add("checkpoint", Verdict::Broken, "checkpoint-signature");
        return report;
    };
    report.add("checkpoint", Verdict::Unchanged, "checkpoint");
    if !carried.sealed {
        report.add("page", Verdict::Claimed, "page-unsealed");
    } else if carried.page_holds(bytes, key) {
        report.add("page", Verdict::Unchanged, "page");
    } else {
        report.add("page", Verdict::Broken, "page-changed");
    }
    let mut facts = Facts::default();
    for e in &carried.entries {
        facts.take(&head, (e.index, e.bytes.as_bytes(), &e.path), &e.disclosures, &mut report);
    }
    believed.settle(("checkpoint", &carried.checkpoint), &facts, &mut report);
    pictures(bytes, &facts, &mut report);
    let of = (&head, &believed.line(&facts)[..]);
    for w in carried.witnessed.iter().take(MAX_WITNESSED) {
        outside::head_seen(&w.checkpoint, hashes(&w.hashes).as_deref(), of, trusted, &mut report);
    }
    if let Some(earlier) = earlier {
        compare(earlier, (&head, &believed, &facts), &carried.continues, &mut report);
    }
    report
}

/// Each picture in the page has to be a copy that an entry binds to its original.
fn pictures(bytes: &[u8], facts: &Facts, report: &mut Report) {
    let mut rest = std::str::from_utf8(bytes).unwrap_or_default();
    let mut number = 0;
    while let Some(from) = rest.find(PICTURE.0) {
        rest = &rest[from + PICTURE.0.len()..];
        let encoded = &rest[..rest.find(PICTURE.1).unwrap_or(rest.len())];
        number += 1;
        let digest = BASE64.decode(encoded).ok().map(|jpeg| Digest::of(&jpeg));
        let bound = digest.is_some_and(|d| facts.copies.values().any(|c| c.contains(&d)));
        let (verdict, code) = if bound { (Verdict::Unchanged, "copy") } else { (Verdict::Broken, "copy-unbound") };
        report.add(format!("picture {number}"), verdict, code);
        rest = &rest[encoded.len()..];
    }
}
