use actix_web::test::TestRequest;
use serde_json::json;

use crate::access::testing::{Actor, Folder, NOON, PASSWORD, Stage};
use crate::access::{Breached, Settings, further_shop};
use crate::edge::{Clock, Random};

/// SHA-1 of the stories' password, as `sha1sum` says it.
const LATER: &str = "DEFA5FD07985E759A258D279E92CFDE6FF205FB7:17\n";

const DAY: i64 = 24 * 3600 * 1000;

#[actix_web::test]
async fn the_first_start_makes_a_shop_and_an_owner_once_and_says_it_first() {
    let stage = Stage::new(Settings::default()).await;
    assert!(!stage.access.is_set_up().await.expect("database"));
    let ines = stage.with_ines().await;
    assert_eq!(stage.log.kinds(), ["staff-changed", "device-paired"]);
    assert!(stage.access.is_set_up().await.expect("database"));
    assert_eq!(stage.access.set_up_token().await.expect("database"), None);
    let me = stage.ask(ines.get("/v1/sessions/current")).await;
    assert_eq!(me.body["name"], "Ines");
    assert_eq!(me.body["roles"], json!(["owner"]));
    let again = stage.post("/v1/set-up", set_up("x", "EUR")).await;
    assert_eq!((again.status, again.slug()), (409, "refused"));
}

fn set_up(token: &str, currency: &str) -> serde_json::Value {
    json!({"token": token, "shop_name": "Tarn Street Engines", "zone": "Europe/Vienna", "currency": currency,
        "name": "Ines", "sign_in": "ines", "password": PASSWORD})
}

#[actix_web::test]
async fn set_up_needs_the_token_that_was_printed_last_and_can_be_tried_again_after_a_failure() {
    let stage = Stage::new(Settings::default()).await;
    let first = stage.access.set_up_token().await.expect("database").expect("a token");
    let last = stage.access.set_up_token().await.expect("database").expect("a token");
    let wrong = stage.post("/v1/set-up", set_up(&first, "EUR")).await;
    assert_eq!((wrong.status, wrong.slug(), &wrong.body["pointer"]), (403, "may-not", &json!("/token")));
    let invalid = stage.post("/v1/set-up", set_up(&last, "euro")).await;
    assert_eq!((invalid.status, &invalid.body["pointer"]), (422, &json!("/currency")));
    *stage.log.busy.lock().expect("lock") = true;
    assert_eq!(stage.post("/v1/set-up", set_up(&last, "EUR")).await.status, 503);
    *stage.log.busy.lock().expect("lock") = false;
    assert_eq!(stage.post("/v1/set-up", set_up(&last, "EUR")).await.status, 201);
}

#[actix_web::test]
async fn a_link_to_a_further_shop_counts_for_a_day_and_can_be_tried_again_after_a_failure() {
    let stage = Stage::new(Settings { behind_proxy: true, ..Settings::default() }).await;
    let clock = Clock::Set(stage.clock.clone());
    let link = async || further_shop(stage.pool.clone(), &clock, &Random::System).await;
    assert_eq!(link().await.expect_err("nobody is set up").slug, "refused");
    stage.with_ines().await;
    let mut address = 0;
    let mut open = async |token: &str| {
        address += 1;
        let mut body = set_up(token, "EUR");
        body["sign_in"] = json!(format!("nora-{address}"));
        let ask = TestRequest::post().uri("/v1/set-up").insert_header(("x-forwarded-for", format!("10.0.0.{address}")));
        let answer = stage.ask(ask.set_json(body)).await;
        (answer.status, answer.slug().to_owned())
    };
    let token = link().await.expect("a token");
    stage.wait(DAY + 1);
    assert_eq!(open(&token).await, (409, "refused".to_owned()), "a day later");
    let token = link().await.expect("a token");
    stage.wait(DAY);
    *stage.log.busy.lock().expect("lock") = true;
    assert_eq!(open(&token).await.0, 503);
    *stage.log.busy.lock().expect("lock") = false;
    assert_eq!(open(&token).await.0, 201);
    assert_eq!(open(&token).await, (409, "refused".to_owned()), "once");
    // A start prints no link any more, and takes none away.
    let token = link().await.expect("a token");
    assert_eq!(stage.access.set_up_token().await.expect("database"), None);
    assert_eq!(open(&token).await.0, 201);
}

