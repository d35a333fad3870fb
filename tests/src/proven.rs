//! What the two checkers say of a file: the program and the page, which have to say the same.

use std::path::Path;
use std::process::Command;

use serde_json::{Value, json};

use crate::server::program;

/// Exit code and lines of the program, and the lines of the page's checker, which have to be the same.
///
/// # Panics
/// When one of them does not run, or they differ.
pub fn verified(folder: &Path, bytes: &[u8], earlier: Option<&[u8]>) -> (i32, Vec<String>) {
    let (file, before) = (folder.join("checked"), folder.join("earlier"));
    std::fs::write(&file, bytes).expect("a file");
    let mut command = Command::new(program().with_file_name("verify"));
    command.arg(&file).arg("--lines");
    if let Some(earlier) = earlier {
        std::fs::write(&before, earlier).expect("a file");
        command.arg("--earlier").arg(&before);
    }
    let out = command.output().expect("verify is built");
    let lines: Vec<String> = String::from_utf8(out.stdout).expect("text").lines().map(str::to_owned).collect();
    let jobs = folder.join("jobs.json");
    std::fs::write(&jobs, json!([[file, [], earlier.map(|_| before)]]).to_string()).expect("a file");
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("web/prove.mjs");
    let page = Command::new("node").arg(script).arg(jobs).output().expect("node runs: tests/run installs it");
    assert!(page.status.success(), "{}", String::from_utf8_lossy(&page.stderr));
    let page: Value = serde_json::from_slice(&page.stdout).expect("JSON");
    let page: Vec<String> =
        page["lines"].as_array().into_iter().flatten().filter_map(|l| l.as_str()).map(str::to_owned).collect();
    assert!(
        lines.len() > 3 && lines.iter().all(|l| page.contains(l)),
        "the two checkers differ:\n{lines:#?}\n{page:#?}"
    );
    (out.status.code().expect("an exit code"), lines)
}

/// How many items have this code.
pub fn count(lines: &[String], code: &str) -> usize {
    lines.iter().filter(|l| l.ends_with(&format!("\t{code}"))).count()
}
