//! Sessions of browsers: one HttpOnly cookie for pages, images and the stream.

use actix_web::cookie::{Cookie, SameSite, time::Duration};
use actix_web::{HttpRequest, HttpResponse, delete, get, web};
use serde::Serialize;
use uuid::Uuid;

use super::Access;
use super::caller::{Caller, Via};
use super::roles::Roles;
use super::second::Newcomer;
use super::secrets::{self, Digest};
use super::store::SessionRow;
use crate::edge::Millis;
use crate::problem::{On, Problem};

/// The cookie's name over HTTPS: a browser takes it from this host alone, and gives it to no other (RFC 6265bis 4.1.3).
pub(crate) const COOKIE: &str = "__Host-counterfoil_session";
/// Its name over plain HTTP, which cannot have that prefix: a page on this very machine, or where there is no HTTPS.
pub(crate) const PLAIN_COOKIE: &str = "counterfoil_session";
/// Both.
pub const COOKIES: [&str; 2] = [COOKIE, PLAIN_COOKIE];

const DAY: Millis = 24 * 3600 * 1000;
/// A session ends when it was not used for 30 days.
pub(crate) const SLIDING: Millis = 30 * DAY;
/// And after 90 days in any case.
pub(crate) const ABSOLUTE: Millis = 90 * DAY;
/// Use is noted once an hour, not on every request.
const NOTED: Millis = 3600 * 1000;

/// Who is signed in.
#[derive(Debug, Serialize, utoipa::ToSchema)]
pub(crate) struct SignedIn {
    pub shop: Uuid,
    pub staff: Uuid,
    /// The id this device has from now on. A client keeps it and names it in its entries.
    pub device: Uuid,
    pub roles: Roles,
    pub name: String,
    /// The shop asks for a second factor that they have not set up: until then everything else is refused.
    pub code_due: bool,
}

impl Access {
    /// The session of a cookie, if it holds now; notes that it was used.
    pub(crate) async fn use_session(&self, digest: &Digest) -> Result<Option<SessionRow>, Problem> {
        let Some(row) = self.store.session(digest).await? else { return Ok(None) };
        let now = self.clock.now();
        if now >= row.seen_at + SLIDING || now >= row.made_at + ABSOLUTE {
            return Ok(None);
        }
        if now >= row.seen_at + NOTED {
            // Only a note: a database that is busy writing is no reason to refuse somebody who reads.
            if let Err(e) = self.store.session_seen(digest, now).await {
                tracing::warn!(error = %e, "that a session was used could not be noted");
            }
        }
        Ok(Some(row))
    }

    /// The answer that hands a session to a browser.
    pub(crate) fn hand_session(&self, req: &HttpRequest, secret: &str, who: &SignedIn) -> HttpResponse {
        let cookie = self.cookie(req, secret).max_age(Duration::milliseconds(ABSOLUTE)).finish();
        HttpResponse::Created().cookie(cookie).json(who)
    }

    fn cookie<'c>(&self, req: &HttpRequest, value: &'c str) -> actix_web::cookie::CookieBuilder<'c> {
        let builder = Cookie::build(self.cookie_name(req), value).path("/").http_only(true).same_site(SameSite::Strict);
        builder.secure(self.secure(req))
    }

    /// The digest of the session cookie, if one is there. Over HTTPS only the name counts that no other host can set.
    pub(crate) fn held_cookie(&self, req: &HttpRequest) -> Option<Digest> {
        Some(secrets::digest(req.cookie(self.cookie_name(req))?.value()))
    }

    fn cookie_name(&self, req: &HttpRequest) -> &'static str {
        if self.secure(req) { COOKIE } else { PLAIN_COOKIE }
    }
}

/// Who is signed in here.
#[utoipa::path(
    operation_id = "current_session", tag = "sessions",
    responses((status = 200, description = "Who is signed in", body = SignedIn), On<401>, On<403>, On<500>, On<503>),
    security(("cookie" = []), ("bearer" = [])),
)]
#[get("/v1/sessions/current")]
pub(crate) async fn current(newcomer: Newcomer, access: web::Data<Access>) -> Result<HttpResponse, Problem> {
    let Newcomer { caller, code_due } = newcomer;
    let staff = access.store.staff(caller.shop, caller.staff).await?;
    let name = staff.map(|s| s.name).unwrap_or_default();
    let Caller { shop, staff, device, roles, .. } = caller;
    Ok(HttpResponse::Ok().json(SignedIn { shop, staff, device, roles, name, code_due }))
}

/// Signs out here. Other devices stay signed in.
#[utoipa::path(
    operation_id = "sign_out", tag = "sessions",
    responses((status = 204, description = "Signed out"), On<401>, On<403>, On<500>, On<503>),
    security(("cookie" = []), ("bearer" = [])),
)]
#[delete("/v1/sessions/current")]
pub(crate) async fn sign_out(
    req: HttpRequest,
    Newcomer { caller, .. }: Newcomer,
    access: web::Data<Access>,
) -> Result<HttpResponse, Problem> {
    let now = access.clock.now();
    match &caller.via {
        Via::Cookie(digest) => access.store.end_session(digest, now).await?,
        Via::Token(family) => access.store.end_family(caller.shop, *family, now).await?,
    }
    access.tell_ended(caller.shop, Some(caller.staff), Some(caller.device));
    tracing::info!(event = "signed-out", "signed out");
    let gone = access.cookie(&req, "").max_age(Duration::ZERO).finish();
    // Pictures that the browser kept go; what is not sent yet lies in its storage and stays.
    Ok(HttpResponse::NoContent().cookie(gone).insert_header(("Clear-Site-Data", "\"cache\"")).finish())
}
