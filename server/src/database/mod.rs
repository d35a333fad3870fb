//! The database: SQLite in the data folder, or PostgreSQL where one is named. Everything that differs between the two
//! stands here and in the migrations; every query of the program is written once and runs on both.
//!
//! What makes that possible: `$1` placeholders, columns of text, whole numbers and bytes only, truth as 0 or 1,
//! `ON CONFLICT` and `IS NOT DISTINCT FROM` (both know them), text compared byte by byte (on PostgreSQL by
//! `COLLATE "C"`), and `instr`, which PostgreSQL gets from its first migration.

mod build;
mod certificate;
pub mod copy;
mod line;
pub mod mark;
mod postgres;
mod shape;
mod sqlite;

use std::path::{Path, PathBuf};

pub use build::Builder;
pub use mark::For;
use sqlx::any::{Any, AnyRow};
use sqlx::{AnyConnection, AnyPool};
use tracing::Instrument;

use crate::ledger::start::StartError;
use crate::originals::Address;
use crate::traces::step;

/// Connections to either.
pub type Pool = AnyPool;
/// One connection.
pub type Connection = AnyConnection;
/// A row of either.
pub type Row = AnyRow;
/// A transaction on its own connection.
pub type Transaction = sqlx::Transaction<'static, Any>;

/// A pool, a connection or a transaction.
pub trait Executor<'c>: sqlx::Executor<'c, Database = Any> {}
impl<'c, T: sqlx::Executor<'c, Database = Any>> Executor<'c> for T {}

/// Where everything is kept: the data folder, and the database where it is not the file in there.
#[derive(Clone)]
pub struct Place {
    /// The folder that holds keys, originals and what the shop added.
    pub data: PathBuf,
    /// `postgres://…`; none: the file `counterfoil.db` in the data folder.
    pub database: Option<String>,
    /// `s3://…`; none: in the data folder.
    pub originals: Option<String>,
    /// For how many days that bucket locks them.
    pub lock_days: Option<u32>,
}

/// As a person reads it: a password stays hidden.
impl std::fmt::Debug for Place {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "Place({})", self.shown())
    }
}

impl From<&Path> for Place {
    fn from(data: &Path) -> Place {
        Place::new(data, None)
    }
}

impl Place {
    /// A data folder with the database named, if one is.
    pub fn new(data: &Path, database: Option<&str>) -> Place {
        Place { data: data.to_owned(), database: database.map(str::to_owned), originals: None, lock_days: None }
    }

    /// The same with the place of the originals named, if one is.
    #[must_use]
    pub fn with_originals(mut self, originals: Option<&str>) -> Place {
        self.originals = originals.map(str::to_owned);
        self
    }

    /// As a person reads it, without a password.
    pub fn shown(&self) -> String {
        let bucket = self.originals.as_deref().and_then(|address| Address::parse(address).ok());
        let photos = bucket.map(|bucket| format!(" and photos in {bucket}")).unwrap_or_default();
        format!("{}{photos}", self.rest_shown())
    }

    fn rest_shown(&self) -> String {
        let data = std::path::absolute(&self.data).unwrap_or_else(|_| self.data.clone());
        let database = self.database.as_deref().and_then(|url| postgres::options(url).ok());
        match database {
            Some(options) => {
                let mut url = options.database_url;
                // A socket's folder says which server it is; a password never.
                let host = url.query_pairs().find(|(k, _)| k == "host").map(|(_, v)| v.into_owned());
                let _ = url.set_password(None);
                url.set_query(host.map(|h| format!("host={h}")).as_deref());
                format!("{url} with {}", data.display())
            }
            None => data.display().to_string(),
        }
    }

    /// Says so where nothing is kept here yet.
    ///
    /// # Errors
    /// A sentence.
    pub fn must_be_there(&self) -> Result<(), String> {
        let file = sqlite::file(&self.data);
        if self.database.is_some() || file.is_file() {
            return Ok(());
        }
        Err(format!("{} holds no counterfoil.db", self.data.display()))
    }
}

/// Which one.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Engine {
    /// A file, and one process.
    Sqlite,
    /// A server, and any number of processes.
    Postgres,
}

impl Engine {
    /// The one behind a pool.
    pub fn of(pool: &Pool) -> Engine {
        Engine::named(pool.connect_options().database_url.scheme())
    }

    fn named(scheme: &str) -> Engine {
        if scheme == "sqlite" { Engine::Sqlite } else { Engine::Postgres }
    }
}

/// Opens the database, brings it up to date, and refuses one that does not keep what it confirms, or that moved.
///
/// # Errors
/// The database's, the disk's, or a sentence that says what to change.
pub async fn open(place: &Place, what: For) -> Result<Pool, StartError> {
    sqlx::any::install_default_drivers();
    match &place.database {
        None => sqlite::open(&place.data, what).await,
        Some(url) => postgres::open(url, what).await,
    }
}

/// A fresh file, to be filled with a copy and synced by whoever asked for it: nothing in it counts before.
///
/// # Errors
/// The database's, or the disk's.
pub async fn fresh_file(path: &Path) -> Result<Pool, StartError> {
    sqlx::any::install_default_drivers();
    sqlite::fresh(path).await
}

