//! One batch: each command judged on its own, one transaction, one checkpoint.
//!
//! Why two processes never fork a log. A batch begins by reading the head for writing: on SQLite it holds the database's only
//! write lock, on PostgreSQL the lock of the shop's row in `log_head`. Every batch of that shop, in whichever process, waits
//! there, and reads everything else only afterwards; at READ COMMITTED each statement sees what was committed before it began,
//! so all of the batch before, and nothing commits to this shop meanwhile. Batches of a shop therefore run one after the other
//! and are serialisable. The head is replaced only where its note is still the one that was read (`seal`): should a lock ever
//! be lost with its connection, the commit fails with it. Other shops are not waited for.

use std::collections::{BTreeSet, HashMap, HashSet};
use std::sync::Arc;

use evidence::digest::Digest;
use evidence::disclosure;
use evidence::entry::{Entry, EntryError, Kept};
use evidence::note::SignerKey;
use evidence::tree::{self, Hash};
use serde_json::{Map, Value};
use tracing::Instrument;
use uuid::Uuid;

use super::appender::{BATCH, Job, Waiting};
use super::load::{self, Head, broken};
use super::warm::{self, Nodes, Open, Warm};
use super::{Answer, Command, Ledger, No, Notice, across, erase, project, repeated};
use crate::database::{self, Connection, Engine};
use crate::intake::body::{Body, personal_members};
use crate::intake::decide::{self, Author, Refusal, Sentence};
use crate::intake::erasure;
use crate::intake::kind::LoadedKind;
use crate::intake::state::{Fact, Whose};
use crate::originals::Shelf;
use crate::settings;
use crate::traces::step;

/// Most rows that one statement writes.
const ROWS: usize = 100;

/// What a batch carries from command to command.
pub(super) struct Work {
    pub shop: Uuid,
    head: Head,
    /// The secret keys that sign the head after it, the newest first.
    pub signing: Vec<[u8; 32]>,
    now: i64,
    pub intakes: HashMap<Uuid, Open>,
    pub touched: BTreeSet<Uuid>,
    /// Intakes that commands of this batch are about.
    used: BTreeSet<Uuid>,
    /// Ids of commands that were kept before, or in this batch.
    said: HashSet<Uuid>,
    nodes: Nodes,
    /// Nodes that this batch adds to the tree.
    fresh: Vec<((u8, u64), Hash)>,
    notices: Vec<Notice>,
    may_leave_open: Option<Value>,
}

/// A command that the rules allow.
struct Judged {
    told: Vec<Sentence>,
    body: Body,
    /// The kind it was judged by.
    kind: Arc<LoadedKind>,
}

impl Ledger {
    /// Runs one batch and answers every job in it, those included that came while it waited for its turn.
    pub(super) async fn batch(&self, shop: Uuid, mut jobs: Vec<Job>, waiting: &mut Waiting, warm: &mut Warm) {
        let done = self.transaction(shop, &mut jobs, waiting, warm).await;
        let replies = jobs.into_iter().map(|job| job.reply);
        match done {
            Ok((answers, notices)) => {
                for (reply, answer) in replies.zip(answers) {
                    // A caller that went away finds its entry again by its id.
                    let _ = reply.send(answer);
                }
                match Engine::of(self.pool()) {
                    Engine::Sqlite => notices.into_iter().for_each(|n| drop(self.inner.notices.send(n))),
                    // In the order of the log, whoever wrote: the herald tells them.
                    Engine::Postgres if !notices.is_empty() => self.announce(shop).await,
                    Engine::Postgres => {}
                }
            }
            Err(e) => {
                tracing::error!(%shop, error = %e, "a batch was not kept");
                for reply in replies {
                    let _ = reply.send(Err(No::Busy(e.to_string())));
                }
            }
        }
    }

