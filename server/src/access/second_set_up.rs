//! Setting up one's own second factor: the secret is shown once, a first code of it turns it on, ten recovery codes are shown
//! once. Taking it away: oneself by a code of it, an owner for somebody who lost the phone.

use actix_web::{HttpRequest, HttpResponse, delete, get, post, put, web};
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use super::caller::Caller;
use super::http::rfc3339;
use super::input::{Body, Checks};
use super::roles::Role;
use super::second::Newcomer;
use super::{Access, one_time, qr};
use crate::edge::Millis;
use crate::http::words_of;
use crate::problem::{On, Problem};

/// What is shown has to be turned on within ten minutes.
const HOLDS: Millis = 10 * 60 * 1000;

/// Whether one's own second factor is on.
#[derive(Serialize, utoipa::ToSchema)]
pub(crate) struct SecondFactor {
    on: bool,
    /// RFC 3339, since when.
    since: Option<String>,
    /// How many recovery codes are left.
    recovery_left: i64,
    /// The shop asks for it, and it is not on yet.
    due: bool,
    /// Whether there is a password that it could stand beside.
    has_password: bool,
}

/// What the authenticator program takes in. It is shown now and never again.
#[derive(Serialize, utoipa::ToSchema)]
pub(crate) struct Shown {
    /// Base 32, in groups of four letters.
    secret: String,
    /// `otpauth://totp/…`, which the QR code holds.
    uri: String,
    /// The QR code as one `<svg>` element.
    qr_svg: String,
    /// RFC 3339, until when it can be turned on.
    expires: String,
}

/// A code of one's own second factor.
#[derive(Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Code {
    /// Six digits of the authenticator program; where it is on already, a recovery code does as well.
    #[schema(max_length = 100)]
    code: String,
    /// Signs out all other phones, computers and programs of theirs.
    #[serde(default)]
    end_others: bool,
}

impl Code {
    fn checked(&self) -> Result<&str, Problem> {
        let mut checks = Checks::default();
        checks.code(Some(&self.code));
        checks.done()?;
        Ok(&self.code)
    }
}

/// Recovery codes, each for once. They are shown now and never again.
#[derive(Serialize, utoipa::ToSchema)]
pub(crate) struct RecoveryCodes {
    recovery_codes: Vec<String>,
}

/// Whether one's own second factor is on.
#[utoipa::path(
    operation_id = "second_factor", tag = "second factor",
    params(("shop" = Uuid, Path)),
    responses((status = 200, description = "How it stands", body = SecondFactor), On<401>, On<403>, On<404>, On<500>, On<503>),
    security(("cookie" = []), ("bearer" = [])),
)]
#[get("/v1/shops/{shop}/second-factor")]
pub(crate) async fn state(
    Newcomer { caller, code_due }: Newcomer,
    access: web::Data<Access>,
    shop: web::Path<Uuid>,
) -> Result<HttpResponse, Problem> {
    caller.in_shop(*shop)?;
    let since = access.store.second(*shop, caller.staff).await?.and_then(|s| s.on_at);
    Ok(HttpResponse::Ok().json(SecondFactor {
        on: since.is_some(),
        since: since.map(rfc3339),
        recovery_left: if since.is_some() { access.store.recovery_left(*shop, caller.staff).await? } else { 0 },
        due: code_due,
        has_password: access.themselves(&caller).await?.password.is_some(),
    }))
}

