//! The appender of one shop: a task that batches commands into transactions (group commit).

use std::sync::{Arc, Mutex};

use tokio::sync::{Notify, mpsc, oneshot};
use tokio::task::JoinHandle;
use tracing::Instrument;
use uuid::Uuid;

use super::warm::Warm;
use super::{Answer, Command, Ledger, No};
use crate::traces::step;

/// Most commands in one transaction.
pub(super) const BATCH: usize = 64;
/// Most commands waiting; beyond it callers wait, which is what holds a flood back.
const WAITING: usize = 256;

/// Commands that wait for their turn.
pub(super) type Waiting = mpsc::Receiver<Job>;

/// One command and where its answer goes.
pub(super) struct Job {
    pub command: Command,
    pub reply: oneshot::Sender<Result<Answer, No>>,
    /// Where it waits, for the trace of it.
    pub waits: tracing::Span,
}

/// A handle to the task.
#[derive(Clone)]
pub(super) struct Appender {
    jobs: mpsc::Sender<Job>,
    task: Arc<Mutex<Option<JoinHandle<()>>>>,
}

impl Appender {
    pub fn start(ledger: Ledger, shop: Uuid) -> Appender {
        let (jobs, mut waiting) = mpsc::channel::<Job>(WAITING);
        let runtime = ledger.inner.runtime.clone();
        let task = runtime.spawn(async move {
            // Publishing follows the answer and never holds the next batch back; only the newest head counts.
            let moved = Arc::new(Notify::new());
            let publisher = tokio::spawn({
                let (ledger, moved) = (ledger.clone(), moved.clone());
                async move {
                    loop {
                        moved.notified().await;
                        ledger.publish(shop).await;
                    }
                }
            });
            let mut batch = Vec::with_capacity(BATCH);
            let mut warm = Warm::default();
            while waiting.recv_many(&mut batch, BATCH).await > 0 {
                // Of several that wait, the first one's trace shows the batch.
                let first = batch.first().map_or_else(tracing::Span::none, |job| job.waits.clone());
                let step = step!(parent: &first, "ledger batch", commands = batch.len());
                drop(first);
                ledger.batch(shop, std::mem::take(&mut batch), &mut waiting, &mut warm).instrument(step).await;
                moved.notify_one();
            }
            publisher.abort();
            let _ = publisher.await;
            ledger.publish(shop).await;
        });
        Appender { jobs, task: Arc::new(Mutex::new(Some(task))) }
    }

    pub async fn append(&self, command: Command) -> Result<Answer, No> {
        let (reply, answer) = oneshot::channel();
        let stopping = || No::Busy("the server is stopping; the same again reaches it when it is back".into());
        self.jobs.send(Job { command, reply, waits: tracing::Span::current() }).await.map_err(|_| stopping())?;
        answer.await.map_err(|_| stopping())?
    }

    pub async fn finish(self) {
        let task = self.task.lock().unwrap_or_else(std::sync::PoisonError::into_inner).take();
        drop(self.jobs);
        if let Some(task) = task
            && let Err(e) = task.await
        {
            tracing::error!(error = %e, "an appender did not end cleanly");
        }
    }
}
