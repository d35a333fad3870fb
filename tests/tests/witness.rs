//! A witness elsewhere: it signs as long as the log only goes on, and refuses an older or another log; packs and receipts carry what it
//! signed; and any two sizes of the log can be compared.

use std::fs;
use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Child, Command, Stdio};

use base64::Engine;
use base64::engine::general_purpose::STANDARD as BASE64;
use evidence::checkpoint::Checkpoint;
use evidence::cosignature::cosignatures;
use evidence::note::VerifierKey;
use evidence::tree;
use serde_json::{Value, json};
use tests::ask::{Actor, CookieStaff};
use tests::checking::{by_hand, by_page, report_words, verify};
use tests::server::{How, Server, program};
use tests::shop::Shop;

const NAME: &str = "witness.example/w1";

/// A running witness. Dropped, it is killed.
struct Witness {
    child: Child,
    address: String,
    key: String,
}

impl Witness {
    fn start(data: &Path, logs: &[&str], listen: &str) -> Witness {
        let mut child = Command::new(program())
            .args(["witness", "--name", NAME, "--listen", listen])
            .args(logs.iter().flat_map(|log| ["--log", log]))
            .arg("--data")
            .arg(data)
            .stdout(Stdio::piped())
            .spawn()
            .expect("start the witness");
        let mut out = BufReader::new(child.stdout.take().expect("its output"));
        let mut ready = String::new();
        out.read_line(&mut ready).expect("a line");
        // The rest is read and dropped, so that the pipe never fills.
        std::thread::spawn(move || std::io::copy(&mut out, &mut std::io::sink()));
        let ready: Value = serde_json::from_str(ready.strip_prefix("ready ").expect("a ready line")).expect("JSON");
        let text = |name: &str| ready[name].as_str().expect("text").to_owned();
        Witness { child, address: text("address"), key: text("key") }
    }

    fn host(&self) -> &str {
        self.address.trim_start_matches("http://")
    }
}

impl Drop for Witness {
    fn drop(&mut self) {
        drop(self.child.kill());
        drop(self.child.wait());
    }
}

async fn about(staff: &CookieStaff) -> Value {
    staff.get(&staff.path("")).send().await.expect(200).json()
}

async fn shown(owner: &CookieStaff) -> Value {
    owner.post(&owner.path("/witnessed")).json(&json!({})).send().await.expect(200).json()
}

