//! What leaves the shop, checked in every way there is: by the program, by the page's checker, by hand.

use std::collections::BTreeMap;
use std::fs;
use std::io::Write;
use std::path::Path;
use std::process::{Command, Stdio};

use evidence::zip;
use serde_json::{Value, json};

use crate::server::program;

/// What a tool from outside says; it has to do what it is told.
///
/// # Panics
/// When it does not.
pub fn tool(command: &mut Command) -> String {
    let out = command.output().unwrap_or_else(|e| panic!("{command:?} does not run ({e}): tests/run installs it"));
    assert!(
        out.status.success(),
        "{command:?}: {}{}",
        String::from_utf8_lossy(&out.stdout),
        String::from_utf8_lossy(&out.stderr)
    );
    String::from_utf8_lossy(&out.stdout).into_owned()
}

/// The files of a pack.
///
/// # Panics
/// When it is none.
pub fn files(pack: &[u8]) -> BTreeMap<String, Vec<u8>> {
    let members = zip::list(&mut &pack[..]).expect("an archive as packs are");
    let bytes = |m: &zip::Member| pack[m.at as usize..m.at as usize + m.size as usize].to_vec();
    members.iter().map(|m| (m.name.clone(), bytes(m))).collect()
}

/// What a pack's report says, its spaces and line ends as one space each.
///
/// # Panics
/// When there is none, or a tool is missing.
pub fn report_words(pack: &[u8], folder: &Path) -> String {
    let file = folder.join("report.pdf");
    fs::write(&file, &files(pack)["report.pdf"]).expect("a file");
    let words = tool(Command::new("pdftotext").arg(&file).arg("-"));
    fs::remove_file(&file).expect("the file goes");
    words.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// Exit code and lines of the program.
///
/// # Panics
/// When a tool is missing or does not do what it is told.
pub fn verify(file: &Path, more: &[&str]) -> (i32, Vec<String>) {
    let out = Command::new(program().with_file_name("verify"))
        .arg(file)
        .arg("--lines")
        .args(more)
        .output()
        .expect("verify is built");
    let lines = String::from_utf8(out.stdout).expect("text").lines().map(str::to_owned).collect();
    (out.status.code().expect("an exit code"), lines)
}

/// The same by the page's checker.
///
/// # Panics
/// When a tool is missing or does not do what it is told.
pub fn by_page(folder: &Path, file: &Path, key: &str, earlier: Option<&Path>, roots: Option<&Path>) -> Vec<String> {
    let jobs = folder.join("jobs.json");
    fs::write(&jobs, json!([[file, [key], earlier, roots]]).to_string()).expect("a file");
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("web/prove.mjs");
    let said: Value = serde_json::from_str(&tool(Command::new("node").arg(script).arg(jobs))).expect("JSON");
    said["lines"].as_array().expect("lines").iter().map(|l| l.as_str().expect("a line").to_owned()).collect()
}

/// Types what is indented in VERIFY.txt into a shell, in a folder that holds the unpacked archive and nothing else.
///
/// # Panics
/// When a tool is missing or does not do what it is told.
pub fn by_hand(pack: &Path, folder: &Path) -> (bool, String) {
    let empty = folder.join("by-hand");
    fs::create_dir(&empty).expect("a folder");
    tool(Command::new("unzip").arg("-q").arg(pack).arg("-d").arg(&empty));
    let text = fs::read_to_string(empty.join("VERIFY.txt")).expect("VERIFY.txt");
    let commands: Vec<&str> = text.lines().filter_map(|l| l.strip_prefix("    ")).collect();
    let mut shell = Command::new("sh")
        .arg("-e")
        .current_dir(&empty)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("a shell");
    shell.stdin.take().expect("its input").write_all((commands.join("\n") + "\n").as_bytes()).expect("it reads");
    let out = shell.wait_with_output().expect("it ends");
    fs::remove_dir_all(&empty).expect("the folder goes");
    (out.status.success(), String::from_utf8_lossy(&out.stdout).into_owned() + &String::from_utf8_lossy(&out.stderr))
}
