//! `counterfoil new-password`: for an owner who forgot theirs, where no other owner can help; also while it is served.

use uuid::Uuid;

use crate::database::Place;
use crate::{access, serve};

/// Gives who signs in by this name a new password and prints it.
///
/// # Errors
/// A sentence.
pub async fn run(place: &Place, sign_in: &str, shop: Option<Uuid>, without_code: bool) -> Result<(), String> {
    place.must_be_there()?;
    let ledger = serve::open(place.clone(), true).await?.ledger;
    let made =
        access::new_password(ledger.pool().clone(), ledger.clock(), ledger.random(), sign_in, shop, without_code).await;
    let made = made.map_err(|problem| problem.internal.unwrap_or(problem.detail).into_string());
    ledger.close().await;
    let made = made?;
    println!("{}", made.password);
    eprintln!(
        "That is the new password. Every phone and computer of this person is signed out. Set one of your own under Staff."
    );
    match made.code {
        access::Code::None => {}
        access::Code::TakenAway => eprintln!("No code is asked of this person any more. Set up a new one under Staff."),
        access::Code::StillAsked => {
            eprintln!(
                "A code is asked of this person as before; --without-code takes that away, should the phone be lost."
            );
        }
    }
    Ok(())
}
