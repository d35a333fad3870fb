//! Tries at what can be guessed, counted for all processes.

use sqlx::Error;

use super::Store;
use crate::access::secrets::Digest;
use crate::edge::Millis;

/// How many tries at once, and how soon one is given back.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Pace {
    pub burst: u32,
    /// Milliseconds.
    pub period: Millis,
}

impl Pace {
    /// How long it takes until all tries are given back after this many, in milliseconds.
    fn after(self, tries: u32) -> Millis {
        self.period.saturating_mul(tries.into())
    }
}

impl Store {
    /// Counts one try in one statement, so that no two processes take the same one. `None`: counted. Else it is not,
    /// and the next one counts after so many milliseconds.
    pub async fn count_try(&self, what: &Digest, pace: Pace, now: Millis) -> Result<Option<Millis>, Error> {
        let free = now + pace.after(pace.burst.saturating_sub(1));
        let counted = sqlx::query(
            "INSERT INTO tries (what, full_at) VALUES ($1, $2)
             ON CONFLICT (what) DO UPDATE SET full_at = CASE WHEN tries.full_at > $3 THEN tries.full_at + $4 ELSE $2 END
             WHERE tries.full_at <= $5",
        )
        .bind(what.as_slice())
        .bind(now + pace.period)
        .bind(now)
        .bind(pace.period)
        .bind(free)
        .execute(&self.pool)
        .await?;
        if counted.rows_affected() > 0 {
            return Ok(None);
        }
        // Farther ahead than any number of tries can be: a clock was set back since, or that of another process goes ahead.
        let most = now + pace.after(pace.burst);
        sqlx::query("UPDATE tries SET full_at = $2 WHERE what = $1 AND full_at > $2")
            .bind(what.as_slice())
            .bind(most)
            .execute(&self.pool)
            .await?;
        let full: Option<i64> = sqlx::query_scalar("SELECT full_at FROM tries WHERE what = $1")
            .bind(what.as_slice())
            .fetch_optional(&self.pool)
            .await?;
        Ok(Some(full.unwrap_or(now).saturating_sub(free).max(0)))
    }

    /// Gives one try back: it was a right one.
    pub async fn give_back_try(&self, what: &Digest, pace: Pace) -> Result<(), Error> {
        sqlx::query("UPDATE tries SET full_at = full_at - $2 WHERE what = $1")
            .bind(what.as_slice())
            .bind(pace.period)
            .execute(&self.pool)
            .await?;
        Ok(())
    }

    /// Takes away what means nothing any more.
    pub async fn forget_tries(&self, now: Millis) -> Result<(), Error> {
        // One at a time: two that take away several rows each could wait for one another.
        let mut tx = self.write().await?;
        sqlx::query("DELETE FROM tries WHERE full_at <= $1").bind(now).execute(&mut *tx).await?;
        tx.commit().await
    }

    /// How many rows there are.
    #[cfg(test)]
    pub async fn tries(&self) -> i64 {
        sqlx::query_scalar("SELECT count(*) FROM tries").fetch_one(&self.pool).await.expect("a number")
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::access::testing::{Folder, database};

    const PACE: Pace = Pace { burst: 3, period: 15_000 };

    #[actix_web::test]
    async fn a_burst_then_one_a_period_for_each_thing_by_itself() {
        let folder = Folder::new();
        let store = Store::new(database(&folder.0).await);
        let (ravi, bo, mut now) = ([1; 32], [2; 32], 1_000_000);
        for _ in 0..3 {
            assert_eq!(store.count_try(&ravi, PACE, now).await.expect("counted"), None);
        }
        assert_eq!(store.count_try(&ravi, PACE, now).await.expect("counted"), Some(15_000));
        assert_eq!(store.count_try(&bo, PACE, now).await.expect("counted"), None);
        now += 15_000;
        assert_eq!(store.count_try(&ravi, PACE, now).await.expect("counted"), None);
        assert_eq!(store.count_try(&ravi, PACE, now).await.expect("counted"), Some(15_000));
        now += 60_000;
        for _ in 0..3 {
            assert_eq!(store.count_try(&ravi, PACE, now).await.expect("counted"), None, "all are given back");
        }
    }

    #[actix_web::test]
    async fn a_right_try_is_given_back_and_no_more_than_that() {
        let folder = Folder::new();
        let store = Store::new(database(&folder.0).await);
        let (ravi, now) = ([1; 32], 1_000_000);
        for _ in 0..20 {
            assert_eq!(store.count_try(&ravi, PACE, now).await.expect("counted"), None);
            store.give_back_try(&ravi, PACE).await.expect("given back");
        }
        for _ in 0..3 {
            assert_eq!(store.count_try(&ravi, PACE, now).await.expect("counted"), None);
        }
        assert_eq!(store.count_try(&ravi, PACE, now).await.expect("counted"), Some(15_000));
    }

    #[actix_web::test]
    async fn a_clock_that_was_ahead_locks_nobody_out_for_long() {
        let folder = Folder::new();
        let store = Store::new(database(&folder.0).await);
        let (ravi, now) = ([1; 32], 1_000_000);
        assert_eq!(store.count_try(&ravi, PACE, now + 3_600_000).await.expect("counted"), None);
        assert_eq!(store.count_try(&ravi, PACE, now).await.expect("counted"), Some(15_000));
        assert_eq!(store.count_try(&ravi, PACE, now + 15_000).await.expect("counted"), None);
    }

    #[actix_web::test]
    async fn what_means_nothing_any_more_goes_and_nothing_else() {
        let folder = Folder::new();
        let store = Store::new(database(&folder.0).await);
        for n in 0..100 {
            store.count_try(&[n; 32], PACE, i64::from(n) * 1_000).await.expect("counted");
        }
        store.forget_tries(50_000).await.expect("forgotten");
        assert_eq!(store.tries().await, 64, "those tried within the last 15 seconds, and later");
    }
}