    async fn transaction(
        &self,
        shop: Uuid,
        jobs: &mut Vec<Job>,
        waiting: &mut Waiting,
        warm: &mut Warm,
    ) -> Result<(Vec<Result<Answer, No>>, Vec<Notice>), sqlx::Error> {
        let mut tx = database::writing_rows(&self.inner.writer).await?;
        let head = load::head_to_write(&mut tx, shop).instrument(step!("log head wait")).await?;
        let Some(head) = head else {
            return Ok((jobs.iter().map(|_| Err(No::NoShop)).collect(), Vec::new()));
        };
        // Where another process wrote, that took a while: whoever came meanwhile needs no turn of their own.
        while jobs.len() < BATCH
            && let Ok(job) = waiting.try_recv()
        {
            jobs.push(job);
        }
        let before = head.note.clone();
        // Gone if this batch breaks off: the next one reads what it needs.
        let (nodes, intakes) = warm.begin(&before);
        let ids: Vec<_> = jobs.iter().map(|job| job.command.said.id).collect();
        let mut work = Work {
            shop,
            signing: self.seeds_of(&before)?,
            head,
            now: self.inner.clock.now(),
            intakes,
            touched: BTreeSet::new(),
            used: BTreeSet::new(),
            said: repeated::among(&mut tx, shop, &ids).await?,
            nodes,
            fresh: Vec::new(),
            notices: Vec::new(),
            may_leave_open: None,
        };
        let mut answers = Vec::with_capacity(jobs.len());
        for job in &*jobs {
            answers.push(self.one(&mut tx, &mut work, &job.command).await?);
        }
        if work.notices.is_empty() {
            tx.rollback().await?;
            let note = work.head.note;
            warm.keep(&note, work.head.size, work.nodes, work.intakes, &work.used);
            return Ok((with_checkpoint(answers, &note), Vec::new()));
        }
        self.seal(&mut tx, &mut work, &before).await?;
        for id in &work.touched {
            if let Some(open) = work.intakes.get_mut(id) {
                let words = project::write(&mut tx, &open.intake, open.kind.as_deref(), open.words.take()).await?;
                // Another process, of a newer program even, may write the words of an intake anew.
                open.words = words.filter(|_| Engine::of(self.pool()) == Engine::Sqlite);
            }
        }
        if let Err(e) = tx.commit().await
            && !self.kept_all_the_same(shop, &answers).await?
        {
            return Err(e);
        }
        let note = work.head.note;
        warm.keep(&note, work.head.size, work.nodes, work.intakes, &work.used);
        Ok((with_checkpoint(answers, &note), work.notices))
    }

    /// Keeps a shop's log from growing in any process until this is dropped, for taking bytes away: between the look at
    /// the log and the deletion nobody says that they are held. Nothing on SQLite, where one process is all there is and
    /// its own lock does that.
    ///
    /// # Errors
    /// The database's.
    pub async fn hold(&self, shop: Uuid) -> Result<Option<database::Transaction>, sqlx::Error> {
        if Engine::of(self.pool()) == Engine::Sqlite {
            return Ok(None);
        }
        let mut tx = database::writing_rows(self.pool()).await?;
        database::hold_on(&mut tx).await?;
        load::head_to_write(&mut tx, shop).await?;
        Ok(Some(tx))
    }

    /// Whether an entry says that bytes are held which another process took away meanwhile: refused ones, or erased ones.
    fn bytes_gone(&self, shop: Uuid, body: &Body) -> bool {
        let file = match body {
            Body::PhotoReceived(b) => b.file,
            Body::FileReceived(b) => b.file,
            _ => return false,
        };
        // A bucket that does not tell: nothing may be said of it now.
        let there = || self.originals().is_there(shop, Shelf::Originals, &file).unwrap_or(false);
        Engine::of(self.pool()) == Engine::Postgres && !there()
    }

    /// The outcome of a commit is unknown: read back, never assume. Reading for writing waits until a commit that is still
    /// under way on the other side of a lost connection has ended.
    async fn kept_all_the_same(&self, shop: Uuid, answers: &[Result<Answer, No>]) -> Result<bool, sqlx::Error> {
        let mut tx = database::writing_rows(&self.inner.writer).await?;
        load::head_to_write(&mut tx, shop).await?;
        let Some(first) = answers.iter().flatten().find(|a| a.fresh) else { return Ok(false) };
        let kept = repeated::kept_before(&mut tx, shop, first.id, &first.digest).await?;
        tx.rollback().await?;
        Ok(matches!(kept, Some(Ok(_))))
    }

