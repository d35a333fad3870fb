//! The network between two servers and their database is cut, again and again: connections reset in the middle of a statement and on both
//! sides of a commit, bytes swallowed for a while both ways or one, connections refused. Work goes on through both servers. Nothing
//! acknowledged is lost, nothing is there twice, nobody waits for ever, and both servers are well again by themselves.
//! 7 cuts and 1 frozen commit; 105 and 5 in the long form.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use cluster::Cluster;
use evidence::digest::Digest;
use evidence::entry::Entry;
use serde_json::{Value, json};
use tests::ask::{Actor, Anonymous, CookieStaff};
use tests::counter::{Acknowledged, Counter};
use tests::cut::{Cut, State, Then, When};
use tests::engine;
use tests::picture;
use tests::record;
use tests::seeded::Seeded;
use tests::server::{self, How, Server};
use tests::shop::Shop;
use tests::two::{insist, no_two_with_one_index, opening};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio::task::{JoinHandle, JoinSet};

/// No answer takes longer, whatever the line does; only a fault reaches it.
const BOUND: Duration = Duration::from_secs(30);

/// Two servers over one folder and one database, each by a line of its own.
struct Lined {
    servers: [Server; 2],
    direct: String,
    lines: [Cut; 2],
    ines: CookieStaff,
    ravi: CookieStaff,
    // Last: what a server logged is read when it goes.
    _cluster: Cluster,
    home: tempfile::TempDir,
}

async fn lined() -> Lined {
    let home = tempfile::Builder::new().prefix("counterfoil-cut-").tempdir().expect("a temporary folder");
    let data = home.path().join("data");
    let cluster = tokio::task::spawn_blocking(Cluster::start).await.expect("a cluster");
    let direct = cluster.database();
    let lines = [Cut::to(cluster.folder()).await, Cut::to(cluster.folder()).await];
    let how = How::default().arg("--operations").arg("127.0.0.1:0");
    let by = |line: &Cut| {
        let address = direct.split('?').next().expect("an address");
        format!("{}?line_timeout_ms=1500", address.replace("@localhost/", &format!("@127.0.0.1:{}/", line.port)))
    };
    engine::use_database(&data, &by(&lines[0]));
    let Shop { server: one, ines, ravi, .. } = Shop::on(Server::over(&data, &how)).await;
    engine::use_database(&data, &by(&lines[1]));
    let two = Server::over(&data, &how);
    // Whoever checks later does so by no line.
    engine::use_database(&data, &direct);
    Lined { home, _cluster: cluster, direct, servers: [one, two], lines, ines, ravi }
}

impl Lined {
    fn at_both(&self, who: &CookieStaff) -> [CookieStaff; 2] {
        [who.at(&self.servers[0].address), who.at(&self.servers[1].address)]
    }

    fn beside(&self, server: usize) -> Anonymous {
        Anonymous::at(self.servers[server].operations.as_deref().expect("an address of its own"))
    }

    /// Both are ready and tell one head, which the log has; everything acknowledged is there once, and nothing else that people said.
    async fn nothing_is_lost_or_twice(&self, all: &Acknowledged) {
        no_two_with_one_index(all);
        let mut heads = Vec::new();
        for (n, ines) in self.at_both(&self.ines).iter().enumerate() {
            assert_eq!(self.beside(n).get("/readyz").send().await.expect(200).json()["ready"], true);
            heads.push(ines.get(&ines.path("/checkpoint")).send().await.expect(200).text());
            assert_eq!(all.missing(ines).await, [""; 0]);
        }
        assert_eq!(heads[0], heads[1]);
        let log = record::log(&self.at_both(&self.ines)[1]).await.expect("the log");
        let mut said = BTreeMap::new();
        for (index, bytes) in &log {
            let entry = Entry::parse(bytes).expect("an entry");
            assert_eq!(said.insert(entry.said.id, index), None, "entry {index} is there twice");
            let by_people =
                entry.said.intake.is_some() && !["photo-received", "photo-judged"].contains(&&*entry.said.kind);
            let digest = entry.said.digest().expect("a digest").to_string();
            assert!(!by_people || all.entries.contains(&(*index, digest)), "entry {index} was acknowledged to nobody");
        }
    }

    fn end(mut self) -> String {
        for server in &mut self.servers {
            assert!(server.stop().success(), "{}", server.log());
        }
        let checked = server::check(&self.home.path().join("data"));
        assert!(checked.sound, "{}", checked.said);
        checked.said
    }
}

/// Sends a photo until it is held; tells how often it was asked to come again.
async fn insist_on_photo(counter: &mut Counter, sent: &mut Acknowledged, bytes: &[u8], to: &[CookieStaff]) -> usize {
    for asked in 0.. {
        counter.staff = to[asked % to.len()].clone();
        let Ok(answer) = counter.put(bytes).await else { continue };
        match answer.status.as_u16() {
            503 => assert!(answer.header("retry-after").is_some(), "{}", answer.text()),
            200 => {
                sent.files.push(Digest::of(bytes).hex());
                return asked;
            }
            _ => panic!("{}", answer.text()),
        }
    }
    unreachable!("asked for ever")
}

