//! A customer's personal data goes: said by an entry, then listed outside backups, then every trace taken away. What a stop
//! interrupted is done at the next start; what a backup brings back is erased again before anything is served.

use std::collections::BTreeSet;

use evidence::digest::Digest;
use evidence::entry::{Author, Said};
use serde_json::{Value, json};
use uuid::Uuid;

use super::{renditions, shown_elsewhere, sweep};
use crate::app::App;
use crate::database::{self, Connection};
use crate::intake::body::Body;
use crate::intake::decide::Refusal;
use crate::intake::erasure::{self, AGAIN, CustomerErased};
use crate::intake::state::{Intake, Whose};
use crate::ledger::load::{self, Range, Stored, broken};
use crate::ledger::{Command, Ledger, No, Right, ServerEntry, erase, project, start};
use crate::originals::erased::Line;
use crate::originals::{Originals, Shelf};

/// How often an erasure is planned anew when something is said of the intake meanwhile.
const TRIES: usize = 5;

/// What the owner asked for, of one intake.
#[derive(Clone, Debug)]
pub struct Asked {
    /// The erasure.
    pub erasure: Uuid,
    /// Why, one of [`erasure::WHY`].
    pub why: String,
    /// The intake.
    pub of: Whose,
    /// Photos that go with it.
    pub photos: Vec<Uuid>,
}

/// Reads an intake: its entries and its state.
///
/// # Errors
/// The database's, or a broken entry.
pub async fn read(db: &mut Connection, of: Whose) -> Result<(Vec<Stored>, Intake), sqlx::Error> {
    let all = load::entries(db, of.shop, Range { intake: Some(of.intake), after: None, limit: u32::MAX }).await?;
    let intake = load::fold(of, &all).map_err(broken)?;
    Ok((all, intake))
}

/// What an erasure of this intake takes with it now: every member kept apart as personal, every signature, these photos and
/// those that always go.
///
/// # Errors
/// A sentence when an entry cannot be read.
pub fn plan(asked: &Asked, all: &[Stored], intake: &Intake) -> Result<CustomerErased, String> {
    let entries: Vec<_> = all.iter().map(|s| Ok((s, s.entry()?))).collect::<Result<_, String>>()?;
    let details = erasure::counts(entries.iter().map(|(s, e)| (e.said.kind.as_str(), s.disclosures.as_slice())));
    let gone: BTreeSet<Digest> = intake.erasures.iter().flat_map(|e| e.what.files.iter().copied()).collect();
    let mut files = Vec::new();
    for (stored, entry) in &entries {
        let body = stored.disclosed(entry)?;
        let Some(Ok(body)) = Body::parse(&entry.said.kind, entry.said.v, &body) else { continue };
        files.extend(erasure::strokes_named(&body).filter(|f| !gone.contains(f)));
    }
    let mut photos = asked.photos.clone();
    photos.extend(erasure::always(intake));
    photos.sort_unstable();
    photos.dedup();
    let (erasure, why) = (asked.erasure, asked.why.clone());
    Ok(CustomerErased { erasure, why, upto: intake.last_index.unwrap_or(0), details, photos, files })
}

/// Whether an intake, as it is now, is still to be erased.
pub type Still<'a> = &'a (dyn Fn(&[Stored], &Intake) -> Result<(), Refusal> + Sync);

/// Who says something, and what they may.
#[derive(Clone, Debug)]
pub struct By {
    /// Staff and device.
    pub author: (Uuid, Uuid),
    /// Their right.
    pub right: Right,
}

impl By {
    /// What they say of an intake, as a command.
    pub fn command(&self, ledger: &Ledger, of: Whose, seen: Option<u64>, kind: &str, body: Value) -> Command {
        let ((staff, device), now) = (self.author, ledger.clock().now());
        let said = Said {
            author: Author::Staff { staff, device },
            body: start::map(body),
            at: now,
            offset_minutes: 0,
            id: ledger.random().uuid(now),
            intake: Some(of.intake),
            seen,
            shop: of.shop,
            kind: kind.to_owned(),
            v: 1,
        };
        Command { said, disclosures: Vec::new(), measured: None, right: self.right.clone() }
    }
}

