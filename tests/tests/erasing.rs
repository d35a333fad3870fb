//! A customer is erased, over HTTP: no byte of them is left in the folder, the log still checks, what was handed out before too;
//! refused while it may be needed; finished after a kill; done again when a backup brings it back.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::time::Duration;

use base64::Engine;
use base64::engine::general_purpose::{STANDARD_NO_PAD, URL_SAFE_NO_PAD};
use serde_json::{Value, json};
use tests::ask::{Actor, Answer, CookieStaff};
use tests::counter::{Counter, Intake, Step};
use tests::home::go_home;
use tests::picture;
use tests::proven::{count, verified};
use tests::seeded::Seeded;
use tests::server::{self, How, Server};
use tests::shop::Shop;
use uuid::Uuid;

/// What must be nowhere afterwards: a name, a number, an address, words, a note, who collected, whose number was called.
const CANARIES: [&str; 8] = [
    "Quillfeather",
    "6699741",
    "quill@tarn.example",
    "marmalade rattle",
    "brother-in-law",
    "Bartholomeus",
    "5550909",
    "Nightingale Lane",
];

const OWNER: [(&str, &str); 4] = [
    ("name", "Q. Quillfeather"),
    ("phone", "+43 660 6699741"),
    ("email", "quill@tarn.example"),
    ("address", "7 Nightingale Lane"),
];

/// An intake of that customer, up to the signature.
async fn brought(counter: &mut Counter, tag: &str) -> Intake {
    let mut intake = counter.intake(tag);
    for step in counter.steps() {
        if step == Step::Sign {
            counter.say(&mut intake, "person-named", json!({"who": "owner"}), &OWNER).await.expect("an answer");
            let heard = json!({"topic": "complaint", "heard_by": counter.staff.who.staff});
            let words = [("text", "It makes a marmalade rattle."), ("speaker", "her brother-in-law")];
            counter.say(&mut intake, "statement-made", heard, &words).await.expect("an answer");
        }
        if step != Step::TakeIn {
            counter.step(&mut intake, &step).await.expect("an answer");
        }
    }
    intake
}

/// One that was in the shop's care and went home, with a photo of a sheet written by hand.
async fn gone_home(counter: &mut Counter, tag: &str) -> Intake {
    let mut intake = counter.intake(tag);
    let paper = json!({"kind": counter.kind["digest"], "kind_id": "chainsaw", "tag": tag, "how": "on paper",
        "written": {"at": "2026-11-25T14:05", "by": "Ines"}});
    counter.say(&mut intake, "intake-opened", paper, &[]).await.expect("an answer");
    let sheet = picture::sharp(counter.random.number());
    let photo = json!({"photo": counter.uuid(), "file": evidence::digest::Digest::of(&sheet), "size": sheet.len(),
        "stage": "received", "of_paper": true});
    counter.say(&mut intake, "photo-taken", photo, &[("file_name", "Quillfeather.jpg")]).await.expect("an answer");
    counter.send(&mut intake, &sheet).await.expect("an answer");
    for step in counter.steps().into_iter().filter(|s| *s != Step::Open) {
        if step == Step::Sign {
            counter.say(&mut intake, "person-named", json!({"who": "owner"}), &OWNER).await.expect("an answer");
            let heard = json!({"topic": "complaint", "heard_by": counter.staff.who.staff});
            let words = [("text", "It makes a marmalade rattle."), ("speaker", "her brother-in-law")];
            counter.say(&mut intake, "statement-made", heard, &words).await.expect("an answer");
        }
        counter.step(&mut intake, &step).await.expect("an answer");
    }
    let called = json!({"how": "by phone", "result": "reached", "about": "it is ready"});
    counter.say(&mut intake, "contact-tried", called, &[("number", "+43 1 5550909")]).await.expect("an answer");
    go_home(counter, &mut intake, &[("name", "Bartholomeus")]).await.expect("answers");
    intake
}

async fn get(staff: &CookieStaff, path: &str) -> Answer {
    staff.get(&staff.path(path)).send().await
}

fn erasure(counter: &mut Counter, intakes: &[(&Intake, &[Value])]) -> Value {
    let intakes: Vec<Value> = intakes.iter().map(|(i, photos)| json!({"intake": i.id, "photos": photos})).collect();
    json!({"erasure": counter.uuid(), "why": "customer asked", "intakes": intakes})
}