/// Shows a new secret to take into the authenticator program. Nothing is on yet. Asks for the password within ten minutes.
#[utoipa::path(
    operation_id = "show_second_factor", tag = "second factor",
    params(("shop" = Uuid, Path)),
    responses((status = 201, description = "The secret", body = Shown), On<401>, On<403>, On<404>, On<409>, On<500>, On<503>),
    security(("cookie" = []), ("bearer" = [])),
)]
#[post("/v1/shops/{shop}/second-factor")]
pub(crate) async fn show(
    req: HttpRequest,
    Newcomer { caller, .. }: Newcomer,
    access: web::Data<Access>,
    shop: web::Path<Uuid>,
) -> Result<HttpResponse, Problem> {
    caller.in_shop(*shop)?;
    let say = |key| Problem::refused(words_of(&req).plain(key));
    let staff = access.themselves(&caller).await?;
    if staff.password.is_none() {
        return Err(say("refused.code-no-password"));
    }
    access.proved(&caller).await?;
    let (key, now) = (access.random.bytes::<20>(), access.clock.now());
    if !access.store.show_second(*shop, caller.staff, &key, now).await? {
        return Err(say("refused.code-is-on"));
    }
    let uri = one_time::uri(&key, &access.log.shop_name(*shop).await?, &staff.sign_in);
    let (secret, qr_svg) = (one_time::grouped(&one_time::base32(&key), " "), qr::svg(&uri)?);
    Ok(HttpResponse::Created().json(Shown { secret, uri, qr_svg, expires: rfc3339(now + HOLDS) }))
}

/// Turns it on by a first code of what was shown within ten minutes, and gives the recovery codes.
#[utoipa::path(
    operation_id = "turn_on_second_factor", tag = "second factor",
    params(("shop" = Uuid, Path)), request_body = Code,
    responses((status = 200, description = "It is on", body = RecoveryCodes), On<400>, On<401>, On<403>, On<404>, On<409>, On<413>, On<422>, On<429>, On<500>, On<503>),
    security(("cookie" = []), ("bearer" = [])),
)]
#[put("/v1/shops/{shop}/second-factor")]
pub(crate) async fn turn_on(
    req: HttpRequest,
    Newcomer { caller, .. }: Newcomer,
    access: web::Data<Access>,
    shop: web::Path<Uuid>,
    Body(asked): Body<Code>,
) -> Result<HttpResponse, Problem> {
    caller.in_shop(*shop)?;
    let (now, code) = (access.clock.now(), asked.checked()?);
    let none = || Problem::refused(words_of(&req).plain("refused.code-not-shown"));
    let shown = access.store.second(*shop, caller.staff).await?.ok_or_else(none)?;
    if shown.on_at.is_some() {
        return Err(Problem::refused(words_of(&req).plain("refused.code-is-on")));
    }
    if (now - shown.made_at).abs() >= HOLDS {
        return Err(none());
    }
    access.proved(&caller).await?;
    access.limits.code(caller.staff).await?;
    let step = one_time::typed(code).and_then(|c| one_time::step_of(&shown.key, c, now, shown.step));
    let step = step.ok_or_else(|| wrong(&req))?;
    access.limits.code_was_right(caller.staff).await?;
    let (recovery_codes, digests) = access.recovery_codes();
    if !access.store.turn_second_on(&caller, &shown, step, &digests, now).await? {
        return Err(none());
    }
    access.end_others(&caller, asked.end_others).await?;
    tracing::info!(event = "second-factor-on", "a second factor is on");
    Ok(HttpResponse::Ok().json(RecoveryCodes { recovery_codes }))
}

/// Gives ten new recovery codes; the ones before count no more. Asks for the password within ten minutes, and a code.
#[utoipa::path(
    operation_id = "renew_recovery_codes", tag = "second factor",
    params(("shop" = Uuid, Path)), request_body = Code,
    responses((status = 201, description = "The new ones", body = RecoveryCodes), On<400>, On<401>, On<403>, On<404>, On<409>, On<413>, On<422>, On<429>, On<500>, On<503>),
    security(("cookie" = []), ("bearer" = [])),
)]
#[post("/v1/shops/{shop}/second-factor/recovery-codes")]
pub(crate) async fn renew(
    req: HttpRequest,
    caller: Caller,
    access: web::Data<Access>,
    shop: web::Path<Uuid>,
    Body(asked): Body<Code>,
) -> Result<HttpResponse, Problem> {
    access.gives_code(&req, &caller, *shop, &asked).await?;
    let (recovery_codes, digests) = access.recovery_codes();
    if !access.store.renew_recovery(*shop, caller.staff, &digests).await? {
        return Err(Problem::refused(words_of(&req).plain("refused.code-is-off")));
    }
    access.end_others(&caller, asked.end_others).await?;
    tracing::info!(event = "recovery-codes-made", "new recovery codes");
    Ok(HttpResponse::Created().json(RecoveryCodes { recovery_codes }))
}

