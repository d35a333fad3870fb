//! `counterfoil rotate-key`: changes the key of each shop's log, also while it is served: what signs is decided in the transaction
//! that keeps the entry, and a server that meets the new key reads it from the file.

use crate::database::Place;
use crate::http::no::problem;
use crate::ledger::keys::{MOST_BECAUSE, reason};
use crate::ledger::start;
use crate::{serve, words};

/// Changes the key of each shop's log.
///
/// # Errors
/// A sentence.
pub async fn run(place: &Place, because: &str, overlap_days: u32) -> Result<(), String> {
    place.must_be_there()?;
    let because =
        reason(because).ok_or_else(|| format!("say why, in a sentence of at most {MOST_BECAUSE} characters"))?;
    let ledger = serve::open(place.clone(), true).await?.ledger;
    let words = words::language(words::FIRST);
    for shop in start::shops(ledger.pool()).await.map_err(|e| e.to_string())? {
        let kept = ledger.rotate_key(shop, because, overlap_days, None).await;
        let kept = kept.map_err(|no| format!("shop {shop}: {}", problem(no, words).detail))?;
        let head = ledger.head(shop).await.map_err(|e| e.to_string())?.ok_or("the head is gone")?;
        let key = ledger.signing_key(shop, &head).map_err(|e| e.to_string())?;
        println!("shop {shop}: entry {} announces the new key\n  {key}", kept.index);
        match overlap_days {
            0 => println!("The old key signs no more."),
            days => println!("For {days} days the old key signs beside it."),
        }
    }
    println!("Save the key file anew and keep it apart from this machine; give the new key to witnesses.");
    ledger.close().await;
    Ok(())
}
