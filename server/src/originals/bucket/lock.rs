//! Object Lock: originals that the store keeps for so many days, whoever asks it to delete them. Retention is in `GOVERNANCE`
//! mode: the keys of this program cannot end it and an administrator of the store can, since the law may ask for an erasure.

use hyper::HeaderMap;
use hyper::header::{HeaderName, HeaderValue};
use s3::serde_types::ObjectIdentifier;

use super::client::{Client, Failed, of};
use super::put;
use crate::edge::{Clock, Millis};
use evidence::digest::Digest;

/// How long what the probe puts is locked, milliseconds: it goes at a later start.
const PROBE: Millis = 60_000;
/// A day, in milliseconds.
const DAY: Millis = 24 * 3_600_000;

/// How long, by which clock.
#[derive(Clone, Debug)]
pub struct Lock {
    /// Days from the put.
    pub days: u32,
    /// The program's clock.
    pub clock: Clock,
}

impl Lock {
    /// The headers that lock what is put now.
    pub(super) fn headers(&self) -> Result<HeaderMap, Failed> {
        self.until(i64::from(self.days).saturating_mul(DAY))
    }

    fn until(&self, span: Millis) -> Result<HeaderMap, Failed> {
        let wrong = |e: &dyn std::fmt::Display| Failed::Refused(format!("no date so far away: {e}"));
        // Whole seconds: not every store reads parts of them.
        let end = self.clock.now().saturating_add(span) / 1000;
        let end = jiff::Timestamp::from_second(end).map_err(|e| wrong(&e))?;
        let end = HeaderValue::from_str(&end.to_string()).map_err(|e| wrong(&e))?;
        let mode = HeaderValue::from_static("GOVERNANCE");
        let name = HeaderName::from_static;
        Ok(HeaderMap::from_iter([
            (name("x-amz-object-lock-mode"), mode),
            (name("x-amz-object-lock-retain-until-date"), end),
        ]))
    }
}

impl Client {
    /// Whether the store keeps what it says it locks: something is locked, and then its deletion is asked for.
    pub(super) async fn try_lock(&self, lock: &Lock, key: &str) -> Result<(), Failed> {
        let bytes = b"locked for a minute".as_slice();
        let mut headers = put::headers(&Digest::of(bytes), false)?;
        headers.extend(lock.until(PROBE)?);
        match self.put(key, bytes, &headers).await {
            Err(Failed::Refused(why)) => {
                return Err(Failed::Refused(format!(
                    "its objects cannot be locked, so leave out --originals-lock-days: {why}"
                )));
            }
            done => done?,
        }
        let versions = self.versions(key).await?.unwrap_or_default();
        let held = match versions.first() {
            None => false,
            Some(version) => {
                let one = vec![ObjectIdentifier::with_version(key, version.clone())];
                let asked = self
                    .again(|| async { self.within(0).delete_objects(one.clone()).await.map_err(|e| of(&e, false)) })
                    .await?;
                // Whatever it answered: what counts is that the version is still there.
                let left = self.versions(key).await?.unwrap_or_default();
                !asked.errors.is_empty() && left.contains(version)
            }
        };
        if held {
            return Ok(());
        }
        Err(Failed::Refused(
            "it takes a lock and deletes what is locked all the same: leave out --originals-lock-days".to_owned(),
        ))
    }
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use super::*;

    #[test]
    fn a_lock_ends_after_its_days_in_whole_seconds() {
        let clock = Clock::Set(Arc::new(1_795_670_274_151.into()));
        let headers = Lock { days: 30, clock }.headers().unwrap();
        assert_eq!(headers["x-amz-object-lock-retain-until-date"], "2026-12-26T05:17:54Z");
        assert_eq!(headers["x-amz-object-lock-mode"], "GOVERNANCE");
    }
}
