//! Time from outside: a local authority by openssl stamps the log's head; what it answers wrongly, late or not at all is waited out;
//! a pack carries its stamps, and every checker tells them.

use std::fs;
use std::path::Path;

use serde_json::{Value, json};
use tests::ask::{Actor, CookieStaff};
use tests::authority::{Kind, NAME};
use tests::checking::{by_hand, by_page, files, report_words, verify};
use tests::server::{self, How, Server};
use tests::shop::Shop;
use tests::stamper::{Mood, Stamper};

fn how(stamper: &Stamper, root: &Path) -> How {
    How::default()
        .env("COUNTERFOIL_STAMP_URL", &stamper.url)
        .env("COUNTERFOIL_STAMP_CA", root.display())
        .env("COUNTERFOIL_OUTSIDE_TIMEOUT_MS", 1500)
}

async fn stamp_now(owner: &CookieStaff) -> Value {
    owner.post(&owner.path("/stamps")).json(&json!({})).send().await.expect(200).json()
}

async fn stamps(owner: &CookieStaff) -> Value {
    owner.get(&owner.path("/stamps")).send().await.expect(200).json()
}

fn folder() -> tempfile::TempDir {
    tempfile::Builder::new().prefix("counterfoil-stamps-").tempdir().expect("a folder")
}

#[tokio::test(flavor = "multi_thread")]
async fn a_pack_carries_the_stamps_that_cover_it() {
    let home = folder();
    let (path, root) = (home.path(), home.path().join("authority/root.pem"));
    let stamper = Stamper::start(&path.join("authority"), Kind::Rsa, Mood::Good).await;
    let shop = Shop::on(Server::start_as(&how(&stamper, &root))).await;
    let mut counter = shop.counter(91).await;
    let mut intake = counter.take_in("0091").await.expect("answers");
    let first = stamp_now(&shop.ines).await;
    assert_eq!((&first["last"]["authority"], &first["count"], first.get("waiting")), (&json!(NAME), &json!(1), None));
    assert_eq!(stamp_now(&shop.ines).await["count"], 1, "the same head is stamped once");
    counter.take_in("0092").await.expect("answers");
    let later = json!({"tag": "0093", "because": "fell off in the yard"});
    counter.say(&mut intake, "tag-replaced", later, &[]).await.expect("an answer");

    // By entry, for whoever works at the counter too: what the first stamp covers, and what none does yet.
    let of = async |tag: &str| {
        let at = shop.ravi.path(&format!("/intakes/{tag}/stamps"));
        shop.ravi.get(&at).send().await.expect(200).json()
    };
    let before = of(&intake.id.to_string()).await;
    let told = before["stamps"].as_array().expect("a list");
    assert_eq!((told.len(), &told[0]["authority"], &told[0]["at"]), (1, &json!(NAME), &first["last"]["at"]));
    let indices = |of: &Value| of.as_array().expect("a list").iter().filter_map(Value::as_u64).collect::<Vec<_>>();
    let (covered, uncovered) = (indices(&told[0]["entries"]), indices(&before["uncovered"]));
    let size = told[0]["size"].as_u64().expect("a size");
    assert!(!covered.is_empty() && covered.iter().all(|i| *i < size), "{before}");
    assert!(uncovered.len() == 1 && uncovered[0] >= size, "the lost tag was told after the stamp: {before}");

    let at = shop.ravi.path(&format!("/intakes/{}/pack", intake.id));
    let file = path.join("pack.zip");
    let bytes = shop.ravi.get(&at).send().await.expect(200).body.to_vec();
    fs::write(&file, &bytes).expect("a file");
    let here = shop.ravi.get(&shop.ravi.path("")).send().await.expect(200).json();
    let key = here["verifier_key"].as_str().expect("the log's key").to_owned();
    let roots = root.to_str().expect("text").to_owned();
    let (code, lines) = verify(&file, &["--key", &key, "--tsa-ca", &roots]);
    let told: Vec<_> = lines.iter().filter(|l| l.starts_with("stamp ")).collect();
    assert!(code == 0 && told.len() == 1 && told[0].ends_with(&format!(", {NAME}\tunchanged\tstamp")), "{told:?}");
    assert_eq!(by_page(path, &file, &key, None, Some(&root)), lines);
    let (code, lines) = verify(&file, &["--key", &key]);
    assert!(code == 3 && lines.iter().any(|l| l.ends_with("\tclaimed\tstamp-claimed")), "{lines:?}");
    let (held, said) = by_hand(&file, path);
    assert!(held && said.contains(".txt was there at "), "{said}");
    let page = String::from_utf8(files(&bytes)["index.html"].clone()).expect("text");
    assert!(page.contains(NAME) && page.contains("Time from outside"));
    let report = report_words(&bytes, path);
    let said = format!("{NAME} signed that the log up to entry");
    assert!(report.contains("Time from outside") && report.contains(&said), "{report}");
    assert!(!report.contains("Seen by others"), "nobody saw it");
    let manifest: Value = serde_json::from_slice(&files(&bytes)["manifest.json"]).expect("JSON");
    let lacks = manifest["lacks"].as_array().expect("a list");
    assert!(lacks.iter().any(|l| l["code"] == "no-outside-time-since"), "{lacks:?}");

    // The second stamp covers the rest; with it the pack is the same until more is said.
    assert_eq!(stamp_now(&shop.ines).await["count"], 2);
    let after = of(&intake.id.to_string()).await;
    assert_eq!((indices(&after["stamps"][1]["entries"]), indices(&after["uncovered"])), (uncovered, vec![]), "{after}");
    let bytes = shop.ravi.get(&at).send().await.expect(200).body.to_vec();
    counter.take_in("0094").await.expect("answers");
    assert_eq!(stamp_now(&shop.ines).await["count"], 3);
    assert_eq!(bytes, shop.ravi.get(&at).send().await.expect(200).body.to_vec());
    fs::write(&file, &bytes).expect("a file");
    let (code, lines) = verify(&file, &["--key", &key, "--tsa-ca", &roots]);
    assert!(code == 0 && lines.iter().filter(|l| l.ends_with("\tunchanged\tstamp")).count() == 2, "{lines:?}");
    let (held, said) = by_hand(&file, path);
    assert!(held && said.matches(".txt was there at ").count() == 2, "{said}");
}

