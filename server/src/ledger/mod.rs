//! The ledger: the only write path for facts. One log a shop, one appender a shop, everything else derived.
//!
//! Order of writes: (1) originals durable; (2) one transaction with entries, disclosures, tree nodes, head and
//! projections; (3) the answer; then the checkpoint is published beside the originals.

mod across;
mod append;
mod appender;
pub mod erase;
pub mod find;
pub mod gone;
mod herald;
pub mod keys;
pub mod load;
pub mod project;
pub mod prove;
mod repeated;
pub mod start;
mod tag_lease;
mod warm;

use std::collections::HashMap;
use std::sync::{Arc, Mutex};

use evidence::digest::Digest;
use evidence::entry::{Author, Kept, Said};
use serde_json::{Map, Value};
use tokio::sync::broadcast;
use tracing::Instrument;
use uuid::Uuid;

use crate::database;
use crate::edge::{Clock, Random};
use crate::intake::decide::{Refusal, Sentence};
use crate::intake::kind::LoadedKind;
use crate::originals::Originals;
use crate::traces::step;

/// Name in front of every log's origin.
pub const LOG_NAME: &str = "counterfoil";

/// What a device measured of its own clock against ours.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Measured {
    /// Server clock minus device clock, milliseconds.
    pub offset_ms: i64,
    /// Round trip of the measurement, milliseconds.
    pub round_trip_ms: u64,
}

/// Who commands, and what that person may do.
#[derive(Clone, Debug, Default)]
pub struct Right {
    /// Staff member; absent for the server itself.
    pub staff: Option<Uuid>,
    /// Roles: `counter`, `bench`, `owner`.
    pub roles: Vec<String>,
}

impl Right {
    /// The server itself.
    pub fn server() -> Right {
        Right::default()
    }
}

/// A command: what was said, to be judged and kept.
#[derive(Clone, Debug)]
pub struct Command {
    /// What was said.
    pub said: Said,
    /// Disclosures of its personal members.
    pub disclosures: Vec<String>,
    /// The device's clock as measured.
    pub measured: Option<Measured>,
    /// Who commands.
    pub right: Right,
}

/// A fact the server states.
#[derive(Clone, Debug)]
pub struct ServerEntry {
    /// The type.
    pub kind: String,
    /// The intake it belongs to; none for the shop's own.
    pub intake: Option<Uuid>,
    /// The body.
    pub body: Map<String, Value>,
    /// Personal members, kept as disclosures.
    pub personal: Vec<(String, Value)>,
    /// The staff member and device on whose behalf it is stated.
    pub author: Option<(Uuid, Uuid)>,
}

/// A command that was kept.
#[derive(Clone, Debug)]
pub struct Answer {
    /// The entry's id.
    pub id: Uuid,
    /// Its log index.
    pub index: u64,
    /// Its said digest.
    pub digest: Digest,
    /// The server's part.
    pub kept: Kept,
    /// Sentences for the author.
    pub told: Vec<Sentence>,
    /// The checkpoint that covers it.
    pub checkpoint: String,
    /// False when the same command had been kept before.
    pub fresh: bool,
}

/// Why a command was not kept.
#[derive(Clone, Debug)]
pub enum No {
    /// A rule refused it.
    Refused(Refusal),
    /// The id stands for other words.
    IdUsed,
    /// The tag is on another machine.
    TagUsed(String),
    /// The tag was lost on a machine and is never used again.
    TagLost(String),
    /// Writing has stopped: somebody holds a newer checkpoint.
    Ahead,
    /// The entry is too large.
    TooLarge,
    /// Disclosures and body do not fit.
    Disclosures(String),
    /// The type or version is not known here.
    UnknownVersion,
    /// No such shop.
    NoShop,
    /// The database could not; the same again later helps.
    Busy(String),
}

/// One entry was appended; for the streams.
#[derive(Clone, Debug)]
pub struct Notice {
    /// The shop.
    pub shop: Uuid,
    /// Its log index.
    pub index: u64,
    /// The intake it belongs to.
    pub intake: Option<Uuid>,
    /// Its type.
    pub kind: String,
}

/// The ledger of an installation.
#[derive(Clone)]
pub struct Ledger {
    inner: Arc<Inner>,
}

struct Inner {
    pool: database::Pool,
    /// For the appenders.
    writer: database::Pool,
    originals: Originals,
    clock: Clock,
    random: Random,
    ring: keys::Ring,
    runtime: tokio::runtime::Handle,
    appenders: Mutex<HashMap<Uuid, appender::Appender>>,
    kinds: Mutex<HashMap<Digest, Arc<LoadedKind>>>,
    verified: Mutex<HashMap<Uuid, String>>,
    notices: broadcast::Sender<Notice>,
    herald: Mutex<Option<tokio::task::JoinHandle<()>>>,
}

impl Ledger {
    /// A ledger over an open database and store; its tasks run on the runtime this is called on, not on a worker that
    /// may stop earlier. Nothing is checked here: see [`start`].
    pub fn new(pool: database::Pool, originals: Originals, clock: Clock, random: Random, ring: keys::Ring) -> Ledger {
        let (notices, _) = broadcast::channel(4096);
        Ledger {
            inner: Arc::new(Inner {
                writer: database::writer(&pool),
                pool,
                originals,
                clock,
                random,
                ring,
                runtime: tokio::runtime::Handle::current(),
                appenders: Mutex::default(),
                kinds: Mutex::default(),
                verified: Mutex::default(),
                notices,
                herald: Mutex::default(),
            }),
        }
    }

