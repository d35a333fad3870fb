//! The golden log of version 1 (`schema/vectors/golden-log-1.json`), made by another program; see the page beside it.

use std::collections::{BTreeMap, BTreeSet};

use evidence::checkpoint::{Checkpoint, origin_parts};
use evidence::digest::Digest;
use evidence::disclosure::{digest_of, disclose};
use evidence::entry::Entry;
use evidence::note::{SignerKey, VerifierKey};
use evidence::proof::Proof;
use evidence::sheet::Sheet;
use evidence::{canon, tree};
use serde::Deserialize;
use serde_json::{Map, Value};

use crate::hex;
use crate::tree::Stored;

const FILE: &str = include_str!("../../../schema/vectors/golden-log-1.json");
/// Of the file as it was first committed. It never changes; a new version of the formats gets a new log.
const FILE_DIGEST: &str = "sha256:a8415f08a610d90e86005dcc9b0cfdd882924feb507c33f44806868ff675bf15";

/// Every type of version 1.
const TYPES: [&str; 29] = [
    "accessory-noted",
    "acknowledged",
    "arrangement-made",
    "block-answered",
    "condition-noted",
    "condition-withdrawn",
    "device-paired",
    "device-revoked",
    "epoch-opened",
    "file-received",
    "intake-opened",
    "key-exported",
    "left-open",
    "link-made",
    "link-revoked",
    "machine-described",
    "moved",
    "not-taken-in",
    "person-named",
    "photo-judged",
    "photo-received",
    "photo-taken",
    "question-answered",
    "safety-noted",
    "setting-changed",
    "shop-opened",
    "staff-changed",
    "statement-made",
    "taken-in",
];

#[derive(Deserialize)]
struct Golden {
    entries: Vec<Line>,
    root: Digest,
    roots: Vec<String>,
    checkpoints: Vec<Head>,
    consistency: Consistency,
    proof: Proven,
    files: BTreeMap<Digest, String>,
}

#[derive(Deserialize)]
struct Line {
    bytes: String,
    said: Digest,
    #[serde(default)]
    disclosures: Vec<String>,
    #[serde(default)]
    personal: Map<String, Value>,
}

#[derive(Deserialize)]
struct Head {
    key: String,
    note: String,
    size: u64,
}

#[derive(Deserialize)]
struct Consistency {
    old: u64,
    new: u64,
    hashes: Vec<String>,
}

#[derive(Deserialize)]
struct Proven {
    index: u64,
    text: String,
}

impl Golden {
    fn read() -> Golden {
        serde_json::from_str(FILE).unwrap()
    }

    fn parsed(&self) -> Vec<Entry> {
        self.entries.iter().map(|e| Entry::parse(e.bytes.as_bytes()).unwrap()).collect()
    }

    fn tree(&self) -> Stored {
        Stored::of(self.entries.iter().map(|e| tree::leaf_hash(e.bytes.as_bytes())).collect())
    }
}

#[test]
fn the_file_is_the_one_that_was_committed_first() {
    assert_eq!(Digest::of(FILE.as_bytes()).to_string(), FILE_DIGEST, "the golden log is never edited");
}

