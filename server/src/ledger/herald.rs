//! Tells the streams of this process what any process appended to a database that several share.
//!
//! Whoever appended says so by NOTIFY, after its commit and outside of it: a NOTIFY inside would have every commit of every
//! shop wait for the others. Nothing rests on it. The herald reads the log from where it stands, so that notices come
//! once and in the order of the log whoever wrote; and it looks by itself at every beat, so that a NOTIFY that was lost
//! with its process, or while the database was away, only comes later.

use std::collections::HashMap;
use std::time::Duration;

use futures_util::StreamExt;
use sqlx::Row;
use sqlx::postgres::PgListener;
use uuid::Uuid;

use super::load::{broken, number};
use super::{Ledger, Notice};
use crate::database::Engine;

/// The channel; its payload is the shop.
const CHANNEL: &str = "counterfoil";
/// How often the heads are looked at although nobody said anything.
const BEAT: Duration = Duration::from_secs(5);
/// How long until the database is asked again after it was away.
const AGAIN: Duration = Duration::from_secs(1);
/// Entries read at once.
const PAGE: i64 = 1_000;

/// By shop, the log index that comes next.
type Told = HashMap<Uuid, u64>;

impl Ledger {
    /// Begins to tell what is appended from now on, by other processes too. Nothing to do where there is only one.
    ///
    /// # Errors
    /// The database's.
    pub async fn hear_others(&self) -> Result<(), sqlx::Error> {
        if Engine::of(self.pool()) == Engine::Sqlite {
            return Ok(());
        }
        let mut listener = self.listener().await?;
        // From here on: who subscribes later reads the log's size for itself.
        let mut told = self.sizes().await?;
        let ledger = self.clone();
        let task = self.inner.runtime.spawn(async move {
            loop {
                // A stream, since a wait for the listener itself must not be broken off in its middle.
                let mut heard = listener.into_stream();
                loop {
                    let next = tokio::time::timeout(BEAT, heard.next()).await;
                    let shop = match &next {
                        Ok(Some(Ok(said))) => said.payload().parse().ok(),
                        _ => None,
                    };
                    let found = ledger.tell(&mut told, shop).await.unwrap_or_else(|e| {
                        tracing::warn!(error = %e, "what was appended cannot be read; it is told as soon as it can");
                        true
                    });
                    // A beat that finds what nobody said, or nothing at all: a line that was cut without a word hears nothing any more.
                    let deaf = next.is_err() && found;
                    if deaf || !matches!(next, Err(_) | Ok(Some(Ok(_)))) {
                        break;
                    }
                }
                listener = ledger.listener_again().await;
                // What was said meanwhile was not heard.
                if let Err(e) = ledger.tell(&mut told, None).await {
                    tracing::warn!(error = %e, "what was appended cannot be read; it is told at the next beat");
                }
            }
        });
        self.inner.herald.lock().unwrap_or_else(std::sync::PoisonError::into_inner).replace(task);
        Ok(())
    }

    async fn listener(&self) -> Result<PgListener, sqlx::Error> {
        let url = self.pool().connect_options().database_url.to_string();
        let mut listener = PgListener::connect(&url).await?;
        listener.listen(CHANNEL).await?;
        Ok(listener)
    }

    /// A new listener as soon as the database is back.
    async fn listener_again(&self) -> PgListener {
        loop {
            match self.listener().await {
                Ok(listener) => return listener,
                Err(e) => tracing::warn!(error = %e, "the database cannot be listened to; tried again"),
            }
            tokio::time::sleep(AGAIN).await;
        }
    }

    /// Says to every process that a shop's log grew. A failure is made good by the next beat.
    pub(super) async fn announce(&self, shop: Uuid) {
        if Engine::of(self.pool()) == Engine::Sqlite {
            return;
        }
        let said = sqlx::query("SELECT pg_notify($1, $2)").bind(CHANNEL).bind(shop.to_string());
        if let Err(e) = said.execute(self.pool()).await {
            tracing::warn!(%shop, error = %e, "other processes hear of new entries at their next beat");
        }
    }

    async fn sizes(&self) -> Result<Told, sqlx::Error> {
        let rows = sqlx::query("SELECT shop, size FROM log_head").fetch_all(self.pool()).await?;
        rows.iter()
            .map(|r| {
                let shop = r.try_get::<String, _>("shop")?;
                Ok((shop.parse().map_err(|_| broken("a shop's id is not a UUID"))?, number(r, "size")?))
            })
            .collect()
    }

    /// Tells what is new in one shop, or in all; gives whether anything was.
    async fn tell(&self, told: &mut Told, shop: Option<Uuid>) -> Result<bool, sqlx::Error> {
        let mut found = false;
        let shops: Vec<Uuid> = match shop {
            Some(shop) => vec![shop],
            None => {
                let sizes = self.sizes().await?;
                sizes
                    .into_iter()
                    .filter(|(s, size)| told.get(s).copied().unwrap_or(0) < *size)
                    .map(|(s, _)| s)
                    .collect()
            }
        };
        for shop in shops {
            let next = told.entry(shop).or_insert(0);
            loop {
                let rows = sqlx::query(
                    "SELECT idx, intake, type FROM entry WHERE shop = $1 AND idx >= $2 ORDER BY idx LIMIT $3",
                )
                .bind(shop.to_string())
                .bind(i64::try_from(*next).unwrap_or(i64::MAX))
                .bind(PAGE)
                .fetch_all(self.pool())
                .await?;
                found |= !rows.is_empty();
                for r in &rows {
                    let intake = r.try_get::<Option<String>, _>("intake")?.and_then(|i| i.parse().ok());
                    let notice = Notice { shop, index: number(r, "idx")?, intake, kind: r.try_get("type")? };
                    *next = notice.index + 1;
                    let _ = self.inner.notices.send(notice); // nobody may be listening
                }
                if (rows.len() as i64) < PAGE {
                    break;
                }
            }
        }
        Ok(found)
    }
}
