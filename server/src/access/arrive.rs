//! The one way in: somebody has proved who they are; which device is this, and what are they given.

use actix_web::HttpRequest;
use serde_json::json;
use uuid::Uuid;

use super::Access;
use super::log::ServerEntry;
use super::secrets::{self, Secret};
use super::session::SignedIn;
use super::store::{Arrival, Key, StaffRow};
use crate::problem::Problem;

/// What they are called when nobody says otherwise.
pub(crate) const BROWSER: &str = "Browser";

/// How somebody arrives.
pub(crate) struct Arriving<'a> {
    /// The device they ask to go on as.
    pub device: Option<Uuid>,
    /// What a person calls the device.
    pub label: &'a str,
    /// Who lets them in: staff and device. None: they themselves, by their password.
    pub by: Option<(Uuid, Uuid)>,
}

impl Arriving<'_> {
    /// In the program's own log.
    fn way(&self) -> &'static str {
        if self.by.is_some() { "pairing" } else { "password" }
    }

    /// Whether it counts as having proved who they are: by their password, or, for who has none, by a code that somebody
    /// else made for them.
    fn proves(&self, staff: &StaffRow) -> bool {
        self.by.is_none_or(|(by, _)| staff.password.is_none() && by != staff.staff)
    }
}

/// Somebody let in with a session.
pub(crate) struct LetIn {
    /// The cookie's value.
    pub secret: String,
    pub who: SignedIn,
}

impl Access {
    /// Lets somebody in with a browser session. A session that this browser had before ends.
    pub(crate) async fn let_in(
        &self,
        req: &HttpRequest,
        staff: &StaffRow,
        how: Arriving<'_>,
    ) -> Result<LetIn, Problem> {
        let how_by = how.way();
        let arrival = self.arrival(req, staff, how).await?;
        let Secret { text, digest } = secrets::secret(&self.random);
        let now = self.clock.now();
        self.store.let_in(&arrival, &Key::Session(digest), now).await?;
        if let Some(earlier) = self.held_cookie(req) {
            self.store.end_session(&earlier, now).await?;
        }
        let (staff_id, device) = (staff.staff, arrival.device);
        tracing::info!(event = "signed-in", staff = %staff_id, %device, by = how_by, new_device = arrival.new_device, "signed in");
        let code_due = self.store.session(&digest).await?.is_some_and(|row| row.code_due);
        Ok(LetIn { secret: text, who: signed_in(staff, arrival.device, code_due) })
    }

    /// Which device somebody arrives on; says `device-paired` when it is a new one.
    ///
    /// A client may ask to go on as a device it was before. It is believed when that device was this person's, or when
    /// the browser still holds a cookie of it. Otherwise, and after a revocation, it gets a new id: device ids stand in
    /// every entry, so knowing one proves nothing.
    pub(crate) async fn arrival(
        &self,
        req: &HttpRequest,
        staff: &StaffRow,
        how: Arriving<'_>,
    ) -> Result<Arrival, Problem> {
        let held = match self.held_cookie(req) {
            Some(digest) => self.store.device_of_cookie(&digest).await?.filter(|(shop, _)| *shop == staff.shop),
            None => None,
        };
        let held = held.map(|(_, device)| device);
        let mut device = how.device.or(held).unwrap_or_else(|| self.random.uuid(self.clock.now()));
        let known = self.store.device(staff.shop, device).await?;
        let mut new_device = known.is_none();
        if let Some(known) = known
            && (known.revoked_at.is_some() || (known.staff != staff.staff && held != Some(device)))
        {
            device = self.random.uuid(self.clock.now());
            new_device = true;
        }
        if new_device {
            let body = json!({"device": device, "staff": staff.staff});
            let entry = ServerEntry::new("device-paired", body, how.by.or(Some((staff.staff, device))));
            let entry = entry.with_personal("label", how.label);
            self.log.say(staff.shop, entry).await?;
        }
        let proved = how.proves(staff);
        Ok(Arrival { shop: staff.shop, staff: staff.staff, device, label: how.label.to_owned(), new_device, proved })
    }
}

fn signed_in(staff: &StaffRow, device: Uuid, code_due: bool) -> SignedIn {
    let (roles, name) = (staff.roles.clone(), staff.name.clone());
    SignedIn { shop: staff.shop, staff: staff.staff, device, roles, name, code_due }
}
