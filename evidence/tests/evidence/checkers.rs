//! A file, and what both checkers find in it: the program's library, and the page's checker run by Node.

use std::fs;
use std::path::Path;
use std::process::Command;

use evidence::stamp;
use evidence::verify::{self, Earlier, Trusted, Verdict};
use serde_json::{Value, json};

/// One damaged file: what was done, its bytes, the keys given, the earlier receipt, and what has to be found.
pub struct Case {
    pub name: &'static str,
    pub bytes: Vec<u8>,
    pub keys: Vec<String>,
    pub earlier: Option<Vec<u8>>,
    pub roots: Option<String>,
    pub finds: Vec<(&'static str, Verdict, &'static str)>,
}

pub fn case(name: &'static str, bytes: impl Into<Vec<u8>>, finds: &[(&'static str, Verdict, &'static str)]) -> Case {
    Case { name, bytes: bytes.into(), keys: Vec::new(), earlier: None, roots: None, finds: finds.to_vec() }
}

impl Case {
    pub fn roots(mut self, pem: &str) -> Case {
        self.roots = Some(pem.to_owned());
        self
    }

    pub fn key(mut self, key: String) -> Case {
        self.keys.push(key);
        self
    }

    pub fn earlier(mut self, receipt: impl Into<Vec<u8>>) -> Case {
        self.earlier = Some(receipt.into());
        self
    }
}

/// What the program finds, by its library.
pub fn by_program(case: &Case) -> (Verdict, Vec<String>) {
    let roots = case.roots.as_ref().map(|pem| stamp::roots(pem).unwrap()).unwrap_or_default();
    let keys = case.keys.iter().filter_map(|k| k.parse().ok()).collect();
    let witnesses = case.keys.iter().filter_map(|k| k.parse().ok()).collect();
    let trusted = Trusted { keys, witnesses, roots };
    assert_eq!(trusted.keys.len() + trusted.witnesses.len(), case.keys.len());
    let earlier = case.earlier.as_ref().map(|e| Earlier::of_receipt(e));
    let report = if case.bytes.starts_with(b"PK") {
        verify::pack::check(&mut case.bytes.as_slice(), &trusted, earlier.as_ref())
    } else {
        verify::receipt::check(&case.bytes, &trusted, earlier.as_ref())
    };
    (report.worst(), report.items.iter().map(|i| format!("{}\t{}\t{}", i.of, i.verdict, i.code)).collect())
}

/// What the page finds, run by Node.
pub fn by_page(folder: &Path, cases: &[Case]) -> Vec<(String, Vec<String>)> {
    let mut jobs = Vec::new();
    for (i, case) in cases.iter().enumerate() {
        let put = |name: String, bytes: &[u8]| {
            let path = folder.join(name);
            fs::write(&path, bytes).unwrap();
            path.to_str().unwrap().to_owned()
        };
        let earlier = case.earlier.as_ref().map(|e| put(format!("{i}.earlier"), e));
        let roots = case.roots.as_ref().map(|r| put(format!("{i}.pem"), r.as_bytes()));
        jobs.push(json!([put(format!("{i}.file"), &case.bytes), case.keys, earlier, roots]));
    }
    let list = folder.join("jobs.json");
    fs::write(&list, json!(jobs).to_string()).unwrap();
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("../tests/web/prove.mjs");
    let out = Command::new("node").arg(script).arg(list).output().expect("node runs: install it");
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    let line = |l: &str| {
        let found: Value = serde_json::from_str(l).unwrap();
        let lines = found["lines"].as_array().unwrap().iter().map(|l| l.as_str().unwrap().to_owned()).collect();
        (found["worst"].as_str().unwrap().to_owned(), lines)
    };
    String::from_utf8(out.stdout).unwrap().lines().map(line).collect()
}
