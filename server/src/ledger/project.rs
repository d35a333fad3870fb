//! Projections: what lists and searches read. Each is a pure function of entries, so that `check` can rebuild it.

use std::collections::{BTreeMap, BTreeSet};

use evidence::digest::Digest;
use serde_json::{Map, Value, json};
use uuid::Uuid;

use super::load::broken;
use crate::database::{self, Connection};
use crate::intake::body::{Body, MACHINE_FIELDS};
use crate::intake::check::{self, Mode};
use crate::intake::decide;
use crate::intake::kind::LoadedKind;
use crate::intake::part;
use crate::intake::sheet;
use crate::intake::state::{Intake, Standing};
use crate::photo::same::Look;
use crate::search::{self, Words};

/// Version of these projections: rows written by another one are written anew at the start.
pub const VERSION: i64 = 3;

/// Most words that one statement names.
const WORDS: usize = 100;

/// The row of an intake in the list.
#[derive(Clone, Debug, PartialEq)]
pub struct IntakeRow {
    /// The tag.
    pub tag: String,
    /// The state's word.
    pub state: String,
    /// Digest of the pinned kind.
    pub kind: Digest,
    /// Log index of its opening.
    pub opened: u64,
    /// Highest log index.
    pub last: u64,
    /// What lists show.
    pub summary: Value,
    /// How many photos are still there.
    pub photos: u64,
    /// What it is found by.
    pub words: BTreeSet<String>,
    /// Tags it had and that were lost, with the log index of the entry that says so.
    pub lost: BTreeMap<String, u64>,
}

/// The row of an intake; none while it is not opened.
pub fn intake_row(intake: &Intake, kind: Option<&LoadedKind>) -> Option<IntakeRow> {
    let opened = intake.opened.as_ref()?;
    let machine = |field: &str| intake.machine.get(field).and_then(|m| m.what.value.clone());
    let complaint = intake.statements.get("complaint").and_then(|s| s.what.text.clone());
    let owner = intake.people.get("owner").map(|p| &p.what);
    let (gaps, left_open, cover) = match kind {
        Some(k) if intake.state == Standing::Open => {
            let checked = check::check(&k.kind, intake, Mode::Server);
            (checked.at_counter().len(), checked.left_open.len(), cover(k, intake))
        }
        Some(k) => (0, check::check_facts(&k.kind, intake, Mode::Server).left_open.len(), cover(k, intake)),
        None => (0, 0, None),
    };
    let shown = || intake.photos.iter().filter(|p| p.gone().is_none());
    let photos = shown().count();
    let held = shown().filter(|p| p.received.is_some()).count();
    let usable = shown().filter(|p| p.judged.as_ref().is_some_and(|j| j.what.verdict == "usable")).count();
    let mut summary = Map::new();
    let mut set = |k: &str, v: Option<Value>| v.map(|v| summary.insert(k.to_owned(), v));
    set("kind_id", Some(json!(opened.what.kind_id)));
    set("opened_at", Some(json!(opened.mark.at)));
    set("opened_by", opened.mark.by.map(|b| json!(b)));
    set("make", machine("make").map(Value::from));
    set("model", machine("model").map(Value::from));
    set("serial", machine("serial").map(Value::from));
    set("owner", owner.and_then(|o| o.name.clone()).map(Value::from));
    set("complaint", complaint.clone().map(|c| Value::from(c.chars().take(200).collect::<String>())));
    set("gaps", Some(json!(gaps)));
    set("left_open", Some(json!(left_open)));
    set("photos", Some(json!({"taken": photos, "held": held, "usable": usable})));
    set("cover", cover.map(|c| json!(c)));
    set("place", intake.place.as_ref().map(|p| json!(p.what.place)));
    set("moved_at", intake.place.as_ref().map(|p| json!(p.mark.at)));
    set("diagnosis_by", promised(intake, "diagnosis_by"));
    set("ready_by", promised(intake, "ready_by"));
    set("taken_in_at", intake.taken_in.as_ref().map(|m| json!(m.at)));
    let before: Vec<&str> = intake.lost_tags().iter().map(|(t, _)| *t).collect();
    set("tags_before", (!before.is_empty()).then(|| json!(before)));
    set("found_at", intake.found.as_ref().map(|f| json!(f.what.seen_at)));
    set("found_place", intake.found.as_ref().map(|f| json!(f.what.place)));
    set("signed", intake.acknowledgement.as_ref().map(|a| json!(a.what.how == "signed")));
    let reached = intake.custody.contacts.iter().rev().find(|c| c.what.result == "reached");
    set("reached_at", reached.map(|c| json!(c.mark.at)));
    let windows = windows(intake);
    set("windows", (!windows.is_empty()).then(|| json!(windows)));
    set("handed_back_at", intake.home.handed_back.as_ref().map(|m| json!(m.at)));
    set("not_taken_in_at", intake.not_taken_in.as_ref().map(|m| json!(m.mark.at)));

    let tag = intake.tag().unwrap_or_default().to_owned();
    let lost: BTreeMap<String, u64> =
        intake.lost_tags().iter().map(|(t, m)| ((*t).to_owned(), m.index.unwrap_or(0))).collect();
    let mut words = Words::default();
    words.tag(&tag);
    lost.keys().for_each(|t| words.tag(t));
    words.text(&opened.what.kind_id);
    kind.iter().flat_map(|k| k.kind.name.values()).for_each(|name| words.text(name));
    for field in MACHINE_FIELDS {
        machine(field).iter().for_each(|value| words.code(value));
    }
    for person in intake.people.values() {
        [&person.what.name, &person.what.email].into_iter().flatten().for_each(|text| words.text(text));
        person.what.phone.iter().for_each(|phone| words.phone(phone));
    }
    complaint.iter().for_each(|c| words.text(c));
    for part in intake.parts.parts.iter().map(|p| &p.what) {
        part.supplier.iter().for_each(|s| words.text(s));
        let codes = [&part.lot, &part.on_bag, &part.on_invoice, &part.on_casting, &part.invoice];
        codes.into_iter().flatten().for_each(|code| words.code(code));
    }
    Some(IntakeRow {
        tag,
        state: intake.state.word().to_owned(),
        kind: opened.what.kind,
        opened: opened.mark.index.unwrap_or(0),
        last: intake.last_index.unwrap_or(0),
        summary: Value::Object(summary),
        photos: u64::try_from(photos).unwrap_or(u64::MAX),
        words: words.all(),
        lost,
    })
}