#[actix_web::test]
async fn the_session_cookie_is_out_of_reach_of_scripts_and_other_sites() {
    let stage = Stage::new(Settings { behind_proxy: true, ..Settings::default() }).await;
    stage.with_ines().await;
    let body = json!({"sign_in": "INES", "password": PASSWORD});
    let plain = stage.post("/v1/sessions", body.clone()).await.set_cookie.expect("a cookie");
    assert!(plain.contains("HttpOnly") && plain.contains("SameSite=Strict") && plain.contains("Path=/"), "{plain}");
    assert!(plain.starts_with("counterfoil_session=") && !plain.contains("Secure"), "{plain}");
    let https = TestRequest::post().uri("/v1/sessions").insert_header(("x-forwarded-proto", "https")).set_json(body);
    let secure = stage.ask(https).await.set_cookie.expect("a cookie");
    assert!(secure.starts_with("__Host-counterfoil_session=") && secure.contains("Secure"), "{secure}");
    assert!(secure.contains("Path=/") && !secure.contains("Domain"), "{secure}");

    // Over HTTPS only that name counts: the other one may have been set by a neighbour under the same domain.
    let current = async |cookie: &str| {
        let req = TestRequest::get().uri("/v1/sessions/current").insert_header(("x-forwarded-proto", "https"));
        stage.ask(req.insert_header(("cookie", cookie))).await.status
    };
    let secure = secure.split(';').next().expect("a pair");
    assert_eq!(current(secure).await, 200);
    assert_eq!(current(secure.trim_start_matches("__Host-")).await, 401);
}

#[actix_web::test]
async fn a_password_that_is_tried_first_is_refused_when_it_is_set_and_never_when_it_is_used() {
    let stage = Stage::new(Settings::default()).await;
    let ines = stage.with_ines().await;
    let add = async |sign_in: &str, password: &str| {
        let body = json!({"name": "Ravi Sandhu", "sign_in": sign_in, "password": password, "roles": ["counter"]});
        stage.ask(ines.post(&ines.path("/staff")).set_json(body)).await
    };
    for password in ["password2026", "Tarn Street Engines", "ravi.sandhu-1", "nine char"] {
        let answer = add("ravi", password).await;
        assert_eq!((answer.status, &answer.body["pointer"]), (422, &json!("/password")), "{password}");
    }
    // 64 characters and more, of any kind, taken as they are.
    let long = "Ünverwechselbar 滑雪 ".repeat(5);
    assert_eq!(add("ravi", &long).await.status, 201);
    for (password, status) in [(long.as_str(), 201), (long.trim(), 401), (long.to_uppercase().as_str(), 401)] {
        assert_eq!(stage.post("/v1/sessions", json!({"sign_in": "ravi", "password": password})).await.status, status);
    }
    let change = json!({"password": "counterfoil-ines", "current_password": PASSWORD});
    let own = stage.ask(ines.patch(&ines.path(&format!("/staff/{}", ines.staff))).set_json(change)).await;
    assert_eq!((own.status, &own.body["pointer"]), (422, &json!("/password")));
}

#[actix_web::test]
async fn a_wrong_name_and_a_wrong_password_get_the_same_answer() {
    let stage = Stage::new(Settings::default()).await;
    stage.with_ines().await;
    let mut answers = Vec::new();
    for (name, password) in [("ines", "another password"), ("nobody", PASSWORD)] {
        let answer = stage.post("/v1/sessions", json!({"sign_in": name, "password": password})).await;
        assert_eq!((answer.status, answer.slug()), (401, "not-signed-in"));
        answers.push(answer.body["detail"].clone());
    }
    assert_eq!(answers[0], answers[1]);
}

#[actix_web::test]
async fn a_session_slides_for_thirty_days_and_ends_after_ninety() {
    let stage = Stage::new(Settings::default()).await;
    let ines = stage.with_ines().await;
    let status = async |who: &Actor| stage.ask(who.get("/v1/sessions/current")).await.status;
    for _ in 0..3 {
        stage.wait(29 * DAY);
        assert_eq!(status(&ines).await, 200);
    }
    stage.wait(3 * DAY);
    assert_eq!(status(&ines).await, 401, "90 days after it was made");
    let ines = stage.sign_in("ines").await;
    stage.wait(30 * DAY);
    assert_eq!(status(&ines).await, 401, "30 days after it was used");
    stage.access.tend().await.expect("tended");
}

#[actix_web::test]
async fn signing_out_ends_this_session_and_no_other() {
    let stage = Stage::new(Settings::default()).await;
    let desk = stage.with_ines().await;
    let phone = stage.sign_in("ines").await;
    let out = stage.ask(phone.delete("/v1/sessions/current")).await;
    assert_eq!(out.status, 204);
    assert!(out.set_cookie.expect("a cookie").contains("Max-Age=0"));
    assert_eq!(stage.ask(phone.get("/v1/sessions/current")).await.status, 401);
    assert_eq!(stage.ask(desk.get("/v1/sessions/current")).await.status, 200);
}

#[actix_web::test]
async fn a_cookie_without_our_header_changes_nothing() {
    let stage = Stage::new(Settings::default()).await;
    let ines = stage.with_ines().await;
    let bare = TestRequest::post().uri(&ines.path("/pairings")).insert_header(("cookie", ines.header.1.as_str()));
    let answer = stage.ask(bare.set_json(json!({}))).await;
    assert_eq!((answer.status, answer.slug()), (403, "may-not"));
    let form = ines.post(&ines.path("/pairings")).insert_header(("content-type", "text/plain")).set_payload("{}");
    assert_eq!(stage.ask(form).await.slug(), "malformed");
}

