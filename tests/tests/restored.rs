//! What was put back is told from what was never lost: an older database, an older folder while a phone is ahead, a key
//! that is missing or another shop's. Each is refused with a sentence that says what to do, and `new-epoch` goes on
//! honestly: under another origin, naming the last checkpoint known, with every retained entry still provable.

use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};

use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use evidence::checkpoint::Checkpoint;
use evidence::digest::Digest;
use evidence::note::VerifierKey;
use evidence::proof::Proof;
use evidence::tree;
use serde_json::{Value, json};
use tempfile::TempDir;
use tests::ask::{Actor, CookieStaff};
use tests::counter::{Counter, Saying};
use tests::engine;
use tests::record;
use tests::seeded::Seeded;
use tests::server::{self, How, Server};
use tests::shop::Shop;

/// What the shop says of itself.
async fn about(staff: &CookieStaff) -> Value {
    staff.get(&staff.path("")).send().await.expect(200).json()
}

fn text(value: &Value, name: &str) -> String {
    value[name].as_str().unwrap_or_else(|| panic!("no {name} in {value}")).to_owned()
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

fn refusal(data: &Path) -> String {
    match Server::try_over(data, &How::default()) {
        Ok(_) => panic!("it starts as if nothing had happened"),
        Err(said) => said,
    }
}

fn says(said: &str, wanted: &[&str]) {
    for words in wanted {
        assert!(said.contains(words), "it does not say {words:?}: {said}");
    }
}

/// A shop whose folder was copied after one intake and that took in another afterwards.
struct Restored {
    home: TempDir,
    ines: CookieStaff,
    ravi: CookieStaff,
    /// Before the copy: the key, the checkpoint, the proof of each entry of the intake.
    key: VerifierKey,
    retained: Checkpoint,
    proofs: Vec<Proof>,
    /// The newest checkpoint that a phone saw.
    newest: String,
}

impl Restored {
    async fn new() -> Restored {
        let home = tempfile::Builder::new().prefix("counterfoil-restored-").tempdir().expect("a temporary folder");
        let data = home.path().join("data");
        let mut shop = Shop::on(Server::over(&data, &How::default())).await;
        let intake = shop.counter(51).await.take_in("0051").await.expect("answers");
        let told = about(&shop.ines).await;
        let key: VerifierKey = text(&told, "verifier_key").parse().expect("a verifier key");
        let mut proofs = Vec::new();
        for (index, _) in &intake.sent.entries {
            let proof = shop.ravi.get(&shop.ravi.path(&format!("/entries/{index}/proof"))).send().await;
            proofs.push(proof.expect(200).text().parse().expect("a proof"));
        }
        assert!(shop.server.stop().success(), "{}", shop.server.log());
        copy(&data, &home.path().join("before"));
        engine::copy_database(&data, &home.path().join("before"));
        shop.server = Server::over(&data, &How::default());
        let (ines, ravi) = (shop.ines.at(&shop.server.address), shop.ravi.at(&shop.server.address));
        Counter::of(ravi.clone(), Seeded::new(52)).await.take_in("0052").await.expect("answers");
        let newest = text(&about(&ines).await, "checkpoint");
        assert!(shop.server.stop().success(), "{}", shop.server.log());
        let retained = Checkpoint::open(&text(&told, "checkpoint"), &[&key]).expect("a checkpoint");
        Restored { home, ines, ravi, key, retained, proofs, newest }
    }

    fn data(&self) -> PathBuf {
        self.home.path().join("data")
    }

    fn before(&self) -> PathBuf {
        self.home.path().join("before")
    }

    /// The log goes on under another origin, says from where, and what was retained is as it was.
    async fn goes_on(&self, server: &Server) {
        let (ines, ravi) = (self.ines.at(&server.address), self.ravi.at(&server.address));
        let lost = Checkpoint::open(&self.newest, &[&self.key]).expect("the newest checkpoint");
        let mut counter = Counter::of(ravi, Seeded::new(53)).await;
        let taken_in = counter.take_in("0053").await.expect("answers");

        let told = about(&ines).await;
        assert_ne!(text(&told, "origin"), lost.origin);
        assert!(text(&told, "origin").ends_with("/2"), "{told}");
        assert!(told["stopped"].is_null(), "{told}");
        let key: VerifierKey = text(&told, "verifier_key").parse().expect("a verifier key");
        let now = Checkpoint::open(&text(&told, "checkpoint"), &[&key]).expect("a checkpoint of the new epoch");
        assert!(Checkpoint::open(&text(&told, "checkpoint"), &[&self.key]).is_err(), "signed under the old origin");

        let log = record::log(&ines).await.expect("the log");
        let opened: Value = serde_json::from_slice(&log[&self.retained.size]).expect("an entry");
        assert_eq!(opened["said"]["type"], "epoch-opened", "{opened}");
        let previous = json!({"origin": lost.origin, "size": lost.size, "root": Digest(lost.root).to_string()});
        assert_eq!(opened["said"]["body"]["previous"], previous);
        assert_eq!(opened["said"]["body"]["because"], "the disk of Monday was put back");

        // Old receipts hold for what is retained: the same bytes, the same checkpoint, and the new one covers both.
        for proof in &self.proofs {
            let head = proof.verify(&log[&proof.index], &[&self.key]).expect("an old proof of a retained entry");
            assert!(head.size <= self.retained.size);
        }
        let leaves: Vec<_> = log.values().map(|bytes| tree::leaf_hash(bytes)).collect();
        let retained = usize::try_from(self.retained.size).expect("a size");
        assert_eq!(tree::root(&leaves[..retained]), self.retained.root);
        assert_eq!(tree::root(&leaves[..usize::try_from(now.size).expect("a size")]), now.root);
        let (index, _) = taken_in.sent.entries[0];
        let proof = ines.get(&ines.path(&format!("/entries/{index}/proof"))).send().await.expect(200).text();
        let proof: Proof = proof.parse().expect("a proof");
        proof.verify(&log[&index], &[&key]).expect("a new entry under the new key");
    }
}

fn new_epoch(data: &Path) {
    let done = server::new_epoch(data, "the disk of Monday was put back");
    assert!(done.sound && done.said.contains("epoch 2 is open"), "{}", done.said);
    let again = server::check(data);
    assert!(again.sound, "{}", again.said);
}

#[tokio::test]
async fn an_older_database_does_not_start_and_goes_on_in_a_new_epoch() {
    let restored = Restored::new().await;
    let data = restored.data();
    engine::put_database(&restored.before(), &data);
    let lost = Checkpoint::open(&restored.newest, &[&restored.key]).expect("the newest checkpoint");
    let numbers = [format!("it holds {} entries", restored.retained.size), format!("{} were", lost.size)];
    says(
        &refusal(&data),
        &["is older than its log", &numbers[0], &numbers[1], "Put the newer database back", "counterfoil new-epoch"],
    );
    let checked = server::check(&data);
    assert!(!checked.sound && checked.said.contains("is older than its log"), "{}", checked.said);

    new_epoch(&data);
    let mut server = Server::over(&data, &How::default());
    restored.goes_on(&server).await;
    assert!(server.stop().success(), "{}", server.log());
    let checked = server::check(&data);
    assert!(checked.sound, "{}", checked.said);
}

#[tokio::test]
async fn an_older_folder_stops_writing_as_soon_as_a_phone_is_ahead() {
    let restored = Restored::new().await;
    let data = restored.before();
    let mut server = Server::over(&data, &How::default());
    let ravi = restored.ravi.at(&server.address);
    let mut counter = Counter::of(ravi.clone(), Seeded::new(54)).await;
    let intake = counter.intake("0054");
    let body = json!({"kind": counter.kind["digest"], "kind_id": "chainsaw", "tag": "0054", "how": "at counter"});
    let opening = counter.saying(&intake, "intake-opened", body, &[]);
    let seen = URL_SAFE_NO_PAD.encode(&restored.newest);
    let say = async |staff: &CookieStaff, what: &Saying, seen: Option<&str>| {
        let post = staff.post(&staff.path("/entries")).json(&what.request);
        seen.iter().fold(post, |post, seen| post.header("Counterfoil-Checkpoint", seen)).send().await
    };
    // Signed by nobody as it stands: it stops nobody.
    let lost = Checkpoint::open(&restored.newest, &[&restored.key]).expect("the newest checkpoint");
    let forged = restored.newest.replacen(&format!("\n{}\n", lost.size), "\n9999\n", 1);
    assert_ne!(forged, restored.newest);
    let forged = URL_SAFE_NO_PAD.encode(forged);
    let stranger = say(&ravi, &opening, Some(&forged)).await;
    assert_eq!(stranger.status, 201, "{}", stranger.text());

    let body = json!({"field": "make", "value": "Alder", "from": "typed"});
    let next = counter.saying(&intake, "machine-described", body, &[]);
    let refused = say(&ravi, &next, Some(&seen)).await;
    assert_eq!(refused.gist(), "503 history-behind");
    says(&refused.text(), &["Writing has stopped", "Put the newer state back", "counterfoil new-epoch"]);
    // Stopped for everybody, also for who shows nothing, and reading goes on.
    assert_eq!(say(&ravi, &next, None).await.gist(), "503 history-behind");
    let told = about(&ravi).await;
    assert!(told["stopped"].is_string(), "{told}");
    assert_eq!(say(&ravi, &opening, None).await.status, 200, "what was kept before is still acknowledged");

    assert!(server.stop().success(), "{}", server.log());
    let mut server = Server::over(&data, &How::default());
    let still = say(&restored.ravi.at(&server.address), &next, None).await;
    assert_eq!(still.gist(), "503 history-behind", "a restart forgets nothing");
    assert!(server.stop().success(), "{}", server.log());
}

#[tokio::test]
async fn an_older_folder_goes_on_in_a_new_epoch_that_names_what_a_phone_saw() {
    let restored = Restored::new().await;
    let data = restored.before();
    let mut server = Server::over(&data, &How::default());
    let ravi = restored.ravi.at(&server.address);
    let mut counter = Counter::of(ravi.clone(), Seeded::new(55)).await;
    let intake = counter.intake("0055");
    let opening = counter.saying(&intake, "intake-opened", json!({}), &[]);
    let seen = URL_SAFE_NO_PAD.encode(&restored.newest);
    let post = ravi.post(&ravi.path("/entries")).json(&opening.request).header("Counterfoil-Checkpoint", &seen);
    assert_eq!(post.send().await.gist(), "503 history-behind");
    assert!(server.stop().success(), "{}", server.log());

    new_epoch(&data);
    let mut server = Server::over(&data, &How::default());
    restored.goes_on(&server).await;
    // The phone that was ahead is welcome again, with what it saw.
    let ravi = restored.ravi.at(&server.address);
    let body = json!({"kind": counter.kind["digest"], "kind_id": "chainsaw", "tag": "0055", "how": "at counter"});
    let opening = counter.saying(&intake, "intake-opened", body, &[]);
    let post = ravi.post(&ravi.path("/entries")).json(&opening.request).header("Counterfoil-Checkpoint", &seen);
    post.send().await.expect(201);
    assert!(server.stop().success(), "{}", server.log());
    let checked = server::check(&data);
    assert!(checked.sound, "{}", checked.said);
}

#[tokio::test]
async fn a_missing_foreign_or_open_key_is_refused() {
    let mut shop = Shop::on(Server::start()).await;
    let mut other = Shop::on(Server::start()).await;
    for stopped in [&mut shop.server, &mut other.server] {
        assert!(stopped.stop().success(), "{}", stopped.log());
    }
    let data = shop.server.data().to_owned();
    let key = data.join("keys/log.key");
    let own = std::fs::read(&key).expect("the key");
    std::fs::remove_file(&key).expect("the key is taken away");
    says(&refusal(&data), &["key", "is missing", "Put the exported key back there, then start again"]);
    assert!(!key.exists(), "a new key was made over a log that has begun");

    std::fs::copy(other.server.data().join("keys/log.key"), &key).expect("another shop's key");
    says(&refusal(&data), &["was not signed by the key in keys/log.key", "Put the right key back"]);
    std::fs::write(&key, &own[..40]).expect("half a key");
    says(&refusal(&data), &["is not a key file", "put the exported key back"]);
    std::fs::write(&key, &own).expect("the own key");
    for (mode, told) in [(0o640, true), (0o604, true), (0o600, false)] {
        std::fs::set_permissions(&key, std::fs::Permissions::from_mode(mode)).expect("chmod");
        if told {
            says(&refusal(&data), &["can be read by others than its owner: chmod 600"]);
        }
    }
    drop(Server::over(&data, &How::default()));
}
