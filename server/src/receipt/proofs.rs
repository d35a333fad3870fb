//! The receipt's own proof: entries, the path of each to the signed checkpoint, and the key, as one block of text.

use base64::Engine;
use serde_json::{Value, json};

use super::Input;

/// The evidence as JSON, to be read by a program; nothing in it is needed to read the receipt.
pub fn block(input: &Input<'_>) -> Value {
    let base64 = base64::engine::general_purpose::STANDARD;
    let entries: Vec<Value> = input
        .evidence
        .iter()
        .map(|e| {
            let path: Vec<String> = e.hashes.iter().map(|h| base64.encode(h)).collect();
            json!({"index": e.index, "entry": e.bytes, "disclosures": e.disclosures, "path": path})
        })
        .collect();
    let continues: Vec<Value> = input
        .continues
        .iter()
        .map(|(size, hashes)| {
            let hashes: Vec<String> = hashes.iter().map(|h| base64.encode(h)).collect();
            json!({"size": size, "hashes": hashes})
        })
        .collect();
    json!({
        "v": 2,
        "continues": continues,
        "checkpoint": input.checkpoint,
        "verifier_key": input.verifier_key,
        "sheet": input.sheet.map(|s| s.to_string()),
        "entries": entries,
    })
}
