use serde_json::{Value, json};

use crate::access::Settings;
use crate::access::testing::{Actor, Stage};

async fn code(stage: &Stage, who: &Actor, body: Value) -> String {
    let made = stage.ask(who.post(&who.path("/pairings")).set_json(body)).await;
    assert_eq!(made.status, 201, "{}", made.body);
    let code = made.body["code"].as_str().expect("a code").to_owned();
    assert!(made.body["url"].as_str().expect("an address").ends_with(&code));
    assert!(made.body["qr_svg"].as_str().expect("a picture").starts_with("<svg"));
    code
}

#[actix_web::test]
async fn a_phone_that_scans_the_code_is_let_in_once() {
    let stage = Stage::new(Settings::default()).await;
    let ines = stage.with_ines().await;
    let code = code(&stage, &ines, json!({})).await;
    let phone = Actor::of(stage.post("/v1/pairings/claim", json!({"code": code, "label": "Ines's phone"})).await);
    assert_eq!(phone.staff, ines.staff);
    assert_ne!(phone.device, ines.device);
    let devices = stage.ask(phone.get(&phone.path("/devices"))).await.body;
    assert_eq!(devices.as_array().expect("a list").len(), 2);
    let said = stage.log.said.lock().expect("lock").last().cloned().expect("said").1;
    assert_eq!((said.kind.as_str(), &said.personal[0]), ("device-paired", &("label".into(), json!("Ines's phone"))));
    let again = stage.post("/v1/pairings/claim", json!({"code": code})).await;
    assert_eq!((again.status, again.slug()), (409, "refused"));
}

#[actix_web::test]
async fn a_pairing_code_holds_five_minutes() {
    let stage = Stage::new(Settings::default()).await;
    let ines = stage.with_ines().await;
    let in_time = code(&stage, &ines, json!({})).await;
    let too_late = code(&stage, &ines, json!({})).await;
    stage.wait(299_999);
    assert_eq!(stage.post("/v1/pairings/claim", json!({"code": in_time})).await.status, 201);
    stage.wait(1);
    assert_eq!(stage.post("/v1/pairings/claim", json!({"code": too_late})).await.status, 409);
}

#[actix_web::test]
async fn an_owner_pairs_for_somebody_else_and_the_log_names_the_owner() {
    let stage = Stage::new(Settings::default()).await;
    let ines = stage.with_ines().await;
    let bo = stage.with(&ines, "bo", "bench").await;
    let code = code(&stage, &ines, json!({"staff": bo.staff})).await;
    let phone = Actor::of(stage.post("/v1/pairings/claim", json!({"code": code})).await);
    assert_eq!(phone.staff, bo.staff);
    let said = stage.log.said.lock().expect("lock").last().cloned().expect("said").1;
    assert_eq!(said.author.map(|(s, _)| s.to_string()), Some(ines.staff.clone()));
    let refused = stage.ask(bo.post(&bo.path("/pairings")).set_json(json!({"staff": ines.staff}))).await;
    assert_eq!(refused.slug(), "may-not");
}

#[actix_web::test]
async fn nobody_is_let_in_while_the_log_cannot_say_it() {
    let stage = Stage::new(Settings::default()).await;
    let ines = stage.with_ines().await;
    let code = code(&stage, &ines, json!({})).await;
    *stage.log.busy.lock().expect("lock") = true;
    let refused = stage.post("/v1/pairings/claim", json!({"code": code})).await;
    assert_eq!((refused.status, refused.set_cookie), (503, None));
    assert_eq!(stage.ask(ines.get(&ines.path("/devices"))).await.body.as_array().expect("a list").len(), 1);
}

#[actix_web::test]
async fn a_device_put_out_is_out_at_once_even_while_the_log_is_busy_and_the_log_hears_later() {
    let stage = Stage::new(Settings::default()).await;
    let ines = stage.with_ines().await;
    let bo = stage.with(&ines, "bo", "bench").await;
    let mut ended = stage.access.ended();
    *stage.log.busy.lock().expect("lock") = true;
    assert_eq!(stage.ask(ines.delete(&ines.path(&format!("/devices/{}", bo.device)))).await.status, 204);
    assert_eq!(stage.ask(bo.get("/v1/sessions/current")).await.status, 401);
    assert_eq!(ended.try_recv().expect("told").device.map(|d| d.to_string()), Some(bo.device.clone()));
    assert!(!stage.log.kinds().contains(&"device-revoked".to_owned()));
    *stage.log.busy.lock().expect("lock") = false;
    stage.access.tend().await.expect("tended");
    stage.access.tend().await.expect("tended");
    assert_eq!(stage.log.kinds().iter().filter(|k| *k == "device-revoked").count(), 1);
}

