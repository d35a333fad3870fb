//! The receipt's own proof: entries, the path of each to the signed checkpoint, and the key, as one block of text.

use base64::Engine;
use evidence::digest::Digest;
use evidence::tree::Hash;
use serde_json::{Value, json};

use super::{Evidence, Input};
use crate::pack::outside::Witnessed;

/// The evidence as JSON, to be read by a program; nothing in it is needed to read the receipt.
pub fn block(input: &Input<'_>) -> Value {
    of(input.evidence, input.continues, input.checkpoint, input.keys, input.sheet, input.witnessed)
}

/// The same of any entries.
pub fn of(
    evidence: &[Evidence],
    continues: &[(u64, Vec<Hash>)],
    checkpoint: &str,
    keys: &[String],
    sheet: Option<Digest>,
    witnessed: &[Witnessed],
) -> Value {
    let base64 = base64::engine::general_purpose::STANDARD;
    let entries: Vec<Value> = evidence
        .iter()
        .map(|e| {
            let path: Vec<String> = e.hashes.iter().map(|h| base64.encode(h)).collect();
            json!({"index": e.index, "entry": e.bytes, "disclosures": e.disclosures, "path": path})
        })
        .collect();
    let continues: Vec<Value> = continues
        .iter()
        .map(|(size, hashes)| {
            let hashes: Vec<String> = hashes.iter().map(|h| base64.encode(h)).collect();
            json!({"size": size, "hashes": hashes})
        })
        .collect();
    let mut block = json!({
        "v": 2,
        "continues": continues,
        "checkpoint": checkpoint,
        "verifier_key": keys.first(),
        "sheet": sheet.map(|s| s.to_string()),
        "entries": entries,
    });
    if keys.len() > 1 {
        block["keys"] = json!(keys[1..]);
    }
    if !witnessed.is_empty() {
        let one = |w: &Witnessed| {
            let hashes: Vec<String> = w.proof.iter().map(|h| base64.encode(h)).collect();
            json!({"checkpoint": w.note, "hashes": hashes})
        };
        block["witnessed"] = witnessed.iter().map(one).collect();
    }
    block
}
