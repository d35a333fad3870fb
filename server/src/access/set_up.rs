//! A shop and its owner, made by whoever can read what the program printed: the first one at the first start, a further one by
//! `counterfoil open-shop`.

use actix_web::{HttpRequest, HttpResponse, post, web};
use serde::Deserialize;
use serde_json::json;

use super::Access;
use super::arrive::{Arriving, BROWSER};
use super::input::{Body, Checks, line_of_200, name_of_100};
use super::log::ServerEntry;
use super::roles::{Role, Roles};
use super::secrets::{self, Digest, Secret};
use super::session::SignedIn;
use super::store::{Changed, StaffRow, Store};
use crate::database;
use crate::edge::{Clock, Millis, Random};
use crate::problem::{On, Problem};

/// Held while a shop is opened, where processes share a database.
const OPENING: &str = "open a shop";
/// For how long the link to a further shop counts, in milliseconds.
const COUNTS_FOR: Millis = 24 * 3600 * 1000;

/// The shop and its owner.
#[derive(Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct SetUp {
    /// What the program printed at its start.
    token: String,
    #[schema(schema_with = line_of_200)]
    shop_name: String,
    /// IANA time zone, `Europe/Vienna`.
    #[schema(max_length = 100)]
    zone: String,
    /// ISO 4217, three capitals.
    #[schema(pattern = "^[A-Z]{3}$")]
    currency: String,
    /// The owner's name.
    #[schema(schema_with = line_of_200)]
    name: String,
    #[schema(schema_with = name_of_100)]
    sign_in: String,
    #[schema(format = Password, min_length = 10, max_length = 200)]
    password: String,
}

impl Access {
    /// A fresh set-up token for the program to print, while nobody is set up; the one printed last counts.
    ///
    /// # Errors
    /// When the database cannot be read or written.
    pub async fn set_up_token(&self) -> Result<Option<String>, Problem> {
        if self.is_set_up().await? {
            return Ok(None);
        }
        let Secret { text, digest } = secrets::secret(&self.random);
        self.store.keep_set_up(&digest, self.clock.now(), None).await?;
        Ok(Some(text))
    }

    /// Makes the first shop without the link; for the demo.
    ///
    /// # Errors
    /// Why it was not made.
    pub async fn first_shop(&self, wanted: &Wanted) -> Result<(), Problem> {
        self.make_shop(wanted).await.map(|_| ())
    }

    /// Makes the shop and its owner: log first, then the tables.
    async fn make_shop(&self, asked: &Wanted) -> Result<StaffRow, Problem> {
        let password = self.passwords.hash(&self.random, &asked.password).await?;
        // One after the other: a shop without an owner is what a crash left, never one that is being made.
        let _here = self.opening.lock().await;
        let _anywhere = self.store.alone(OPENING).await?;
        let shop = self.log.open_shop(&asked.shop_name, &asked.zone, &asked.currency).await?;
        let now = self.clock.now();
        let staff = StaffRow {
            shop,
            staff: self.random.uuid(now),
            name: asked.name.clone(),
            sign_in: asked.sign_in.clone(),
            password: Some(password),
            roles: Roles::from(vec![Role::Owner]),
            active: true,
            revision: 1,
            made_at: now,
        };
        let body = json!({"staff": staff.staff, "roles": staff.roles.words(), "active": true});
        self.log.say(shop, ServerEntry::new("staff-changed", body, None).with_personal("name", &staff.name)).await?;
        match self.store.add_staff(&staff).await? {
            Changed::Done => Ok(staff),
            other => Err(Problem::internal(format!("the first owner could not be stored: {other:?}"))),
        }
    }
}

/// A set-up token for a further shop, beside those that are there; the one made last counts, once, for a day.
///
/// # Errors
/// `refused` while nobody is set up, and what the database says.
pub async fn further_shop(pool: database::Pool, clock: &Clock, random: &Random) -> Result<String, Problem> {
    let store = Store::new(pool);
    if !store.any_staff().await? {
        return Err(Problem::refused("Nobody is set up yet: open the link that the server printed when it started."));
    }
    let Secret { text, digest } = secrets::secret(random);
    let now = clock.now();
    store.keep_set_up(&digest, now, Some(now.saturating_add(COUNTS_FOR))).await?;
    Ok(text)
}

/// A shop and its owner.
pub struct Wanted {
    /// The shop's name.
    pub shop_name: String,
    /// Its time zone (IANA).
    pub zone: String,
    /// Its currency (ISO 4217).
    pub currency: String,
    /// The owner's name.
    pub name: String,
    /// What the owner signs in as.
    pub sign_in: String,
    /// The owner's password.
    pub password: String,
}

async fn checked(access: &Access, asked: SetUp) -> Result<(Digest, Wanted), Problem> {
    let mut checks = Checks::default();
    let shop_name = checks.line("/shop_name", &asked.shop_name, 200);
    let name = checks.line("/name", &asked.name, 200);
    let sign_in = checks.sign_in("/sign_in", &asked.sign_in);
    access.new_password(&mut checks, "/password", &asked.password, &[&sign_in, &name, &shop_name]).await?;
    if asked.zone.len() > 100 || jiff::tz::TimeZone::get(&asked.zone).is_err() {
        checks.wrong("/zone", "This is no time zone of the IANA list, such as Europe/Vienna.");
    }
    if asked.currency.len() != 3 || !asked.currency.bytes().all(|b| b.is_ascii_uppercase()) {
        checks.wrong("/currency", "A currency is three capital letters (ISO 4217), such as EUR.");
    }
    checks.done()?;
    let SetUp { token, zone, currency, password, .. } = asked;
    Ok((secrets::digest(token.trim()), Wanted { shop_name, zone, currency, name, sign_in, password }))
}

/// Opens a shop: the shop, its owner, and a session for them. Once for each link: the one that the program prints while nobody is set
/// up, and those of `counterfoil open-shop` after that.
#[utoipa::path(
    operation_id = "set_up", tag = "sessions",
    request_body = SetUp,
    responses(
        (status = 201, description = "Set up, and the owner signed in", body = SignedIn, headers(("Set-Cookie" = String, description = "the session"))),
        On<400>, On<403>, On<409>, On<413>, On<422>, On<429>, On<500>, On<503>,
    ),
    security(()),
)]
#[post("/v1/set-up")]
pub(crate) async fn set_up(
    req: HttpRequest,
    access: web::Data<Access>,
    Body(asked): Body<SetUp>,
) -> Result<HttpResponse, Problem> {
    access.refuse_plain(&req)?;
    access.limits.set_up(&req).await?;
    if !access.store.awaits_set_up(access.clock.now()).await? {
        return Err(Problem::refused("This server is set up already. Sign in instead."));
    }
    let (token, wanted) = checked(&access, asked).await?;
    if !access.store.use_set_up(&token, access.clock.now()).await? {
        let address = access.limits.address(&req);
        tracing::warn!(event = "set-up-refused", %address, "a set-up token that does not count");
        return Err(Problem::may_not("This is not the token that the program printed last.").at("/token"));
    }
    let made = access.make_shop(&wanted).await;
    if made.is_err() {
        access.store.give_back_set_up(&token).await?;
    }
    let how = Arriving { device: None, label: BROWSER, by: None };
    let let_in = access.let_in(&req, &made?, how).await?;
    Ok(access.hand_session(&req, &let_in.secret, &let_in.who))
}
