//! `counterfoil open-shop`: a further shop in an installation, for a chain; also while it is served.

use crate::access;
use crate::database::Place;
use crate::serve;

/// Prints a link that makes a further shop and its owner, once, within a day. The link printed last counts.
///
/// # Errors
/// A sentence.
pub async fn run(place: &Place, public_url: Option<&str>) -> Result<(), String> {
    place.must_be_there()?;
    let ledger = serve::open(place.clone(), true).await?.ledger;
    let made = access::further_shop(ledger.pool().clone(), ledger.clock(), ledger.random()).await;
    let made = made.map_err(|problem| problem.internal.unwrap_or(problem.detail).into_string());
    ledger.close().await;
    let (token, at) = (made?, public_url.unwrap_or_default().trim_end_matches('/'));
    println!("{at}/set-up#{token}");
    let whole = if at.is_empty() { " behind the address of the server" } else { "" };
    eprintln!(
        "Open this link{whole} within a day: it makes a further shop and its owner, once; whoever has it can. Its log, key, people, kinds and photos are its own."
    );
    Ok(())
}
