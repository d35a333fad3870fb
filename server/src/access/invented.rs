//! The people and devices of an invented shop, made without a request. What they are given, they are given as anybody
//! is: said first, stored after.

use serde_json::json;
use uuid::Uuid;

use super::Access;
use super::log::ServerEntry;
use super::roles::{Role, Roles};
use super::secrets;
use super::store::{Arrival, Changed, Key, StaffRow};
use crate::problem::Problem;

/// Somebody invented.
#[derive(Clone, Copy, Debug)]
pub struct Invented<'a> {
    /// Their name.
    pub name: &'a str,
    /// What they sign in as.
    pub sign_in: &'a str,
    /// Their password.
    pub password: &'a str,
    /// Their role.
    pub role: Role,
}

impl Access {
    /// Whoever signs in with this name, with their shop. For the demo.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub async fn who_signs_in(&self, sign_in: &str) -> Result<Option<(Uuid, Uuid)>, Problem> {
        let found = self.store.staff_by_sign_in(sign_in, None).await?;
        Ok(found.first().map(|s| (s.shop, s.staff)))
    }

    /// Adds somebody. For the demo.
    ///
    /// # Errors
    /// Why they were not added.
    pub async fn invent_staff(&self, shop: Uuid, who: Invented<'_>) -> Result<Uuid, Problem> {
        let now = self.clock.now();
        let row = StaffRow {
            shop,
            staff: self.random.uuid(now),
            name: who.name.to_owned(),
            sign_in: who.sign_in.to_owned(),
            password: Some(self.passwords.hash(&self.random, who.password).await?),
            roles: Roles::from(vec![who.role]),
            active: true,
            revision: 1,
            made_at: now,
        };
        let body = json!({"staff": row.staff, "roles": row.roles.words(), "active": true});
        self.log.say(shop, ServerEntry::new("staff-changed", body, None).with_personal("name", who.name)).await?;
        match self.store.add_staff(&row).await? {
            Changed::Done => Ok(row.staff),
            other => Err(Problem::internal(format!("somebody invented could not be stored: {other:?}"))),
        }
    }

    /// Pairs a device with somebody. Nobody holds the secret of its session. For the demo.
    ///
    /// # Errors
    /// Why it was not paired.
    pub async fn invent_device(&self, shop: Uuid, staff: Uuid, label: &str) -> Result<Uuid, Problem> {
        let now = self.clock.now();
        let device = self.random.uuid(now);
        let body = json!({"device": device, "staff": staff});
        let entry = ServerEntry::new("device-paired", body, Some((staff, device))).with_personal("label", label);
        self.log.say(shop, entry).await?;
        let arrival = Arrival { shop, staff, device, label: label.to_owned(), new_device: true, proved: false };
        let secret = secrets::secret(&self.random);
        self.store.let_in(&arrival, &Key::Session(secret.digest), now).await?;
        Ok(device)
    }
}
