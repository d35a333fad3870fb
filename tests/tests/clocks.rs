//! One of two servers has a clock that jumps, days ahead and back, while both write one log: the log's own time never goes back,
//! what the clock said stands beside it, nothing is lost and nobody is signed out.

use std::path::{Path, PathBuf};
use std::time::Duration;

use evidence::entry::Entry;
use tests::ask::Actor;
use tests::counter::Counter;
use tests::record::{self, Acknowledged};
use tests::seeded::Seeded;
use tests::server::How;
use tests::two::{Two, keep_on, no_two_with_one_index};
use tokio::task::JoinSet;

/// Far above what anything here takes.
const SOON: Duration = Duration::from_secs(60);
const HOUR: i64 = 3_600_000;

/// The library that tells a program another time (libfaketime), as Debian has it.
fn library() -> PathBuf {
    let folders = std::fs::read_dir("/usr/lib").expect("/usr/lib").flatten();
    let there = folders.map(|f| f.path().join("faketime/libfaketime.so.1")).find(|p| p.exists());
    there.expect("install libfaketime: tests/run does")
}

/// From now on the clock is so many hours off. Put in place whole: it is read whenever the program asks for the time.
fn jump(file: &Path, hours: i64) {
    let new = file.with_extension("new");
    std::fs::write(&new, format!("{hours:+}h\n")).expect("a file");
    std::fs::rename(&new, file).expect("in its place");
}

async fn now(at: &impl Actor) -> i64 {
    let said = at.get("/v1").send().await.expect(200).json();
    evidence::time::parse(said["now"].as_str().expect("a time")).expect("a time")
}

#[tokio::test(flavor = "multi_thread")]
async fn a_clock_that_jumps_turns_no_log_time_back() {
    let home = tempfile::tempdir().expect("a temporary folder");
    let clock = home.path().join("clock");
    jump(&clock, 0);
    let how = How::default()
        .env("LD_PRELOAD", library().display())
        .env("FAKETIME_TIMESTAMP_FILE", clock.display())
        .env("FAKETIME_NO_CACHE", 1)
        .env("FAKETIME_DONT_FAKE_MONOTONIC", 1);
    let both = Two::over(None, &how).await;
    let rounds = if tests::long() { 60 } else { 6 };
    let (mut all, mut random) = (Acknowledged::default(), Seeded::new(0x0c10));
    for round in 0..rounds {
        let to = both.at_both(&both.ravi);
        let mut people = JoinSet::new();
        for person in 0..4u64 {
            let mut to = to.to_vec();
            to.rotate_left((person % 2) as usize);
            let counter = Counter::of(to[0].clone(), Seeded::new(random.number())).await;
            people.spawn(keep_on(counter, to, format!("{round:02}{person}"), 6));
        }
        // Ahead and back in turn, by up to three days, in the middle of something.
        let hours = (1 + i64::try_from(random.below(72)).expect("hours")) * if round % 2 == 0 { 1 } else { -1 };
        let race = Duration::from_micros(5_000 + random.below(40_000));
        // Where the machine is busy, somebody may be done before it jumps.
        if let Ok(Some(done)) = tokio::time::timeout(race, people.join_next()).await {
            all.add(&done.expect("nobody was refused").0);
        }
        jump(&clock, hours);
        let (here, there) = (now(&to[0]).await, now(&to[1]).await);
        assert!(((there - here) - hours * HOUR).abs() < HOUR / 2, "the clock did not jump: {here}, {there}, {hours} h");
        for (sent, _) in tokio::time::timeout(SOON, people.join_all()).await.expect("they go on") {
            all.add(&sent);
        }
    }
    no_two_with_one_index(&all);
    assert_eq!(all.missing(&both.ines.at(&both.two.address)).await, [""; 0]);

    let log = record::log(&both.ines).await.expect("the log");
    let entries: Vec<Entry> = log.values().map(|bytes| Entry::parse(bytes).expect("an entry")).collect();
    let (mut before, mut behind) = (0, 0);
    for entry in &entries {
        assert!(entry.kept.at >= before, "an entry is older than the one before it");
        before = entry.kept.at;
        if let Some(raw) = entry.kept.raw {
            assert!(raw < entry.kept.at, "the clock stands beside the log's time where it was behind it");
            behind += usize::from(entry.kept.at - raw > HOUR);
        }
    }
    assert!(behind > 0 && behind < entries.len(), "{behind} of {}", entries.len());
    println!("{rounds} jumps; {} entries, {behind} with a clock that was behind; {}", entries.len(), both.end());
}
