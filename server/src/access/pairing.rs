//! Pairing a phone: the desk shows a code, the phone scans it and is let in as that person's device.

use actix_web::{HttpRequest, HttpResponse, post, web};
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use super::arrive::Arriving;
use super::caller::Caller;
use super::input::{Body, Checks, line_of_100_or_none};
use super::roles::Role;
use super::secrets::{self, Secret};
use super::session::SignedIn;
use super::store::PairingRow;
use super::{Access, qr};
use crate::edge::Millis;
use crate::http::guard;
use crate::problem::{On, Problem};

/// A code holds for five minutes.
const HOLDS: Millis = 5 * 60 * 1000;

/// Where the app takes a code. After the `#`, so that it stands in no server's log.
const PAGE: &str = "/pair#";

/// For whom a device is to be paired.
#[derive(Default, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Pair {
    /// Another member of the staff; only for an owner.
    staff: Option<Uuid>,
}

/// A pairing code, for one device, once.
#[derive(Serialize, utoipa::ToSchema)]
pub(crate) struct Pairing {
    code: String,
    /// The address that the QR code holds.
    url: String,
    /// RFC 3339.
    expires: String,
    /// The QR code as one `<svg>` element.
    qr_svg: String,
}

/// A code as the phone presents it.
#[derive(Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Claim {
    #[schema(max_length = 100)]
    code: String,
    /// The id this device had before. The answer says which one it has now.
    device: Option<Uuid>,
    /// What a person calls this device.
    #[schema(schema_with = line_of_100_or_none, required = false)]
    label: Option<String>,
}

impl Access {
    /// The address under which the app is opened on another device.
    pub(crate) fn address_for_others(&self, req: &HttpRequest) -> String {
        let host = guard::asked_host(req.head()).unwrap_or("localhost");
        match &self.settings.lan_url {
            Some(url) if guard::asked_here(req.head()) => url.trim_end_matches('/').to_owned(),
            _ => format!("{}://{host}", if self.secure(req) { "https" } else { "http" }),
        }
    }
}

/// Makes a pairing code: for oneself, or for somebody else by an owner who gave the password within ten minutes.
#[utoipa::path(
    operation_id = "make_pairing", tag = "devices",
    params(("shop" = Uuid, Path)),
    request_body = Pair,
    responses((status = 201, description = "A code", body = Pairing), On<400>, On<401>, On<403>, On<404>, On<409>, On<413>, On<422>, On<429>, On<500>, On<503>),
    security(("cookie" = []), ("bearer" = [])),
)]
#[post("/v1/shops/{shop}/pairings")]
pub(crate) async fn make(
    req: HttpRequest,
    caller: Caller,
    access: web::Data<Access>,
    shop: web::Path<Uuid>,
    Body(asked): Body<Pair>,
) -> Result<HttpResponse, Problem> {
    caller.in_shop(*shop)?;
    let staff = asked.staff.unwrap_or(caller.staff);
    if staff != caller.staff {
        caller.may(Role::Owner)?;
        access.proved(&caller).await?;
        let other = access.store.staff(*shop, staff).await?;
        other
            .filter(|s| s.active)
            .ok_or_else(|| Problem::not_valid("/staff", "There is nobody active with this id."))?;
    }
    access.limits.pair(caller.staff).await?;
    let Secret { text: code, digest } = secrets::code(&access.random);
    let now = access.clock.now();
    let row = PairingRow { shop: *shop, staff, by: (caller.staff, caller.device) };
    access.store.keep_pairing(&row, &digest, now, now + HOLDS).await?;
    let url = format!("{}{PAGE}{code}", access.address_for_others(&req));
    let qr_svg = qr::svg(&url)?;
    Ok(HttpResponse::Created().json(Pairing { code, url, expires: super::http::rfc3339(now + HOLDS), qr_svg }))
}

/// Lets the device in that presents a pairing code.
#[utoipa::path(
    operation_id = "claim_pairing", tag = "devices",
    request_body = Claim,
    responses(
        (status = 201, description = "Paired and signed in", body = SignedIn, headers(("Set-Cookie" = String, description = "the session"))),
        On<400>, On<403>, On<409>, On<413>, On<422>, On<429>, On<500>, On<503>,
    ),
    security(()),
)]
#[post("/v1/pairings/claim")]
pub(crate) async fn claim(
    req: HttpRequest,
    access: web::Data<Access>,
    Body(asked): Body<Claim>,
) -> Result<HttpResponse, Problem> {
    access.refuse_plain(&req)?;
    access.limits.claim(&req).await?;
    let mut checks = Checks::default();
    let label = checks.line("/label", asked.label.as_deref().unwrap_or("Phone"), 100);
    checks.done()?;
    let over = || Problem::refused("This pairing code does not count, or not any more. Make a new one on the desk.");
    let digest = secrets::digest(asked.code.trim());
    let Some(pairing) = access.store.claim_pairing(&digest, access.clock.now()).await? else {
        let address = access.limits.address(&req);
        tracing::warn!(event = "pairing-refused", %address, "a pairing code that does not count");
        return Err(over());
    };
    let staff = access.store.staff(pairing.shop, pairing.staff).await?.ok_or_else(over)?;
    let how = Arriving { device: asked.device, label: &label, by: Some(pairing.by) };
    let let_in = access.let_in(&req, &staff, how).await?;
    Ok(access.hand_session(&req, &let_in.secret, &let_in.who))
}
