//! An installation moves from a file and a folder to PostgreSQL and a bucket, and back: everything is there, the log goes on under its name, and it is
//! never served in two places, wherever the move was killed. A backup of either goes into the other.

use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Duration;

use cluster::store::{self, Store};
use counterfoil::edge::Random;
use counterfoil::originals::{Address, Bucket, Keys, Originals, Shelf};
use evidence::digest::Digest;
use serde_json::{Value, json};
use tests::ask::{Actor, CookieStaff};
use tests::counter::{Acknowledged, Counter};
use tests::engine;
use tests::picture;
use tests::record;
use tests::seeded::Seeded;
use tests::server::{self, How, Server, program};
use tests::shop::Shop;

/// The program with what says where from and where to.
fn moving(from: &Path, to: &Path) -> Command {
    let mut command = Command::new(program());
    command.args(["move", "--data"]).arg(from).args(engine::arguments(from)).arg("--to-data").arg(to);
    if let Some(address) = engine::database_of(to) {
        command.args(["--to-database", &address]);
    }
    if let Some(address) = engine::originals_of(to) {
        command.args(["--to-originals", &address]);
    }
    command.envs(engine::STORE_KEYS);
    command
}

fn run(mut command: Command) -> (bool, String) {
    let done = command.output().expect("the program runs");
    let said = format!("{}{}", String::from_utf8_lossy(&done.stdout), String::from_utf8_lossy(&done.stderr));
    (done.status.success(), said)
}

fn moved(from: &Path, to: &Path) -> (bool, String) {
    run(moving(from, to))
}

/// A place under a folder, with PostgreSQL or without.
fn place(home: &Path, name: &str, postgres: bool) -> PathBuf {
    let data = home.join(name);
    if postgres {
        engine::use_database(&data, &cluster::database());
    }
    data
}

/// One with PostgreSQL and a bucket, or one with a file and a folder.
fn grown(home: &Path, name: &str, grown: bool) -> PathBuf {
    let data = place(home, name, grown);
    if grown {
        engine::use_originals(&data, &store::address(store::endpoint()));
    }
    data
}

/// Files on the shelves of a data folder.
fn on_shelves(data: &Path) -> usize {
    let below = |folder: &Path| std::fs::read_dir(folder).into_iter().flatten().flatten().map(|e| e.path());
    let shelves = below(&data.join("shops")).flat_map(|shop| [shop.join("originals"), shop.join("renditions")]);
    shelves.flat_map(|shelf| below(&shelf).collect::<Vec<_>>()).map(|folder| below(&folder).count()).sum()
}

fn refusal(data: &Path) -> String {
    match Server::try_over(data, &How::default().sqlite()) {
        Ok(_) => panic!("{} is served", data.display()),
        Err(said) => said,
    }
}

async fn file(staff: &CookieStaff, bytes: &[u8]) -> u16 {
    staff.get(&staff.path(&format!("/files/{}", Digest::of(bytes).hex()))).send().await.status.as_u16()
}

async fn origin(staff: &CookieStaff) -> String {
    let told: Value = staff.get(&staff.path("")).send().await.expect(200).json();
    told["origin"].as_str().expect("an origin").to_owned()
}

fn temporary(prefix: &str) -> tempfile::TempDir {
    tempfile::Builder::new().prefix(prefix).tempdir().expect("a temporary folder")
}

