//! The program, as a stranger runs it.

use std::fs;
use std::path::PathBuf;
use std::process::Command;

use evidence::checkpoint::Checkpoint;
use evidence::note::SignerKey;
use evidence::proof::Proof;
use evidence::tree;
use serde_json::Value;

/// A folder of a test's own, gone when it ends.
struct Folder(PathBuf);

impl Folder {
    fn new(name: &str) -> Folder {
        let path = PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join(format!("verify-{name}-{}", std::process::id()));
        fs::create_dir_all(&path).unwrap();
        Folder(path)
    }

    fn put(&self, name: &str, bytes: impl AsRef<[u8]>) -> String {
        let path = self.0.join(name);
        fs::write(&path, bytes).unwrap();
        path.to_str().unwrap().to_owned()
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        let _ = fs::remove_dir_all(&self.0);
    }
}

fn run(args: &[&str]) -> (Option<i32>, String, String) {
    let out = Command::new(env!("CARGO_BIN_EXE_verify")).args(args).output().unwrap();
    (out.status.code(), String::from_utf8(out.stdout).unwrap(), String::from_utf8(out.stderr).unwrap())
}

/// The golden log's entry that has a proof, the proof, and the key.
fn golden() -> (String, String, String) {
    let golden: Value = serde_json::from_str(include_str!("../../../schema/vectors/golden-log-1.json")).unwrap();
    let index = golden["proof"]["index"].as_u64().unwrap() as usize;
    let text = |v: &Value| v.as_str().unwrap().to_owned();
    (text(&golden["entries"][index]["bytes"]), text(&golden["proof"]["text"]), text(&golden["checkpoints"][1]["key"]))
}

#[test]
fn a_proof_that_holds_is_told_in_sentences() {
    let (folder, (entry, proof, key)) = (Folder::new("holds"), golden());
    let (entry, proof) = (folder.put("entry.json", entry), folder.put("entry.tlog-proof", proof));
    let (code, out, err) = run(&["proof", &entry, &proof, &key]);
    assert_eq!((code, err.as_str()), (Some(0), ""));
    assert!(out.starts_with("UNCHANGED: The log counterfoil/"), "{out}");
    for part in [
        "as its entry 66 (counted from 0); it had 78 entries",
        "of the type taken-in, said by staff member",
        "Said 2026-11-25T08:07:07.017Z by the author's clock, measured -312 ms from the server's to within 95 ms.",
        "Kept 2026-11-25T08:07:06.800Z by the log's clock (the server's own clock stood at 2026-11-25T08:07:05.300Z).",
        "Whether they are true is for a person to say",
    ] {
        assert!(out.contains(part), "{part}\n{out}");
    }
}

#[test]
fn what_was_changed_is_broken() {
    let (folder, (entry, proof, key)) = (Folder::new("changed"), golden());
    let good = (folder.put("e", &entry), folder.put("p", &proof));
    for (what, e, p) in [
        ("the entry", folder.put("e1", entry.replace("08:07:05.300", "08:07:04.300")), good.1.clone()),
        ("a line end more", folder.put("e2", format!("{entry}\n")), good.1.clone()),
        ("the place", good.0.clone(), folder.put("p1", proof.replace("index 66", "index 65"))),
        ("the checkpoint", good.0.clone(), folder.put("p2", proof.replace("\n78\n", "\n79\n"))),
        ("the form", good.0.clone(), folder.put("p3", proof.replace("@v1", "@v9"))),
    ] {
        let (code, out, _) = run(&["proof", &e, &p, &key]);
        assert!(code == Some(1) && out.starts_with("BROKEN: "), "{what}: {out}");
    }
    let other = SignerKey::new("counterfoil/other", [1; 32]).verifier().to_string();
    let (code, out, _) = run(&["proof", &good.0, &good.1, &other]);
    assert_eq!((code, out.as_str()), (Some(1), "BROKEN: No known key signed this note.\n"));
}

