//! Starting, serving, stopping.

use std::fs::{File, TryLockError};
use std::io;
use std::net::{IpAddr, SocketAddr, UdpSocket};
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use actix_web::middleware::{Compress, from_fn};
use actix_web::{App as Actix, HttpServer, web};
use serde_json::json;
use tokio::signal::unix::{Signal, SignalKind, signal};
use tracing_subscriber::layer::{Layer as _, SubscriberExt as _};
use tracing_subscriber::util::SubscriberInitExt as _;

use crate::access::{self, Access, Breached};
use crate::app::{App, Settled};
use crate::away;
use crate::config::Serve;
use crate::database::{self, Engine, For, Place, mark};
use crate::edge::{Clock, Random};
use crate::erasing;
use crate::http::guard::{Guard, guard};
use crate::http::{self, methods, packed};
use crate::judging;
use crate::ledger::keys::Ring;
use crate::ledger::{Ledger, start};
use crate::operations;
use crate::originals::{Lock, Originals, make_folder};
use crate::outside::Outside;
use crate::tls::trust::Trust;
use crate::tls::{self, Certificates};
use crate::traces::{Exporting, Meant, Spans};
use crate::upkeep;
use crate::words;

/// Where to listen when nothing is said.
const LISTEN: &str = "127.0.0.1:8080";
/// How long an upload may stand still when nothing is said.
const BODY_TIMEOUT: Duration = Duration::from_secs(30);
/// How long parts of a file that nobody finishes are kept: a phone that was off over a weekend goes on.
pub const PARTS_KEPT: Duration = Duration::from_secs(4 * 24 * 3600);
/// How long the head of a request may take, at most.
const HEAD_TIMEOUT: Duration = Duration::from_secs(20);
/// Held while key files are made or renewed.
pub const KEYS: &str = "keys";
/// An upload that nothing was written to for so long is nobody's any more, milliseconds.
const LEFT_LYING: i64 = 3_600_000;
/// How long a stop waits for requests under way, in seconds.
const STOP: u64 = 30;

/// A data folder, opened: the ledger checked, its documents in place.
pub struct Opened {
    /// The ledger.
    pub ledger: Ledger,
}

/// Opens a data folder: keys, database, store; checks that nothing was set back.
///
/// # Errors
/// A sentence that says what to do.
pub async fn open(place: impl Into<Place>, check: bool) -> Result<Opened, String> {
    open_at(place, check, Clock::System).await
}

/// The same by another clock: the demo tells its history by its own.
///
/// # Errors
/// A sentence that says what to do.
pub async fn open_at(place: impl Into<Place>, check: bool, clock: Clock) -> Result<Opened, String> {
    open_for(&place.into(), For::Work, check, clock).await
}

/// Opens a data folder for this, with its database.
async fn open_for(place: &Place, what: For, check: bool, clock: Clock) -> Result<Opened, String> {
    let data = place.data.as_path();
    make_folder(data).map_err(|e| format!("the data folder {}: {e}", data.display()))?;
    let pool = database::open(place, what).await.map_err(|e| e.to_string())?;
    over(pool, place, check, clock).await
}

/// Opens what a move left behind too.
///
/// # Errors
/// A sentence that says what to do.
pub async fn open_left(place: &Place) -> Result<Opened, String> {
    open_for(place, For::Left, false, Clock::System).await
}

/// The same over a database that is open.
///
/// # Errors
/// A sentence that says what to do.
pub async fn over(pool: database::Pool, place: &Place, check: bool, clock: Clock) -> Result<Opened, String> {
    let data = place.data.as_path();
    let text = |e: &dyn std::fmt::Display| e.to_string();
    words::know(words::own::load(&data.join("words")));
    // Two that start for the first time make one key.
    let alone = database::alone(&pool, KEYS).await.map_err(|e| text(&e))?;
    let empty = start::shops(&pool).await.map_err(|e| text(&e))?.is_empty();
    let random = Random::System;
    let ring = Ring::open(&data.join("keys").join("log.key"), empty, &random).map_err(|e| text(&e))?;
    drop(alone);
    let lock = place.lock_days.map(|days| Lock { days, clock: clock.clone() });
    let originals = Originals::of(data, place.originals.as_deref(), lock, &random)?;
    let ledger = Ledger::new(pool, originals, clock, random, ring);
    if check {
        ledger.check_start().await.map_err(|e| text(&e))?;
    }
    ledger.keep_documents().await.map_err(|e| text(&e))?;
    ledger.project_anew().await.map_err(|e| text(&e))?;
    Ok(Opened { ledger })
}