#[tokio::test]
async fn it_moves_there_and_back_with_everything_and_the_log_goes_on() {
    let home = temporary("counterfoil-moving-");
    let at = |name: &str, far| grown(home.path(), name, far);
    let (a, b, c) = (at("a", false), at("b", true), at("c", false));
    let mut shop = Shop::on(Server::over(&a, &How::default().sqlite())).await;
    let mut counter = shop.counter(31).await;
    let mut first = counter.take_in("0100").await.expect("answers");
    let (kept, erased) = (picture::sharp(311), picture::sharp(312));
    counter.photo(&mut first, None, &kept).await.expect("an answer");
    let (photo, _) = counter.photo(&mut first, None, &erased).await.expect("an answer");
    let mut owner = Counter::of(shop.ines.clone(), Seeded::new(32)).await;
    let because = json!({"photo": photo, "because": "a passer-by is in the picture"});
    owner.say(&mut first, "photo-erased", because, &[]).await.expect("an answer");

    let (good, said) = moved(&a, &b);
    assert!(!good && said.contains("is in use"), "while it is served: {said}");
    let (before, named) = (record::log(&shop.ines).await.expect("the log"), origin(&shop.ines).await);
    assert!(shop.server.stop().success(), "{}", shop.server.log());

    // Photos alone have no way of their own: the folder would say two things of where they are.
    let mut command = Command::new(program());
    command.args(["move", "--data"]).arg(&a).arg("--to-data").arg(&a).envs(engine::STORE_KEYS);
    let (good, said) = run({
        command.args(["--to-originals", &store::address(store::endpoint())]);
        command
    });
    assert!(!good && said.contains("say another one with --to-data"), "{said}");
    // A store that does not answer is told before anything is marked.
    let nobody = home.path().join("nobody");
    engine::use_originals(&nobody, "s3://originals/t?endpoint=http://127.0.0.1:1&timeout_ms=100");
    let (good, said) = moved(&a, &nobody);
    assert!(!good && said.contains("does not answer"), "{said}");

    let (good, said) = moved(&a, &b);
    assert!(good && said.contains("; 0 faults"), "{said}");
    assert!(on_shelves(&a) > 0 && on_shelves(&b) == 0, "the photos are in the bucket and nowhere else");
    assert!(refusal(&a).contains("was moved to postgres://"), "{}", refusal(&a));
    let (good, said) = moved(&a, &b);
    assert!(good && said.contains("was moved before"), "again: {said}");

    // Nobody has to sign in again, nothing is another, and the log goes on under its name.
    let mut server = Server::over(&b, &How::default());
    let (ines, ravi) = (shop.ines.at(&server.address), shop.ravi.at(&server.address));
    assert_eq!(record::log(&ines).await.expect("the log"), before);
    assert_eq!((file(&ines, &kept).await, file(&ines, &erased).await), (200, 410));
    Counter::of(ravi.clone(), Seeded::new(33)).await.take_in("0101").await.expect("it goes on");
    assert_eq!(origin(&ines).await, named);
    let (good, said) = moved(&b, &c);
    assert!(!good && said.contains("is in use"), "while it is served: {said}");
    let before = record::log(&ines).await.expect("the log");
    assert!(server.stop().success(), "{}", server.log());

    let (good, said) = moved(&b, &c);
    assert!(good && said.contains("; 0 faults"), "{said}");
    assert!(on_shelves(&c) >= on_shelves(&a) && !c.join("originals-are-in").exists(), "they are in the folder again");
    let mut server = Server::over(&c, &How::default().sqlite());
    let ines = ines.at(&server.address);
    assert_eq!(record::log(&ines).await.expect("the log"), before);
    assert_eq!((file(&ines, &kept).await, file(&ines, &erased).await), (200, 410));
    Counter::of(ravi.at(&server.address), Seeded::new(34)).await.take_in("0102").await.expect("it goes on");
    assert_eq!(origin(&ines).await, named);
    assert!(server.stop().success(), "{}", server.log());
    let checked = server::check(&c);
    assert!(checked.sound, "{}", checked.said);

    // What is left can be looked at, not served; nothing moves into it; and where all else is lost it goes on under another name.
    assert!(refusal(&b).contains("was moved to"), "{}", refusal(&b));
    let checked = server::check(&b);
    assert!(checked.sound, "{}", checked.said);
    let (good, said) = moved(&c, &b);
    assert!(!good && said.contains("holds an installation"), "{said}");
    let opened = server::new_epoch(&b, "the other house burnt down");
    assert!(opened.sound && opened.said.contains("epoch 2 is open"), "{}", opened.said);
    let mut server = Server::over(&b, &How::default());
    assert!(origin(&ines.at(&server.address)).await.ends_with("/2"));
    assert!(server.stop().success(), "{}", server.log());
}

