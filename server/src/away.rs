//! A server and its bucket of originals: tried at the start, and looked after. What waited while it was away is done once it
//! answers: bytes that were erased are taken away. Photos wait on their phones and come by themselves; judgements are taken up by
//! `judging`. Where originals are in folders there is nothing to do.

use std::time::Duration;

use crate::app::App;
use crate::ledger::{Ledger, start};
use crate::originals::Bucket;
use crate::{erasing, serve};

/// How often it is looked whether there is something to do.
const LOOK: Duration = Duration::from_secs(60);
/// After so many looks it is done anyway, once a day: what was locked may be open by now.
const LOOKS: u32 = 24 * 60;

/// Tries what the bucket does, where there is one. One that does not answer is no reason not to start: everything but photos
/// goes on without it. One that answers and cannot be used is.
///
/// # Errors
/// A sentence that says why it cannot.
pub async fn at_start(ledger: &Ledger, older: Option<i64>) -> Result<(), String> {
    let Some(bucket) = ledger.originals().bucket() else { return Ok(()) };
    let place = bucket.address().to_string();
    if !bucket.health().await.0 {
        tracing::warn!(%place, "the store of originals does not answer: photos wait on the phones");
        return Ok(());
    }
    let originals = ledger.originals().clone();
    let tried = tokio::task::spawn_blocking(move || originals.bucket().map(Bucket::probe));
    match tried.await.map_err(|e| e.to_string())? {
        Some(Ok(Err(why))) => return Err(format!("the originals cannot be kept in {place}: {why}")),
        Some(Err(e)) => tracing::warn!(%place, error = %e, "photos wait on the phones until the store answers"),
        _ => sweep(ledger, older).await,
    }
    Ok(())
}

/// Takes away what a crash left half done in the bucket.
async fn sweep(ledger: &Ledger, older: Option<i64>) {
    let Ok(shops) = start::shops(ledger.pool()).await else { return };
    for shop in shops {
        let originals = ledger.originals().clone();
        match tokio::task::spawn_blocking(move || originals.sweep_bucket(shop, older)).await {
            Ok(Ok(swept)) => tracing::info!(%shop, swept, "uploads into the bucket that a crash left half done"),
            Ok(Err(e)) => tracing::warn!(%shop, error = %e, "uploads left half done could not be looked for"),
            Err(e) => tracing::error!(%shop, error = %e, "looking for uploads left half done broke off"),
        }
    }
}

/// Whether originals can be had now: always, where they are in folders.
pub async fn reachable(app: &App) -> bool {
    match app.ledger.originals().bucket() {
        Some(bucket) => bucket.health().await.0,
        None => true,
    }
}

/// Takes away what was erased: at the start, and after every time the bucket was away.
pub async fn clear(app: &App) {
    match erasing::sweep(app).await {
        Ok(gone) => tracing::info!(gone, "erased files taken away from before"),
        Err(e) => tracing::error!(error = %e, "erased files could not be taken away"),
    }
    if let Err(e) = erasing::customer::finish(app).await {
        tracing::error!(error = %e, "an erasure could not be finished; it is tried again");
    }
}

/// Looks after a bucket for ever; nothing to do where there is none.
pub async fn keep(app: App, cleared: bool) {
    let Some(bucket) = app.ledger.originals().bucket() else { return };
    let mut seen = if cleared { Some(bucket.health().await.1) } else { None };
    for look in 1u32.. {
        tokio::select! {
            () = app.stopping.cancelled() => return,
            () = tokio::time::sleep(LOOK) => {}
        }
        let (answers, failures) = bucket.health().await;
        if answers && (seen != Some(failures) || look % LOOKS == 0) {
            // What was begun lately may be under way, here too.
            sweep(&app.ledger, Some(serve::lately(&app.ledger))).await;
            clear(&app).await;
            seen = Some(failures);
        }
    }
}
