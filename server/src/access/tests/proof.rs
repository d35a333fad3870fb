use serde_json::{Value, json};

use crate::access::Settings;
use crate::access::testing::{Actor, Answer, PASSWORD, Stage};

const MINUTE: i64 = 60_000;

/// Every change that asks for the password, tried once on somebody of their own and once on somebody new.
async fn tries(stage: &Stage, owner: &Actor, whom: &Actor, round: u32) -> Vec<(&'static str, Answer)> {
    let new = json!({"name": "New", "sign_in": format!("new-{round}"), "roles": ["bench"]});
    let path = owner.path(&format!("/staff/{}", whom.staff));
    let patch = async |change: Value| stage.ask(owner.patch(&path).set_json(change)).await;
    vec![
        ("adds somebody", stage.ask(owner.post(&owner.path("/staff")).set_json(new)).await),
        ("changes a sign-in name", patch(json!({"sign_in": format!("other-{round}")})).await),
        ("changes roles", patch(json!({"roles": ["bench"]})).await),
        ("sets another's password", patch(json!({"password": "another four words"})).await),
        ("takes somebody out", patch(json!({"active": true})).await),
        (
            "makes a code for somebody else",
            stage.ask(owner.post(&owner.path("/pairings")).set_json(json!({"staff": whom.staff}))).await,
        ),
        ("puts a device out", stage.ask(owner.delete(&owner.path(&format!("/devices/{}", whom.device)))).await),
    ]
}

async fn prove(stage: &Stage, who: &Actor, password: &str) -> Answer {
    stage.ask(who.post("/v1/sessions/current/proof").set_json(json!({"password": password}))).await
}

async fn paired(stage: &Stage, by: &Actor, body: Value) -> Actor {
    let made = stage.ask(by.post(&by.path("/pairings")).set_json(body)).await;
    assert_eq!(made.status, 201, "{}", made.body);
    Actor::of(stage.post("/v1/pairings/claim", json!({"code": made.body["code"]})).await)
}

#[actix_web::test]
async fn the_password_is_asked_for_again_after_ten_minutes_and_proved_in_place() {
    let stage = Stage::new(Settings::default()).await;
    let ines = stage.with_ines().await;
    let bo = stage.with(&ines, "bo", "bench").await;
    stage.wait(10 * MINUTE - 1);
    for (what, answer) in tries(&stage, &ines, &bo, 1).await {
        assert!(answer.status < 300, "{what}: {}", answer.body);
    }
    stage.wait(1);
    let said = stage.log.kinds().len();
    for (what, answer) in tries(&stage, &ines, &bo, 2).await {
        assert_eq!((answer.status, answer.slug()), (403, "not-proved"), "{what}");
    }
    assert_eq!(stage.log.kinds().len(), said, "nothing of it was done");
    // What the counter does all day, and looking at devices and people, asks for nothing.
    for path in ["/devices", "/staff"] {
        assert_eq!(stage.ask(ines.get(&ines.path(path))).await.status, 200, "{path}");
    }
    assert_eq!(stage.ask(ines.post(&ines.path("/pairings")).set_json(json!({}))).await.status, 201, "one's own phone");
    let wrong = prove(&stage, &ines, "not my password").await;
    assert_eq!((wrong.status, &wrong.body["pointer"]), (422, &json!("/password")));
    assert_eq!(tries(&stage, &ines, &bo, 3).await[0].1.slug(), "not-proved");
    assert_eq!(prove(&stage, &ines, PASSWORD).await.status, 204);
    for (what, answer) in tries(&stage, &ines, &bo, 4).await {
        assert!(answer.status < 300, "{what}: {}", answer.body);
    }
}

#[actix_web::test]
async fn a_code_on_an_unlocked_desk_proves_nothing_and_one_session_proves_nothing_for_another() {
    let stage = Stage::new(Settings::default()).await;
    let ines = stage.with_ines().await;
    let bo = stage.with(&ines, "bo", "bench").await;
    let phone = paired(&stage, &ines, json!({})).await;
    for (what, answer) in tries(&stage, &phone, &bo, 1).await {
        assert_eq!((answer.status, answer.slug()), (403, "not-proved"), "{what}");
    }
    assert_eq!(prove(&stage, &ines, PASSWORD).await.status, 204);
    assert_eq!(tries(&stage, &phone, &bo, 2).await[0].1.slug(), "not-proved", "another session proved it");
    assert_eq!(prove(&stage, &phone, PASSWORD).await.status, 204);
    assert_eq!(tries(&stage, &phone, &bo, 3).await[0].1.status, 201);
    let refused = prove(&stage, &phone, "").await;
    assert_eq!((refused.status, &refused.body["pointer"]), (422, &json!("/password")));
    assert_eq!(stage.post("/v1/sessions/current/proof", json!({"password": PASSWORD})).await.status, 401);
}

#[actix_web::test]
async fn ones_own_new_password_asks_for_the_present_one_alone() {
    let stage = Stage::new(Settings::default()).await;
    let ines = stage.with_ines().await;
    stage.wait(60 * MINUTE);
    let path = ines.path(&format!("/staff/{}", ines.staff));
    let patch = async |change: Value| stage.ask(ines.patch(&path).set_json(change)).await;
    assert_eq!(patch(json!({"sign_in": "i.kolb"})).await.slug(), "not-proved");
    let both = json!({"sign_in": "i.kolb", "password": "another four words", "current_password": "a guess at it"});
    assert_eq!(patch(both).await.body["pointer"], json!("/current_password"), "a guess changes nothing of both");
    let both = json!({"sign_in": "i.kolb", "password": "another four words", "current_password": PASSWORD});
    assert_eq!(patch(both).await.status, 200, "which is the proof itself");
}

