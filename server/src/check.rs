//! `counterfoil check`: rebuilds everything derived from the log and the disclosures, hashes every original and document
//! again, compares, holds every published checkpoint against the log, and reports what does not agree.

mod desk;
mod erased;
mod files;
mod kept;
mod outside;

use std::collections::{BTreeMap, BTreeSet};
use std::process::ExitCode;

use evidence::digest::Digest;
use evidence::disclosure;
use evidence::entry::Entry;
use evidence::tree::{self, Hash};
use sqlx::Row;
use uuid::Uuid;

use crate::database::{self, Connection, Place};
use crate::intake::body::Body;
use crate::intake::state::Whose;
use crate::ledger::load::{self, Range, Stored};
use crate::ledger::project::{self, FileChange, OwnKind};
use crate::ledger::{Ledger, start};
use crate::originals::{self, Shelf};
use crate::serve;

/// Entries read at once.
const PAGE: u32 = 1000;
/// After so many originals in a row that a store did not give, the rest of them is not asked for.
const AWAY: u32 = 3;

/// What was found.
#[derive(Debug, Default)]
pub struct Report {
    /// Entries read.
    pub entries: u64,
    /// Originals hashed.
    pub originals: u64,
    /// Intakes folded.
    pub intakes: u64,
    /// What does not agree, a sentence each.
    pub faults: Vec<String>,
    /// What is worth knowing and no fault.
    pub notes: Vec<String>,
}

/// Checks a data folder and prints a report. Exit code 0: everything agrees; 1: something does not.
///
/// # Errors
/// A sentence when the folder cannot be read at all.
pub async fn run(place: &Place) -> Result<ExitCode, String> {
    place.must_be_there()?;
    let ledger = serve::open_left(place).await?.ledger;
    let all = whole(&ledger).await?;
    ledger.close().await;
    Ok(all.tell())
}

/// Checks every shop of an installation.
///
/// # Errors
/// A sentence when it cannot be read at all.
pub async fn whole(ledger: &Ledger) -> Result<Report, String> {
    let mut all = Report::default();
    kept::whole(ledger.pool(), &mut all).await;
    if let Err(e) = ledger.check_start().await {
        all.faults.push(e.to_string());
    }
    for shop in start::shops(ledger.pool()).await.map_err(|e| e.to_string())? {
        if let Err(e) = check_shop(ledger, shop, &mut all).await {
            all.faults.push(format!("shop {shop}: {e}"));
        }
    }
    Ok(all)
}

impl Report {
    /// Prints it. Exit code 0: everything agrees; 1: something does not.
    pub fn tell(&self) -> ExitCode {
        for note in &self.notes {
            println!("note: {note}");
        }
        for fault in &self.faults {
            println!("fault: {fault}");
        }
        println!(
            "{} entries, {} intakes, {} originals checked; {} faults",
            self.entries,
            self.intakes,
            self.originals,
            self.faults.len()
        );
        ExitCode::from(u8::from(!self.faults.is_empty()))
    }
}

/// Checks the log of one shop.
///
/// # Errors
/// The database's.
pub async fn check_shop(ledger: &Ledger, shop: Uuid, report: &mut Report) -> Result<(), sqlx::Error> {
    // Before the log is read: a server that goes on meanwhile publishes what is not looked at here.
    let published = ledger.originals().checkpoints(shop);
    let mut tx = database::reading(ledger.pool()).await?;
    let mut erased = erased::Erased::read(ledger, &mut tx, shop, report).await?;
    let rebuilt = read_log(&mut tx, shop, &mut erased, report).await?;
    erased.told(shop, report);
    let levels = kept::nodes(&mut tx, shop, rebuilt.size, report).await?;
    let line = ledger.line(&mut tx, shop).await?;
    kept::published(&line, shop, published, &levels, &rebuilt.epochs, report);
    kept::documents(&mut tx, shop, report).await?;
    kept::disclosures(&mut tx, shop, report).await?;
    let head = load::head(&mut *tx, shop).await?;
    match head {
        Some(head) if rebuilt.root != head.root || rebuilt.size != head.size => {
            report.faults.push(format!("shop {shop}: the entries do not give the signed root"));
        }
        Some(head) if head.log_time != rebuilt.log_time => {
            report.faults.push(format!("shop {shop}: the head's log time is not the newest entry's"));
        }
        None => report.faults.push(format!("shop {shop}: there is no head")),
        _ => {}
    }
    compare_intakes(ledger, &mut tx, shop, &rebuilt, report).await?;
    desk::words(&mut tx, shop, report).await?;
    desk::kinds(&mut tx, shop, &rebuilt.kinds, report).await?;
    compare_settings(&mut tx, shop, &rebuilt, report).await?;
    let held = files::compare(&mut tx, shop, &rebuilt.files, report).await?;
    tx.rollback().await?;
    hash_originals(ledger, shop, &held, report);
    outside::stamps(ledger, shop, report);
    Ok(())
}

