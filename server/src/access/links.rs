//! Links: whoever holds one may read one receipt, until it expires or is revoked. Nothing else, and nobody else.

use actix_web::{HttpRequest, HttpResponse, delete, get, post, web};
use serde::{Deserialize, Serialize};
use serde_json::json;
use uuid::Uuid;

use super::caller::Caller;
use super::http::rfc3339;
use super::input::{Body, Checks};
use super::log::ServerEntry;
use super::roles::Role;
use super::secrets::{self, Secret};
use super::store::LinkRow;
use super::{Access, qr};
use crate::edge::Millis;
use crate::problem::{On, Problem};

const DAY: Millis = 24 * 3600 * 1000;
/// A link holds 90 days unless somebody says otherwise,
const DAYS: u16 = 90;
/// and at most a year.
const MOST_DAYS: u16 = 366;

/// What the link is to show.
#[derive(Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct NewLink {
    what: What,
    /// Days it holds; 90 unless said.
    #[schema(minimum = 1, maximum = 366)]
    days: Option<u16>,
}

/// What a link can show.
#[derive(Clone, Copy, Deserialize, utoipa::ToSchema)]
#[serde(rename_all = "lowercase")]
pub(crate) enum What {
    /// The customer's receipt.
    Receipt,
}

/// A link just made. The address is told once; nobody can read it again.
#[derive(Serialize, utoipa::ToSchema)]
pub(crate) struct MadeLink {
    link: Uuid,
    url: String,
    /// RFC 3339.
    expires: String,
    /// The address as a QR code, one `<svg>` element.
    qr_svg: String,
}

/// A link as the list shows it.
#[derive(Serialize, utoipa::ToSchema)]
pub(crate) struct Link {
    link: Uuid,
    what: String,
    made_by: Uuid,
    /// RFC 3339, like the other times.
    made: String,
    expires: String,
    revoked: Option<String>,
    /// How often it was opened.
    opened: i64,
    opened_last: Option<String>,
    /// Whether it can be opened now.
    holds: bool,
}

/// What an opened link allows: reading this, once.
#[derive(Clone, Debug, PartialEq)]
pub struct Opened {
    /// The shop.
    pub shop: Uuid,
    /// The intake.
    pub intake: Uuid,
    /// The link.
    pub link: Uuid,
    /// What may be read; `receipt`.
    pub what: String,
}

impl Access {
    /// Opens a link and counts it.
    ///
    /// # Errors
    /// `not-found`, the same for a link that never was, has run out, or was revoked; `too-many`.
    pub async fn open_link(&self, req: &HttpRequest, token: &str) -> Result<Opened, Problem> {
        self.limits.link(req)?;
        let gone = || Problem::not_found("This link does not hold, or not any more. Ask the shop for a new one.");
        if token.len() > 100 {
            return Err(gone());
        }
        let row = self.store.open_link(&secrets::digest(token), self.clock.now()).await?.ok_or_else(gone)?;
        Ok(Opened { shop: row.shop, intake: row.intake, link: row.link, what: row.what })
    }
}