/// Opens a machine with a tag that somebody else wants too, describes it and photographs it, at whichever server answers. Tells what
/// was acknowledged, whether the tag was got, and how often it was asked to come again.
async fn work(mut counter: Counter, to: Vec<CookieStaff>, tag: String, seed: u64) -> (Acknowledged, bool, usize) {
    let mut intake = counter.intake(&tag);
    let body = opening(&counter, &tag);
    let (status, mut again) = insist(&mut counter, &mut intake, "intake-opened", body, &to).await;
    let won = status == 201;
    if !won {
        // Somebody else's: another is wired on.
        assert_eq!(status, 409, "{tag}");
        intake = counter.intake(&format!("{tag}B"));
        let body = opening(&counter, &intake.tag);
        let (status, asked) = insist(&mut counter, &mut intake, "intake-opened", body, &to).await;
        assert_eq!(status, 201, "{tag} again");
        again += asked;
    }
    for field in ["make", "model", "serial"] {
        let body = json!({"field": field, "value": tag, "from": "typed"});
        let (status, asked) = insist(&mut counter, &mut intake, "machine-described", body, &to).await;
        assert_eq!(status, 201, "{tag} {field}");
        again += asked;
    }
    let photo = picture::sharp(seed);
    let taken = json!({"photo": counter.uuid(), "file": Digest::of(&photo).to_string(), "size": photo.len(),
        "stage": "received", "view": "bar-side"});
    let (status, asked) = insist(&mut counter, &mut intake, "photo-taken", taken, &to).await;
    assert_eq!(status, 201, "{tag} photo");
    again += asked;
    again += insist_on_photo(&mut counter, &mut intake.sent, &photo, &to).await;
    (intake.sent, won, again)
}

/// Follows a server's stream as a page does: broken off, it comes again and says what it saw last.
fn follow(server: &Server, who: &CookieStaff) -> (Arc<Mutex<Vec<u64>>>, JoinHandle<()>) {
    let (host, path, cookie) = (server.host().to_owned(), who.path("/stream"), who.cookie().to_owned());
    let told = Arc::new(Mutex::new(Vec::new()));
    let kept = told.clone();
    let task = tokio::spawn(async move {
        loop {
            let last = kept.lock().expect("no panic").last().copied();
            let since = last.map(|last: u64| format!("Last-Event-ID: {last}\r\n")).unwrap_or_default();
            let ask = format!("GET {path} HTTP/1.1\r\nHost: {host}\r\nCookie: {cookie}\r\n{since}\r\n");
            let Ok(mut line) = TcpStream::connect(&host).await else { return };
            if line.write_all(ask.as_bytes()).await.is_err() {
                continue;
            }
            let (mut read, mut piece) = (Vec::new(), [0; 4096]);
            while let Ok(n @ 1..) = line.read(&mut piece).await {
                read.extend_from_slice(&piece[..n]);
                while let Some(end) = read.iter().position(|b| *b == b'\n') {
                    let row: Vec<u8> = read.drain(..=end).collect();
                    let row = String::from_utf8_lossy(&row).into_owned();
                    if let Some(index) = row.strip_prefix("id: ") {
                        kept.lock().expect("no panic").push(index.trim().parse().expect("an index"));
                    }
                }
            }
        }
    });
    (told, task)
}

