//! `counterfoil witness`: holds the newest checkpoint it signed of each log it watches, checks that the next one goes on from it, and
//! signs (C2SP tlog-witness, <https://c2sp.org/tlog-witness>). It needs a clock, a disk and a network, so it stands here and not in `verify`.
//! It runs at somebody else's: a witness that the shop runs itself sees what the shop shows it.

use std::collections::BTreeMap;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use actix_web::{App, HttpResponse, HttpServer, http::StatusCode, web};
use evidence::checkpoint::Checkpoint;
use evidence::cosignature::Witness;
use evidence::note::VerifierKey;
use evidence::witness::{MAX_REQUEST, Refusal, Request, decide, origin_of};
use serde_json::json;
use tokio::sync::Mutex;

use crate::access::secret_file;
use crate::config::WitnessOf;
use crate::edge::{Clock, Random};
use crate::ledger::start::key_file;
use crate::originals::make_folder;

/// Most origins that are held: whoever holds a log's key could open epochs without end.
const MOST_ORIGINS: usize = 1000;

struct Watching {
    witness: Witness,
    logs: Vec<VerifierKey>,
    clock: Clock,
    file: PathBuf,
    /// By origin, the text of the newest checkpoint that was signed.
    seen: Mutex<BTreeMap<String, String>>,
}

/// Runs a witness until it is told to stop.
///
/// # Errors
/// A sentence that says why it does not.
pub async fn run(wanted: WitnessOf) -> Result<(), String> {
    make_folder(&wanted.data).map_err(|e| format!("{}: {e}", wanted.data.display()))?;
    let key_at = wanted.data.join("witness.key");
    let file = wanted.data.join("seen.json");
    // A key without its memory would sign what it refused before.
    let fresh = !file.exists();
    let seed = key_file(&key_at, fresh, &Random::System).map_err(|e| e.to_string())?;
    let witness = Witness::new(&wanted.name, seed).map_err(|e| format!("{}: {e}", wanted.name))?;
    let logs = wanted.log.iter().map(|k| k.parse().map_err(|e| format!("{k}: {e}")));
    let logs = logs.collect::<Result<Vec<VerifierKey>, String>>()?;
    let seen = if fresh { BTreeMap::new() } else { remembered(&file)? };
    if fresh {
        remember(&file, &seen)?;
    }
    let key = witness.verifier().to_string();
    let watching = Arc::new(Watching { witness, logs, clock: Clock::System, file, seen: Mutex::new(seen) });
    let server = HttpServer::new(move || {
        App::new()
            .app_data(web::Data::from(watching.clone()))
            .app_data(web::PayloadConfig::new(MAX_REQUEST))
            .service(web::resource("/add-checkpoint").post(add))
    })
    .workers(1)
    .bind(wanted.listen)
    .map_err(|e| format!("cannot listen on {}: {e}", wanted.listen))?;
    let address = server.addrs().first().map(|a| format!("http://{a}")).unwrap_or_default();
    println!("ready {}", json!({"address": address, "key": key}));
    // Whoever started it may read no further than the first line.
    let told = format!("Give the shop this, to be told as --witness, and its customers the key:\n  {key}@{address}");
    drop(writeln!(std::io::stdout(), "{told}"));
    server.run().await.map_err(|e| e.to_string())
}

fn remembered(file: &Path) -> Result<BTreeMap<String, String>, String> {
    let text = std::fs::read_to_string(file).map_err(|e| format!("{}: {e}", file.display()))?;
    let seen: BTreeMap<String, String> =
        serde_json::from_str(&text).map_err(|e| format!("{}: what was seen cannot be read: {e}", file.display()))?;
    match seen.values().find(|text| Checkpoint::parse(text).is_err()) {
        Some(_) => Err(format!("{}: what was seen is no checkpoint", file.display())),
        None => Ok(seen),
    }
}

fn remember(file: &Path, seen: &BTreeMap<String, String>) -> Result<(), String> {
    let text = serde_json::to_vec_pretty(seen).map_err(|e| e.to_string())?;
    secret_file::write(file, &text).map_err(|e| format!("{}: {e}", file.display()))
}

fn refused(refusal: Refusal, origin: &str) -> HttpResponse {
    tracing::warn!(%origin, %refusal, "not signed");
    let mut answer = HttpResponse::build(StatusCode::from_u16(refusal.status()).unwrap_or(StatusCode::BAD_REQUEST));
    match refusal {
        Refusal::Seen(size) => answer.content_type("text/x.tlog.size").body(format!("{size}\n")),
        other => answer.content_type("text/plain; charset=utf-8").body(format!("{other}\n")),
    }
}

/// One checkpoint after the other: what was seen is compared and replaced under one lock, and on disk before the answer.
async fn add(watching: web::Data<Watching>, body: web::Bytes) -> HttpResponse {
    let request = std::str::from_utf8(&body).map_err(|_| Refusal::Form).and_then(Request::read);
    let request = match request {
        Ok(request) => request,
        Err(refusal) => return refused(refusal, ""),
    };
    let origin = origin_of(&request).to_owned();
    let mut seen = watching.seen.lock().await;
    let before = seen.get(&origin).and_then(|text| Checkpoint::parse(text).ok());
    let now = match decide(&request, before.as_ref(), &watching.logs) {
        Ok(now) => now,
        Err(refusal) => return refused(refusal, &origin),
    };
    if before.is_none() && seen.len() >= MOST_ORIGINS {
        return HttpResponse::TooManyRequests().body("more logs are held here than there is room for\n");
    }
    let mut next = seen.clone();
    next.insert(origin.clone(), now.text());
    let (file, kept) = (watching.file.clone(), next.clone());
    let done = tokio::task::spawn_blocking(move || remember(&file, &kept)).await;
    if let Err(e) = done.map_err(|e| e.to_string()).and_then(|d| d) {
        tracing::error!(error = %e, "what was seen was not kept: nothing is signed");
        return HttpResponse::InternalServerError().body("what was seen could not be kept\n");
    }
    *seen = next;
    let time = u64::try_from(watching.clock.now() / 1000).unwrap_or(0);
    tracing::info!(%origin, size = now.size, "signed");
    HttpResponse::Ok().content_type("text/plain; charset=utf-8").body(watching.witness.cosign(&now.text(), time))
}