fn copy(from: &Path, to: &Path) {
    fs::create_dir_all(to).expect("a folder");
    for entry in fs::read_dir(from).expect("a folder to copy") {
        let entry = entry.expect("a name");
        if entry.path().is_dir() {
            copy(&entry.path(), &to.join(entry.file_name()));
        } else {
            fs::copy(entry.path(), to.join(entry.file_name())).expect("a copied file");
        }
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_witness_signs_what_goes_on_and_refuses_an_older_log() {
    let home = tempfile::Builder::new().prefix("counterfoil-witness-").tempdir().expect("a folder");
    let (data, path) = (home.path().join("data"), home.path());
    let mut shop = Shop::on(Server::over(&data, &How::default())).await;
    let log = about(&shop.ines).await["verifier_key"].as_str().expect("the log's key").to_owned();
    let mut witness = Witness::start(&path.join("witness"), &[&log], "127.0.0.1:0");
    let how = How::default().env("COUNTERFOIL_WITNESS", format!("{}@{}", witness.key, witness.address));
    assert!(shop.server.stop().success(), "{}", shop.server.log());
    shop.server = Server::over(&data, &how);
    (shop.ines, shop.ravi) = (shop.ines.at(&shop.server.address), shop.ravi.at(&shop.server.address));
    let mut counter = shop.counter(95).await;
    let first = shown(&shop.ines).await;
    assert!(first["witnesses"][0]["size"].as_u64().is_some(), "{first}");
    let intake = counter.take_in("0095").await.expect("answers");
    let seen = shown(&shop.ines).await;
    let size = seen["witnesses"][0]["size"].as_u64().expect("a size");
    assert!(seen["witnesses"][0].get("waiting").is_none(), "{seen}");
    let note = seen["checkpoint"].as_str().expect("a note").to_owned();
    let head = Checkpoint::open(&note, &[&log.parse().expect("a key")]).expect("still the log's own");
    let found = cosignatures(&note, &[witness.key.parse().expect("a key")]).expect("a note");
    assert_eq!((head.size, found[0].name.as_str(), found[0].holds), (size, NAME, Some(true)));

    // A pack and a receipt carry it, and both checkers tell it.
    let pack = shop.ravi.path(&format!("/intakes/{}/pack", intake.id));
    let receipt = shop.ravi.path(&format!("/intakes/{}/receipt", intake.id));
    for (name, from) in [("pack.zip", pack), ("receipt.html", receipt)] {
        let file = path.join(name);
        fs::write(&file, shop.ravi.get(&from).send().await.expect(200).body.clone()).expect("a file");
        let (code, lines) = verify(&file, &["--key", &log, "--witness-key", &witness.key]);
        let told =
            lines.iter().any(|l| l.starts_with("witnessed ") && l.ends_with(&format!(", {NAME}\tunchanged\twitness")));
        assert!(code == 0 && told, "{lines:?}");
        assert_eq!(by_page(path, &file, &format!("{log} {}", witness.key), None, None), lines);
        let (code, lines) = verify(&file, &["--key", &log]);
        assert!(code == 3 && lines.iter().any(|l| l.ends_with("\tclaimed\twitness-claimed")), "{lines:?}");
    }
    assert!(by_hand(&path.join("pack.zip"), path).0);
    let report = report_words(&fs::read(path.join("pack.zip")).expect("the pack"), path);
    assert!(report.contains("Seen by others") && report.contains(&format!("{NAME} signed on ")), "{report}");

    // Killed and back, it knows what it saw; the shop that goes on is signed again.
    copy(&data, &path.join("before"));
    let host = witness.host().to_owned();
    witness.child.kill().expect("kill the witness");
    witness.child.wait().expect("its end");
    let waiting = {
        counter.take_in("0096").await.expect("answers");
        shown(&shop.ines).await["witnesses"][0]["waiting"].clone()
    };
    assert_eq!(waiting["why"], "not-reached", "{waiting}");
    let witness = Witness::start(&path.join("witness"), &[&log], &host);
    let seen = shown(&shop.ines).await;
    assert!(
        seen["witnesses"][0]["size"].as_u64() > Some(size) && seen["witnesses"][0].get("waiting").is_none(),
        "{seen}"
    );

    // The shop puts an older state back, with everything beside it, and goes on as if nothing had been: the witness refuses.
    assert!(shop.server.stop().success(), "{}", shop.server.log());
    shop.server = Server::over(&path.join("before"), &how);
    let (ines, ravi) = (shop.ines.at(&shop.server.address), shop.ravi.at(&shop.server.address));
    let mut counter = tests::counter::Counter::of(ravi, tests::seeded::Seeded::new(97)).await;
    for tag in ["0097", "0098"] {
        counter.take_in(tag).await.expect("answers");
    }
    let told = shown(&ines).await["witnesses"][0]["waiting"].clone();
    assert!(told["why"] == "disagrees", "{told}");
    drop(witness);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_witness_is_told_a_new_key_and_signs_on_while_two_sign() {
    let home = tempfile::Builder::new().prefix("counterfoil-witness-").tempdir().expect("a folder");
    let (data, path) = (home.path().join("data"), home.path());
    let mut shop = Shop::on(Server::over(&data, &How::default())).await;
    let old = about(&shop.ines).await["verifier_key"].as_str().expect("the log's key").to_owned();
    let mut witness = Witness::start(&path.join("witness"), &[&old], "127.0.0.1:0");
    let how = How::default().env("COUNTERFOIL_WITNESS", format!("{}@{}", witness.key, witness.address));
    assert!(shop.server.stop().success(), "{}", shop.server.log());
    shop.server = Server::over(&data, &how);
    shop.ines = shop.ines.at(&shop.server.address);
    let size = async |shop: &Shop| shown(&shop.ines).await["witnesses"][0]["size"].as_u64().expect("a size");
    let first = size(&shop).await;
    let rotate = async |shop: &Shop, days: u32| {
        let body = json!({"because": "as every year", "overlap_days": days});
        shop.ines.post(&shop.ines.path("/key-rotation")).json(&body).send().await.expect(200).json()
    };
    let new = rotate(&shop, 0).await["verifier_key"].as_str().expect("the new key").to_owned();
    let told = shown(&shop.ines).await["witnesses"][0].clone();
    assert_eq!((&told["waiting"]["why"], &told["size"]), (&json!("unknown-key"), &json!(first)), "{told}");

    // Told the new key, it goes on from what it saw under the old one.
    let host = witness.host().to_owned();
    witness.child.kill().expect("kill the witness");
    witness.child.wait().expect("its end");
    let witness = Witness::start(&path.join("witness"), &[&old, &new], &host);
    let second = size(&shop).await;
    assert!(second > first, "{second}");
    rotate(&shop, 30).await;
    assert!(size(&shop).await > second, "while both sign the one that it knows is enough");
    drop(witness);
}

#[tokio::test(flavor = "multi_thread")]
async fn any_two_sizes_are_proven_and_nothing_else() {
    let shop = Shop::set_up().await;
    shop.counter(98).await.take_in("0099").await.expect("answers");
    let here = about(&shop.ines).await;
    let key: VerifierKey = here["verifier_key"].as_str().expect("a key").parse().expect("a key");
    let head = Checkpoint::open(here["checkpoint"].as_str().expect("a note"), &[&key]).expect("a checkpoint");
    let log = tests::record::log(&shop.ines).await.expect("the log");
    let leaves: Vec<_> = log.values().map(|bytes| tree::leaf_hash(bytes)).collect();
    let root = |n: u64| tree::root(&leaves[..usize::try_from(n).expect("a size")]);
    for (from, to) in [(1, head.size), (3, 7), (4, 8), (head.size, head.size), (2, head.size - 1)] {
        let path = shop.ravi.path(&format!("/consistency?from={from}&to={to}"));
        let told = shop.ravi.get(&path).send().await.expect(200).json();
        let hash = |h: &Value| BASE64.decode(h.as_str().expect("text")).expect("base64").try_into().expect("32 bytes");
        let proof: Vec<tree::Hash> = told["hashes"].as_array().expect("a list").iter().map(hash).collect();
        tree::verify_consistency(from, to, &proof, root(from), root(to)).expect("it holds");
    }
    for bad in ["from=0", "from=9&to=8", "from=1&to=99999", "to=3", "from=1&to=0"] {
        let answer = shop.ravi.get(&shop.ravi.path(&format!("/consistency?{bad}"))).send().await;
        assert!(answer.status.is_client_error(), "{bad}: {}", answer.gist());
    }
}
