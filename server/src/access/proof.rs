//! The password once more, before what would give somebody else a way in or take one away.
//!
//! Somebody who finds a desk or a phone unlocked holds a session, not the password. What changes people, makes a code for
//! somebody else or puts a device out wants to know that the password was given in this session within ten minutes. Signing
//! in by it counts. A code on the desk's screen does not: whoever is at an unlocked desk can make one.
//!
//! Who has no password has nothing to give. They put devices out without being asked, since that only takes away and a lost
//! phone does not wait; for everything else a code counts that somebody else made for them, which took a password.

use actix_web::{HttpRequest, HttpResponse, post, web};
use serde::Deserialize;

use super::Access;
use super::caller::Caller;
use super::input::{Body, Checks};
use super::second::Newcomer;
use super::store::StaffRow;
use crate::edge::Millis;
use crate::problem::{On, Problem};

/// For so long a password that was given counts.
const HOLDS: Millis = 10 * 60 * 1000;

/// The password of who is signed in.
#[derive(Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Proof {
    #[schema(format = Password, min_length = 1, max_length = 200)]
    password: String,
}

/// Gives the password once more: for ten minutes this session or token may do what asks for it. A try at a password like
/// signing in.
#[utoipa::path(
    operation_id = "prove_password", tag = "sessions",
    request_body = Proof,
    responses((status = 204, description = "It is theirs"), On<400>, On<401>, On<403>, On<409>, On<413>, On<422>, On<429>, On<500>, On<503>),
    security(("cookie" = []), ("bearer" = [])),
)]
#[post("/v1/sessions/current/proof")]
pub(crate) async fn prove(
    req: HttpRequest,
    Newcomer { caller, .. }: Newcomer,
    access: web::Data<Access>,
    Body(asked): Body<Proof>,
) -> Result<HttpResponse, Problem> {
    let mut checks = Checks::default();
    if asked.password.is_empty() || asked.password.chars().count() > 200 {
        checks.wrong("/password", "A password has 1 to 200 characters.");
    }
    checks.done()?;
    let staff = access.themselves(&caller).await?;
    access.limits.sign_in(&req, &staff.sign_in).await?;
    if staff.password.is_none() {
        return Err(none());
    }
    if !access.passwords.is(&asked.password, staff.password.as_deref()).await? {
        let address = access.limits.address(&req);
        tracing::warn!(event = "proof-refused", %address, "another password than that of who is signed in");
        return Err(Problem::not_valid("/password", "This is not your password."));
    }
    access.store.proved(&caller, access.clock.now()).await?;
    tracing::info!(event = "proved", "the password was given once more");
    Ok(HttpResponse::NoContent().finish())
}

impl Access {
    /// Refuses who did not give their password lately.
    ///
    /// # Errors
    /// `not-proved`; `refused` for who has none and came by no code of somebody else lately.
    pub(crate) async fn proved(&self, caller: &Caller) -> Result<(), Problem> {
        if self.proved_lately(caller).await? {
            return Ok(());
        }
        Err(if self.themselves(caller).await?.password.is_some() { wanted() } else { none() })
    }

    /// The same for taking away alone, where who has no password passes.
    ///
    /// # Errors
    /// `not-proved`.
    pub(crate) async fn proved_if_any(&self, caller: &Caller) -> Result<(), Problem> {
        if self.proved_lately(caller).await? || self.themselves(caller).await?.password.is_none() {
            return Ok(());
        }
        Err(wanted())
    }

    /// Whether nobody but this owner could give them a first password: then they give it to themselves.
    pub(crate) async fn alone_at_the_top(&self, who: &StaffRow) -> Result<bool, Problem> {
        Ok(who.roles.owner() && !self.store.other_owner_with_password(who.shop, who.staff).await?)
    }

    async fn proved_lately(&self, caller: &Caller) -> Result<bool, Problem> {
        let at = self.store.proved_at(caller).await?;
        // Another server's clock may be a little ahead of this one.
        Ok(at.is_some_and(|at| (self.clock.now() - at).abs() < HOLDS))
    }

    pub(crate) async fn themselves(&self, caller: &Caller) -> Result<StaffRow, Problem> {
        let found = self.store.staff(caller.shop, caller.staff).await?;
        found.ok_or_else(|| Problem::not_signed_in("This session is over. Sign in again."))
    }
}

fn wanted() -> Problem {
    Problem::not_proved("Give your password once more: for this it has to be given within ten minutes before.")
}

fn none() -> Problem {
    Problem::refused(
        "You have no password that could be asked for. An owner sets one for you, or shows you a new code, which counts for ten minutes.",
    )
}
