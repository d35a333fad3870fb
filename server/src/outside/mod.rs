//! Errands outside the shop: now and then the newest published checkpoint goes to a stamping authority, and to witnesses. An errand waits in a
//! small file, so that it outlives a kill, and comes back later and later while nobody answers.

pub mod send;
pub mod stamping;
pub mod witnessing;

use std::sync::Arc;
use std::time::Duration;

use serde::{Deserialize, Serialize};
use tokio::sync::Mutex;
use tokio_util::sync::CancellationToken;
use uuid::Uuid;

use crate::config::Serve;
use crate::edge::Millis;
use crate::ledger::{Ledger, start};
use crate::originals::outside::Published;

/// The first wait after nobody answered, and the longest, in milliseconds.
const FIRST_WAIT: Millis = 30_000;
const LONGEST_WAIT: Millis = 3_600_000;
/// How often witnesses are asked when nothing is said: once an hour.
const WITNESS_EVERY_S: u32 = 3600;
/// How often it is looked whether something is due, at least.
const LOOK: Duration = Duration::from_secs(60);

/// Why an errand came back with nothing.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Why {
    /// Nobody was reached, or the answer did not come in time.
    NotReached,
    /// There was an answer, and it is not one that can be kept.
    BadAnswer,
    /// A witness has seen another log than this one.
    Disagrees,
    /// A witness was not told the log's key.
    UnknownKey,
}

/// An errand under way.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Waiting {
    /// Since when, milliseconds since the Unix epoch.
    pub since: Millis,
    /// How often it was tried in vain.
    pub tries: u32,
    /// When it is tried again.
    pub next: Millis,
    /// Why the last try was in vain.
    pub why: Option<Why>,
    /// The same as a sentence for whoever runs the program.
    pub said: String,
}

/// How far an errand is, kept in a file.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct State {
    /// When it last came back with something, by our clock.
    pub done: Option<Millis>,
    /// What is under way.
    pub waiting: Option<Waiting>,
}

impl State {
    /// When the errand is due: now or earlier, or later. Pure.
    pub fn due(&self, now: Millis, every: Millis) -> Millis {
        let (at, most) = match (&self.waiting, self.done) {
            (Some(waiting), _) => (waiting.next, LONGEST_WAIT),
            (None, Some(done)) => (done.saturating_add(every), every),
            (None, None) => (now, 0),
        };
        // Farther ahead than any wait: the clock was set since.
        if at > now.saturating_add(most) { now } else { at }
    }

    /// The state before a try: whoever is killed in it tries again.
    pub fn trying(&self, now: Millis) -> State {
        let fresh = Waiting { since: now, tries: 0, next: now, why: None, said: String::new() };
        State { waiting: Some(self.waiting.clone().unwrap_or(fresh)), ..self.clone() }
    }

    /// The state after a try in vain.
    pub fn in_vain(&self, now: Millis, why: Why, said: String) -> State {
        let State { waiting, done } = self.trying(now);
        let waiting = waiting.map(|w| {
            // Doubled so often it is past the longest; more would shift it out of the number.
            let wait = (FIRST_WAIT << w.tries.min(16)).min(LONGEST_WAIT);
            Waiting { tries: w.tries.saturating_add(1), next: now.saturating_add(wait), why: Some(why), said, ..w }
        });
        State { waiting, done }
    }
}

/// The errands of an installation.
#[derive(Clone)]
pub struct Outside {
    ledger: Ledger,
    /// Where stamps come from.
    pub authority: Option<Arc<stamping::Authority>>,
    /// Who is asked to see it.
    pub witnesses: Arc<Vec<witnessing::Asked>>,
    /// How often witnesses are asked, in milliseconds.
    every: Millis,
    /// How long somebody outside may take to answer.
    within: Duration,
    // One try at a time: a try by hand and one by the clock are the same try.
    busy: Arc<Mutex<()>>,
}

impl Outside {
    /// The errands over a ledger, as they are configured.
    ///
    /// # Errors
    /// A sentence.
    pub fn new(ledger: Ledger, wanted: &Serve) -> Result<Outside, String> {
        let witnesses = wanted.witness.iter().filter(|w| !w.is_empty()).map(|w| witnessing::Asked::of(w));
        Ok(Outside {
            ledger,
            authority: stamping::Authority::of(wanted)?.map(Arc::new),
            witnesses: Arc::new(witnesses.collect::<Result<_, _>>()?),
            every: Millis::from(wanted.witness_every_s.unwrap_or(WITNESS_EVERY_S)) * 1000,
            within: wanted.outside_timeout_ms.map_or(send::WITHIN, |ms| Duration::from_millis(ms.into())),
            busy: Arc::default(),
        })
    }

