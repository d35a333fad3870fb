//! Spans on their way to a collector: a bounded queue that nobody waits for, one task that sends, and counts of what became of them.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::Duration;

use hyper::Uri;
use tokio::sync::mpsc;
use tokio_util::sync::CancellationToken;

use super::otlp::{self, Ended};
use crate::outside::send::{self, Heads};

/// Spans that wait at most; further ones are dropped and counted.
const WAITING: usize = 2048;
/// Spans of one sending at most.
const BATCH: usize = 512;
/// How often one sending is tried.
const TRIES: u32 = 3;
/// The wait before the second try; it doubles.
const FIRST_WAIT: Duration = Duration::from_millis(500);
/// Bytes of an answer at most.
const ANSWER: usize = 64 * 1024;

/// What became of spans since the start.
#[derive(Debug, Default)]
struct Counts {
    sent: AtomicU64,
    full: AtomicU64,
    refused: AtomicU64,
    away: AtomicBool,
}

/// Where spans are put.
#[derive(Clone, Debug)]
pub struct Queue {
    spans: mpsc::Sender<Ended>,
    counts: Arc<Counts>,
}

impl Queue {
    /// Never waits: where there is no room, it is dropped.
    pub(super) fn put(&self, span: Ended) {
        if self.spans.try_send(span).is_err() {
            self.counts.full.fetch_add(1, Ordering::Relaxed);
        }
    }

    /// What became of spans: sent; dropped, since too many waited; dropped, since the collector did not take them.
    pub fn counts(&self) -> [(&'static str, u64); 3] {
        let of = |n: &AtomicU64| n.load(Ordering::Relaxed);
        [("sent", of(&self.counts.sent)), ("full", of(&self.counts.full)), ("refused", of(&self.counts.refused))]
    }
}

/// What sends them.
#[derive(Debug)]
pub(super) struct Exporter {
    pub to: Uri,
    /// What a collector asks for in the head of each sending.
    pub heads: Heads,
    pub resource: Vec<(String, String)>,
    /// How often at most, unless a whole sending waits.
    pub every: Duration,
    /// How long one try may take.
    pub within: Duration,
    pub spans: mpsc::Receiver<Ended>,
    counts: Arc<Counts>,
}

impl Exporter {
    /// One for this collector, and the queue to it.
    pub(super) fn to(
        (to, heads): (Uri, Heads),
        resource: Vec<(String, String)>,
        every: Duration,
        within: Duration,
    ) -> (Exporter, Queue) {
        let (put, spans) = mpsc::channel(WAITING);
        let counts = Arc::<Counts>::default();
        (Exporter { to, heads, resource, every, within, spans, counts: counts.clone() }, Queue { spans: put, counts })
    }

    /// Sends until it is told to stop, then what is left.
    pub(super) async fn keep(mut self, stop: CancellationToken) {
        let mut batch = Vec::with_capacity(BATCH);
        while !stop.is_cancelled() {
            let more = tokio::select! {
                n = self.spans.recv_many(&mut batch, BATCH) => n > 0,
                () = stop.cancelled() => break,
            };
            let every = tokio::time::sleep(self.every);
            tokio::pin!(every);
            while batch.len() < BATCH {
                let room = BATCH - batch.len();
                tokio::select! {
                    n = self.spans.recv_many(&mut batch, room), if more => if n == 0 { break },
                    () = &mut every => break,
                    () = stop.cancelled() => break,
                }
            }
            self.send(&mut batch, &stop).await;
        }
        loop {
            while batch.len() < BATCH
                && let Ok(span) = self.spans.try_recv()
            {
                batch.push(span);
            }
            if batch.is_empty() {
                return;
            }
            self.send(&mut batch, &stop).await;
        }
    }

    /// One sending. A collector that may take it later is tried again, but not at a stop.
    async fn send(&self, batch: &mut Vec<Ended>, stop: &CancellationToken) {
        if batch.is_empty() {
            return;
        }
        let number = batch.len() as u64;
        let body = otlp::body(&self.resource, batch).to_string().into_bytes();
        batch.clear();
        let mut wait = FIRST_WAIT;
        for tried in 1..=TRIES {
            let bounds = (ANSWER, self.within);
            let why = match send::post_with(&self.to, "application/json", &self.heads, body.clone(), bounds).await {
                Ok(answer) if answer.status.is_success() => {
                    let rejected = otlp::rejected(&answer.bytes).min(number);
                    self.counts.refused.fetch_add(rejected, Ordering::Relaxed);
                    self.counts.sent.fetch_add(number - rejected, Ordering::Relaxed);
                    if self.counts.away.swap(false, Ordering::Relaxed) {
                        tracing::info!("the collector of traces takes spans again");
                    }
                    return;
                }
                Ok(answer) if matches!(answer.status.as_u16(), 429 | 502 | 503 | 504) => answer.status.to_string(),
                Ok(answer) => {
                    self.lost(number, &answer.status.to_string());
                    return;
                }
                Err(e) => e.to_string(),
            };
            if tried == TRIES || stop.is_cancelled() {
                self.lost(number, &why);
                return;
            }
            tokio::select! {
                () = tokio::time::sleep(wait) => wait *= 2,
                () = stop.cancelled() => {}
            }
        }
    }

    fn lost(&self, number: u64, why: &str) {
        self.counts.refused.fetch_add(number, Ordering::Relaxed);
        if !self.counts.away.swap(true, Ordering::Relaxed) {
            tracing::warn!(
                why,
                "the collector of traces does not take spans; they are dropped, and counted on /metrics"
            );
        }
    }
}
