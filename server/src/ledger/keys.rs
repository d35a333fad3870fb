//! The log's keys: what signs now, what signed before, and the change from one to the next.
//!
//! The secret ones stand in one file, the newest first. Which of them sign is not said there but by the log's own head, and
//! by the entries: so a key is in the file before an entry announces it, and a crash between the two changes nothing. Any
//! process may add or drop a key while others serve: the file is changed under a lock, and read again by whoever meets a
//! head whose keys it does not know.

use std::fmt;
use std::fs::File;
use std::path::{Path, PathBuf};
use std::sync::{PoisonError, RwLock};

use evidence::checkpoint::{Checkpoint, origin, origin_parts};
use evidence::note::{self, SignerKey, VerifierKey};
use evidence::rotation::{self, Keys, RETIRED, ROTATED};
use serde_json::{Value, json};
use uuid::Uuid;

use super::append::Work;
use super::load::{self, Head, Stored, broken};
use super::start::{StartError, key_lines, map, shops};
use super::{Answer, Command, LOG_NAME, Ledger, No, ServerEntry, prove};
use crate::access::secret_file;
use crate::database::{self, Connection};
use crate::edge::{Millis, Random};
use crate::intake::decide::{Refusal, Sentence};

/// How long both keys sign when nothing else is said, in days.
pub const OVERLAP_DAYS: u32 = 30;
/// The longest that they may, in days.
pub const MOST_DAYS: u32 = 3660;
/// Most characters of the reason for a change.
pub const MOST_BECAUSE: usize = 500;
/// A day, in milliseconds.
const DAY: Millis = 24 * 3600 * 1000;
/// Held where processes share a database, while the file is changed.
const ALONE: &str = "keys";

/// The secret keys of an installation's logs, as their file holds them.
pub struct Ring {
    path: PathBuf,
    held: RwLock<Vec<Held>>,
}

/// A secret key and its public half, which takes a while to find.
#[derive(Clone, Copy)]
struct Held {
    seed: [u8; 32],
    public: [u8; 32],
}

fn held(seeds: Vec<[u8; 32]>) -> Vec<Held> {
    seeds.into_iter().map(|seed| Held { seed, public: public(&seed) }).collect()
}

impl fmt::Debug for Ring {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Ring({} keys)", self.seeds().len())
    }
}

impl Ring {
    /// Reads the file, or makes it with one key where it may be made.
    ///
    /// # Errors
    /// A sentence that says what to do.
    pub fn open(path: &Path, may_make: bool, random: &Random) -> Result<Ring, StartError> {
        Ok(Ring { path: path.to_owned(), held: RwLock::new(held(key_lines(path, may_make, random)?)) })
    }

    fn held(&self) -> Vec<Held> {
        self.held.read().unwrap_or_else(PoisonError::into_inner).clone()
    }

    fn seeds(&self) -> Vec<[u8; 32]> {
        self.held().iter().map(|k| k.seed).collect()
    }

    /// The newest key.
    fn newest(&self) -> Option<[u8; 32]> {
        self.seeds().first().copied()
    }

    /// Changes the file as it stands now, alone on this machine. Blocking.
    fn change(&self, change: impl FnOnce(&mut Vec<[u8; 32]>)) -> Result<(), StartError> {
        let failed = |e| StartError::Io(format!("the key file {}", self.path.display()), e);
        let folder = File::open(self.path.parent().unwrap_or(Path::new("."))).map_err(failed)?;
        folder.lock().map_err(failed)?;
        let mut seeds = key_lines(&self.path, false, &Random::System)?;
        change(&mut seeds);
        secret_file::write(&self.path, text_of(&seeds).as_bytes()).map_err(failed)?;
        *self.held.write().unwrap_or_else(PoisonError::into_inner) = held(seeds);
        Ok(())
    }

    fn read_again(&self) {
        if let Ok(seeds) = key_lines(&self.path, false, &Random::System) {
            *self.held.write().unwrap_or_else(PoisonError::into_inner) = held(seeds);
        }
    }
}

fn text_of(seeds: &[[u8; 32]]) -> String {
    let line = |seed: &[u8; 32]| seed.iter().map(|b| format!("{b:02x}")).collect::<String>() + "\n";
    seeds.iter().map(line).collect()
}