/// The windows of open claims whose last day is known.
fn windows(intake: &Intake) -> Vec<Value> {
    let parts = &intake.parts;
    let open = parts.claims.iter().filter(|c| !parts.ended.iter().any(|e| e.what.claim == c.what.claim));
    open.filter_map(|c| {
        let card = parts.card(c.what.part)?;
        let until = part::until(card, &c.what)?;
        Some(json!({"what": card.what, "route": c.what.route, "until": until}))
    })
    .collect()
}

/// A day that was promised; none where none was.
fn promised(intake: &Intake, what: &str) -> Option<Value> {
    let value = &intake.arrangements.get(what)?.what.value;
    value.as_str().filter(|day| day.parse::<jiff::civil::Date>().is_ok()).map(Value::from)
}

fn cover(kind: &LoadedKind, intake: &Intake) -> Option<Uuid> {
    let mut by_view = kind.kind.views.iter().filter_map(|v| intake.newest(&v.id));
    let made = |p: &crate::intake::state::Photo| p.judged.as_ref().is_some_and(|j| !j.what.renditions.is_empty());
    by_view
        .find(|p| made(p))
        .or_else(|| sheet::shown_photos(&kind.kind, intake).into_iter().find(|p| p.gone().is_none() && made(p)))
        .map(|p| p.taken.photo)
}

/// Notes that a shop's rows are of this version.
///
/// # Errors
/// The database's.
pub async fn written(db: &mut Connection, shop: Uuid) -> Result<(), sqlx::Error> {
    sqlx::query(
        "INSERT INTO projected (shop, version) VALUES ($1, $2) ON CONFLICT (shop) DO UPDATE SET version = excluded.version",
    )
    .bind(shop.to_string())
    .bind(VERSION)
    .execute(db)
    .await?;
    Ok(())
}

