//! A small log and what leaves a shop of it, made in memory: every part can be made wrong, also by somebody who holds the key.

use std::collections::BTreeMap;

use base64::Engine;
use base64::engine::general_purpose::STANDARD as BASE64;
use evidence::canon;
use evidence::checkpoint::Checkpoint;
use evidence::digest::Digest;
use evidence::disclosure::{self, Disclosure};
use evidence::entry::{Author, Entry, Kept, Said};
use evidence::note::{self, SignerKey};
use evidence::proof::Proof;
use evidence::rotation;
use evidence::sheet::Sheet;
use evidence::tree::{self, Hash};
use evidence::verify::pack::entry_path;
use evidence::verify::receipt::{BLOCK, SEAL, page_digest};
use evidence::verify::{MANIFEST_NOTE, PAGE_NOTE, seal_text};
use evidence::zip::Writer;
use serde_json::{Map, Value, json};
use uuid::Uuid;

pub const SHOP: &str = "0199c0de-0000-7000-8000-000000000001";
pub const INTAKE: &str = "0199c0de-0000-7000-8000-000000000002";
pub const ORIGINALS: [&[u8]; 4] =
    [b"bytes of photo one", b"bytes of photo two", b"bytes of photo three", b"bytes of four"];
pub const COPY: &[u8] = b"a smaller copy of photo two";

pub fn photo(n: usize) -> String {
    format!("0199c0de-0000-7000-8000-0000000001{n:02}")
}

pub fn id(text: &str) -> Uuid {
    text.parse().unwrap()
}

/// A shop that can tell its story: entries, their disclosures, its key.
#[derive(Clone)]
pub struct Log {
    pub epoch: u64,
    pub entries: Vec<Vec<u8>>,
    pub details: BTreeMap<u64, Vec<String>>,
    pub sheet: Vec<u8>,
    seed: [u8; 32],
    /// What signs beside the key, and what signed before it.
    pub beside: Option<[u8; 32]>,
    pub before: Vec<[u8; 32]>,
}

pub fn text(name: &str, value: &str) -> String {
    Disclosure { salt: "AAAAAAAAAAAAAAAAAAAAAA".into(), name: name.into(), value: value.into() }.encode()
}

/// An entry at a place of the log, said by the staff or the server.
pub fn entry(index: u64, kind: &str, body: Value, server: bool) -> Entry {
    let Value::Object(body) = body else { panic!("a body is an object") };
    let author = if server {
        Author::Server { version: "0.1.0".into() }
    } else {
        Author::Staff { staff: id(SHOP), device: id(SHOP) }
    };
    let at = 1_795_600_000_000 + index as i64 * 1000;
    let said = Said {
        author,
        body,
        at,
        offset_minutes: 60,
        id: id(&format!("0199c0de-0000-7000-8000-00000000{index:04}")),
        intake: Some(id(INTAKE)),
        seen: None,
        shop: id(SHOP),
        kind: kind.into(),
        v: 1,
    };
    Entry { said, kept: Kept { at, raw: None, clock_offset_ms: Some(-312), round_trip_ms: Some(80) } }
}

impl Log {
    /// Four photos: one with its original, one withheld, one erased, one moved; personal details; a signed sheet.
    pub fn new() -> Log {
        let files: Vec<String> = ORIGINALS.iter().map(|o| Digest::of(o).to_string()).collect();
        let mut log = Log {
            epoch: 1,
            entries: Vec::new(),
            details: BTreeMap::new(),
            sheet: Vec::new(),
            seed: [7; 32],
            beside: None,
            before: Vec::new(),
        };
        log.say("epoch-opened", json!({"epoch": 1, "because": "the log begins"}), true);
        log.say("intake-opened", json!({"tag": "0417"}), false);
        let card = [text("name", "M. Okafor"), text("phone", "01632 960 417")];
        let mut body = Map::from_iter([("who".to_owned(), json!("owner"))]);
        disclosure::attach(&mut body, &card);
        let named = log.say("person-named", Value::Object(body), false);
        log.details.insert(named, card.to_vec());
        let complaint = [text("text", "It was fine in spring.")];
        let mut body = Map::from_iter([("topic".to_owned(), json!("complaint"))]);
        disclosure::attach(&mut body, &complaint);
        log.say("statement-made", Value::Object(body), false);
        for (n, file) in files.iter().enumerate() {
            log.say("photo-taken", json!({"photo": photo(n), "file": file}), false);
        }
        log.say("photo-judged", json!({"photo": photo(1), "file": files[1], "renditions": [{"purpose": "large", "file": Digest::of(COPY).to_string()}]}), true);
        let said = |e: &Vec<u8>| Entry::parse(e).unwrap().said.digest().unwrap();
        let sheet = Sheet {
            entries: log.entries[1..8].iter().map(said).collect(),
            files: ORIGINALS[..2].iter().map(|o| Digest::of(o)).collect(),
            intake: id(INTAKE),
            kind: Digest::of(b"kind"),
            language: "en".into(),
            reader: None,
            shop: id(SHOP),
            terms: None,
            words: Digest::of(b"words"),
        };
        log.sheet = sheet.bytes().unwrap();
        log.say("acknowledged", json!({"how": "signed", "sheet": sheet.digest().to_string()}), false);
        log.say("taken-in", json!({}), false);
        log.say("photo-erased", json!({"photo": photo(2), "because": "asked for"}), false);
        log.say("photo-moved", json!({"photo": photo(3), "to": SHOP, "because": "another machine"}), false);
        log
    }