/// Reads so many lines of a move, then kills it; whether it had ended by itself before.
fn killed_after(lines: usize, mut command: Command) -> bool {
    let mut child = command.stdout(Stdio::piped()).spawn().expect("the program runs");
    let out = BufReader::new(child.stdout.take().expect("a piped standard output"));
    let read = out.lines().take(lines).count();
    let _ = child.kill();
    let status = child.wait().expect("its end");
    read < lines && status.success()
}

#[tokio::test]
async fn killed_anywhere_and_started_again_it_ends_the_same_and_only_one_end_is_served() {
    let mut after_a_line = 0;
    for far in [true, false] {
        let home = temporary("counterfoil-moving-");
        let (from, to) = (grown(home.path(), "from", !far), grown(home.path(), "to", far));
        let mut shop = Shop::on(Server::over(&from, &How::default().sqlite())).await;
        let mut sent = Acknowledged::default();
        let mut counter = shop.counter(41).await;
        for tag in ["0200", "0201"] {
            sent.add(&counter.take_in(tag).await.expect("answers").sent);
        }
        let before = record::log(&shop.ines).await.expect("the log");
        assert!(shop.server.stop().success(), "{}", shop.server.log());

        let mut random = Seeded::new(42);
        let rounds = if tests::long() { 100 } else { 10 };
        for _ in 0..rounds {
            let mut child = tokio::process::Command::from(moving(&from, &to));
            let mut child = child.stdout(Stdio::null()).spawn().expect("the program runs");
            // A race against it puts the kill anywhere, also before its first mark.
            let race = Duration::from_micros(random.below(100_000));
            if tokio::time::timeout(race, child.wait()).await.is_ok() {
                break;
            }
            child.kill().await.expect("killed");
        }
        let mut kills = 0;
        while !killed_after(kills + 1, moving(&from, &to)) {
            kills += 1;
            let here = refusal(&from);
            let left = here.contains("was moved to");
            assert!(left || here.contains("has not ended"), "after {kills} lines: {here}");
            match Server::try_over(&to, &How::default().sqlite()) {
                Ok(_) => assert!(left, "after {kills} lines the copy is served before its source has left"),
                Err(said) => assert!(said.contains("has not ended"), "after {kills} lines: {said}"),
            }
            assert!(kills < 500, "it never ends");
        }
        after_a_line += kills;
        let mut server = Server::over(&to, &How::default());
        let ines = shop.ines.at(&server.address);
        assert_eq!(record::log(&ines).await.expect("the log"), before);
        assert_eq!(sent.missing(&ines).await, [""; 0]);
        assert!(refusal(&from).contains("was moved to"));
        assert!(server.stop().success(), "{}", server.log());
        let checked = server::check(&to);
        assert!(checked.sound, "{}", checked.said);
        println!(
            "{rounds} kills at any moment, {kills} after a line; {} entries and {} files there",
            before.len(),
            sent.files.len()
        );
    }
    // Where the machine is quick, one of them may have ended among the kills at any moment.
    assert!(after_a_line > 25, "{after_a_line} lines only");
}

