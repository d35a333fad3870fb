//! Devices: which are paired, and putting one out.

use actix_web::{HttpResponse, delete, get, web};
use serde::Serialize;
use serde_json::json;
use uuid::Uuid;

use super::Access;
use super::caller::Caller;
use super::http::rfc3339;
use super::log::ServerEntry;
use super::roles::Role;
use super::session::{ABSOLUTE, SLIDING};
use super::store::Since;
use crate::problem::{On, Problem};

/// One device.
#[derive(Serialize, utoipa::ToSchema)]
pub(crate) struct Device {
    device: Uuid,
    /// Who signed in on it last.
    staff: Uuid,
    label: String,
    /// RFC 3339.
    paired: String,
    /// RFC 3339, when it was put out.
    revoked: Option<String>,
    /// Whether somebody is signed in on it. Nobody is after signing out, or where it was not used for a month.
    signed_in: bool,
    /// Whether the caller is at it.
    this_one: bool,
}

/// The devices, newest first: an owner sees all, others their own. Looking asks for nothing: who misses a phone sees at once
/// which it is.
#[utoipa::path(
    operation_id = "list_devices", tag = "devices",
    params(("shop" = Uuid, Path)),
    responses((status = 200, description = "The devices", body = [Device]), On<401>, On<403>, On<404>, On<500>, On<503>),
    security(("cookie" = []), ("bearer" = [])),
)]
#[get("/v1/shops/{shop}/devices")]
pub(crate) async fn list(
    caller: Caller,
    access: web::Data<Access>,
    shop: web::Path<Uuid>,
) -> Result<HttpResponse, Problem> {
    caller.in_shop(*shop)?;
    let whose = if caller.roles.owner() { None } else { Some(caller.staff) };
    let now = access.clock.now();
    let since = Since { seen: now - SLIDING, made: now - ABSOLUTE, refreshed: now - SLIDING };
    let listed = access.store.devices(*shop, whose, since).await?;
    let devices = listed.into_iter().map(|d| Device {
        this_one: d.row.device == caller.device,
        signed_in: d.signed_in,
        device: d.row.device,
        staff: d.row.staff,
        label: d.row.label,
        paired: rfc3339(d.row.made_at),
        revoked: d.row.revoked_at.map(rfc3339),
    });
    Ok(HttpResponse::Ok().json(devices.collect::<Vec<_>>()))
}

/// Puts a device out: all its sessions and tokens end at once. One's own, or any for an owner. Asks for the password, where
/// there is one, given within ten minutes.
#[utoipa::path(
    operation_id = "revoke_device", tag = "devices",
    params(("shop" = Uuid, Path), ("device" = Uuid, Path)),
    responses((status = 204, description = "Put out, now or before"), On<401>, On<403>, On<404>, On<500>, On<503>),
    security(("cookie" = []), ("bearer" = [])),
)]
#[delete("/v1/shops/{shop}/devices/{device}")]
pub(crate) async fn revoke(
    caller: Caller,
    access: web::Data<Access>,
    path: web::Path<(Uuid, Uuid)>,
) -> Result<HttpResponse, Problem> {
    let (shop, device) = path.into_inner();
    caller.in_shop(shop)?;
    let known = access.store.device(shop, device).await?;
    let mine = known.as_ref().is_some_and(|d| d.staff == caller.staff);
    if !mine {
        caller.may(Role::Owner)?;
    }
    known.ok_or_else(|| Problem::not_found("There is no such device."))?;
    access.proved_if_any(&caller).await?;
    let entry = ServerEntry::new("device-revoked", json!({"device": device}), caller.author());
    if access.store.revoke_device(shop, device, access.clock.now(), &entry).await? {
        tracing::info!(event = "device-put-out", put_out = %device, "a device was put out");
        access.tell_ended(shop, None, Some(device));
    }
    access.say_what_is_unsaid().await;
    Ok(HttpResponse::NoContent().finish())
}
