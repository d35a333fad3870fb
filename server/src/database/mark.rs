//! What `counterfoil move` leaves in a database, so that one installation never goes on in two places: the mark that
//! says where it is, and the lock that keeps everybody else out while it moves.
//!
//! Who opens a database shares a lock: on PostgreSQL each connection holds it for as long as it lives (whoever lost its
//! connection has lost it too, and cannot write either), on SQLite the process holds the data folder's. A move takes it alone, and
//! writes its mark while it has it; from then on the mark keeps out whoever comes later, also after a kill.

use std::fs::{File, TryLockError};
use std::path::Path;
use std::time::Duration;

use sqlx::any::AnyConnectOptions;
use sqlx::{Connection as _, Executor as _, Row as _};

use super::{Connection, Executor, Place, postgres};
use crate::edge::Millis;
use crate::ledger::load::broken;
use crate::ledger::start::StartError;

/// What a database is opened for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum For {
    /// The shop's work; refused where a move has begun or ended.
    Work,
    /// A look at what a move left behind, or a new epoch there.
    Left,
    /// A move, which has it alone: see [`alone`].
    Move,
}

/// Where an installation is, seen from this end.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum State {
    /// A move from here was begun.
    Leaving,
    /// It went away, and goes on there.
    Left,
    /// It is being copied to here.
    Coming,
}

impl State {
    fn word(self) -> &'static str {
        match self {
            State::Leaving => "leaving",
            State::Left => "left",
            State::Coming => "coming",
        }
    }
}

/// The mark of a move.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Mark {
    /// Where it is.
    pub state: State,
    /// Of the move: both ends have the same.
    pub id: String,
    /// The other end, as a person reads it.
    pub place: String,
}

impl Mark {
    /// Why nothing is done here, and what to do.
    pub fn sentence(&self) -> String {
        let place = &self.place;
        match self.state {
            State::Leaving => format!(
                "a move of this installation to {place} was begun and has not ended. Run the same `counterfoil move` again to end it, or `counterfoil move --give-up` to stay here."
            ),
            State::Left => format!(
                "this installation was moved to {place} and goes on there. Serving it from here too would make two logs of one. Where that place is lost, `counterfoil new-epoch --because \"…\"` goes on here, openly under another name."
            ),
            State::Coming => format!(
                "what is here is a copy from {place} that has not ended. Run the same command again to end it, or empty this place."
            ),
        }
    }

    /// Whether it keeps out whoever opens the database for this.
    fn refuses(&self, what: For) -> bool {
        match what {
            For::Work => true,
            For::Left => self.state == State::Coming,
            For::Move => false,
        }
    }
}

/// The mark, if there is one.
///
/// # Errors
/// The database's.
pub async fn read(db: impl Executor<'_>) -> Result<Option<Mark>, sqlx::Error> {
    let row = sqlx::query("SELECT state, id, place FROM moved WHERE one = 1").fetch_optional(db).await?;
    row.map(|r| {
        let state = match r.try_get::<String, _>("state")?.as_str() {
            "leaving" => State::Leaving,
            "left" => State::Left,
            "coming" => State::Coming,
            other => return Err(broken(format!("a move is said to be \"{other}\""))),
        };
        Ok(Mark { state, id: r.try_get("id")?, place: r.try_get("place")? })
    })
    .transpose()
}

/// Writes the mark in the place of the one before.
///
/// # Errors
/// The database's.
pub async fn write(db: impl Executor<'_>, mark: &Mark, now: Millis) -> Result<(), sqlx::Error> {
    sqlx::query(
        "INSERT INTO moved (one, state, id, place, at) VALUES (1, $1, $2, $3, $4)
         ON CONFLICT (one) DO UPDATE SET state = excluded.state, id = excluded.id, place = excluded.place, at = excluded.at",
    )
    .bind(mark.state.word())
    .bind(mark.id.clone())
    .bind(mark.place.clone())
    .bind(now)
    .execute(db)
    .await
    .map(drop)
}

/// Takes the mark away: the installation is here.
///
/// # Errors
/// The database's.
pub async fn clear(db: impl Executor<'_>) -> Result<(), sqlx::Error> {
    sqlx::query("DELETE FROM moved").execute(db).await.map(drop)
}

/// Refuses with the mark's sentence where it says so.
pub(super) async fn heed(db: impl Executor<'_>, what: For) -> Result<(), StartError> {
    match read(db).await? {
        Some(mark) if mark.refuses(what) => Err(StartError::Stop(mark.sentence())),
        _ => Ok(()),
    }
}

