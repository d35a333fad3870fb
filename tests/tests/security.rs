//! What holds for every answer, and what the program's own log says of who came in, who did not, and who was refused.

use serde_json::{Value, json};
use tests::ask::{Actor, Answer};
use tests::one_time;
use tests::server::{self, How, Server};
use tests::shop::{PASSWORD, Shop};
use tokio::task::JoinSet;

/// One object a line, which a line break in what somebody sent would break up.
fn lines(server: &Server) -> Vec<Value> {
    server.log().lines().map(|l| serde_json::from_str(l).unwrap_or_else(|e| panic!("{e}: {l}"))).collect()
}

#[tokio::test]
async fn who_came_in_who_did_not_and_who_was_refused_is_logged_without_a_secret() {
    let how = How::default().env("COUNTERFOIL_LOG_JSON", "true").env("COUNTERFOIL_BEHIND_PROXY", "true");
    let mut shop = Shop::on(Server::start_as(&how)).await;
    let (door, ines, ravi) = (shop.server.anonymous(), shop.ines.clone(), shop.ravi.clone());
    let address = "203.0.113.9";
    let post = async |path: &str, body: Value| {
        door.post(path).header("X-Forwarded-For", address).json(&body).send().await.status.as_u16()
    };
    let guess = "a guess at it";
    let forged = "no-such-name\r\n{\"fields\":{\"event\":\"forged\"}}";
    for (name, status) in [("ravi", 401), ("nobody-here", 401), (forged, 422)] {
        assert_eq!(post("/v1/sessions", json!({"sign_in": name, "password": guess})).await, status, "{name}");
    }
    assert_eq!(post("/v1/pairings/claim", json!({"code": "guessed-code"})).await, 409);
    assert_eq!(post("/v1/tokens/refresh", json!({"refresh": "guessed-refresh"})).await, 401);
    let elsewhere = ravi.post(&ravi.path("/pairings")).header("Origin", "https://evil.example").json(&json!({}));
    assert_eq!(elsewhere.send().await.gist(), "403 may-not");
    let somebody = json!({"name": "Eve", "sign_in": "eve", "password": PASSWORD, "roles": ["owner"]});
    assert_eq!(ravi.post(&ravi.path("/staff")).json(&somebody).send().await.gist(), "403 may-not");
    for (given, gist) in [(guess, "422 not-valid"), (PASSWORD, "204")] {
        let proof = ravi.post("/v1/sessions/current/proof").json(&json!({"password": given}));
        assert_eq!(proof.send().await.gist(), gist);
    }
    let change = json!({"password": "five other words and rope", "current_password": PASSWORD});
    ravi.patch(&ravi.path(&format!("/staff/{}", ravi.who.staff))).json(&change).send().await.expect(200);
    ines.delete(&ines.path(&format!("/devices/{}", ravi.who.device))).send().await.expect(204);
    for _ in 0..10 {
        post("/v1/sessions", json!({"sign_in": "ravi", "password": guess})).await;
    }
    let out = ines.delete("/v1/sessions/current").send().await;
    assert_eq!(out.expect(204).header("clear-site-data"), Some("\"cache\""), "pictures that the browser kept");
    assert!(shop.server.stop().success());

    let (text, lines) = (shop.server.log(), lines(&shop.server));
    let of = |event: &str| -> Vec<&Value> { lines.iter().filter(|l| l["fields"]["event"] == event).collect() };
    let staff = |l: &Value| l["fields"]["staff"].as_str().map(str::to_owned);
    let came: Vec<Option<String>> = of("signed-in").into_iter().map(staff).collect();
    assert_eq!(came, [ines.who.staff, ravi.who.staff, shop.bo.who.staff].map(|s| Some(s.to_string())));
    let refused = of("sign-in-refused");
    assert_eq!(staff(refused[0]), Some(ravi.who.staff.to_string()), "whose password is guessed at");
    assert_eq!((staff(refused[1]), &refused[1]["fields"]["address"]), (None, &json!(address)));
    for event in [
        "pairing-refused",
        "proof-refused",
        "proved",
        "refresh-refused",
        "foreign-request",
        "staff-changed",
        "device-put-out",
        "limit-reached",
        "signed-out",
    ] {
        assert!(!of(event).is_empty(), "{event}:\n{text}");
    }
    let changed = of("staff-changed");
    assert_eq!(changed.last().map(|l| &l["fields"]["password"]), Some(&json!(true)));
    // What somebody may not do, and who it was.
    let may_not = lines.iter().find(|l| l["fields"]["status"] == 403 && l["span"]["route"] == "/v1/shops/{shop}/staff");
    let span = &may_not.expect("what was not allowed")["span"];
    assert_eq!((&span["staff"], &span["method"]), (&json!(ravi.who.staff), &json!("POST")));
    assert!(span["id"].as_str().is_some_and(|id| id.len() == 16), "{span}");
    assert!(lines.iter().all(|l| l["timestamp"].as_str().is_some_and(|t| t.ends_with('Z'))), "times are UTC");

    assert!(of("forged").is_empty());
    let cookie = ines.cookie().split_once('=').expect("a cookie").1;
    let token = shop.server.set_up.as_deref().expect("a token");
    let secrets = [PASSWORD, guess, "five other words", "guessed-code", "guessed-refresh", cookie, token];
    for never in secrets.into_iter().chain(["Ravi", "Ines", "nobody-here", "no-such-name"]) {
        assert!(!text.contains(never), "{never} is in the log");
    }
}