/// At a server whose line is cut: an answer comes, and says when to come again. Then `/readyz` says why it is not ready.
async fn told_to_come_again(at: &CookieStaff, beside: &Anonymous) {
    let answer = tokio::time::timeout(BOUND, at.get(&at.path("/intakes")).send()).await.expect("an answer in time");
    assert_eq!(answer.gist(), "503 busy");
    assert!(answer.header("retry-after").is_some(), "{}", answer.text());
    let ready = tokio::time::timeout(BOUND, beside.get("/readyz").send()).await.expect("an answer in time");
    let said: Value = ready.expect(503).json();
    assert!(said["reasons"].to_string().contains("the database does not answer"), "{said}");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_line_to_the_database_is_cut_again_and_again_and_nothing_is_lost() {
    let both = lined().await;
    let before = record::log(&both.at_both(&both.ines)[0]).await.expect("the log").len() as u64;
    let followed: Vec<_> = (0..2).map(|n| follow(&both.servers[n], &both.at_both(&both.ines)[n])).collect();
    let rounds: u64 = if tests::long() { 105 } else { 7 };
    let (mut all, mut again, mut random) = (Acknowledged::default(), 0, Seeded::new(0xc07));
    for round in 0..rounds {
        let (hurt, line) = ((round % 2) as usize, &both.lines[(round % 2) as usize]);
        let to = both.at_both(&both.ravi);
        let mut counters = Vec::new();
        for person in 0..6u64 {
            // Pairs want the same tag, one at each server.
            let to = if person % 2 == 0 { to.to_vec() } else { vec![to[1].clone(), to[0].clone()] };
            counters.push((Counter::of(to[0].clone(), Seeded::new(random.number())).await, to, person));
        }
        let said = When::Said(random.below(60));
        match round % 7 {
            0 => line.set(said, Then::Reset),
            1 => line.set(When::Commit, Then::Reset),
            2 => line.set(When::Commit, Then::AnswerLost),
            3 => line.set(said, Then::All(State::Hole)),
            4 => line.set(said, Then::All(State::DeafUp)),
            5 => line.set(said, Then::All(State::DeafDown)),
            _ => line.set(said, Then::All(State::Refused)),
        }
        let mut people = JoinSet::new();
        for (counter, to, person) in counters {
            people.spawn(work(counter, to, format!("{round:03}{}", person / 2), 100 * round + person));
        }
        tokio::time::timeout(BOUND, line.met(round / 2 + 1)).await.expect("the trap is met");
        if round % 7 > 2 {
            told_to_come_again(&to[hurt], &both.beside(hurt)).await;
            line.be(State::Good);
        }
        let ended = tokio::time::timeout(2 * BOUND, people.join_all()).await.expect("they go on");
        let got = ended.iter().filter(|(_, got, _)| *got).count();
        assert_eq!(got, 3, "each tag was got by one of two");
        for (sent, _, asked) in ended {
            all.add(&sent);
            again += asked;
        }
    }
    both.nothing_is_lost_or_twice(&all).await;
    // What either stream told: each once, in order, to the end of the log.
    let whole = record::log(&both.at_both(&both.ines)[0]).await.expect("the log").len() as u64;
    for (told, task) in followed {
        let caught_up = async {
            while told.lock().expect("no panic").len() as u64 + before < whole {
                tokio::task::yield_now().await;
            }
        };
        tokio::time::timeout(BOUND, caught_up).await.expect("the stream catches up");
        task.abort();
        assert_eq!(
            *told.lock().expect("no panic"),
            (before..whole).collect::<Vec<_>>(),
            "each once, in the log's order"
        );
    }
    println!(
        "{rounds} cuts; {} entries and photos acknowledged and there, {again} asked again; {}",
        all.len(),
        both.end()
    );
}

#[tokio::test(flavor = "multi_thread")]
async fn a_shop_s_head_that_a_dead_line_holds_is_let_go() {
    let both = lined().await;
    let rounds: u64 = if tests::long() { 5 } else { 1 };
    let mut all = Acknowledged::default();
    for round in 0..rounds {
        let [here, there] = both.at_both(&both.ravi);
        let mut counter = Counter::of(here.clone(), Seeded::new(2 * round)).await;
        let mut other = Counter::of(there.clone(), Seeded::new(2 * round + 1)).await;
        let mut intake = counter.intake(&format!("F{round}"));
        // The commit is swallowed, and the database waits for it with the head locked.
        let id = intake.id.to_string().into_bytes().try_into().expect("36 letters");
        both.lines[0].set(When::CommitAbout(id), Then::Frozen);
        let saying = counter.saying(&intake, "intake-opened", opening(&counter, &intake.tag), &[]);
        let frozen = tokio::spawn({
            let (counter, saying) = (counter.clone(), saying.clone());
            async move { counter.post(&saying).await }
        });
        both.lines[0].met(round + 1).await;
        let held = "SELECT count(*) FROM pg_stat_activity WHERE state = 'idle in transaction' AND query NOT LIKE '%pg_advisory%'";
        assert_ne!(cluster::run("psql", &["-Atc", held, "-d"], &both.direct).trim(), "0", "the head is held");
        // The other server is told to come again, and then it has the head.
        let mut theirs = other.intake(&format!("G{round}"));
        let body = opening(&other, &theirs.tag);
        let to = [there];
        let insisted = insist(&mut other, &mut theirs, "intake-opened", body, &to);
        let (status, asked) = tokio::time::timeout(2 * BOUND, insisted).await.expect("the head is let go");
        assert_eq!(status, 201, "asked again {asked} times");
        // Who spoke to the dead line was answered, and says the same again.
        let answer = tokio::time::timeout(BOUND, frozen).await.expect("an answer in time").expect("no panic");
        let answer = answer.expect("an answer");
        assert_eq!(answer.gist(), "503 busy", "the commit never came");
        assert!(answer.header("retry-after").is_some());
        intake.note(&saying, counter.post(&saying).await.expect("an answer").expect(201));
        all.add(&intake.sent);
        all.add(&theirs.sent);
        both.lines[0].be(State::Good);
    }
    both.nothing_is_lost_or_twice(&all).await;
    println!("{rounds} frozen commits; {}", both.end());
}
