//! Tokens for programs: a short signed access token, and a refresh token that is used once.

use actix_web::{HttpRequest, HttpResponse, post, web};
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use super::Access;
use super::arrive::Arriving;
use super::input::{Body, Checks};
use super::roles::Roles;
use super::secrets::{self, Secret};
use super::session::{ABSOLUTE, SLIDING};
use super::sign_in::SignIn;
use super::store::{Key, Refreshed};
use super::token_keys::{ACCESS_SECONDS, Claims};
use crate::problem::{On, Problem};

/// A pair of tokens.
#[derive(Serialize, utoipa::ToSchema)]
pub(crate) struct Tokens {
    /// A JWT (EdDSA), for `Authorization: Bearer`.
    access: String,
    /// For one refresh. Presented a second time it ends the whole family, since then somebody else has a copy.
    refresh: String,
    /// Seconds that `access` holds.
    expires_in: i64,
    shop: Uuid,
    staff: Uuid,
    device: Uuid,
}

/// A refresh token.
#[derive(Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Refresh {
    #[schema(max_length = 100)]
    refresh: String,
}

impl Refresh {
    /// The digest of the token.
    fn digest(&self) -> Result<secrets::Digest, Problem> {
        let mut checks = Checks::default();
        if self.refresh.chars().count() > 100 {
            checks.wrong("/refresh", "At most 100 characters.");
        }
        checks.done()?;
        Ok(secrets::digest(&self.refresh))
    }
}

struct Holder {
    shop: Uuid,
    staff: Uuid,
    device: Uuid,
    roles: Roles,
    family: Uuid,
}

impl Access {
    fn tokens(&self, who: Holder, next: String) -> Result<Tokens, Problem> {
        let now = self.clock.now();
        let iat = now.div_euclid(1000);
        let Holder { shop, staff, device, roles, family } = who;
        let claims = Claims {
            iss: self.keys.issuer().to_owned(),
            sub: staff,
            shop,
            device,
            roles,
            family,
            iat,
            nbf: iat,
            exp: iat + ACCESS_SECONDS,
            jti: self.random.uuid(now),
        };
        let access = self.keys.sign(&claims)?;
        Ok(Tokens { access, refresh: next, expires_in: ACCESS_SECONDS, shop, staff, device })
    }
}

/// Gives tokens for name and password.
#[utoipa::path(
    operation_id = "make_tokens", tag = "tokens",
    request_body = SignIn,
    responses((status = 200, description = "The tokens", body = Tokens), On<400>, On<401>, On<403>, On<409>, On<413>, On<422>, On<429>, On<500>, On<503>),
    security(()),
)]
#[post("/v1/tokens")]
pub(crate) async fn make(
    req: HttpRequest,
    access: web::Data<Access>,
    Body(asked): Body<SignIn>,
) -> Result<HttpResponse, Problem> {
    let (staff, label) = access.prove(&req, &asked).await?;
    let how = Arriving { device: asked.device, label: &label, by: None };
    let arrival = access.arrival(&req, &staff, how).await?;
    let now = access.clock.now();
    let family = access.random.uuid(now);
    let Secret { text, digest } = secrets::secret(&access.random);
    access.store.let_in(&arrival, &Key::Family { family, refresh: digest }, now).await?;
    let (by, device) = (staff.staff, arrival.device);
    tracing::info!(event = "signed-in", staff = %by, %device, by = "password", new_device = arrival.new_device, "given tokens");
    let who = Holder { shop: staff.shop, staff: staff.staff, device: arrival.device, roles: staff.roles, family };
    Ok(HttpResponse::Ok().json(access.tokens(who, text)?))
}

/// Gives the next pair of tokens for a refresh token, which is used up.
#[utoipa::path(
    operation_id = "refresh_tokens", tag = "tokens",
    request_body = Refresh,
    responses((status = 200, description = "The tokens", body = Tokens), On<400>, On<401>, On<403>, On<413>, On<422>, On<429>, On<500>, On<503>),
    security(()),
)]
#[post("/v1/tokens/refresh")]
pub(crate) async fn refresh(
    req: HttpRequest,
    access: web::Data<Access>,
    Body(asked): Body<Refresh>,
) -> Result<HttpResponse, Problem> {
    access.refuse_plain(&req)?;
    access.limits.refresh(&req)?;
    let now = access.clock.now();
    let Secret { text, digest } = secrets::secret(&access.random);
    let old = asked.digest()?;
    match access.store.refresh(&old, &digest, now, now - SLIDING, now - ABSOLUTE).await? {
        Refreshed::Next { family, session: s } => {
            let who = Holder { shop: s.shop, staff: s.staff, device: s.device, roles: s.roles, family };
            Ok(HttpResponse::Ok().json(access.tokens(who, text)?))
        }
        Refreshed::Reused { shop, device } => {
            tracing::warn!(event = "refresh-token-reused", %shop, %device, "a refresh token was used twice; its family is ended");
            access.tell_ended(shop, None, Some(device));
            Err(Problem::not_signed_in(
                "This refresh token was used before, so all tokens of that sign-in are ended. Sign in again.",
            ))
        }
        Refreshed::Unknown => {
            let address = access.limits.address(&req);
            tracing::warn!(event = "refresh-refused", %address, "a refresh token that does not count");
            Err(Problem::not_signed_in("This refresh token does not count. Sign in again."))
        }
    }
}

/// Ends a refresh token and all tokens of the same sign-in. Done too when there is no such token.
#[utoipa::path(
    operation_id = "revoke_tokens", tag = "tokens",
    request_body = Refresh,
    responses((status = 204, description = "Ended"), On<400>, On<403>, On<413>, On<422>, On<429>, On<500>, On<503>),
    security(()),
)]
#[post("/v1/tokens/revoke")]
pub(crate) async fn revoke(
    req: HttpRequest,
    access: web::Data<Access>,
    Body(asked): Body<Refresh>,
) -> Result<HttpResponse, Problem> {
    access.refuse_plain(&req)?;
    access.limits.refresh(&req)?;
    let ended = access.store.end_family_of(&asked.digest()?, access.clock.now()).await?;
    if let Some((shop, device)) = ended {
        access.tell_ended(shop, None, Some(device));
    }
    Ok(HttpResponse::NoContent().finish())
}