#[tokio::test]
async fn a_move_that_is_given_up_stays() {
    let home = temporary("counterfoil-moving-");
    let (from, to) = (place(home.path(), "from", false), place(home.path(), "to", true));
    let give_up = || {
        let mut command = Command::new(program());
        command.args(["move", "--give-up", "--data"]).arg(&from);
        run(command)
    };
    let mut shop = Shop::on(Server::over(&from, &How::default().sqlite())).await;
    let first = shop.counter(51).await.take_in("0300").await.expect("answers");
    assert!(shop.server.stop().success(), "{}", shop.server.log());
    let (good, said) = give_up();
    assert!(!good && said.contains("no move from here was begun"), "{said}");

    // A damaged original does not go: what is wrong here is not made to look right there.
    let hex = first.sent.files[0].clone();
    let path = from.join("shops").join(shop.id.to_string()).join("originals").join(&hex[..2]).join(&hex);
    let whole = std::fs::read(&path).expect("an original");
    std::fs::write(&path, &whole[1..]).expect("damaged");
    let (good, said) = moved(&from, &to);
    assert!(!good && said.contains("is not what its name says") && said.contains("It is not moved"), "{said}");
    std::fs::write(&path, &whole).expect("mended");
    assert!(refusal(&from).contains("has not ended"));

    let (good, said) = give_up();
    assert!(good && said.contains("It stays here"), "{said}");
    let mut server = Server::over(&from, &How::default().sqlite());
    let mut counter = Counter::of(shop.ravi.at(&server.address), Seeded::new(52)).await;
    counter.take_in("0301").await.expect("it goes on here");
    assert!(server.stop().success(), "{}", server.log());
    assert!(refusal(&to).contains("has not ended"), "a part of a copy is never served");
    let checked = server::check(&from);
    assert!(checked.sound, "{}", checked.said);
    // Nor does anything of another installation go into it; what it came from begins anew.
    let mut other = Shop::on(Server::over(&place(home.path(), "other", false), &How::default().sqlite())).await;
    let strange = other.server.data().to_owned();
    assert!(other.server.stop().success(), "{}", other.server.log());
    let (good, said) = moved(&strange, &to);
    assert!(!good && said.contains("a part of another one"), "{said}");
    let (good, said) = moved(&from, &to);
    assert!(good && said.contains("; 0 faults"), "{said}");
    let mut server = Server::over(&to, &How::default());
    assert_eq!(first.sent.missing(&shop.ines.at(&server.address)).await, [""; 0]);
    assert!(server.stop().success(), "{}", server.log());
}

#[tokio::test]
async fn a_backup_taken_while_serving_goes_into_the_other_database() {
    for postgres in [false, true] {
        let home = temporary("counterfoil-moving-");
        let (from, to) = (grown(home.path(), "from", postgres), grown(home.path(), "to", !postgres));
        let (copy, key) = (home.path().join("copy"), home.path().join("log.key"));
        let mut shop = Shop::on(Server::over(&from, &How::default().sqlite())).await;
        let mut counter = shop.counter(61).await;
        let first = counter.take_in("0400").await.expect("answers");
        let exported = shop.ines.post(&shop.ines.path("/key-export")).send().await.expect(200).text();
        std::fs::write(&key, exported).expect("a file");
        let before = record::log(&shop.ines).await.expect("the log");
        let working = tokio::spawn(async move {
            for tag in ["0401", "0402"] {
                counter.take_in(tag).await.expect("answers");
            }
        });
        let mut command = Command::new(program());
        command.args(["backup", "--data"]).arg(&from).args(engine::arguments(&from)).arg("--to").arg(&copy);
        command.envs(engine::STORE_KEYS);
        let (good, said) = tokio::task::spawn_blocking(move || run(command)).await.expect("it runs");
        assert!(good, "{said}");
        working.await.expect("they took two in");
        assert!(shop.server.stop().success(), "{}", shop.server.log());

        let mut command = Command::new(program());
        command.args(["restore", "--because", "the disk broke", "--from"]).arg(&copy).arg("--key").arg(&key);
        let (good, said) = run({
            command.arg("--data").arg(&to).args(engine::arguments(&to)).envs(engine::STORE_KEYS);
            command
        });
        assert!(good && said.contains("epoch 2 is open") && said.contains("; 0 faults"), "{said}");
        assert_eq!(to.join("counterfoil.db").exists(), postgres, "only the database that was asked for is there");
        let mut server = Server::over(&to, &How::default());
        let ines = shop.ines.at(&server.address);
        assert_eq!(ines.get(&ines.path("")).send().await.status.as_u16(), 401, "nobody is signed in by a backup");
        let (door, sign_in) = (server.anonymous(), json!({"sign_in": "ines", "password": tests::shop::PASSWORD}));
        let ines = door.let_in(&door.post("/v1/sessions").json(&sign_in).send().await);
        let log = record::log(&ines).await.expect("the log");
        assert!(before.iter().all(|(index, bytes)| log.get(index) == Some(bytes)), "what was there before is there");
        assert_eq!(first.sent.missing(&ines).await, [""; 0]);
        assert!(server.stop().success(), "{}", server.log());
        if !postgres {
            // Into a database that has an installation, nothing is put back.
            let other = place(home.path(), "other", false);
            engine::use_database(&other, &engine::database_of(&to).expect("an address"));
            let mut command = Command::new(program());
            command.args(["restore", "--because", "x", "--from"]).arg(&copy).arg("--key").arg(&key);
            command.arg("--data").arg(&other).args(engine::arguments(&other));
            let (good, said) = run(command);
            assert!(!good && said.contains("holds an installation"), "{said}");
        }
    }
}

