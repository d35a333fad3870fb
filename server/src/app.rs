//! What the handlers share.

use std::sync::Arc;
use std::time::Duration;

use actix_web::HttpRequest;
use base64::Engine;
use tokio::sync::{RwLock, Semaphore};
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;
use uuid::Uuid;

use crate::access::Access;
use crate::database;
use crate::http::no;
use crate::ledger::Ledger;
use crate::outside::Outside;
use crate::problem::Problem;

/// Memory that pictures may take while they are read and decoded, in megabytes.
pub const PICTURE_MEMORY_MB: u32 = 160;
/// Memory for the quick walk over files just kept, MB: some at a time, a large one alone.
pub const WEIGHING_MB: u32 = 48;
/// Uploads taken at the same time; further ones are asked to come again.
pub const UPLOADS: usize = 96;

/// Comparisons that may wait for their turn; further ones are asked to come again.
pub const COMPARISONS: usize = 6;

/// How the program was told to run, as far as handlers need it.
#[derive(Clone, Debug)]
pub struct Settled {
    /// The public address, where one is configured.
    pub public_url: Option<String>,
    /// The address the desk shows to phones on the shop's network.
    pub local_url: String,
    /// How long an upload may stand still.
    pub body_timeout: Duration,
    /// How long parts of a file that nobody finishes are kept.
    pub parts_kept: Duration,
    /// An invented shop, not a real one.
    pub demo: bool,
    /// Whether pages say what they are for, and drawn pictures can be had: in an invented shop with a history.
    pub guided: bool,
}

/// The application.
#[derive(Clone)]
pub struct App {
    /// Facts.
    pub ledger: Ledger,
    /// Staff, devices, sessions, links.
    pub access: Arc<Access>,
    /// Errands outside the shop.
    pub outside: Outside,
    /// How the program runs.
    pub settled: Arc<Settled>,
    /// Memory permits for pictures, a megabyte each.
    pub picture_memory: Arc<Semaphore>,
    /// Memory permits for the walk over a file before it is answered for, a megabyte each.
    pub weighing: Arc<Semaphore>,
    /// One permit for the kinds of pictures that are looked at one at a time.
    pub alone: Arc<Semaphore>,
    /// Held while a photo is compared with the others and its judgement is said.
    pub comparing: Arc<tokio::sync::Mutex<()>>,
    /// Comparisons asked for and not done; one goes at a time.
    pub comparisons: Arc<Semaphore>,
    /// Uploads under way.
    pub uploads: Arc<Semaphore>,
    /// Held while parts are joined: a file is joined once.
    pub joining: Arc<tokio::sync::Mutex<()>>,
    /// Shared while bytes just kept are said to be held, taken alone to take refused ones away.
    pub discarding: Arc<RwLock<()>>,
    /// Set when the program is told to stop and still serves: a balancer is meant to send others elsewhere.
    pub leaving: CancellationToken,
    /// Set when it stops: streams end.
    pub stopping: CancellationToken,
    /// The program's own runtime, which outlives the workers.
    pub runtime: tokio::runtime::Handle,
    /// Work that goes on after its answer; waited for at shutdown.
    pub background: TaskTracker,
}

impl App {
    /// The application over its parts.
    pub fn new(ledger: Ledger, access: Arc<Access>, outside: Outside, settled: Settled) -> App {
        App {
            outside,
            ledger,
            access,
            settled: Arc::new(settled),
            picture_memory: Arc::new(Semaphore::new(PICTURE_MEMORY_MB as usize)),
            weighing: Arc::new(Semaphore::new(WEIGHING_MB as usize)),
            alone: Arc::new(Semaphore::new(1)),
            comparing: Arc::default(),
            comparisons: Arc::new(Semaphore::new(COMPARISONS)),
            uploads: Arc::new(Semaphore::new(UPLOADS)),
            joining: Arc::default(),
            discarding: Arc::default(),
            leaving: CancellationToken::new(),
            stopping: CancellationToken::new(),
            runtime: tokio::runtime::Handle::current(),
            background: TaskTracker::new(),
        }
    }

    /// Keeps other processes out of this work in this shop until it is dropped; those of this process wait before it by a
    /// lock of their own.
    ///
    /// # Errors
    /// The database's.
    pub async fn alone_in(&self, shop: Uuid, work: &str) -> Result<Option<database::Transaction>, sqlx::Error> {
        database::alone(self.ledger.pool(), &format!("{work} {shop}")).await
    }

    /// Takes note of the newest checkpoint the client has seen, where it sends one.
    ///
    /// # Errors
    /// The database's, as a problem.
    pub async fn see_checkpoint(&self, shop: Uuid, req: &HttpRequest) -> Result<(), Problem> {
        let header =
            req.headers().get("Counterfoil-Checkpoint").and_then(|h| h.to_str().ok()).filter(|h| h.len() <= 2048);
        let note = header
            .and_then(|h| base64::engine::general_purpose::URL_SAFE_NO_PAD.decode(h).ok())
            .and_then(|b| String::from_utf8(b).ok());
        match note {
            Some(note) => self.ledger.seen(shop, &note).await.map_err(no::fault),
            None => Ok(()),
        }
    }
}
