//! Files that no entry names, as a crash or a refusal leaves them. Two looks take one away: the first notes it, a later one, after
//! a grace, takes it if no entry names it still and nobody wrote it anew. What an entry names in any way stays, also where it was
//! refused, erased or moved: those have ways of their own.

use std::collections::BTreeSet;

use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use evidence::digest::Digest;
use sqlx::Row as _;
use tokio::sync::RwLock;
use uuid::Uuid;

use super::holds;
use crate::database;
use crate::edge::Millis;
use crate::ledger::Ledger;
use crate::ledger::load::{self, broken};
use crate::originals::Shelf;
use crate::serve;

/// Entries or details read at once.
const PAGE: i64 = 500;

/// How it is swept.
#[derive(Clone, Copy, Debug)]
pub struct How<'a> {
    /// Only looked: nothing is noted, nothing taken away.
    pub dry: bool,
    /// How long a file has to stand noted.
    pub grace: Millis,
    /// How long parts of a file that nobody finishes are kept.
    pub parts_kept: Millis,
    /// What this process takes alone to take bytes away, where it serves at the same time.
    pub discarding: Option<&'a RwLock<()>>,
}

/// What was found in a shop.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Swept {
    /// Files that no entry names, and since when that is known; none: it was not noted before.
    pub orphans: Vec<(Shelf, Digest, Option<Millis>)>,
    /// Those of them that were taken away, or would be.
    pub taken: Vec<(Shelf, Digest)>,
    /// Files half written, taken away or to be.
    pub halves: usize,
    /// Files of which only parts came, taken away or to be.
    pub parts: usize,
}

/// Looks at one shop, notes, and takes away what was noted long enough.
///
/// # Errors
/// The database's, or the disk's.
pub async fn sweep(ledger: &Ledger, shop: Uuid, how: How<'_>) -> Result<Swept, sqlx::Error> {
    let now = ledger.clock().now();
    let mut swept = leftovers(ledger, shop, how, now).await?;
    let (loose, upto) = unnamed(ledger, shop).await?;
    let noted = noted(ledger, shop).await?;
    let known = |shelf: Shelf, file: &Digest| noted.iter().find(|n| (n.0, &n.1) == (shelf, file)).map(|n| n.2);
    swept.orphans = loose.iter().map(|(shelf, file)| (*shelf, *file, known(*shelf, file))).collect();
    if !how.dry {
        note(ledger, shop, &noted, &loose, now).await?;
    }
    let before = now.saturating_sub(how.grace);
    for (shelf, file, since) in swept.orphans.clone() {
        if since.is_some_and(|at| at <= before) && take(ledger, shop, (shelf, file), (before, upto), how).await? {
            swept.taken.push((shelf, file));
        }
    }
    Ok(swept)
}

/// What uploads left: half of a file, or parts that nobody goes on with; but nothing of an intake under a hold.
async fn leftovers(ledger: &Ledger, shop: Uuid, how: How<'_>, now: Millis) -> Result<Swept, sqlx::Error> {
    let keep = holds::files(ledger.pool(), shop).await?;
    let originals = ledger.originals().clone();
    let (halves, parts) = (Some(serve::lately(ledger)), now.saturating_sub(how.parts_kept));
    let work = move || {
        let mut out = Swept::default();
        let left = originals.left_in_parts(shop, parts, &keep)?;
        out.parts = left.len();
        out.halves =
            if how.dry { originals.half_written(shop, halves)?.len() } else { originals.sweep(shop, halves)? };
        if !how.dry {
            left.iter().try_for_each(|of| originals.drop_parts(of))?;
        }
        Ok::<_, std::io::Error>(out)
    };
    let dry = how.dry;
    let _alone = match how.discarding {
        Some(lock) if !dry => Some(lock.write().await),
        _ => None,
    };
    tokio::task::spawn_blocking(work).await.map_err(|e| broken(e.to_string()))?.map_err(sqlx::Error::Io)
}

type Loose = BTreeSet<(Shelf, Digest)>;

/// Files on the shelves that no entry and no detail names; and how many entries were read.
async fn unnamed(ledger: &Ledger, shop: Uuid) -> Result<(Loose, i64), sqlx::Error> {
    let originals = ledger.originals().clone();
    let listed = move || {
        let mut out = Loose::new();
        for shelf in Shelf::ALL {
            out.extend(originals.list(shop, shelf)?.into_iter().map(|file| (shelf, file)));
        }
        Ok::<_, std::io::Error>(out)
    };
    let listed = tokio::task::spawn_blocking(listed).await.map_err(|e| broken(e.to_string()))?;
    let mut loose = listed.map_err(sqlx::Error::Io)?;
    let mut tx = ledger.reading().await?;
    let mut next = 0;
    loop {
        let rows = sqlx::query("SELECT idx, bytes FROM entry WHERE shop = $1 AND idx >= $2 ORDER BY idx LIMIT $3")
            .bind(shop.to_string())
            .bind(next)
            .bind(PAGE)
            .fetch_all(&mut *tx)
            .await?;
        for row in &rows {
            named(&row.try_get::<Vec<u8>, _>("bytes")?, &mut loose);
            next = row.try_get::<i64, _>("idx")? + 1;
        }
        if (rows.len() as i64) < PAGE {
            break;
        }
    }
    let mut after = (-1i64, String::new());
    loop {
        let rows = sqlx::query(
            "SELECT idx, digest, text FROM disclosure WHERE shop = $1 AND (idx > $2 OR (idx = $2 AND digest > $3)) ORDER BY idx, digest LIMIT $4",
        )
        .bind(shop.to_string())
        .bind(after.0)
        .bind(after.1.clone())
        .bind(PAGE)
        .fetch_all(&mut *tx)
        .await?;
        for row in &rows {
            let text: String = row.try_get("text")?;
            named(&URL_SAFE_NO_PAD.decode(&text).unwrap_or_default(), &mut loose);
            after = (row.try_get("idx")?, row.try_get("digest")?);
        }
        if (rows.len() as i64) < PAGE {
            return Ok((loose, next));
        }
    }
}