/// A transaction that reads one state throughout, whatever is committed meanwhile.
///
/// # Errors
/// The database's.
pub async fn reading(pool: &Pool) -> Result<Transaction, sqlx::Error> {
    let begin = async {
        match Engine::of(pool) {
            Engine::Sqlite => pool.begin().await,
            Engine::Postgres => pool.begin_with(postgres::READING).await,
        }
    };
    begin.instrument(step!("database wait")).await
}

/// A transaction that writes, and that nothing else with the same `key` runs beside: what it read still holds when it
/// writes. On SQLite one runs at a time, whatever the key.
///
/// # Errors
/// The database's; busy after ten seconds.
pub async fn writing(pool: &Pool, key: &str) -> Result<Transaction, sqlx::Error> {
    let begin = async {
        match Engine::of(pool) {
            Engine::Sqlite => pool.begin_with(sqlite::WRITING).await,
            Engine::Postgres => {
                let mut tx = pool.begin().await?;
                sqlx::query(postgres::ALONE).bind(key.to_owned()).execute(&mut *tx).await?;
                Ok(tx)
            }
        }
    };
    begin.instrument(step!("database wait")).await
}

/// A transaction that takes its locks by the rows it reads with [`lock_read`]; on SQLite the whole database. On PostgreSQL it may not stand
/// still for long: should its line be cut, the locks are let go.
///
/// # Errors
/// The database's; busy after ten seconds.
pub async fn writing_rows(pool: &Pool) -> Result<Transaction, sqlx::Error> {
    let begin = async {
        match Engine::of(pool) {
            Engine::Sqlite => pool.begin_with(sqlite::WRITING).await,
            Engine::Postgres => pool.begin_with(postgres::APPENDING).await,
        }
    };
    begin.instrument(step!("database wait")).await
}

/// Where the log is written through. On SQLite one connection of its own: there is one writer at a time whatever the number of
/// connections, and one that stays the same still has in memory what it wrote before.
pub fn writer(pool: &Pool) -> Pool {
    match Engine::of(pool) {
        Engine::Sqlite => sqlite::writer(pool),
        Engine::Postgres => pool.clone(),
    }
}

/// Lets a transaction of [`writing_rows`] stand still for longer, for work on files meanwhile.
///
/// # Errors
/// The database's.
pub async fn hold_on(tx: &mut Connection) -> Result<(), sqlx::Error> {
    if Engine::named(&tx.backend_name().to_lowercase()) == Engine::Postgres {
        sqlx::Executor::execute(tx, postgres::HOLDING).await?;
    }
    Ok(())
}

/// What is put after a query whose rows nobody else may change until the transaction ends.
pub fn lock_read(db: &Connection) -> &'static str {
    match db.backend_name() {
        "PostgreSQL" => " FOR UPDATE",
        _ => "",
    }
}

/// Keeps everybody else with this key out, in other processes too, until it is dropped. Nothing where one process is
/// all there is: who asks has a lock of its own for the tasks of this process, and takes it first.
///
/// # Errors
/// The database's; busy after ten seconds.
pub async fn alone(pool: &Pool, key: &str) -> Result<Option<Transaction>, sqlx::Error> {
    match Engine::of(pool) {
        Engine::Sqlite => Ok(None),
        Engine::Postgres => writing(pool, key).await.map(Some),
    }
}

/// One in memory, for tests.
#[cfg(test)]
pub(crate) async fn in_memory() -> Pool {
    sqlite::in_memory().await
}

/// Asks the database whether its tables and indexes hold together, which nothing else sees. Gives faults and notes, a
/// sentence each.
pub async fn whole(pool: &Pool) -> (Vec<String>, Vec<String>) {
    match Engine::of(pool) {
        Engine::Sqlite => (sqlite::faults(pool).await, Vec::new()),
        Engine::Postgres => postgres::faults(pool).await,
    }
}

/// Takes away what deleted rows leave in the database's own files. Writers wait meanwhile. On PostgreSQL its write-ahead log and
/// whatever archives that are for whoever runs it.
///
/// # Errors
/// The database's; a reader that does not end.
pub async fn scrub(pool: &Pool) -> Result<(), sqlx::Error> {
    match Engine::of(pool) {
        Engine::Sqlite => sqlite::scrub(pool).await,
        Engine::Postgres => postgres::scrub(pool).await,
    }
}

/// Whether the same again later may help: it was busy, or cannot be reached at all.
pub fn busy(e: &sqlx::Error) -> bool {
    match e {
        sqlx::Error::PoolTimedOut | sqlx::Error::Io(_) | sqlx::Error::Tls(_) => true,
        e if postgres::ended_before_it_began(e) => true,
        sqlx::Error::Database(d) => d.code().is_some_and(|c| sqlite::busy(&c) || postgres::busy(&c)),
        _ => false,
    }
}

/// Whether a text was refused that the database cannot hold: PostgreSQL keeps no NUL.
pub fn unkeepable(e: &sqlx::Error) -> bool {
    matches!(e, sqlx::Error::Database(d) if d.code().is_some_and(|c| c == postgres::NOT_IN_REPERTOIRE))
}
