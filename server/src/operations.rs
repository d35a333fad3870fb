//! What whoever runs the program asks of it: alive, ready and why not, and numbers for a monitor. On an address of its own, which
//! nobody outside is meant to reach: nothing here names a person or a machine, but nothing is asked of the caller either.

use std::collections::BTreeMap;
use std::net::{SocketAddr, TcpListener};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};

use actix_web::dev::Server;
use actix_web::http::header;
use actix_web::{App as Actix, HttpResponse, HttpServer, web};
use serde_json::json;

use crate::app::{App, PICTURE_MEMORY_MB, UPLOADS};
use crate::originals;
use crate::traces;
use crate::upkeep;

/// Upper ends of the histogram's ranges, milliseconds.
const ENDS: [i64; 9] = [5, 20, 50, 100, 250, 500, 1000, 2500, 10_000];
/// Least free space to be ready, bytes: one photo of 64 MB, its copies, and the database's journal.
const LEAST_FREE: u64 = 256 * 1024 * 1024;

/// A name, what it counts, and its values by their labels.
pub type Gauge = (&'static str, &'static str, Vec<(String, f64)>);

/// What requests of one route took.
#[derive(Clone, Debug, Default, PartialEq)]
struct Took {
    within: [u64; ENDS.len()],
    count: u64,
    sum_ms: i64,
    by_status: BTreeMap<u16, u64>,
}

/// Counts since the program started.
#[derive(Clone, Debug, Default)]
pub struct Metrics {
    by_route: Arc<Mutex<BTreeMap<String, Took>>>,
    spans: Option<traces::Queue>,
}

impl Metrics {
    /// Those of a program whose traces go to a collector, or to none.
    pub fn with(spans: Option<traces::Queue>) -> Metrics {
        Metrics { spans, ..Metrics::default() }
    }

    /// A request was answered. Routes are patterns, never paths: a link's secret is in its path.
    pub fn answered(&self, route: &str, status: u16, ms: i64) {
        let Ok(mut routes) = self.by_route.lock() else { return };
        let took = routes.entry(route.to_owned()).or_default();
        took.count += 1;
        took.sum_ms = took.sum_ms.saturating_add(ms.max(0));
        *took.by_status.entry(status).or_default() += 1;
        for (slot, end) in took.within.iter_mut().zip(ENDS) {
            *slot += u64::from(ms <= end);
        }
    }

    /// As a monitor reads them (Prometheus text format 0.0.4).
    fn text(&self, gauges: &[Gauge]) -> String {
        let routes = self.by_route.lock().map(|r| r.clone()).unwrap_or_default();
        let mut out = String::new();
        let mut line = |text: String| {
            out.push_str(&text);
            out.push('\n');
        };
        line("# HELP counterfoil_requests_total Requests answered.".into());
        line("# TYPE counterfoil_requests_total counter".into());
        for (route, took) in &routes {
            for (status, n) in &took.by_status {
                line(format!("counterfoil_requests_total{{route=\"{}\",status=\"{status}\"}} {n}", escaped(route)));
            }
        }
        line("# HELP counterfoil_request_seconds How long requests took.".into());
        line("# TYPE counterfoil_request_seconds histogram".into());
        for (route, took) in &routes {
            let route = escaped(route);
            for (n, end) in took.within.iter().zip(ENDS) {
                let le = end as f64 / 1000.0;
                line(format!("counterfoil_request_seconds_bucket{{route=\"{route}\",le=\"{le}\"}} {n}"));
            }
            line(format!("counterfoil_request_seconds_bucket{{route=\"{route}\",le=\"+Inf\"}} {}", took.count));
            line(format!("counterfoil_request_seconds_sum{{route=\"{route}\"}} {}", took.sum_ms as f64 / 1000.0));
            line(format!("counterfoil_request_seconds_count{{route=\"{route}\"}} {}", took.count));
        }
        for (name, help, values) in gauges {
            line(format!("# HELP {name} {help}"));
            line(format!("# TYPE {name} gauge"));
            for (labels, value) in values {
                line(format!("{name}{labels} {value}"));
            }
        }
        out
    }
}

/// A label's value as the format wants it.
pub(crate) fn escaped(value: &str) -> String {
    value.replace('\\', "\\\\").replace('"', "\\\"").replace('\n', "\\n")
}

/// What is asked, and of what.
#[derive(Clone)]
struct Asked {
    app: App,
    metrics: Metrics,
    data: PathBuf,
}

/// What keeps the program from serving now, a sentence each; none: it is ready.
async fn reasons(asked: &Asked) -> Vec<String> {
    let mut out = Vec::new();
    if let Err(e) = sqlx::query("SELECT 1").execute(asked.app.ledger.pool()).await {
        out.push(format!("the database does not answer: {e}"));
    }
    match free(&asked.data) {
        Some(bytes) if bytes < LEAST_FREE => {
            out.push(format!("{} MB are free where everything is kept; photos are refused first", bytes >> 20));
        }
        Some(_) => {}
        None => out.push("the disk does not tell how much is free".to_owned()),
    }
    let root = asked.app.ledger.originals().root().to_owned();
    let writes = tokio::task::spawn_blocking(move || originals::takes_writes(&root)).await;
    if let Err(e) = writes.map_err(std::io::Error::other).and_then(|w| w) {
        out.push(format!("the originals cannot be written: {e}"));
    }
    if asked.app.leaving.is_cancelled() || asked.app.stopping.is_cancelled() {
        out.push("it was told to stop".to_owned());
    }
    out
}

/// Free bytes that this program may use there.
fn free(at: &Path) -> Option<u64> {
    let told = rustix::fs::statvfs(at).ok()?;
    Some(told.f_bavail.saturating_mul(told.f_frsize))
}

