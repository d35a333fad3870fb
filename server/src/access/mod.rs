//! Access: staff, devices, sessions, tokens, links. Who may do what.
//!
//! Browsers hold one cookie for everything. API clients hold a short signed token and a refresh token. Both are asked of
//! the tables on every request, so that a revocation counts at once. A handler takes a [`Caller`], says
//! [`Caller::in_shop`] and [`Caller::may`], and knows the rest of this module not at all.
//!
//! Order of writing: grants are said to the log first and stored after; revocations are stored first and said after.

mod arrive;
mod breached;
mod caller;
mod devices;
mod forgotten;
mod guessable;
mod http;
pub mod input;
mod invented;
mod limits;
mod links;
mod log;
mod one_time;
mod pairing;
mod passwords;
mod proof;
mod qr;
mod roles;
mod second;
mod second_set_up;
pub(crate) mod secret_file;
mod secrets;
mod session;
mod set_up;
mod sign_in;
mod staff;
mod store;
#[cfg(test)]
pub(crate) mod testing;
#[cfg(test)]
mod tests;
mod token_keys;
mod tokens;
mod unsaid;

use std::io;
use std::path::Path;
use std::sync::Arc;

use tokio::sync::{Mutex, broadcast};
use uuid::Uuid;

pub use breached::Breached;
pub use caller::{Caller, Via, bearer};
pub use forgotten::{Code, new_password};
pub use http::{doc, routes};
pub use invented::Invented;
pub use links::Opened;
pub use log::{Log, ServerEntry};
pub use qr::svg as qr_svg;
pub use roles::{Role, Roles};
pub use second::{ASKED_OF, Newcomer};
pub use session::COOKIES;
pub use set_up::{Wanted, further_shop};
pub use token_keys::{ACCESS_SECONDS, TokenKeys};

use crate::database;
use crate::edge::{Clock, Random};
use crate::problem::Problem;
use limits::Limits;
use passwords::Passwords;
use store::Store;

/// What the one who runs the server says about it.
#[derive(Clone, Debug, Default)]
pub struct Settings {
    /// Where the world outside reaches this server, `https://intake.example`: links are made for it. None: no links.
    pub public_url: Option<String>,
    /// Where phones in the shop reach it, `https://192.168.1.20:8443`: in pairing codes when the desk itself came by
    /// a loopback address.
    pub lan_url: Option<String>,
    /// A proxy of ours stands before it: `X-Forwarded-For` and `X-Forwarded-Proto` are believed.
    pub behind_proxy: bool,
    /// Refuse callers and passwords over plain HTTP, since HTTPS is there. A page on this very machine may.
    pub refuse_plain: bool,
    /// Passwords known from breaches.
    pub breached: Breached,
}

/// Sessions that just ended: long answers of theirs, such as live streams, are to be closed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Ended {
    /// The shop.
    pub shop: Uuid,
    /// All of this person's, or any person's.
    pub staff: Option<Uuid>,
    /// All on this device, or on any.
    pub device: Option<Uuid>,
}

/// Everything access needs. One for the whole program, as `web::Data`.
pub struct Access {
    store: Store,
    log: Arc<dyn Log>,
    clock: Clock,
    random: Random,
    keys: TokenKeys,
    limits: Limits,
    passwords: Passwords,
    settings: Settings,
    saying: Mutex<()>,
    opening: Mutex<()>,
    ended: broadcast::Sender<Ended>,
}

impl Access {
    /// Over a pool whose migrations have run. `token_key` is the path of the token key file, made at the first start.
    ///
    /// # Errors
    /// When the token key file cannot be read or written.
    pub fn new(
        pool: database::Pool,
        log: Arc<dyn Log>,
        token_key: &Path,
        clock: Clock,
        random: Random,
        settings: Settings,
    ) -> io::Result<Self> {
        let keys = TokenKeys::open(token_key, "counterfoil", &clock, &random)?;
        let passwords = Passwords::new(&random).map_err(io::Error::other)?;
        let (ended, _) = broadcast::channel(64);
        let store = Store::new(pool);
        let limits = Limits::new(store.clone(), &clock, settings.behind_proxy);
        let (saying, opening) = (Mutex::new(()), Mutex::new(()));
        Ok(Access { store, log, clock, random, keys, limits, passwords, settings, saying, opening, ended })
    }

    /// Counts that somebody asks for a list that grows with the shop's history.
    ///
    /// # Errors
    /// `too-many` when this session, or tokens of this family, asked too often.
    pub fn asks_for_list(&self, caller: &Caller) -> Result<(), Problem> {
        self.limits.list(&caller.via)
    }

    /// Whether somebody has been made who can sign in.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub async fn is_set_up(&self) -> Result<bool, Problem> {
        Ok(self.store.any_staff().await?)
    }

    /// Tells of sessions that end from now on. A receiver that lagged should ask [`Access::still_counts`].
    pub fn ended(&self) -> broadcast::Receiver<Ended> {
        self.ended.subscribe()
    }

    /// To be called at start and daily: says what is unsaid, renews the token key when due, forgets what is long over.
    ///
    /// # Errors
    /// When the database or the key file cannot be written.
    pub async fn tend(&self) -> Result<(), Problem> {
        const DAY: i64 = 24 * 3600 * 1000;
        self.say_what_is_unsaid().await;
        let now = self.clock.now();
        let alone = self.store.alone(crate::serve::KEYS).await?;
        self.keys.renew_if_due(now, &self.random).map_err(Problem::internal)?;
        drop(alone);
        self.store.forget(now - session::ABSOLUTE - DAY, now - DAY).await?;
        self.store.forget_tries(now).await?;
        Ok(())
    }

    fn tell_ended(&self, shop: Uuid, staff: Option<Uuid>, device: Option<Uuid>) {
        let _ = self.ended.send(Ended { shop, staff, device }); // nobody may be listening
    }
}
