//! Starting: keys, the database, new shops, epochs, and the check that nothing was set back to an older state.

use std::io;
use std::path::Path;

use evidence::checkpoint::{Checkpoint, origin};
use evidence::tree;
use serde_json::{Value, json};
use sqlx::Row;
use uuid::Uuid;

use super::load::{self, Head};
use super::{LOG_NAME, Ledger, No, ServerEntry, project};
use crate::access::secret_file;
use crate::database::{self, Connection};
use crate::edge::Random;
use crate::originals::{make_folder, sync_folder};

/// Most keys in a file: of each shop one signs, or two, and what crashes left. A secret file holds so many.
const MOST_KEYS: usize = 900;

/// Why the program does not start. Each is a sentence that says what to do.
#[derive(Debug, thiserror::Error)]
pub enum StartError {
    /// A sentence.
    #[error("{0}")]
    Stop(String),
    /// The disk.
    #[error("{0}: {1}")]
    Io(String, #[source] io::Error),
    /// The database.
    #[error("the database: {0}")]
    Database(#[from] sqlx::Error),
    /// The migrations.
    #[error("the database could not be brought up to date: {0}")]
    Migrate(#[from] sqlx::migrate::MigrateError),
}

/// How many of the newest entries are counted at a start, so that a start takes no longer the longer the log is. What is set back or cut
/// off is so at its end; `check` looks at every entry.
const COUNTED: u64 = 10_000;

fn stop<T>(sentence: impl Into<String>) -> Result<T, StartError> {
    Err(StartError::Stop(sentence.into()))
}

/// Reads a file of one 32-byte key, or makes it (0600, synced) where it may be made.
///
/// # Errors
/// A sentence when it is absent and may not be made, or is not a key.
pub fn key_file(path: &Path, may_make: bool, random: &Random) -> Result<[u8; 32], StartError> {
    match key_lines(path, may_make, random)?[..] {
        [seed] => Ok(seed),
        _ => stop(format!("{} holds several keys, and one is wanted", path.display())),
    }
}

/// The keys in a text, a line each; none where a line is no key.
fn keys_in(text: &str) -> Option<Vec<[u8; 32]>> {
    let seed = |line: &str| -> Option<[u8; 32]> {
        let digits = (0..64).step_by(2).map(|i| line.get(i..i + 2).and_then(|h| u8::from_str_radix(h, 16).ok()));
        let seed: Vec<u8> = digits.collect::<Option<_>>().filter(|_| line.len() == 64)?;
        seed.try_into().ok()
    };
    let seeds: Vec<_> = text.lines().map(str::trim).filter(|l| !l.is_empty()).map(seed).collect::<Option<_>>()?;
    (1..=MOST_KEYS).contains(&seeds.len()).then_some(seeds)
}

/// Reads a file of 32-byte keys, a line each, or makes it (0600, synced) with one where it may be made.
///
/// # Errors
/// A sentence when it is absent and may not be made, when others may read it, or when it holds anything but keys.
pub fn key_lines(path: &Path, may_make: bool, random: &Random) -> Result<Vec<[u8; 32]>, StartError> {
    let io_error = |e| StartError::Io(format!("the key file {}", path.display()), e);
    match secret_file::read(path).map_err(io_error)? {
        Some(bytes) => {
            match std::str::from_utf8(&bytes).ok().and_then(keys_in) {
                Some(seeds) => {
                    // The start that made it may have ended before its name was safe.
                    path.parent().map_or(Ok(()), sync_folder).map_err(io_error)?;
                    Ok(seeds)
                }
                None => stop(format!(
                    "{} is not a key file (64 hexadecimal digits); put the exported key back",
                    path.display()
                )),
            }
        }
        None if may_make => {
            let seed = random.bytes::<32>();
            let hex: String = seed.iter().map(|b| format!("{b:02x}")).collect();
            if let Some(folder) = path.parent() {
                make_folder(folder).map_err(io_error)?;
            }
            // Whole or not at all: a key that a crash cut short would keep the next start from starting.
            secret_file::write(path, format!("{hex}\n").as_bytes()).map_err(io_error)?;
            Ok(vec![seed])
        }
        None => stop(format!(
            "the log's key {} is missing. Without it no checkpoint can be signed and the log cannot go on. Put the exported key back there, then start again.",
            path.display()
        )),
    }
}

/// The shops of an installation whose log has begun.
///
/// # Errors
/// The database's.
pub async fn shops(pool: &database::Pool) -> Result<Vec<Uuid>, sqlx::Error> {
    let rows: Vec<String> = sqlx::query_scalar(
        "SELECT s.id FROM shop s JOIN log_head h ON h.shop = s.id AND h.size > 0 ORDER BY s.opened_at, s.id",
    )
    .fetch_all(pool)
    .await?;
    rows.iter().map(|s| s.parse().map_err(|_| load::broken("a shop's id is not a UUID"))).collect()
}

impl Ledger {
    /// Opens a shop: its log begins with the epoch and the shop's name, zone and currency.
    ///
    /// # Errors
    /// Why it was not opened.
    pub async fn open_shop(&self, name: &str, zone: &str, currency: &str) -> Result<Uuid, No> {
        let now = self.clock().now();
        let shop = self.random().uuid(now);
        self.first_head(shop, now).await.map_err(|e| No::Busy(e.to_string()))?;
        let epoch = ServerEntry {
            kind: "epoch-opened".into(),
            intake: None,
            body: map(json!({"epoch": 1, "because": "the log begins"})),
            personal: Vec::new(),
            author: None,
        };
        self.say(shop, epoch).await?;
        self.say_opened(shop, name, zone, currency).await?;
        Ok(shop)
    }

    /// Says the shop's name, zone and currency.
    ///
    /// # Errors
    /// Why it was not kept.
    pub async fn say_opened(&self, shop: Uuid, name: &str, zone: &str, currency: &str) -> Result<(), No> {
        let body = map(json!({"name": name, "zone": zone, "currency": currency}));
        let entry = ServerEntry { kind: "shop-opened".into(), intake: None, body, personal: Vec::new(), author: None };
        self.say(shop, entry).await.map(|_| ())
    }

    async fn first_head(&self, shop: Uuid, now: i64) -> Result<(), StartError> {
        let checkpoint =
            Checkpoint { origin: origin(LOG_NAME, &shop.to_string(), 1), size: 0, root: tree::empty_root() };
        let note = checkpoint
            .sign(&[&self.first_signer(&checkpoint.origin).await?])
            .map_err(|e| load::broken(e.to_string()))?;
        let mut tx = database::writing_rows(self.pool()).await?;
        sqlx::query("INSERT INTO shop (id, log_name, opened_at) VALUES ($1, $2, $3)")
            .bind(shop.to_string())
            .bind(LOG_NAME)
            .bind(now)
            .execute(&mut *tx)
            .await?;
        sqlx::query("INSERT INTO log_head (shop, epoch, size, root, note, log_time) VALUES ($1, 1, 0, $2, $3, $4)")
            .bind(shop.to_string())
            .bind(checkpoint.root.to_vec())
            .bind(note)
            .bind(now)
            .execute(&mut *tx)
            .await?;
        project::written(&mut tx, shop).await?;
        Ok(tx.commit().await?)
    }

    /// Checks every shop's log before anything is served: head signed by our keys, root as the nodes say, and not
    /// behind what was published beside the originals. What was published late is published again.
    ///
    /// # Errors
    /// A sentence that says what was found and what to do.
    pub async fn check_start(&self) -> Result<(), StartError> {
        for shop in shops(self.pool()).await? {
            // Another process may append meanwhile: what it published is read first, the rest is one state after that.
            let published = self
                .originals()
                .newest_checkpoint(shop)
                .map_err(|e| StartError::Io("the published checkpoint".into(), e))?;
            let mut db = self.reading().await?;
            let Some(head) = load::head(&mut *db, shop).await? else {
                return stop(format!("shop {shop} has no head; restore a backup"));
            };
            self.check_keys(&mut db, shop, &head).await?;
            let from = head.size.saturating_sub(COUNTED);
            let count: i64 = sqlx::query("SELECT count(*) AS n FROM entry WHERE shop = $1 AND idx >= $2")
                .bind(shop.to_string())
                .bind(i64::try_from(from).map_err(|e| load::broken(e.to_string()))?)
                .fetch_one(&mut *db)
                .await?
                .try_get("n")?;
            if u64::try_from(count) != Ok(head.size - from)
                || load::root_at(&mut db, shop, head.size).await? != head.root
            {
                return stop(format!(
                    "the entries of shop {shop} do not give the root of its head. Run `counterfoil check`; restore a backup."
                ));
            }
            self.compare_published(&mut db, shop, &head, published).await?;
            drop(db);
            if head.size > 0 {
                self.publish(shop).await;
            }
        }
        Ok(())
    }

    async fn compare_published(
        &self,
        db: &mut Connection,
        shop: Uuid,
        head: &Head,
        published: Option<String>,
    ) -> Result<(), StartError> {
        let Some(note) = published else { return Ok(()) };
        let Some((epoch, checkpoint)) = self.line(db, shop).await?.own(&note) else {
            return stop(format!(
                "the checkpoint published beside the originals of shop {shop} was not signed by this log's key. Put the right key or the right folder back."
            ));
        };
        let older = epoch > head.epoch || (epoch == head.epoch && checkpoint.size > head.size);
        if older {
            return stop(format!(
                "the database of shop {shop} is older than its log: it holds {} entries, {} were already acknowledged. Put the newer database back; where it is lost, open a new epoch with `counterfoil new-epoch --because \"…\"`, which names the last known checkpoint and goes on honestly.",
                head.size, checkpoint.size
            ));
        }
        if epoch == head.epoch && load::root_at(db, shop, checkpoint.size).await? != checkpoint.root {
            return stop(format!(
                "the log of shop {shop} is another one than was published: at {} entries the roots differ. Restore the database that belongs to this folder.",
                checkpoint.size
            ));
        }
        Ok(())
    }

    /// Takes note of a checkpoint a client has seen. Where it is ahead of us or contradicts us, writing stops until a
    /// new epoch is opened. Notes we did not sign are ignored.
    ///
    /// # Errors
    /// The database's.
    pub async fn seen(&self, shop: Uuid, note: &str) -> Result<(), sqlx::Error> {
        let known = self.inner.verified.lock().is_ok_and(|v| v.get(&shop).is_some_and(|n| n == note));
        if known {
            return Ok(());
        }
        let mut tx = database::reading(self.pool()).await?;
        let line = self.line(&mut tx, shop).await?;
        let Some((epoch, checkpoint)) = line.own(note) else { return Ok(()) };
        let Some(head) = load::head(&mut *tx, shop).await? else { return Ok(()) };
        let ahead = epoch > head.epoch
            || (epoch == head.epoch
                && (checkpoint.size > head.size
                    || load::root_at(&mut tx, shop, checkpoint.size).await? != checkpoint.root));
        tx.rollback().await?;
        if ahead {
            tracing::error!(%shop, epoch, size = checkpoint.size, ours = head.size, "a client holds a newer checkpoint than this log: writing stops");
            // The furthest one known is kept: the new epoch has to name it.
            let further = head
                .ahead
                .as_deref()
                .and_then(|n| line.own(n))
                .is_none_or(|(e, c)| (epoch, checkpoint.size) > (e, c.size));
            if further {
                sqlx::query("UPDATE log_head SET ahead = $1 WHERE shop = $2")
                    .bind(note)
                    .bind(shop.to_string())
                    .execute(self.pool())
                    .await?;
            }
        } else if let Ok(mut verified) = self.inner.verified.lock() {
            verified.insert(shop, note.to_owned());
        }
        Ok(())
    }

    /// Opens a new epoch after an older state was restored: its first entry names the last known checkpoint.
    ///
    /// # Errors
    /// Why it was not opened.
    pub async fn new_epoch(&self, shop: Uuid, because: &str) -> Result<Head, StartError> {
        let Some(head) = self.head(shop).await? else { return stop("there is no such shop") };
        let published = self
            .originals()
            .newest_checkpoint(shop)
            .map_err(|e| StartError::Io("the published checkpoint".into(), e))?;
        let mut db = self.reading().await?;
        self.check_keys(&mut db, shop, &head).await?;
        let line = self.line(&mut db, shop).await?;
        drop(db);
        let notes = [Some(head.note.clone()), head.ahead.clone(), published];
        let last = notes.iter().flatten().filter_map(|n| line.own(n)).max_by_key(|(e, c)| (*e, c.size));
        let Some((epoch, last)) = last else { return stop("no checkpoint of this shop was signed by this key") };
        let previous =
            json!({"origin": last.origin, "size": last.size, "root": evidence::digest::Digest(last.root).to_string()});
        let entry = ServerEntry {
            kind: "epoch-opened".into(),
            intake: None,
            body: map(json!({"epoch": epoch + 1, "because": because, "previous": previous})),
            personal: Vec::new(),
            author: None,
        };
        self.say(shop, entry).await.map_err(|no| StartError::Stop(format!("the new epoch was not opened: {no:?}")))?;
        self.publish(shop).await;
        match self.head(shop).await? {
            Some(head) => Ok(head),
            None => stop("the head is gone"),
        }
    }
}

/// The members of a JSON object.
pub fn map(value: Value) -> serde_json::Map<String, Value> {
    match value {
        Value::Object(map) => map,
        _ => serde_json::Map::new(),
    }
}