/// Makes a link to the receipt. Only where the server has a public address.
#[utoipa::path(
    operation_id = "make_link", tag = "links",
    params(("shop" = Uuid, Path), ("intake" = Uuid, Path)), request_body = NewLink,
    responses((status = 201, description = "The link", body = MadeLink), On<400>, On<401>, On<403>, On<404>, On<409>, On<413>, On<422>, On<500>, On<503>),
    security(("cookie" = []), ("bearer" = [])),
)]
#[post("/v1/shops/{shop}/intakes/{intake}/links")]
pub(crate) async fn make(
    caller: Caller,
    access: web::Data<Access>,
    path: web::Path<(Uuid, Uuid)>,
    Body(asked): Body<NewLink>,
) -> Result<HttpResponse, Problem> {
    let (shop, intake) = path.into_inner();
    caller.in_shop(shop)?;
    caller.may(Role::Counter)?;
    let days = asked.days.unwrap_or(DAYS);
    let mut checks = Checks::default();
    if !(1..=MOST_DAYS).contains(&days) {
        checks.wrong("/days", format!("A link holds 1 to {MOST_DAYS} days."));
    }
    checks.done()?;
    let no_address =
        "This server has no public address, so the customer could not open a link. Print or share the receipt.";
    let base = access.settings.public_url.as_deref().ok_or_else(|| Problem::refused(no_address))?;

    let What::Receipt = asked.what;
    let now = access.clock.now();
    let Secret { text, digest } = secrets::secret(&access.random);
    let row = LinkRow {
        shop,
        link: access.random.uuid(now),
        intake,
        what: "receipt".to_owned(),
        made_by: caller.staff,
        made_at: now,
        expires_at: now + Millis::from(days) * DAY,
        revoked_at: None,
        opened: 0,
        opened_at: None,
    };
    let expires = rfc3339(row.expires_at);
    let body = json!({"link": row.link, "what": row.what, "expires": expires});
    let entry = ServerEntry { intake: Some(intake), ..ServerEntry::new("link-made", body, caller.author()) };
    access.log.say(shop, entry).await?; // refuses an intake that is not there
    access.store.keep_link(&row, &digest).await?;
    let url = format!("{}/r/{text}", base.trim_end_matches('/'));
    let qr_svg = qr::svg(&url)?;
    Ok(HttpResponse::Created().json(MadeLink { link: row.link, url, expires, qr_svg }))
}

/// The links of an intake, newest first, and how often each was opened.
#[utoipa::path(
    operation_id = "list_links", tag = "links",
    params(("shop" = Uuid, Path), ("intake" = Uuid, Path)),
    responses((status = 200, description = "The links", body = [Link]), On<401>, On<403>, On<404>, On<500>, On<503>),
    security(("cookie" = []), ("bearer" = [])),
)]
#[get("/v1/shops/{shop}/intakes/{intake}/links")]
pub(crate) async fn list(
    caller: Caller,
    access: web::Data<Access>,
    path: web::Path<(Uuid, Uuid)>,
) -> Result<HttpResponse, Problem> {
    let (shop, intake) = path.into_inner();
    caller.in_shop(shop)?;
    let now = access.clock.now();
    let rows = access.store.links(shop, intake).await?;
    if rows.is_empty() && !access.store.has_intake(shop, intake).await? {
        return Err(Problem::not_found("There is no such intake."));
    }
    let links = rows.into_iter().map(|l| Link {
        link: l.link,
        holds: l.revoked_at.is_none() && now < l.expires_at,
        what: l.what,
        made_by: l.made_by,
        made: rfc3339(l.made_at),
        expires: rfc3339(l.expires_at),
        revoked: l.revoked_at.map(rfc3339),
        opened: l.opened,
        opened_last: l.opened_at.map(rfc3339),
    });
    Ok(HttpResponse::Ok().json(links.collect::<Vec<_>>()))
}

/// Revokes a link: it opens nothing from now on.
#[utoipa::path(
    operation_id = "revoke_link", tag = "links",
    params(("shop" = Uuid, Path), ("link" = Uuid, Path)),
    responses((status = 204, description = "Revoked, now or before"), On<401>, On<403>, On<404>, On<500>, On<503>),
    security(("cookie" = []), ("bearer" = [])),
)]
#[delete("/v1/shops/{shop}/links/{link}")]
pub(crate) async fn revoke(
    caller: Caller,
    access: web::Data<Access>,
    path: web::Path<(Uuid, Uuid)>,
) -> Result<HttpResponse, Problem> {
    let (shop, link) = path.into_inner();
    caller.in_shop(shop)?;
    caller.may(Role::Counter)?;
    let row = access.store.link(shop, link).await?.ok_or_else(|| Problem::not_found("There is no such link."))?;
    let body = json!({"link": link});
    let entry = ServerEntry { intake: Some(row.intake), ..ServerEntry::new("link-revoked", body, caller.author()) };
    access.store.revoke_link(shop, link, access.clock.now(), &entry).await?;
    access.say_what_is_unsaid().await;
    Ok(HttpResponse::NoContent().finish())
}