    /// Judges one command and writes its entry. A database error ends the whole batch; a refusal only this command.
    async fn one(
        &self,
        db: &mut Connection,
        work: &mut Work,
        command: &Command,
    ) -> Result<Result<Answer, No>, sqlx::Error> {
        let said = &command.said;
        let digest = match said.digest() {
            Ok(d) => d,
            Err(e) => return Ok(Err(No::Disclosures(e.to_string()))),
        };
        if work.said.contains(&said.id)
            && let Some(kept) = repeated::kept_before(db, work.shop, said.id, &digest).await?
        {
            return Ok(kept);
        }
        let opens_epoch = said.kind == "epoch-opened" && command.right.staff.is_none();
        if work.head.ahead.is_some() && !opens_epoch {
            return Ok(Err(No::Ahead));
        }
        let body = match disclosed(command) {
            Ok(b) => b,
            Err(no) => return Ok(Err(no)),
        };
        let (told, fact) = match said.intake {
            None => (Vec::new(), None),
            Some(id) => match self.judge(db, work, id, command, &body).await? {
                Ok(judged) if self.bytes_gone(work.shop, &judged.body) => {
                    return Ok(Err(No::Busy("its bytes were taken away; they are sent again".into())));
                }
                Ok(judged) => (judged.told, Some((judged.body, judged.kind))),
                Err(no) => return Ok(Err(no)),
            },
        };
        let signing = match self.signing_after(work, command) {
            Ok(signing) => signing,
            Err(no) => return Ok(Err(no)),
        };
        let kept = Kept {
            at: work.now.max(work.head.log_time),
            raw: (work.now < work.head.log_time).then_some(work.now),
            clock_offset_ms: command.measured.map(|m| m.offset_ms),
            round_trip_ms: command.measured.map(|m| m.round_trip_ms),
        };
        let entry = Entry { said: command.said.clone(), kept };
        let bytes = match entry.bytes() {
            Ok(bytes) => bytes,
            Err(EntryError { sentence, .. }) => {
                tracing::info!(%sentence, "an entry is too large or not canonical");
                return Ok(Err(No::TooLarge));
            }
        };
        let index = work.head.size;
        write_entry(db, work, &entry, &digest, &bytes, &command.disclosures).await?;
        match (said.intake, fact) {
            (Some(id), Some((body, kind))) => {
                let mark =
                    load::mark(&entry, Some(index), usize::try_from(index).unwrap_or(usize::MAX)).map_err(broken)?;
                named_files(db, work.shop, id, index, &body).await?;
                if let Some(open) = work.intakes.get_mut(&id) {
                    open.kind = Some(kind);
                    if let Body::CustomerErased(b) = &body {
                        // From here on the state is what is left.
                        erase::forget(db, work.shop, id, b.upto, index).await?;
                        open.again(db).await?;
                    } else {
                        open.intake.apply(&Fact { mark, body });
                        open.entries += 1;
                    }
                }
                work.touched.insert(id);
            }
            _ => project::shop_entry(db, work.shop, index, &entry.said.kind, &body).await?,
        }
        if let (true, Some(epoch)) = (opens_epoch, body_epoch(&entry)) {
            // The entry and the origin it opens commit together.
            work.head.epoch = epoch.max(work.head.epoch);
            work.head.ahead = None;
        }
        if let Some(signing) = signing {
            // The entry and the keys that sign from it on commit together.
            work.signing = signing;
        }
        work.head.log_time = kept.at;
        work.said.insert(said.id);
        work.notices.push(Notice { shop: work.shop, index, intake: said.intake, kind: said.kind.clone() });
        Ok(Ok(Answer { id: said.id, index, digest, kept, told, checkpoint: String::new(), fresh: true }))
    }

