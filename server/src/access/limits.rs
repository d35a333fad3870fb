//! Limits on everything that could be guessed.
//!
//! Each process counts in memory, which costs nothing and turns a flood away before it reaches the database. What it lets
//! pass is counted in the database too, where all processes see it and a restart forgives nothing: signing in, set-up,
//! pairing. A one-time code is counted there alone, since the password stands before it, and a right one is given back: at
//! most ten wrong ones are looked at in any hour. Refresh tokens and links have 256 random bits and are counted in memory
//! alone: three servers let a guesser try three times as often, and it gains nothing. Lists are counted so as well: nobody
//! guesses by them, and what is spared is this machine.

use std::hash::Hash;
use std::net::IpAddr;
use std::num::NonZeroU32;
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::Duration;

use actix_web::HttpRequest;
use governor::clock::Clock as _;
use governor::middleware::NoOpMiddleware;
use governor::state::keyed::DashMapStateStore;
use governor::{Quota, RateLimiter};

use super::caller::Via;
use super::secrets::{self, Digest};
use super::store::{Pace, Store};
use crate::edge::{Clock, Millis};
use crate::problem::Problem;

/// Our clock as the limiter wants it.
#[derive(Clone, Debug)]
struct Ticks(Clock);

impl governor::clock::Clock for Ticks {
    type Instant = Duration;

    fn now(&self) -> Duration {
        Duration::from_millis(u64::try_from(self.0.now()).unwrap_or(0))
    }
}

type Limiter<K> = RateLimiter<K, DashMapStateStore<K>, Ticks, NoOpMiddleware<Duration>>;

/// Above this many keys the ones that are full again are dropped.
const MANY: usize = 10_000;

/// After so many tries that were counted in the database, the rows that mean nothing any more are taken away there.
const SWEPT: u32 = 64;

/// Lists that one session may ask for at once, and after how many milliseconds one more. A desk asks for up to twelve each time something
/// happens in the shop, as often as it can draw them; a phone that comes back after a day has several hundred such moments behind it.
const LISTS: (u32, Millis) = (3_000, 40);

struct Limit<K: Hash + Eq + Clone> {
    /// What it is called in the program's own log.
    name: &'static str,
    pace: Pace,
    limiter: Limiter<K>,
    ticks: Ticks,
}

impl<K: Hash + Eq + Clone> Limit<K> {
    /// `burst` at once, then one every `seconds`.
    fn new(clock: &Clock, name: &'static str, burst: u32, seconds: u32) -> Self {
        Limit::paced(clock, name, burst, Millis::from(seconds.max(1)) * 1000)
    }

    /// `burst` at once, then one every `period`.
    fn paced(clock: &Clock, name: &'static str, burst: u32, period: Millis) -> Self {
        let many = NonZeroU32::new(burst).unwrap_or(NonZeroU32::MIN);
        let slow = Quota::with_period(Duration::from_millis(period.unsigned_abs()));
        let quota = slow.unwrap_or_else(|| Quota::per_minute(NonZeroU32::MIN)).allow_burst(many);
        let ticks = Ticks(clock.clone());
        let pace = Pace { burst: many.get(), period };
        Limit { name, pace, limiter: RateLimiter::dashmap_with_clock(quota, ticks.clone()), ticks }
    }

    fn count(&self, key: &K) -> Result<(), Problem> {
        if self.limiter.len() > MANY {
            self.limiter.retain_recent();
        }
        self.limiter.check_key(key).map_err(|until| self.wait(until.wait_time_from(self.ticks.now()).as_millis()))
    }

    /// The row's key: names and addresses themselves are not kept.
    fn row(&self, key: &K) -> Digest
    where
        K: ToString,
    {
        secrets::digest(&format!("{}\0{}", self.name, key.to_string()))
    }

    fn wait(&self, ms: u128) -> Problem {
        tracing::warn!(event = "limit-reached", limit = self.name, "somebody tries too often");
        Problem::too_many(u32::try_from(ms.div_ceil(1000)).unwrap_or(u32::MAX))
    }
}

/// Every limit of access.
pub(crate) struct Limits {
    behind_proxy: bool,
    store: Store,
    clock: Clock,
    counted: AtomicU32,
    sign_in_account: Limit<String>,
    sign_in_address: Limit<IpAddr>,
    set_up: Limit<IpAddr>,
    claim: Limit<IpAddr>,
    refresh: Limit<IpAddr>,
    link: Limit<IpAddr>,
    pair: Limit<uuid::Uuid>,
    code: Limit<uuid::Uuid>,
    list: Limit<Via>,
}