/// Writes the row and the words of an intake. `before`: the words that are there, where they are known. Gives the words that are
/// there then; none for an intake that is not opened.
///
/// # Errors
/// The database's.
pub async fn write(
    db: &mut Connection,
    intake: &Intake,
    kind: Option<&LoadedKind>,
    before: Option<BTreeSet<String>>,
) -> Result<Option<BTreeSet<String>>, sqlx::Error> {
    let Some(row) = intake_row(intake, kind) else { return Ok(None) };
    let (shop, id) = (intake.whose.shop.to_string(), intake.whose.intake.to_string());
    sqlx::query(
        "INSERT INTO intake (shop, id, tag, state, kind, opened_idx, last_idx, summary, photos, photos_idx)
         VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $7)
         ON CONFLICT (shop, id) DO UPDATE SET tag = excluded.tag, state = excluded.state, last_idx = excluded.last_idx,
         summary = excluded.summary, photos = excluded.photos, photos_idx = excluded.photos_idx",
    )
    .bind(&shop)
    .bind(&id)
    .bind(&row.tag)
    .bind(&row.state)
    .bind(row.kind.0.to_vec())
    .bind(whole(row.opened)?)
    .bind(whole(row.last)?)
    .bind(row.summary.to_string())
    .bind(whole(row.photos)?)
    .execute(&mut *db)
    .await?;
    for (tag, index) in &row.lost {
        sqlx::query("INSERT INTO lost_tag (shop, tag, intake, idx) VALUES ($1, $2, $3, $4) ON CONFLICT DO NOTHING")
            .bind(&shop)
            .bind(tag)
            .bind(&id)
            .bind(whole(*index)?)
            .execute(&mut *db)
            .await?;
    }
    let before = match before {
        Some(words) => words,
        None => sqlx::query_scalar("SELECT word FROM intake_word WHERE shop = $1 AND intake = $2")
            .bind(&shop)
            .bind(&id)
            .fetch_all(&mut *db)
            .await?
            .into_iter()
            .collect(),
    };
    let gone: Vec<&String> = before.difference(&row.words).collect();
    for gone in gone.chunks(WORDS) {
        let mut query = database::Builder::new("DELETE FROM intake_word WHERE shop = ");
        query.push_bind(&shop).push(" AND intake = ").push_bind(&id).push(" AND word IN (");
        listed(query, gone).build()?.execute(&mut *db).await?;
        // A name that is erased is in no list of words either.
        let mut query = database::Builder::new(
            "DELETE FROM search_word WHERE NOT EXISTS
             (SELECT 1 FROM intake_word w WHERE w.shop = search_word.shop AND w.word = search_word.word) AND shop = ",
        );
        query.push_bind(&shop).push(" AND word IN (");
        listed(query, gone).build()?.execute(&mut *db).await?;
    }
    let new: Vec<&String> = row.words.difference(&before).collect();
    for new in new.chunks(WORDS) {
        let mut query = database::Builder::new("INSERT INTO intake_word (shop, word, intake) VALUES ");
        for (n, word) in new.iter().enumerate() {
            query.push(if n == 0 { "(" } else { ", (" }).push_bind(&shop);
            query.push(", ").push_bind(*word).push(", ").push_bind(&id).push(")");
        }
        query.build()?.execute(&mut *db).await?;
    }
    let plain: Vec<&String> = new.into_iter().filter(|word| search::is_plain(word)).collect();
    for plain in plain.chunks(WORDS) {
        let mut query = database::Builder::new("INSERT INTO search_word (shop, word, front, back) VALUES ");
        for (n, word) in plain.iter().enumerate() {
            let (front, back) = search::ends(word);
            query.push(if n == 0 { "(" } else { ", (" }).push_bind(&shop).push(", ").push_bind(*word);
            query.push(", ").push_bind(front).push(", ").push_bind(back).push(")");
        }
        query.push(" ON CONFLICT DO NOTHING");
        query.build()?.execute(&mut *db).await?;
    }
    Ok(Some(row.words))
}

/// Ends a list of words.
fn listed(mut query: database::Builder, words: &[&String]) -> database::Builder {
    for (n, word) in words.iter().enumerate() {
        query.push(if n == 0 { "" } else { ", " }).push_bind(*word);
    }
    query.push(")");
    query
}

fn whole(n: u64) -> Result<i64, sqlx::Error> {
    i64::try_from(n).map_err(|e| broken(e.to_string()))
}

