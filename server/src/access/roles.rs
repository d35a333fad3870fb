//! Roles.

use std::str::FromStr;

use serde::{Deserialize, Serialize};

/// What somebody may do in the shop.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(rename_all = "lowercase")]
pub enum Role {
    /// Takes machines in.
    Counter,
    /// Opens them.
    Bench,
    /// Everything, and staff, devices and settings.
    Owner,
}

impl Role {
    /// The word in the tables and on the wire.
    pub fn word(self) -> &'static str {
        match self {
            Role::Counter => "counter",
            Role::Bench => "bench",
            Role::Owner => "owner",
        }
    }
}

impl FromStr for Role {
    type Err = ();

    fn from_str(word: &str) -> Result<Self, ()> {
        [Role::Counter, Role::Bench, Role::Owner].into_iter().find(|r| r.word() == word).ok_or(())
    }
}

/// Some roles, each once, in order.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(from = "Vec<Role>")]
pub struct Roles(Vec<Role>);

impl From<Vec<Role>> for Roles {
    fn from(mut roles: Vec<Role>) -> Self {
        roles.sort_unstable();
        roles.dedup();
        Roles(roles)
    }
}

impl Roles {
    /// Whether they allow what this role allows. `owner` allows everything.
    pub fn allow(&self, role: Role) -> bool {
        self.0.contains(&role) || self.0.contains(&Role::Owner)
    }

    /// Whether `owner` is among them.
    pub fn owner(&self) -> bool {
        self.0.contains(&Role::Owner)
    }

    /// Whether there is none.
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// The words, in order.
    pub fn words(&self) -> Vec<&'static str> {
        self.0.iter().map(|r| r.word()).collect()
    }

    /// Those that are in both.
    pub(crate) fn both(&self, other: &Roles) -> Roles {
        Roles(self.0.iter().copied().filter(|r| other.0.contains(r)).collect())
    }

    /// As the table keeps them.
    pub(crate) fn stored(&self) -> String {
        self.words().join(",")
    }

    /// From the table. A word that this version does not know gives no right.
    pub(crate) fn from_stored(text: &str) -> Roles {
        text.split(',').filter_map(|w| w.parse().ok()).collect::<Vec<Role>>().into()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_owner_may_everything_and_a_counter_only_its_own() {
        let ines = Roles::from(vec![Role::Owner]);
        assert!(ines.allow(Role::Counter) && ines.allow(Role::Bench) && ines.allow(Role::Owner));
        let ravi = Roles::from(vec![Role::Counter]);
        assert!(ravi.allow(Role::Counter) && !ravi.allow(Role::Bench) && !ravi.allow(Role::Owner));
    }

    #[test]
    fn roles_survive_the_table_and_an_unknown_word_gives_nothing() {
        let roles = Roles::from(vec![Role::Bench, Role::Counter, Role::Bench]);
        assert_eq!(roles.stored(), "counter,bench");
        assert_eq!(Roles::from_stored("counter,bench"), roles);
        assert!(Roles::from_stored("emperor").is_empty());
    }
}