async fn erase(staff: &CookieStaff, wanted: &Value) -> Answer {
    staff.post(&staff.path("/erasures")).json(wanted).send().await
}

/// Every form in which a text may lie in a file: as it is, folded, in base64 at each of its three places.
fn forms(text: &str) -> BTreeSet<Vec<u8>> {
    let mut out = BTreeSet::from([text.as_bytes().to_vec(), text.to_lowercase().into_bytes()]);
    out.insert(text.encode_utf16().flat_map(u16::to_le_bytes).collect());
    for shift in 0..3usize {
        let shifted = [&vec![b'x'; shift][..], text.as_bytes()].concat();
        for encoded in [URL_SAFE_NO_PAD.encode(&shifted), STANDARD_NO_PAD.encode(&shifted)] {
            // The characters at the ends are mixed with what stands beside it.
            out.insert(encoded.as_bytes()[(shift * 8).div_ceil(6)..encoded.len() - 2].to_vec());
        }
    }
    out
}

fn holds(bytes: &[u8], part: &[u8]) -> bool {
    bytes.windows(part.len()).any(|w| w == part)
}

/// Where a canary still is, in these named bytes.
fn canaries<'a>(all: impl Iterator<Item = (String, &'a [u8])>) -> Vec<String> {
    let wanted: Vec<(&str, BTreeSet<Vec<u8>>)> = CANARIES.iter().map(|c| (*c, forms(c))).collect();
    let mut out = Vec::new();
    for (name, bytes) in all {
        out.extend(
            wanted.iter().filter(|(_, f)| f.iter().any(|p| holds(bytes, p))).map(|(c, _)| format!("{name}: {c}")),
        );
    }
    out
}

/// Every file below a folder in which a server may be at work: a walk that meets a file moved under it begins again.
fn files_below(folder: &Path) -> Vec<(PathBuf, Vec<u8>)> {
    for _ in 0..1000 {
        let mut out = Vec::new();
        match walk(folder, &mut out) {
            Ok(()) => return out,
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => {}
            Err(e) => panic!("{}: {e}", folder.display()),
        }
    }
    panic!("{} does not hold still", folder.display());
}

fn walk(folder: &Path, out: &mut Vec<(PathBuf, Vec<u8>)>) -> std::io::Result<()> {
    for entry in std::fs::read_dir(folder)? {
        let entry = entry?;
        if entry.file_type()?.is_dir() {
            walk(&entry.path(), out)?;
        } else {
            out.push((entry.path(), std::fs::read(entry.path())?));
        }
    }
    Ok(())
}

/// How many originals and copies a shop holds.
fn held_files(shop: &Shop) -> usize {
    let of_checkpoints = |p: &Path| p.components().any(|c| c.as_os_str() == "checkpoints");
    files_below(&shop.server.data().join("shops")).iter().filter(|(p, _)| !of_checkpoints(p)).count()
}

/// Which file of the data folder, the write-ahead log among them, still holds a canary; and what the server logged.
fn in_folder(data: &Path) -> Vec<String> {
    let mut all = files_below(data);
    let log = data.with_extension("log");
    all.push((log.clone(), std::fs::read(log).unwrap_or_default()));
    canaries(all.iter().map(|(p, b)| (p.display().to_string(), b.as_slice())))
}

/// Which answer of the API still holds one.
async fn in_answers(shop: &Shop, intakes: &[&Intake], erasure: &str) -> Vec<String> {
    let mut paths: Vec<String> =
        ["", "/entries?limit=500", "/log", "/due", "/intakes?limit=200", "/erasures", "/parts?q=quill"]
            .map(str::to_owned)
            .to_vec();
    paths.extend(["quillfeather", "6699741", "quill@tarn.example", "marmalade"].map(|q| format!("/intakes?q={q}")));
    paths.push(format!("/erasures/{erasure}/receipt?language=de"));
    for intake in intakes {
        let of = [
            "",
            "/entries?limit=500",
            "/customer",
            "/sheet",
            "/receipt",
            "/hand-back",
            "/hand-back-sheet",
            "/hand-back-receipt",
            "/tag",
            "/pack?customer=shown",
            "/pack?customer=withheld",
        ];
        paths.extend(of.map(|p| format!("/intakes/{}{p}", intake.id)));
    }
    let mut answers = Vec::new();
    for path in paths {
        let answer = get(&shop.ines, &path).await;
        assert!(answer.status.is_success() || answer.status == 409, "{path}: {}", answer.text());
        answers.push((path, answer.body.clone()));
    }
    canaries(answers.iter().map(|(p, b)| (p.clone(), b.as_slice())))
}

