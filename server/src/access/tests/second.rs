use serde_json::{Value, json};

use crate::access::one_time::{self, STEP};
use crate::access::testing::{Actor, Answer, PASSWORD, Stage};
use crate::access::{Code, Settings, new_password};
use crate::edge::{Clock, Random};

const MINUTE: i64 = 60_000;

/// What reads the QR code: the secret, and the clock that it shares with the server.
struct Program(one_time::Key);

impl Program {
    /// Takes in what was shown.
    fn of(shown: &Answer) -> Self {
        let letters = shown.body["secret"].as_str().expect("a secret").replace(' ', "");
        let values = letters.bytes().map(|b| if b.is_ascii_digit() { b - b'2' + 26 } else { b - b'A' });
        let bits: Vec<u8> = values.flat_map(|v| (0..5).rev().map(move |n| v >> n & 1)).collect();
        let bytes: Vec<u8> = bits.chunks(8).map(|eight| eight.iter().fold(0, |byte, bit| byte << 1 | bit)).collect();
        Program(bytes.try_into().expect("160 bits"))
    }

    /// What it shows so many steps from now.
    fn shows(&self, stage: &Stage, steps: i64) -> String {
        let now = stage.clock.load(std::sync::atomic::Ordering::SeqCst);
        format!("{:06}", one_time::code_at(&self.0, now / STEP + steps))
    }
}

async fn show(stage: &Stage, who: &Actor) -> Answer {
    stage.ask(who.post(&who.path("/second-factor"))).await
}

async fn turn_on(stage: &Stage, who: &Actor, code: &str) -> Answer {
    stage.ask(who.put(&who.path("/second-factor")).set_json(json!({"code": code}))).await
}

/// Sets somebody's second factor up; gives their program and their recovery codes.
async fn set_up(stage: &Stage, who: &Actor) -> (Program, Vec<String>) {
    let shown = show(stage, who).await;
    assert_eq!(shown.status, 201, "{}", shown.body);
    let program = Program::of(&shown);
    let on = turn_on(stage, who, &program.shows(stage, 0)).await;
    assert_eq!(on.status, 200, "{}", on.body);
    stage.wait(2 * STEP); // the code that turned it on is used up
    let codes = on.body["recovery_codes"].as_array().expect("codes").iter();
    (program, codes.map(|c| c.as_str().expect("a code").to_owned()).collect())
}

async fn state(stage: &Stage, who: &Actor) -> Value {
    stage.ask(who.get(&who.path("/second-factor"))).await.body
}

async fn sign_in(stage: &Stage, name: &str, code: Option<&str>) -> Answer {
    stage.post("/v1/sessions", json!({"sign_in": name, "password": PASSWORD, "code": code})).await
}

async fn prove(stage: &Stage, who: &Actor) {
    let proof = stage.ask(who.post("/v1/sessions/current/proof").set_json(json!({"password": PASSWORD}))).await;
    assert_eq!(proof.status, 204, "{}", proof.body);
}

#[actix_web::test]
async fn with_a_second_factor_a_password_alone_lets_nobody_in() {
    let stage = Stage::new(Settings::default()).await;
    let ines = stage.with_ines().await;
    assert_eq!(state(&stage, &ines).await["on"], json!(false));
    let (program, _) = set_up(&stage, &ines).await;
    for path in ["/v1/sessions", "/v1/tokens"] {
        let ask =
            async |code: Value| stage.post(path, json!({"sign_in": "ines", "password": PASSWORD, "code": code})).await;
        for none in [Value::Null, json!(""), json!("  ")] {
            let answer = ask(none).await;
            assert_eq!((answer.status, answer.slug(), &answer.body["pointer"]), (401, "code-asked", &Value::Null));
            assert!(answer.set_cookie.is_none());
        }
        for wrong in [program.shows(&stage, 2), program.shows(&stage, -2), "x".repeat(100)] {
            let answer = ask(json!(wrong)).await;
            assert_eq!((answer.slug(), &answer.body["pointer"]), ("code-asked", &json!("/code")), "{wrong}");
        }
        assert_eq!(ask(json!("x".repeat(101))).await.status, 422);
        let right = program.shows(&stage, 0);
        let answer = ask(json!(format!("{} {}", &right[..3], &right[3..]))).await;
        assert!(matches!(answer.status, 200 | 201), "{}", answer.body);
        assert_eq!(ask(json!(right)).await.slug(), "code-asked", "a code counts once");
        stage.wait(13 * MINUTE);
    }
    // A wrong password says nothing of a code.
    let wrong = json!({"sign_in": "ines", "password": "a guess at it", "code": program.shows(&stage, 0)});
    assert_eq!(stage.post("/v1/sessions", wrong).await.slug(), "not-signed-in");
    assert_eq!(sign_in(&stage, "ines", Some(&program.shows(&stage, 0))).await.status, 201, "and uses none up");
}

