//! Told to stop (SIGTERM), the server ends live streams and idle connections at once, answers what is under way, and
//! exits with status 0: nobody waits for the grace period, and nothing that was being sent is lost.

use std::time::Duration;

use evidence::digest::Digest;
use tests::ask::{Actor, Answer};
use tests::counter::{Counter, content_digest};
use tests::picture;
use tests::seeded::Seeded;
use tests::server::{self, How, Server};
use tests::shop::Shop;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio::time::timeout;

/// Far above what it takes, and below the 30 s for which a stop waits for those who do not end.
const SOON: Duration = Duration::from_secs(15);

/// Reads until what was read contains `mark`.
async fn read_to(line: &mut TcpStream, mark: &str) -> String {
    let mut read = Vec::new();
    while !String::from_utf8_lossy(&read).contains(mark) {
        let mut piece = [0; 4096];
        let n = line.read(&mut piece).await.expect("an answer");
        assert!(n > 0, "the connection ended before {mark:?}: {}", String::from_utf8_lossy(&read));
        read.extend_from_slice(&piece[..n]);
    }
    String::from_utf8_lossy(&read).into_owned()
}

/// Reads to the end of the connection.
async fn read_out(line: &mut TcpStream) -> String {
    let mut read = Vec::new();
    timeout(SOON, line.read_to_end(&mut read)).await.expect("an end, soon").expect("a clean end");
    String::from_utf8_lossy(&read).into_owned()
}

#[tokio::test(flavor = "multi_thread")]
async fn a_stop_ends_what_is_idle_and_answers_what_is_under_way() {
    let home = tempfile::Builder::new().prefix("counterfoil-stop-").tempdir().expect("a temporary folder");
    let data = home.path().join("data");
    let mut shop = Shop::on(Server::over(&data, &How::default())).await;
    let mut counter = shop.counter(31).await;
    let mut intake = counter.intake("0031");
    counter.open(&mut intake).await.expect("an answer");
    let photo = picture::sharp(31);
    counter.name(&mut intake, Some("bar-side"), &photo).await.expect("an answer");
    let (host, cookie) = (shop.server.host().to_owned(), shop.ravi.cookie().to_owned());
    let open = async || TcpStream::connect(&host).await.expect("a connection");

    // Opened and never used, as browsers do; opened, used and kept; a live stream.
    let mut unused = open().await;
    let mut idle = open().await;
    idle.write_all(format!("GET /v1 HTTP/1.1\r\nHost: {host}\r\n\r\n").as_bytes()).await.expect("a request");
    read_to(&mut idle, "\"client_minimum\"").await;
    let mut stream = open().await;
    let path = shop.ravi.path("/stream");
    let ask = format!("GET {path} HTTP/1.1\r\nHost: {host}\r\nCookie: {cookie}\r\n\r\n");
    stream.write_all(ask.as_bytes()).await.expect("a request");
    read_to(&mut stream, "event: hello").await;

    // Under way: the head was read (it says "continue"), half the bytes are sent.
    let digest = Digest::of(&photo);
    let path = shop.ravi.path(&format!("/files/{}", digest.hex()));
    let head = format!(
        "PUT {path} HTTP/1.1\r\nHost: {host}\r\nCookie: {cookie}\r\nCounterfoil-Client: web/1\r\n\
         Content-Digest: {}\r\nContent-Length: {}\r\nExpect: 100-continue\r\n\r\n",
        content_digest(&digest),
        photo.len()
    );
    let mut upload = open().await;
    upload.write_all(head.as_bytes()).await.expect("a head");
    read_to(&mut upload, "100 Continue\r\n\r\n").await;
    let (first, second) = photo.split_at(photo.len() / 2);
    upload.write_all(first).await.expect("half a photo");

    shop.server.tell_to_stop();
    // Their ends say that it is stopping.
    read_out(&mut stream).await;
    read_out(&mut idle).await;
    read_out(&mut unused).await;
    // Whoever came before the door was shut is sent away as well; then nobody comes in.
    let shut = timeout(SOON, async {
        while let Ok(mut late) = TcpStream::connect(&host).await {
            let _ = late.read_to_end(&mut Vec::new()).await;
        }
    });
    shut.await.expect("it still takes new connections");

    upload.write_all(second).await.expect("the other half");
    let answer = read_out(&mut upload).await;
    assert!(answer.starts_with("HTTP/1.1 200"), "{answer}");
    assert!(answer.contains(&digest.to_string()), "{answer}");

    let ended = timeout(SOON, tokio::task::spawn_blocking(move || (shop.server.ended(), shop.ravi)));
    let (status, ravi) = ended.await.expect("an end, soon").expect("the wait for it");
    assert!(status.success(), "{status:?}");
    let checked = server::check(&data);
    assert!(checked.sound, "{}", checked.said);
    let again = Server::over(&data, &How::default());
    let kept: Answer = ravi.at(&again.address).get(&path).send().await;
    assert_eq!(Digest::of(&kept.expect(200).body), digest);
    // It was judged before the end, too: what follows an answer is waited for.
    let counter = Counter::of(ravi.at(&again.address), Seeded::new(32)).await;
    let view = counter.staff.get(&ravi.path(&format!("/intakes/{}", intake.id))).send().await.expect(200).text();
    assert!(view.contains("usable"), "{view}");
}

/// A second server would take away what the first one is just receiving.
#[tokio::test]
async fn a_folder_with_its_own_database_is_served_once() {
    let home = tempfile::Builder::new().prefix("counterfoil-stop-").tempdir().expect("a temporary folder");
    let (data, how) = (home.path().join("data"), How::default().sqlite());
    let mut first = Server::over(&data, &how);
    let said = Server::try_over(&data, &how).expect_err("a refusal");
    assert!(said.contains("another Counterfoil serves the folder"), "{said}");
    assert_eq!(first.anonymous().get("/v1").send().await.status, 200, "the first one goes on");
    // However it ended, the next one serves.
    first.kill();
    assert!(Server::over(&data, &how).stop().success());
}
