//! What whoever runs the program asks of it, on an address of its own: alive, ready and why not, numbers that a monitor reads.

use tests::ask::{Actor, Anonymous};
use tests::server::{How, Server};
use tests::shop::Shop;

#[tokio::test]
async fn it_says_that_it_is_ready_and_why_not_and_counts() {
    let server = Server::start_as(&How::default().arg("--operations").arg("127.0.0.1:0"));
    let beside = Anonymous::at(server.operations.as_deref().expect("an address of its own"));
    let mut shop = Shop::on(server).await;
    shop.counter(91).await.take_in("0417").await.expect("answers");
    assert_eq!(beside.get("/healthz").send().await.expect(200).json()["alive"], true);
    assert_eq!(beside.get("/readyz").send().await.expect(200).json()["reasons"], serde_json::json!([]));
    let told = beside.get("/metrics").send().await;
    let text = told.expect(200).text();
    let said = |line: &str| text.lines().any(|l| l.starts_with(line));
    assert!(said("counterfoil_requests_total{route=\"/v1/shops/{shop}/entries\",status=\"201\"} "), "{text}");
    assert!(said(&format!("counterfoil_log_entries{{shop=\"{}\"}} ", shop.id)), "{text}");
    for secret in ["0417", "Okafor", "Ines"] {
        assert!(!text.contains(secret), "{secret} is in the numbers");
    }
    // Nobody finds them at the shop's own address.
    for path in ["/metrics", "/readyz"] {
        let page = shop.server.anonymous().get(path).send().await;
        assert!(!page.text().contains("counterfoil_") && !page.text().contains("reasons"), "{path} is open to all");
    }

    // A folder that takes no more writes: not ready, with the reason; alive all the same.
    let root = shop.server.data().join("shops");
    let probe = root.join(".probe");
    std::fs::create_dir(&probe).expect("what stands in the way of a write");
    let not = beside.get("/readyz").send().await.expect(503).json();
    assert!(not["reasons"][0].as_str().is_some_and(|r| r.contains("originals cannot be written")), "{not}");
    assert_eq!(beside.get("/healthz").send().await.status.as_u16(), 200);
    std::fs::remove_dir(&probe).expect("it is taken away");
    beside.get("/readyz").send().await.expect(200);
    assert!(shop.server.stop().success(), "{}", shop.server.log());
}

#[tokio::test]
async fn it_leaves_while_it_still_serves_and_stops_at_once_when_told_again() {
    let how = How::default().arg("--operations").arg("127.0.0.1:0").arg("--leaving-s").arg("3600");
    let mut server = Server::start_as(&how);
    let beside = Anonymous::at(server.operations.as_deref().expect("an address of its own"));
    beside.get("/readyz").send().await.expect(200);
    server.tell_to_stop();
    let leaving = loop {
        let answer = beside.get("/readyz").send().await;
        if answer.status.as_u16() == 503 {
            break answer.json();
        }
    };
    assert_eq!(leaving["reasons"][0], "it was told to stop", "{leaving}");
    server.anonymous().get("/v1").send().await.expect(200);
    assert!(server.stop().success(), "{}", server.log());
}
