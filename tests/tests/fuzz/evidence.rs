//! Entries, proofs, notes and sheets: what is read is what was written, and nothing else is ever proven.

use evidence::canon;
use evidence::digest::Digest;
use evidence::disclosure::disclose;
use evidence::entry::{Entry, Said};
use evidence::note::{self, VerifierKey};
use evidence::proof::Proof;
use evidence::sheet::Sheet;
use serde_json::Value;
use std::sync::OnceLock;

use crate::keep::shipped;

/// What stands between an entry and its proof.
const BETWEEN: &str = "\n\u{1e}\n";

struct Golden {
    entries: Vec<(String, Vec<String>)>,
    notes: Vec<String>,
    keys: Vec<VerifierKey>,
    proof: (usize, String),
    files: Vec<String>,
}

/// The log that is never regenerated.
fn golden() -> &'static Golden {
    static GOLDEN: OnceLock<Golden> = OnceLock::new();
    GOLDEN.get_or_init(|| {
        let log: Value = serde_json::from_slice(&shipped("schema/vectors/golden-log-1.json")).expect("the golden log");
        let list = |of: &Value| of.as_array().cloned().unwrap_or_default();
        let text = |of: &Value| of.as_str().unwrap_or_default().to_owned();
        let entries = list(&log["entries"]);
        Golden {
            entries: entries
                .iter()
                .map(|e| (text(&e["bytes"]), list(&e["disclosures"]).iter().map(text).collect()))
                .collect(),
            notes: list(&log["checkpoints"]).iter().map(|c| text(&c["note"])).collect(),
            keys: list(&log["checkpoints"]).iter().map(|c| text(&c["key"]).parse().expect("a key")).collect(),
            proof: (
                usize::try_from(log["proof"]["index"].as_u64().expect("an index")).expect("an index"),
                text(&log["proof"]["text"]),
            ),
            files: log["files"].as_object().into_iter().flatten().map(|(_, v)| text(v)).collect(),
        }
    })
}

/// One entry of every type; those with disclosures also as a device sends them.
pub fn entries() -> Vec<Vec<u8>> {
    let sent = |(bytes, disclosures): &(String, Vec<String>)| {
        let said = serde_json::from_str::<Value>(bytes).ok()?["said"].clone();
        let sent = serde_json::json!({"said": said, "disclosures": disclosures});
        (!disclosures.is_empty()).then(|| sent.to_string().into_bytes())
    };
    let all = &golden().entries;
    all.iter().map(|(b, _)| b.clone().into_bytes()).chain(all.iter().filter_map(sent)).collect()
}

/// An entry that is read is written back byte for byte; what is sent has one digest.
pub fn entry(bytes: &[u8]) -> Result<String, String> {
    let mut shape = match Entry::parse(bytes) {
        Ok(entry) => {
            let back = entry.bytes().map_err(|e| format!("an entry that was read is not written: {e}"))?;
            if back != bytes {
                return Err("an entry that was read is written differently".into());
            }
            format!("entry {}", entry.said.kind)
        }
        Err(e) => format!("{} {}", e.pointer, e.sentence),
    };
    if let Ok(value) = canon::parse(bytes)
        && canon::to_bytes(&value).as_deref() != Ok(bytes)
    {
        return Err("canonical bytes are written differently".into());
    }
    // What a device sends need not be canonical.
    let Ok(sent) = serde_json::from_slice::<Value>(bytes) else { return Ok(shape) };
    match sent.get("said").map(Said::parse) {
        Some(Ok(said)) => {
            let bytes = said.bytes().map_err(|e| format!("what was read has no bytes: {e}"))?;
            let again = canon::parse(&bytes).map_err(|e| e.sentence.to_owned())?;
            let again = Said::parse(&again).map_err(|e| format!("what was written is not read: {e}"))?;
            if again != said || again.digest() != said.digest() {
                return Err("what was said is read differently".into());
            }
            let texts: Vec<String> = serde_json::from_value(sent["disclosures"].clone()).unwrap_or_default();
            match disclose(&said.body, &texts) {
                Ok(body) if texts.len() + said.body.len() != body.len() => {
                    return Err("a disclosure is lost, or stands for another member".into());
                }
                Ok(_) => shape.push_str(" disclosed"),
                Err(e) => shape.push_str(e.0),
            }
        }
        Some(Err(e)) => shape.push_str(e.sentence.get(..24).unwrap_or(&e.sentence)),
        None => {}
    }
    Ok(shape)
}

/// Proofs with their entry, checkpoints, sheets.
pub fn receipts() -> Vec<Vec<u8>> {
    let golden = golden();
    let (index, proof) = &golden.proof;
    let whole = format!("{}{BETWEEN}{proof}", golden.entries[*index].0);
    let all = [whole].into_iter().chain(golden.notes.iter().cloned()).chain(golden.files.iter().cloned());
    all.chain(golden.keys.iter().map(ToString::to_string)).map(String::into_bytes).collect()
}

/// Whatever is made of a receipt, its key proves no other entry and signs no other text.
pub fn receipt(bytes: &[u8]) -> Result<String, String> {
    let golden = golden();
    let keys: Vec<&VerifierKey> = golden.keys.iter().collect();
    let text = String::from_utf8_lossy(bytes);
    let mut shape = String::new();
    if let Some((entry, proof)) = text.split_once(BETWEEN) {
        match proof.parse::<Proof>() {
            Ok(proof) => {
                if proof.to_string().parse::<Proof>().as_ref() != Ok(&proof) {
                    return Err("a proof that was read is written differently".into());
                }
                match proof.verify(entry.as_bytes(), &keys) {
                    Ok(head) => {
                        let there = usize::try_from(proof.index).ok().and_then(|i| golden.entries.get(i));
                        if there.is_none_or(|(b, _)| b != entry) || head.size > golden.entries.len() as u64 {
                            return Err("proven, though it is not in the log".into());
                        }
                        shape.push_str("proven ");
                    }
                    Err(e) => shape.push_str(e.0),
                }
            }
            Err(e) => shape.push_str(e.0),
        }
    }
    match note::open_by(&text, &keys) {
        Ok((signed, by)) => {
            if by.is_empty() || !golden.notes.iter().any(|n| n.starts_with(signed)) {
                return Err("signed, though nobody signed it".into());
            }
            shape.push_str(" signed");
        }
        Err(e) => shape.push_str(e.0),
    }
    match Sheet::parse(bytes) {
        Ok(sheet) if sheet.digest() != Digest::of(bytes) => {
            return Err("a sheet with another digest than its bytes".into());
        }
        Ok(_) => shape.push_str(" sheet"),
        Err(e) => shape.push_str(&format!("{} {}", e.pointer.get(..8).unwrap_or(""), e.sentence)),
    }
    if let Ok(key) = text.parse::<VerifierKey>() {
        if key.to_string() != text {
            return Err("a key is written differently".into());
        }
        shape.push_str(" key");
    }
    shape.push_str(if counterfoil::intake::strokes::parse(bytes).is_ok() { " strokes" } else { "" });
    Ok(shape)
}