#[actix_web::test]
async fn setting_it_up_asks_for_the_password_and_a_first_code_and_never_shows_the_secret_again() {
    let stage = Stage::new(Settings::default()).await;
    let ines = stage.with_ines().await;
    stage.wait(10 * MINUTE);
    assert_eq!(show(&stage, &ines).await.slug(), "not-proved");
    prove(&stage, &ines).await;
    let first = show(&stage, &ines).await;
    let uri = first.body["uri"].as_str().expect("an address");
    assert!(uri.starts_with("otpauth://totp/Tarn%20Street%20Engines:ines?secret="), "{uri}");
    assert!(first.body["qr_svg"].as_str().expect("a picture").starts_with("<svg"));
    assert_eq!(sign_in(&stage, "ines", None).await.status, 201, "what is only shown is not on");
    let second = show(&stage, &ines).await;
    assert_ne!(first.body["secret"], second.body["secret"]);
    let program = Program::of(&second);
    let old = turn_on(&stage, &ines, &Program::of(&first).shows(&stage, 0)).await;
    assert_eq!((old.status, &old.body["pointer"]), (422, &json!("/code")), "the one shown last counts");
    stage.wait(10 * MINUTE);
    assert_eq!(turn_on(&stage, &ines, &program.shows(&stage, 0)).await.slug(), "refused", "not for long");
    prove(&stage, &ines).await;
    let (_, codes) = set_up(&stage, &ines).await;
    assert_eq!(codes.iter().collect::<std::collections::HashSet<_>>().len(), 10);
    assert!(codes.iter().all(|c| c.len() == 29), "120 bits: {codes:?}");
    let now = state(&stage, &ines).await;
    assert_eq!((&now["on"], &now["recovery_left"], &now["due"]), (&json!(true), &json!(10), &json!(false)));
    assert_eq!(show(&stage, &ines).await.slug(), "refused", "there is one");
    let listed = stage.ask(ines.get(&ines.path("/staff"))).await.body;
    assert_eq!(listed[0]["second_factor"], json!(true));
    let secret = second.body["secret"].as_str().expect("a secret");
    assert!(!format!("{now}{listed}").contains(&secret[..4]), "shown once");
}

#[actix_web::test]
async fn a_recovery_code_lets_in_once_and_new_ones_replace_the_old() {
    let stage = Stage::new(Settings::default()).await;
    let ines = stage.with_ines().await;
    let (program, codes) = set_up(&stage, &ines).await;
    let typed = codes[0].to_uppercase().replace('-', " ").replace('O', "0");
    assert_eq!(sign_in(&stage, "ines", Some(&typed)).await.status, 201);
    assert_eq!(sign_in(&stage, "ines", Some(&codes[0])).await.slug(), "code-asked");
    assert_eq!(state(&stage, &ines).await["recovery_left"], json!(9));
    let renew = async |code: &str| {
        stage.ask(ines.post(&ines.path("/second-factor/recovery-codes")).set_json(json!({"code": code}))).await
    };
    assert_eq!(renew("000000").await.body["pointer"], json!("/code"));
    let renewed = renew(&program.shows(&stage, 0)).await;
    assert_eq!(renewed.status, 201, "{}", renewed.body);
    assert_eq!(sign_in(&stage, "ines", Some(&codes[1])).await.slug(), "code-asked", "the old ones count no more");
    stage.wait(15 * MINUTE);
    let fresh = renewed.body["recovery_codes"][3].as_str().expect("a code");
    assert_eq!(sign_in(&stage, "ines", Some(fresh)).await.status, 201);
    assert_eq!(renew(&program.shows(&stage, 0)).await.slug(), "not-proved", "the password as well");
}