    pub fn say(&mut self, kind: &str, body: Value, server: bool) -> u64 {
        let index = self.entries.len() as u64;
        self.entries.push(entry(index, kind, body, server).bytes().unwrap());
        index
    }

    pub fn key(&self) -> SignerKey {
        self.key_of(self.seed)
    }

    pub fn key_of(&self, seed: [u8; 32]) -> SignerKey {
        SignerKey::new(&format!("counterfoil/{SHOP}/{}", self.epoch), seed)
    }

    /// All that sign a head.
    pub fn signing(&self) -> Vec<SignerKey> {
        [Some(self.seed), self.beside].into_iter().flatten().map(|s| self.key_of(s)).collect()
    }

    /// Says something of the shop itself.
    pub fn say_of_shop(&mut self, kind: &str, body: Value, server: bool) {
        let mut entry = entry(self.entries.len() as u64, kind, body, server);
        entry.said.intake = None;
        self.entries.push(entry.bytes().unwrap());
    }

    /// What an entry says that changes the key from one to another.
    pub fn change(&self, old: [u8; 32], new: [u8; 32]) -> Value {
        let (old, new) = (self.key_of(old), self.key_of(new));
        let note = rotation::announce(&old, &new).unwrap();
        json!({"because": "as every year", "overlap_days": 30, "old": old.verifier().to_string(),
            "new": new.verifier().to_string(), "note": note})
    }

    /// Changes the key; both sign from then on.
    pub fn rotate(&mut self, new: [u8; 32]) {
        let body = self.change(self.seed, new);
        self.say_of_shop(rotation::ROTATED, body, true);
        self.before.push(self.seed);
        self.beside = Some(self.seed);
        self.seed = new;
    }

    /// Lets the old key go.
    pub fn retire(&mut self) {
        let old = self.beside.take().unwrap();
        let old = self.key_of(old).verifier().to_string();
        self.say_of_shop(rotation::RETIRED, json!({"old": old}), true);
    }

    /// All keys, the one that signs first.
    pub fn keys(&self) -> Vec<String> {
        [self.seed].iter().chain(&self.before).map(|s| self.key_of(*s).verifier().to_string()).collect()
    }

    pub fn with_key(mut self, seed: [u8; 32]) -> Log {
        self.seed = seed;
        self
    }

    fn leaves(&self) -> Vec<Hash> {
        self.entries.iter().map(|e| tree::leaf_hash(e)).collect()
    }

    /// Every node there is.
    fn nodes(&self) -> BTreeMap<(u8, u64), Hash> {
        let mut nodes = BTreeMap::new();
        for (size, leaf) in self.leaves().into_iter().enumerate() {
            let fresh = tree::new_nodes(size as u64, leaf, &mut |l, i| nodes.get(&(l, i)).copied()).unwrap();
            nodes.extend(fresh.into_iter().map(|(l, i, h)| ((l, i), h)));
        }
        nodes
    }

    pub fn path(&self, index: u64) -> Vec<Hash> {
        let nodes = self.nodes();
        tree::inclusion(index, self.entries.len() as u64, &mut |l, i| nodes.get(&(l, i)).copied()).unwrap()
    }

    pub fn checkpoint(&self) -> String {
        let root = tree::root(&self.leaves());
        Checkpoint { origin: self.key().name().to_owned(), size: self.entries.len() as u64, root }
            .sign(&self.signing().iter().collect::<Vec<_>>())
            .unwrap()
    }

    pub fn proof(&self, index: u64) -> String {
        let proof = Proof { extra: None, index, hashes: self.path(index), checkpoint: self.checkpoint() };
        proof.to_string()
    }

    /// That the log goes on from a smaller size.
    pub fn consistency(&self, old: u64) -> Vec<Hash> {
        let nodes = self.nodes();
        tree::consistency(old, self.entries.len() as u64, &mut |l, i| nodes.get(&(l, i)).copied()).unwrap()
    }

    /// That the log goes on from each smaller size.
    pub fn continues(&self) -> Value {
        let nodes = self.nodes();
        let size = self.entries.len() as u64;
        let one = |old: u64| {
            let hashes = tree::consistency(old, size, &mut |l, i| nodes.get(&(l, i)).copied()).unwrap();
            json!({"size": old, "hashes": hashes.iter().map(|h| BASE64.encode(h)).collect::<Vec<_>>()})
        };
        (1..size).map(one).collect()
    }