    /// Loads the intake where it is not known and lets the pure rules decide.
    async fn judge(
        &self,
        db: &mut Connection,
        work: &mut Work,
        id: Uuid,
        command: &Command,
        body: &Map<String, Value>,
    ) -> Result<Result<Judged, No>, sqlx::Error> {
        let body = match Body::parse(&command.said.kind, command.said.v, body) {
            None => return Ok(Err(No::UnknownVersion)),
            Some(Err(e)) => return Ok(Err(No::Refused(Refusal::NotValid(e)))),
            Some(Ok(body)) => body,
        };
        work.used.insert(id);
        let open = warm::open(db, &mut work.intakes, Whose { shop: work.shop, intake: id }).await?;
        if let (None, Some(opened)) = (&open.kind, &open.intake.opened) {
            open.kind = self.kind(&mut *db, work.shop, &opened.what.kind).await?;
        }
        // Until it is kept, the intake is not opened by it.
        let kind = match &body {
            Body::Opened(opened) => self.kind(&mut *db, work.shop, &opened.kind).await?,
            _ => open.kind.clone(),
        };
        if matches!(body, Body::Opened(_)) && kind.is_none() {
            return Ok(Err(No::Refused(Refusal::Refused(Sentence::plain("refused.kind-unknown")))));
        }
        // What makes no sense by itself is told before what other intakes say against it.
        if let Err(e) = body.well_formed() {
            return Ok(Err(No::Refused(Refusal::NotValid(e))));
        }
        let known = work.intakes.get(&id).map(|open| &open.intake);
        let stranger = known.is_some_and(|intake| erasure::unseen(intake, command.said.seen));
        if stranger && !command.disclosures.is_empty() && command.right.staff.is_some() {
            return Ok(Err(No::Refused(Refusal::Erased(Sentence::plain("refused.erased-customer")))));
        }
        if let Some(no) = across::no(db, work, id, &body).await? {
            return Ok(Err(no));
        }
        if work.may_leave_open.is_none() && matches!(body, Body::LeftOpen(_)) {
            let all = load::settings(&mut *db, work.shop).await?;
            work.may_leave_open = Some(all.get(settings::MAY_LEAVE_OPEN).map_or(Value::Null, |(v, _)| v.clone()));
        }
        let patterns = settings::patterns(work.may_leave_open.as_ref(), &command.right.roles);
        let counter = command.right.roles.iter().any(|r| r == "counter" || r == "owner");
        let owner = command.right.roles.iter().any(|r| r == "owner");
        let author = Author { staff: command.right.staff, may_leave_open: &patterns, counter, owner };
        let Some(open) = work.intakes.get(&id) else { return Ok(Err(No::NoShop)) };
        let Some(kind) = kind else { return Ok(Err(No::Refused(Refusal::NoIntake))) };
        match decide::decide(&kind.kind, &open.intake, &author, command.said.seen, &body) {
            Ok(told) => Ok(Ok(Judged { told, body, kind })),
            Err(refusal) => Ok(Err(No::Refused(refusal))),
        }
    }

    /// Writes the batch's part of the tree, signs the new head and replaces the old one, only if it is still the one that was read.
    async fn seal(&self, db: &mut Connection, work: &mut Work, before: &str) -> Result<(), sqlx::Error> {
        for some in work.fresh.chunks(ROWS) {
            let mut query = database::Builder::new("INSERT INTO node (shop, level, idx, hash) VALUES ");
            for (n, ((level, idx), hash)) in some.iter().enumerate() {
                query.push(if n == 0 { "(" } else { ", (" }).push_bind(work.shop.to_string());
                query.push(", ").push_bind(i64::from(*level));
                query.push(", ").push_bind(i64::try_from(*idx).map_err(|e| broken(e.to_string()))?);
                query.push(", ").push_bind(hash.to_vec()).push(")");
            }
            query.build()?.execute(&mut *db).await?;
        }
        let wanted: Vec<_> =
            tree::needed_for_root(work.head.size).into_iter().filter(|n| !work.nodes.contains_key(n)).collect();
        work.nodes.extend(load::nodes(&mut *db, work.shop, &wanted).await?);
        work.head.root = tree::root_from(work.head.size, &mut |l, i| work.nodes.get(&(l, i)).copied())
            .map_err(|e| broken(e.to_string()))?;
        let checkpoint = work.head.checkpoint(work.shop);
        let keys: Vec<_> = work.signing.iter().map(|seed| SignerKey::new(&checkpoint.origin, *seed)).collect();
        let keys: Vec<_> = keys.iter().collect();
        work.head.note = checkpoint.sign(&keys).map_err(|e| broken(e.to_string()))?;
        let done = sqlx::query("UPDATE log_head SET epoch = $1, size = $2, root = $3, note = $4, log_time = $5, ahead = $6 WHERE shop = $7 AND note = $8")
            .bind(i64::try_from(work.head.epoch).map_err(|e| broken(e.to_string()))?)
            .bind(i64::try_from(work.head.size).map_err(|e| broken(e.to_string()))?)
            .bind(work.head.root.to_vec())
            .bind(&work.head.note)
            .bind(work.head.log_time)
            .bind(&work.head.ahead)
            .bind(work.shop.to_string())
            .bind(before)
            .execute(db)
            .await?;
        if done.rows_affected() == 1 { Ok(()) } else { Err(broken("the head was replaced by somebody else")) }
    }

