//! The rows about files, against what the log says of them.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use evidence::digest::Digest;
use sqlx::Row;
use uuid::Uuid;

use super::Report;
use crate::database::{self, Connection};
use crate::ledger::load;
use crate::ledger::project::FileChange;

/// A row, but for its key.
#[derive(Debug, PartialEq)]
struct Named {
    intake: String,
    of: String,
    photo: String,
    size: u64,
    media_type: String,
    held: Option<u64>,
    judged: Option<u64>,
    moved: Option<u64>,
    erased: Option<u64>,
}

impl Named {
    /// Whether it still names the bytes: not moved to another intake, not erased.
    fn live(&self) -> bool {
        self.moved.is_none() && self.erased.is_none()
    }
}

/// By file and by the log index of the entry that named it.
type Rows = BTreeMap<(Digest, u64), Named>;

/// Compares; gives what the log says is held.
pub(super) async fn compare(
    db: &mut Connection,
    shop: Uuid,
    changes: &[(Uuid, FileChange)],
    report: &mut Report,
) -> Result<BTreeSet<Digest>, sqlx::Error> {
    let (expected, held) = expected(changes);
    let stored = stored(db, shop).await?;
    if stored != expected {
        let one = expected
            .iter()
            .find(|(k, v)| stored.get(*k) != Some(*v))
            .or_else(|| stored.iter().find(|(k, v)| expected.get(*k) != Some(*v)));
        let which = one.map(|((f, i), _)| format!("{f} of entry {i}")).unwrap_or_default();
        report
            .faults
            .push(format!("shop {shop}: the list of files says something else than the log, first at {which}"));
    }
    if stored_looks(db, shop).await? != looks(changes) {
        report.faults.push(format!("shop {shop}: what photos look like is not what their judgements say"));
    }
    Ok(held)
}

/// By photo: its intake, the log index of its judgement, what it looks like.
type Looks = BTreeMap<String, (String, u64, i64)>;

fn looks(changes: &[(Uuid, FileChange)]) -> Looks {
    let mut looks = Looks::new();
    for (intake, change) in changes {
        let intake = intake.to_string();
        match change {
            FileChange::Judged { index, photo, look: Some(look) } => {
                looks.insert(photo.clone(), (intake, *index, look.0.cast_signed()));
            }
            FileChange::Gone { photo, .. } if looks.get(photo).is_some_and(|l| l.0 == intake) => {
                looks.remove(photo);
            }
            _ => {}
        }
    }
    looks
}

async fn stored_looks(db: &mut Connection, shop: Uuid) -> Result<Looks, sqlx::Error> {
    let found = sqlx::query("SELECT photo, intake, idx, look FROM photo_look WHERE shop = $1")
        .bind(shop.to_string())
        .fetch_all(&mut *db)
        .await?;
    let row = |r: &database::Row| {
        Ok((r.try_get("photo")?, (r.try_get("intake")?, load::number(r, "idx")?, r.try_get("look")?)))
    };
    found.iter().map(row).collect()
}

fn expected(changes: &[(Uuid, FileChange)]) -> (Rows, BTreeSet<Digest>) {
    let (mut rows, mut held) = (Rows::new(), BTreeSet::new());
    let mut of_photo: HashMap<&str, Vec<(Digest, u64)>> = HashMap::new();
    for (intake, change) in changes {
        match change {
            FileChange::Named { index, file, size, of, photo } => {
                let row = Named {
                    intake: intake.to_string(),
                    of: (*of).to_owned(),
                    photo: photo.clone(),
                    size: *size,
                    media_type: String::new(),
                    held: None,
                    judged: None,
                    moved: None,
                    erased: None,
                };
                rows.insert((*file, *index), row);
                of_photo.entry(photo).or_default().push((*file, *index));
            }
            FileChange::Held { index, file, photo, media_type } => {
                held.insert(*file);
                let intake = intake.to_string();
                for (_, row) in rows.range_mut((*file, 0)..=(*file, u64::MAX)) {
                    if row.intake == intake && &row.photo == photo && row.held.is_none() {
                        row.held = Some(*index);
                        row.media_type.clone_from(media_type);
                    }
                }
            }
            FileChange::Gone { index, photo, erased } => {
                for key in of_photo.get(photo.as_str()).into_iter().flatten() {
                    let row = rows.get_mut(key).filter(|r| r.intake == intake.to_string() && r.live());
                    if let Some(row) = row {
                        *(if *erased { &mut row.erased } else { &mut row.moved }) = Some(*index);
                    }
                }
            }
            FileChange::GoneFile { index, file } => {
                for (_, row) in rows.range_mut((*file, 0)..=(*file, u64::MAX)) {
                    if row.intake == intake.to_string() && row.erased.is_none() {
                        row.erased = Some(*index);
                    }
                }
            }
            FileChange::Judged { index, photo, .. } => {
                for key in of_photo.get(photo.as_str()).into_iter().flatten() {
                    if let Some(row) = rows.get_mut(key).filter(|r| r.intake == intake.to_string()) {
                        row.judged = Some(*index);
                    }
                }
            }
        }
    }
    // What was erased and is named by nothing else is not missing.
    held.retain(|file| {
        let mut named = rows.range((*file, 0)..=(*file, u64::MAX)).map(|(_, row)| row);
        named.clone().any(|row| row.live() && row.held.is_some()) || named.all(|row| row.erased.is_none())
    });
    (rows, held)
}

async fn stored(db: &mut Connection, shop: Uuid) -> Result<Rows, sqlx::Error> {
    let found = sqlx::query(
        "SELECT file, named_idx, intake, of, photo, size, media_type, held_idx, judged_idx, moved_idx, erased_idx FROM named_file WHERE shop = $1",
    )
    .bind(shop.to_string())
    .fetch_all(&mut *db)
    .await?;
    let mut rows = Rows::new();
    for r in &found {
        let optional = |c: &str| -> Result<Option<u64>, sqlx::Error> {
            Ok(r.try_get::<Option<i64>, _>(c)?.and_then(|i| u64::try_from(i).ok()))
        };
        let row = Named {
            intake: r.try_get("intake")?,
            of: r.try_get("of")?,
            photo: r.try_get("photo")?,
            size: load::number(r, "size")?,
            media_type: r.try_get("media_type")?,
            held: optional("held_idx")?,
            judged: optional("judged_idx")?,
            moved: optional("moved_idx")?,
            erased: optional("erased_idx")?,
        };
        rows.insert((Digest(load::hash(r, "file")?), load::number(r, "named_idx")?), row);
    }
    Ok(rows)
}
