//! Limits on everything that could be guessed.
//!
//! They are kept in memory by each server process: a restart forgives, and several processes let a guesser try that many
//! times as often, which gains nothing against secrets of 128 bits and more. Only passwords are guessable at all, and
//! argon2id is slow.

use std::hash::Hash;
use std::net::IpAddr;
use std::num::NonZeroU32;
use std::time::Duration;

use actix_web::HttpRequest;
use governor::clock::Clock as _;
use governor::middleware::NoOpMiddleware;
use governor::state::keyed::DashMapStateStore;
use governor::{Quota, RateLimiter};

use crate::edge::Clock;
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

struct Limit<K: Hash + Eq + Clone> {
    limiter: Limiter<K>,
    ticks: Ticks,
}

impl<K: Hash + Eq + Clone> Limit<K> {
    /// `burst` at once, then one every `seconds`.
    fn new(clock: &Clock, burst: u32, seconds: u64) -> Self {
        let burst = NonZeroU32::new(burst).unwrap_or(NonZeroU32::MIN);
        let slow = Quota::with_period(Duration::from_secs(seconds.max(1)));
        let quota = slow.unwrap_or_else(|| Quota::per_minute(NonZeroU32::MIN)).allow_burst(burst);
        let ticks = Ticks(clock.clone());
        Limit { limiter: RateLimiter::dashmap_with_clock(quota, ticks.clone()), ticks }
    }

    fn count(&self, key: &K) -> Result<(), Problem> {
        if self.limiter.len() > MANY {
            self.limiter.retain_recent();
        }
        self.limiter.check_key(key).map_err(|until| {
            let wait = until.wait_time_from(self.ticks.now());
            Problem::too_many(u32::try_from(wait.as_millis().div_ceil(1000)).unwrap_or(u32::MAX))
        })
    }
}

/// Every limit of access.
pub(crate) struct Limits {
    behind_proxy: bool,
    sign_in_account: Limit<String>,
    sign_in_address: Limit<IpAddr>,
    set_up: Limit<IpAddr>,
    claim: Limit<IpAddr>,
    refresh: Limit<IpAddr>,
    link: Limit<IpAddr>,
    pair: Limit<uuid::Uuid>,
}

impl Limits {
    /// `behind_proxy`: the address is the last one in `X-Forwarded-For`, which our own proxy wrote.
    pub fn new(clock: &Clock, behind_proxy: bool) -> Self {
        Limits {
            behind_proxy,
            sign_in_account: Limit::new(clock, 10, 15),
            sign_in_address: Limit::new(clock, 30, 5),
            set_up: Limit::new(clock, 5, 10),
            claim: Limit::new(clock, 10, 10),
            refresh: Limit::new(clock, 60, 1),
            link: Limit::new(clock, 30, 2),
            pair: Limit::new(clock, 20, 10),
        }
    }

    /// A try to sign in by password: counts for the address and for the name, whether or not anybody has it.
    pub fn sign_in(&self, req: &HttpRequest, sign_in: &str) -> Result<(), Problem> {
        self.sign_in_address.count(&self.address(req))?;
        self.account(sign_in)
    }

    /// A try at the password of a name.
    pub fn account(&self, sign_in: &str) -> Result<(), Problem> {
        self.sign_in_account.count(&sign_in.to_owned())
    }

    /// A try at the set-up token.
    pub fn set_up(&self, req: &HttpRequest) -> Result<(), Problem> {
        self.set_up.count(&self.address(req))
    }

    /// A try at a pairing code.
    pub fn claim(&self, req: &HttpRequest) -> Result<(), Problem> {
        self.claim.count(&self.address(req))
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
    pub fn pair(&self, staff: uuid::Uuid) -> Result<(), Problem> {
        self.pair.count(&staff)
    }

    /// Who asks: the peer, or what our proxy says of it. IPv6 by /64, since one machine has all of that.
    fn address(&self, req: &HttpRequest) -> IpAddr {
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
    use std::sync::atomic::{AtomicI64, Ordering};

    use actix_web::test::TestRequest;

    use super::*;

    #[test]
    fn after_the_burst_the_answer_says_how_long_to_wait_and_then_it_goes_on() {
        let hand = Arc::new(AtomicI64::new(1_000_000));
        let limit = Limit::<String>::new(&Clock::Set(hand.clone()), 3, 15);
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

    #[test]
    fn what_a_stranger_claims_about_its_address_counts_only_behind_our_own_proxy() {
        let request = || {
            TestRequest::default()
                .peer_addr("192.0.2.7:4000".parse().expect("address"))
                .insert_header(("x-forwarded-for", "10.1.1.1, 2001:db8:1:2:3::4"))
                .to_http_request()
        };
        let direct = Limits::new(&Clock::System, false);
        assert_eq!(direct.address(&request()).to_string(), "192.0.2.7");
        let behind = Limits::new(&Clock::System, true);
        assert_eq!(behind.address(&request()).to_string(), "2001:db8:1:2::");
    }
}