/// SHA-1 of everybody's password, as `sha1sum` says it, in a list as they are published.
const KNOWN: &str = "AE2A07D74F9ABE4E897213EB4D0709A9E73005F1:3";

#[tokio::test]
async fn a_list_of_breached_passwords_in_the_data_folder_or_named_is_used_and_a_broken_one_refused_at_the_start() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let (data, named) = (folder.path().join("data"), folder.path().join("list.txt"));
    let in_data = data.join("breached-passwords.txt");
    std::fs::create_dir(&data).expect("a folder");
    let how = How::default();
    let by_flag = How::default().env("COUNTERFOIL_BREACHED_PASSWORDS", named.display());
    let refused = |how: &How| Server::try_over(&data, how).map(|_| ()).expect_err("refused");
    std::fs::write(&in_data, format!("{KNOWN}\n0000\n")).expect("a file");
    let said = refused(&how);
    assert!(said.contains("breached-passwords.txt") && said.contains("HASH:COUNT as in the first line"), "{said}");
    assert!(refused(&by_flag).contains("list.txt"), "one that is named has to be there");
    std::fs::write(&in_data, format!("{}:1\n{KNOWN}\n", "0".repeat(40))).expect("a file");
    std::fs::write(&named, format!("{}:1\n", "0".repeat(40))).expect("a file");
    for (how, gist) in [(&how, "422 not-valid"), (&by_flag, "201")] {
        let server = Server::over(&data, how);
        let set_up = json!({"token": server.set_up, "shop_name": "Tarn Street Engines", "zone": "Europe/Vienna",
            "currency": "EUR", "name": "Ines", "sign_in": "ines", "password": PASSWORD});
        assert_eq!(server.anonymous().post("/v1/set-up").json(&set_up).send().await.gist(), gist);
    }
}

#[tokio::test]
async fn an_owner_who_forgot_the_password_gets_a_new_one_from_whoever_runs_the_server() {
    let shop = Shop::set_up().await;
    let (door, ines) = (shop.server.anonymous(), &shop.ines);
    let unknown = server::new_password(shop.server.data(), "nobody-here", &[]);
    assert!(!unknown.sound && unknown.said.contains("signs in by this name"), "{}", unknown.said);
    let made = server::new_password(shop.server.data(), "Ines", &[]);
    assert!(made.sound, "{}", made.said);
    let new = made.said.lines().next().expect("a password").to_owned();
    assert_eq!(new.len(), 22, "128 bits in base64url: {}", made.said);
    assert_eq!(ines.get("/v1/sessions/current").send().await.gist(), "401 not-signed-in");
    assert_eq!(shop.ravi.get("/v1/sessions/current").send().await.gist(), "200", "nobody else's");
    for (password, status) in [(PASSWORD, 401), (new.as_str(), 201)] {
        let back = json!({"sign_in": "ines", "password": password});
        door.post("/v1/sessions").json(&back).send().await.expect(status);
    }
    assert!(!shop.server.log().contains(&new), "the new password is in the log");
}