/// Any number; the same in every version of the program.
const LOCK: i64 = 0x636f_756e_7465_7266;
/// Why nobody gets in.
const MOVES: &str =
    "`counterfoil move` or `counterfoil restore` works here and has it alone; start again when it has ended";

/// A connection's share of the lock, and the mark as it is then. Said by each connection of a pool before anything else.
pub(super) async fn enter(db: &mut Connection, what: For) -> Result<(), StartError> {
    if !got(db, "SELECT CASE WHEN pg_try_advisory_lock_shared($1) THEN 1 ELSE 0 END").await? {
        return Err(StartError::Stop(MOVES.to_owned()));
    }
    // Before the first migration there is no mark.
    let there: i64 = sqlx::query_scalar("SELECT CASE WHEN to_regclass('moved') IS NULL THEN 0 ELSE 1 END")
        .fetch_one(&mut *db)
        .await?;
    if there == 0 { Ok(()) } else { heed(db, what).await }
}

/// Asks for the lock until it is there, or for as long as a process that was killed may seem to hold it.
async fn got(db: &mut Connection, ask: &'static str) -> Result<bool, sqlx::Error> {
    for _ in 0..TRIES {
        let got: i64 = sqlx::query_scalar(ask).bind(LOCK).fetch_one(&mut *db).await?;
        if got == 1 {
            return Ok(true);
        }
        tokio::time::sleep(BETWEEN).await;
    }
    Ok(false)
}

/// The process's share of the lock of a data folder, until it is dropped.
pub(super) fn share(data: &Path) -> Result<File, StartError> {
    let folder = folder(data)?;
    match folder.try_lock_shared() {
        Ok(()) => Ok(folder),
        Err(TryLockError::WouldBlock) => Err(StartError::Stop(MOVES.to_owned())),
        Err(TryLockError::Error(e)) => Err(no_lock(data, e)),
    }
}

fn folder(data: &Path) -> Result<File, StartError> {
    File::open(data).map_err(|e| no_lock(data, e))
}

fn no_lock(data: &Path, e: std::io::Error) -> StartError {
    StartError::Io(format!("the data folder {} cannot be locked", data.display()), e)
}

/// An installation that nobody else has open. The lock ends when this is dropped, or with the process.
#[derive(Debug)]
pub struct Alone {
    db: Option<Connection>,
    _folder: Option<File>,
}

/// How often a lock is asked for: a process that was killed holds its connections for a moment.
const TRIES: usize = 60;
/// How long between two tries.
const BETWEEN: Duration = Duration::from_millis(50);

/// Takes a place alone.
///
/// # Errors
/// A sentence where a server, or another command, has it open.
pub async fn alone(place: &Place) -> Result<Alone, StartError> {
    let in_use = || {
        StartError::Stop(format!(
            "{} is in use. Stop every server and command that has it open, then start this again.",
            place.shown()
        ))
    };
    let Some(url) = &place.database else {
        let folder = folder(&place.data)?;
        for _ in 0..TRIES {
            match folder.try_lock() {
                Ok(()) => return Ok(Alone { db: None, _folder: Some(folder) }),
                Err(TryLockError::WouldBlock) => tokio::time::sleep(BETWEEN).await,
                Err(TryLockError::Error(e)) => return Err(no_lock(&place.data, e)),
            }
        }
        return Err(in_use());
    };
    sqlx::any::install_default_drivers();
    let options: AnyConnectOptions = postgres::options(url)?;
    let mut db = postgres::one(&options).await?;
    db.execute(postgres::SETTINGS).await?;
    db.execute("SET idle_session_timeout = 0").await?;
    match got(&mut db, "SELECT CASE WHEN pg_try_advisory_lock($1) THEN 1 ELSE 0 END").await? {
        true => Ok(Alone { db: Some(db), _folder: None }),
        false => Err(in_use()),
    }
}

impl Alone {
    /// Lets others in. Dropped, it does so a moment later.
    ///
    /// # Errors
    /// The database's.
    pub async fn release(self) -> Result<(), sqlx::Error> {
        let Some(mut db) = self.db else { return Ok(()) };
        sqlx::query("SELECT CASE WHEN pg_advisory_unlock($1) THEN 1 ELSE 0 END").bind(LOCK).execute(&mut db).await?;
        db.close().await
    }

    /// Writes the mark over the very connection that has the lock: had it lost that, the mark is not written.
    ///
    /// # Errors
    /// The database's.
    pub async fn mark(&mut self, pool: &super::Pool, mark: &Mark, now: Millis) -> Result<(), sqlx::Error> {
        match &mut self.db {
            Some(db) => write(db, mark, now).await,
            None => write(pool, mark, now).await,
        }
    }
}
