//! What access says to the log.
//!
//! Grants are said first and stored after, so that nobody is let in without a trace. Revocations are stored first and
//! said after (see [`super::unsaid`]), so that nobody stays in because the log was busy.

use futures_util::future::BoxFuture;
use serde::{Deserialize, Serialize};
use serde_json::{Map, Value};
use uuid::Uuid;

use crate::problem::Problem;

/// One fact that the server states.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ServerEntry {
    /// The entry's type, such as `device-paired`.
    pub kind: String,
    /// The intake it belongs to; none for entries of the shop.
    pub intake: Option<Uuid>,
    /// The body's plain members.
    pub body: Map<String, Value>,
    /// The body's personal members, by name; the log salts and discloses them.
    pub personal: Vec<(String, Value)>,
    /// Who did it: staff and device. None: the server by itself.
    pub author: Option<(Uuid, Uuid)>,
}

impl ServerEntry {
    /// An entry of the shop.
    pub(crate) fn new(kind: &str, body: Value, author: Option<(Uuid, Uuid)>) -> Self {
        let body = match body {
            Value::Object(map) => map,
            _ => Map::new(),
        };
        ServerEntry { kind: kind.to_owned(), intake: None, body, personal: Vec::new(), author }
    }

    /// The same entry with a personal member.
    pub(crate) fn with_personal(mut self, name: &str, value: &str) -> Self {
        self.personal.push((name.to_owned(), value.into()));
        self
    }
}

/// The log as access needs it. The ledger implements it.
pub trait Log: Send + Sync {
    /// Appends one fact. When it returns `Ok`, the fact is on disk.
    fn say<'a>(&'a self, shop: Uuid, entry: ServerEntry) -> BoxFuture<'a, Result<(), Problem>>;

    /// What a shop is called.
    fn shop_name(&self, shop: Uuid) -> BoxFuture<'_, Result<String, Problem>>;

    /// Opens a shop (`shop-opened`) and gives its id. Asked again after a crash in the middle of set-up: a shop that was
    /// opened and has no staff yet is to be given again, not opened twice.
    fn open_shop<'a>(&'a self, name: &'a str, zone: &'a str, currency: &'a str)
    -> BoxFuture<'a, Result<Uuid, Problem>>;
}
