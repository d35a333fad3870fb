//! `counterfoil rotate-key`: changes the key of each shop's log, also while it is served: what signs is decided in the transaction
//! that keeps the entry, and a server that meets the new key reads it from the file.

use crate::database::Place;
use crate::http::no::problem;
use crate::ledger::start;
use crate::{serve, words};

/// Changes the key of each shop's log.
///
/// # Errors
/// A sentence.
pub async fn run(place: &Place, because: &str, overlap_days: u32) -> Result<(), String> {
    place.must_be_there()?;
    let because = because.trim();
    if because.is_empty() || because.chars().count() > 500 {
        return Err("say why, in a sentence of at most 500 characters".to_owned());
    }
    let ledger = serve::open(place.clone(), true).await?.ledger;
    let words = words::language(words::FIRST);
    for shop in start::shops(ledger.pool()).await.map_err(|e| e.to_string())? {
        let kept = ledger.rotate_key(shop, because, overlap_days, None).await;
        let kept = kept.map_err(|no| format!("shop {shop}: {}", problem(no, words).detail))?;
        let head = ledger.head(shop).await.map_err(|e| e.to_string())?.ok_or("the head is gone")?;
        let key = ledger.signers(&head.checkpoint(shop).origin, &head).map_err(|e| e.to_string())?;
        let key = key.first().map(|k| k.verifier().to_string()).unwrap_or_default();
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