    /// Publishes the newest checkpoint beside the originals. A failure is logged; the next one publishes again.
    pub async fn publish(&self, shop: Uuid) {
        // One process after the other, each with the head it reads then: the newest published never goes back.
        let _alone = match database::alone(self.pool(), &format!("publish {shop}")).await {
            Ok(alone) => alone,
            Err(e) => {
                return tracing::warn!(%shop, error = %e, "the checkpoint is published at the next entry or start");
            }
        };
        let head = match self.head(shop).await {
            Ok(Some(head)) => head,
            _ => return,
        };
        let (originals, nonce) = (self.inner.originals.clone(), self.nonce());
        let done =
            tokio::task::spawn_blocking(move || originals.publish(shop, head.epoch, head.size, &head.note, nonce))
                .await;
        if let Ok(Err(e)) = done {
            tracing::error!(%shop, error = %e, "the checkpoint was not published; it will be at the next entry or start");
        }
    }
}

fn body_epoch(entry: &Entry) -> Option<u64> {
    entry.said.body.get("epoch").and_then(Value::as_u64)
}

fn with_checkpoint(answers: Vec<Result<Answer, No>>, note: &str) -> Vec<Result<Answer, No>> {
    answers.into_iter().map(|a| a.map(|a| Answer { checkpoint: note.to_owned(), ..a })).collect()
}

/// The body with its personal members, all of which must be disclosed and personal.
fn disclosed(command: &Command) -> Result<Map<String, Value>, No> {
    let said = &command.said;
    let named = said.body.get("_sd").and_then(Value::as_array).map_or(0, Vec::len);
    if named != command.disclosures.len() {
        return Err(No::Disclosures(
            "each personal member needs its disclosure, and each disclosure its digest in _sd".into(),
        ));
    }
    let personal = personal_members(&said.kind);
    if let Some(open) = said.body.keys().find(|k| personal.contains(&k.as_str())) {
        return Err(No::Disclosures(format!("\"{open}\" is personal: it belongs into a disclosure")));
    }
    let body = disclosure::disclose(&said.body, &command.disclosures).map_err(|e| No::Disclosures(e.to_string()))?;
    match body.keys().find(|k| *k != "_sd" && !said.body.contains_key(*k) && !personal.contains(&k.as_str())) {
        Some(plain) => Err(No::Disclosures(format!("\"{plain}\" is not personal: it belongs into the body"))),
        None => Ok(body),
    }
}

async fn write_entry(
    db: &mut Connection,
    work: &mut Work,
    entry: &Entry,
    digest: &Digest,
    bytes: &[u8],
    disclosures: &[String],
) -> Result<(), sqlx::Error> {
    let (shop, size) = (work.shop.to_string(), work.head.size);
    let index = i64::try_from(size).map_err(|e| broken(e.to_string()))?;
    let intake = entry.said.intake.map(|i| i.to_string());
    sqlx::query("INSERT INTO entry (shop, idx, id, digest, intake, type, bytes) VALUES ($1, $2, $3, $4, $5, $6, $7)")
        .bind(&shop)
        .bind(index)
        .bind(entry.said.id.to_string())
        .bind(digest.0.to_vec())
        .bind(&intake)
        .bind(&entry.said.kind)
        .bind(bytes)
        .execute(&mut *db)
        .await?;
    let wanted: Vec<_> = tree::needed_for_append(size).into_iter().filter(|n| !work.nodes.contains_key(n)).collect();
    work.nodes.extend(load::nodes(&mut *db, work.shop, &wanted).await?);
    let fresh = tree::new_nodes(size, tree::leaf_hash(bytes), &mut |l, i| work.nodes.get(&(l, i)).copied())
        .map_err(|e| broken(e.to_string()))?;
    for (level, idx, hash) in fresh {
        work.fresh.push(((level, idx), hash));
        work.nodes.insert((level, idx), hash);
    }
    for text in disclosures {
        sqlx::query("INSERT INTO disclosure (shop, idx, intake, digest, text) VALUES ($1, $2, $3, $4, $5)")
            .bind(&shop)
            .bind(index)
            .bind(&intake)
            .bind(disclosure::digest_of(text))
            .bind(text)
            .execute(&mut *db)
            .await?;
    }
    work.head.size += 1;
    Ok(())
}

/// Keeps track of which files entries named, which are held and which are judged.
pub(super) async fn named_files(
    db: &mut Connection,
    shop: Uuid,
    intake: Uuid,
    index: u64,
    body: &Body,
) -> Result<(), sqlx::Error> {
    for row in project::file_changes(index, body) {
        project::write_file_change(&mut *db, shop, intake, &row).await?;
    }
    Ok(())
}
