//! Revocations hold first and are said after.
//!
//! The entry to be said is kept in the transaction of the revocation, so that a crash or a busy log between the two
//! loses nothing: it is said now, or at the next revocation, or at the next start. Said twice does no harm: these are
//! facts of which the latest counts.

use super::Access;

impl Access {
    /// Says what is still to be said. A log that refuses is asked again next time.
    pub async fn say_what_is_unsaid(&self) {
        let _one_at_a_time = self.saying.lock().await;
        let waiting = match self.store.unsaid().await {
            Ok(waiting) => waiting,
            Err(e) => return tracing::error!(error = %e, "cannot read what is still to be said to the log"),
        };
        for (n, shop, entry) in waiting {
            let kind = entry.kind.clone();
            if let Err(problem) = self.log.say(shop, entry).await {
                let reason = problem.internal.as_deref().unwrap_or(&problem.detail);
                tracing::error!(%shop, kind, reason, "a revocation holds and is not in the log yet");
                continue;
            }
            if let Err(e) = self.store.said(n).await {
                tracing::error!(error = %e, "a revocation is in the log and will be said again");
            }
        }
    }
}