impl Limits {
    /// `behind_proxy`: the address is the last one in `X-Forwarded-For`, which our own proxy wrote.
    pub fn new(store: Store, clock: &Clock, behind_proxy: bool) -> Self {
        Limits {
            behind_proxy,
            store,
            clock: clock.clone(),
            counted: AtomicU32::new(0),
            sign_in_account: Limit::new(clock, "sign-in by name", 10, 15),
            sign_in_address: Limit::new(clock, "sign-in by address", 30, 5),
            set_up: Limit::new(clock, "set-up", 5, 10),
            claim: Limit::new(clock, "pairing code tried", 10, 10),
            refresh: Limit::new(clock, "refresh token", 60, 1),
            link: Limit::new(clock, "link", 30, 2),
            pair: Limit::new(clock, "pairing code made", 20, 10),
            code: Limit::new(clock, "one-time code", 5, 12 * 60),
            list: Limit::paced(clock, "lists", LISTS.0, LISTS.1),
        }
    }

    /// A try to sign in by password: counts for the address and for the name, whether or not anybody has it.
    pub async fn sign_in(&self, req: &HttpRequest, sign_in: &str) -> Result<(), Problem> {
        self.count(&self.sign_in_address, &self.address(req)).await?;
        self.account(sign_in).await
    }

    /// A try at the password of a name.
    pub async fn account(&self, sign_in: &str) -> Result<(), Problem> {
        self.count(&self.sign_in_account, &sign_in.to_owned()).await
    }

    /// A try at the set-up token.
    pub async fn set_up(&self, req: &HttpRequest) -> Result<(), Problem> {
        self.count(&self.set_up, &self.address(req)).await
    }

    /// A try at a pairing code.
    pub async fn claim(&self, req: &HttpRequest) -> Result<(), Problem> {
        self.count(&self.claim, &self.address(req)).await
    }

    /// A refresh token presented.
    pub fn refresh(&self, req: &HttpRequest) -> Result<(), Problem> {
        self.refresh.count(&self.address(req))
    }

    /// A link opened.
    pub fn link(&self, req: &HttpRequest) -> Result<(), Problem> {
        self.link.count(&self.address(req))
    }

    /// A pairing code made by this person: each is a row.
    pub async fn pair(&self, staff: uuid::Uuid) -> Result<(), Problem> {
        self.count(&self.pair, &staff).await
    }

    /// A try at this person's one-time code.
    pub async fn code(&self, staff: uuid::Uuid) -> Result<(), Problem> {
        self.count_for_all(&self.code, &staff).await
    }

    /// The code was right.
    pub async fn code_was_right(&self, staff: uuid::Uuid) -> Result<(), Problem> {
        Ok(self.store.give_back_try(&self.code.row(&staff), self.code.pace).await?)
    }

    /// A list asked for by this session, or with tokens of this family.
    pub fn list(&self, who: &Via) -> Result<(), Problem> {
        self.list.count(who)
    }

    /// Here first, then for all processes. Without the database nobody passes.
    async fn count<K: Hash + Eq + Clone + ToString>(&self, limit: &Limit<K>, key: &K) -> Result<(), Problem> {
        limit.count(key)?;
        self.count_for_all(limit, key).await
    }

    async fn count_for_all<K: Hash + Eq + Clone + ToString>(&self, limit: &Limit<K>, key: &K) -> Result<(), Problem> {
        let now = self.clock.now();
        if let Some(ms) = self.store.count_try(&limit.row(key), limit.pace, now).await? {
            return Err(limit.wait(u128::try_from(ms).unwrap_or(0)));
        }
        if self.counted.fetch_add(1, Ordering::Relaxed) % SWEPT == SWEPT - 1 {
            self.store.forget_tries(now).await?;
        }
        Ok(())
    }

    /// Who asks: the peer, or what our proxy says of it. IPv6 by /64, since one machine has all of that.
    pub fn address(&self, req: &HttpRequest) -> IpAddr {
        let said = || {
            let last = req.headers().get_all("x-forwarded-for").last()?.to_str().ok()?;
            last.rsplit(',').next()?.trim().parse().ok()
        };
        let peer = || req.peer_addr().map(|a| a.ip());
        let address = if self.behind_proxy { said().or_else(peer) } else { peer() };
        match address.unwrap_or(IpAddr::from([0, 0, 0, 0])).to_canonical() {
            IpAddr::V6(v6) => {
                let s = v6.segments();
                IpAddr::from([s[0], s[1], s[2], s[3], 0, 0, 0, 0])
            }
            v4 => v4,
        }
    }
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;
    use std::sync::atomic::AtomicI64;

