//! The second factor beside the password: whether it is asked for, and whether what was given is right.
//!
//! It stands beside the password alone. Whoever is let in by a code that a device shows has that device's word for it, which is
//! the way for gloves and for phones without the program; who has no password never comes by one.

use std::future::Future;
use std::pin::Pin;

use actix_web::{FromRequest, HttpRequest, dev::Payload};
use uuid::Uuid;

use super::caller::{Caller, access_of};
use super::roles::Roles;
use super::secrets::{self, Digest};
use super::store::{SecondRow, StaffRow};
use super::{Access, one_time};
use crate::http::words_of;
use crate::problem::Problem;

/// Of whom a shop may ask it: the words of the setting, the first as long as it was not set.
pub const ASKED_OF: [&str; 3] = ["nobody", "owners", "all"];

/// Of whom the shop asks it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum AskedOf {
    Nobody,
    Owners,
    All,
}

impl AskedOf {
    /// From the table of settings, where the value is JSON. A word that this version does not know asks nobody.
    pub fn stored(value: Option<&str>) -> Self {
        let word = value.and_then(|v| serde_json::from_str::<String>(v).ok());
        match word.as_deref() {
            Some("owners") => AskedOf::Owners,
            Some("all") => AskedOf::All,
            _ => AskedOf::Nobody,
        }
    }

    /// Whether somebody has to set one up before anything else.
    pub fn is_due(self, roles: &Roles, has_password: bool, is_on: bool) -> bool {
        let asked = match self {
            AskedOf::Nobody => false,
            AskedOf::Owners => roles.owner(),
            AskedOf::All => true,
        };
        asked && has_password && !is_on
    }
}

/// Somebody signed in of whom the shop may still wait for a second factor: for what leads there, and out again.
pub struct Newcomer {
    /// Who it is.
    pub caller: Caller,
    /// Whether the shop waits for it.
    pub code_due: bool,
}

impl FromRequest for Newcomer {
    type Error = Problem;
    type Future = Pin<Box<dyn Future<Output = Result<Self, Problem>>>>;

    fn from_request(req: &HttpRequest, _: &mut Payload) -> Self::Future {
        let req = req.clone();
        Box::pin(async move {
            let (caller, code_due) = access_of(&req)?.newcomer(&req).await?;
            Ok(Newcomer { caller, code_due })
        })
    }
}

/// Letters of a recovery code as somebody typed them: in any case, with anything between, and with digits that base 32 has not
/// for the letters that look like them.
fn recovery(text: &str) -> String {
    let letter = |c: char| match c.to_ascii_uppercase() {
        '0' => Some('O'),
        '1' => Some('I'),
        '8' => Some('B'),
        c if c.is_ascii_alphanumeric() => Some(c),
        _ => None,
    };
    text.chars().filter_map(letter).collect()
}

impl Access {
    /// Asks for the second factor of somebody whose password was right, where it is on.
    ///
    /// # Errors
    /// `code-asked` without a code; with a pointer to it where it is wrong or was used. `too-many`.
    pub(crate) async fn asks_second(
        &self,
        req: &HttpRequest,
        staff: &StaffRow,
        given: Option<&str>,
    ) -> Result<(), Problem> {
        let second = self.store.second(staff.shop, staff.staff).await?;
        let Some(second) = second.filter(|s| s.on_at.is_some()) else { return Ok(()) };
        let Some(given) = given.filter(|g| !g.trim().is_empty()) else {
            return Err(Problem::code_asked(words_of(req).plain("refused.code-asked")));
        };
        if self.is_second(req, staff.shop, staff.staff, &second, given).await? {
            return Ok(());
        }
        Err(Problem::code_asked(words_of(req).plain("refused.code-wrong")).at("/code"))
    }

    /// Whether this is somebody's code now, or one of their recovery codes; it is used up by that.
    pub(crate) async fn is_second(
        &self,
        req: &HttpRequest,
        shop: Uuid,
        staff: Uuid,
        second: &SecondRow,
        given: &str,
    ) -> Result<bool, Problem> {
        let now = self.clock.now();
        let right = match one_time::typed(given) {
            Some(code) => {
                self.limits.code(staff).await?;
                let right = match one_time::step_of(&second.key, code, now, second.step) {
                    Some(step) => self.store.use_step(shop, staff, step).await?,
                    None => false,
                };
                if right {
                    self.limits.code_was_right(staff).await?;
                }
                right
            }
            // 120 bits: nobody guesses them, and they let in whom wrong tries at the code keep out.
            None => {
                let code = secrets::digest(&recovery(given));
                let right = self.store.use_recovery(shop, staff, &code, now).await?;
                if right {
                    tracing::info!(event = "recovery-code-used", %staff, "somebody gave a recovery code");
                }
                right
            }
        };
        if !right {
            let address = self.limits.address(req);
            tracing::warn!(event = "code-refused", %staff, %address, "a code that does not count");
        }
        Ok(right)
    }

    /// Ten recovery codes: as they are shown once, and as they are kept.
    pub(crate) fn recovery_codes(&self) -> (Vec<String>, Vec<Digest>) {
        let made = (0..10).map(|_| {
            let code = one_time::base32(&self.random.bytes::<15>());
            (one_time::grouped(&code, "-").to_lowercase(), secrets::digest(&code))
        });
        made.unzip()
    }

    /// Whether this owner may set of whom it is asked: not before they have one, or the shop could stay without an owner who
    /// gets in; and with the password within ten minutes, since it is about other people's ways in.
    ///
    /// # Errors
    /// `refused`, `not-proved`.
    pub(crate) async fn may_ask_second(&self, caller: &Caller, req: &HttpRequest) -> Result<(), Problem> {
        self.proved(caller).await?;
        let has_password = self.themselves(caller).await?.password.is_some();
        let second = self.store.second(caller.shop, caller.staff).await?;
        if has_password && second.is_none_or(|s| s.on_at.is_none()) {
            return Err(Problem::refused(words_of(req).plain("refused.code-own-first")));
        }
        Ok(())
    }

    /// Who has none yet may be asked for one from now on: their long answers end.
    pub(crate) fn asked_of_changed(&self, shop: Uuid) {
        self.tell_ended(shop, None, None);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::access::Role;

    #[test]
    fn it_is_due_for_whom_the_setting_names_who_have_a_password_and_none_yet() {
        let (owner, bench) = (Roles::from(vec![Role::Owner]), Roles::from(vec![Role::Bench]));
        for (value, of_owner, of_bench) in [
            (None, false, false),
            (Some("\"nobody\""), false, false),
            (Some("\"owners\""), true, false),
            (Some("\"all\""), true, true),
            (Some("\"a word of a later version\""), false, false),
            (Some("{"), false, false),
        ] {
            let asked = AskedOf::stored(value);
            assert_eq!((asked.is_due(&owner, true, false), asked.is_due(&bench, true, false)), (of_owner, of_bench));
            assert!(!asked.is_due(&owner, true, true), "who has one has done it");
            assert!(!asked.is_due(&owner, false, false), "who has no password comes by none");
        }
    }

    #[test]
    fn a_recovery_code_is_read_as_people_type_it() {
        for typed in ["mzxw-6ytb-oi", "MZXW6YTBOI", " mzxw 6ytb 01 ", "mzxw.6ytb.oi"] {
            assert_eq!(recovery(typed), "MZXW6YTBOI", "{typed}");
        }
        assert_eq!(recovery("8a1"), "BAI");
    }
}
