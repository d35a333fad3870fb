//! Housekeeping: what no entry names goes, and only at the second look; originals are read again, and what is broken is told;
//! copies that are gone are made again.

use std::collections::{BTreeMap, BTreeSet};
use std::fs::{self, File};
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};
use std::time::{Duration, SystemTime};

use counterfoil::database::Place;
use counterfoil::edge::Clock;
use counterfoil::serve;
use counterfoil::upkeep::rehash;
use evidence::digest::Digest;
use serde_json::json;
use tests::ask::{Actor, Anonymous};
use tests::counter::Counter;
use tests::engine;
use tests::picture;
use tests::seeded::Seeded;
use tests::server::{self, How, Server, program};
use tests::shop::Shop;

fn sweep(data: &Path, args: &[&str]) -> (bool, String) {
    let mut command = Command::new(program());
    command.args(["sweep", "--data"]).arg(data).args(engine::arguments(data)).args(args);
    let done = command.output().expect("the program runs");
    let said = format!("{}{}", String::from_utf8_lossy(&done.stdout), String::from_utf8_lossy(&done.stderr));
    (done.status.success(), said)
}

/// A folder, made where it is not there, and what was put into it long ago.
fn long_ago(path: &Path) {
    // 1 January 2026: before anything here was written.
    let at = SystemTime::UNIX_EPOCH + Duration::from_secs(1_767_225_600);
    File::open(path).and_then(|f| f.set_modified(at)).expect("an older time");
}

fn put(path: &Path, bytes: &[u8]) {
    fs::create_dir_all(path.parent().expect("a folder")).expect("a folder");
    fs::write(path, bytes).expect("a file");
}

fn on_shelf(store: &Path, shelf: &str, bytes: &[u8]) -> PathBuf {
    let hex = Digest::of(bytes).hex();
    store.join(shelf).join(&hex[..2]).join(&hex)
}

#[tokio::test]
async fn what_no_entry_names_goes_at_a_later_look_and_nothing_else_does() {
    let home = tempfile::Builder::new().prefix("counterfoil-upkeep-").tempdir().expect("a temporary folder");
    let data = home.path().join("data");
    let mut shop = Shop::on(Server::over(&data, &How::default())).await;
    let store = data.join("shops").join(shop.id.to_string());
    let mut counter = shop.counter(71).await;
    let mut first = counter.take_in("0100").await.expect("answers");

    // Named and not sent: of one that is held, and of one that is not.
    let (of_held, of_other) = (picture::sharp(711), picture::sharp(712));
    counter.name(&mut first, None, &of_held).await.expect("an answer");
    let mut owner = Counter::of(shop.ines.clone(), Seeded::new(72)).await;
    owner.say(&mut first, "hold-set", json!({"because": "an insurer asked"}), &[]).await.expect("an answer");
    let mut second = counter.intake("0101");
    counter.open(&mut second).await.expect("an answer");
    counter.name(&mut second, None, &of_other).await.expect("an answer");
    let parts = |bytes: &[u8]| store.join("parts").join(shop.ravi.who.device.to_string()).join(Digest::of(bytes).hex());
    for bytes in [&of_held, &of_other] {
        put(&parts(bytes).join("0-4"), &bytes[..4]);
        long_ago(&parts(bytes));
    }
    // Nobody's: an original, a copy, half a file. And one that gets its name between the looks.
    let (lost, copy, half) = (
        on_shelf(&store, "originals", b"nobody's"),
        on_shelf(&store, "renditions", b"nobody's copy"),
        store.join("originals/ab/.half.0000000000000001"),
    );
    let late = picture::sharp(713);
    let early = on_shelf(&store, "originals", &late);
    for (path, bytes) in [(&lost, &b"nobody's"[..]), (&copy, b"nobody's copy"), (&half, b"ha"), (&early, &late)] {
        put(path, bytes);
        long_ago(path);
    }
    if !engine::postgres() {
        let (good, said) = sweep(&data, &[]);
        assert!(!good && said.contains("is in use") && said.contains("once a day"), "while it is served: {said}");
    }
    assert!(shop.server.stop().success(), "{}", shop.server.log());

    let there = || [&lost, &copy, &early].map(|p| p.is_file());
    let (good, said) = sweep(&data, &["--dry-run", "--grace-days", "0"]);
    assert!(
        good && said.contains("3 files that no entry names, 0 of them to go; 1 half written, 1 of which"),
        "{said}"
    );
    assert!(said.contains("not noted yet") && half.exists() && parts(&of_other).exists(), "{said}");
    let (good, said) = sweep(&data, &["--grace-days", "0"]);
    assert!(good && said.contains("3 files that no entry names, 0 of them taken away"), "{said}");
    assert_eq!((there(), half.exists()), ([true; 3], false));
    assert!(parts(&of_held).exists() && !parts(&of_other).exists(), "under a hold nothing goes");
    let (good, said) = sweep(&data, &[]);
    assert!(good && said.contains("noted 0 days ago") && there() == [true; 3], "within the grace: {said}");

    let mut server = Server::over(&data, &How::default());
    let mut counter = Counter::of(shop.ravi.at(&server.address), Seeded::new(73)).await;
    let mut third = counter.intake("0102");
    counter.open(&mut third).await.expect("an answer");
    counter.name(&mut third, None, &late).await.expect("an answer");
    assert!(server.stop().success(), "{}", server.log());
    let (good, said) = sweep(&data, &["--grace-days", "0"]);
    assert!(good && said.contains("2 files that no entry names, 2 of them taken away"), "{said}");
    assert_eq!(there(), [false, false, true], "what was named meanwhile stays");
    let (good, said) = sweep(&data, &["--dry-run", "--grace-days", "0"]);
    assert!(good && said.contains("0 files that no entry names"), "{said}");

    // A file noted long enough and written anew since begins from the start.
    put(&lost, b"nobody's");
    sweep(&data, &["--grace-days", "0"]);
    let later = SystemTime::UNIX_EPOCH + Duration::from_secs(4_102_444_800);
    File::options().write(true).open(&lost).and_then(|f| f.set_modified(later)).expect("a later time");
    let (good, said) = sweep(&data, &["--grace-days", "0"]);
    assert!(good && said.contains("1 files that no entry names, 0 of them taken away"), "{said}");

    let mut server = Server::over(&data, &How::default());
    assert_eq!(first.sent.missing(&shop.ines.at(&server.address)).await, [""; 0]);
    assert!(parts(&of_held).exists(), "nor at a start");
    assert!(server.stop().success(), "{}", server.log());
    let checked = server::check(&data);
    assert!(checked.sound, "{}", checked.said);
}