/// Holds a folder whose database is in it, until this process ends: what starts takes away what nobody is writing any more, and
/// would take what another server is writing for it.
///
/// # Errors
/// A sentence, where a server is at work.
fn alone_in(ledger: &Ledger, data: &Path) -> Result<Option<File>, String> {
    if Engine::of(ledger.pool()) == Engine::Postgres {
        return Ok(None);
    }
    let file = File::create(data.join("serving")).map_err(|e| format!("the folder {}: {e}", data.display()))?;
    match file.try_lock() {
        Ok(()) => Ok(Some(file)),
        Err(TryLockError::WouldBlock) => Err(format!(
            "another Counterfoil serves the folder {}: stop it first, or name another folder with --data; several servers need PostgreSQL",
            data.display()
        )),
        Err(TryLockError::Error(e)) => Err(format!("the folder {} cannot be held: {e}", data.display())),
    }
}

/// Takes away what a crash left half written; who sent it sends it again.
async fn sweep(ledger: &Ledger) -> Result<(), String> {
    let older = left_lying(ledger);
    for shop in start::shops(ledger.pool()).await.map_err(|e| e.to_string())? {
        let swept = ledger.originals().sweep(shop, older).map_err(|e| format!("the files of shop {shop}: {e}"))?;
        tracing::info!(%shop, swept, "files that a crash left half written");
    }
    Ok(())
}

/// The time before which nobody writes to what is under way any more; none: one process is all there is, and it has just
/// started.
fn left_lying(ledger: &Ledger) -> Option<i64> {
    // Where others serve from the same folder, what was written to lately is an upload of theirs.
    (Engine::of(ledger.pool()) == Engine::Postgres).then(|| lately(ledger))
}

/// What was last written to before this is nobody's any more, wherever it was begun.
pub(crate) fn lately(ledger: &Ledger) -> i64 {
    ledger.clock().now().saturating_sub(LEFT_LYING)
}

/// Takes away parts of files that nobody finished.
async fn expire_parts(ledger: &Ledger, kept: Duration) -> Result<(), String> {
    let before = ledger.clock().now().saturating_sub(i64::try_from(kept.as_millis()).unwrap_or(i64::MAX));
    for shop in start::shops(ledger.pool()).await.map_err(|e| e.to_string())? {
        let keep = upkeep::holds::files(ledger.pool(), shop).await.map_err(|e| e.to_string())?;
        let gone = ledger
            .originals()
            .expire_parts(shop, before, &keep)
            .map_err(|e| format!("the parts of shop {shop}: {e}"))?;
        tracing::info!(%shop, gone, "files of which only parts came");
    }
    Ok(())
}

/// Serves until told to stop.
///
/// # Errors
/// A sentence that says why it does not.
pub async fn run(wanted: Serve) -> Result<(), String> {
    let data = wanted.data.clone().ok_or("say where everything is kept: --data DIR")?;
    serve(wanted, &data, None).await
}

/// Opens a new epoch in a data folder that was set back, or that a move left behind.
///
/// # Errors
/// A sentence.
pub async fn new_epoch(place: &Place, because: &str) -> Result<(), String> {
    let opened = open_left(place).await?;
    for shop in start::shops(opened.ledger.pool()).await.map_err(|e| e.to_string())? {
        let head = opened.ledger.new_epoch(shop, because).await.map_err(|e| e.to_string())?;
        println!(
            "shop {shop}: epoch {} is open at {} entries; it names the last checkpoint known of the one before",
            head.epoch, head.size
        );
    }
    // From here on it is a log of its own, wherever the one before goes on.
    mark::clear(opened.ledger.pool()).await.map_err(|e| e.to_string())?;
    erasing::customer::replay(&opened.ledger).await?;
    opened.ledger.close().await;
    Ok(())
}

