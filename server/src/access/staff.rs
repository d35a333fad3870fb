//! Staff: who they are, adding, changing.

use actix_web::http::header;
use actix_web::{HttpRequest, HttpResponse, get, patch, post, web};
use serde::{Deserialize, Serialize};
use serde_json::json;
use uuid::Uuid;

use super::Access;
use super::caller::Caller;
use super::input::{
    Body, Checks, line_of_200, line_of_200_or_none, name_of_100, name_of_100_or_none, some_roles, some_roles_or_none,
};
use super::log::ServerEntry;
use super::roles::{Role, Roles};
use super::store::{Changed, StaffRow};
use crate::problem::{On, Problem};

/// One member of the staff.
#[derive(Serialize, utoipa::ToSchema)]
pub(crate) struct Staff {
    staff: Uuid,
    name: String,
    roles: Roles,
    active: bool,
    /// Only for an owner and for oneself.
    #[serde(skip_serializing_if = "Option::is_none")]
    sign_in: Option<String>,
    /// Whether a second factor is on. Only for an owner and for oneself.
    #[serde(skip_serializing_if = "Option::is_none")]
    second_factor: Option<bool>,
}

/// Somebody new.
#[derive(Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct NewStaff {
    #[schema(schema_with = line_of_200)]
    name: String,
    #[schema(schema_with = name_of_100)]
    sign_in: String,
    /// Without one they sign in only by a paired device.
    #[schema(format = Password, min_length = 10, max_length = 200)]
    password: Option<String>,
    #[schema(schema_with = some_roles)]
    roles: Roles,
}

/// What is to change; what is absent stays.
#[derive(Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct StaffChange {
    #[schema(schema_with = line_of_200_or_none, required = false)]
    name: Option<String>,
    #[schema(schema_with = name_of_100_or_none, required = false)]
    sign_in: Option<String>,
    #[schema(schema_with = some_roles_or_none, required = false)]
    roles: Option<Roles>,
    active: Option<bool>,
    #[schema(format = Password, min_length = 10, max_length = 200)]
    password: Option<String>,
    /// The present password; needed by somebody who sets their own.
    #[schema(format = Password, max_length = 200)]
    current_password: Option<String>,
}

fn shown(s: StaffRow, second: bool, caller: &Caller) -> Staff {
    let all = caller.roles.owner() || caller.staff == s.staff;
    let (sign_in, second_factor) = (all.then_some(s.sign_in), all.then_some(second));
    Staff { staff: s.staff, name: s.name, roles: s.roles, active: s.active, sign_in, second_factor }
}

fn etag(revision: i64) -> (header::HeaderName, String) {
    (header::ETAG, format!("\"{revision}\""))
}

/// All staff, oldest first; those who left too, since old entries name them.
#[utoipa::path(
    operation_id = "list_staff", tag = "staff",
    params(("shop" = Uuid, Path)),
    responses((status = 200, description = "The staff", body = [Staff]), On<401>, On<403>, On<404>, On<500>, On<503>),
    security(("cookie" = []), ("bearer" = [])),
)]
#[get("/v1/shops/{shop}/staff")]
pub(crate) async fn list(
    caller: Caller,
    access: web::Data<Access>,
    shop: web::Path<Uuid>,
) -> Result<HttpResponse, Problem> {
    caller.in_shop(*shop)?;
    let rows = access.store.all_staff(*shop).await?;
    let second = access.store.all_with_second(*shop).await?;
    let list = rows.into_iter().map(|s| {
        let on = second.contains(&s.staff);
        shown(s, on, &caller)
    });
    Ok(HttpResponse::Ok().json(list.collect::<Vec<_>>()))
}

