//! Judging: a photo whose bytes are held gets its facts, its renditions and its verdict, under memory permits and
//! off the runtime. The judgement is an entry; it is never computed again on a fold.

use std::sync::Arc;

use evidence::digest::Digest;
use serde_json::{Map, Value, json};
use sqlx::Row;
use tokio::sync::OwnedSemaphorePermit;
use uuid::Uuid;

use crate::alike::{self, Told};
use crate::app::{App, PICTURE_MEMORY_MB};
use crate::ledger::load::{self, broken};
use crate::ledger::{Ledger, ServerEntry};
use crate::originals::Shelf;
use crate::photo::kind::Kind;
use crate::photo::{self, Outcome};

/// A photo whose bytes are held.
#[derive(Clone, Debug)]
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

/// Judges one photo and keeps the judgement. Gives the body of its entry.
///
/// # Errors
/// A sentence for the log; the photo stays "not judged yet" and is taken up again at the next start.
pub async fn judge(app: App, held: Held, bytes: Arc<Vec<u8>>) -> Result<Map<String, Value>, String> {
    let permit = memory(&app, photo::memory_needed(&bytes)).await;
    looked_at(app, held, bytes, permit).await
}

/// Whether a picture has to go alone: a HEIC picture, which takes a second, and one that needs all the memory there is.
pub fn goes_alone(bytes: &[u8]) -> bool {
    let needed = photo::memory_needed(bytes).saturating_add(bytes.len() as u64);
    photo::kind::sniff(bytes) == Some(Kind::Heic) || needed > u64::from(PICTURE_MEMORY_MB) * 1024 * 1024
}

/// The same for a picture that goes alone: its bytes are read when its turn has come, so that one that waits holds nothing.
///
/// # Errors
/// As [`judge`].
pub async fn judge_alone(app: App, held: Held) -> Result<Map<String, Value>, String> {
    let _turn = app.alone.clone().acquire_owned().await.map_err(|e| e.to_string())?;
    let size = app.ledger.originals().size(held.shop, &held.file).map_err(|e| e.to_string())?;
    // Given back before more is asked for: who holds some and waits for the rest may wait for ever.
    let needed = {
        let _reading = memory(&app, size).await;
        photo::memory_needed(&read(&app, &held).await?).saturating_add(size)
    };
    let permit = memory(&app, needed).await;
    let bytes = Arc::new(read(&app, &held).await?);
    looked_at(app, held, bytes, permit).await
}

async fn read(app: &App, held: &Held) -> Result<Vec<u8>, String> {
    let (originals, shop, file) = (app.ledger.originals().clone(), held.shop, held.file);
    let read = tokio::task::spawn_blocking(move || originals.read(shop, Shelf::Originals, &file)).await;
    read.map_err(|e| e.to_string())?.map_err(|e| e.to_string())
}

async fn looked_at(
    app: App,
    held: Held,
    bytes: Arc<Vec<u8>>,
    permit: Option<OwnedSemaphorePermit>,
) -> Result<Map<String, Value>, String> {
    let picture = bytes.clone();
    let outcome = tokio::task::spawn_blocking(move || photo::judge(&picture))
        .await
        .map_err(|e| e.to_string())?
        .map_err(|e| e.to_string())?;
    drop(bytes);
    let (ledger, shop) = (app.ledger.clone(), held.shop);
    let (renditions, outcome) = tokio::task::spawn_blocking(move || keep_renditions(&ledger, shop, outcome))
        .await
        .map_err(|e| e.to_string())??;
    drop(permit);
    // One after the other, so that of two photos that are alike the later one is told of the earlier one.
    let _order = app.comparing.lock().await;
    let told = alike::told(&app, &held, &outcome).await.map_err(|e| e.to_string())?;
    let (body, personal) = body(&held, &outcome, renditions, &told);
    let entry = ServerEntry {
        kind: "photo-judged".into(),
        intake: Some(held.intake),
        body: body.clone(),
        personal,
        author: None,
    };
    app.ledger.say(held.shop, entry).await.map_err(|no| format!("the judgement was not kept: {no:?}"))?;
    Ok(body)
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

/// Takes up what a stop interrupted: photos that are held and have no judgement.
///
/// # Errors
/// The database's.
pub async fn resume(app: &App) -> Result<usize, sqlx::Error> {
    let rows = sqlx::query(
        "SELECT shop, intake, photo, file FROM named_file WHERE of = 'photo' AND held_idx IS NOT NULL AND judged_idx IS NULL ORDER BY held_idx",
    )
    .fetch_all(app.ledger.pool())
    .await?;
    let mut waiting = Vec::with_capacity(rows.len());
    for r in &rows {
        let id = |c: &str| -> Result<Uuid, sqlx::Error> {
            r.try_get::<String, _>(c)?.parse().map_err(|_| broken(format!("{c} is not a UUID")))
        };
        waiting.push(Held {
            shop: id("shop")?,
            intake: id("intake")?,
            photo: id("photo")?,
            file: Digest(load::hash(r, "file")?),
        });
    }
    let count = waiting.len();
    let app = app.clone();
    let (tracker, runtime) = (app.background.clone(), app.runtime.clone());
    let work = async move {
        for held in waiting {
            if let Err(e) = judge_alone(app.clone(), held.clone()).await {
                tracing::error!(photo = %held.photo, error = %e, "a photo could not be judged at start");
            }
        }
    };
    tracker.spawn_on(work, &runtime);
    Ok(count)
}