#[test]
fn a_proven_entry_that_is_not_ours_to_read_is_told_apart() {
    let folder = Folder::new("foreign");
    let (entry, _, _) = golden();
    let prove = |name: &str, origin: &str, bytes: &str| {
        let key = SignerKey::new(origin, [2; 32]);
        let head = Checkpoint { origin: origin.to_owned(), size: 1, root: tree::leaf_hash(bytes.as_bytes()) };
        let proof = Proof { extra: None, index: 0, hashes: Vec::new(), checkpoint: head.sign(&[&key]).unwrap() };
        let (e, p) = (folder.put(name, bytes), folder.put(&format!("{name}.p"), proof.to_string()));
        run(&["proof", &e, &p, &key.verifier().to_string()])
    };
    let (code, out, _) = prove("later", "log.example", &entry.replace("\"v\":1}", "\"v\":2}"));
    assert!(code == Some(1) && out.starts_with("NOT UNDERSTOOD: The log log.example holds"), "{out}");
    let (code, out, _) = prove("steering", "log.example", "{\"\\u001b[2J\":1}");
    assert!(code == Some(1) && !out.contains('\u{1b}'), "{out:?}");
    let (code, out, _) = prove("other", "counterfoil/0199c0de-0000-7000-8000-000000000001/1", &entry);
    assert!(code == Some(1) && out.contains("names another shop than the log"), "{out}");
    let (code, _, _) = prove("elsewhere", "log.example", &entry);
    assert_eq!(code, Some(0));
}

#[test]
fn notes_are_opened_and_unsigned_text_is_not_repeated() {
    let folder = Folder::new("note");
    let (peter, other) = (SignerKey::new("peter", [1; 32]), SignerKey::new("other", [2; 32]));
    let note = evidence::note::sign("Tag 0417 went home.\n", &[&peter, &other]).unwrap();
    let (peter, other) = (peter.verifier().to_string(), other.verifier().to_string());
    let file = folder.put("note", &note);
    let (code, out, _) = run(&["note", &file, &peter]);
    assert_eq!((code, out.as_str()), (Some(0), "SIGNED by peter:\n\nTag 0417 went home.\n"));
    assert_eq!(run(&["note", &file, &other, &peter]).1, "SIGNED by peter, other:\n\nTag 0417 went home.\n");
    let changed = folder.put("changed", note.replace("0417", "0418"));
    let (code, out, _) = run(&["note", &changed, &peter]);
    assert_eq!((code, out.as_str()), (Some(1), "BROKEN: A signature by a known key is wrong.\n"));
}

#[test]
fn what_cannot_be_checked_exits_with_2_and_says_why() {
    let (folder, (entry, proof, key)) = (Folder::new("unchecked"), golden());
    let (e, p) = (folder.put("e", entry), folder.put("p", proof));
    let missing = folder.0.join("nowhere").to_str().unwrap().to_owned();
    let large = folder.put("large", vec![b'x'; 200_000]);
    let binary = folder.put("binary", [0xff, 0xfe]);
    let cases: [(&[&str], &str); 10] = [
        (&[], "verify proof ENTRYFILE"),
        (&["proof", &e, &p], "verify proof ENTRYFILE"),
        (&["note", &p], "verify proof ENTRYFILE"),
        (&["pack", &p], "verify proof ENTRYFILE"),
        (&["proof", &missing, &p, &key], "cannot be read"),
        (&["proof", &e, &p, "no key"], "This is no verifier key"),
        (&["proof", &large, &p, &key], "has more than 65535 bytes"),
        (&["proof", &e, &large, &key], "has more than 131072 bytes"),
        (&["note", &large, &key], "has more than 65536 bytes"),
        (&["note", &binary, &key], "is not UTF-8"),
    ];
    for (args, why) in cases {
        let (code, out, err) = run(args);
        assert_eq!((code, out.as_str()), (Some(2), ""), "{args:?}");
        assert!(err.contains(why), "{err}");
    }
    assert_eq!(run(&["--help"]).0, Some(0));
}