/// Adds somebody. For an owner who gave the password within ten minutes.
#[utoipa::path(
    operation_id = "add_staff", tag = "staff",
    params(("shop" = Uuid, Path)), request_body = NewStaff,
    responses(
        (status = 201, description = "Added", body = Staff, headers(("ETag" = String, description = "the revision"))),
        On<400>, On<401>, On<403>, On<404>, On<409>, On<413>, On<422>, On<500>, On<503>,
    ),
    security(("cookie" = []), ("bearer" = [])),
)]
#[post("/v1/shops/{shop}/staff")]
pub(crate) async fn add(
    caller: Caller,
    access: web::Data<Access>,
    shop: web::Path<Uuid>,
    Body(asked): Body<NewStaff>,
) -> Result<HttpResponse, Problem> {
    caller.in_shop(*shop)?;
    caller.may(Role::Owner)?;
    access.proved(&caller).await?;
    let mut checks = Checks::default();
    let name = checks.line("/name", &asked.name, 200);
    let sign_in = checks.sign_in("/sign_in", &asked.sign_in);
    if let Some(password) = &asked.password {
        let shop_name = access.log.shop_name(*shop).await?;
        access.new_password(&mut checks, "/password", password, &[&sign_in, &name, &shop_name]).await?;
    }
    if asked.roles.is_empty() {
        checks.wrong("/roles", "At least one role.");
    }
    checks.done()?;
    if access.store.staff_named(*shop, &sign_in).await? {
        return Err(name_taken());
    }
    let password = match &asked.password {
        Some(password) => Some(access.passwords.hash(&access.random, password).await?),
        None => None,
    };
    let now = access.clock.now();
    let staff = access.random.uuid(now);
    let roles = asked.roles;
    let row = StaffRow { shop: *shop, staff, name, sign_in, password, roles, active: true, revision: 1, made_at: now };
    access.log.say(*shop, fact(&row, &caller)).await?;
    done(access.store.add_staff(&row).await?)?;
    Ok(HttpResponse::Created().insert_header(etag(1)).json(shown(row, false, &caller)))
}

/// Changes somebody: an owner, who gave the password within ten minutes, everything; everybody their own password, by the
/// present one. The last owner stays an owner.
#[utoipa::path(
    operation_id = "change_staff", tag = "staff",
    params(("shop" = Uuid, Path), ("staff" = Uuid, Path), ("If-Match" = Option<String>, Header, description = "the revision that was read")),
    request_body = StaffChange,
    responses(
        (status = 200, description = "As they are now", body = Staff, headers(("ETag" = String, description = "the revision"))),
        On<400>, On<401>, On<403>, On<404>, On<409>, On<412>, On<413>, On<422>, On<429>, On<500>, On<503>,
    ),
    security(("cookie" = []), ("bearer" = [])),
)]
#[patch("/v1/shops/{shop}/staff/{staff}")]
pub(crate) async fn change(
    req: HttpRequest,
    caller: Caller,
    access: web::Data<Access>,
    path: web::Path<(Uuid, Uuid)>,
    Body(asked): Body<StaffChange>,
) -> Result<HttpResponse, Problem> {
    let (shop, staff) = path.into_inner();
    caller.in_shop(shop)?;
    let only_password =
        asked.name.is_none() && asked.sign_in.is_none() && asked.roles.is_none() && asked.active.is_none();
    if staff != caller.staff || !only_password {
        caller.may(Role::Owner)?;
    }
    let old =
        access.store.staff(shop, staff).await?.ok_or_else(|| Problem::not_found("There is nobody with this id."))?;
    if let Some(seen) = req.headers().get(header::IF_MATCH)
        && seen.as_bytes() != etag(old.revision).1.as_bytes()
    {
        return Err(Problem::not_current("Somebody changed this person meanwhile."));
    }
    let own = staff == caller.staff;
    // One's own new password asks for the present one with it, in `wanted`; a first one cannot.
    let (own_password, first) = (own && asked.password.is_some(), old.password.is_none());
    if !own_password || (first && !access.alone_at_the_top(&old).await?) {
        access.proved(&caller).await?;
    }
    let new = access.wanted(&old, &asked, own).await?;
    let revision = access.apply(&old, &new, &caller).await?;
    let second = access.store.second(shop, staff).await?.is_some_and(|s| s.on_at.is_some());
    Ok(HttpResponse::Ok().insert_header(etag(revision)).json(shown(new, second, &caller)))
}

