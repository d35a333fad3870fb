//! Traces for whoever runs the program: how long a request took, and where. Off unless a collector is named. Spans are ordinary
//! spans of the log's library under one target; what is exported of them says no word about people (`layer`), goes out as OTLP in
//! JSON by the client that errands use (`export`, `outside::send`), and never makes anybody wait.

pub mod context;
mod export;
mod layer;
pub mod otlp;
mod sampler;

use std::time::Duration;

pub use export::Queue;
use hyper::Uri;
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;

use crate::config::Serve;
use crate::edge::{Clock, Random};
use crate::outside::send;
use export::Exporter;
pub use layer::{Meant, Spans};
use sampler::Sampler;

/// The target of spans that are exported.
pub const TARGET: &str = "counterfoil::traces";
/// The span of a request.
pub const REQUEST: &str = "request";
/// How often at most when nothing is said, as the specification has it.
const EVERY: Duration = Duration::from_secs(5);
/// How long one try may take when nothing is said.
const WITHIN: Duration = Duration::from_secs(10);
/// How long a stop waits for a collector.
const LEAVING: Duration = Duration::from_secs(5);
/// Where spans go below the address of a collector.
const PATH: &str = "v1/traces";

/// A step that belongs to a request: a span that is exported and not shown in the log.
macro_rules! step {
    (parent: $parent:expr, $name:literal $(, $($field:tt)*)?) => {
        tracing::debug_span!(target: $crate::traces::TARGET, parent: $parent, $name $(, $($field)*)?)
    };
    ($name:literal $(, $($field:tt)*)?) => {
        tracing::debug_span!(target: $crate::traces::TARGET, $name $(, $($field)*)?)
    };
}
pub(crate) use step;

/// Export that is on.
#[derive(Debug)]
pub struct Exporting {
    /// The layer that hears of spans.
    pub layer: Spans,
    exporter: Exporter,
}

/// Export that runs.
#[derive(Debug)]
pub struct Running {
    task: JoinHandle<()>,
    stop: CancellationToken,
}

impl Exporting {
    /// As it is told; none: no collector is named.
    ///
    /// # Errors
    /// A sentence.
    pub fn of(wanted: &Serve) -> Result<Option<Exporting>, String> {
        let Some(base) = wanted.otlp_endpoint.as_deref().filter(|e| !e.is_empty()) else { return Ok(None) };
        let to: Uri = send::address(&format!("{}/{PATH}", base.trim_end_matches('/')))
            .map_err(|_| "the collector of traces: its address is http://host:port or https://host".to_owned())?;
        let mut resource = otlp::attributes(wanted.otlp_resource_attributes.as_deref().unwrap_or_default())?;
        let name = wanted.otlp_service_name.clone().filter(|n| !n.is_empty());
        // The service's own name wins over one among the attributes.
        if let Some(name) = name.or_else(|| resource.iter().all(|(k, _)| k != NAME).then(|| "counterfoil".to_owned())) {
            resource.retain(|(k, _)| k != NAME);
            resource.push((NAME.to_owned(), name));
        }
        resource.push(("service.version".to_owned(), env!("CARGO_PKG_VERSION").to_owned()));
        let heads = otlp::pairs(wanted.otlp_headers.as_deref().unwrap_or_default())
            .ok_or("heads for the collector of traces are written key=value,key=value, percent-encoded")?;
        let heads = send::heads(heads).map_err(|e| format!("the collector of traces: {e}"))?;
        let sampler = Sampler::read(wanted.otlp_sampler.as_deref(), wanted.otlp_sampler_share.as_deref())?;
        let ms = |told: Option<u32>, else_: Duration| told.map_or(else_, |ms| Duration::from_millis(ms.into()));
        let (every, within) = (ms(wanted.otlp_every_ms, EVERY), ms(wanted.otlp_timeout_ms, WITHIN));
        let (exporter, queue) = Exporter::to((to, heads), resource, every, within);
        let layer = Spans { queue, sampler, clock: Clock::System, random: Random::System };
        Ok(Some(Exporting { layer, exporter }))
    }

    /// The layer, the counts, and the task that sends.
    pub fn start(self) -> (Spans, Queue, Running) {
        let (stop, queue) = (CancellationToken::new(), self.layer.queue.clone());
        let task = tokio::spawn(self.exporter.keep(stop.clone()));
        (self.layer, queue, Running { task, stop })
    }
}

/// What a service is called by.
const NAME: &str = "service.name";

impl Running {
    /// Sends what is left, for some seconds at most.
    pub async fn finish(mut self) {
        self.stop.cancel();
        if tokio::time::timeout(LEAVING, &mut self.task).await.is_err() {
            self.task.abort();
            tracing::warn!("spans that the collector did not take in time are lost");
        }
    }
}
