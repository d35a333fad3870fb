//! `counterfoil move`: an installation goes to another folder, from the file to PostgreSQL and back, its originals from the folder
//! into a bucket and back, with everything: tables, keys, words, kinds, the list of erasures. The log goes on under its name, so it must never go on in two places:
//!
//! 1. both ends are taken alone; the target is marked *coming*, then the source *leaving*: from here on neither is served
//! 2. tables are copied and compared, files copied and hashed
//! 3. the target is checked whole, its roots are held against the source's
//! 4. the source is marked *left*, then the target's mark is taken away
//!
//! Each step may be done again. Whoever starts the same command again after a stop ends with the same.

mod files;

use std::path::Path;
use std::process::ExitCode;

use crate::check;
use crate::database::mark::{self, Alone, Mark, State};
use crate::database::{self, For, Place, Pool, copy};
use crate::edge::{Clock, Random};
use crate::ledger::{Ledger, load};
use crate::originals::carry::{Carried, Sure};
use crate::originals::{Address, Lock, Originals, make_folder, place};
use crate::serve;

/// Moves. Exit code 0: it is there and checked; 1: what does not agree was told, and it is still here.
///
/// # Errors
/// A sentence that says what to do; what was copied stays for the next try.
pub async fn run(from: &Place, to: &Place) -> Result<ExitCode, String> {
    from.must_be_there()?;
    if from.shown() == to.shown() {
        return Err("it is there already: say another folder or another database".to_owned());
    }
    let clock = Clock::System;
    if stores(from, to)? {
        if one_folder(&from.data, &to.data) {
            return Err(
                "photos go to another place together with the rest of the folder: say another one with --to-data"
                    .to_owned(),
            );
        }
        if let Some(address) = to.originals.clone() {
            let lock = to.lock_days.map(|days| Lock { days, clock: clock.clone() });
            let tried = move || place::tried(&address, lock, &Random::System);
            tokio::task::spawn_blocking(tried).await.map_err(|e| e.to_string())??;
        }
    }
    make_folder(&to.data).map_err(|e| format!("{}: {e}", to.data.display()))?;
    let mut ends = Ends::open(from, to, clock).await?;
    if !ends.begin().await? {
        ends.close().await;
        println!("it was moved before, and is at {}", to.shown());
        return Ok(ExitCode::SUCCESS);
    }
    let report = ends.bring().await?;
    if !report.faults.is_empty() {
        ends.close().await;
        println!(
            "It is not moved: what is told above does not agree. Mend it here and start again, or `counterfoil move --give-up`."
        );
        return Ok(report.tell());
    }
    ends.end().await?;
    let told = report.tell();
    println!("It is at {} now. What stays here is not served any more.", to.shown());
    Ok(told)
}

/// Takes a move back that was begun and has not ended.
///
/// # Errors
/// A sentence where there is nothing to take back.
pub async fn give_up(from: &Place) -> Result<(), String> {
    let text = |e: &dyn std::fmt::Display| e.to_string();
    from.must_be_there()?;
    let _alone = mark::alone(from).await.map_err(|e| text(&e))?;
    let pool = database::open(from, For::Move).await.map_err(|e| text(&e))?;
    match mark::read(&pool).await.map_err(|e| text(&e))? {
        Some(Mark { state: State::Leaving, place, .. }) => {
            mark::clear(&pool).await.map_err(|e| text(&e))?;
            println!("It stays here. What was copied to {place} is of no use: empty it, or move there again.");
        }
        Some(mark) => return Err(mark.sentence()),
        None => return Err("no move from here was begun".to_owned()),
    }
    pool.close().await;
    Ok(())
}

/// Both ends of a move.
struct Ends<'a> {
    from: &'a Place,
    to: &'a Place,
    source: Ledger,
    target: Pool,
    alone: [Alone; 2],
    clock: Clock,
}