#[tokio::test]
async fn nothing_of_a_customer_is_left_and_everything_still_checks() {
    let mut shop = Shop::set_up().await;
    let folder = tempfile::tempdir().expect("a folder");
    let mut ravi = shop.counter(81).await;
    let mut ines = Counter::of(shop.ines.clone(), Seeded::new(82)).await;
    // Other people's machines before, between and after, so that pages of the database are full and split.
    let before = ravi.take_in("0800").await.expect("answers");
    let first = gone_home(&mut ravi, "0801").await;
    let between = ravi.take_in("0802").await.expect("answers");
    let mut second = brought(&mut ravi, "0803").await;
    ravi.say(&mut second, "not-taken-in", json!({"because": "no room now"}), &[]).await.expect("an answer");
    let after = ravi.take_in("0804").await.expect("answers");
    for intake in [&before, &first, &between, &second, &after] {
        ravi.judged(intake).await;
    }
    assert!(!in_folder(shop.server.data()).is_empty(), "the canaries are there before");
    let receipt = format!("/intakes/{}/receipt", first.id);
    let held = get(&shop.ines, &receipt).await.expect(200).body.clone();

    // What would go, and who else seems to be the same person.
    let seen = get(&shop.ines, &format!("/intakes/{}/customer", first.id)).await.expect(200).json();
    let of = seen["intakes"].as_array().expect("intakes").clone();
    assert_eq!(of.iter().map(|i| i["tag"].as_str().expect("a tag")).collect::<Vec<_>>(), ["0801", "0803"], "{seen}");
    assert_eq!(of[1]["same"], json!(["phone", "email", "name"]));
    assert_eq!(of[0]["signatures"], 2);
    assert!(
        of[0]["details"]
            .as_array()
            .is_some_and(|d| d.contains(&json!({"of": "person-named", "member": "phone", "count": 2}))),
        "{seen}"
    );
    assert_eq!(of[0]["stays"], json!(["Ines", "it is ready"]));
    assert_eq!(get(&shop.ravi, &format!("/intakes/{}/customer", first.id)).await.gist(), "403 may-not");

    let shown =
        of[0]["photos"].as_array().into_iter().flatten().find(|p| p["always"] == false).expect("a photo").clone();
    let bytes_before = held_files(&shop);
    let wanted = erasure(&mut ines, &[(&first, &[shown["photo"].clone()]), (&second, &[])]);
    assert_eq!(erase(&shop.ravi, &wanted).await.gist(), "403 may-not");
    let done = erase(&shop.ines, &wanted).await.expect(200).json();
    assert_eq!(done["intakes"].as_array().map(Vec::len), Some(2));
    assert_eq!(erase(&shop.ines, &wanted).await.expect(200).json(), done, "the same again erases nothing twice");

    // Gone from every byte of the folder while the server runs, and from every answer.
    assert_eq!(in_folder(shop.server.data()), [""; 0]);
    let id = wanted["erasure"].as_str().expect("an id").to_owned();
    assert_eq!(in_answers(&shop, &[&first, &second], &id).await, [""; 0]);
    let found = get(&shop.ines, "/intakes?q=quillfeather").await.expect(200).json();
    assert_eq!(found["intakes"], json!([]));
    // Two photos with two copies each, and three signatures.
    let bytes_after = held_files(&shop);
    assert!(bytes_before - bytes_after >= 9, "{bytes_before} files before, {bytes_after} after");
    let photo = format!("/photos/{}/small", shown["photo"].as_str().expect("an id"));
    assert_eq!(get(&shop.ines, &photo).await.gist(), "410 erased");

    // The receipt for it: numbers, no data; and what the customer holds still checks, by itself and beside it.
    let paper = get(&shop.ravi, &format!("/erasures/{id}/receipt")).await.expect(200).clone();
    for said in [
        "Receipt of an erasure",
        "Tag 0801",
        "Tag 0803",
        "× phone number",
        "2 × signature",
        "2 × photo",
        "Ines",
        "the customer asked for it",
    ] {
        assert!(paper.text().contains(said), "the receipt does not say: {said}");
    }
    let (code, lines) = verified(folder.path(), &paper.body, Some(&held));
    assert_eq!(code, 3, "only the key is claimed: {lines:#?}");
    assert!(lines.contains(&"earlier receipt\tunchanged\tearlier".to_owned()), "{lines:#?}");
    let (code, lines) = verified(folder.path(), &held, None);
    assert_eq!((code, count(&lines, "details-erased")), (3, 0), "{lines:#?}");

    // What is made now says erased, not withheld and not missing.
    let again = get(&shop.ines, &receipt).await.expect(200).clone();
    assert!(
        again.text().contains("personal data was erased on") && again.text().contains("erased"),
        "the receipt says it"
    );
    for (name, path) in [
        ("receipt", receipt.clone()),
        ("home", format!("/intakes/{}/hand-back-receipt", first.id)),
        ("pack", format!("/intakes/{}/pack?customer=shown", first.id)),
        ("claim", format!("/intakes/{}/pack?customer=withheld", first.id)),
    ] {
        let made = get(&shop.ines, &path).await.expect(200).body.clone();
        let (_, lines) = verified(folder.path(), &made, None);
        assert!(count(&lines, "details-erased") > 3, "{name}: {lines:#?}");
        assert_eq!((count(&lines, "details-withheld"), count(&lines, "details-changed")), (0, 0), "{name}: {lines:#?}");
        let bad: Vec<&String> =
            lines.iter().filter(|l| l.contains("\tbroken\t") || l.contains("\tmissing\t")).collect();
        assert!(bad.is_empty(), "{name}: {bad:#?}");
        if name == "pack" {
            assert_eq!(count(&lines, "photo-erased"), 2, "{lines:#?}");
        }
    }

    // A signature that comes late is not taken any more; nor is what a phone said before it knew.
    let entries = get(&shop.ines, &format!("/intakes/{}/entries?limit=500", first.id)).await.expect(200).json();
    let strokes = entries["entries"].as_array().into_iter().flatten().find_map(|e| {
        let entry: Value = serde_json::from_str(e["bytes"].as_str()?).ok()?;
        entry["said"]["body"]["strokes"].as_str().and_then(|d| d.strip_prefix("sha256:")).map(str::to_owned)
    });
    let strokes = strokes.expect("the signature's digest");
    assert_eq!(get(&shop.ines, &format!("/files/{strokes}")).await.gist(), "410 erased");
    let called = json!({"how": "by phone", "result": "no answer", "about": "the chain"});
    let late = ravi.saying(&first, "contact-tried", called.clone(), &[("number", "+43 1 5550909")]);
    assert_eq!(ravi.post(&late).await.expect("an answer").gist(), "410 erased");
    let mut known = first.clone();
    known.seen = done["intakes"][0]["index"].as_u64();
    ravi.say(&mut known, "contact-tried", called, &[("number", "+43 1 4440808")]).await.expect("an answer");
    // Said knowingly it is new: it stands, until it is erased too.
    let next = erasure(&mut ines, &[(&first, &[])]);
    erase(&shop.ines, &next).await.expect(200);
    assert_eq!(erase(&shop.ines, &erasure(&mut ines, &[(&first, &[])])).await.gist(), "409 refused", "nothing is left");

    assert!(shop.server.stop().success(), "{}", shop.server.log());
    let checked = server::check(shop.server.data());
    assert!(
        checked.sound && checked.said.contains("personal details were erased by entries that say so"),
        "{}",
        checked.said
    );
    assert_eq!(in_folder(shop.server.data()), [""; 0]);
}