/// What an entry says of files.
#[derive(Clone, Debug, PartialEq)]
pub enum FileChange {
    /// It names one, so that its bytes may be sent.
    Named {
        /// Log index of the entry.
        index: u64,
        /// The file.
        file: Digest,
        /// Its size, exact for photos and an upper bound otherwise.
        size: u64,
        /// `photo`, `sheet` or `strokes`.
        of: &'static str,
        /// The photo; empty otherwise.
        photo: String,
    },
    /// It says the bytes are held.
    Held {
        /// Log index of the entry.
        index: u64,
        /// The file.
        file: Digest,
        /// The photo; empty otherwise.
        photo: String,
        /// Type by magic bytes.
        media_type: String,
    },
    /// It says that the photo is no longer this intake's: moved to another, or erased.
    Gone {
        /// Log index of the entry.
        index: u64,
        /// The photo.
        photo: String,
        /// Erased, not moved.
        erased: bool,
    },
    /// It says that a file's bytes were erased.
    GoneFile {
        /// Log index of the entry.
        index: u64,
        /// The file.
        file: Digest,
    },
    /// It says the photo was judged.
    Judged {
        /// Log index of the entry.
        index: u64,
        /// The photo.
        photo: String,
        /// What it looks like.
        look: Option<Look>,
    },
}

/// What an entry says of files.
pub fn file_changes(index: u64, body: &Body) -> Vec<FileChange> {
    match body {
        Body::PhotoReceived(b) => {
            vec![FileChange::Held { index, file: b.file, photo: b.photo.to_string(), media_type: b.media_type.clone() }]
        }
        Body::FileReceived(b) => {
            vec![FileChange::Held { index, file: b.file, photo: String::new(), media_type: "application/json".into() }]
        }
        Body::PhotoMoved(b) => vec![FileChange::Gone { index, photo: b.photo.to_string(), erased: false }],
        Body::PhotoErased(b) => vec![FileChange::Gone { index, photo: b.photo.to_string(), erased: true }],
        Body::CustomerErased(b) => {
            let photo = |p: &Uuid| FileChange::Gone { index, photo: p.to_string(), erased: true };
            let file = |f: &Digest| FileChange::GoneFile { index, file: *f };
            b.photos.iter().map(photo).chain(b.files.iter().map(file)).collect()
        }
        Body::PhotoJudged(b) => vec![FileChange::Judged { index, photo: b.photo.to_string(), look: b.look }],
        other => {
            let photo = match other {
                Body::PhotoTaken(b) => b.photo.to_string(),
                Body::PhotoCame(b) => b.photo.to_string(),
                _ => String::new(),
            };
            decide::files_named(other)
                .into_iter()
                .map(|(file, size, of)| FileChange::Named { index, file, size, of, photo: photo.clone() })
                .collect()
        }
    }
}

/// Writes what an entry says of files.
///
/// # Errors
/// The database's.
pub async fn write_file_change(
    db: &mut Connection,
    shop: Uuid,
    intake: Uuid,
    change: &FileChange,
) -> Result<(), sqlx::Error> {
    let shop = shop.to_string();
    match change {
        FileChange::Named { index, file, size, of, photo } => {
            sqlx::query(
                "INSERT INTO named_file (shop, file, named_idx, intake, of, photo, size, media_type) VALUES ($1, $2, $3, $4, $5, $6, $7, '')",
            )
            .bind(shop)
            .bind(file.0.to_vec())
            .bind(whole(*index)?)
            .bind(intake.to_string())
            .bind(*of)
            .bind(photo)
            .bind(whole(*size)?)
            .execute(db)
            .await?;
        }
        FileChange::Held { index, file, photo, media_type } => {
            sqlx::query(
                "UPDATE named_file SET held_idx = $1, media_type = $2 WHERE shop = $3 AND file = $4 AND intake = $5 AND photo = $6 AND held_idx IS NULL",
            )
            .bind(whole(*index)?)
            .bind(media_type)
            .bind(shop)
            .bind(file.0.to_vec())
            .bind(intake.to_string())
            .bind(photo)
            .execute(db)
            .await?;
        }
        FileChange::Gone { index, photo, erased } => {
            let (moved, erased) = if *erased { (None, Some(whole(*index)?)) } else { (Some(whole(*index)?), None) };
            sqlx::query(
                "UPDATE named_file SET moved_idx = $1, erased_idx = $2 WHERE shop = $3 AND photo = $4 AND intake = $5 AND moved_idx IS NULL AND erased_idx IS NULL",
            )
            .bind(moved)
            .bind(erased)
            .bind(&shop)
            .bind(photo)
            .bind(intake.to_string())
            .execute(&mut *db)
            .await?;
            // What it looked like goes with it; where it came to it is judged again.
            sqlx::query("DELETE FROM photo_look WHERE shop = $1 AND photo = $2 AND intake = $3")
                .bind(&shop)
                .bind(photo)
                .bind(intake.to_string())
                .execute(db)
                .await?;
        }
        FileChange::GoneFile { index, file } => {
            sqlx::query("UPDATE named_file SET erased_idx = $1 WHERE shop = $2 AND file = $3 AND intake = $4 AND erased_idx IS NULL")
                .bind(whole(*index)?)
                .bind(&shop)
                .bind(file.0.to_vec())
                .bind(intake.to_string())
                .execute(db)
                .await?;
        }
        FileChange::Judged { index, photo, look } => {
            sqlx::query("UPDATE named_file SET judged_idx = $1 WHERE shop = $2 AND photo = $3 AND intake = $4")
                .bind(whole(*index)?)
                .bind(&shop)
                .bind(photo)
                .bind(intake.to_string())
                .execute(&mut *db)
                .await?;
            if let Some(look) = look {
                sqlx::query(
                    "INSERT INTO photo_look (shop, photo, intake, idx, look) VALUES ($1, $2, $3, $4, $5)
                     ON CONFLICT (shop, photo) DO UPDATE SET intake = excluded.intake, idx = excluded.idx, look = excluded.look",
                )
                .bind(&shop)
                .bind(photo)
                .bind(intake.to_string())
                .bind(whole(*index)?)
                .bind(look.0.cast_signed())
                .execute(&mut *db)
                .await?;
            }
        }
    }
    Ok(())
}

