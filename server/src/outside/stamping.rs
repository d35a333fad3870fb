//! Time from outside (RFC 3161): the newest published checkpoint is sent to a stamping authority; its answer is checked and
//! kept as it came, with the roots by which it was trusted.

use std::path::Path;

use evidence::stamp::{self, Fault, MAX_ANSWER, Stamp};
use hyper::{StatusCode, Uri};
use uuid::Uuid;

use super::send::{self, Answer};
use super::{Outside, State, Why};
use crate::config::Serve;
use crate::edge::Millis;
use crate::originals::outside::{Published, named};

/// The errand, and the folder of what it brings.
pub const FOLDER: &str = "stamps";
/// Ending of an answer, and of the roots beside it.
pub const ANSWER: &str = "tsr";
/// Ending of the roots.
pub const ROOTS: &str = "pem";
/// How often when nothing is said: once a day.
const EVERY_S: u32 = 24 * 3600;

/// The authority that stamps.
#[derive(Debug)]
pub struct Authority {
    /// Its address.
    pub url: Uri,
    /// How often, in milliseconds.
    pub every: Millis,
    pem: String,
    roots: Vec<Vec<u8>>,
}

impl Authority {
    /// The authority that was configured, if one was.
    ///
    /// # Errors
    /// A sentence.
    pub fn of(wanted: &Serve) -> Result<Option<Authority>, String> {
        let (url, ca) = match (&wanted.stamp_url, &wanted.stamp_ca) {
            (None, None) => return Ok(None),
            (Some(url), Some(ca)) => (url, ca),
            _ => return Err(
                "a stamping authority needs both its address (--stamp-url) and the roots to trust it by (--stamp-ca)"
                    .into(),
            ),
        };
        let pem = read(ca)?;
        let roots = stamp::roots(&pem).map_err(|e| format!("{}: {e}", ca.display()))?;
        let every = Millis::from(wanted.stamp_every_s.unwrap_or(EVERY_S)) * 1000;
        Ok(Some(Authority { url: send::address(url)?, every, pem, roots }))
    }
}

fn read(ca: &Path) -> Result<String, String> {
    std::fs::read_to_string(ca).map_err(|e| format!("the roots of the stamping authority, {}: {e}", ca.display()))
}

/// A stamp that is kept.
#[derive(Clone, Debug)]
pub struct Kept {
    /// The checkpoint it stamps.
    pub of: Published,
    /// That checkpoint as it was published.
    pub note: String,
    /// The answer as it came.
    pub answer: Vec<u8>,
    /// The roots it was trusted by.
    pub pem: Vec<u8>,
    /// What it says.
    pub stamp: Stamp,
}

/// Reads a kept stamp and checks it again. Blocking.
///
/// # Errors
/// A sentence.
pub fn kept(originals: &crate::originals::Originals, shop: Uuid, of: Published) -> Result<Kept, String> {
    let file = |ending: &str| {
        let read = originals.outside_file(shop, FOLDER, &named(of, ending)).map_err(|e| e.to_string())?;
        read.ok_or_else(|| format!("its file .{ending} is not there"))
    };
    let (answer, pem) = (file(ANSWER)?, file(ROOTS)?);
    let note = originals.published(shop, of).map_err(|e| e.to_string())?;
    let note = note.ok_or("the checkpoint that it stamps is not there")?;
    let roots = stamp::roots(&String::from_utf8_lossy(&pem))?;
    let stamp = stamp::check(&answer, note.as_bytes(), &roots).map_err(|e| e.to_string())?;
    if !stamp.known {
        return Err(Fault::Unknown.to_string());
    }
    Ok(Kept { of, note, answer, pem, stamp })
}

impl Outside {
    /// Has the newest checkpoint stamped, where it is not; waits for a try under way. Gives the state after it.
    ///
    /// # Errors
    /// A sentence when the disk or the database does not do what it should.
    pub async fn stamp(&self, shop: Uuid) -> Result<State, String> {
        let _one = self.busy.lock().await;
        let before = self.state(shop, FOLDER).await?;
        let Some(authority) = &self.authority else { return Ok(before) };
        let clock = self.ledger.clock();
        let Some((of, note)) = self.newest(shop).await? else { return Ok(before) };
        let originals = self.ledger.originals().clone();
        let there = tokio::task::spawn_blocking(move || kept(&originals, shop, of).is_ok());
        let mut after = State { done: Some(clock.now()), waiting: None };
        if !there.await.map_err(|e| e.to_string())? {
            self.set_state(shop, FOLDER, &before.trying(clock.now())).await?;
            let nonce = self.ledger.random().bytes::<8>();
            let question = stamp::question(note.as_bytes(), nonce);
            let (why, said) =
                match send::post(&authority.url, "application/timestamp-query", question, (MAX_ANSWER, self.within))
                    .await
                {
                    Err(e) => (Why::NotReached, e.to_string()),
                    Ok(answer) => match judged(&answer, &note, nonce, &authority.roots) {
                        Err(said) => (Why::BadAnswer, said),
                        Ok(stamp) => {
                            // The answer is last: where it stands, its roots do too.
                            self.put(shop, FOLDER, named(of, ROOTS), authority.pem.clone().into_bytes()).await?;
                            self.put(shop, FOLDER, named(of, ANSWER), answer.bytes).await?;
                            tracing::info!(%shop, size = of.1, at = %stamp.when, "a checkpoint was stamped");
                            after.done = Some(clock.now());
                            self.set_state(shop, FOLDER, &after).await?;
                            return Ok(after);
                        }
                    },
                };
            tracing::warn!(%shop, size = of.1, error = %said, "a checkpoint was not stamped; it is tried again");
            after = before.in_vain(clock.now(), why, said);
        }
        self.set_state(shop, FOLDER, &after).await?;
        Ok(after)
    }
}

fn judged(answer: &Answer, note: &str, nonce: [u8; 8], roots: &[Vec<u8>]) -> Result<Stamp, String> {
    if answer.status != StatusCode::OK || answer.media_type != "application/timestamp-reply" {
        return Err(format!("the authority answered {} with \"{:.80}\"", answer.status.as_u16(), answer.media_type));
    }
    stamp::answer(&answer.bytes, note.as_bytes(), nonce, roots).map_err(|e| e.to_string())
}
