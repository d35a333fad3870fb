//! Two servers over one database (PostgreSQL) and one folder, and people who work at both.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use serde_json::{Value, json};
use tempfile::TempDir;

use crate::ask::CookieStaff;
use crate::counter::{Counter, Intake};
use crate::engine;
use crate::record::Acknowledged;
use crate::server::{self, How, Server};
use crate::shop::Shop;

/// A shop with two servers over its folder and database.
#[derive(Debug)]
pub struct Two {
    home: TempDir,
    /// One server.
    pub one: Server,
    /// The other.
    pub two: Server,
    /// The owner.
    pub ines: CookieStaff,
    /// Who works at the counter.
    pub ravi: CookieStaff,
    /// Who works at the bench.
    pub bo: CookieStaff,
}

impl Two {
    /// Over a fresh database.
    ///
    /// # Panics
    /// When it does not come up.
    pub async fn new() -> Two {
        Two::over(None, &How::default()).await
    }

    /// Over a database of this address, or a fresh one; the second server told how.
    ///
    /// # Panics
    /// When it does not come up.
    pub async fn over(address: Option<&str>, second: &How) -> Two {
        let home = tempfile::Builder::new().prefix("counterfoil-two-").tempdir().expect("a temporary folder");
        let data = home.path().join("data");
        if let Some(address) = address {
            engine::use_database(&data, address);
        }
        let Shop { server, ines, ravi, bo, .. } = Shop::on(Server::over(&data, &How::default().postgres())).await;
        let two = Server::over(&data, second);
        Two { home, one: server, two, ines, ravi, bo }
    }

    /// Their folder.
    pub fn data(&self) -> PathBuf {
        self.home.path().join("data")
    }

    /// Somebody at the first server, and at the second.
    pub fn at_both(&self, who: &CookieStaff) -> [CookieStaff; 2] {
        [who.at(&self.one.address), who.at(&self.two.address)]
    }

    /// Stops both, and looks for faults: among others each published checkpoint against the log, which shows a fork.
    ///
    /// # Panics
    /// When there is one.
    pub fn end(mut self) -> String {
        for server in [&mut self.one, &mut self.two] {
            assert!(server.stop().success(), "{}", server.log());
        }
        let checked = server::check(&self.data());
        assert!(checked.sound, "{}", checked.said);
        checked.said
    }
}

/// Says something until it is kept; a refusal ends it. Tells how often it was asked to come again.
///
/// # Panics
/// When it is sent away without being told for how long.
pub async fn insist(
    counter: &mut Counter,
    intake: &mut Intake,
    kind: &str,
    body: Value,
    to: &[CookieStaff],
) -> (u16, usize) {
    let saying = counter.saying(intake, kind, body, &[]);
    for asked in 0.. {
        counter.staff = to[asked % to.len()].clone();
        let Ok(answer) = counter.post(&saying).await else { continue };
        match answer.status.as_u16() {
            503 => assert!(answer.header("retry-after").is_some(), "{}", answer.text()),
            200 | 201 => {
                intake.note(&saying, &answer);
                return (201, asked);
            }
            status => return (status, asked),
        }
    }
    unreachable!("asked for ever")
}

/// What an opening at the counter says.
pub fn opening(counter: &Counter, tag: &str) -> Value {
    json!({"kind": counter.kind["digest"], "kind_id": "chainsaw", "tag": tag, "how": "at counter"})
}

/// Every acknowledged entry by index: two with one index would be a fork.
///
/// # Panics
/// When there are.
pub fn no_two_with_one_index(all: &Acknowledged) {
    let mut seen = BTreeMap::new();
    for (index, digest) in &all.entries {
        assert_eq!(seen.entry(index).or_insert(digest), &digest, "entry {index} was acknowledged as two");
    }
}

/// Opens so many machines and says things about them, at whichever server answers. Gives what was acknowledged, and how often
/// it was asked to come again.
///
/// # Panics
/// When something is refused.
pub async fn keep_on(counter: Counter, to: Vec<CookieStaff>, tags: String, most: usize) -> (Acknowledged, usize) {
    work(counter, to, tags, move |n| n < most).await
}

/// The same until it is over, so that work is under way until then however quick the servers are.
///
/// # Panics
/// When something is refused.
pub async fn keep_on_until(
    counter: Counter,
    to: Vec<CookieStaff>,
    tags: String,
    over: Arc<AtomicBool>,
) -> (Acknowledged, usize) {
    work(counter, to, tags, move |_| !over.load(Ordering::Relaxed)).await
}

async fn work(
    mut counter: Counter,
    to: Vec<CookieStaff>,
    tags: String,
    goes_on: impl Fn(usize) -> bool,
) -> (Acknowledged, usize) {
    let (mut sent, mut again) = (Acknowledged::default(), 0);
    for n in (0..).take_while(|n| goes_on(*n)) {
        let tag = format!("{tags}{n:04}");
        let mut intake = counter.intake(&tag);
        let body = opening(&counter, &tag);
        let (status, asked) = insist(&mut counter, &mut intake, "intake-opened", body, &to).await;
        assert_eq!(status, 201, "{tag}");
        again += asked;
        for field in ["make", "model"] {
            let body = json!({"field": field, "value": tag, "from": "typed"});
            let (status, asked) = insist(&mut counter, &mut intake, "machine-described", body, &to).await;
            assert_eq!(status, 201, "{tag} {field}");
            again += asked;
        }
        sent.add(&intake.sent);
    }
    (sent, again)
}