#[tokio::test]
async fn a_second_factor_is_in_no_log_and_goes_with_a_new_password_where_that_is_said() {
    let how = How::default().env("COUNTERFOIL_LOG_JSON", "true");
    let shop = Shop::on(Server::start_as(&how)).await;
    let (door, ines) = (shop.server.anonymous(), &shop.ines);
    let (mut program, recovery) = one_time::set_up(ines).await;
    let sign_in = async |password: &str, code: &str| {
        let asked = json!({"sign_in": "ines", "password": password, "code": code});
        door.post("/v1/sessions").json(&asked).send().await.gist()
    };
    let (code, guess) = (program.code(), "no such code");
    assert_eq!(sign_in(PASSWORD, &code).await, "201");
    assert_eq!(sign_in(PASSWORD, guess).await, "401 code-asked");
    assert_eq!(sign_in(PASSWORD, &recovery[0]).await, "201");
    let made = server::new_password(shop.server.data(), "ines", &[]);
    let first = made.said.lines().next().expect("a password").to_owned();
    assert!(made.sound && made.said.contains("--without-code"), "{}", made.said);
    assert_eq!(sign_in(&first, "").await, "401 code-asked");
    let made = server::new_password(shop.server.data(), "ines", &["--without-code"]);
    let new = made.said.lines().next().expect("a password").to_owned();
    assert!(made.sound && made.said.contains("No code is asked"), "{}", made.said);
    assert_eq!(sign_in(&new, "").await, "201");

    let (text, lines) = (shop.server.log(), lines(&shop.server));
    for event in ["second-factor-on", "code-refused", "recovery-code-used"] {
        assert!(lines.iter().any(|l| l["fields"]["event"] == event), "{event}:\n{text}");
    }
    for never in [&code, guess, &recovery[0], &recovery[9], "otpauth"] {
        assert!(!text.contains(never), "{never} is in the log");
    }
}

/// What a browser is told with every answer, whatever it is.
fn is_guarded(answer: &Answer, what: &str) {
    let header = |name: &str| answer.header(name).unwrap_or_else(|| panic!("{what}: no {name}")).to_owned();
    let policy = header("content-security-policy");
    for needed in ["default-src 'none'", "base-uri 'none'", "frame-ancestors 'none'"] {
        assert!(policy.contains(needed), "{what}: {policy}");
    }
    assert!(!policy.contains("unsafe") && !policy.contains('*'), "{what}: {policy}");
    assert_eq!(header("x-content-type-options"), "nosniff", "{what}");
    assert_eq!(header("referrer-policy"), "no-referrer", "{what}");
    assert_eq!(header("cross-origin-resource-policy"), "same-origin", "{what}");
    assert_eq!(header("cross-origin-opener-policy"), "same-origin", "{what}");
    assert!(answer.header("access-control-allow-origin").is_none(), "{what}: nobody else's page reads this");
    assert!(answer.header("server").is_none() && answer.header("x-powered-by").is_none(), "{what}");
    assert_eq!(header("request-id").len(), 16, "{what}");
    if !answer.body.is_empty() {
        let kind = header("content-type");
        assert!(!kind.starts_with("text/") || kind.contains("charset=utf-8"), "{what}: {kind}");
    }
}

#[tokio::test]
async fn every_kind_of_answer_tells_a_browser_what_it_may_not_do_with_it() {
    let shop = Shop::set_up().await;
    let mut counter = shop.counter(17).await;
    let intake = counter.take_in("0417").await.expect("answers");
    let mut another = counter.intake("0418");
    counter.open(&mut another).await.expect("an answer");
    let (door, ravi) = (shop.server.anonymous(), &shop.ravi);
    let page = door.get("/").send().await;
    let text = page.text();
    let assets: Vec<&str> = text.split('"').filter(|p| p.starts_with("/app/")).collect();
    assert!(assets.iter().any(|p| p.ends_with(".js")) && assets.iter().any(|p| p.ends_with(".css")), "{assets:?}");
    for path in assets.into_iter().chain(["/", "/service-worker.js", "/v1", "/v1/nothing", "/nothing.php", "/trust"]) {
        is_guarded(&door.get(path).send().await, path);
    }
    let bytes = tests::picture::sharp(5);
    let (photo, sent) = counter.photo(&mut another, None, &bytes).await.expect("an answer");
    let digest = sent.expect(200).json()["digest"].as_str().expect("a digest").trim_start_matches("sha256:").to_owned();
    let (file, small) = (format!("/files/{digest}"), format!("/photos/{photo}/small"));
    let receipt = format!("/intakes/{}/receipt", intake.id);
    for (path, kind) in [
        ("/intakes", "application/json"),
        (&file, "application/octet-stream"),
        (&small, "image/jpeg"),
        (&receipt, "text/html"),
    ] {
        let answer = ravi.get(&ravi.path(path)).send().await;
        assert!(answer.expect(200).header("content-type").is_some_and(|k| k.starts_with(kind)), "{path}");
        is_guarded(&answer, path);
    }
    // What the shop got from outside is never shown as what it claims to be.
    let original = ravi.get(&ravi.path(&file)).send().await;
    assert_eq!(original.header("content-disposition"), Some(format!("attachment; filename=\"{digest}\"").as_str()));
    for path in ["/intakes", receipt.as_str()] {
        let answer = ravi.get(&ravi.path(path)).send().await;
        assert!(answer.header("cache-control").is_some_and(|c| c.contains("no-store")), "{path}");
    }
}