fn public(seed: &[u8; 32]) -> [u8; 32] {
    SignerKey::new("", *seed).verifier().public
}

/// An epoch and a size.
type Until = (u64, u64);
/// A key that was let go, and the last head that it signed.
type Gone = ([u8; 32], Until);

/// The keys of a shop's log that a checkpoint of it may be signed by.
#[derive(Clone, Debug)]
pub struct Line {
    shop: Uuid,
    /// Each with the last epoch and size that it signed, where it was let go.
    keys: Vec<([u8; 32], Option<Until>)>,
    /// What the entries say.
    pub said: Keys,
}

impl Line {
    /// Opens a note that this log signed, in any epoch. `None`: not ours. What a key signs that was let go is not, beyond the
    /// size at which it was: whoever finds an old key cannot tell a shop that it is behind.
    pub fn own(&self, note: &str) -> Option<(u64, Checkpoint)> {
        let name = note.lines().next()?;
        let (log, shop, epoch) = origin_parts(name)?;
        if (log, shop) != (LOG_NAME, self.shop) {
            return None;
        }
        self.keys.iter().find_map(|(public, until)| {
            let key = VerifierKey { name: name.to_owned(), public: *public };
            let checkpoint = Checkpoint::open(note, &[&key]).ok()?;
            until.is_none_or(|until| (epoch, checkpoint.size) <= until).then_some((epoch, checkpoint))
        })
    }
}

/// The reason for a change of key, without the space around it; `None`: it says nothing, or too much.
pub fn reason(text: &str) -> Option<&str> {
    let text = text.trim();
    (!text.is_empty() && text.chars().count() <= MOST_BECAUSE).then_some(text)
}

/// What follows from the entries that are about epochs and keys: the keys, when each was let go, faults.
fn told(origin: &str, entries: &[Stored]) -> (Keys, Vec<Gone>, Vec<String>) {
    let (mut keys, mut gone, mut faults, mut epoch) = (Keys::default(), Vec::new(), Vec::new(), 1);
    for stored in entries {
        let Ok(entry) = stored.entry() else {
            faults.push(format!("entry {}: it cannot be read", stored.index));
            continue;
        };
        if entry.said.kind == "epoch-opened" {
            epoch = entry.said.body.get("epoch").and_then(Value::as_u64).unwrap_or(epoch);
        }
        let before = keys.gone();
        match keys.take(origin, &entry) {
            Some(Err(e)) => {
                faults.push(format!("entry {}: it changes the log's key and may not ({e:?})", stored.index))
            }
            _ => {
                gone.extend(keys.gone().into_iter().filter(|k| !before.contains(k)).map(|k| (k, (epoch, stored.index))))
            }
        }
    }
    (keys, gone, faults)
}

impl Ledger {
    fn ring(&self) -> &Ring {
        &self.inner.ring
    }

    /// The keys of a shop's log, for the export: all that there are where it is the only shop, since an older state of it that is
    /// put back may need one that signs no more; with several, what signs its log and nobody else's.
    ///
    /// # Errors
    /// The database's, or that a key is not here.
    pub async fn key_text(&self, shop: Uuid) -> Result<String, sqlx::Error> {
        if shops(self.pool()).await? == [shop] {
            return Ok(text_of(&self.ring().seeds()));
        }
        let head = self.head(shop).await?.ok_or_else(|| broken("there is no such shop"))?;
        Ok(text_of(&self.seeds_of(&head.note)?))
    }

    /// The key that a new log begins with: the one that was made with the file, and one of its own for every shop after the first.
    ///
    /// # Errors
    /// When it cannot be made or kept.
    pub(super) async fn first_signer(&self, origin: &str) -> Result<SignerKey, StartError> {
        if !shops(self.pool()).await?.is_empty() {
            let seed = self.random().bytes::<32>();
            // Durable before a head names it.
            self.change_ring(move |seeds| seeds.insert(0, seed)).await?;
            return Ok(SignerKey::new(origin, seed));
        }
        let seed = self.ring().newest().ok_or_else(|| broken("keys/log.key holds no key"))?;
        Ok(SignerKey::new(origin, seed))
    }