#[tokio::test(flavor = "multi_thread")]
async fn what_an_authority_answers_wrongly_is_not_kept_and_waited_out() {
    let home = folder();
    let root = home.path().join("authority/root.pem");
    let stamper = Stamper::start(&home.path().join("authority"), Kind::Curve, Mood::Dead).await;
    let shop = Shop::on(Server::start_as(&how(&stamper, &root))).await;
    let mut since = Value::Null;
    for (tries, (mood, why, said)) in [
        (Mood::Dead, "not-reached", ""),
        (Mood::OtherNonce, "bad-answer", "another question"),
        (Mood::OtherBytes, "bad-answer", "other bytes"),
        (Mood::Nonsense, "bad-answer", "not written"),
        (Mood::Refusing, "bad-answer", "503"),
        (Mood::Endless, "not-reached", ""),
        (Mood::Silent, "not-reached", "within 1.5 seconds"),
    ]
    .into_iter()
    .enumerate()
    {
        stamper.becomes(mood);
        let waiting = stamp_now(&shop.ines).await["waiting"].clone();
        assert_eq!((&waiting["why"], &waiting["tries"]), (&json!(why), &json!(tries + 1)), "{mood:?}: {waiting}");
        assert!(waiting["said"].as_str().is_some_and(|s| s.contains(said)), "{mood:?}: {waiting}");
        assert!(since.is_null() || since == waiting["since"], "it waits since the first try");
        since = waiting["since"].clone();
    }
    assert_eq!(stamps(&shop.ines).await["count"], 0);
    stamper.becomes(Mood::Good);
    let done = stamp_now(&shop.ines).await;
    assert!(done["count"] == 1 && done.get("waiting").is_none(), "{done}");
}

#[tokio::test(flavor = "multi_thread")]
async fn an_authority_whose_certificate_ended_is_not_believed() {
    let home = folder();
    let root = home.path().join("authority/root.pem");
    let stamper = Stamper::start(&home.path().join("authority"), Kind::Expired, Mood::Good).await;
    let shop = Shop::on(Server::start_as(&how(&stamper, &root))).await;
    let told = stamp_now(&shop.ines).await;
    assert!(
        told["count"] == 0 && told["waiting"]["said"].as_str().is_some_and(|s| s.contains("certificate")),
        "{told}"
    );
}