#[actix_web::test]
async fn guessing_a_password_is_slowed_down_by_name_and_told_for_how_long() {
    let stage = Stage::new(Settings::default()).await;
    stage.with_ines().await;
    let wrong = json!({"sign_in": "ines", "password": "a guess"});
    for _ in 0..10 {
        assert_eq!(stage.post("/v1/sessions", wrong.clone()).await.status, 401);
    }
    let answer = stage.post("/v1/sessions", wrong.clone()).await;
    assert_eq!((answer.status, answer.slug(), answer.retry_after.as_deref()), (429, "too-many", Some("15")));
    stage.wait(15_000);
    assert_eq!(stage.post("/v1/sessions", wrong).await.status, 401);
}

#[actix_web::test]
async fn guessing_names_from_one_address_is_slowed_down_too() {
    let stage = Stage::new(Settings::default()).await;
    let from = |n: usize, ip: &str| {
        let body = json!({"sign_in": format!("guess-{n}"), "password": "a guess"});
        TestRequest::post().uri("/v1/sessions").peer_addr(format!("{ip}:1").parse().expect("address")).set_json(body)
    };
    for n in 0..30 {
        assert_eq!(stage.ask(from(n, "192.0.2.1")).await.status, 401);
    }
    assert_eq!(stage.ask(from(30, "192.0.2.1")).await.status, 429);
    assert_eq!(stage.ask(from(31, "192.0.2.2")).await.status, 401);
}

#[actix_web::test]
async fn where_https_is_there_no_password_is_taken_over_plain_http_from_another_machine() {
    let stage = Stage::new(Settings { refuse_plain: true, ..Settings::default() }).await;
    let from = |ip: &str| {
        let req = TestRequest::post().uri("/v1/sessions").peer_addr(format!("{ip}:1").parse().expect("address"));
        req.set_json(json!({"sign_in": "ines", "password": PASSWORD}))
    };
    let answer = stage.ask(from("192.168.1.30")).await;
    assert_eq!((answer.status, answer.slug()), (403, "not-secure"));
    assert_eq!(stage.ask(from("127.0.0.1")).await.status, 401);
    let read = TestRequest::get().uri("/v1/sessions/current").peer_addr("192.168.1.30:1".parse().expect("address"));
    assert_eq!(stage.ask(read).await.slug(), "not-secure");
}

#[actix_web::test]
async fn a_body_that_is_too_large_is_not_read() {
    let stage = Stage::new(Settings::default()).await;
    let body = json!({"sign_in": "x".repeat(70_000), "password": "x"});
    assert_eq!(stage.post("/v1/sessions", body).await.status, 413);
    assert!(stage.clock.load(std::sync::atomic::Ordering::SeqCst) == NOON);
}

#[actix_web::test]
async fn a_password_known_from_a_breach_is_refused_when_it_is_set_and_never_when_it_is_used() {
    let folder = Folder::new();
    // SHA-1 of "wet rope and a lamp" as `sha1sum` says it, between others.
    let mut lines = [
        format!("{}:3861493", "0".repeat(40)),
        format!("{}:1", "F".repeat(40)),
        "CDE4EF484C1584AAECDEBEAA4FA37F90DB06A2E3:2".to_owned(),
        "CDE4EF484C1584AAECDEBEAA4FA37F90DB06A2E0:2".to_owned(),
    ];
    lines.sort();
    std::fs::write(folder.0.join("breached-passwords.txt"), lines.join("\r\n")).expect("a file");
    let breached = Breached::find(None, &folder.0).expect("a list");
    let stage = Stage::new(Settings { breached, ..Settings::default() }).await;
    let ines = stage.with_ines().await;
    let known = "wet rope and a lamp";
    let body = json!({"name": "Ravi", "sign_in": "ravi", "password": known, "roles": ["counter"]});
    let add = stage.ask(ines.post(&ines.path("/staff")).set_json(body)).await;
    let change = json!({"password": known, "current_password": PASSWORD});
    let own = stage.ask(ines.patch(&ines.path(&format!("/staff/{}", ines.staff))).set_json(change)).await;
    for answer in [add, own] {
        assert_eq!((answer.status, &answer.body["pointer"]), (422, &json!("/password")), "{}", answer.body);
        assert!(answer.body["detail"].as_str().expect("a sentence").contains("breach"), "{}", answer.body);
    }
    stage.with(&ines, "ravi", "counter").await;
    // One that came into the list later still lets in: only setting it is refused.
    std::fs::write(folder.0.join("breached-passwords.txt"), LATER).expect("a file");
    stage.sign_in("ravi").await;
    let body = json!({"name": "Bo", "sign_in": "bo", "password": PASSWORD, "roles": ["bench"]});
    assert_eq!(stage.ask(ines.post(&ines.path("/staff")).set_json(body)).await.status, 422);
}