impl<'a> Ends<'a> {
    async fn open(from: &'a Place, to: &'a Place, clock: Clock) -> Result<Ends<'a>, String> {
        let text = |e: &dyn std::fmt::Display| e.to_string();
        let alone = [mark::alone(from).await.map_err(|e| text(&e))?, mark::alone(to).await.map_err(|e| text(&e))?];
        let pool = database::open(from, For::Move).await.map_err(|e| text(&e))?;
        // Brought up to date here, so that nothing is left for the other end to write before it is compared.
        let source = serve::over(pool, from, true, clock.clone()).await?.ledger;
        let target = database::open(to, For::Move).await.map_err(|e| text(&e))?;
        Ok(Ends { from, to, source, target, alone, clock })
    }

    /// Marks both ends, or finds them marked by the same move. `false`: it ended before.
    async fn begin(&mut self) -> Result<bool, String> {
        let text = |e: &dyn std::fmt::Display| e.to_string();
        let (from, to) = (self.from.shown(), self.to.shown());
        let here = mark::read(self.source.pool()).await.map_err(|e| text(&e))?;
        let there = mark::read(&self.target).await.map_err(|e| text(&e))?;
        let [ours, theirs] = self.shops().await?;
        if ours.is_empty() {
            return Err(format!("{from} holds no shop: there is nothing to move"));
        }
        let foreign = || {
            Err(format!(
                "{to} holds an installation, or a part of another one: move into an empty folder and an empty database"
            ))
        };
        let now = self.clock.now();
        match (here, there) {
            (Some(h), _) if h.state == State::Coming => Err(h.sentence()),
            (Some(h), None) if h.state == State::Left && h.place == to && theirs == ours => Ok(false),
            (Some(h), Some(t)) if h.id == t.id && h.place == to => Ok(true),
            (Some(h), _) if h.place != to || h.state == State::Left => Err(h.sentence()),
            (here, None) => {
                if !theirs.is_empty() {
                    return foreign();
                }
                let keys = [&self.from.data, &self.to.data].map(|d| std::fs::read(d.join("keys").join("log.key")).ok());
                if keys[1].is_some() && keys[0] != keys[1] {
                    return foreign();
                }
                let id = here.map_or_else(|| Random::System.uuid(now).to_string(), |h| h.id);
                let of = |state, place: &str| Mark { state, id: id.clone(), place: place.to_owned() };
                // A server that was never set up may have left its token.
                copy::emptied(&self.target).await.map_err(|e| text(&e))?;
                let [away, here] = &mut self.alone;
                here.mark(&self.target, &of(State::Coming, &from), now).await.map_err(|e| text(&e))?;
                away.mark(self.source.pool(), &of(State::Leaving, &to), now).await.map_err(|e| text(&e))?;
                Ok(true)
            }
            // Killed between the two marks, or given up and begun again: what came from here and is not served begins anew.
            (None, Some(t)) if t.state == State::Coming && t.place == from => {
                let leaving = Mark { state: State::Leaving, id: t.id, place: to };
                copy::emptied(&self.target).await.map_err(|e| text(&e))?;
                self.alone[0].mark(self.source.pool(), &leaving, now).await.map_err(|e| text(&e))?;
                Ok(true)
            }
            (_, Some(_)) => foreign(),
        }
    }

    async fn shops(&self) -> Result<[Vec<uuid::Uuid>; 2], String> {
        let mut out = [Vec::new(), Vec::new()];
        for (pool, list) in [self.source.pool(), &self.target].into_iter().zip(&mut out) {
            let mut db = pool.acquire().await.map_err(|e| e.to_string())?;
            *list = copy::shops(&mut db).await.map_err(|e| e.to_string())?;
        }
        Ok(out)
    }

    /// Brings everything over, checks it there, and compares the heads.
    async fn bring(&self) -> Result<check::Report, String> {
        let text = |e: &dyn std::fmt::Display| e.to_string();
        say("both ends are taken; nobody is served meanwhile");
        let mut state = database::reading(self.source.pool()).await.map_err(|e| text(&e))?;
        if self.copied(&mut state).await.is_err() {
            // What an earlier try left does not fit, as after a newer version of the program: all of it anew.
            say("what was there does not fit; the tables are copied anew");
            copy::emptied(&self.target).await.map_err(|e| text(&e))?;
            self.copied(&mut state).await.map_err(|e| text(&e))?;
        }
        let faults = self.files().await?;
        if !faults.is_empty() {
            return Ok(check::Report { faults, ..check::Report::default() });
        }
        let there = serve::over(self.target.clone(), self.to, false, self.clock.clone()).await?.ledger;
        let mut report = check::whole(&there).await?;
        say("the other end is checked");
        for shop in copy::shops(&mut state).await.map_err(|e| text(&e))? {
            let ours = load::head(&mut *state, shop).await.map_err(|e| text(&e))?;
            if ours != there.head(shop).await.map_err(|e| text(&e))? {
                report.faults.push(format!("shop {shop}: the head at the other end is another one"));
            }
        }
        Ok(report)
    }

    /// Brings the files, and the originals from wherever they are to wherever they go. Gives what is not what its name says.
    async fn files(&self) -> Result<Vec<String>, String> {
        let text = |e: &dyn std::fmt::Display| e.to_string();
        let (data, to) = (self.from.data.clone(), self.to.data.clone());
        let brought = tokio::task::spawn_blocking(move || files::bring(&data, &to)).await.map_err(|e| text(&e))?;
        let brought = brought.map_err(|e| format!("the files: {e}"))?;
        let mut carried = Carried::default();
        if stores(self.from, self.to)? || !one_folder(&self.from.data, &self.to.data) && self.to.originals.is_none() {
            let lock = self.to.lock_days.map(|days| Lock { days, clock: self.clock.clone() });
            let there = Originals::of(&self.to.data, self.to.originals.as_deref(), lock, &Random::System)?;
            let here = self.source.originals().clone();
            let told = |there: u64| say(&format!("{there} photos and copies of photos are there"));
            let work = move || here.carry(&there, Sure::ByHash, &Random::System, told);
            let done = tokio::task::spawn_blocking(work).await.map_err(|e| text(&e))?;
            carried = done.map_err(|e| format!("the photos: {e}"))?;
        }
        let (copied, kept) = (brought.copied + carried.copied, brought.kept + carried.kept);
        say(&format!("{copied} files copied, {kept} there already"));
        Ok(carried.faults)
    }

    async fn copied(&self, state: &mut database::Connection) -> Result<(), crate::ledger::start::StartError> {
        copy::all(state, &self.target, |done| say(&format!("table {}: {} rows copied", done.table, done.copied)))
            .await?;
        let rows = copy::compared(state, &mut *self.target.acquire().await?).await?;
        say(&format!("{rows} rows are the same in both databases"));
        Ok(())
    }

    /// The source is left, then the target is open. Never the other way round.
    async fn end(mut self) -> Result<(), String> {
        let text = |e: &dyn std::fmt::Display| e.to_string();
        let mark =
            mark::read(self.source.pool()).await.map_err(|e| text(&e))?.ok_or("the mark of this move is gone")?;
        let left = Mark { state: State::Left, ..mark };
        self.alone[0].mark(self.source.pool(), &left, self.clock.now()).await.map_err(|e| text(&e))?;
        say("it has left");
        mark::clear(&self.target).await.map_err(|e| text(&e))?;
        self.close().await;
        Ok(())
    }

    async fn close(self) {
        self.source.close().await;
        self.target.close().await;
    }
}

/// What is done, a line each as soon as it is.
fn say(line: &str) {
    println!("{line}");
}

/// Whether the originals go to another store than the one they are in. Two folders are two stores only with their data folders.
///
/// # Errors
/// A sentence, where an address is none.
fn stores(from: &Place, to: &Place) -> Result<bool, String> {
    let of = |place: &Place| place.originals.as_deref().map(Address::parse).transpose();
    Ok(of(from)? != of(to)?)
}

/// Whether two paths are one folder.
fn one_folder(a: &Path, b: &Path) -> bool {
    matches!((a.canonicalize(), b.canonicalize()), (Ok(a), Ok(b)) if a == b)
}