    /// The database, for reads.
    pub fn pool(&self) -> &database::Pool {
        &self.inner.pool
    }

    /// A transaction that reads one state of the log throughout.
    ///
    /// # Errors
    /// The database's.
    pub async fn reading(&self) -> Result<database::Transaction, sqlx::Error> {
        database::reading(&self.inner.pool).await
    }

    /// The store of bytes.
    pub fn originals(&self) -> &Originals {
        &self.inner.originals
    }

    /// The clock.
    pub fn clock(&self) -> &Clock {
        &self.inner.clock
    }

    /// The randomness.
    pub fn random(&self) -> &Random {
        &self.inner.random
    }

    /// A stream of what is appended from now on.
    pub fn notices(&self) -> broadcast::Receiver<Notice> {
        self.inner.notices.subscribe()
    }

    /// Judges a command and keeps its entry. Durable when it answers `Ok`.
    ///
    /// # Errors
    /// Why it was not kept.
    pub async fn append(&self, command: Command) -> Result<Answer, No> {
        self.appender(command.said.shop).append(command).instrument(step!("ledger append")).await
    }

    /// Keeps a fact the server states. Durable when it answers `Ok`.
    ///
    /// # Errors
    /// Why it was not kept.
    pub async fn say(&self, shop: Uuid, entry: ServerEntry) -> Result<Answer, No> {
        let now = self.inner.clock.now();
        let mut body = entry.body;
        let disclosures: Vec<String> = entry
            .personal
            .into_iter()
            .map(|(name, value)| evidence::disclosure::Disclosure { salt: self.salt(), name, value }.encode())
            .collect();
        evidence::disclosure::attach(&mut body, &disclosures);
        let author = match entry.author {
            Some((staff, device)) => Author::Staff { staff, device },
            None => Author::Server { version: env!("CARGO_PKG_VERSION").to_owned() },
        };
        let said = Said {
            author,
            body,
            at: now,
            offset_minutes: 0,
            id: self.inner.random.uuid(now),
            intake: entry.intake,
            seen: None,
            shop,
            kind: entry.kind,
            v: 1,
        };
        self.append(Command { said, disclosures, measured: None, right: Right::server() }).await
    }

    fn salt(&self) -> String {
        use base64::Engine;
        base64::engine::general_purpose::URL_SAFE_NO_PAD.encode(self.inner.random.bytes::<16>())
    }

    /// A number that names a temporary file.
    pub fn nonce(&self) -> u64 {
        u64::from_le_bytes(self.inner.random.bytes::<8>())
    }

    fn appender(&self, shop: Uuid) -> appender::Appender {
        let mut appenders = self.inner.appenders.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        appenders.entry(shop).or_insert_with(|| appender::Appender::start(self.clone(), shop)).clone()
    }

    /// Finishes what was begun: no command is accepted after it, every one accepted before is answered.
    pub async fn close(&self) {
        let appenders: Vec<_> = {
            let mut map = self.inner.appenders.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
            map.drain().map(|(_, a)| a).collect()
        };
        for appender in appenders {
            appender.finish().await;
        }
        let herald = self.inner.herald.lock().unwrap_or_else(std::sync::PoisonError::into_inner).take();
        if let Some(herald) = herald {
            herald.abort();
            let _ = herald.await;
        }
        self.inner.writer.close().await;
        self.inner.pool.close().await;
    }
}

impl crate::access::Log for Ledger {
    fn say<'a>(
        &'a self,
        shop: Uuid,
        entry: crate::access::ServerEntry,
    ) -> futures_util::future::BoxFuture<'a, Result<(), crate::problem::Problem>> {
        Box::pin(async move {
            let entry = ServerEntry {
                kind: entry.kind,
                intake: entry.intake,
                body: entry.body,
                personal: entry.personal,
                author: entry.author,
            };
            let words = crate::words::language(crate::words::FIRST);
            Ledger::say(self, shop, entry).await.map(|_| ()).map_err(|no| crate::http::no::problem(no, words))
        })
    }

    fn shop_name(&self, shop: Uuid) -> futures_util::future::BoxFuture<'_, Result<String, crate::problem::Problem>> {
        Box::pin(async move { Ok(crate::http::shop::facts_of(self.pool(), shop).await?.0) })
    }

    fn open_shop<'a>(
        &'a self,
        name: &'a str,
        zone: &'a str,
        currency: &'a str,
    ) -> futures_util::future::BoxFuture<'a, Result<Uuid, crate::problem::Problem>> {
        Box::pin(async move {
            let words = crate::words::language(crate::words::FIRST);
            let said = |no| crate::http::no::problem(no, words);
            // After a crash in the middle of set-up the shop is there and nobody in it: it is given again.
            let left: Option<String> = sqlx::query_scalar(
                "SELECT s.id FROM shop s JOIN log_head h ON h.shop = s.id AND h.size > 0
                 WHERE NOT EXISTS (SELECT 1 FROM staff WHERE staff.shop = s.id) ORDER BY s.opened_at LIMIT 1",
            )
            .fetch_optional(self.pool())
            .await
            .map_err(crate::http::no::fault)?;
            let shop = match left.and_then(|id| id.parse().ok()) {
                Some(shop) => {
                    self.say_opened(shop, name, zone, currency).await.map_err(said)?;
                    shop
                }
                None => Ledger::open_shop(self, name, zone, currency).await.map_err(said)?,
            };
            self.keep_documents_of(shop).await.map_err(crate::http::no::fault)?;
            Ok(shop)
        })
    }
}