#[actix_web::test]
async fn wrong_codes_are_looked_at_ten_times_an_hour_and_a_recovery_code_still_lets_in() {
    let stage = Stage::new(Settings::default()).await;
    let ines = stage.with_ines().await;
    let (program, codes) = set_up(&stage, &ines).await;
    // Twelve right ones in a row cost nothing.
    for _ in 0..12 {
        stage.wait(MINUTE);
        assert_eq!(sign_in(&stage, "ines", Some(&program.shows(&stage, 0))).await.status, 201);
    }
    let mut looked_at = 0;
    for _ in 0..120 {
        match sign_in(&stage, "ines", Some(&program.shows(&stage, 5))).await.slug() {
            "code-asked" => looked_at += 1,
            slug => assert_eq!(slug, "too-many"),
        }
        stage.wait(MINUTE / 2 - 1);
    }
    assert!((5..=10).contains(&looked_at), "{looked_at}");
    let right = sign_in(&stage, "ines", Some(&program.shows(&stage, 0))).await;
    assert_eq!((right.status, right.retry_after.is_some()), (429, true), "even the right one waits");
    assert_eq!(sign_in(&stage, "ines", Some(&codes[0])).await.status, 201);
    assert_eq!(stage.ask(ines.get("/v1/sessions/current")).await.status, 200, "whoever is in stays in");
}

#[actix_web::test]
async fn it_is_taken_away_by_password_and_code_by_an_owner_and_by_leaving() {
    let stage = Stage::new(Settings::default()).await;
    let ines = stage.with_ines().await;
    let bo = stage.with(&ines, "bo", "bench").await;
    let (program, codes) = set_up(&stage, &bo).await;
    let other = Actor::of(sign_in(&stage, "bo", Some(&program.shows(&stage, 0))).await);
    let remove = async |body: Value| stage.ask(bo.post(&bo.path("/second-factor/removal")).set_json(body)).await;
    assert_eq!(remove(json!({"code": "123"})).await.body["pointer"], json!("/code"));
    stage.wait(10 * MINUTE);
    assert_eq!(remove(json!({"code": codes[0]})).await.slug(), "not-proved");
    prove(&stage, &bo).await;
    assert_eq!(remove(json!({"code": codes[0], "end_others": true})).await.status, 204);
    assert_eq!(stage.ask(other.get("/v1/sessions/current")).await.status, 401, "the others are out, as was asked");
    assert_eq!(stage.ask(bo.get("/v1/sessions/current")).await.status, 200);
    assert_eq!(remove(json!({"code": codes[1]})).await.slug(), "refused", "there is none");
    assert_eq!(sign_in(&stage, "bo", None).await.status, 201);

    set_up(&stage, &bo).await;
    let theirs = |by: &Actor, whom: &Actor| by.delete(&by.path(&format!("/staff/{}/second-factor", whom.staff)));
    assert_eq!(stage.ask(theirs(&bo, &ines)).await.slug(), "may-not");
    assert_eq!(stage.ask(theirs(&ines, &bo)).await.slug(), "not-proved");
    prove(&stage, &ines).await;
    assert_eq!(stage.ask(theirs(&ines, &bo)).await.status, 204);
    assert_eq!(stage.ask(theirs(&ines, &bo)).await.status, 204, "again");
    assert_eq!(sign_in(&stage, "bo", None).await.status, 201);
    set_up(&stage, &ines).await;
    assert_eq!(stage.ask(theirs(&ines, &ines)).await.slug(), "refused", "their own by a code");
    let nobody = ines.delete(&ines.path("/staff/0192f0c4-0000-7000-8000-000000000002/second-factor"));
    assert_eq!(stage.ask(nobody).await.status, 404);

    set_up(&stage, &bo).await;
    for active in [false, true] {
        let change = ines.patch(&ines.path(&format!("/staff/{}", bo.staff))).set_json(json!({"active": active}));
        assert_eq!(stage.ask(change).await.status, 200);
    }
    assert_eq!(sign_in(&stage, "bo", None).await.status, 201, "who left lost it");
}

