use serde_json::json;

use crate::access::Settings;
use crate::access::testing::{Actor, PASSWORD, Stage};

async fn change(stage: &Stage, by: &Actor, whom: &Actor, body: serde_json::Value) -> crate::access::testing::Answer {
    stage.ask(by.patch(&by.path(&format!("/staff/{}", whom.staff))).set_json(body)).await
}

#[actix_web::test]
async fn an_owner_adds_staff_and_others_may_not() {
    let stage = Stage::new(Settings::default()).await;
    let ines = stage.with_ines().await;
    let ravi = stage.with(&ines, "ravi", "counter").await;
    let body = json!({"name": "Bo", "sign_in": "bo", "roles": ["bench"]});
    let refused = stage.ask(ravi.post(&ravi.path("/staff")).set_json(body.clone())).await;
    assert_eq!((refused.status, refused.slug()), (403, "may-not"));
    assert_eq!(stage.ask(ines.post(&ines.path("/staff")).set_json(body.clone())).await.status, 201);
    let twice = stage.ask(ines.post(&ines.path("/staff")).set_json(body)).await;
    assert_eq!((twice.status, &twice.body["pointer"]), (422, &json!("/sign_in")));
    let seen = stage.ask(ravi.get(&ravi.path("/staff"))).await.body;
    let one =
        |name: &str| seen.as_array().expect("a list").iter().find(|s| s["name"] == name).cloned().expect("listed");
    assert_eq!(one("Ines")["sign_in"], json!(null), "others' sign-in names are not shown");
    assert_eq!(one("ravi")["sign_in"], "ravi");
    assert!(!seen.to_string().contains("argon2"));
    let none = stage.post("/v1/sessions", json!({"sign_in": "bo", "password": PASSWORD})).await;
    assert_eq!(none.status, 401, "without a password nobody signs in by one");
}

#[actix_web::test]
async fn another_shops_ids_are_not_found() {
    let stage = Stage::new(Settings::default()).await;
    let ines = stage.with_ines().await;
    let other = "0192f0c4-0000-7000-8000-000000000002";
    for rest in ["staff", "devices", "intakes/0192f0c4-0000-7000-8000-000000000003/links"] {
        let answer = stage.ask(ines.get(&format!("/v1/shops/{other}/{rest}"))).await;
        assert_eq!((answer.status, answer.slug()), (404, "not-found"), "{rest}");
    }
    let answer = stage.ask(ines.post(&format!("/v1/shops/{other}/pairings")).set_json(json!({}))).await;
    assert_eq!(answer.status, 404);
    for rest in ["staff", "devices", "links"] {
        let path = ines.path(&format!("/{rest}/{other}"));
        let req = if rest == "staff" { ines.patch(&path).set_json(json!({"name": "X"})) } else { ines.delete(&path) };
        assert_eq!(stage.ask(req).await.status, 404, "{rest}");
    }
    assert_eq!(stage.ask(ines.get("/v1/shops/not-an-id/staff")).await.status, 404);
}

#[actix_web::test]
async fn a_role_taken_away_counts_at_once_and_is_said() {
    let stage = Stage::new(Settings::default()).await;
    let ines = stage.with_ines().await;
    let bo = stage.with(&ines, "bo", "owner").await;
    assert_eq!(change(&stage, &ines, &bo, json!({"roles": ["bench", "counter"]})).await.status, 200);
    assert_eq!(stage.ask(bo.get("/v1/sessions/current")).await.body["roles"], json!(["counter", "bench"]));
    let refused = change(&stage, &bo, &ines, json!({"active": false})).await;
    assert_eq!(refused.slug(), "may-not");
    let said = stage.log.said.lock().expect("lock").clone();
    let bodies: Vec<_> =
        said.iter().filter(|(_, e)| e.kind == "staff-changed").map(|(_, e)| e.body["roles"].clone()).collect();
    let expected = [json!(["owner"]), json!(["owner"]), json!([]), json!(["counter", "bench"])];
    assert_eq!(bodies, expected, "first what was taken away, then what was given");
}

