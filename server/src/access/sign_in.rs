//! Signing in by name and password, and by a code beside it where there is a second factor.

use actix_web::{HttpRequest, HttpResponse, post, web};
use serde::Deserialize;
use serde_json::{Value, json};
use uuid::Uuid;

use super::Access;
use super::arrive::{Arriving, BROWSER};
use super::input::{Body, Checks, line_of_100_or_none, name_of_100};
use super::session::SignedIn;
use super::store::StaffRow;
use crate::http::words_of;
use crate::problem::{On, Problem};

/// Name and password.
#[derive(Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct SignIn {
    /// The sign-in name; upper and lower case are the same.
    #[schema(schema_with = name_of_100)]
    pub sign_in: String,
    #[schema(format = Password, min_length = 1, max_length = 200)]
    pub password: String,
    /// A code of the authenticator program, or a recovery code, where a second factor is on. Without it the answer is
    /// `code-asked`; then the same is sent with it.
    #[schema(max_length = 100)]
    pub code: Option<String>,
    /// Which shop, where the same name and password exist in several. Without it the answer is then `which-shop`.
    pub shop: Option<Uuid>,
    /// The id this device had before. The answer says which one it has now.
    pub device: Option<Uuid>,
    /// What a person calls this device.
    #[schema(schema_with = line_of_100_or_none, required = false)]
    pub label: Option<String>,
}

/// Signs a browser in.
#[utoipa::path(
    operation_id = "sign_in", tag = "sessions",
    request_body = SignIn,
    responses(
        (status = 201, description = "Signed in", body = SignedIn, headers(("Set-Cookie" = String, description = "the session"))),
        On<400>, On<401>, On<403>, On<409>, On<413>, On<422>, On<429>, On<500>, On<503>,
    ),
    security(()),
)]
#[post("/v1/sessions")]
pub(crate) async fn sign_in(
    req: HttpRequest,
    access: web::Data<Access>,
    Body(asked): Body<SignIn>,
) -> Result<HttpResponse, Problem> {
    let (staff, label) = access.prove(&req, &asked).await?;
    let how = Arriving { device: asked.device, label: &label, by: None };
    let let_in = access.let_in(&req, &staff, how).await?;
    Ok(access.hand_session(&req, &let_in.secret, &let_in.who))
}

impl Access {
    /// Who it is that knows this password, and what they call the device.
    ///
    /// # Errors
    /// `not-signed-in`, the same for a wrong name and a wrong password, after the same time; `which-shop` and `code-asked` once the
    /// password was right.
    pub(crate) async fn prove(&self, req: &HttpRequest, asked: &SignIn) -> Result<(StaffRow, String), Problem> {
        self.refuse_plain(req)?;
        let mut checks = Checks::default();
        let account = checks.sign_in("/sign_in", &asked.sign_in);
        let label = checks.line("/label", asked.label.as_deref().unwrap_or(BROWSER), 100);
        if asked.password.is_empty() || asked.password.chars().count() > 200 {
            checks.wrong("/password", "A password has 1 to 200 characters.");
        }
        checks.code(asked.code.as_deref());
        checks.done()?;
        self.limits.sign_in(req, &account).await?;

        let candidates = self.store.staff_by_sign_in(&account, asked.shop).await?;
        if candidates.is_empty() {
            self.passwords.is(&asked.password, None).await?;
        }
        let tried = candidates.first().map(|s| s.staff);
        let mut right = Vec::new();
        for staff in candidates {
            if self.passwords.is(&asked.password, staff.password.as_deref()).await? {
                right.push(staff);
            }
        }
        if right.len() > 1 {
            let mut shops = Vec::with_capacity(right.len());
            for staff in right {
                shops.push(json!({"shop": staff.shop, "name": self.log.shop_name(staff.shop).await?}));
            }
            return Err(Problem::which_shop(words_of(req).plain("refused.which-shop"), Value::Array(shops)));
        }
        if let Some(staff) = right.pop() {
            self.asks_second(req, &staff, asked.code.as_deref()).await?;
            return Ok((staff, label));
        }
        let address = self.limits.address(req);
        let staff = tried.map(tracing::field::display);
        tracing::warn!(event = "sign-in-refused", staff, %address, "a sign-in was refused");
        Err(Problem::not_signed_in("The sign-in name or the password is wrong."))
    }
}