#[tokio::test]
async fn what_may_still_be_needed_is_not_erased() {
    let shop = Shop::set_up().await;
    let mut ravi = shop.counter(83).await;
    let mut ines = Counter::of(shop.ines.clone(), Seeded::new(84)).await;
    let open = brought(&mut ravi, "0810").await;
    let care = ravi.take_in("0811").await.expect("answers");
    let mut home = gone_home(&mut ravi, "0812").await;
    for (intake, why) in [(&open, "still open"), (&care, "in the shop's care")] {
        let wanted = erasure(&mut ines, &[(&home, &[]), (intake, &[])]);
        let refused = erase(&shop.ines, &wanted).await;
        assert_eq!(refused.gist(), "409 refused");
        assert!(refused.text().contains(why), "{}", refused.text());
    }
    ines.say(&mut home, "hold-set", json!({"because": "an insurer asked"}), &[]).await.expect("an answer");
    let wanted = erasure(&mut ines, &[(&home, &[])]);
    let refused = erase(&shop.ines, &wanted).await;
    assert!(refused.gist() == "409 refused" && refused.text().contains("it is held"), "{}", refused.text());
    ines.say(&mut home, "hold-lifted", json!({"because": "settled"}), &[]).await.expect("an answer");
    let dispute = ines.uuid();
    let opened = json!({"dispute": dispute, "side": "customer", "how": "by phone", "heard_by": ines.staff.who.staff});
    ines.say(&mut home, "dispute-opened", opened, &[("text", "It still rattles.")]).await.expect("an answer");
    let refused = erase(&shop.ines, &wanted).await;
    assert!(refused.gist() == "409 refused" && refused.text().contains("dispute"), "{}", refused.text());
    let view = get(&shop.ines, &format!("/intakes/{}/customer", home.id)).await.expect(200).json();
    assert!(view["intakes"][0]["refused"].as_str().is_some_and(|r| r.contains("dispute")), "{view}");
    ines.say(&mut home, "dispute-ended", json!({"dispute": dispute, "outcome": "agreed"}), &[])
        .await
        .expect("an answer");
    // None of the refused ones took anything with it.
    let still = get(&shop.ines, "/intakes?q=quillfeather").await.expect(200).json();
    assert_eq!(still["intakes"].as_array().map(Vec::len), Some(2), "{still}");

    // Nobody says it but through the operation, and what does not fit is told.
    let body =
        json!({"erasure": ines.uuid(), "why": "customer asked", "upto": 3, "details": [], "photos": [], "files": []});
    let saying = ines.saying(&home, "customer-erased", body, &[]);
    assert_eq!(ines.post(&saying).await.expect("an answer").gist(), "422 not-valid");
    let twice = erasure(&mut ines, &[(&home, &[]), (&home, &[])]);
    let mut whim = wanted.clone();
    whim["why"] = json!("M. Okafor shouted");
    let mut none = wanted.clone();
    none["intakes"] = json!([]);
    let mut other = wanted.clone();
    other["intakes"][0]["photos"] = json!([Uuid::nil()]);
    for bad in [twice, whim, none, other] {
        assert_eq!(erase(&shop.ines, &bad).await.gist(), "422 not-valid", "{bad}");
    }
    erase(&shop.ines, &wanted).await.expect(200);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_kill_at_any_moment_leaves_all_of_it_or_none() {
    let home = tempfile::Builder::new().prefix("counterfoil-erasing-").tempdir().expect("a temporary folder");
    let data = home.path().join("data");
    let Shop { mut server, ines, ravi, .. } = Shop::on(Server::over(&data, &How::default())).await;
    let rounds = if tests::long() { 60 } else { 8 };
    let (mut whole, mut none) = (0, 0);
    for round in 0..rounds {
        let mut random = Seeded::new(0xe7a5 + round);
        let (ines, ravi) = (ines.at(&server.address), ravi.at(&server.address));
        let mut counter = Counter::of(ravi, Seeded::new(random.number())).await;
        let mut intake = brought(&mut counter, &format!("{round:04}")).await;
        counter.say(&mut intake, "not-taken-in", json!({"because": "no room"}), &[]).await.expect("an answer");
        let wanted = erasure(&mut counter, &[(&intake, &[])]);
        let mut asking = tokio::spawn({
            let (ines, wanted) = (ines.clone(), wanted.clone());
            async move { ines.post(&ines.path("/erasures")).json(&wanted).try_send().await }
        });
        // A race against what is under way; whoever wins, what is found below must hold.
        let race = Duration::from_micros(random.below(60_000));
        let done = tokio::time::timeout(race, &mut asking).await;
        server.kill();
        let done = match done {
            Ok(done) => done,
            Err(_) => asking.await,
        };
        let answered = done.expect("the request's task").is_ok_and(|a| a.status.is_success());
        server = Server::over(&data, &How::default());
        let ines = ines.at(&server.address);
        let said = get(&ines, &format!("/intakes/{}", intake.id)).await.expect(200).json();
        let erased = said["intake"]["erasures"].is_array();
        assert!(erased || !answered, "round {round}: it was answered and is not erased");
        if erased {
            whole += 1;
            assert_eq!(in_folder(&data), [""; 0], "round {round}");
        } else {
            none += 1;
            assert_eq!(said["intake"]["people"]["owner"]["name"], OWNER[0].1, "round {round}");
            erase(&ines, &wanted).await.expect(200);
            assert_eq!(in_folder(&data), [""; 0], "round {round}, asked again");
        }
    }
    assert!(server.stop().success(), "{}", server.log());
    let checked = server::check(&data);
    assert!(checked.sound, "{}", checked.said);
    println!("{rounds} kills: {whole} whole, {none} not begun");
}

fn copy(from: &Path, to: &Path) {
    std::fs::create_dir_all(to).expect("a folder");
    for entry in std::fs::read_dir(from).expect("a folder to copy") {
        let entry = entry.expect("a name");
        if entry.path().is_dir() {
            copy(&entry.path(), &to.join(entry.file_name()));
        } else {
            std::fs::copy(entry.path(), to.join(entry.file_name())).expect("a copied file");
        }
    }
}

#[tokio::test]
async fn what_a_backup_brings_back_is_erased_again_before_anything_is_served() {
    let home = tempfile::Builder::new().prefix("counterfoil-restored-").tempdir().expect("a temporary folder");
    let (data, before) = (home.path().join("data"), home.path().join("before"));
    let mut shop = Shop::on(Server::over(&data, &How::default())).await;
    let mut ravi = shop.counter(87).await;
    let intake = gone_home(&mut ravi, "0870").await;
    let receipt = format!("/intakes/{}/receipt", intake.id);
    assert!(shop.server.stop().success(), "{}", shop.server.log());
    copy(&data, &before);
    shop.server = Server::over(&data, &How::default());
    let ines = shop.ines.at(&shop.server.address);
    let mut owner = Counter::of(ines.clone(), Seeded::new(88)).await;
    let wanted = erasure(&mut owner, &[(&intake, &[])]);
    erase(&ines, &wanted).await.expect(200);
    assert!(shop.server.stop().success(), "{}", shop.server.log());
    assert_eq!(in_folder(&data), [""; 0]);

    // Only the files come back: the log knows that they are erased.
    copy(&before.join("shops"), &data.join("shops"));
    std::fs::remove_dir_all(data.join("shops").join(ines.who.shop.to_string()).join("checkpoints"))
        .expect("checkpoints");
    shop.server = Server::over(&data, &How::default());
    assert!(shop.server.stop().success(), "{}", shop.server.log());
    let strokes = files_below(&data.join("shops"))
        .into_iter()
        .filter(|(_, b)| b.starts_with(b"{\"height\":200,\"strokes\":"))
        .count();
    assert_eq!(strokes, 0, "the signatures are taken away at the start");

    // The database and the files of before come back; the list of erasures stays where it is.
    for name in ["counterfoil.db", "counterfoil.db-wal", "counterfoil.db-shm"] {
        let _ = std::fs::remove_file(data.join(name));
    }
    std::fs::remove_dir_all(data.join("shops")).expect("the newer files");
    std::fs::copy(before.join("counterfoil.db"), data.join("counterfoil.db")).expect("the older database");
    copy(&before.join("shops"), &data.join("shops"));
    assert!(!in_folder(&data).is_empty(), "the backup brings it back");
    let checked = server::check(&data);
    assert!(!checked.sound && checked.said.contains("were erased and are there again"), "{}", checked.said);
    let mut server = Server::over(&data, &How::default());
    assert!(server.log().contains("erased data had come back"), "{}", server.log());
    assert_eq!(in_folder(&data), [""; 0]);
    let ines = ines.at(&server.address);
    let view = get(&ines, &format!("/intakes/{}", intake.id)).await.expect(200).json();
    assert_eq!(view["intake"]["erasures"][0]["why"], "restored from a backup", "{view}");
    assert_eq!(view["intake"]["erasures"][0]["erasure"], wanted["erasure"]);
    let folder = tempfile::tempdir().expect("a folder");
    let made = get(&ines, &receipt).await.expect(200).body.clone();
    let (_, lines) = verified(folder.path(), &made, None);
    assert!(count(&lines, "details-erased") > 3 && count(&lines, "details-withheld") == 0, "{lines:#?}");
    assert!(server.stop().success(), "{}", server.log());
    let checked = server::check(&data);
    assert!(checked.sound, "{}", checked.said);
    // Once is enough.
    let said = server.log().matches("erased data had come back").count();
    let mut server = Server::over(&data, &How::default());
    assert_eq!(server.log().matches("erased data had come back").count(), said);
    assert!(server.stop().success(), "{}", server.log());
}