/// What the log alone says.
#[derive(Default)]
struct Rebuilt {
    size: u64,
    root: Hash,
    log_time: i64,
    intakes: BTreeSet<Uuid>,
    settings: BTreeMap<String, (String, u64)>,
    files: Vec<(Uuid, FileChange)>,
    kinds: Vec<OwnKind>,
    /// Each epoch with the log index of the entry that opened it.
    epochs: BTreeMap<u64, u64>,
}

async fn read_log(
    db: &mut Connection,
    shop: Uuid,
    erased: &mut erased::Erased,
    report: &mut Report,
) -> Result<Rebuilt, sqlx::Error> {
    let mut out = Rebuilt::default();
    let mut leaves: Vec<Hash> = Vec::new();
    let mut after = None;
    loop {
        let page = load::entries(db, shop, Range { intake: None, after, limit: PAGE }).await?;
        for stored in &page {
            if stored.index != leaves.len() as u64 {
                report.faults.push(format!("entry {} is missing", leaves.len()));
            }
            leaves.push(tree::leaf_hash(&stored.bytes));
            after = Some(stored.index);
            match read_entry(db, shop, stored, report).await? {
                Some(entry) => {
                    erased.look(stored, &entry, report);
                    if entry.kept.at < out.log_time {
                        report
                            .faults
                            .push(format!("entry {}: its log time is before the entry before it", stored.index));
                    }
                    out.log_time = entry.kept.at;
                    take(&mut out, stored, &entry, report);
                }
                None => continue,
            }
        }
        if page.len() < PAGE as usize {
            break;
        }
    }
    report.entries += leaves.len() as u64;
    out.size = leaves.len() as u64;
    out.root = tree::root(&leaves);
    Ok(out)
}

/// One entry against its columns, its leaf and its disclosures.
async fn read_entry(
    db: &mut Connection,
    shop: Uuid,
    stored: &Stored,
    report: &mut Report,
) -> Result<Option<Entry>, sqlx::Error> {
    let index = stored.index;
    let mut fault = |s: String| report.faults.push(format!("entry {index}: {s}"));
    let leaf = load::nodes(db, shop, &[(0, index)]).await?;
    if leaf.get(&(0, index)) != Some(&tree::leaf_hash(&stored.bytes)) {
        fault("its bytes were changed: they do not give the leaf of the tree".into());
    }
    let entry = match stored.entry() {
        Ok(entry) => entry,
        Err(e) => {
            fault(format!("it is not an entry any more ({e})"));
            return Ok(None);
        }
    };
    let row = sqlx::query("SELECT id, digest, intake, type FROM entry WHERE shop = $1 AND idx = $2")
        .bind(shop.to_string())
        .bind(i64::try_from(index).unwrap_or(i64::MAX))
        .fetch_one(&mut *db)
        .await?;
    let same = row.try_get::<String, _>("id")? == entry.said.id.to_string()
        && row.try_get::<Option<String>, _>("intake")? == entry.said.intake.map(|i| i.to_string())
        && row.try_get::<String, _>("type")? == entry.said.kind
        && entry.said.digest().is_ok_and(|d| row.try_get::<Vec<u8>, _>("digest").is_ok_and(|b| b == d.0));
    if !same {
        fault("a column beside it says something else than its bytes".into());
    }
    if entry.said.shop != shop {
        fault("it belongs to another shop".into());
    }
    if let Err(e) = disclosure::disclose(&entry.said.body, &stored.disclosures) {
        fault(format!("a disclosure was changed: {e}"));
    }
    Ok(Some(entry))
}