/// Serves a data folder; an invented shop says whether it is `guided`.
///
/// # Errors
/// A sentence.
pub async fn serve(wanted: Serve, data: &Path, demo: Option<bool>) -> Result<(), String> {
    let exporting = Exporting::of(&wanted)?.map(Exporting::start);
    let (layer, spans, exporting) = match exporting {
        Some((layer, queue, running)) => (Some(layer), Some(queue), Some(running)),
        None => (None, None, None),
    };
    logs(wanted.log_json, layer);
    let Opened { ledger } = open(wanted.place(data), true).await?;
    let _held = alone_in(&ledger, data)?;
    ledger.hear_others().await.map_err(|e| e.to_string())?;
    away::at_start(&ledger, left_lying(&ledger)).await?;
    sweep(&ledger).await?;
    expire_parts(&ledger, wanted.parts_kept_s.map_or(PARTS_KEPT, |s| Duration::from_secs(s.into()))).await?;
    if let Err(e) = ledger.tend_keys().await {
        tracing::error!(error = %e, "the log's keys could not be tended; it is tried again the next day");
    }
    erasing::customer::replay(&ledger).await?;
    crate::own_kinds::at_start(&ledger, data).await;
    let listen: SocketAddr = match wanted.listen {
        Some(listen) => listen,
        None => LISTEN.parse().map_err(|_| "the default address is wrong")?,
    };
    let listener = std::net::TcpListener::bind(listen).map_err(|e| format!("cannot listen on {listen}: {e}"))?;
    let bound = listener.local_addr().map_err(|e| e.to_string())?;
    let alone = database::alone(ledger.pool(), KEYS).await.map_err(|e| e.to_string())?;
    let certificates = tls::open(&wanted, data, bound, ledger.clock(), ledger.random())?;
    let secure = certificates.is_some();
    let address = format!("{}://{}:{}", if secure { "https" } else { "http" }, lan_address(bound.ip()), bound.port());
    let settings = access::Settings {
        public_url: wanted.public_url.clone(),
        lan_url: Some(address.clone()),
        behind_proxy: wanted.behind_proxy,
        refuse_plain: secure,
        breached: Breached::find(wanted.breached_passwords.as_deref(), data)?,
    };
    let token_key = data.join("keys").join("token.key");
    let access = Access::new(
        ledger.pool().clone(),
        Arc::new(ledger.clone()),
        &token_key,
        ledger.clock().clone(),
        ledger.random().clone(),
        settings,
    )
    .map_err(|e| format!("the token key {}: {e}", token_key.display()))?;
    drop(alone);
    let access = Arc::new(access);
    let settled = Settled {
        public_url: wanted.public_url.clone(),
        local_url: address.clone(),
        body_timeout: wanted.body_timeout_ms.map_or(BODY_TIMEOUT, Duration::from_millis),
        parts_kept: wanted.parts_kept_s.map_or(PARTS_KEPT, |s| Duration::from_secs(s.into())),
        demo: demo.is_some(),
        guided: demo == Some(true),
    };
    let outside = Outside::new(ledger.clone(), &wanted)?;
    let app = App::new(ledger.clone(), access.clone(), outside.clone(), settled);
    let waiting = judging::resume(&app).await.map_err(|e| e.to_string())?;
    tracing::info!(waiting, "photos to judge from before");
    let cleared = away::reachable(&app).await;
    if cleared {
        away::clear(&app).await;
    }
    app.runtime.spawn(away::keep(app.clone(), cleared));
    access.tend().await.map_err(|e| e.detail)?;

    let metrics = operations::Metrics::with(spans.clone());
    let guarding = Guard {
        clock: ledger.clock().clone(),
        random: ledger.random().clone(),
        public_url: wanted.public_url.clone(),
        hsts: wanted.tls_cert.is_some()
            || wanted.behind_proxy && wanted.public_url.as_deref().is_some_and(|u| u.starts_with("https://")),
        behind_proxy: wanted.behind_proxy,
        metrics: metrics.clone(),
        traced: spans.is_some(),
    };
    let plain = plain_listener(certificates.as_ref(), bound);
    let trust = Trust {
        say: |language, key| words::language(language).plain(key),
        certificates: certificates.clone(),
        https_url: secure.then(|| address.clone()),
        plain_url: plain.as_ref().map(|(_, port)| format!("http://{}:{port}", lan_address(bound.ip()))),
    };
    let (shared, rights, trusted, guards) = (app.clone(), access.clone(), trust.clone(), guarding.clone());
    let factory = move || {
        Actix::new()
            .app_data(web::Data::new(shared.clone()))
            .app_data(web::Data::from(rights.clone()))
            .app_data(web::Data::new(guards.clone()))
            .app_data(web::Data::new(trusted.clone()))
            .wrap(from_fn(methods::known))
            .wrap(from_fn(packed::unless_small))
            .wrap(Compress::default())
            .wrap(from_fn(packed::as_said))
            .wrap(from_fn(guard))
            .configure(tls::trust::routes)
            .configure(http::routes)
    };
    let server = HttpServer::new(factory)
        .disable_signals()
        .shutdown_timeout(STOP)
        .workers(std::thread::available_parallelism().map_or(2, |n| n.get().clamp(2, 8)))
        .client_request_timeout(HEAD_TIMEOUT.min(app.settled.body_timeout));
    let server = match &certificates {
        Some(c) => server.listen_rustls_0_23(listener, tls::server_config(c.clone()).map_err(|e| e.to_string())?),
        None => server.listen(listener),
    }
    .map_err(|e| format!("cannot listen on {bound}: {e}"))?
    .run();

    if demo.is_some() {
        crate::demo::welcome(&app);
    }
    if let Some((listener, port)) = plain {
        let side = tls::trust::plain_server(listener, trust, guarding).map_err(|e| e.to_string())?;
        println!("Phones install this shop's certificate from http://{}:{port}/trust", lan_address(bound.ip()));
        tokio::spawn(side);
    }
    if let Some(c) = certificates {
        tokio::spawn(c.keep());
    }
    tokio::spawn(tend_daily(access.clone(), ledger.clone()));
    let errands = tokio::spawn(outside.keep(app.stopping.clone()));
    let tidying = tokio::spawn(upkeep::keep(app.clone(), upkeep::Told::of(&wanted)));
    let token = access.set_up_token().await.map_err(|p| p.detail)?;
    let beside = match wanted.operations {
        Some(at) => {
            let (side, at) = operations::server(at, app.clone(), metrics, data)
                .map_err(|e| format!("cannot listen on {at} for operations: {e}"))?;
            tokio::spawn(side);
            Some(format!("http://{at}"))
        }
        None => None,
    };
    // Before anybody hears that it is ready: who stops it at once is not to kill it.
    let mut stops = Stops::hear().map_err(|e| format!("the stop signal cannot be heard: {e}"))?;
    tell(&address, bound, secure, token.map(|t| (wanted.public_url.as_deref(), t)), beside.as_deref());
    let handle = server.handle();
    let (leaves, stopping) = (app.leaving.clone(), app.stopping.clone());
    let leaving = Duration::from_secs(wanted.leaving_s.unwrap_or(0).into());
    tokio::spawn(async move {
        stops.told().await;
        if !leaving.is_zero() {
            tracing::info!(seconds = leaving.as_secs(), "told to stop; a balancer sends others elsewhere first");
            leaves.cancel();
            tokio::select! {
                () = tokio::time::sleep(leaving) => {}
                () = stops.told() => {}
            }
        }
        tracing::info!("told to stop; finishing what was acknowledged");
        stopping.cancel();
        handle.stop(true).await;
    });
    server.await.map_err(|e| e.to_string())?;
    // A try under way is given up; it stands in its file.
    errands.abort();
    tidying.abort();
    app.background.close();
    app.background.wait().await;
    ledger.close().await;
    if let Some(exporting) = exporting {
        exporting.finish().await;
    }
    Ok(())
}