/// Says the erasure of one intake, if it is `still` to be; the same again finds it said. Gives its log index.
///
/// # Errors
/// Why it was not kept.
pub async fn say(ledger: &Ledger, asked: &Asked, by: &By, still: Still<'_>) -> Result<u64, No> {
    let fault = |e: String| No::Busy(e);
    for _ in 0..TRIES {
        let mut db = ledger.pool().acquire().await.map_err(|e| fault(e.to_string()))?;
        let (all, intake) = read(&mut db, asked.of).await.map_err(|e| fault(e.to_string()))?;
        drop(db);
        if let Some(before) = intake.erasures.iter().find(|e| e.what.erasure == asked.erasure) {
            return Ok(before.mark.index.unwrap_or(0));
        }
        // What is looked at here is what is judged: `upto` is its end.
        still(&all, &intake).map_err(No::Refused)?;
        let body = plan(asked, &all, &intake).map_err(fault)?;
        let command = by.command(ledger, asked.of, intake.last_index, "customer-erased", json!(body));
        match ledger.append(command).await {
            Ok(answer) => return Ok(answer.index),
            // Somebody said something meanwhile: it goes too.
            Err(No::Refused(Refusal::NotValid(e))) if e.pointer == "/upto" => {}
            Err(no) => return Err(no),
        }
    }
    Err(No::Busy("the intake changed with every try".into()))
}

/// Finishes what entries say: listed outside backups, files taken away, the database's files written anew.
///
/// # Errors
/// A sentence for the log; the same is tried again at the next start.
pub async fn finish(app: &App) -> Result<(), String> {
    let text = |e: &dyn std::fmt::Display| e.to_string();
    let todo = erase::unfinished(app.ledger.pool()).await.map_err(|e| text(&e))?;
    list(&app.ledger).await?;
    sweep(app).await?;
    if !todo.is_empty() {
        database::scrub(app.ledger.pool()).await.map_err(|e| text(&e))?;
        erase::finished(app.ledger.pool(), &todo).await.map_err(|e| text(&e))?;
        tracing::info!(erasures = todo.len(), "nothing is left of erased personal data");
    }
    Ok(())
}

/// Puts every erasure that the log says on the list outside backups.
async fn list(ledger: &Ledger) -> Result<(), String> {
    let text = |e: &dyn std::fmt::Display| e.to_string();
    for shop in start::shops(ledger.pool()).await.map_err(|e| text(&e))? {
        let listed = ledger.originals().erasures_listed(shop).map_err(|e| text(&e))?;
        if listed.unread > 0 {
            tracing::warn!(%shop, lines = listed.unread, "lines of the list of erasures that a crash cut short");
        }
        let known: BTreeSet<Uuid> = listed.lines.iter().map(|l| l.entry).collect();
        let mut db = ledger.pool().acquire().await.map_err(|e| text(&e))?;
        let said = erase::said(&mut db, shop, None, None, u32::MAX).await.map_err(|e| text(&e))?;
        for said in said.iter().filter(|s| !known.contains(&s.entry.said.id)) {
            let line = line(ledger, &mut db, shop, said).await.map_err(|e| text(&e))?;
            ledger.originals().list_erasure(shop, &line).map_err(|e| format!("the list of erasures: {e}"))?;
        }
    }
    Ok(())
}

/// An erasure as the list has it.
async fn line(ledger: &Ledger, db: &mut Connection, shop: Uuid, said: &erase::Said) -> Result<Line, sqlx::Error> {
    let intake = load::intake(db, Whose { shop, intake: said.intake }).await?;
    let mut files = said.body.files.clone();
    files.extend(said.body.photos.iter().filter_map(|p| intake.photo(*p)).map(|p| p.taken.file));
    let mut copies = Vec::new();
    for file in &files {
        copies.extend(renditions(ledger, shop, file).await?);
    }
    Ok(Line {
        v: 1,
        intake: said.intake,
        erasure: said.body.erasure,
        entry: said.entry.said.id,
        why: said.body.why.clone(),
        disclosures: erase::bound(db, shop, said.intake, said.body.upto).await?,
        photos: said.body.photos.clone(),
        files,
        copies,
    })
}

/// Erases again what the list names and a backup brought back. Before anything is served.
///
/// # Errors
/// A sentence that says what could not be erased.
pub async fn replay(ledger: &Ledger) -> Result<(), String> {
    for shop in start::shops(ledger.pool()).await.map_err(|e| e.to_string())? {
        let listed = ledger.originals().erasures_listed(shop).map_err(|e| format!("the list of erasures: {e}"))?;
        for line in &listed.lines {
            let back = again(ledger, shop, line).await.map_err(|e| {
                format!(
                    "the personal data of intake {} was erased and is back; it could not be erased again: {e}",
                    line.intake
                )
            })?;
            if back.members + back.files > 0 {
                tracing::warn!(%shop, intake = %line.intake, erasure = %line.erasure, members = back.members, files = back.files,
                    "erased data had come back, as from a backup; it was erased again");
            }
        }
    }
    Ok(())
}

/// What had come back.
#[derive(Clone, Copy, Debug, Default)]
struct Back {
    members: usize,
    files: usize,
}

