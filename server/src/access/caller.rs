//! Who calls.

use std::future::Future;
use std::pin::Pin;

use actix_web::http::header::{self, HeaderMap};
use actix_web::{FromRequest, HttpRequest, dev::Payload, web};
use uuid::Uuid;

use super::Access;
use super::roles::{Role, Roles};
use super::secrets::Digest;
use super::store::SessionRow;
use crate::http::guard::over_https;
use crate::http::words_of;
use crate::problem::Problem;

/// Somebody whose session or token holds at this moment.
#[derive(Clone, Debug, PartialEq)]
pub struct Caller {
    /// The shop they belong to.
    pub shop: Uuid,
    /// Who they are.
    pub staff: Uuid,
    /// The device they are at.
    pub device: Uuid,
    /// What they may do, as the table says now.
    pub roles: Roles,
    /// How they came.
    pub via: Via,
}

/// How a caller shows who they are.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub enum Via {
    /// A browser with the session cookie, by its digest.
    Cookie(Digest),
    /// A client with an access token, of this family.
    Token(Uuid),
}

impl Caller {
    /// Refuses with 404 when the path names another shop: a caller may not know what is there.
    ///
    /// # Errors
    /// `not-found`.
    pub fn in_shop(&self, shop: Uuid) -> Result<(), Problem> {
        if self.shop == shop { Ok(()) } else { Err(Problem::not_found("There is no such shop.")) }
    }

    /// Refuses with 403 when none of the caller's roles allows what this role allows.
    ///
    /// # Errors
    /// `may-not`.
    pub fn may(&self, role: Role) -> Result<(), Problem> {
        if self.roles.allow(role) {
            return Ok(());
        }
        Err(Problem::may_not(format!("Only somebody with the role \"{}\" may do this.", role.word())))
    }

    /// Refuses with 403 when none of the caller's roles allows what one of these roles allows.
    ///
    /// # Errors
    /// `may-not`.
    pub fn may_either(&self, roles: &[Role]) -> Result<(), Problem> {
        if roles.iter().any(|r| self.roles.allow(*r)) {
            return Ok(());
        }
        let words: Vec<&str> = roles.iter().map(|r| r.word()).collect();
        Err(Problem::may_not(format!("Only somebody with one of the roles \"{}\" may do this.", words.join("\", \""))))
    }

    /// Staff and device, as entries name their author.
    pub fn author(&self) -> Option<(Uuid, Uuid)> {
        Some((self.staff, self.device))
    }

    /// Says in the request's span who it is, so that every line about it tells.
    fn noted(self) -> Self {
        let span = tracing::Span::current();
        span.record("staff", tracing::field::display(self.staff));
        span.record("device", tracing::field::display(self.device));
        self
    }

    fn of(row: SessionRow, via: Via) -> (Self, bool) {
        let caller = Caller { shop: row.shop, staff: row.staff, device: row.device, roles: row.roles, via };
        (caller.noted(), row.code_due)
    }
}

/// The access token in `Authorization: Bearer …`, if that header says so. When it does, cookies are not looked at.
pub fn bearer(headers: &HeaderMap) -> Option<&str> {
    let value = headers.get(header::AUTHORIZATION)?.to_str().ok()?;
    let (scheme, token) = value.split_once(' ')?;
    scheme.eq_ignore_ascii_case("bearer").then(|| token.trim())
}

/// What decides here who is let in.
pub(super) fn access_of(req: &HttpRequest) -> Result<&web::Data<Access>, Problem> {
    req.app_data::<web::Data<Access>>().ok_or_else(|| Problem::internal("no access configured"))
}

impl Access {
    /// Whether the request came over HTTPS, here or at our own proxy.
    pub fn secure(&self, req: &HttpRequest) -> bool {
        over_https(req, self.settings.behind_proxy)
    }

    /// Refuses secrets over plain HTTP where HTTPS is there, unless they stay on this machine.
    pub(crate) fn refuse_plain(&self, req: &HttpRequest) -> Result<(), Problem> {
        let here = !self.settings.behind_proxy && req.peer_addr().is_some_and(|a| a.ip().to_canonical().is_loopback());
        if !self.settings.refuse_plain || here || self.secure(req) {
            return Ok(());
        }
        Err(Problem::not_secure("This page came over plain HTTP. Open the HTTPS address; /trust shows how."))
    }

    /// Who calls.
    ///
    /// # Errors
    /// `not-signed-in` when there is no session or token, or it no longer counts; `code-due` where the shop asks for a second
    /// factor that they have not set up.
    pub async fn caller(&self, req: &HttpRequest) -> Result<Caller, Problem> {
        let (caller, code_due) = self.newcomer(req).await?;
        if code_due {
            return Err(Problem::code_due(words_of(req).plain("refused.code-due")));
        }
        Ok(caller)
    }

    /// Who calls, and whether the shop still waits for a second factor of theirs.
    ///
    /// # Errors
    /// `not-signed-in`.
    pub(crate) async fn newcomer(&self, req: &HttpRequest) -> Result<(Caller, bool), Problem> {
        self.refuse_plain(req)?;
        if let Some(token) = bearer(req.headers()) {
            let over = || Problem::not_signed_in("This token does not count any more. Refresh it or sign in again.");
            let claims = self.keys.check(token, self.clock.now()).ok_or_else(over)?;
            let row = self.store.family(claims.shop, claims.family).await?.ok_or_else(over)?;
            if (row.staff, row.device) != (claims.sub, claims.device) {
                return Err(over());
            }
            return Ok(Caller::of(row, Via::Token(claims.family)));
        }
        let digest = self.held_cookie(req).ok_or_else(|| Problem::not_signed_in("Sign in first."))?;
        let over = || Problem::not_signed_in("This session is over. Sign in again.");
        let row = self.use_session(&digest).await?.ok_or_else(over)?;
        Ok(Caller::of(row, Via::Cookie(digest)))
    }

    /// Whether a caller of a while ago still counts; for answers that stay open, such as live streams.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub async fn still_counts(&self, caller: &Caller) -> Result<bool, Problem> {
        let row = match &caller.via {
            Via::Cookie(digest) => self.use_session(digest).await?,
            Via::Token(family) => self.store.family(caller.shop, *family).await?,
        };
        Ok(row.is_some_and(|r| !r.code_due))
    }
}

impl FromRequest for Caller {
    type Error = Problem;
    type Future = Pin<Box<dyn Future<Output = Result<Self, Problem>>>>;

    fn from_request(req: &HttpRequest, _: &mut Payload) -> Self::Future {
        let req = req.clone();
        Box::pin(async move { access_of(&req)?.caller(&req).await })
    }
}
