use actix_web::test::TestRequest;
use serde_json::json;

use crate::access::Settings;
use crate::access::testing::{Actor, PASSWORD, Stage};

async fn tokens(stage: &Stage) -> (Actor, String) {
    let answer =
        stage.post("/v1/tokens", json!({"sign_in": "ines", "password": PASSWORD, "label": "Backup script"})).await;
    assert_eq!((answer.status, &answer.body["expires_in"]), (200, &json!(600)));
    let refresh = answer.body["refresh"].as_str().expect("a token").to_owned();
    (Actor::of(answer), refresh)
}

#[actix_web::test]
async fn an_access_token_works_everywhere_for_ten_minutes() {
    let stage = Stage::new(Settings::default()).await;
    let desk = stage.with_ines().await;
    let (program, _) = tokens(&stage).await;
    assert_eq!(stage.ask(program.get("/v1/sessions/current")).await.body["name"], "Ines");
    // No cookie, so no header of ours is needed to change something.
    let req =
        TestRequest::post().uri(&desk.path("/pairings")).insert_header((program.header.0, program.header.1.as_str()));
    assert_eq!(stage.ask(req.set_json(json!({}))).await.status, 201);
    stage.wait(600_000);
    let over = stage.ask(program.get("/v1/sessions/current")).await;
    assert_eq!((over.status, over.slug()), (401, "not-signed-in"));
}

#[actix_web::test]
async fn a_wrong_token_is_refused_even_beside_a_good_cookie() {
    let stage = Stage::new(Settings::default()).await;
    let ines = stage.with_ines().await;
    let both = ines.get("/v1/sessions/current").insert_header(("authorization", "Bearer a.b.c"));
    assert_eq!(stage.ask(both).await.status, 401);
    for wrong in ["counterfoil_session=", "counterfoil_session=AAAA", "other=1"] {
        let req = TestRequest::get().uri("/v1/sessions/current").insert_header(("cookie", wrong));
        assert_eq!(stage.ask(req).await.status, 401, "{wrong}");
    }
}

#[actix_web::test]
async fn a_refresh_token_used_twice_ends_its_family_and_no_other() {
    let stage = Stage::new(Settings::default()).await;
    stage.with_ines().await;
    let (_, first) = tokens(&stage).await;
    let (bystander, _) = tokens(&stage).await;
    let next = stage.post("/v1/tokens/refresh", json!({"refresh": first})).await;
    let second = next.body["refresh"].as_str().expect("a token").to_owned();
    let program = Actor::of(next);
    assert_eq!(stage.ask(program.get("/v1/sessions/current")).await.status, 200);
    assert_eq!(stage.post("/v1/tokens/refresh", json!({"refresh": first})).await.status, 401, "used before");
    assert_eq!(stage.post("/v1/tokens/refresh", json!({"refresh": second})).await.status, 401, "its family is over");
    assert_eq!(stage.ask(program.get("/v1/sessions/current")).await.status, 401, "the access token too, at once");
    assert_eq!(stage.ask(bystander.get("/v1/sessions/current")).await.status, 200);
}

#[actix_web::test]
async fn a_refresh_token_runs_out_after_thirty_days_and_can_be_revoked() {
    let stage = Stage::new(Settings::default()).await;
    stage.with_ines().await;
    let (program, refresh) = tokens(&stage).await;
    assert_eq!(stage.post("/v1/tokens/revoke", json!({"refresh": refresh})).await.status, 204);
    assert_eq!(stage.post("/v1/tokens/revoke", json!({"refresh": "never was"})).await.status, 204);
    assert_eq!(stage.ask(program.get("/v1/sessions/current")).await.status, 401);
    let (_, refresh) = tokens(&stage).await;
    stage.wait(30 * 24 * 3600 * 1000 + 1);
    assert_eq!(stage.post("/v1/tokens/refresh", json!({"refresh": refresh})).await.status, 401);
}

#[actix_web::test]
async fn a_token_ends_with_its_device() {
    let stage = Stage::new(Settings::default()).await;
    let desk = stage.with_ines().await;
    let (program, refresh) = tokens(&stage).await;
    assert_eq!(stage.ask(desk.delete(&desk.path(&format!("/devices/{}", program.device)))).await.status, 204);
    assert_eq!(stage.ask(program.get("/v1/sessions/current")).await.status, 401);
    assert_eq!(stage.post("/v1/tokens/refresh", json!({"refresh": refresh})).await.status, 401);
}