#[actix_web::test]
async fn a_device_that_was_put_out_never_comes_back_under_its_id() {
    let stage = Stage::new(Settings::default()).await;
    let ines = stage.with_ines().await;
    let bo = stage.with(&ines, "bo", "bench").await;
    stage.ask(ines.delete(&ines.path(&format!("/devices/{}", bo.device)))).await;
    let body = json!({"sign_in": "bo", "password": crate::access::testing::PASSWORD, "device": bo.device});
    assert_ne!(Actor::of(stage.post("/v1/sessions", body).await).device, bo.device);
}

#[actix_web::test]
async fn a_device_goes_on_under_its_id_and_nobody_else_can_take_it() {
    let stage = Stage::new(Settings::default()).await;
    let ines = stage.with_ines().await;
    let bo = stage.with(&ines, "bo", "bench").await;
    let body = |name: &str, device: &str| json!({"sign_in": name, "password": crate::access::testing::PASSWORD, "device": device});
    let again = Actor::of(stage.post("/v1/sessions", body("bo", &bo.device)).await);
    assert_eq!(again.device, bo.device, "the same person");
    let other = Actor::of(stage.post("/v1/sessions", body("ines", &bo.device)).await);
    assert_ne!(other.device, bo.device, "somebody else who only knows the id");
    let desk = ines.post("/v1/sessions").set_json(body("bo", &ines.device));
    let desk = Actor::of(stage.ask(desk).await);
    assert_eq!(desk.device, ines.device, "the browser that holds a cookie of the device");
    assert_eq!(stage.ask(ines.get("/v1/sessions/current")).await.status, 401, "its earlier session is over");
    let fresh = "0192f0c4-0000-7000-8000-000000000001";
    assert_eq!(Actor::of(stage.post("/v1/sessions", body("bo", fresh)).await).device, fresh, "an id made offline");
}

#[actix_web::test]
async fn others_see_and_put_out_only_their_own_devices() {
    let stage = Stage::new(Settings::default()).await;
    let ines = stage.with_ines().await;
    let bo = stage.with(&ines, "bo", "bench").await;
    assert_eq!(stage.ask(bo.get(&bo.path("/devices"))).await.body.as_array().expect("a list").len(), 1);
    let refused = stage.ask(bo.delete(&bo.path(&format!("/devices/{}", ines.device)))).await;
    assert_eq!(refused.slug(), "may-not");
    assert_eq!(stage.ask(bo.delete(&bo.path(&format!("/devices/{}", bo.device)))).await.status, 204);
    assert_eq!(stage.ask(bo.get(&bo.path("/devices"))).await.status, 401);
}

#[actix_web::test]
async fn a_list_says_on_which_devices_somebody_is_signed_in() {
    let stage = Stage::new(Settings::default()).await;
    let ines = stage.with_ines().await;
    let body = json!({"sign_in": "ines", "password": crate::access::testing::PASSWORD});
    let gone = Actor::of(stage.post("/v1/sessions", body.clone()).await);
    let program = stage.post("/v1/tokens", body).await.body;
    let signed_in = async || {
        let list = stage.ask(ines.get(&ines.path("/devices"))).await.body;
        let list = list.as_array().expect("a list").clone();
        let on = list.iter().filter(|d| d["signed_in"] == true).filter_map(|d| d["device"].as_str().map(str::to_owned));
        (list.len(), on.collect::<std::collections::BTreeSet<_>>())
    };
    let (all, on) = signed_in().await;
    assert!(all == 3 && on.len() == 3, "{on:?}");
    assert_eq!(stage.ask(gone.delete("/v1/sessions/current")).await.status, 204);
    let (all, on) = signed_in().await;
    assert!(all == 3 && on.len() == 2 && !on.contains(&gone.device), "{on:?}");
    let refresh = json!({"refresh": program["refresh"]});
    assert_eq!(stage.post("/v1/tokens/revoke", refresh).await.status, 204);
    let (_, on) = signed_in().await;
    assert!(on.len() == 1 && on.contains(&ines.device), "{on:?}");
    // Nobody used it for a month, but who looks.
    let idle = Actor::of(
        stage.post("/v1/sessions", json!({"sign_in": "ines", "password": crate::access::testing::PASSWORD})).await,
    );
    for _ in 0..30 {
        stage.wait(24 * 3600 * 1000);
        assert_eq!(stage.ask(ines.get("/v1/sessions/current")).await.status, 200);
    }
    let (_, on) = signed_in().await;
    assert!(on.contains(&ines.device) && !on.contains(&idle.device), "{on:?}");
}
