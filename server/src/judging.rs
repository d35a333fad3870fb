//! Judging: a photo whose bytes are held gets its facts, its renditions and its verdict, under memory permits and
//! off the runtime. The judgement is an entry; it is never computed again on a fold.

use evidence::digest::Digest;
use serde_json::{Map, Value, json};
use sqlx::Row;
use tokio::sync::OwnedSemaphorePermit;
use tracing::Instrument;
use uuid::Uuid;

use crate::alike::{self, Told};
use crate::app::{App, PICTURE_MEMORY_MB, WEIGHING_MB};
use crate::away;
use crate::database::{self, Engine};
use crate::intake::decide::Refusal;
use crate::ledger::load::{self, broken};
use crate::ledger::{Ledger, No, ServerEntry};
use crate::originals::Shelf;
use crate::photo::kind::Kind;
use crate::photo::{self, Outcome, Refused};
use crate::traces::step;

/// How long a photo may stand without its judgement until another process takes it up.
const LEFT: std::time::Duration = std::time::Duration::from_secs(60);

/// A photo whose bytes are held.
#[derive(Clone, Debug, PartialEq)]
pub struct Held {
    /// The shop.
    pub shop: Uuid,
    /// The intake.
    pub intake: Uuid,
    /// The photo.
    pub photo: Uuid,
    /// Its bytes' digest.
    pub file: Digest,
}

/// Permits for so many bytes of memory; a picture that needs more than there is takes all of it and goes alone.
pub async fn memory(app: &App, bytes: u64) -> Option<OwnedSemaphorePermit> {
    let megabytes = u32::try_from(bytes.div_ceil(1024 * 1024)).unwrap_or(u32::MAX).clamp(1, PICTURE_MEMORY_MB);
    app.picture_memory.clone().acquire_many_owned(megabytes).await.ok()
}

/// What a quick walk over a file says.
#[derive(Clone, Copy, Debug)]
pub struct Weighed {
    /// Whether it is kept, and as what.
    pub admitted: Result<Kind, Refused>,
    /// The most memory that judging it takes, the file included.
    pub needed: u64,
}

/// How the media types of films begin.
const FILM: &str = "video/";
/// Memory that a film's headers take at most, with room to spare.
const FILM_MEMORY: u64 = 8 * 1024 * 1024;

/// Walks over a stored file of so many bytes, said to be a photo or a film, under a permit for them. The bytes are let go again: a photo that waits
/// for its judgement takes no memory.
///
/// # Errors
/// The disk's.
pub async fn weigh(app: &App, shop: Uuid, file: Digest, size: u64, film: bool) -> std::io::Result<Weighed> {
    let (originals, span) = (app.ledger.originals().clone(), tracing::Span::current());
    if film {
        let walk = move || {
            let mut source = originals.file(shop, Shelf::Originals, &file)?;
            Ok(Weighed { admitted: photo::admit_film(&mut source, size)?, needed: FILM_MEMORY })
        };
        return tokio::task::spawn_blocking(move || span.in_scope(walk)).await.map_err(std::io::Error::other)?;
    }
    // Permits of its own: who sends a photo does not wait for the judgement of those before it.
    let megabytes = u32::try_from(size.div_ceil(1024 * 1024)).unwrap_or(u32::MAX).clamp(1, WEIGHING_MB);
    let permit = app.weighing.clone().acquire_many_owned(megabytes).await.ok();
    let walk = move || {
        let _until_done = permit;
        let bytes = originals.read(shop, Shelf::Originals, &file)?;
        Ok(Weighed { admitted: photo::admit(&bytes), needed: size.saturating_add(photo::memory_needed(&bytes)) })
    };
    tokio::task::spawn_blocking(move || span.in_scope(walk)).await.map_err(std::io::Error::other)?
}