#[actix_web::test]
async fn somebody_who_leaves_is_out_at_once_even_while_the_log_is_busy() {
    let stage = Stage::new(Settings::default()).await;
    let ines = stage.with_ines().await;
    let bo = stage.with(&ines, "bo", "bench").await;
    *stage.log.busy.lock().expect("lock") = true;
    assert_eq!(change(&stage, &ines, &bo, json!({"active": false})).await.status, 200);
    assert_eq!(stage.ask(bo.get("/v1/sessions/current")).await.status, 401);
    assert_eq!(stage.post("/v1/sessions", json!({"sign_in": "bo", "password": PASSWORD})).await.status, 401);
    let back = change(&stage, &ines, &bo, json!({"active": true})).await;
    assert_eq!(back.status, 503, "nobody is let in while the log cannot say it");
    *stage.log.busy.lock().expect("lock") = false;
    assert_eq!(change(&stage, &ines, &bo, json!({"active": true})).await.status, 200);
    assert_eq!(stage.ask(bo.get("/v1/sessions/current")).await.status, 401, "the old session stays over");
    stage.sign_in("bo").await;
}

#[actix_web::test]
async fn the_last_owner_stays() {
    let stage = Stage::new(Settings::default()).await;
    let ines = stage.with_ines().await;
    for body in [json!({"active": false}), json!({"roles": ["counter"]})] {
        let answer = change(&stage, &ines, &ines, body).await;
        assert_eq!((answer.status, answer.slug()), (409, "refused"));
    }
    let bo = stage.with(&ines, "bo", "owner").await;
    assert_eq!(change(&stage, &bo, &ines, json!({"active": false})).await.status, 200);
    assert_eq!(change(&stage, &bo, &bo, json!({"active": false})).await.status, 409);
}

#[actix_web::test]
async fn people_change_their_own_password_by_the_present_one_and_other_sessions_end() {
    let stage = Stage::new(Settings::default()).await;
    let ines = stage.with_ines().await;
    let bo = stage.with(&ines, "bo", "bench").await;
    let new = "another four words";
    let wrong = change(&stage, &bo, &bo, json!({"password": new, "current_password": "no"})).await;
    assert_eq!((wrong.status, &wrong.body["pointer"]), (422, &json!("/current_password")));
    let short = change(&stage, &bo, &bo, json!({"password": "short", "current_password": PASSWORD})).await;
    assert_eq!((short.status, &short.body["pointer"]), (422, &json!("/password")));
    let told = stage.log.kinds().len();
    assert_eq!(change(&stage, &bo, &bo, json!({"password": new, "current_password": PASSWORD})).await.status, 200);
    assert_eq!(stage.log.kinds().len(), told, "a password is nobody's business");
    assert_eq!(stage.ask(bo.get("/v1/sessions/current")).await.status, 401);
    assert_eq!(stage.post("/v1/sessions", json!({"sign_in": "bo", "password": new})).await.status, 201);
    assert_eq!(change(&stage, &ines, &bo, json!({"password": PASSWORD})).await.status, 200, "an owner helps out");
}

#[actix_web::test]
async fn a_change_over_an_older_revision_is_refused() {
    let stage = Stage::new(Settings::default()).await;
    let ines = stage.with_ines().await;
    let bo = stage.with(&ines, "bo", "bench").await;
    let path = ines.path(&format!("/staff/{}", bo.staff));
    let first =
        stage.ask(ines.patch(&path).insert_header(("if-match", "\"1\"")).set_json(json!({"name": "Bo B."}))).await;
    assert_eq!((first.status, first.etag.as_deref()), (200, Some("\"2\"")));
    let stale =
        stage.ask(ines.patch(&path).insert_header(("if-match", "\"1\"")).set_json(json!({"name": "Bob"}))).await;
    assert_eq!((stale.status, stale.slug()), (412, "not-current"));
}
