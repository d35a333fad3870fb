//! The log's key is changed, over HTTP and by the command, while the shop is served: for a while both keys sign, then the new one;
//! whoever has the old one follows in receipts and packs, by program, by page and by hand; a stolen old key says nothing any more;
//! a restore wants the keys that its log wants.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use evidence::checkpoint::Checkpoint;
use evidence::note::{SignerKey, VerifierKey};
use serde_json::{Value, json};
use tests::ask::{Actor, CookieStaff};
use tests::checking::{by_hand, by_page, files, verify};
use tests::counter::Intake;
use tests::server::{self, How, Server, program};
use tests::shop::Shop;

async fn about(staff: &CookieStaff) -> Value {
    staff.get(&staff.path("")).send().await.expect(200).json()
}

fn text(value: &Value, name: &str) -> String {
    value[name].as_str().unwrap_or_else(|| panic!("no {name} in {value}")).to_owned()
}

fn folder() -> tempfile::TempDir {
    tempfile::Builder::new().prefix("counterfoil-rotating-").tempdir().expect("a folder")
}

async fn rotate(shop: &Shop, days: u32) -> Value {
    let body = json!({"because": "as every year", "overlap_days": days});
    shop.ines.post(&shop.ines.path("/key-rotation")).json(&body).send().await.expect(200).json()
}

/// The receipt and the pack of an intake, as files.
async fn papers(shop: &Shop, intake: &Intake, folder: &Path, name: &str) -> [PathBuf; 2] {
    let mut out = Vec::new();
    for (what, ending) in [("receipt", "html"), ("pack", "zip")] {
        let path = shop.ravi.path(&format!("/intakes/{}/{what}", intake.id));
        let file = folder.join(format!("{name}.{ending}"));
        fs::write(&file, &shop.ravi.get(&path).send().await.expect(200).body).expect("a file");
        out.push(file);
    }
    out.try_into().expect("two")
}

/// What program and page find, which is the same; the exit code, and the lines of the keys.
fn found(folder: &Path, file: &Path, key: &str, earlier: Option<&Path>) -> (i32, Vec<String>) {
    let before = earlier.map(|e| e.to_str().expect("text"));
    let options: Vec<&str> = ["--key", key].into_iter().chain(before.iter().flat_map(|e| ["--earlier", e])).collect();
    let (code, lines) = verify(file, &options);
    assert_eq!(by_page(folder, file, key, earlier, None), lines);
    let wanted = ["key", "earlier receipt", "checkpoint"];
    let told = |l: &&String| wanted.iter().any(|w| l.starts_with(w)) || l.contains("\trotation");
    (code, lines.iter().filter(told).cloned().collect())
}

fn has(lines: &[String], line: &str) -> bool {
    lines.iter().any(|l| l == line)
}

#[tokio::test]
async fn whoever_has_the_old_key_follows_to_the_new_one() {
    let (shop, folder) = (Shop::set_up().await, folder());
    let path = folder.path();
    let mut counter = shop.counter(161).await;
    let intake = counter.take_in("0161").await.expect("answers");
    let old = text(&about(&shop.ines).await, "verifier_key");
    let exported = async || shop.ines.post(&shop.ines.path("/key-export")).send().await.expect(200).text();
    let first_file = exported().await;
    let [receipt_before, _] = papers(&shop, &intake, path, "before").await;

    // Both sign.
    let told = rotate(&shop, 30).await;
    let here = about(&shop.ines).await;
    let new = text(&here, "verifier_key");
    assert!(
        new != old && text(&told, "verifier_key") == new && told["both_sign"]["until"].is_string(),
        "{told} {here}"
    );
    assert_eq!((&here["key_exported"], &here["both_sign"]), (&json!(false), &told["both_sign"]));
    let second_file = exported().await;
    assert!(second_file.lines().count() == 2 && second_file.contains(first_file.trim()), "both are needed to go on");
    assert_eq!(about(&shop.ines).await["key_exported"], true);
    let note = text(&about(&shop.ines).await, "checkpoint");
    for key in [&old, &new] {
        Checkpoint::open(&note, &[&key.parse().expect("a key")]).expect("each of them signs");
    }
    let again = shop.ines.post(&shop.ines.path("/key-rotation")).json(&json!({"because": "again"})).send().await;
    assert!(again.status.as_u16() == 409 && again.text().contains("still signs beside it"), "{}", again.text());
    let both = papers(&shop, &intake, path, "both").await;
    for file in &both {
        for key in [&old, &new] {
            let (code, lines) = found(path, file, key, Some(&receipt_before));
            assert!(code == 0 && has(&lines, "key\tunchanged\tkey"), "{lines:?}");
            assert!(has(&lines, "earlier receipt\tunchanged\tearlier"), "{lines:?}");
        }
    }
    let (held, said) = by_hand(&both[1], path);
    assert!(held && said.contains("checkpoint.txt is signed by key1") && said.contains("is signed by key2"), "{said}");
    counter.take_in("0162").await.expect("it goes on");

    // The old one is let go, by a command while the shop is served.
    assert!(!server::rotate_key(shop.server.data(), "too soon", 0).sound, "not while two sign");
}