fn take(out: &mut Rebuilt, stored: &Stored, entry: &Entry, report: &mut Report) {
    let Some(intake) = entry.said.intake else {
        if entry.said.kind == "setting-changed" {
            let name =
                entry.said.body.get("setting").and_then(serde_json::Value::as_str).unwrap_or_default().to_owned();
            let value = entry.said.body.get("value").map(ToString::to_string).unwrap_or_default();
            out.settings.insert(name, (value, stored.index));
        }
        if ["kind-added", "kind-retired"].contains(&entry.said.kind.as_str()) {
            out.kinds.extend(OwnKind::of(stored.index, &entry.said.body));
        }
        if entry.said.kind == "epoch-opened"
            && let Some(epoch) = entry.said.body.get("epoch").and_then(serde_json::Value::as_u64)
        {
            out.epochs.insert(epoch, stored.index);
        }
        return;
    };
    out.intakes.insert(intake);
    let body = stored.disclosed(entry).ok().and_then(|b| Body::parse(&entry.said.kind, entry.said.v, &b));
    match body {
        Some(Ok(body)) => out.files.extend(project::file_changes(stored.index, &body).into_iter().map(|c| (intake, c))),
        Some(Err(e)) => report.faults.push(format!("entry {}: {}", stored.index, e.sentence)),
        None => report
            .notes
            .push(format!("entry {}: its type {} is not understood by this version", stored.index, entry.said.kind)),
    }
}

async fn compare_intakes(
    ledger: &Ledger,
    db: &mut Connection,
    shop: Uuid,
    rebuilt: &Rebuilt,
    report: &mut Report,
) -> Result<(), sqlx::Error> {
    let listed: Vec<String> =
        sqlx::query_scalar("SELECT id FROM intake WHERE shop = $1").bind(shop.to_string()).fetch_all(&mut *db).await?;
    let opened: BTreeSet<String> = rebuilt.intakes.iter().map(Uuid::to_string).collect();
    let listed: BTreeSet<String> = listed.into_iter().collect();
    for id in listed.difference(&opened) {
        report.faults.push(format!("intake {id} is listed and no entry opened it"));
    }
    let owners: Vec<String> = sqlx::query_scalar("SELECT DISTINCT intake FROM lost_tag WHERE shop = $1")
        .bind(shop.to_string())
        .fetch_all(&mut *db)
        .await?;
    for id in owners.iter().filter(|id| !listed.contains(*id)) {
        report.faults.push(format!("a tag is said to be lost on intake {id}, which is not listed"));
    }
    for id in &rebuilt.intakes {
        report.intakes += 1;
        let intake = match load::intake(db, Whose { shop, intake: *id }).await {
            Ok(intake) => intake,
            Err(e) => {
                report.faults.push(format!("intake {id}: {e}"));
                continue;
            }
        };
        let kind = match &intake.opened {
            Some(o) => ledger.kind(db, shop, &o.what.kind).await?,
            None => None,
        };
        let Some(row) = project::intake_row(&intake, kind.as_deref()) else { continue };
        let stored = sqlx::query(
            "SELECT tag, state, kind, opened_idx, last_idx, summary, photos, photos_idx FROM intake WHERE shop = $1 AND id = $2",
        )
        .bind(shop.to_string())
        .bind(id.to_string())
        .fetch_optional(&mut *db)
        .await?;
        let Some(s) = stored else {
            report.faults.push(format!("intake {id} (tag {}) is not listed", row.tag));
            continue;
        };
        let words: Vec<String> = sqlx::query_scalar("SELECT word FROM intake_word WHERE shop = $1 AND intake = $2")
            .bind(shop.to_string())
            .bind(id.to_string())
            .fetch_all(&mut *db)
            .await?;
        let mut differs = Vec::new();
        let mut same = |what: &'static str, yes: bool| {
            if !yes {
                differs.push(what)
            }
        };
        same("tag", s.try_get::<String, _>("tag")? == row.tag);
        same("state", s.try_get::<String, _>("state")? == row.state);
        same("kind", s.try_get::<Vec<u8>, _>("kind")? == row.kind.0);
        same("opening", load::number(&s, "opened_idx")? == row.opened);
        same("revision", load::number(&s, "last_idx")? == row.last);
        same(
            "summary",
            serde_json::from_str::<serde_json::Value>(&s.try_get::<String, _>("summary")?)
                .is_ok_and(|v| v == row.summary),
        );
        // Counted at another revision, or not at all, it is not believed: a server of before this count wrote the row.
        let counted = s.try_get::<Option<i64>, _>("photos_idx")?.map(u64::try_from);
        let photos = s.try_get::<Option<i64>, _>("photos")?.map(u64::try_from);
        same("photos", counted.is_none_or(|at| at.is_ok_and(|at| at < row.last || photos == Some(Ok(row.photos)))));
        same("count of photos", counted.is_none_or(|at| at.is_ok_and(|at| at <= row.last)));
        same("lost tags", lost_tags(db, shop, *id).await? == row.lost);
        same("search words", words.into_iter().collect::<BTreeSet<_>>() == row.words);
        if !differs.is_empty() {
            report.faults.push(format!(
                "intake {id} (tag {}): the list says something else than the log: {}",
                row.tag,
                differs.join(", ")
            ));
        }
    }
    Ok(())
}

