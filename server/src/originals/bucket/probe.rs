//! What a store does, found by trying it once: nothing is believed that a store only says of itself.

use evidence::digest::Digest;
use hyper::HeaderMap;

use super::client::{Client, Failed};
use super::put;

/// What the store was found to do.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Traits {
    /// It refuses to put where something stands (`If-None-Match: *`). Where not, it is asked before each put.
    pub absent: bool,
    /// It refuses bytes that are not what their checksum says. Where not, what was put is read back.
    pub checks: bool,
}

impl Client {
    /// What the store does; it is tried when nobody knows yet. Where originals are to be locked, that it locks them.
    pub(super) async fn traits(&self) -> Result<Traits, Failed> {
        if let Some(known) = self.traits.get() {
            return Ok(*known);
        }
        let name = |what: &str| format!("{}probe/{}-{what}", self.prefix, hex(self.random.bytes::<8>()));
        let (one, two) = (name("one"), name("two"));
        let found = self.tried(&one, &two).await;
        // Whatever was found: nothing of it stays. What was wrong first is told.
        for key in [&one, &two] {
            let erased = self.erase(key).await;
            if found.is_ok() {
                erased?;
            }
        }
        let found = found?;
        self.clear_probes().await;
        if let Some(lock) = &self.lock {
            self.try_lock(lock, &name("lock")).await?;
        }
        tracing::info!(put_if_absent = found.absent, checksums = found.checks, "the store of originals was tried");
        Ok(*self.traits.get_or_init(|| found))
    }

    /// What an earlier probe had to leave, because it was locked, or because it was killed.
    async fn clear_probes(&self) {
        let bucket = self.within(0);
        let Ok((page, _)) = bucket.list_page(format!("{}probe/", self.prefix), None, None, None, None).await else {
            return;
        };
        for left in page.contents {
            // One that is locked still goes at a later start.
            if let Err(failed) = self.erase(&left.key).await {
                tracing::debug!(key = left.key, ?failed, "what a probe left stays for now");
            }
        }
    }

    async fn tried(&self, one: &str, two: &str) -> Result<Traits, Failed> {
        let (bytes, other) = (b"counterfoil".as_slice(), b"another".as_slice());
        self.put(one, bytes, &put::headers(&Digest::of(bytes), false)?).await?;
        let absent = match self.put(one, other, &put::headers(&Digest::of(other), true)?).await {
            Err(Failed::Present) => true,
            Ok(()) => {
                self.put(one, bytes, &HeaderMap::new()).await?;
                false
            }
            // A store that knows no conditions may say so.
            Err(Failed::Refused(_)) => false,
            Err(failed) => return Err(failed),
        };
        let (piece, all) = self.piece(one, 1, 3).await?;
        if piece.as_ref() != &bytes[1..4] || all != bytes.len() as u64 {
            return Err(Failed::Refused("it does not give ranges of an object".to_owned()));
        }
        // The refusal is one of those that may help later elsewhere, so it is tried once here.
        let wrong = put::headers(&Digest::of(other), false)?;
        let refused = self.within(0).put_object_with_headers(two, bytes, Some(wrong)).await.is_err();
        let checks = refused && self.size(two).await == Err(Failed::Absent);
        Ok(Traits { absent, checks })
    }
}

fn hex(bytes: [u8; 8]) -> String {
    format!("{:016x}", u64::from_be_bytes(bytes))
}