#[tokio::test]
async fn the_command_changes_the_key_while_the_shop_is_served() {
    let (mut shop, folder) = (Shop::set_up().await, folder());
    let path = folder.path();
    let mut counter = shop.counter(163).await;
    let intake = counter.take_in("0163").await.expect("answers");
    let old = text(&about(&shop.ines).await, "verifier_key");
    let [receipt_before, _] = papers(&shop, &intake, path, "before").await;
    let stolen = fs::read_to_string(shop.server.data().join("keys/log.key")).expect("the key");

    let done = server::rotate_key(shop.server.data(), "a laptop was stolen", 0);
    assert!(done.sound && done.said.contains("The old key signs no more."), "{}", done.said);
    counter.take_in("0164").await.expect("it goes on");
    let here = about(&shop.ines).await;
    let new = text(&here, "verifier_key");
    assert!(done.said.contains(&new) && here.get("both_sign").is_none(), "{here} {}", done.said);
    let note = text(&here, "checkpoint");
    Checkpoint::open(&note, &[&new.parse().expect("a key")]).expect("the new one signs");
    Checkpoint::open(&note, &[&old.parse().expect("a key")]).expect_err("and the old one does not");
    let now = papers(&shop, &intake, path, "now").await;
    for file in &now {
        let (code, lines) = found(path, file, &old, Some(&receipt_before));
        assert!(code == 0 && has(&lines, "key\tunchanged\tkey-followed"), "{code} {lines:?}");
        assert!(has(&lines, "earlier receipt\tunchanged\tearlier"), "{lines:?}");
        assert!(
            lines.iter().any(|l| l.ends_with("\trotation")) && lines.iter().any(|l| l.ends_with("\trotation-ended"))
        );
        let (code, lines) = found(path, file, &new, Some(&receipt_before));
        assert!(code == 0 && has(&lines, "key\tunchanged\tkey"), "{code} {lines:?}");
    }
    let (held, said) = by_hand(&now[1], path);
    assert!(held && said.contains("checkpoint.txt is signed by key1"), "{said}");
    let page = String::from_utf8(files(&fs::read(&now[1]).expect("the pack"))["index.html"].clone()).expect("text");
    assert!(page.contains("the shop changed the key that signs its log"), "the page says so in plain words");

    // Whoever has the old key makes nobody believe that the shop is behind.
    let key: VerifierKey = old.parse().expect("a key");
    let seed: Vec<u8> = (0..32).map(|i| u8::from_str_radix(&stolen[2 * i..2 * i + 2], 16).expect("hex")).collect();
    let thief = SignerKey::new(&key.name, seed.try_into().expect("32 bytes"));
    let forged = Checkpoint { origin: key.name, size: 99_999, root: [9; 32] }.sign(&[&thief]).expect("signed");
    let shown = URL_SAFE_NO_PAD.encode(forged);
    let seen =
        shop.ines.get(&shop.ines.path("")).header("Counterfoil-Checkpoint", &shown).send().await.expect(200).json();
    assert!(seen.get("stopped").is_none(), "{seen}");
    counter.take_in("0165").await.expect("it goes on");

    // It starts, and checks.
    assert!(shop.server.stop().success(), "{}", shop.server.log());
    let data = shop.server.data().to_owned();
    let checked = server::check(&data);
    assert!(checked.sound, "{}", checked.said);
    let mut again = Server::over(&data, &How::default());
    assert_eq!(text(&about(&shop.ines.at(&again.address)).await, "verifier_key"), new);
    assert!(again.stop().success(), "{}", again.log());
}

