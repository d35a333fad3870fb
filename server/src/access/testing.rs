//! What the tests of access stand on.

use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicI64, Ordering};
use std::sync::{Arc, Mutex};

use actix_web::middleware::from_fn;
use actix_web::test::{TestRequest, call_service, init_service, read_body};
use actix_web::{App, web};
use futures_util::future::BoxFuture;
use serde_json::{Value, json};
use uuid::Uuid;

use super::log::{Log, ServerEntry};
use super::{Access, Settings};
use crate::database;
use crate::edge::{Clock, Random};
use crate::http::guard::{self, Guard};
use crate::problem::{self, Problem};

/// A folder that goes away with the test.
pub(crate) struct Folder(pub PathBuf);

impl Folder {
    pub fn new() -> Self {
        let path = std::env::temp_dir().join(format!("counterfoil-{}", Random::System.uuid(0)));
        std::fs::create_dir(&path).expect("a temporary folder");
        Folder(path)
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

/// A log that remembers, and can be told to be busy.
#[derive(Default)]
pub(crate) struct Remembered {
    pub said: Mutex<Vec<(Uuid, ServerEntry)>>,
    pub busy: Mutex<bool>,
    pub shop: Mutex<Option<Uuid>>,
}

impl Remembered {
    pub fn new() -> Arc<Self> {
        Arc::default()
    }

    /// The kinds said so far, in order.
    pub fn kinds(&self) -> Vec<String> {
        self.said.lock().expect("lock").iter().map(|(_, e)| e.kind.clone()).collect()
    }

    fn answer(&self) -> Result<(), Problem> {
        if *self.busy.lock().expect("lock") { Err(Problem::busy("The log is busy.")) } else { Ok(()) }
    }
}

impl Log for Remembered {
    fn say<'a>(&'a self, shop: Uuid, entry: ServerEntry) -> BoxFuture<'a, Result<(), Problem>> {
        Box::pin(async move {
            self.answer()?;
            self.said.lock().expect("lock").push((shop, entry));
            Ok(())
        })
    }

    fn shop_name(&self, _: Uuid) -> BoxFuture<'_, Result<String, Problem>> {
        Box::pin(async { Ok("Tarn Street Engines".to_owned()) })
    }

    fn open_shop<'a>(&'a self, _: &'a str, _: &'a str, _: &'a str) -> BoxFuture<'a, Result<Uuid, Problem>> {
        Box::pin(async move {
            self.answer()?;
            Ok(*self.shop.lock().expect("lock").get_or_insert_with(|| Random::System.uuid(1)))
        })
    }
}

/// One in memory, or one of PostgreSQL with `COUNTERFOIL_TEST_ENGINE=postgres`.
pub(crate) async fn database(folder: &Path) -> database::Pool {
    match std::env::var("COUNTERFOIL_TEST_ENGINE").as_deref() {
        Ok("postgres") => {
            database::open(&database::Place::new(folder, Some(&cluster::database())), database::For::Work)
                .await
                .expect("a database")
        }
        Ok("sqlite") | Err(_) => database::in_memory().await,
        Ok(other) => panic!("COUNTERFOIL_TEST_ENGINE={other}: sqlite or postgres"),
    }
}

/// The time at which the stories start: 2026-11-25, no source.
pub(crate) const NOON: i64 = 1_795_600_800_000;

/// A server's access with an empty database in memory, a clock in our hand and a log that remembers.
pub(crate) struct Stage {
    pub access: web::Data<Access>,
    pub log: Arc<Remembered>,
    pub clock: Arc<AtomicI64>,
    pub pool: database::Pool,
    _folder: Folder,
}

impl Stage {
    pub async fn new(settings: Settings) -> Self {
        let folder = Folder::new();
        let pool = database(&folder.0).await;
        let hand = Arc::new(AtomicI64::new(NOON));
        let clock = Clock::Set(hand.clone());
        let log = Remembered::new();
        let key = folder.0.join("keys/token.key");
        let access = Access::new(pool.clone(), log.clone(), &key, clock, Random::System, settings).expect("access");
        Stage { access: web::Data::new(access), log, clock: hand, pool, _folder: folder }
    }

    /// Moves the clock on.
    pub fn wait(&self, ms: i64) {
        self.clock.fetch_add(ms, Ordering::SeqCst);
    }

    /// Of whom the shop asks a second factor, as the setting's entry leaves it in the table.
    pub async fn asks_codes_of(&self, whom: &str) {
        let shop = self.log.shop.lock().expect("lock").expect("a shop").to_string();
        sqlx::query("INSERT INTO shop (id, log_name, opened_at) VALUES ($1, 'tests', 0) ON CONFLICT DO NOTHING")
            .bind(&shop)
            .execute(&self.pool)
            .await
            .expect("a shop");
        sqlx::query(
            "INSERT INTO setting (shop, name, value, idx) VALUES ($1, $2, $3, 1)
             ON CONFLICT (shop, name) DO UPDATE SET value = $3",
        )
        .bind(&shop)
        .bind(crate::settings::CODE_ASKED_OF)
        .bind(json!(whom).to_string())
        .execute(&self.pool)
        .await
        .expect("a setting");
    }