#[tokio::test]
async fn originals_are_read_again_within_the_days_and_what_is_broken_is_told_until_it_is_mended() {
    let home = tempfile::Builder::new().prefix("counterfoil-upkeep-").tempdir().expect("a temporary folder");
    let data = home.path().join("data");
    let mut shop = Shop::on(Server::over(&data, &How::default())).await;
    let mut counter = shop.counter(81).await;
    let mut files = BTreeSet::new();
    for tag in ["0200", "0201"] {
        files.extend(counter.take_in(tag).await.expect("answers").sent.files);
    }
    let intake = counter.take_in("0202").await.expect("answers");
    files.extend(intake.sent.files.clone());
    assert!(shop.server.stop().success(), "{}", shop.server.log());
    let store = data.join("shops").join(shop.id.to_string()).join("originals");
    let path = |hex: &String| store.join(&hex[..2]).join(hex);
    let (changed, gone) = (path(&intake.sent.files[0]), path(&intake.sent.files[1]));
    let (first, second) = (fs::read(&changed).expect("an original"), fs::read(&gone).expect("an original"));

    let clock = Arc::new(AtomicI64::new(1_800_000_000_000));
    let place = Place::new(&data, engine::database_of(&data).as_deref());
    let open =
        async || serve::open_at(place.clone(), true, Clock::Set(clock.clone())).await.expect("the folder opens").ledger;
    let ledger = open().await;
    let days = async |ledger: &counterfoil::ledger::Ledger, days: i64| {
        let (mut read, mut most) = (0, 0);
        for _ in 0..days {
            let slice = rehash::slice(ledger, shop.id, 10).await.expect("it is read");
            (read, most) = (read + slice.read, most.max(slice.read));
            clock.fetch_add(rehash::DAY, Ordering::SeqCst);
        }
        (read, most)
    };
    let all = files.len() as u64;
    let (read, most) = days(&ledger, 10).await;
    assert!(read >= all && most <= all / 10 + 1, "{read} of {all}, at most {most} a day");
    assert_eq!(rehash::slice(&ledger, shop.id, 10).await.expect("a share").read, most.min(all.div_ceil(10)));
    assert_eq!(rehash::slice(&ledger, shop.id, 10).await.expect("nothing").read, 0, "twice in a moment");
    assert!(rehash::broken_list(&ledger, shop.id).await.expect("a list").is_empty());

    fs::write(&changed, &first[1..]).expect("damaged");
    fs::remove_file(&gone).expect("lost");
    days(&ledger, 11).await;
    let list = rehash::broken_list(&ledger, shop.id).await.expect("a list");
    let mut told: Vec<(PathBuf, &str)> = list.iter().map(|b| (path(&b.file.hex()), b.what.as_str())).collect();
    told.sort();
    let mut wanted = vec![(changed.clone(), "changed"), (gone.clone(), "missing")];
    wanted.sort();
    assert_eq!(told, wanted);
    assert!(list.iter().all(|b| b.tags == ["0202"]), "{list:?}");
    // After a long stop all of it is due, once.
    clock.fetch_add(400 * rehash::DAY, Ordering::SeqCst);
    assert_eq!(rehash::slice(&ledger, shop.id, 10).await.expect("all").read, all);
    ledger.close().await;

    let (good, said) = sweep(&data, &["--dry-run"]);
    assert!(!good && said.contains("of 0202 is changed") && said.contains("of 0202 is missing"), "{said}");
    let mut server = Server::over(&data, &How::default().arg("--operations").arg("127.0.0.1:0"));
    let beside = Anonymous::at(server.operations.as_deref().expect("an address of its own"));
    let text = beside.get("/metrics").send().await.expect(200).text();
    assert!(text.contains(&format!("counterfoil_originals_broken{{shop=\"{}\"}} 2\n", shop.id)), "{text}");
    let ines = shop.ines.at(&server.address);
    let told = ines.get(&ines.path("/broken-originals")).send().await.expect(200).json();
    assert_eq!(told["broken"].as_array().map(Vec::len), Some(2), "{told}");
    assert_eq!((&told["broken"][0]["tags"], told["round_at"].is_string()), (&json!(["0202"]), true), "{told}");
    assert!(server.stop().success(), "{}", server.log());

    fs::write(&changed, &first).expect("mended");
    fs::write(&gone, &second).expect("put back");
    let ledger = open().await;
    days(&ledger, 11).await;
    assert!(
        rehash::broken_list(&ledger, shop.id).await.expect("a list").is_empty(),
        "what is right again is off the list"
    );
    ledger.close().await;
    let checked = server::check(&data);
    assert!(checked.sound, "{}", checked.said);
}

