//! The server is killed (`kill -9`) at seeded moments while several people at the counter take machines in, and started
//! again over the same folder: nothing acknowledged is missing, and `counterfoil check` finds nothing wrong.
//!
//! A moment is a number of acknowledged things, then a race of some microseconds against what is under way, or a
//! number of bytes of an upload. 12 rounds, 200 in the long form.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

use evidence::digest::Digest;
use tests::ask::{Actor, CookieStaff};
use tests::counter::{Acknowledged, Counter, Intake, Watch, content_digest};
use tests::engine;
use tests::picture;
use tests::seeded::Seeded;
use tests::server::{self, How, Server};
use tests::shop::Shop;
use tokio::io::AsyncWriteExt;
use tokio::net::TcpStream;
use tokio::sync::Notify;
use tokio::task::JoinSet;

/// People at the counter, besides the one who uploads.
const COUNTERS: u64 = 3;

/// What all of them were told together, and a bell when it is enough.
struct Told {
    things: AtomicU64,
    enough: u64,
    bell: Notify,
}

impl Told {
    fn one(&self) {
        if self.things.fetch_add(1, Ordering::SeqCst) + 1 == self.enough {
            self.bell.notify_one();
        }
    }
}

/// How somebody's work ended: what was acknowledged, and whether a request was under way.
struct Ended {
    sent: Acknowledged,
    inside: bool,
}

/// Takes machines in until the server is gone.
async fn work(mut counter: Counter, tags: String, told: Arc<Told>) -> Ended {
    let mut ended = Ended { sent: Acknowledged::default(), inside: false };
    let bell = told.clone();
    counter.watch = Watch::with(move |_| bell.one());
    for n in 0.. {
        let mut intake = counter.intake(&format!("{tags}{n:02}"));
        for step in counter.steps() {
            let Err(broken) = counter.step(&mut intake, &step).await else { continue };
            ended.sent.add(&intake.sent);
            // Who could not even reach it was between two requests.
            ended.inside = !broken.is_connect();
            return ended;
        }
        ended.sent.add(&intake.sent);
    }
    ended
}

/// An upload that stops in its middle: the connection is held open until the server is gone.
struct Half {
    photo: Vec<u8>,
    intake: Intake,
    line: TcpStream,
}

/// Names a photo and sends some of its bytes.
async fn half_an_upload(counter: &mut Counter, server: &Server, tag: &str) -> Half {
    let mut intake = counter.intake(tag);
    counter.open(&mut intake).await.expect("an answer");
    let photo = picture::sharp(counter.random.number());
    counter.name(&mut intake, Some("bar-side"), &photo).await.expect("an answer");
    let bytes = 1 + counter.random.below(photo.len() as u64 - 1) as usize;
    let mut line = TcpStream::connect(server.host()).await.expect("a connection");
    let digest = Digest::of(&photo);
    let head = format!(
        "PUT {} HTTP/1.1\r\nHost: {}\r\nCookie: {}\r\nCounterfoil-Client: web/1\r\nContent-Digest: {}\r\n\
         Content-Length: {}\r\n\r\n",
        counter.staff.path(&format!("/files/{}", digest.hex())),
        server.host(),
        counter.staff.cookie(),
        content_digest(&digest),
        photo.len()
    );
    line.write_all(head.as_bytes()).await.expect("the head is sent");
    line.write_all(&photo[..bytes]).await.expect("some bytes are sent");
    Half { photo, intake, line }
}

/// What a round shows.
struct Round {
    sent: Acknowledged,
    inside: bool,
    half: Option<Half>,
}

