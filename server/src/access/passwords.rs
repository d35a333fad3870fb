//! Passwords: argon2id, off the request threads, a few at a time.

use std::sync::Arc;

use argon2::password_hash::phc::PasswordHash;
use argon2::{Algorithm, Argon2, Params, PasswordHasher, PasswordVerifier, Version};
use tokio::sync::Semaphore;

use super::Access;
use super::input::Checks;
use crate::edge::Random;
use crate::problem::Problem;

/// 19 MiB, two passes, one lane (OWASP password storage cheat sheet).
const MEMORY_KIB: u32 = 19 * 1024;
const PASSES: u32 = 2;
const LANES: u32 = 1;

/// How many are hashed at once: each takes 19 MiB and a core.
const AT_ONCE: usize = 2;
/// How many may wait for their turn before the answer is `busy`.
const WAITING: usize = 32;

/// Hashes and checks passwords.
pub(crate) struct Passwords {
    turns: Arc<Semaphore>,
    queue: Semaphore,
    nobody: String,
}

impl Access {
    /// Looks at a password that is to be set: its length, whether it is tried first, and whether it is known from a breach.
    /// `names`: those of the person and the shop.
    ///
    /// # Errors
    /// When the list of breached passwords cannot be read.
    pub(crate) async fn new_password(
        &self,
        checks: &mut Checks,
        pointer: &str,
        password: &str,
        names: &[&str],
    ) -> Result<(), Problem> {
        if !checks.new_password(pointer, password, names) || !self.settings.breached.is_there() {
            return Ok(());
        }
        let (list, password) = (self.settings.breached.clone(), password.to_owned());
        let looked = tokio::task::spawn_blocking(move || list.holds(&password)).await.map_err(Problem::internal)?;
        if looked.map_err(|e| Problem::internal(format!("the list of breached passwords: {e}")))? {
            checks.wrong(
                pointer,
                "This password was in a breach somewhere, so others know it. Four or five other words are easy to keep.",
            );
        }
        Ok(())
    }
}

impl Passwords {
    /// Takes some 30 ms: makes the hash that is checked when nobody has the given name.
    pub fn new(random: &Random) -> Result<Self, Problem> {
        let nobody = hash_now(&random.bytes::<16>(), &random.bytes::<16>())?;
        Ok(Passwords { turns: Arc::new(Semaphore::new(AT_ONCE)), queue: Semaphore::new(AT_ONCE + WAITING), nobody })
    }

    /// The PHC string to store.
    pub async fn hash(&self, random: &Random, password: &str) -> Result<String, Problem> {
        let salt = random.bytes::<16>();
        let password = password.to_owned();
        self.turn(move || hash_now(password.as_bytes(), &salt)).await?
    }

    /// Whether the password is the stored one. Takes as long when there is none stored, so that the time tells nothing.
    pub async fn is(&self, password: &str, stored: Option<&str>) -> Result<bool, Problem> {
        let known = stored.is_some();
        let phc = stored.unwrap_or(&self.nobody).to_owned();
        let password = password.to_owned();
        let same = self
            .turn(move || {
                let hash = PasswordHash::new(&phc).map_err(Problem::internal)?;
                Ok::<bool, Problem>(Argon2::default().verify_password(password.as_bytes(), &hash).is_ok())
            })
            .await??;
        Ok(same && known)
    }

    async fn turn<T: Send + 'static>(&self, work: impl FnOnce() -> T + Send + 'static) -> Result<T, Problem> {
        let busy = || Problem::busy("Too many people are signing in at this moment. Try again in a few seconds.");
        let _place = self.queue.try_acquire().map_err(|_| busy())?;
        let turn = Arc::clone(&self.turns).acquire_owned().await.map_err(Problem::internal)?;
        // The turn moves in: work whose caller has gone away still counts until it is done.
        let done = tokio::task::spawn_blocking(move || {
            let result = work();
            drop(turn);
            result
        });
        done.await.map_err(Problem::internal)
    }
}

fn hash_now(password: &[u8], salt: &[u8]) -> Result<String, Problem> {
    let params = Params::new(MEMORY_KIB, PASSES, LANES, None).map_err(Problem::internal)?;
    let argon2 = Argon2::new(Algorithm::Argon2id, Version::V0x13, params);
    let hash: PasswordHash = argon2.hash_password_with_salt(password, salt).map_err(Problem::internal)?;
    Ok(hash.to_string())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[actix_web::test]
    async fn a_password_is_known_again_and_another_is_not() {
        let passwords = Passwords::new(&Random::System).expect("parameters");
        let stored = passwords.hash(&Random::System, "left-handed rope").await.expect("hash");
        assert!(stored.starts_with("$argon2id$v=19$m=19456,t=2,p=1$"), "{stored}");
        assert!(passwords.is("left-handed rope", Some(&stored)).await.expect("check"));
        assert!(!passwords.is("right-handed rope", Some(&stored)).await.expect("check"));
        assert!(!passwords.is("left-handed rope", None).await.expect("check"));
    }
}