/// A plain listener beside HTTPS by the local authority, for phones that trust nothing yet: the next free port.
fn plain_listener(certificates: Option<&Arc<Certificates>>, bound: SocketAddr) -> Option<(std::net::TcpListener, u16)> {
    certificates?.authority()?;
    let listener = std::net::TcpListener::bind((bound.ip(), bound.port().checked_add(1)?))
        .or_else(|_| std::net::TcpListener::bind((bound.ip(), 0)))
        .ok()?;
    let port = listener.local_addr().ok()?.port();
    Some((listener, port))
}

/// Housekeeping of access and of the log's keys, once a day for ever; a failure is logged and tried again the next day.
async fn tend_daily(access: Arc<Access>, ledger: Ledger) {
    loop {
        tokio::time::sleep(Duration::from_secs(24 * 3600)).await;
        if let Err(p) = access.tend().await {
            tracing::error!(problem = %p.detail, "access could not be tended");
        }
        if let Err(e) = ledger.tend_keys().await {
            tracing::error!(error = %e, "the log's keys could not be tended");
        }
    }
}

/// One line a program can read, then what a person does next.
fn tell(
    address: &str,
    bound: SocketAddr,
    secure: bool,
    token: Option<(Option<&str>, String)>,
    operations: Option<&str>,
) {
    let scheme = if secure { "https" } else { "http" };
    let here = format!(
        "{scheme}://{}",
        if bound.ip().is_unspecified() { SocketAddr::new([127, 0, 0, 1].into(), bound.port()) } else { bound }
    );
    let set_up = token.map(|(public, t)| format!("{}/set-up#{t}", public.unwrap_or(&here).trim_end_matches('/')));
    println!("ready {}", json!({"address": here, "network": address, "set_up": set_up, "operations": operations}));
    if let Some(link) = set_up {
        println!("Nobody is set up yet. Open this link once to make the owner; whoever has it can:\n  {link}");
    }
}