    use actix_web::test::TestRequest;

    use super::*;
    use crate::access::testing::{Folder, database};

    #[test]
    fn after_the_burst_the_answer_says_how_long_to_wait_and_then_it_goes_on() {
        let hand = Arc::new(AtomicI64::new(1_000_000));
        let limit = Limit::<String>::new(&Clock::Set(hand.clone()), "a name", 3, 15);
        let ravi = "ravi".to_owned();
        for _ in 0..3 {
            limit.count(&ravi).expect("within the burst");
        }
        let p = limit.count(&ravi).expect_err("over");
        assert_eq!((p.status, p.retry_after), (429, Some(15)));
        limit.count(&"bo".to_owned()).expect("another key");
        hand.fetch_add(15_000, Ordering::SeqCst);
        limit.count(&ravi).expect("one more");
        limit.count(&ravi).expect_err("only one more");
    }

    #[actix_web::test]
    async fn a_session_may_ask_for_lists_as_a_desk_does_and_not_without_end() {
        let hand = Arc::new(AtomicI64::new(1_000_000));
        let store = Store::new(crate::database::in_memory().await);
        let limits = Limits::new(store, &Clock::Set(hand.clone()), false);
        let [desk, program] = [Via::Cookie([1; 32]), Via::Token(uuid::Uuid::from_u128(1))];
        // Three moments a second for a minute, each drawn with all twelve lists.
        for _ in 0..180 {
            for _ in 0..12 {
                limits.list(&desk).expect("a desk");
            }
            hand.fetch_add(333, Ordering::SeqCst);
        }
        // As fast as the machine answers.
        let asked = (0..10_000).take_while(|_| {
            hand.fetch_add(1, Ordering::SeqCst);
            limits.list(&program).is_ok()
        });
        assert!((3_000..3_100).contains(&asked.count()));
        let p = limits.list(&program).expect_err("over");
        assert_eq!((p.status, p.retry_after), (429, Some(1)));
        limits.list(&desk).expect("another session");
        hand.fetch_add(1_000, Ordering::SeqCst);
        for _ in 0..25 {
            limits.list(&program).expect("a second later");
        }
        limits.list(&program).expect_err("and no more than that");
    }

    #[actix_web::test]
    async fn two_processes_over_one_database_count_together_and_old_rows_go() {
        let folder = Folder::new();
        let store = Store::new(database(&folder.0).await);
        let hand = Arc::new(AtomicI64::new(1_000_000));
        let clock = Clock::Set(hand.clone());
        let [one, two] = [0, 1].map(|_| Limits::new(store.clone(), &clock, false));
        for _ in 0..5 {
            one.account("ravi").await.expect("within the burst");
            two.account("ravi").await.expect("within the burst");
        }
        for limits in [&one, &two, &Limits::new(store.clone(), &clock, false)] {
            let p = limits.account("ravi").await.expect_err("over, at a process that was just started too");
            assert_eq!((p.status, p.retry_after), (429, Some(15)));
        }
        // A guesser with a new name each time leaves no more rows than were tried lately.
        for n in 0..200 {
            hand.fetch_add(1_000, Ordering::SeqCst);
            one.account(&format!("guess-{n}")).await.expect("another name");
        }
        let rows = store.tries().await;
        assert!((15..=15 + i64::from(SWEPT)).contains(&rows), "{rows}");
    }

    #[actix_web::test]
    async fn what_a_stranger_claims_about_its_address_counts_only_behind_our_own_proxy() {
        let request = || {
            TestRequest::default()
                .peer_addr("192.0.2.7:4000".parse().expect("address"))
                .insert_header(("x-forwarded-for", "10.1.1.1, 2001:db8:1:2:3::4"))
                .to_http_request()
        };
        let store = Store::new(crate::database::in_memory().await);
        let direct = Limits::new(store.clone(), &Clock::System, false);
        assert_eq!(direct.address(&request()).to_string(), "192.0.2.7");
        let behind = Limits::new(store.clone(), &Clock::System, true);
        assert_eq!(behind.address(&request()).to_string(), "2001:db8:1:2::");
    }
}