    /// Sends a request and gives status, the cookie that was set if any, and the JSON body.
    pub async fn ask(&self, req: TestRequest) -> Answer {
        let guard = Guard {
            clock: Clock::System,
            random: Random::System,
            public_url: None,
            hsts: false,
            behind_proxy: false,
            metrics: crate::operations::Metrics::default(),
            traced: false,
        };
        let app = init_service(
            App::new()
                .app_data(self.access.clone())
                .app_data(web::Data::new(guard))
                .wrap(from_fn(guard::guard))
                .configure(problem::extractors)
                .configure(super::routes)
                .default_service(web::to(problem::nothing_here)),
        )
        .await;
        let res = call_service(&app, req.to_request()).await;
        let status = res.status().as_u16();
        let header = |name: &str| res.headers().get(name).and_then(|v| v.to_str().ok()).map(str::to_owned);
        let (set_cookie, retry_after, etag) = (header("set-cookie"), header("retry-after"), header("etag"));
        let bytes = read_body(res).await;
        let body = serde_json::from_slice(&bytes).unwrap_or(Value::Null);
        Answer { status, set_cookie, retry_after, etag, body }
    }

    /// Posts JSON without a session.
    pub async fn post(&self, path: &str, body: Value) -> Answer {
        self.ask(TestRequest::post().uri(path).set_json(body)).await
    }

    /// Sets up "Tarn Street Engines" and gives Ines, its owner.
    pub async fn with_ines(&self) -> Actor {
        let token = self.access.set_up_token().await.expect("database").expect("not set up");
        let body = json!({"token": token, "shop_name": "Tarn Street Engines", "zone": "Europe/Vienna", "currency": "EUR",
            "name": "Ines", "sign_in": "Ines", "password": PASSWORD});
        Actor::of(self.post("/v1/set-up", body).await)
    }

    /// Adds somebody by the owner and signs them in.
    pub async fn with(&self, owner: &Actor, name: &str, role: &str) -> Actor {
        let body = json!({"name": name, "sign_in": name, "password": PASSWORD, "roles": [role]});
        let added = self.ask(owner.post(&format!("/v1/shops/{}/staff", owner.shop)).set_json(body)).await;
        assert_eq!(added.status, 201, "{}", added.body);
        self.sign_in(name).await
    }

    /// Signs somebody in on a new browser.
    pub async fn sign_in(&self, name: &str) -> Actor {
        Actor::of(self.post("/v1/sessions", json!({"sign_in": name, "password": PASSWORD})).await)
    }
}

/// Everybody's password in the stories.
pub(crate) const PASSWORD: &str = "four words and rope";

/// What came back.
#[derive(Debug)]
pub(crate) struct Answer {
    pub status: u16,
    pub set_cookie: Option<String>,
    pub retry_after: Option<String>,
    pub etag: Option<String>,
    pub body: Value,
}

impl Answer {
    /// The last part of the problem's type.
    pub fn slug(&self) -> &str {
        self.body["type"].as_str().unwrap_or("").trim_start_matches("/problems/")
    }
}

/// Somebody with a session or a token.
#[derive(Clone, Debug)]
pub(crate) struct Actor {
    pub header: (&'static str, String),
    pub shop: String,
    pub staff: String,
    pub device: String,
}

impl Actor {
    /// From the answer that let them in.
    pub fn of(answer: Answer) -> Self {
        assert!(matches!(answer.status, 200 | 201), "{answer:?}");
        let text = |name: &str| answer.body[name].as_str().expect("a member").to_owned();
        let header = match &answer.set_cookie {
            Some(set) => ("cookie", set.split(';').next().expect("a pair").to_owned()),
            None => ("authorization", format!("Bearer {}", text("access"))),
        };
        Actor { header, shop: text("shop"), staff: text("staff"), device: text("device") }
    }

    fn dressed(&self, req: TestRequest) -> TestRequest {
        req.insert_header((self.header.0, self.header.1.as_str())).insert_header((guard::CLIENT, "web/1"))
    }

    pub fn get(&self, path: &str) -> TestRequest {
        self.dressed(TestRequest::get().uri(path))
    }

    pub fn post(&self, path: &str) -> TestRequest {
        self.dressed(TestRequest::post().uri(path))
    }

    pub fn put(&self, path: &str) -> TestRequest {
        self.dressed(TestRequest::put().uri(path))
    }

    pub fn patch(&self, path: &str) -> TestRequest {
        self.dressed(TestRequest::patch().uri(path))
    }

    pub fn delete(&self, path: &str) -> TestRequest {
        self.dressed(TestRequest::delete().uri(path))
    }

    /// A path in their shop.
    pub fn path(&self, rest: &str) -> String {
        format!("/v1/shops/{}{rest}", self.shop)
    }
}