/// Writes what an entry of the shop itself says.
///
/// # Errors
/// The database's.
pub async fn shop_entry(
    db: &mut Connection,
    shop: Uuid,
    index: u64,
    kind: &str,
    body: &Map<String, Value>,
) -> Result<(), sqlx::Error> {
    match kind {
        "setting-changed" => setting(db, shop, index, body).await,
        "kind-added" | "kind-retired" => own_kind(db, shop, &OwnKind::of(index, body).ok_or_else(no_kind)?).await,
        _ => Ok(()),
    }
}

async fn setting(db: &mut Connection, shop: Uuid, index: u64, body: &Map<String, Value>) -> Result<(), sqlx::Error> {
    let (Some(name), Some(value)) = (body.get("setting").and_then(Value::as_str), body.get("value")) else {
        return Err(broken("a setting-changed entry names its setting and value"));
    };
    sqlx::query(
        "INSERT INTO setting (shop, name, value, idx) VALUES ($1, $2, $3, $4)
         ON CONFLICT (shop, name) DO UPDATE SET value = excluded.value, idx = excluded.idx",
    )
    .bind(shop.to_string())
    .bind(name)
    .bind(value.to_string())
    .bind(whole(index)?)
    .execute(db)
    .await?;
    Ok(())
}

/// What an entry says of a kind the shop made: added under its digest, or retired.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct OwnKind {
    /// Log index of the entry.
    pub index: u64,
    /// The kind's identifier.
    pub kind_id: String,
    /// Digest of its bytes; none when it is retired.
    pub digest: Option<Digest>,
}

impl OwnKind {
    /// Reads the body of `kind-added` or `kind-retired`.
    pub fn of(index: u64, body: &Map<String, Value>) -> Option<OwnKind> {
        let kind_id = body.get("kind_id").and_then(Value::as_str)?.to_owned();
        let digest = match body.get("digest") {
            Some(digest) => Some(digest.as_str()?.parse().ok()?),
            None => None,
        };
        Some(OwnKind { index, kind_id, digest })
    }
}

fn no_kind() -> sqlx::Error {
    broken("an entry about a kind names its identifier and its digest")
}

async fn own_kind(db: &mut Connection, shop: Uuid, kind: &OwnKind) -> Result<(), sqlx::Error> {
    sqlx::query("INSERT INTO own_kind (shop, idx, kind_id, digest) VALUES ($1, $2, $3, $4)")
        .bind(shop.to_string())
        .bind(whole(kind.index)?)
        .bind(&kind.kind_id)
        .bind(kind.digest.map(|d| d.0.to_vec()))
        .execute(db)
        .await?;
    Ok(())
}