    /// Runs every errand when it is due, until told to stop.
    pub async fn keep(self, stopping: CancellationToken) {
        if self.authority.is_none() && self.witnesses.is_empty() {
            return;
        }
        loop {
            let wait = match self.look().await {
                Ok(wait) => wait,
                Err(e) => {
                    tracing::error!(error = %e, "an errand outside could not be looked after");
                    LOOK
                }
            };
            tokio::select! {
                () = stopping.cancelled() => return,
                () = tokio::time::sleep(wait) => {}
            }
        }
    }

    /// Does what is due, and says how long there is nothing to do.
    async fn look(&self) -> Result<Duration, String> {
        let mut wait = LOOK;
        for shop in start::shops(self.ledger.pool()).await.map_err(|e| e.to_string())? {
            if let Some(authority) = &self.authority {
                match self.waits(shop, stamping::FOLDER, authority.every).await? {
                    None => drop(self.stamp(shop).await?),
                    Some(more) => wait = wait.min(more),
                }
            }
            for by in self.witnesses.iter() {
                match self.waits(shop, &by.errand(), self.every).await? {
                    None => drop(self.be_witnessed(shop, by).await?),
                    Some(more) => wait = wait.min(more),
                }
            }
        }
        Ok(wait)
    }

    /// How long an errand is not due yet.
    async fn waits(&self, shop: Uuid, errand: &str, every: Millis) -> Result<Option<Duration>, String> {
        let now = self.ledger.clock().now();
        let due = self.state(shop, errand).await?.due(now, every);
        Ok(u64::try_from(due - now).ok().filter(|ms| *ms > 0).map(Duration::from_millis))
    }

    /// How far an errand is.
    ///
    /// # Errors
    /// A sentence.
    pub async fn state(&self, shop: Uuid, errand: &str) -> Result<State, String> {
        let (originals, name) = (self.ledger.originals().clone(), format!("{errand}.json"));
        let read = move || originals.outside_file(shop, "", &name);
        let bytes = tokio::task::spawn_blocking(read).await.map_err(|e| e.to_string())?.map_err(|e| e.to_string())?;
        // A file that cannot be read is as good as none: the errand begins anew.
        Ok(bytes.and_then(|b| serde_json::from_slice(&b).ok()).unwrap_or_default())
    }

    async fn set_state(&self, shop: Uuid, errand: &str, state: &State) -> Result<(), String> {
        let bytes = serde_json::to_vec(state).map_err(|e| e.to_string())?;
        self.put(shop, "", format!("{errand}.json"), bytes).await
    }

    async fn put(&self, shop: Uuid, folder: &'static str, name: String, bytes: Vec<u8>) -> Result<(), String> {
        let (originals, nonce) = (self.ledger.originals().clone(), self.ledger.nonce());
        let keep = move || originals.keep_outside(shop, folder, &name, &bytes, nonce);
        tokio::task::spawn_blocking(keep).await.map_err(|e| e.to_string())?.map_err(|e| e.to_string())
    }

    /// The newest published checkpoint: what an errand goes with.
    async fn newest(&self, shop: Uuid) -> Result<Option<(Published, String)>, String> {
        self.ledger.publish(shop).await;
        let originals = self.ledger.originals().clone();
        let read = move || originals.newest_checkpoint(shop);
        let note = tokio::task::spawn_blocking(read).await.map_err(|e| e.to_string())?.map_err(|e| e.to_string())?;
        let Some(note) = note else { return Ok(None) };
        let mut db = self.ledger.reading().await.map_err(|e| e.to_string())?;
        let own = self.ledger.line(&mut db, shop).await.map_err(|e| e.to_string())?.own(&note);
        Ok(own.filter(|(_, c)| c.size > 0).map(|(epoch, c)| ((epoch, c.size), note)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn waits_grow_and_end_at_an_hour() {
        let (mut state, mut now, mut waits) = (State::default(), 1_000, Vec::new());
        assert_eq!(state.due(now, 500), now);
        for _ in 0..70 {
            state = state.in_vain(now, Why::NotReached, String::new());
            waits.push(state.due(now, 500) - now);
            now = state.due(now, 500);
        }
        assert_eq!(waits[..4], [30_000, 60_000, 120_000, 240_000]);
        assert!(waits[7..].iter().all(|w| *w == LONGEST_WAIT), "{waits:?}");
        let waiting = state.waiting.expect("it waits");
        assert_eq!((waiting.since, waiting.tries), (1_000, 70));
    }

    #[test]
    fn done_it_is_due_again_after_its_time_and_a_clock_set_back_does_not_stop_it() {
        let done = State { done: Some(10_000), waiting: None };
        assert_eq!(done.due(10_500, 1_000), 11_000);
        assert_eq!(done.due(5_000, 1_000), 5_000);
        let waiting = State::default().in_vain(10_000_000, Why::BadAnswer, "no".into());
        assert_eq!(waiting.due(1, 1_000), 1);
        assert_eq!(waiting.trying(20_000_000), waiting);
    }
}