/// Takes one's own second factor away. Asks for the password within ten minutes, and a code of it or a recovery code.
#[utoipa::path(
    operation_id = "remove_second_factor", tag = "second factor",
    params(("shop" = Uuid, Path)), request_body = Code,
    responses((status = 204, description = "It is off"), On<400>, On<401>, On<403>, On<404>, On<409>, On<413>, On<422>, On<429>, On<500>, On<503>),
    security(("cookie" = []), ("bearer" = [])),
)]
#[post("/v1/shops/{shop}/second-factor/removal")]
pub(crate) async fn remove(
    req: HttpRequest,
    caller: Caller,
    access: web::Data<Access>,
    shop: web::Path<Uuid>,
    Body(asked): Body<Code>,
) -> Result<HttpResponse, Problem> {
    access.gives_code(&req, &caller, *shop, &asked).await?;
    access.store.take_second_away(*shop, caller.staff).await?;
    access.end_others(&caller, asked.end_others).await?;
    tracing::info!(event = "second-factor-off", whom = %caller.staff, "a second factor is taken away");
    access.tell_ended(*shop, Some(caller.staff), None);
    Ok(HttpResponse::NoContent().finish())
}

/// Takes somebody else's second factor away, such as after a lost phone. For an owner who gave the password within ten minutes.
#[utoipa::path(
    operation_id = "remove_their_second_factor", tag = "second factor",
    params(("shop" = Uuid, Path), ("staff" = Uuid, Path)),
    responses((status = 204, description = "It is off, now or before"), On<401>, On<403>, On<404>, On<409>, On<500>, On<503>),
    security(("cookie" = []), ("bearer" = [])),
)]
#[delete("/v1/shops/{shop}/staff/{staff}/second-factor")]
pub(crate) async fn remove_theirs(
    req: HttpRequest,
    caller: Caller,
    access: web::Data<Access>,
    path: web::Path<(Uuid, Uuid)>,
) -> Result<HttpResponse, Problem> {
    let (shop, staff) = path.into_inner();
    caller.in_shop(shop)?;
    caller.may(Role::Owner)?;
    access.store.staff(shop, staff).await?.ok_or_else(|| Problem::not_found("There is nobody with this id."))?;
    if staff == caller.staff {
        return Err(Problem::refused(words_of(&req).plain("refused.code-own-by-code")));
    }
    access.proved(&caller).await?;
    if access.store.take_second_away(shop, staff).await? {
        tracing::info!(event = "second-factor-off", whom = %staff, "a second factor is taken away");
        access.tell_ended(shop, Some(staff), None);
    }
    Ok(HttpResponse::NoContent().finish())
}

impl Access {
    /// That it is on, that the password was given lately, and that this is a code of it.
    async fn gives_code(&self, req: &HttpRequest, caller: &Caller, shop: Uuid, asked: &Code) -> Result<(), Problem> {
        caller.in_shop(shop)?;
        let code = asked.checked()?;
        let off = || Problem::refused(words_of(req).plain("refused.code-is-off"));
        let second = self.store.second(shop, caller.staff).await?.filter(|s| s.on_at.is_some()).ok_or_else(off)?;
        self.proved(caller).await?;
        if self.is_second(req, shop, caller.staff, &second, code).await? { Ok(()) } else { Err(wrong(req)) }
    }

    async fn end_others(&self, caller: &Caller, wanted: bool) -> Result<(), Problem> {
        if wanted {
            self.store.end_others(caller, self.clock.now()).await?;
            self.tell_ended(caller.shop, Some(caller.staff), None);
        }
        Ok(())
    }
}

fn wrong(req: &HttpRequest) -> Problem {
    Problem::not_valid("/code", words_of(req).plain("refused.code-wrong"))
}