#[test]
fn every_entry_is_read_and_written_to_the_same_bytes_and_digest() {
    let golden = Golden::read();
    for (line, entry) in golden.entries.iter().zip(golden.parsed()) {
        assert_eq!(String::from_utf8(entry.bytes().unwrap()).unwrap(), line.bytes);
        assert_eq!(entry.said.digest().unwrap(), line.said);
        // The said digest is of the part as it stands within the bytes, unchanged.
        let start = line.bytes.find(r#""said":"#).unwrap() + 7;
        assert_eq!(Digest::of(&line.bytes.as_bytes()[start..line.bytes.len() - 7]), line.said);
    }
    let types: BTreeSet<String> = golden.parsed().into_iter().map(|e| e.said.kind).collect();
    assert!(types.iter().eq(TYPES.iter()), "{types:?}");
}

#[test]
fn ids_differ_and_log_time_never_goes_back() {
    let entries = Golden::read().parsed();
    let ids: BTreeSet<_> = entries.iter().map(|e| e.said.id).collect();
    assert_eq!(ids.len(), entries.len());
    assert!(entries.windows(2).all(|w| w[0].kept.at <= w[1].kept.at));
    let set_back: Vec<_> = entries.iter().filter(|e| e.kept.raw.is_some()).collect();
    assert!(set_back.len() == 1 && set_back[0].kept.raw < Some(set_back[0].kept.at));
    assert!(entries.iter().all(|e| e.said.shop == entries[0].said.shop));
}

#[test]
fn disclosures_hold_the_personal_members_and_belong_to_their_entry_alone() {
    let golden = Golden::read();
    let mut total = 0;
    for (line, entry) in golden.entries.iter().zip(golden.parsed()) {
        let shown = disclose(&entry.said.body, &line.disclosures).unwrap();
        for (name, value) in &line.personal {
            assert_eq!(shown.get(name), Some(value));
            assert!(!entry.said.body.contains_key(name));
        }
        assert_eq!(shown.len(), entry.said.body.len() + line.personal.len());
        let digests: BTreeSet<String> = line.disclosures.iter().map(|d| digest_of(d)).collect();
        let named = entry.said.body.get("_sd").and_then(Value::as_array).cloned().unwrap_or_default();
        assert!(named.iter().filter_map(Value::as_str).eq(digests.iter()));
        total += line.disclosures.len();
        if let Some(stranger) =
            golden.entries.iter().flat_map(|l| &l.disclosures).find(|d| !line.disclosures.contains(d))
        {
            assert!(disclose(&entry.said.body, std::slice::from_ref(stranger)).is_err());
        }
    }
    assert_eq!(total, 19);
}

#[test]
fn the_tree_has_these_roots_and_proofs() {
    let golden = Golden::read();
    let stored = golden.tree();
    assert_eq!(golden.roots.len(), golden.entries.len());
    for (i, expected) in golden.roots.iter().enumerate() {
        assert_eq!(Digest(stored.root(i as u64 + 1)).hex(), *expected);
    }
    assert_eq!(Digest(tree::root(&stored.leaves)), golden.root);

    let Consistency { old, new, hashes } = &golden.consistency;
    let proof: Vec<tree::Hash> = hashes.iter().map(|h| hex(h).try_into().unwrap()).collect();
    assert_eq!(stored.consistency(*old, *new), proof);
    assert_eq!(tree::verify_consistency(*old, *new, &proof, stored.root(*old), stored.root(*new)), Ok(()));
}

#[test]
fn the_checkpoints_are_signed_byte_for_byte_and_opened() {
    let golden = Golden::read();
    let stored = golden.tree();
    let seed = Digest::of(b"golden log key: invented, of no shop").0;
    let shop = golden.parsed()[0].said.shop;
    for (head, epoch) in golden.checkpoints.iter().zip(1..) {
        let key: VerifierKey = head.key.parse().unwrap();
        let checkpoint = Checkpoint::open(&head.note, &[&key]).unwrap();
        assert_eq!((checkpoint.size, checkpoint.root), (head.size, stored.root(head.size)));
        assert_eq!(origin_parts(&checkpoint.origin), Some(("counterfoil", shop, epoch)));
        let signer = SignerKey::new(&checkpoint.origin, seed);
        assert_eq!(signer.verifier(), key);
        assert_eq!(checkpoint.sign(&[&signer]).unwrap(), head.note);
    }
    // The key is the same, its name is not: one epoch's key does not open the other's checkpoint.
    let [first, second] = &golden.checkpoints[..] else { panic!("two checkpoints") };
    assert!(Checkpoint::open(&first.note, &[&second.key.parse().unwrap()]).is_err());
}

#[test]
fn the_proof_of_the_acceptance_is_made_and_verified() {
    let golden = Golden::read();
    let (index, head) = (golden.proof.index, &golden.checkpoints[1]);
    let made =
        Proof { extra: None, index, hashes: golden.tree().inclusion(index, head.size), checkpoint: head.note.clone() };
    assert_eq!(made.to_string(), golden.proof.text);
    let read: Proof = golden.proof.text.parse().unwrap();
    let key: VerifierKey = head.key.parse().unwrap();
    for (i, line) in golden.entries.iter().enumerate() {
        assert_eq!(read.verify(line.bytes.as_bytes(), &[&key]).is_ok(), i as u64 == index);
    }
    assert_eq!(golden.parsed()[index as usize].said.kind, "taken-in");
}

#[test]
fn the_sheets_list_entries_and_photos_of_this_log() {
    let golden = Golden::read();
    let said: BTreeSet<Digest> = golden.entries.iter().map(|e| e.said).collect();
    let entries = golden.parsed();
    let named = |kind: &str, member: &str| -> BTreeSet<Digest> {
        let of_kind = entries.iter().filter(|e| e.said.kind == kind);
        of_kind.filter_map(|e| e.said.body.get(member)?.as_str()?.parse().ok()).collect()
    };
    let (sheets, strokes, photos) =
        (named("acknowledged", "sheet"), named("acknowledged", "strokes"), named("photo-taken", "file"));
    assert_eq!((sheets.len(), strokes.len(), golden.files.len()), (2, 1, 3));
    for (digest, text) in &golden.files {
        assert_eq!(Digest::of(text.as_bytes()), *digest);
        assert!(canon::parse(text.as_bytes()).is_ok());
        if strokes.contains(digest) {
            assert!(Sheet::parse(text.as_bytes()).is_err());
            continue;
        }
        assert!(sheets.contains(digest));
        let sheet = Sheet::parse(text.as_bytes()).unwrap();
        assert_eq!(sheet.digest(), *digest);
        assert!(sheet.entries.iter().all(|e| said.contains(e)));
        assert!(sheet.files.len() == 6 && sheet.files.iter().all(|f| photos.contains(f)));
    }
}