/// Every file of a shelf by its path.
fn shelf(folder: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let inside = |folder: &Path| -> Vec<PathBuf> {
        fs::read_dir(folder).map(|all| all.map(|e| e.expect("a name").path()).collect()).unwrap_or_default()
    };
    inside(folder).iter().flat_map(|f| inside(f)).map(|p| (p.clone(), fs::read(p).expect("a file"))).collect()
}

#[tokio::test]
async fn copies_that_are_gone_are_made_again_byte_for_byte() {
    let home = tempfile::Builder::new().prefix("counterfoil-upkeep-").tempdir().expect("a temporary folder");
    let data = home.path().join("data");
    let mut shop = Shop::on(Server::over(&data, &How::default())).await;
    let mut counter = shop.counter(91).await;
    let mut intake = counter.take_in("0300").await.expect("answers");
    let (covered, _) = counter.photo(&mut intake, None, &picture::sharp(911)).await.expect("an answer");
    let (erased, _) = counter.photo(&mut intake, None, &picture::sharp(912)).await.expect("an answer");
    let boxes = json!({"boxes": [{"x": 1000, "y": 1000, "w": 3000, "h": 2000}]});
    let path = shop.ravi.path(&format!("/photos/{covered}/redaction"));
    shop.ravi.put(&path).json(&boxes).send().await.expect(200);
    let mut owner = Counter::of(shop.ines.clone(), Seeded::new(92)).await;
    let because = json!({"photo": erased, "because": "a passer-by is in the picture"});
    owner.say(&mut intake, "photo-erased", because, &[]).await.expect("an answer");
    assert!(shop.server.stop().success(), "{}", shop.server.log());

    let folder = data.join("shops").join(shop.id.to_string()).join("renditions");
    let before = shelf(&folder);
    assert!(before.len() >= 7, "{} copies", before.len());
    fs::remove_dir_all(&folder).expect("all copies are gone");
    let gone = format!("{} copies are gone", before.len());
    let (good, said) = sweep(&data, &["--renditions", "--dry-run"]);
    assert!(good && said.contains(&format!("{gone}, 0 made again")), "{said}");
    let (good, said) = sweep(&data, &["--renditions"]);
    assert!(good && said.contains(&format!("{gone}, {} made again", before.len())), "{said}");
    assert_eq!(shelf(&folder), before, "the very bytes, and none of what was erased");
    let checked = server::check(&data);
    assert!(checked.sound, "{}", checked.said);
    // An original that is gone is told, and nothing is made up.
    let file = before.keys().next().expect("a copy");
    fs::remove_file(file).expect("a copy");
    let originals = folder.with_file_name("originals");
    fs::rename(&originals, folder.with_file_name("away")).expect("originals are away");
    let (good, said) = sweep(&data, &["--renditions"]);
    assert!(!good && said.contains("no copies of sha256:"), "{said}");
    fs::rename(folder.with_file_name("away"), &originals).expect("they are back");
    let (good, said) = sweep(&data, &["--renditions"]);
    assert!(good && said.contains("1 copies are gone, 1 made again"), "{said}");
}