    /// The secret keys that signed a head, the newest first. The file is read again where one is not known yet.
    ///
    /// # Errors
    /// When one of them is not here.
    pub(super) fn seeds_of(&self, note: &str) -> Result<Vec<[u8; 32]>, sqlx::Error> {
        let name = note.lines().next().unwrap_or_default();
        let lines = note::signers(note).map_err(|e| broken(e.to_string()))?;
        let known = |held: Vec<Held>| -> Option<Vec<[u8; 32]>> {
            let is = |k: &Held, id: [u8; 4]| VerifierKey { name: name.to_owned(), public: k.public }.id() == id;
            let of = |id: [u8; 4]| held.iter().find(|k| is(k, id)).map(|k| k.seed);
            lines.iter().filter(|(n, _)| *n == name).map(|(_, id)| of(*id)).collect()
        };
        if let Some(seeds) = known(self.ring().held()).filter(|s| !s.is_empty()) {
            return Ok(seeds);
        }
        self.ring().read_again();
        let again = known(self.ring().held()).filter(|s| !s.is_empty());
        again.ok_or_else(|| broken("a key that signs this log is not in keys/log.key"))
    }

    /// What signs under an origin as this head was signed, the newest key first.
    ///
    /// # Errors
    /// When a key is not here.
    pub fn signers(&self, origin: &str, head: &Head) -> Result<Vec<SignerKey>, sqlx::Error> {
        Ok(self.seeds_of(&head.note)?.into_iter().map(|seed| SignerKey::new(origin, seed)).collect())
    }

    /// The newest key that signs a head, as a C2SP verifier key.
    ///
    /// # Errors
    /// When a key is not here.
    pub fn signing_key(&self, shop: Uuid, head: &Head) -> Result<String, sqlx::Error> {
        let signers = self.signers(&head.checkpoint(shop).origin, head)?;
        Ok(signers.first().map(|k| k.verifier().to_string()).unwrap_or_default())
    }

    /// The verifier keys of a shop's log under the origin of its head: what signs now, the newest first, then those before it.
    ///
    /// # Errors
    /// The database's, or that a key is not here.
    pub async fn verifiers(&self, db: &mut Connection, shop: Uuid, head: &Head) -> Result<Vec<String>, sqlx::Error> {
        let origin = head.checkpoint(shop).origin;
        let signing = self.signers(&origin, head)?;
        let mut keys: Vec<VerifierKey> = signing.iter().map(SignerKey::verifier).collect();
        for public in self.line(db, shop).await?.said.all().into_iter().rev() {
            if !keys.iter().any(|k| k.public == public) {
                keys.push(VerifierKey { name: origin.clone(), public });
            }
        }
        Ok(keys.iter().map(VerifierKey::to_string).collect())
    }

    /// The keys that a checkpoint of this shop may be signed by.
    ///
    /// # Errors
    /// The database's.
    pub async fn line(&self, db: &mut Connection, shop: Uuid) -> Result<Line, sqlx::Error> {
        let entries = prove::of_shop(db, shop).await?;
        let (said, gone, _) = told(&origin(LOG_NAME, &shop.to_string(), 1), &entries);
        let until = |key: &[u8; 32]| gone.iter().find(|(k, _)| k == key).map(|(_, until)| *until);
        // Beside those that entries name: the only key of a log that never changed, and what an older state does not know yet.
        let mut all = said.all();
        all.extend(self.ring().held().iter().map(|k| k.public));
        all.sort_unstable();
        all.dedup();
        Ok(Line { shop, keys: all.into_iter().map(|k| (k, until(&k))).collect(), said })
    }