/// What does not work although it serves, a sentence each. A bucket that is away is no reason to be taken out from behind a
/// balancer: every server would be, and the counter could not go on.
async fn lacks(asked: &Asked) -> Vec<String> {
    let Some(bucket) = asked.app.ledger.originals().bucket() else { return Vec::new() };
    let (answers, _) = bucket.health().await;
    let away = || format!("the store of originals, {}, does not answer: photos wait on the phones", bucket.address());
    (!answers).then(away).into_iter().collect()
}

async fn ready(asked: web::Data<Asked>) -> HttpResponse {
    let (reasons, lacks) = (reasons(&asked).await, lacks(&asked).await);
    let body = json!({"ready": reasons.is_empty(), "reasons": reasons, "lacks": lacks});
    let mut answer = if reasons.is_empty() { HttpResponse::Ok() } else { HttpResponse::ServiceUnavailable() };
    answer.insert_header((header::CACHE_CONTROL, "no-store")).json(body)
}

async fn alive() -> HttpResponse {
    HttpResponse::Ok().insert_header((header::CACHE_CONTROL, "no-store")).json(json!({"alive": true}))
}

async fn metrics(asked: web::Data<Asked>) -> HttpResponse {
    let app = &asked.app;
    let sizes: Vec<(String, i64)> = sqlx::query_as("SELECT shop, size FROM log_head ORDER BY shop")
        .fetch_all(app.ledger.pool())
        .await
        .unwrap_or_default();
    let one = |value: f64| vec![(String::new(), value)];
    let used = |all: usize, left: usize| one(all.saturating_sub(left) as f64);
    let mut gauges = vec![
        (
            "counterfoil_log_entries",
            "Entries of each shop's log.",
            sizes.iter().map(|(shop, n)| (format!("{{shop=\"{}\"}}", escaped(shop)), *n as f64)).collect(),
        ),
        ("counterfoil_uploads", "Uploads and packs under way.", used(UPLOADS, app.uploads.available_permits())),
        (
            "counterfoil_picture_memory_megabytes",
            "Memory lent to pictures that are decoded.",
            used(PICTURE_MEMORY_MB as usize, app.picture_memory.available_permits()),
        ),
        (
            "counterfoil_background_tasks",
            "Work that goes on after its answer: judgements.",
            one(app.background.len() as f64),
        ),
    ];
    gauges.extend(upkeep::gauges(&app.ledger).await.unwrap_or_default());
    if let Some(bucket) = app.ledger.originals().bucket() {
        let (answers, failures) = bucket.health().await;
        gauges.push((
            "counterfoil_originals_store_answers",
            "Whether the bucket of originals answers: 1, or 0.",
            one(f64::from(u8::from(answers))),
        ));
        gauges.push((
            "counterfoil_originals_store_failures",
            "Requests since the start that the bucket of originals did not answer rightly.",
            one(failures as f64),
        ));
    }
    if let Some(spans) = &asked.metrics.spans {
        let counts = spans.counts().map(|(what, n)| (format!("{{outcome=\"{what}\"}}"), n as f64));
        gauges.push((
            "counterfoil_spans",
            "Spans since the start: sent, dropped since too many waited, dropped since the collector did not take them.",
            counts.to_vec(),
        ));
    }
    if let Some(bytes) = free(&asked.data) {
        gauges.push(("counterfoil_free_bytes", "Free where everything is kept.", one(bytes as f64)));
    }
    HttpResponse::Ok()
        .content_type("text/plain; version=0.0.4; charset=utf-8")
        .insert_header((header::CACHE_CONTROL, "no-store"))
        .body(asked.metrics.text(&gauges))
}

/// Serves them; gives the address it listens on.
///
/// # Errors
/// When it cannot listen there.
pub fn server(at: SocketAddr, app: App, metrics_of: Metrics, data: &Path) -> std::io::Result<(Server, SocketAddr)> {
    let listener = TcpListener::bind(at)?;
    let bound = listener.local_addr()?;
    let asked = web::Data::new(Asked { app, metrics: metrics_of, data: data.to_owned() });
    let factory = move || {
        Actix::new()
            .app_data(asked.clone())
            .route("/healthz", web::get().to(alive))
            .route("/readyz", web::get().to(ready))
            .route("/metrics", web::get().to(metrics))
    };
    Ok((HttpServer::new(factory).workers(1).disable_signals().listen(listener)?.run(), bound))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ranges_hold_what_they_say_and_labels_cannot_break_out() {
        let metrics = Metrics::default();
        metrics.answered("/v1/\"x\"", 200, 5);
        metrics.answered("/v1/\"x\"", 503, 300);
        let text = metrics.text(&[("counterfoil_uploads", "Under way.", vec![(String::new(), 2.0)])]);
        let route = "route=\"/v1/\\\"x\\\"\"";
        for line in [
            format!("counterfoil_requests_total{{{route},status=\"200\"}} 1"),
            format!("counterfoil_requests_total{{{route},status=\"503\"}} 1"),
            format!("counterfoil_request_seconds_bucket{{{route},le=\"0.005\"}} 1"),
            format!("counterfoil_request_seconds_bucket{{{route},le=\"0.25\"}} 1"),
            format!("counterfoil_request_seconds_bucket{{{route},le=\"0.5\"}} 2"),
            format!("counterfoil_request_seconds_bucket{{{route},le=\"+Inf\"}} 2"),
            format!("counterfoil_request_seconds_sum{{{route}}} 0.305"),
            "counterfoil_uploads 2".to_owned(),
        ] {
            assert!(text.lines().any(|l| l == line), "{line} is not in\n{text}");
        }
    }
}
