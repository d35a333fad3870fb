use actix_web::test::TestRequest;
use serde_json::json;

use crate::access::Settings;
use crate::access::testing::Stage;

const INTAKE: &str = "0192f0c4-0000-7000-8000-000000000003";

fn public() -> Settings {
    Settings { public_url: Some("https://intake.example/".into()), ..Settings::default() }
}

#[actix_web::test]
async fn a_link_opens_one_receipt_until_it_expires_and_counts() {
    let stage = Stage::new(public()).await;
    let ines = stage.with_ines().await;
    let path = ines.path(&format!("/intakes/{INTAKE}/links"));
    let made = stage.ask(ines.post(&path).set_json(json!({"what": "receipt", "days": 2}))).await;
    assert_eq!(made.status, 201, "{}", made.body);
    let url = made.body["url"].as_str().expect("an address");
    let token = url.strip_prefix("https://intake.example/r/").expect("the public address");
    assert_eq!(token.len(), 43, "256 bits in base64url");
    let req = TestRequest::default().to_http_request();
    for _ in 0..2 {
        let opened = stage.access.open_link(&req, token).await.expect("opened");
        assert_eq!((opened.intake.to_string().as_str(), opened.what.as_str()), (INTAKE, "receipt"));
    }
    let listed = stage.ask(ines.get(&path)).await.body;
    assert_eq!((&listed[0]["opened"], &listed[0]["holds"]), (&json!(2), &json!(true)));
    assert!(!listed.to_string().contains(token));
    stage.wait(2 * 24 * 3600 * 1000);
    assert_eq!(stage.access.open_link(&req, token).await.expect_err("over").slug, "not-found");
    assert_eq!(stage.ask(ines.get(&path)).await.body[0]["holds"], false);
}

#[actix_web::test]
async fn a_revoked_link_opens_nothing_and_a_guess_looks_the_same() {
    let stage = Stage::new(public()).await;
    let ines = stage.with_ines().await;
    let bo = stage.with(&ines, "bo", "bench").await;
    let path = ines.path(&format!("/intakes/{INTAKE}/links"));
    assert_eq!(stage.ask(bo.post(&path).set_json(json!({"what": "receipt"}))).await.slug(), "may-not");
    let made = stage.ask(ines.post(&path).set_json(json!({"what": "receipt"}))).await;
    let token = made.body["url"].as_str().and_then(|u| u.rsplit('/').next()).expect("a token").to_owned();
    let gone = ines.path(&format!("/links/{}", made.body["link"].as_str().expect("an id")));
    assert_eq!(stage.ask(ines.delete(&gone)).await.status, 204);
    assert_eq!(stage.ask(ines.delete(&gone)).await.status, 204);
    assert_eq!(
        stage.log.kinds().iter().filter(|k| k.starts_with("link-")).collect::<Vec<_>>(),
        ["link-made", "link-revoked"]
    );
    let req = TestRequest::default().to_http_request();
    let revoked = stage.access.open_link(&req, &token).await.expect_err("revoked");
    assert_eq!(revoked, stage.access.open_link(&req, "a-guess").await.expect_err("never was"));
    for _ in 0..28 {
        assert_eq!(stage.access.open_link(&req, "a-guess").await.expect_err("never was").status, 404);
    }
    assert_eq!(stage.access.open_link(&req, "a-guess").await.expect_err("too many").status, 429);
}

#[actix_web::test]
async fn without_a_public_address_there_are_no_links() {
    let stage = Stage::new(Settings::default()).await;
    let ines = stage.with_ines().await;
    let path = ines.path(&format!("/intakes/{INTAKE}/links"));
    assert_eq!(stage.ask(ines.post(&path).set_json(json!({"what": "receipt"}))).await.slug(), "refused");
    let long = stage.ask(ines.post(&path).set_json(json!({"what": "receipt", "days": 400}))).await;
    assert_eq!(long.body["pointer"], "/days");
}