    /// Whether the keys that have to sign this log are here and signed its head, and every change of key in it holds.
    ///
    /// # Errors
    /// A sentence that says what to do.
    pub async fn check_keys(&self, db: &mut Connection, shop: Uuid, head: &Head) -> Result<(), StartError> {
        let entries = prove::of_shop(db, shop).await?;
        let origin = head.checkpoint(shop).origin;
        let (keys, _, faults) = told(&origin, &entries);
        if let Some(fault) = faults.first() {
            return Err(StartError::Stop(format!("the log of shop {shop}: {fault}. Restore a backup.")));
        }
        let here = self.seeds_of(&head.note).is_ok();
        let ours = self.line(db, shop).await?.own(&head.note);
        let same = ours.is_some_and(|(e, c)| (e, c.size, c.root) == (head.epoch, head.size, head.root));
        let since = entries.iter().rev().filter_map(|s| s.entry().ok()).find(|e| e.said.kind == ROTATED);
        let more = since.map_or_else(String::new, |e| {
            format!(
                " It was changed on {}: the file that was saved after that is needed.",
                evidence::time::format(e.kept.at)
            )
        });
        if !here || !same {
            return Err(StartError::Stop(format!(
                "the head of shop {shop} was not signed by the key in keys/log.key. Put the right key back; a log cannot go on under another one.{more}"
            )));
        }
        if !keys.signed(&head.note, &origin) {
            return Err(StartError::Stop(format!(
                "the head of shop {shop} was not signed by the keys that its entries say. Restore a backup."
            )));
        }
        Ok(())
    }

    /// What signs after an entry is kept, where it changes that; or why it may not.
    pub(super) fn signing_after(&self, work: &Work, command: &Command) -> Result<Option<Vec<[u8; 32]>>, No> {
        let said = &command.said;
        if command.right.staff.is_some() || said.intake.is_some() {
            return Ok(None);
        }
        let named = |member: &str| said.body.get(member).and_then(Value::as_str)?.parse::<VerifierKey>().ok();
        let refused = |key: &str| Err(No::Refused(Refusal::Refused(Sentence::plain(key))));
        let old = named("old").map(|k| k.public);
        match (said.kind.as_str(), &work.signing[..]) {
            (ROTATED, [_, _, ..]) => refused("refused.key-overlap"),
            (ROTATED, [now]) if old == Some(public(now)) => {
                let new =
                    named("new").and_then(|new| self.ring().seeds().into_iter().find(|s| public(s) == new.public));
                new.map_or_else(|| refused("refused.key-changed"), |new| Ok(Some(vec![new, *now])))
            }
            (RETIRED, [now, before]) if old == Some(public(before)) => Ok(Some(vec![*now])),
            (ROTATED | RETIRED, _) => refused("refused.key-changed"),
            _ => Ok(None),
        }
    }

    /// Changes the key of a shop's log: a new one is made and kept, and announced by an entry that the old one signed. Both sign
    /// for so many days; with none of them the old one is let go at once. Safe while others serve.
    ///
    /// # Errors
    /// Why it was not changed.
    pub async fn rotate_key(
        &self,
        shop: Uuid,
        because: &str,
        overlap_days: u32,
        by: Option<Uuid>,
    ) -> Result<Answer, No> {
        let busy = |e: &dyn std::fmt::Display| No::Busy(e.to_string());
        let head = self.head(shop).await.map_err(|e| busy(&e))?.ok_or(No::NoShop)?;
        let origin = head.checkpoint(shop).origin;
        let signing = self.signers(&origin, &head).map_err(|e| busy(&e))?;
        let [old] = &signing[..] else {
            return Err(No::Refused(Refusal::Refused(Sentence::plain("refused.key-overlap"))));
        };
        let seed = self.random().bytes::<32>();
        let new = SignerKey::new(&origin, seed);
        let note = rotation::announce(old, &new).map_err(|e| busy(&e))?;
        let mut body = json!({"because": because, "overlap_days": overlap_days, "old": old.verifier().to_string(),
            "new": new.verifier().to_string(), "note": note});
        if let Some(by) = by {
            body["by"] = json!(by.to_string());
        }
        // Durable before anything names it.
        self.change_ring(move |seeds| seeds.insert(0, seed)).await.map_err(|e| busy(&e))?;
        let entry =
            ServerEntry { kind: ROTATED.into(), intake: None, body: map(body), personal: Vec::new(), author: None };
        let said = self.say(shop, entry).await;
        // Not where the outcome is unknown: then it may have been announced all the same.
        if said.as_ref().is_err_and(|no| !matches!(no, No::Busy(_))) {
            self.change_ring(move |seeds| seeds.retain(|s| *s != seed)).await.map_err(|e| busy(&e))?;
        }
        let answer = said?;
        self.publish(shop).await;
        if overlap_days == 0 {
            self.retire_key(shop).await?;
        }
        Ok(answer)
    }