#[tokio::test]
async fn what_somebody_typed_stays_text_in_pages_and_in_queries() {
    let shop = Shop::set_up().await;
    let mut counter = shop.counter(18).await;
    let mut intake = counter.intake("0418");
    counter.open(&mut intake).await.expect("an answer");
    let typed = "<script>alert('1')</script>\"><img src=x>";
    let body = json!({"field": "make", "value": typed, "from": "typed"});
    counter.say(&mut intake, "machine-described", body, &[]).await.expect("an answer");
    let ravi = &shop.ravi;
    let tag = ravi.get(&ravi.path(&format!("/intakes/{}/tag", intake.id))).send().await.expect(200).text();
    assert!(tag.contains("&lt;script&gt;") && !tag.contains("<script") && !tag.contains("<img"), "{tag}");
    // A search finds what it names, whatever signs stand around it, and a query that breaks out would find the other too.
    let mut other = counter.intake("0977");
    counter.open(&mut other).await.expect("an answer");
    let tags = async |query: &str| -> Vec<String> {
        let found = ravi.get(&ravi.path(&format!("/intakes?q={query}"))).send().await.expect(200).json();
        let list = found["intakes"].as_array().expect("a list").clone();
        list.iter().map(|i| i["tag"].as_str().expect("a tag").to_owned()).collect()
    };
    for query in
        ["0418%27%20OR%20%271%27%3D%271", "0418%27%3B%20DROP%20TABLE%20intake%3B%20--", "0418%22%29%20OR%201%3D1"]
    {
        assert!(!tags(query).await.contains(&"0977".to_owned()), "{query}");
    }
    assert_eq!((tags("0418").await, tags("0977").await), (vec!["0418".to_owned()], vec!["0977".to_owned()]));
}

/// Lists that a session may ask for at once (docs/ASVS.md).
const LISTS: usize = 3_000;

#[tokio::test(flavor = "multi_thread")]
async fn a_program_that_asks_for_lists_without_end_waits_and_nobody_else_does() {
    let mut shop = Shop::set_up().await;
    let (door, ines) = (shop.server.anonymous(), shop.ines.clone());
    let signed_in = json!({"sign_in": "ines", "password": PASSWORD});
    let program = door.with_tokens(&door.post("/v1/tokens").json(&signed_in).send().await);
    let mut asking = JoinSet::new();
    for _ in 0..8 {
        let (program, list) = (program.clone(), ines.path("/erasures"));
        asking.spawn(async move {
            let mut answered = 0;
            loop {
                let answer = program.get(&list).send().await;
                if answer.status.as_u16() != 200 {
                    return (answered, answer);
                }
                answered += 1;
            }
        });
    }
    let ended = asking.join_all().await;
    let answered: usize = ended.iter().map(|(n, _)| n).sum();
    assert!(answered >= LISTS, "{answered}");
    for (_, answer) in &ended {
        assert_eq!((answer.gist().as_str(), answer.header("retry-after")), ("429 too-many", Some("1")));
        assert_eq!(answer.json()["retry"], "later");
    }

    // All lists that grow with the shop's history are counted as one, also such as come later; an intake's own entries are not.
    let described = door.get("/openapi.json").send().await.expect(200).json();
    let grows = |of: &Value| {
        let query = |p: &&Value| p["in"] == "query" && ["after", "before", "q", "on"].iter().any(|n| p["name"] == *n);
        of["parameters"].as_array().is_some_and(|all| all.iter().find(query).is_some())
    };
    let paths = described["paths"].as_object().expect("paths").iter();
    let lists: Vec<&String> = paths.filter(|(_, of)| grows(&of["get"])).map(|(path, _)| path).collect();
    assert_eq!(lists.len(), 8, "{lists:?}");
    for path in lists.into_iter().filter(|path| !path.contains("{intake}")) {
        let path = path.replace("{shop}", &ines.who.shop.to_string());
        let asked = if path.ends_with("/parts") { format!("{path}?q=a") } else { path };
        // One may have become free meanwhile.
        let mut tries = 0;
        while program.get(&asked).send().await.gist() != "429 too-many" {
            tries += 1;
            assert!(tries < 1_000, "{asked} is not counted");
        }
        ines.get(&asked).send().await.expect(200);
    }
    program.get(&ines.path("/settings")).send().await.expect(200);
    assert!(shop.server.stop().success(), "{}", shop.server.log());
}