#[tokio::test]
async fn a_restore_wants_the_keys_of_its_log() {
    let home = folder();
    let at = |name: &str| home.path().join(name);
    // Where PostgreSQL keeps the log, its own tools back that up.
    let (data, sqlite) = (at("data"), How::default().sqlite());
    let mut shop = Shop::on(Server::over(&data, &sqlite)).await;
    let mut counter = shop.counter(166).await;
    let intake = counter.take_in("0166").await.expect("answers");
    let told = |args: &[&str], paths: &[(&str, &Path)]| {
        let mut command = Command::new(program());
        command.args(args);
        for (name, path) in paths {
            command.arg(name).arg(path);
        }
        let done = command.output().expect("the program runs");
        let said = format!("{}{}", String::from_utf8_lossy(&done.stdout), String::from_utf8_lossy(&done.stderr));
        (done.status.success(), said)
    };
    let backup = |to: &str| {
        let (good, said) = told(&["backup"], &[("--data", &data), ("--to", &at(to))]);
        assert!(good, "{said}");
    };
    let saved = async |name: &str| {
        let text = shop.ines.post(&shop.ines.path("/key-export")).send().await.expect(200).text();
        fs::write(at(name), text).expect("a file");
    };
    saved("old.key").await;
    backup("before");
    rotate(&shop, 30).await;
    saved("both.key").await;
    backup("between");
    let [receipt, _] = papers(&shop, &intake, home.path(), "between").await;
    assert!(shop.server.stop().success(), "{}", shop.server.log());

    let restore = |from: &str, to: &str, key: &str| {
        let because = ["restore", "--because", "the disk broke"];
        told(&because, &[("--from", &at(from)), ("--data", &at(to)), ("--key", &at(key))])
    };
    // What was made before the change goes on with the key of then, whichever file holds it.
    for (key, to) in [("old.key", "back-1"), ("both.key", "back-2")] {
        let (good, said) = restore("before", to, key);
        assert!(good && said.contains("; 0 faults"), "{said}");
    }
    // What was made after it needs the new one too.
    let (good, said) = restore("between", "back-3", "old.key");
    assert!(!good && said.contains("It was changed on ") && said.contains("saved after that"), "{said}");
    assert!(!at("back-3").exists(), "nothing is left half restored");
    let (good, said) = restore("between", "back-3", "both.key");
    assert!(good && said.contains("epoch 2 is open"), "{said}");

    // Where the change itself was lost with the disk, a receipt of after it still belongs to that log.
    let mut server = Server::over(&at("back-2"), &sqlite);
    let door = server.anonymous();
    let ines = json!({"sign_in": "ines", "password": tests::shop::PASSWORD});
    let ines = door.let_in(&door.post("/v1/sessions").json(&ines).send().await);
    let path = ines.path(&format!("/intakes/{}/receipt", intake.id));
    let later = at("later.html");
    fs::write(&later, &ines.get(&path).send().await.expect(200).body).expect("a file");
    let key = text(&about(&ines).await, "verifier_key");
    let (_, lines) = found(home.path(), &later, &key, Some(&receipt));
    assert!(has(&lines, "earlier receipt\tmissing\tearlier-lost"), "{lines:?}");
    assert!(server.stop().success(), "{}", server.log());
}