    /// Lets the old of two keys go: it signs no more, and is taken out of the file. Nothing to do where one signs alone.
    ///
    /// # Errors
    /// Why it was not.
    pub async fn retire_key(&self, shop: Uuid) -> Result<(), No> {
        let busy = |e: &dyn std::fmt::Display| No::Busy(e.to_string());
        let head = self.head(shop).await.map_err(|e| busy(&e))?.ok_or(No::NoShop)?;
        let origin = head.checkpoint(shop).origin;
        if let [_, old] = &self.signers(&origin, &head).map_err(|e| busy(&e))?[..] {
            let body = map(json!({"old": old.verifier().to_string()}));
            let entry = ServerEntry { kind: RETIRED.into(), intake: None, body, personal: Vec::new(), author: None };
            match self.say(shop, entry).await {
                // Another process did it meanwhile.
                Ok(_) | Err(No::Refused(_)) => self.publish(shop).await,
                Err(no) => return Err(no),
            }
        }
        self.forget_keys().await.map_err(|e| busy(&e))
    }

    /// Lets go of every old key whose time is over, and takes those out of the file that were let go.
    ///
    /// # Errors
    /// A sentence.
    pub async fn tend_keys(&self) -> Result<(), String> {
        for shop in shops(self.pool()).await.map_err(|e| e.to_string())? {
            let until = self.both_sign_until(shop).await.map_err(|e| e.to_string())?;
            if until.is_some_and(|(_, until)| until <= self.clock().now()) {
                self.retire_key(shop).await.map_err(|no| format!("an old key of shop {shop}: {no:?}"))?;
                tracing::info!(%shop, "the old key of the log signs no more");
            }
        }
        self.forget_keys().await.map_err(|e| e.to_string())
    }

    /// While two keys sign: when the newer one came, and until when both do, milliseconds since the Unix epoch.
    ///
    /// # Errors
    /// The database's.
    pub async fn both_sign_until(&self, shop: Uuid) -> Result<Option<(Millis, Millis)>, sqlx::Error> {
        let mut db = self.reading().await?;
        let Some(head) = load::head(&mut *db, shop).await? else { return Ok(None) };
        if note::signers(&head.note).map_or(0, |s| s.len()) < 2 {
            return Ok(None);
        }
        let entries = prove::of_shop(&mut db, shop).await?;
        let last = entries.iter().rev().filter_map(|s| s.entry().ok()).find(|e| e.said.kind == ROTATED);
        Ok(last.map(|e| {
            let days = e.said.body.get("overlap_days").and_then(Value::as_u64).unwrap_or_default();
            let days = Millis::try_from(days.min(MOST_DAYS.into())).unwrap_or_default();
            (e.kept.at, e.kept.at.saturating_add(days * DAY))
        }))
    }

    /// Takes out of the file what every shop let go.
    async fn forget_keys(&self) -> Result<(), StartError> {
        let (mut gone, mut used) = (Vec::new(), Vec::new());
        for shop in shops(self.pool()).await? {
            let mut db = self.reading().await?;
            gone.extend(self.line(&mut db, shop).await?.said.gone());
            if let Some(head) = load::head(&mut *db, shop).await? {
                used.extend(self.seeds_of(&head.note)?);
            }
        }
        let over = move |s: &[u8; 32]| gone.contains(&public(s)) && !used.contains(s);
        if self.ring().seeds().iter().any(&over) {
            self.change_ring(move |seeds| seeds.retain(|s| !over(s))).await?;
        }
        Ok(())
    }

    async fn change_ring(&self, change: impl FnOnce(&mut Vec<[u8; 32]>) + Send + 'static) -> Result<(), StartError> {
        let _alone = database::alone(self.pool(), ALONE).await?;
        let ledger = self.clone();
        let done = tokio::task::spawn_blocking(move || ledger.ring().change(change)).await;
        done.unwrap_or_else(|e| Err(StartError::Stop(e.to_string())))
    }
}

#[cfg(test)]
mod tests;