/// Whether each of these is in the bucket, and cannot be taken away by whoever has its keys.
fn locked(address: &str, home: &Path, shop: uuid::Uuid, files: &[String]) {
    let keys = Keys { id: store::KEY.into(), secret: store::SECRET.into(), token: None };
    let bucket = Bucket::new(Address::parse(address).expect("an address"), &keys, None, Random::System);
    let bucket = Originals::in_bucket(&home.join("look"), bucket.expect("a bucket"), &home.join("look-copies"));
    let bucket = bucket.expect("the store");
    assert!(!files.is_empty());
    for hex in files {
        let digest = Digest::from_hex(hex).expect("a digest");
        let refused = bucket.erase(shop, Shelf::Originals, &digest).expect_err("it is locked");
        assert!(refused.to_string().contains("cannot be taken away"), "{hex}: {refused}");
        assert_eq!(bucket.rehash(shop, &digest).expect("it is there"), digest);
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn what_is_moved_or_put_back_into_a_bucket_that_locks_is_locked() {
    let far = tokio::task::spawn_blocking(Store::start).await.expect("a store");
    far.make_locking("locking");
    far.make_versioned("open");
    let home = temporary("counterfoil-moving-");
    let from = place(home.path(), "from", false);
    let (copy, key) = (home.path().join("copy"), home.path().join("log.key"));
    let mut shop = Shop::on(Server::over(&from, &How::default().sqlite())).await;
    let sent = shop.counter(71).await.take_in("0700").await.expect("answers").sent;
    let exported = shop.ines.post(&shop.ines.path("/key-export")).send().await.expect(200).text();
    std::fs::write(&key, exported).expect("a file");
    assert!(shop.server.stop().success(), "{}", shop.server.log());
    let mut backup = Command::new(program());
    backup.args(["backup", "--data"]).arg(&from).arg("--to").arg(&copy);
    let (good, said) = run(backup);
    assert!(good, "{said}");

    let put_back = |to: &Path| {
        let mut command = Command::new(program());
        command.args(["restore", "--because", "the disk broke", "--originals-lock-days", "1", "--from"]).arg(&copy);
        command.arg("--key").arg(&key).arg("--data").arg(to).args(engine::arguments(to)).envs(engine::STORE_KEYS);
        run(command)
    };
    let move_to = |to: &Path| {
        let mut command = moving(&from, to);
        command.args(["--to-originals-lock-days", "1"]);
        run(command)
    };
    // A bucket that locks nothing is not believed, by either.
    for (name, go) in [("put-open", &put_back as &dyn Fn(&Path) -> (bool, String)), ("moved-open", &move_to)] {
        let to = home.path().join(name);
        engine::use_originals(&to, &store::address_in("open", far.endpoint()));
        let (good, said) = go(&to);
        assert!(!good && said.contains("lock"), "{name}: {said}");
    }
    for (name, go) in [("put-back", &put_back as &dyn Fn(&Path) -> (bool, String)), ("moved", &move_to)] {
        let (to, address) = (home.path().join(name), store::address_in("locking", far.endpoint()));
        engine::use_originals(&to, &address);
        let (good, said) = go(&to);
        assert!(good && said.contains("; 0 faults"), "{name}: {said}");
        let (there, files) = (home.path().join(format!("look-{name}")), sent.files.clone());
        let looked = tokio::task::spawn_blocking({
            let shop = shop.id;
            move || locked(&address, &there, shop, &files)
        });
        looked.await.expect("locked");
        // It is served from there, under the same lock.
        let mut server = Server::over(&to, &How::default().sqlite().arg("--originals-lock-days").arg("1"));
        assert!(server.stop().success(), "{}", server.log());
    }
}
