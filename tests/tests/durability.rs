//! A power cut after any answer loses nothing that was acknowledged (promise 1), and leaving out any one class of sync
//! is noticed: the same look at the survivors finds the loss.
//!
//! The disk is slow here (`SLOW_MS` before each sync), so that an answer given before its sync would be caught.

use std::sync::{Arc, Mutex};

use tempfile::TempDir;
use tests::ask::CookieStaff;
use tests::counter::{Acknowledged, Watch};
use tests::server::{self, How, Server};
use tests::shadow::{Skip, Watched};
use tests::shop::Shop;
use tokio::runtime::Handle;

/// The pause before each sync, in milliseconds.
const SLOW_MS: u32 = 15;

/// What the looks at the survivors found.
#[derive(Debug, Default)]
struct Found {
    /// Power cuts looked at.
    cuts: usize,
    /// Acknowledged things looked for, over all of them.
    looked_for: usize,
    /// What was lost, a sentence each.
    lost: Vec<String>,
}

/// What is lost when the power goes now.
async fn lost(survivors: &TempDir, sent: &Acknowledged, ines: &CookieStaff) -> Vec<String> {
    let data = survivors.path();
    let mut lost = sent.missing_below(data, ines);
    // Looked at before a server mends anything.
    let checked = server::check(data);
    if !checked.sound {
        lost.push(format!("check: {}", checked.said));
    }
    match Server::try_over(data, &How::default()) {
        Ok(server) => lost.extend(sent.missing(&ines.at(&server.address)).await),
        Err(said) => lost.push(format!("start: {said}")),
    }
    // Beside the folder: what the server logged.
    let _ = std::fs::remove_file(data.with_extension("log"));
    lost
}

/// Takes a chainsaw in, cuts the power in thought after every answer, and looks. It looks no further once `wanted` is
/// among what was lost.
async fn cut_after_every_answer(skip: Option<Skip>, wanted: &'static str) -> Found {
    let watched = Arc::new(Watched::new(skip, SLOW_MS));
    let mut shop = Shop::on(Server::watched(&watched)).await;
    let mut counter = shop.counter(21).await;
    let found = Arc::new(Mutex::new(Found::default()));
    let (ines, into, folder) = (shop.ines.clone(), found.clone(), watched.clone());
    counter.watch = Watch::with(move |sent| {
        let mut found = into.lock().expect("what was found");
        if found.lost.iter().any(|l| l.starts_with(wanted)) {
            return;
        }
        // First of all, before anything else is synced.
        let survivors = folder.survivors();
        let lost = tokio::task::block_in_place(|| Handle::current().block_on(lost(&survivors, sent, &ines)));
        found.cuts += 1;
        found.looked_for += sent.len();
        found.lost.extend(lost);
    });
    let mut intake = counter.intake("0021");
    for step in counter.steps() {
        counter.step(&mut intake, &step).await.expect("an answer");
        if found.lock().expect("what was found").lost.iter().any(|l| l.starts_with(wanted)) {
            break;
        }
    }
    counter.watch = Watch::default();
    shop.server.kill();
    let found = std::mem::take(&mut *found.lock().expect("what was found"));
    let what = skip.map_or("every sync".to_owned(), |s| format!("without {s:?}"));
    println!("{what}: {} cuts, {} things looked for, {} lost", found.cuts, found.looked_for, found.lost.len());
    found
}

#[tokio::test(flavor = "multi_thread")]
async fn nothing_acknowledged_is_lost() {
    let found = cut_after_every_answer(None, "anything").await;
    assert_eq!(found.lost, [""; 0]);
    assert!(found.cuts >= 30 && found.looked_for >= 465, "too little was looked at: {found:?}");
}

#[tokio::test(flavor = "multi_thread")]
async fn files_that_are_not_synced_are_missed() {
    let found = cut_after_every_answer(Some(Skip::File), "file ").await;
    assert!(found.lost.iter().any(|l| l.starts_with("file ")), "{found:?}");
}

#[tokio::test(flavor = "multi_thread")]
async fn names_that_are_not_synced_are_missed() {
    let found = cut_after_every_answer(Some(Skip::Dir), "file ").await;
    assert!(found.lost.iter().any(|l| l.starts_with("file ")), "{found:?}");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_log_that_is_not_synced_is_missed() {
    let found = cut_after_every_answer(Some(Skip::Wal), "entry ").await;
    assert!(found.lost.iter().any(|l| l.starts_with("entry ")), "{found:?}");
}