#[actix_web::test]
async fn tokens_are_held_to_the_same_and_a_refresh_proves_nothing() {
    let stage = Stage::new(Settings::default()).await;
    let ines = stage.with_ines().await;
    let bo = stage.with(&ines, "bo", "bench").await;
    let made = stage.post("/v1/tokens", json!({"sign_in": "ines", "password": PASSWORD})).await;
    let refresh = made.body["refresh"].clone();
    let program = Actor::of(made);
    assert_eq!(tries(&stage, &program, &bo, 1).await[0].1.status, 201);
    stage.wait(10 * MINUTE);
    let program = Actor::of(stage.post("/v1/tokens/refresh", json!({"refresh": refresh})).await);
    for (what, answer) in tries(&stage, &program, &bo, 2).await {
        assert_eq!((answer.status, answer.slug()), (403, "not-proved"), "{what}");
    }
    assert_eq!(prove(&stage, &program, PASSWORD).await.status, 204);
    assert_eq!(tries(&stage, &program, &bo, 3).await[0].1.status, 201);
}

#[actix_web::test]
async fn proving_is_a_try_at_the_password_like_signing_in() {
    let stage = Stage::new(Settings::default()).await;
    let ines = stage.with_ines().await;
    for _ in 0..5 {
        assert_eq!(prove(&stage, &ines, "a guess at it").await.status, 422);
        assert_eq!(
            stage.post("/v1/sessions", json!({"sign_in": "ines", "password": "a guess at it"})).await.status,
            401
        );
    }
    let over = prove(&stage, &ines, PASSWORD).await;
    assert_eq!((over.status, over.retry_after.as_deref()), (429, Some("15")), "counted together, however it is tried");
    assert_eq!(stage.ask(ines.get("/v1/sessions/current")).await.status, 200, "whoever is in stays in");
}

#[actix_web::test]
async fn who_has_no_password_puts_a_lost_phone_out_and_needs_somebody_elses_code_for_more() {
    let stage = Stage::new(Settings::default()).await;
    let ines = stage.with_ines().await;
    let bo = stage.with(&ines, "bo", "bench").await;
    let new = json!({"name": "Kay", "sign_in": "kay", "roles": ["owner"]});
    let kay = stage.ask(ines.post(&ines.path("/staff")).set_json(new)).await.body["staff"].clone();
    let phone = paired(&stage, &ines, json!({"staff": kay})).await;
    let first = json!({"password": "four words of Kay's"});
    let own = async |who: &Actor| {
        stage.ask(who.patch(&who.path(&format!("/staff/{}", who.staff))).set_json(first.clone())).await
    };
    stage.wait(10 * MINUTE);
    // A phone of theirs that somebody found could else be made a password that outlasts it.
    assert_eq!(own(&phone).await.slug(), "refused");
    let lost = paired(&stage, &phone, json!({})).await;
    for (what, answer) in tries(&stage, &lost, &bo, 1).await {
        let expected = if what == "puts a device out" { 204 } else { 409 };
        assert_eq!(answer.status, expected, "{what}: {}", answer.body);
    }
    assert_eq!(prove(&stage, &phone, PASSWORD).await.slug(), "refused");
    let gone = stage.ask(phone.delete(&phone.path(&format!("/devices/{}", lost.device)))).await;
    assert_eq!(gone.status, 204, "a lost phone does not wait");
    // A code that an owner shows, who gave a password for it.
    assert_eq!(prove(&stage, &ines, PASSWORD).await.status, 204);
    let again = paired(&stage, &ines, json!({"staff": kay})).await;
    assert_eq!(tries(&stage, &again, &bo, 2).await[0].1.status, 201);
    assert_eq!(own(&again).await.status, 200);
    assert_eq!(
        stage.post("/v1/sessions", json!({"sign_in": "kay", "password": "four words of Kay's"})).await.status,
        201
    );
}

#[actix_web::test]
async fn the_only_owner_left_gives_themselves_a_first_password() {
    let stage = Stage::new(Settings::default()).await;
    let ines = stage.with_ines().await;
    let new = json!({"name": "Kay", "sign_in": "kay", "roles": ["owner"]});
    let kay = stage.ask(ines.post(&ines.path("/staff")).set_json(new)).await.body["staff"].clone();
    let phone = paired(&stage, &ines, json!({"staff": kay})).await;
    let gone = ines.patch(&ines.path(&format!("/staff/{}", ines.staff))).set_json(json!({"active": false}));
    assert_eq!(stage.ask(gone).await.status, 200);
    stage.wait(10 * MINUTE);
    let own = phone.path(&format!("/staff/{}", phone.staff));
    assert_eq!(stage.ask(phone.patch(&own).set_json(json!({"name": "Kay B."}))).await.slug(), "refused");
    let first = json!({"password": "four words of Kay's"});
    assert_eq!(stage.ask(phone.patch(&own).set_json(first)).await.status, 200, "there is nobody else to ask");
}