    /// A receipt over the first entries; its pictures are the copy.
    pub fn receipt(&self, size: usize) -> String {
        let mut log = self.clone();
        log.entries.truncate(size);
        let entries: Vec<Value> = (0..size as u64)
            .map(|i| {
                let path: Vec<String> = log.path(i).iter().map(|h| BASE64.encode(h)).collect();
                let entry = String::from_utf8(log.entries[i as usize].clone()).unwrap();
                json!({"index": i, "entry": entry, "disclosures": log.details.get(&i).cloned().unwrap_or_default(), "path": path})
            })
            .collect();
        let block = json!({"v": 2, "checkpoint": log.checkpoint(), "verifier_key": log.key().verifier().to_string(),
            "entries": entries, "continues": log.continues()});
        let mut block = block;
        if !self.before.is_empty() {
            block["keys"] = json!(log.keys()[1..]);
        }
        sealed_by(
            &format!("<p>Receipt <img src=\"data:image/jpeg;base64,{}\">", BASE64.encode(COPY)),
            &block,
            &log.signing(),
        )
    }

    /// The files of a pack that is as it should be, without list and signature.
    pub fn files(&self) -> BTreeMap<String, Vec<u8>> {
        let original = |n: usize| format!("originals/{}.jpg", Digest::of(ORIGINALS[n]).hex());
        let mut files = BTreeMap::from([
            ("checkpoint.txt".to_owned(), self.checkpoint().into_bytes()),
            ("keys.txt".to_owned(), (self.keys().join("\n") + "\n").into_bytes()),
            ("consistency.json".to_owned(), canon::to_bytes(&self.continues()).unwrap()),
            ("sheet.json".to_owned(), self.sheet.clone()),
            (original(0), ORIGINALS[0].to_vec()),
            (format!("copies/{}.jpg", Digest::of(COPY).hex()), COPY.to_vec()),
        ]);
        for (i, bytes) in self.entries.iter().enumerate() {
            files.insert(entry_path("entries", i as u64, "json"), bytes.clone());
            files.insert(entry_path("proofs", i as u64, "tlog-proof"), self.proof(i as u64).into_bytes());
        }
        for (i, lines) in &self.details {
            files.insert(entry_path("details", *i, "txt"), (lines.join("\n") + "\n").into_bytes());
        }
        files
    }

    /// The list of these files.
    pub fn manifest(&self, files: &BTreeMap<String, Vec<u8>>) -> Value {
        let listed: Vec<Value> = files
            .iter()
            .map(|(path, b)| json!({"path": path, "size": b.len(), "sha256": Digest::of(b).to_string()}))
            .collect();
        json!({"v": 1, "shop": SHOP, "intake": INTAKE, "scope": "intake", "language": "en", "lacks": [],
            "withheld": [Digest::of(ORIGINALS[1]).to_string()], "files": listed})
    }

    /// List and signature beside the files.
    pub fn listed(&self, mut files: BTreeMap<String, Vec<u8>>, manifest: &Value) -> BTreeMap<String, Vec<u8>> {
        let list = canon::to_bytes(manifest).unwrap();
        let keys = self.signing();
        let seal = note::sign(&seal_text(MANIFEST_NOTE, &Digest::of(&list)), &keys.iter().collect::<Vec<_>>()).unwrap();
        files.insert("manifest.json".into(), list);
        files.insert("manifest.note".into(), seal.into_bytes());
        files
    }

    /// A pack out of files that are listed as they are.
    pub fn pack(&self, files: BTreeMap<String, Vec<u8>>) -> Vec<u8> {
        let manifest = self.manifest(&files);
        archive(&self.listed(files, &manifest))
    }
}

/// A page with its block, signed.
pub fn sealed(before: &str, block: &Value, key: &SignerKey) -> String {
    sealed_by(before, block, std::slice::from_ref(key))
}

/// The same by several.
pub fn sealed_by(before: &str, block: &Value, keys: &[SignerKey]) -> String {
    let page = |seal: &str| format!("{before}{}{block}{}{}{seal}{}</p>", BLOCK.0, BLOCK.1, SEAL.0, SEAL.1);
    let digest = page_digest(page("").as_bytes()).unwrap();
    page(&note::sign(&seal_text(PAGE_NOTE, &digest), &keys.iter().collect::<Vec<_>>()).unwrap())
}

/// An archive of these files.
pub fn archive(files: &BTreeMap<String, Vec<u8>>) -> Vec<u8> {
    let mut archive = Writer::new(Vec::new());
    for (path, bytes) in files {
        archive.whole(path, bytes).unwrap();
    }
    archive.finish().unwrap()
}
