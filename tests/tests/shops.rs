//! Several shops in one installation: each with a log, a key, people, tags, kinds and photos of its own; two of them at two
//! servers at once; backed up and put back together. Who may ask for what of a neighbour's is in `authorisation.rs`.

use std::fs;
use std::path::Path;
use std::process::Command;

use evidence::checkpoint::Checkpoint;
use evidence::note::VerifierKey;
use serde_json::{Value, json};
use tests::ask::{Actor, CookieStaff};
use tests::counter::Counter;
use tests::picture;
use tests::record;
use tests::seeded::Seeded;
use tests::server::{self, How, Server, program};
use tests::shop::{NextDoor, PASSWORD, Shop, further, wanted};
use tests::two::Two;
use tokio::task::JoinSet;

async fn about(staff: &CookieStaff) -> Value {
    staff.get(&staff.path("")).send().await.expect(200).json()
}

async fn key_of(staff: &CookieStaff) -> VerifierKey {
    about(staff).await["verifier_key"].as_str().expect("a key").parse().expect("a verifier key")
}

async fn checkpoint(staff: &CookieStaff) -> String {
    staff.get(&staff.path("/checkpoint")).send().await.expect(200).text()
}

async fn exported(staff: &CookieStaff) -> String {
    staff.post(&staff.path("/key-export")).send().await.expect(200).text()
}

/// The further shop.
const NEXT: &str = "Alder Row Repairs";

async fn found(staff: &CookieStaff, query: &str) -> Vec<String> {
    let path = staff.path(&format!("/intakes?q={query}"));
    let list = staff.get(&path).send().await.expect(200).json()["intakes"].clone();
    list.as_array().into_iter().flatten().filter_map(|i| i["id"].as_str()).map(str::to_owned).collect()
}

#[tokio::test]
async fn a_further_shop_is_opened_by_the_link_printed_last_and_once() {
    // Every request may come from another address there: nobody runs into a limit.
    let how = How::default().env("COUNTERFOIL_PUBLIC_URL", "https://intake.example");
    let mut server = Server::start_as(&how.env("COUNTERFOIL_BEHIND_PROXY", "true"));
    let early = server::open_shop(server.data());
    assert!(!early.sound && early.said.contains("Nobody is set up yet"), "{}", early.said);
    let (door, first) = (server.anonymous(), server.set_up.clone().expect("a token"));
    let mut address = 0;
    let mut set_up = async |token: &str, shop: &str| {
        address += 1;
        let ask = door.post("/v1/set-up").header("X-Forwarded-For", &format!("10.0.0.{address}"));
        ask.json(&wanted(token, shop, "Nora")).send().await
    };
    set_up(&first, "Tarn Street Engines").await.expect(201);
    assert_eq!(set_up(&first, NEXT).await.gist(), "409 refused", "it is set up already");

    let (replaced, token) = (further(&server), further(&server));
    for other in [&replaced, &first] {
        assert_eq!(set_up(other, NEXT).await.gist(), "403 may-not");
    }
    assert_eq!(set_up(&token, "").await.gist(), "422 not-valid", "and the link still counts");
    let nora = door.let_in(&set_up(&token, NEXT).await);
    assert_eq!(about(&nora).await["name"], NEXT);
    assert_eq!(set_up(&token, NEXT).await.gist(), "409 refused", "once");
    assert!(server.stop().success(), "{}", server.log());
    assert!(!server.log().contains(&token), "the token is in the program's log");
}

