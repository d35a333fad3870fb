//! A password that nobody in the shop can give any more: that of the only owner, who forgot it. Whoever runs the server gives
//! a new one; who can run the program over its data folder can do more than that anyhow.

use uuid::Uuid;

use super::passwords::Passwords;
use super::secrets;
use super::store::{Changed, StaffRow, Store};
use crate::database;
use crate::edge::{Clock, Random};
use crate::problem::Problem;

/// What was made.
pub struct Made {
    /// The new password.
    pub password: String,
    /// What became of a second factor.
    pub code: Code,
}

/// What became of a second factor.
#[derive(Debug, PartialEq, Eq)]
pub enum Code {
    /// There is none.
    None,
    /// It is asked for as before.
    StillAsked,
    /// It was taken away.
    TakenAway,
}

/// Gives who signs in by this name a new password of 128 random bits, which is returned, and ends all their sessions. `shop`
/// says which one, where several have somebody of that name; `without_code` takes their second factor away.
///
/// # Errors
/// `not-found`, `refused`, and what the database says.
pub async fn new_password(
    pool: database::Pool,
    clock: &Clock,
    random: &Random,
    sign_in: &str,
    shop: Option<Uuid>,
    without_code: bool,
) -> Result<Made, Problem> {
    let store = Store::new(pool);
    let mut found = store.staff_by_sign_in(&sign_in.trim().to_lowercase(), shop).await?;
    let Some(old) = found.pop() else {
        return Err(Problem::not_found("Nobody who is in the shop signs in by this name."));
    };
    if !found.is_empty() {
        return Err(Problem::refused("Several shops have somebody of this name: say --shop as well."));
    }
    let password = secrets::code(random).text;
    let hash = Passwords::new(random)?.hash(random, &password).await?;
    let new = StaffRow { password: Some(hash), ..old.clone() };
    match store.change_staff(&new, old.revision, Some(clock.now()), None).await? {
        Changed::Done => {}
        Changed::Stale => return Err(Problem::not_current("Somebody changed this person meanwhile. Once more.")),
        other => return Err(Problem::internal(format!("{other:?}"))),
    }
    let on = async || store.second(old.shop, old.staff).await.map(|s| s.is_some_and(|s| s.on_at.is_some()));
    let code = if without_code && store.take_second_away(old.shop, old.staff).await? {
        Code::TakenAway
    } else if on().await? {
        Code::StillAsked
    } else {
        Code::None
    };
    Ok(Made { password, code })
}