/// Takes out of the list whatever these bytes name: any 64 hexadecimal digits in a row.
fn named(bytes: &[u8], loose: &mut Loose) {
    let digit = |b: &u8| b.is_ascii_digit() || (b'a'..=b'f').contains(b);
    for run in bytes.split(|b| !digit(b)).filter(|run| run.len() >= 64) {
        for hex in run.windows(64) {
            if let Some(digest) = std::str::from_utf8(hex).ok().and_then(|hex| Digest::from_hex(hex).ok()) {
                for shelf in Shelf::ALL {
                    loose.remove(&(shelf, digest));
                }
            }
        }
    }
}

async fn noted(ledger: &Ledger, shop: Uuid) -> Result<Vec<(Shelf, Digest, Millis)>, sqlx::Error> {
    let rows = sqlx::query("SELECT shelf, file, noted_at FROM orphan WHERE shop = $1")
        .bind(shop.to_string())
        .fetch_all(ledger.pool())
        .await?;
    let mut out = Vec::new();
    for row in &rows {
        let word: String = row.try_get("shelf")?;
        if let Some(shelf) = Shelf::ALL.into_iter().find(|s| s.word() == word) {
            out.push((shelf, Digest(load::hash(row, "file")?), row.try_get("noted_at")?));
        }
    }
    Ok(out)
}

/// Notes what is new, and lets go of what is named by now, or gone.
async fn note(
    ledger: &Ledger,
    shop: Uuid,
    noted: &[(Shelf, Digest, Millis)],
    loose: &Loose,
    now: Millis,
) -> Result<(), sqlx::Error> {
    let mut tx = database::writing(ledger.pool(), &format!("orphans {shop}")).await?;
    for (shelf, file, _) in noted.iter().filter(|(shelf, file, _)| !loose.contains(&(*shelf, *file))) {
        sqlx::query("DELETE FROM orphan WHERE shop = $1 AND shelf = $2 AND file = $3")
            .bind(shop.to_string())
            .bind(shelf.word())
            .bind(file.0.to_vec())
            .execute(&mut *tx)
            .await?;
    }
    for (shelf, file) in loose {
        sqlx::query("INSERT INTO orphan (shop, shelf, file, noted_at) VALUES ($1, $2, $3, $4) ON CONFLICT DO NOTHING")
            .bind(shop.to_string())
            .bind(shelf.word())
            .bind(file.0.to_vec())
            .bind(now)
            .execute(&mut *tx)
            .await?;
    }
    tx.commit().await
}

/// Takes one away, if it was not written anew and no entry named it meanwhile. Nobody says meanwhile that its bytes are held.
async fn take(
    ledger: &Ledger,
    shop: Uuid,
    (shelf, file): (Shelf, Digest),
    (before, upto): (Millis, i64),
    how: How<'_>,
) -> Result<bool, sqlx::Error> {
    let _alone = match how.discarding {
        Some(lock) => Some(lock.write().await),
        None => None,
    };
    let _held = ledger.hold(shop).await?;
    let since: i64 =
        sqlx::query_scalar("SELECT count(*) FROM entry WHERE shop = $1 AND idx >= $2 AND instr(bytes, $3) > 0")
            .bind(shop.to_string())
            .bind(upto)
            .bind(file.hex().into_bytes())
            .fetch_one(ledger.pool())
            .await?;
    if since > 0 {
        return Ok(false);
    }
    let originals = ledger.originals().clone();
    let work = move || match originals.written_at(shop, shelf, &file)? {
        Some(at) if at <= before => {
            if how.dry {
                Ok(true)
            } else {
                originals.erase(shop, shelf, &file)
            }
        }
        _ => Ok(false),
    };
    let dry = how.dry;
    let gone = tokio::task::spawn_blocking(work).await.map_err(|e| broken(e.to_string()))?.map_err(sqlx::Error::Io)?;
    if gone && !dry {
        tracing::info!(%shop, shelf = shelf.word(), %file, "a file that no entry names was taken away");
        sqlx::query("DELETE FROM orphan WHERE shop = $1 AND shelf = $2 AND file = $3")
            .bind(shop.to_string())
            .bind(shelf.word())
            .bind(file.0.to_vec())
            .execute(ledger.pool())
            .await?;
    }
    Ok(gone)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_is_found_wherever_it_stands_and_only_a_whole_one() {
        let digest = Digest::of(b"photo");
        let left = |text: String| {
            let mut loose: Loose = [(Shelf::Originals, digest), (Shelf::Renditions, digest)].into();
            named(text.as_bytes(), &mut loose);
            loose.len()
        };
        let hex = digest.hex();
        assert_eq!(left(format!("{{\"file\":\"sha256:{hex}\"}}")), 0);
        assert_eq!(left(format!("ab{hex}")), 0, "rather kept than lost");
        assert_eq!(left(format!("{}\"{}", &hex[..63], &hex[63..])), 2);
        assert_eq!(left(hex.to_uppercase()), 2);
    }
}