/// What tells it to stop, heard from the moment this is made.
struct Stops {
    terminate: Signal,
    interrupt: Signal,
}

impl Stops {
    fn hear() -> io::Result<Stops> {
        Ok(Stops { terminate: signal(SignalKind::terminate())?, interrupt: signal(SignalKind::interrupt())? })
    }

    async fn told(&mut self) {
        tokio::select! {
            _ = self.terminate.recv() => {}
            _ = self.interrupt.recv() => {}
        }
    }
}

/// The address phones on the shop's network use: of the interface that has a way out, where we listen on all.
fn lan_address(bound: IpAddr) -> String {
    let ip = if bound.is_unspecified() {
        // Nothing is sent: connecting a datagram socket only asks the system for the way.
        UdpSocket::bind("0.0.0.0:0")
            .and_then(|s| s.connect("192.0.2.1:9").and_then(|()| s.local_addr()))
            .map_or(IpAddr::from([127, 0, 0, 1]), |a| a.ip())
    } else {
        bound
    };
    if ip.is_ipv6() { format!("[{ip}]") } else { ip.to_string() }
}

/// Structured logs to standard error, and spans to whoever collects them. What is never logged: bodies, names, tokens, link
/// secrets, positions.
fn logs(as_json: bool, spans: Option<Spans>) {
    let filter =
        tracing_subscriber::EnvFilter::try_from_env("COUNTERFOIL_LOG").unwrap_or_else(|_| "info,sqlx=warn".into());
    let lines = tracing_subscriber::fmt::layer().with_writer(std::io::stderr);
    let lines = if as_json { lines.json().boxed() } else { lines.compact().boxed() };
    let spans = spans.map(|layer| layer.with_filter(Meant));
    let done = tracing_subscriber::registry().with(spans).with(lines.with_filter(filter)).try_init();
    if done.is_err() {
        eprintln!("counterfoil: logs were set up before");
    }
}

impl Ledger {
    /// Puts the kinds and catalogues where entries can name them, for every shop.
    ///
    /// # Errors
    /// The database's.
    pub async fn keep_documents(&self) -> Result<(), sqlx::Error> {
        for shop in start::shops(self.pool()).await? {
            self.keep_documents_of(shop).await?;
        }
        Ok(())
    }

    /// Puts the kinds and catalogues where a shop's entries can name them: each version stays under its digest.
    ///
    /// # Errors
    /// The database's.
    pub async fn keep_documents_of(&self, shop: uuid::Uuid) -> Result<(), sqlx::Error> {
        for kind in crate::kinds::shipped() {
            crate::ledger::load::keep_document(self.pool(), shop, "kind", &kind.kind.id, &kind.bytes).await?;
        }
        for c in words::all() {
            crate::ledger::load::keep_document(self.pool(), shop, "words", &c.language, &c.bytes).await?;
        }
        Ok(())
    }
}