/// The lost tags of an intake, as the table has them.
async fn lost_tags(db: &mut Connection, shop: Uuid, intake: Uuid) -> Result<BTreeMap<String, u64>, sqlx::Error> {
    let rows = sqlx::query("SELECT tag, idx FROM lost_tag WHERE shop = $1 AND intake = $2")
        .bind(shop.to_string())
        .bind(intake.to_string())
        .fetch_all(db)
        .await?;
    rows.iter().map(|r| Ok((r.try_get("tag")?, load::number(r, "idx")?))).collect()
}

async fn compare_settings(
    db: &mut Connection,
    shop: Uuid,
    rebuilt: &Rebuilt,
    report: &mut Report,
) -> Result<(), sqlx::Error> {
    let stored: BTreeMap<String, (String, u64)> =
        load::settings(&mut *db, shop).await?.into_iter().map(|(k, (v, index))| (k, (v.to_string(), index))).collect();
    if stored != rebuilt.settings {
        report.faults.push(format!("shop {shop}: the settings are not the ones the log says"));
    }
    Ok(())
}

fn hash_originals(ledger: &Ledger, shop: Uuid, held: &BTreeSet<Digest>, report: &mut Report) {
    let mut away = 0;
    for file in held {
        report.originals += 1;
        let again = ledger.originals().rehash(shop, file);
        away = if again.as_ref().is_err_and(originals::is_away) { away + 1 } else { 0 };
        match again {
            Ok(again) if again == *file => {}
            // Each of them would be waited for.
            Err(e) if away == AWAY => {
                report.faults.push(format!("shop {shop}: the rest of the originals was not checked ({e})"));
                return;
            }
            Ok(_) => report.faults.push(format!("original {file}: its bytes were changed")),
            Err(e) => report.faults.push(format!("original {file}: it cannot be read ({e})")),
        }
    }
    match ledger.originals().list(shop, Shelf::Originals) {
        Ok(there) => {
            let loose = there.iter().filter(|d| !held.contains(d)).count();
            if loose > 0 {
                report.notes.push(format!("{loose} files that no entry says are held; a crash or a refusal left them"));
            }
        }
        Err(e) => report.faults.push(format!("shop {shop}: the originals cannot be listed ({e})")),
    }
}