/// Judges one photo, which was weighed, and keeps the judgement. Gives the body of its entry.
///
/// HEIC pictures go one at a time: each takes a second of a processor, and a phone sends six.
///
/// # Errors
/// A sentence for the log; the photo stays "not judged yet" and is taken up again at the next start.
pub async fn judge(app: App, held: Held, weighed: Weighed) -> Result<Map<String, Value>, String> {
    let turn = match weighed.admitted {
        Ok(Kind::Heic) => app.alone.clone().acquire_owned().await.ok(),
        _ => None,
    };
    let permit = memory(&app, weighed.needed).instrument(step!("memory wait")).await;
    let (originals, shop, file) = (app.ledger.originals().clone(), held.shop, held.file);
    let film = weighed.admitted.is_ok_and(Kind::is_film);
    let look = move || {
        if film {
            let mut source = originals.file(shop, Shelf::Originals, &file).map_err(|e| e.to_string())?;
            let len = source.metadata().map_err(|e| e.to_string())?.len();
            let told = photo::judge_film(&mut source, len).map_err(|e| e.to_string())?;
            return told.ok_or_else(|| photo::Refused::Type.to_string());
        }
        let bytes = originals.read(shop, Shelf::Originals, &file).map_err(|e| e.to_string())?;
        photo::judge(&bytes).map_err(|e| e.to_string())
    };
    let step = step!("looking");
    let outcome = tokio::task::spawn_blocking(move || step.in_scope(look)).await.map_err(|e| e.to_string())??;
    let (ledger, span) = (app.ledger.clone(), tracing::Span::current());
    let keep = move || span.in_scope(|| keep_renditions(&ledger, shop, outcome));
    let (renditions, outcome) = tokio::task::spawn_blocking(keep).await.map_err(|e| e.to_string())??;
    drop((permit, turn));
    // One after the other, so that of two photos that are alike the later one is told of the earlier one.
    let _order = app.comparing.lock().await;
    let _everywhere = app.alone_in(held.shop, "comparing").await.map_err(|e| e.to_string())?;
    let told = alike::told(&app, &held, &outcome).await.map_err(|e| e.to_string())?;
    let (body, personal) = body(&held, &outcome, renditions, &told);
    let entry = ServerEntry {
        kind: "photo-judged".into(),
        intake: Some(held.intake),
        body: body.clone(),
        personal,
        author: None,
    };
    if let Err(no) = app.ledger.say(held.shop, entry).await {
        // Erased while it was looked at: its copies are named by no entry and go again.
        if matches!(no, No::Refused(_)) {
            unmake(&app, held.shop, &body).await;
        }
        return Err(format!("the judgement was not kept: {no:?}"));
    }
    Ok(body)
}

/// Takes copies away that no entry names: what was to name them was refused.
pub async fn unmake(app: &App, shop: Uuid, body: &Map<String, Value>) {
    let list = body.get("renditions").and_then(Value::as_array).cloned().unwrap_or_default();
    for digest in list.iter().filter_map(|r| r.get("file")?.as_str()?.parse::<Digest>().ok()) {
        if crate::erasing::shown(app, shop, &digest).await.unwrap_or(true) {
            continue;
        }
        let originals = app.ledger.originals().clone();
        let gone = tokio::task::spawn_blocking(move || originals.erase(shop, Shelf::Renditions, &digest)).await;
        if !matches!(gone, Ok(Ok(_))) {
            tracing::warn!(%digest, "a copy of an erased photo could not be taken away");
        }
    }
}

fn keep_renditions(ledger: &Ledger, shop: Uuid, mut outcome: Outcome) -> Result<(Vec<Value>, Outcome), String> {
    let mut list = Vec::new();
    for r in std::mem::take(&mut outcome.renditions) {
        let file =
            ledger.originals().keep(shop, Shelf::Renditions, &r.bytes, ledger.nonce()).map_err(|e| e.to_string())?;
        list.push(json!({"purpose": r.purpose.word(), "file": file.to_string(), "width": r.width, "height": r.height}));
    }
    Ok((list, outcome))
}

fn body(
    held: &Held,
    outcome: &Outcome,
    renditions: Vec<Value>,
    told: &Told,
) -> (Map<String, Value>, Vec<(String, Value)>) {
    let mut body = load_map(json!({
        "photo": held.photo,
        "file": held.file.to_string(),
        "by": photo::judge::VERSION,
        "verdict": outcome.judged.verdict,
        "reasons": outcome.judged.reasons,
        "measures": outcome.judged.measures,
        "claims": outcome.claims,
        "renditions": renditions,
    }));
    // What there is nothing of is left out, as in every body.
    let mut add = |name: &str, there: bool, what: Value| there.then(|| body.insert(name.to_owned(), what));
    add("look", outcome.look.is_some(), json!(outcome.look));
    add("codes", !outcome.codes.is_empty(), json!(outcome.codes));
    add("alike", !told.alike.is_empty(), json!(told.alike));
    add("flags", !told.flags.is_empty(), json!(told.flags));
    let mut personal = Vec::new();
    if let Some(gps) = &outcome.personal.gps {
        personal.push(("gps".to_owned(), json!(gps)));
    }
    if let Some(serial) = &outcome.personal.body_serial {
        personal.push(("body_serial".to_owned(), json!(serial)));
    }
    if let Some(id) = &outcome.personal.unique_id {
        personal.push(("unique_id".to_owned(), json!(id)));
    }
    (body, personal)
}

fn load_map(value: Value) -> Map<String, Value> {
    crate::ledger::start::map(value)
}