#[tokio::test]
async fn two_shops_have_nothing_in_common_but_the_program() {
    let mut here = Shop::set_up().await;
    let there = NextDoor::open(&here.server).await;

    // The same tag and the same picture, and neither knows of the other.
    let same = picture::sharp(909);
    let mut intakes = Vec::new();
    for staff in [&here.ravi, &there.jo] {
        let mut counter = Counter::of(staff.clone(), Seeded::new(91)).await;
        // The same names, too: an id made up twice is two machines in two shops.
        let mut intake = counter.take_in("0417").await.expect("answers");
        let (_, answer) = counter.photo(&mut intake, None, &same).await.expect("an answer");
        let judged = answer.json()["judged"].clone();
        assert!(judged.get("alike").is_none(), "a picture of another shop is told of: {judged}");
        assert_eq!(found(staff, "0417").await, [intake.id.to_string()]);
        intakes.push(intake);
    }
    let mut again = Counter::of(there.jo.clone(), Seeded::new(92)).await;
    let used = again.intake("0417");
    let body = json!({"kind": again.kind["digest"], "kind_id": "chainsaw", "tag": "0417", "how": "at counter"});
    let saying = again.saying(&used, "intake-opened", body, &[]);
    assert_eq!(again.post(&saying).await.expect("an answer").gist(), "409 tag-used");

    // Each log has a name and a key of its own; neither key opens the other's checkpoint.
    let keys = [key_of(&here.ines).await, key_of(&there.nora).await];
    let notes = [checkpoint(&here.ines).await, checkpoint(&there.nora).await];
    assert!(keys[0].public != keys[1].public && keys[0].name != keys[1].name);
    for (n, note) in notes.iter().enumerate() {
        let opened = Checkpoint::open(note, &[&keys[n]]).expect("its own key");
        let size = record::log(if n == 0 { &here.ines } else { &there.nora }).await.expect("the log").len();
        assert_eq!(opened.size, size as u64);
        let name = opened.origin;
        let others = VerifierKey { name, public: keys[1 - n].public };
        assert!(Checkpoint::open(note, &[&others]).is_err());
    }
    // Each owner saves their own key, and a change of one leaves the other as it is.
    let files = [exported(&here.ines).await, exported(&there.nora).await];
    assert_eq!(files.each_ref().map(|f| f.lines().count()), [1, 1]);
    assert_ne!(files[0], files[1]);
    let changed = json!({"because": "as every year", "overlap_days": 0});
    there.nora.post(&there.nora.path("/key-rotation")).json(&changed).send().await.expect(200);
    assert_eq!((key_of(&here.ines).await, exported(&here.ines).await), (keys[0].clone(), files[0].clone()));
    let renewed = exported(&there.nora).await;
    assert!(key_of(&there.nora).await.public != keys[1].public && renewed != files[1] && renewed.lines().count() == 1);
    let kept = fs::read_to_string(here.server.data().join("keys/log.key")).expect("the key file");
    let lines = |text: &str| {
        let mut all: Vec<String> = text.lines().map(str::to_owned).collect();
        all.sort();
        all
    };
    assert_eq!(lines(&kept), lines(&format!("{}{renewed}", files[0])), "what was let go is in the file no more");

    // What one sets, names or retires is nothing to the other.
    let settings = here.ines.get(&here.ines.path("/settings")).send().await;
    let etag = settings.expect(200).header("etag").expect("an ETag").to_owned();
    let put = here.ines.put(&here.ines.path("/settings")).header("If-Match", &etag);
    put.json(&json!({"open-limit": 25})).send().await.expect(200);
    let theirs = there.nora.get(&there.nora.path("/settings")).send().await.expect(200).json();
    assert_ne!(theirs["open-limit"], json!(25), "{theirs}");
    let staff = there.nora.get(&there.nora.path("/staff")).send().await.expect(200).text();
    assert!(staff.contains("Nora") && staff.contains("Jo") && !staff.contains("Ines"), "{staff}");

    assert!(here.server.stop().success(), "{}", here.server.log());
    // By its tag it is two machines; by its id one.
    let out = here.server.data().join("pack.zip");
    let pack = |intake: &str| {
        let mut run = Command::new(program());
        run.args(["pack", "--intake", intake, "--data"]).arg(here.server.data()).arg("--out").arg(&out);
        run.args(tests::engine::arguments(here.server.data())).output().expect("it runs")
    };
    let by_tag = pack("0417");
    assert!(!by_tag.status.success() && String::from_utf8_lossy(&by_tag.stderr).contains("2 intakes are called 0417"));
    let by_id = pack(&intakes[1].id.to_string());
    assert!(by_id.status.success(), "{}", String::from_utf8_lossy(&by_id.stderr));
    fs::remove_file(&out).expect("the pack");
    let checked = server::check(here.server.data());
    assert!(checked.sound, "{}", checked.said);
}

#[tokio::test]
async fn who_has_the_same_name_and_password_in_two_shops_says_in_which() {
    let mut here = Shop::set_up().await;
    let (door, token) = (here.server.anonymous(), further(&here.server));
    // The owner of both.
    let there = door.let_in(&door.post("/v1/set-up").json(&wanted(&token, NEXT, "Ines")).send().await);
    for path in ["/v1/sessions", "/v1/tokens"] {
        let ask = async |password: &str, shop: Value| {
            let mut body = json!({"sign_in": "INES", "password": password});
            if !shop.is_null() {
                body["shop"] = shop;
            }
            door.post(path).json(&body).send().await
        };
        let answer = ask(PASSWORD, Value::Null).await;
        assert_eq!(answer.gist(), "409 which-shop", "{path}");
        let shops = answer.json()["shops"].clone();
        let both = json!([{"shop": here.id, "name": "Tarn Street Engines"}, {"shop": there.who.shop, "name": NEXT}]);
        assert_eq!(shops, both);
        // Nobody learns of shops who does not know the password.
        for shop in [Value::Null, json!(here.id)].into_iter().filter(|_| path == "/v1/sessions") {
            assert_eq!(ask("another horse, tarn street", shop).await.gist(), "401 not-signed-in");
        }
        for shop in [here.id, there.who.shop] {
            let answer = ask(PASSWORD, json!(shop)).await;
            assert!(answer.status.is_success(), "{}", answer.text());
            assert_eq!(answer.json()["shop"], json!(shop));
        }
    }

    // With another password in one of them the password says it.
    let refused = server::new_password(here.server.data(), "ines", &[]);
    assert!(!refused.sound && refused.said.contains("say --shop"), "{}", refused.said);
    let made = server::new_password(here.server.data(), "ines", &["--shop", &there.who.shop.to_string()]);
    assert!(made.sound, "{}", made.said);
    let back = json!({"sign_in": "ines", "password": PASSWORD});
    assert_eq!(door.let_in(&door.post("/v1/sessions").json(&back).send().await).who.shop, here.id);
    let back = json!({"sign_in": "ines", "password": made.said.lines().next()});
    assert_eq!(door.let_in(&door.post("/v1/sessions").json(&back).send().await).who.shop, there.who.shop);
    assert!(here.server.stop().success(), "{}", here.server.log());
}