#[actix_web::test]
async fn a_phone_is_paired_without_a_code_and_who_has_no_password_has_nothing_that_one_stands_beside() {
    let stage = Stage::new(Settings::default()).await;
    let ines = stage.with_ines().await;
    set_up(&stage, &ines).await;
    let pairing = stage.ask(ines.post(&ines.path("/pairings")).set_json(json!({}))).await;
    let phone = stage.post("/v1/pairings/claim", json!({"code": pairing.body["code"]})).await;
    assert_eq!((phone.status, &phone.body["code_due"]), (201, &json!(false)));
    let kay = json!({"name": "Kay", "sign_in": "kay", "roles": ["owner"]});
    prove(&stage, &ines).await;
    let kay = stage.ask(ines.post(&ines.path("/staff")).set_json(kay)).await;
    let pairing = stage.ask(ines.post(&ines.path("/pairings")).set_json(json!({"staff": kay.body["staff"]}))).await;
    let kay = Actor::of(stage.post("/v1/pairings/claim", json!({"code": pairing.body["code"]})).await);
    assert_eq!(show(&stage, &kay).await.slug(), "refused");
    assert_eq!(state(&stage, &kay).await["has_password"], json!(false));
    stage.asks_codes_of("all").await;
    assert_eq!(stage.ask(kay.get(&kay.path("/staff"))).await.status, 200, "the phone is what they have");
}

#[actix_web::test]
async fn of_whom_the_shop_waits_for_a_code_gets_there_and_nowhere_else() {
    let stage = Stage::new(Settings::default()).await;
    let ines = stage.with_ines().await;
    let bo = stage.with(&ines, "bo", "bench").await;
    let answers = async |who: &Actor| {
        let mut slugs = Vec::new();
        for path in ["/staff", "/devices"] {
            slugs.push(stage.ask(who.get(&who.path(path))).await.status);
        }
        slugs
    };
    stage.asks_codes_of("owners").await;
    assert_eq!((answers(&ines).await, answers(&bo).await), (vec![403; 2], vec![200; 2]));
    stage.asks_codes_of("all").await;
    assert_eq!((answers(&ines).await, answers(&bo).await), (vec![403; 2], vec![403; 2]));
    let bo = sign_in(&stage, "bo", None).await;
    assert_eq!((bo.status, &bo.body["code_due"]), (201, &json!(true)));
    let bo = Actor::of(bo);
    assert_eq!(stage.ask(bo.get(&bo.path("/staff"))).await.slug(), "code-due");
    assert_eq!(stage.ask(bo.get("/v1/sessions/current")).await.body["code_due"], json!(true));
    assert_eq!(state(&stage, &bo).await["due"], json!(true));
    prove(&stage, &bo).await;
    let (program, _) = set_up(&stage, &bo).await;
    assert_eq!(stage.ask(bo.get("/v1/sessions/current")).await.body["code_due"], json!(false));
    assert_eq!(answers(&bo).await, [200; 2]);
    let body = json!({"sign_in": "bo", "password": PASSWORD, "code": program.shows(&stage, 0)});
    let program = Actor::of(stage.post("/v1/tokens", body).await);
    assert_eq!(answers(&program).await, [200; 2]);
    // An owner in whose name a program goes on is held to it too.
    let tokens = Actor::of(stage.post("/v1/tokens", json!({"sign_in": "ines", "password": PASSWORD})).await);
    assert_eq!(stage.ask(tokens.get(&tokens.path("/staff"))).await.slug(), "code-due");
    assert_eq!(stage.ask(tokens.delete("/v1/sessions/current")).await.status, 204);
}

#[actix_web::test]
async fn whoever_runs_the_server_gives_a_new_password_and_takes_the_code_away_if_they_say_so() {
    let stage = Stage::new(Settings::default()).await;
    let ines = stage.with_ines().await;
    let (program, _) = set_up(&stage, &ines).await;
    let clock = Clock::Set(stage.clock.clone());
    let new = async |without_code: bool| {
        let made = new_password(stage.pool.clone(), &clock, &Random::System, "ines", None, without_code);
        made.await.expect("a password")
    };
    let made = new(false).await;
    assert_eq!(made.code, Code::StillAsked);
    let back = async |password: &str, code: Option<String>| {
        stage.post("/v1/sessions", json!({"sign_in": "ines", "password": password, "code": code})).await.status
    };
    assert_eq!(back(&made.password, None).await, 401);
    assert_eq!(back(&made.password, Some(program.shows(&stage, 0))).await, 201);
    let made = new(true).await;
    assert_eq!(made.code, Code::TakenAway);
    assert_eq!(back(&made.password, None).await, 201);
    assert_eq!(new(true).await.code, Code::None);
}