impl Access {
    /// The row as it is to be.
    async fn wanted(&self, old: &StaffRow, asked: &StaffChange, own: bool) -> Result<StaffRow, Problem> {
        let mut new = old.clone();
        let mut checks = Checks::default();
        if let Some(name) = &asked.name {
            new.name = checks.line("/name", name, 200);
        }
        if let Some(sign_in) = &asked.sign_in {
            new.sign_in = checks.sign_in("/sign_in", sign_in);
        }
        if let Some(roles) = &asked.roles {
            new.roles = roles.clone();
            if roles.is_empty() {
                checks.wrong("/roles", "At least one role. To let somebody go, say active: false.");
            }
        }
        new.active = asked.active.unwrap_or(old.active);
        if let Some(password) = &asked.password {
            let shop_name = self.log.shop_name(old.shop).await?;
            self.new_password(&mut checks, "/password", password, &[&new.sign_in, &new.name, &shop_name]).await?;
        }
        checks.done()?;
        if new.sign_in != old.sign_in && self.store.staff_named(old.shop, &new.sign_in).await? {
            return Err(name_taken());
        }
        if let Some(password) = &asked.password {
            if own {
                self.limits.account(&old.sign_in).await?;
                let current = asked.current_password.as_deref().unwrap_or_default();
                if old.password.is_some() && !self.passwords.is(current, old.password.as_deref()).await? {
                    return Err(Problem::not_valid("/current_password", "This is not your present password."));
                }
            }
            new.password = Some(self.passwords.hash(&self.random, password).await?);
        }
        Ok(new)
    }

    /// Takes away first, then says, then gives. What is only taken away holds even if the log is busy.
    async fn apply(&self, old: &StaffRow, new: &StaffRow, caller: &Caller) -> Result<i64, Problem> {
        let (whom, password, sign_in) = (old.staff, new.password != old.password, new.sign_in != old.sign_in);
        let (roles, active) = (new.roles != old.roles, new.active);
        tracing::info!(event = "staff-changed", %whom, password, sign_in, roles, active, "somebody is changed");
        let roles = old.roles.both(&new.roles);
        let less = StaffRow { roles, active: old.active && new.active, ..new.clone() };
        let taken_away = (&less.roles, less.active) != (&old.roles, old.active);
        let given = (&new.roles, new.active) != (&less.roles, less.active) || new.name != old.name;
        let ends = new.password != old.password || !less.active;

        let mut revision = old.revision;
        if taken_away || !given {
            let first = if given { StaffRow { name: old.name.clone(), ..less } } else { new.clone() };
            let said = taken_away.then(|| fact(&first, caller));
            let ends_at = ends.then(|| self.clock.now());
            done(self.store.change_staff(&first, revision, ends_at, said.as_ref()).await?)?;
            revision += 1;
            if ends {
                self.tell_ended(old.shop, Some(old.staff), None);
            }
            self.say_what_is_unsaid().await;
        }
        if given {
            self.log.say(old.shop, fact(new, caller)).await?;
            let ends_at = (ends && revision == old.revision).then(|| self.clock.now());
            done(self.store.change_staff(new, revision, ends_at, None).await?)?;
            revision += 1;
            if ends_at.is_some() {
                self.tell_ended(old.shop, Some(old.staff), None);
            }
        }
        Ok(revision)
    }
}

/// The person as the log knows them.
fn fact(s: &StaffRow, caller: &Caller) -> ServerEntry {
    let body = json!({"staff": s.staff, "roles": s.roles.words(), "active": s.active});
    ServerEntry::new("staff-changed", body, caller.author()).with_personal("name", &s.name)
}

fn name_taken() -> Problem {
    Problem::not_valid("/sign_in", "Somebody else has this sign-in name.")
}

fn done(changed: Changed) -> Result<(), Problem> {
    match changed {
        Changed::Done => Ok(()),
        Changed::Stale => Err(Problem::not_current("Somebody changed this person meanwhile.")),
        Changed::NameTaken => Err(name_taken()),
        Changed::LastOwner => Err(Problem::refused(
            "This is the last owner. Make somebody else an owner first, or nobody could let people in.",
        )),
    }
}