async fn again(ledger: &Ledger, shop: Uuid, line: &Line) -> Result<Back, String> {
    let text = |e: &dyn std::fmt::Display| e.to_string();
    let of = Whose { shop, intake: line.intake };
    let mut tx = database::writing(ledger.pool(), &format!("erase {shop}")).await.map_err(|e| text(&e))?;
    let (before, intake) = read(&mut tx, of).await.map_err(|e| text(&e))?;
    let members = delete(ledger, &mut tx, of, line).await.map_err(|e| text(&e))?;
    tx.commit().await.map_err(|e| text(&e))?;
    let files = delete_files(ledger, shop, line).await.map_err(|e| text(&e))?;
    let said = intake.erasures.iter().any(|e| e.what.erasure == line.erasure);
    if !said && intake.opened.is_some() {
        say_again(ledger, of, line, &before, &intake).await?;
    }
    Ok(Back { members, files })
}

/// Deletes the disclosures that are back and writes the rows that were made from them anew.
async fn delete(ledger: &Ledger, db: &mut Connection, of: Whose, line: &Line) -> Result<usize, sqlx::Error> {
    let mut members = 0;
    for digest in &line.disclosures {
        let done = sqlx::query("DELETE FROM disclosure WHERE shop = $1 AND intake = $2 AND digest = $3")
            .bind(of.shop.to_string())
            .bind(of.intake.to_string())
            .bind(digest.clone())
            .execute(&mut *db)
            .await?;
        members += usize::try_from(done.rows_affected()).unwrap_or(usize::MAX);
    }
    if members == 0 {
        return Ok(0);
    }
    let left = load::intake(db, of).await?;
    let kind = match &left.opened {
        Some(o) => ledger.kind(db, of.shop, &o.what.kind).await?,
        None => None,
    };
    project::write(db, &left, kind.as_deref(), None).await?;
    erase::mark(db, of.shop, left.last_index.unwrap_or(0)).await?;
    Ok(members)
}

/// Takes away the files that are back, but those that another intake shows rightly.
async fn delete_files(ledger: &Ledger, shop: Uuid, line: &Line) -> Result<usize, sqlx::Error> {
    let originals = ledger.originals();
    let mut gone = 0;
    for file in &line.files {
        if !stands(originals, shop, Shelf::Originals, file) {
            continue;
        }
        let elsewhere: i64 = sqlx::query_scalar(
            "SELECT count(*) FROM named_file WHERE shop = $1 AND file = $2 AND intake <> $3 AND moved_idx IS NULL AND erased_idx IS NULL",
        )
        .bind(shop.to_string())
        .bind(file.0.to_vec())
        .bind(line.intake.to_string())
        .fetch_one(ledger.pool())
        .await?;
        if elsewhere == 0 {
            gone += usize::from(originals.erase(shop, Shelf::Originals, file)?);
        }
    }
    for copy in &line.copies {
        if !stands(originals, shop, Shelf::Renditions, copy) {
            continue;
        }
        let mut elsewhere = false;
        for file in &line.files {
            elsewhere |= shown_elsewhere(ledger, shop, file, copy).await?;
        }
        if !elsewhere {
            gone += usize::from(originals.erase(shop, Shelf::Renditions, copy)?);
        }
    }
    Ok(gone)
}

/// Whether a file is back. A bucket holds nothing that a backup of the folder brings back; one that does not answer now is
/// asked again at the next start, and keeps nobody from serving.
fn stands(originals: &Originals, shop: Uuid, shelf: Shelf, file: &Digest) -> bool {
    originals.is_there(shop, shelf, file).unwrap_or_else(|e| {
        tracing::warn!(%shop, %file, error = %e, "whether an erased file is back cannot be told now");
        false
    })
}

/// Says it again in a log that was set back to before it was said: whoever checks must find why something is not there.
async fn say_again(ledger: &Ledger, of: Whose, line: &Line, before: &[Stored], intake: &Intake) -> Result<(), String> {
    let asked = Asked { erasure: line.erasure, why: AGAIN.to_owned(), of, photos: line.photos.clone() };
    let mut body = plan(&asked, before, intake)?;
    body.photos.retain(|p| intake.photo(*p).is_some_and(|p| p.gone().is_none()));
    let entry = ServerEntry {
        kind: "customer-erased".into(),
        intake: Some(of.intake),
        body: start::map(json!(body)),
        personal: Vec::new(),
        author: None,
    };
    match ledger.say(of.shop, entry).await {
        Ok(_) => Ok(()),
        Err(No::Ahead) => {
            tracing::warn!(intake = %of.intake, "an erasure is said again once a new epoch is open");
            Ok(())
        }
        Err(no) => Err(format!("{no:?}")),
    }
}