#[tokio::test]
async fn a_shop_that_is_opened_at_one_server_works_at_the_other_at_once() {
    let two = Two::new().await;
    let there = NextDoor::open(&two.one).await;
    // The other has to fetch the new key before it can sign.
    let jo = there.jo.at(&two.two.address);
    Counter::of(jo, Seeded::new(93)).await.take_in("0417").await.expect("answers");

    // Both shops at both servers, all at the same time, with the same tags.
    let mut people = JoinSet::new();
    for (n, staff) in [&two.ravi, &there.jo].into_iter().flat_map(|s| two.at_both(s)).enumerate() {
        people.spawn(async move {
            let mut counter = Counter::of(staff, Seeded::new(930 + n as u64)).await;
            for tag in 0..3 {
                counter.take_in(&format!("1{}{tag}", n % 2)).await.expect("answers");
            }
        });
    }
    people.join_all().await;
    let shops = [two.ines.who.shop, there.nora.who.shop].map(|s| s.to_string());
    for (n, owner) in [&two.ines, &there.nora].into_iter().enumerate() {
        let log = record::log(owner).await.expect("the log");
        assert!(log.len() > 6 * 20, "{}", log.len());
        let strange = log.values().any(|e| String::from_utf8_lossy(e).contains(&shops[1 - n]));
        assert!(!strange, "an entry of one shop is in the other's log");
    }
    two.end();
}

/// Runs `counterfoil` over a folder.
async fn told(what: &[&str], folders: &[(&str, &Path)]) -> (bool, String) {
    let mut run = Command::new(program());
    run.args(what);
    for (name, folder) in folders {
        run.arg(name).arg(folder);
    }
    let done = tokio::task::spawn_blocking(move || run.output().expect("it runs")).await.expect("it ends");
    let said = format!("{}{}", String::from_utf8_lossy(&done.stdout), String::from_utf8_lossy(&done.stderr));
    (done.status.success(), said)
}

#[tokio::test]
async fn both_shops_are_backed_up_and_put_back_with_the_key_of_each() {
    let home = tempfile::Builder::new().prefix("counterfoil-shops-").tempdir().expect("a folder");
    let at = |name: &str| home.path().join(name);
    let (data, copy, [first, second]) = (at("data"), at("copy"), [at("first.key"), at("second.key")]);
    let mut here = Shop::on(Server::over(&data, &How::default().sqlite())).await;
    let there = NextDoor::open(&here.server).await;
    for staff in [&here.ravi, &there.jo] {
        Counter::of(staff.clone(), Seeded::new(94)).await.take_in("0417").await.expect("answers");
    }
    fs::write(&first, exported(&here.ines).await).expect("a file");
    fs::write(&second, exported(&there.nora).await).expect("a file");
    let before = [record::log(&here.ines).await.expect("a log"), record::log(&there.nora).await.expect("a log")];
    let open = further(&here.server);
    let (good, said) = told(&["backup"], &[("--data", &data), ("--to", &copy)]).await;
    assert!(good, "{said}");
    assert!(here.server.stop().success(), "{}", here.server.log());

    let restore = ["restore", "--because", "the disk broke"];
    let back = at("back");
    for one in [&first, &second] {
        let (good, said) = told(&restore, &[("--from", &copy), ("--data", &back), ("--key", one)]).await;
        assert!(!good && said.contains("nothing was restored") && said.contains("Put the right key back"), "{said}");
    }
    let keys = [("--from", &*copy), ("--data", &*back), ("--key", &*first), ("--key", &*second)];
    let (good, said) = told(&restore, &keys).await;
    assert!(good && said.contains("0 faults"), "{said}");

    let mut server = Server::over(&back, &How::default().sqlite());
    let door = server.anonymous();
    let old = door.post("/v1/set-up").json(&wanted(&open, NEXT, "Nora")).send().await;
    assert_eq!(old.gist(), "409 refused", "a link from before the backup opens nothing");
    for (name, before) in ["ines", "nora"].into_iter().zip(before) {
        let again = json!({"sign_in": name, "password": PASSWORD});
        let staff = door.let_in(&door.post("/v1/sessions").json(&again).send().await);
        let now = record::log(&staff).await.expect("the log");
        assert!(!before.is_empty() && before.iter().all(|(index, bytes)| now.get(index) == Some(bytes)), "{name}");
        Counter::of(staff, Seeded::new(95)).await.take_in("0418").await.expect("answers");
    }
    assert!(server.stop().success(), "{}", server.log());
    let checked = server::check(&back);
    assert!(checked.sound, "{}", checked.said);
}