#[tokio::test(flavor = "multi_thread")]
async fn what_waits_outlives_a_kill_and_check_finds_a_changed_stamp() {
    let home = folder();
    let (data, root) = (home.path().join("data"), home.path().join("authority/root.pem"));
    let mut stamper = Stamper::start(&home.path().join("authority"), Kind::Curve, Mood::Dead).await;
    let how = how(&stamper, &root);
    let mut shop = Shop::on(Server::over(&data, &how)).await;
    let before = stamp_now(&shop.ines).await["waiting"].clone();
    shop.server.kill();
    shop.server = Server::over(&data, &how);
    let ines = shop.ines.at(&shop.server.address);
    let after = stamps(&ines).await["waiting"].clone();
    assert_eq!(after["since"], before["since"], "{after}");

    // Killed in the middle of a try, it tries again at once when it is back, unasked.
    while stamper.asked_before() {}
    stamper.becomes(Mood::Silent);
    let trying = tokio::spawn({
        let ines = ines.clone();
        async move { ines.post(&ines.path("/stamps")).json(&json!({})).try_send().await.is_ok() }
    });
    stamper.asked().await;
    shop.server.kill();
    assert!(!trying.await.expect("it ends"), "a killed server does not answer");
    stamper.becomes(Mood::Good);
    shop.server = Server::over(&data, &how.env("COUNTERFOIL_STAMP_EVERY_S", 1));
    let ines = shop.ines.at(&shop.server.address);
    let done = stamp_now(&ines).await;
    assert!(done["count"] == 1 && done.get("waiting").is_none(), "{done}");

    assert!(shop.server.stop().success(), "{}", shop.server.log());
    let sound = server::check(&data);
    assert!(sound.sound, "{}", sound.said);
    let kept = data.join("shops").join(shop.id.to_string()).join("outside/stamps");
    let names: Vec<_> = fs::read_dir(&kept).expect("a folder").map(|e| e.expect("a name").path()).collect();
    let answer = names.iter().find(|n| n.extension().is_some_and(|e| e == "tsr")).expect("an answer");
    let mut bytes = fs::read(answer).expect("an answer");
    *bytes.last_mut().expect("bytes") ^= 1;
    fs::write(answer, bytes).expect("a file");
    let said = server::check(&data);
    assert!(!said.sound && said.said.contains("the time stamp of checkpoint 1/"), "{}", said.said);
}

#[tokio::test(flavor = "multi_thread")]
async fn an_authority_is_reached_by_https_where_its_line_is_trusted() {
    let home = folder();
    let (path, data) = (home.path(), home.path().join("data"));
    let (mut good, line) = Stamper::secure(&path.join("good"), "IP:127.0.0.1").await;
    let (mut elsewhere, elsewhere_line) = Stamper::secure(&path.join("elsewhere"), "DNS:stamps.example").await;
    let root = |of: &str| path.join(of).join("root.pem");
    let with =
        |stamper: &Stamper, of: &str, trusted: &Path| how(stamper, &root(of)).env("SSL_CERT_FILE", trusted.display());
    let mut shop = Shop::on(Server::over(&data, &with(&good, "good", &elsewhere_line))).await;
    let not_reached = async |shop: &Shop, why: &[&str]| {
        let told = stamp_now(&shop.ines).await;
        assert_eq!((&told["waiting"]["why"], &told["count"]), (&json!("not-reached"), &json!(0)), "{told}");
        let said = told["waiting"]["said"].as_str().expect("a sentence");
        assert!(why.iter().any(|w| said.contains(w)), "{said}");
    };
    // A line by another root, which bears the same name; then one for another name: nothing is sent.
    not_reached(&shop, &["BadSignature", "UnknownIssuer"]).await;
    assert!(!good.asked_before(), "the question went over a line that nobody vouches for");
    assert!(shop.server.stop().success(), "{}", shop.server.log());
    shop.server = Server::over(&data, &with(&elsewhere, "elsewhere", &elsewhere_line));
    shop.ines = shop.ines.at(&shop.server.address);
    not_reached(&shop, &["not valid for name", "NotValidForName"]).await;
    assert!(!elsewhere.asked_before(), "the question went to another host than it was for");

    assert!(shop.server.stop().success(), "{}", shop.server.log());
    shop.server = Server::over(&data, &with(&good, "good", &line));
    shop.ines = shop.ines.at(&shop.server.address);
    let told = stamp_now(&shop.ines).await;
    assert_eq!((&told["last"]["authority"], &told["count"]), (&json!(NAME), &json!(1)), "{told}");
    assert!(good.asked_before() && told.get("waiting").is_none(), "{told}");
}