/// Everybody works until the seeded moment; then the server is killed.
async fn round(mut server: Server, ravi: &CookieStaff, number: u64) -> Round {
    let mut random = Seeded::new(0x6b11 + number);
    let told = Arc::new(Told { things: AtomicU64::new(0), enough: 1 + random.below(70), bell: Notify::new() });
    let ravi = ravi.at(&server.address);
    let mut people = JoinSet::new();
    for person in 0..COUNTERS {
        let counter = Counter::of(ravi.clone(), Seeded::new(random.number())).await;
        people.spawn(work(counter, format!("{number:03}{person}"), told.clone()));
    }
    let mut uploader = Counter::of(ravi, Seeded::new(random.number())).await;
    let half = match number % 3 {
        0 => Some(half_an_upload(&mut uploader, &server, &format!("{number:03}9")).await),
        _ => None,
    };
    if half.is_none() {
        told.bell.notified().await;
        // The server ends only by our hand, so the race is always lost; it puts the kill into the middle of something.
        let race = Duration::from_micros(random.below(20_000));
        assert!(tokio::time::timeout(race, people.join_next()).await.is_err(), "somebody's work ended by itself");
    }
    server.kill();
    let mut out = Round { sent: Acknowledged::default(), inside: half.is_some(), half };
    while let Some(ended) = people.join_next().await {
        let ended = ended.expect("somebody's work");
        out.sent.add(&ended.sent);
        out.inside |= ended.inside;
    }
    if let Some(half) = &out.half {
        out.sent.add(&half.intake.sent);
    }
    out
}

/// Uploads that were being written when the server was killed. Names only, and only here: elsewhere a server that has
/// just started is at work.
fn half_written(originals: &Path) -> usize {
    let names = |folder: &Path| -> Vec<PathBuf> {
        let Ok(entries) = std::fs::read_dir(folder) else { return Vec::new() };
        entries.map(|e| e.expect("a name").path()).collect()
    };
    let files = names(originals).into_iter().flat_map(|folder| names(&folder));
    files.filter(|f| f.file_name().is_some_and(|n| n.to_string_lossy().starts_with('.'))).count()
}

#[tokio::test(flavor = "multi_thread")]
async fn what_was_acknowledged_outlives_a_kill_at_any_moment() {
    let home = tempfile::Builder::new().prefix("counterfoil-kill-").tempdir().expect("a temporary folder");
    let data = home.path().join("data");
    let Shop { mut server, ines, ravi, id, .. } = Shop::on(Server::over(&data, &How::default())).await;
    let originals = data.join("shops").join(id.to_string()).join("originals");
    let rounds = if tests::long() { 200 } else { 12 };
    let (mut all, mut inside, mut left) = (Acknowledged::default(), 0, 0);
    for number in 0..rounds {
        let done = round(server, &ravi, number).await;
        inside += u64::from(done.inside);
        left += half_written(&originals);
        // Before a start mends anything.
        let checked = server::check(&data);
        assert!(checked.sound, "round {number}: {}", checked.said);

        server = Server::over(&data, &How::default());
        // Where others may serve from the same folder, only what was left lying for long is taken away.
        if !engine::postgres() {
            assert_eq!(half_written(&originals), 0, "round {number}: the start leaves half a file behind");
        }
        assert_eq!(done.sent.missing(&ines.at(&server.address)).await, [""; 0], "round {number}");
        all.add(&done.sent);
        if let Some(Half { photo, mut intake, line }) = done.half {
            drop(line);
            let counter = Counter::of(ravi.at(&server.address), Seeded::new(number)).await;
            let path = ravi.path(&format!("/files/{}", Digest::of(&photo).hex()));
            assert_eq!(counter.staff.get(&path).send().await.gist(), "404 not-found", "half a photo is no photo");
            counter.send(&mut intake, &photo).await.expect("an answer to the whole photo");
            all.files.extend(intake.sent.files);
        }
    }
    assert_eq!(all.missing(&ines.at(&server.address)).await, [""; 0], "after all rounds");
    assert!(server.stop().success(), "{}", server.log());
    let checked = server::check(&data);
    assert!(checked.sound, "{}", checked.said);
    println!(
        "{rounds} kills, {inside} inside a request; {} entries and {} files acknowledged and there; {left} files were half written",
        all.entries.len(),
        all.files.len()
    );
    assert!(inside * 2 > rounds, "too few kills fell inside a request: {inside} of {rounds}");
}