/// Photos that came from another intake and whose bytes are held already: they are received and judged where they came to.
/// Nothing is asked of a phone again. Gives their number.
///
/// # Errors
/// A sentence for the log; what was not done is taken up again at the next start.
pub async fn take_over(app: App) -> Result<usize, String> {
    let rows = sqlx::query(
        "SELECT f.shop, f.intake, f.photo, f.file, f.size, min(h.media_type) AS media_type FROM named_file f
         JOIN named_file h ON h.shop = f.shop AND h.file = f.file AND h.of = 'photo' AND h.held_idx IS NOT NULL AND h.erased_idx IS NULL
         WHERE f.of = 'photo' AND f.held_idx IS NULL AND f.moved_idx IS NULL AND f.erased_idx IS NULL GROUP BY f.shop, f.file, f.named_idx ORDER BY f.named_idx",
    )
    .fetch_all(app.ledger.pool())
    .await
    .map_err(|e| e.to_string())?;
    for r in &rows {
        let held = held_of(r).map_err(|e| e.to_string())?;
        let size = load::number(r, "size").map_err(|e| e.to_string())?;
        let media_type: String = r.try_get("media_type").map_err(|e| e.to_string())?;
        // From here until they are said to be held nobody takes the bytes away.
        let kept = app.discarding.read().await;
        let weighed = match weigh(&app, held.shop, held.file, size, media_type.starts_with(FILM)).await {
            Ok(weighed) => weighed,
            // Held once, erased, and named anew: its phone sends it again.
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => continue,
            Err(e) => return Err(e.to_string()),
        };
        let body = json!({"photo": held.photo, "file": held.file.to_string(), "size": size, "media_type": media_type});
        let entry = ServerEntry {
            kind: "photo-received".into(),
            intake: Some(held.intake),
            body: load_map(body),
            personal: Vec::new(),
            author: None,
        };
        match app.ledger.say(held.shop, entry).await {
            Ok(_) => {}
            // Its bytes were sent again at the same time.
            Err(No::Refused(Refusal::SaidBefore)) => continue,
            Err(no) => return Err(format!("a photo that came was not received: {no:?}")),
        }
        drop(kept);
        judge(app.clone(), held, weighed).await?;
    }
    Ok(rows.len())
}

fn held_of(r: &database::Row) -> Result<Held, sqlx::Error> {
    let id = |c: &str| -> Result<Uuid, sqlx::Error> {
        r.try_get::<String, _>(c)?.parse().map_err(|_| broken(format!("{c} is not a UUID")))
    };
    Ok(Held { shop: id("shop")?, intake: id("intake")?, photo: id("photo")?, file: Digest(load::hash(r, "file")?) })
}

/// Takes up what a stop interrupted: photos that are held and have no judgement, and photos that came and are not said to be
/// held.
///
/// # Errors
/// The database's.
pub async fn resume(app: &App) -> Result<usize, sqlx::Error> {
    let postgres = Engine::of(app.ledger.pool()) == Engine::Postgres;
    if postgres || app.ledger.originals().bucket().is_some() {
        app.runtime.spawn(take_up(app.clone()));
    }
    if postgres {
        return Ok(0);
    }
    let waiting = waiting(app).await?;
    let count = waiting.len();
    app.background.spawn_on(judge_all(app.clone(), waiting), &app.runtime);
    Ok(count)
}

/// The same for ever where several processes serve, or a bucket may be away: what stood without a judgement at one look and
/// still does at the next was left by a process that is gone, or could not be read. A photo is judged in seconds.
async fn take_up(app: App) {
    let (mut before, mut tried) = (Vec::new(), Vec::new());
    loop {
        let looked = if away::reachable(&app).await { waiting(&app).await } else { Ok(Vec::new()) };
        match looked {
            Ok(now) => {
                let left: Vec<_> = now.iter().filter(|w| before.contains(*w) && !tried.contains(*w)).cloned().collect();
                // What cannot be judged is not tried at every look.
                tried.extend(left.iter().cloned());
                before = now;
                judge_all(app.clone(), left).await;
                if !away::reachable(&app).await {
                    tried.clear();
                }
            }
            Err(e) => tracing::warn!(error = %e, "photos that another process left cannot be looked for now"),
        }
        tokio::select! {
            () = app.stopping.cancelled() => return,
            () = tokio::time::sleep(LEFT) => {}
        }
    }
}

/// Photos that are held and have no judgement, and whether each is a film.
async fn waiting(app: &App) -> Result<Vec<(Held, bool)>, sqlx::Error> {
    let rows = sqlx::query(
        "SELECT shop, intake, photo, file, media_type FROM named_file WHERE of = 'photo' AND held_idx IS NOT NULL AND judged_idx IS NULL AND moved_idx IS NULL AND erased_idx IS NULL ORDER BY held_idx",
    )
    .fetch_all(app.ledger.pool())
    .await?;
    let of = |r| Ok::<_, sqlx::Error>((held_of(r)?, r.try_get::<String, _>("media_type")?.starts_with(FILM)));
    rows.iter().map(of).collect()
}

async fn judge_all(app: App, waiting: Vec<(Held, bool)>) {
    if let Err(e) = take_over(app.clone()).await {
        tracing::error!(error = %e, "a photo that came could not be taken over at start");
    }
    for (held, film) in waiting {
        let (originals, shop, file) = (app.ledger.originals().clone(), held.shop, held.file);
        let size = tokio::task::spawn_blocking(move || originals.size(shop, Shelf::Originals, &file)).await;
        let size = size.map_or(0, |size| size.unwrap_or(0));
        let result = match weigh(&app, held.shop, held.file, size, film).await {
            Ok(weighed) => judge(app.clone(), held.clone(), weighed).await.map(|_| ()),
            Err(e) => Err(e.to_string()),
        };
        if let Err(e) = result {
            tracing::error!(photo = %held.photo, error = %e, "a photo could not be judged at start");
        }
    }
}
