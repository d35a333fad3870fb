//! Originals in a bucket of an S3-compatible store. Its requests run on threads of their own, so that whoever waits for one,
//! blocking or not, never keeps another from going on.

mod address;
mod client;
mod erase;
mod left;
mod lock;
mod probe;
mod put;

use std::fmt;
use std::fs::File;
use std::future::Future;
use std::io;
use std::sync::{Arc, mpsc};
use std::time::Duration;

use bytes::Bytes;
use evidence::digest::Digest;
use s3::creds::Credentials;
use s3::{Bucket as S3, Region};
use tokio::runtime::{Builder, Runtime};
use uuid::Uuid;

pub use address::Address;
pub use client::Away;
use client::{Client, Failed, of};
pub use lock::Lock;
pub use probe::Traits;

use super::{Key, Shelf};
use crate::edge::{Millis, Random};

/// What is read of an object at once, bytes.
pub(super) const PIECE: u64 = 1024 * 1024;
/// Files that are put at the same time; each takes twice [`put::WHOLE`] of memory at most.
const PUTS: usize = 6;
/// How long a look that others wait for may take.
const QUICK: Duration = Duration::from_secs(3);
/// Keys listed at once.
const PAGE: usize = 1000;

/// The keys of a store, as the environment has them.
#[derive(Clone)]
pub struct Keys {
    /// The public half.
    pub id: String,
    /// The secret half.
    pub secret: String,
    /// The token of a session, where there is one.
    pub token: Option<String>,
}

impl fmt::Debug for Keys {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Keys")
    }
}

/// A bucket.
pub struct Bucket {
    client: Arc<Client>,
    address: Address,
    puts: tokio::sync::Semaphore,
    runtime: Option<Runtime>,
}

impl fmt::Debug for Bucket {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Bucket({})", self.address)
    }
}

impl Drop for Bucket {
    fn drop(&mut self) {
        if let Some(runtime) = self.runtime.take() {
            runtime.shutdown_background();
        }
    }
}

impl Bucket {
    /// A bucket by its address, which locks originals where it is told to; nothing is asked of the store yet.
    ///
    /// # Errors
    /// A sentence.
    pub fn new(address: Address, keys: &Keys, lock: Option<Lock>, random: Random) -> Result<Bucket, String> {
        let text = |e: &dyn fmt::Display| format!("the store of originals: {e}");
        let region = match &address.endpoint {
            Some(endpoint) => Region::Custom { region: address.region.clone(), endpoint: endpoint.clone() },
            None => address.region.parse().map_err(|e| text(&e))?,
        };
        let keys = Credentials::new(Some(&keys.id), Some(&keys.secret), None, keys.token.as_deref(), None);
        let bucket = S3::new(&address.bucket, region, keys.map_err(|e| text(&e))?).map_err(|e| text(&e))?;
        let bucket = if address.path_style { bucket.with_path_style() } else { bucket };
        // Tries are ours, with waits that two servers do not share.
        s3::set_retries(0);
        let runtime = Builder::new_multi_thread().worker_threads(2).thread_name("originals").enable_all().build();
        let runtime = Some(runtime.map_err(|e| text(&e))?);
        let client = Arc::new(Client::new(*bucket, address.prefix.clone(), address.timeout, lock, random));
        Ok(Bucket { client, address, puts: tokio::sync::Semaphore::new(PUTS), runtime })
    }

    /// Where it is, without how it is reached.
    pub fn address(&self) -> &Address {
        &self.address
    }

    /// Tries what the store does. Blocking.
    ///
    /// # Errors
    /// [`Away`] within, when it does not answer; a sentence, when it answers and cannot be used.
    pub fn probe(&self) -> io::Result<Result<Traits, String>> {
        let client = self.client.clone();
        self.wait(async move {
            match client.traits().await {
                Ok(traits) => Ok(Ok(traits)),
                Err(Failed::Away(why)) => Err(Failed::Away(why)),
                Err(Failed::Refused(why)) => Ok(Err(why)),
                Err(Failed::Absent | Failed::Present) => Ok(Err("there is no such bucket".to_owned())),
            }
        })
    }

    /// Whether the store answers now, by one look; and how often it did not since the start.
    pub async fn health(&self) -> (bool, u64) {
        let client = self.client.clone();
        let look = async move {
            let key = format!("{}probe/look", client.prefix);
            let looked = tokio::time::timeout(QUICK, client.size_once(&key));
            let seen = looked.await.unwrap_or_else(|_| Err(Failed::Away("it takes long".to_owned())));
            // That nothing stands there is an answer.
            let _ = client.once(async move { if seen == Err(Failed::Absent) { Ok(0) } else { seen } }).await;
            Ok(client.health())
        };
        self.run(look).await.unwrap_or((false, self.client.health().1))
    }

    /// A name for a file under way.
    pub(super) fn nonce(&self) -> u64 {
        u64::from_le_bytes(self.client.random.bytes())
    }

    fn name(&self, key: &Key) -> String {
        format!("{}{}/{}/{}", self.address.prefix, key.shop, key.shelf.folder(), key.digest.hex())
    }

    /// Puts a file whose bytes were hashed; it is held when this returns. Blocking.
    ///
    /// # Errors
    /// [`Away`] within: nothing may be said to be held.
    pub(super) fn put(self: &Arc<Bucket>, key: &Key, file: File, size: u64) -> io::Result<()> {
        let (bucket, key) = (self.clone(), *key);
        self.wait(async move {
            let _turn = bucket.puts.acquire().await;
            let locked = key.shelf == Shelf::Originals;
            bucket.client.keep(&bucket.name(&key), &file, size, &key.digest, locked).await
        })
    }

    /// How long an object is.
    pub(super) async fn size(&self, key: &Key) -> io::Result<u64> {
        let (client, name) = (self.client.clone(), self.name(key));
        self.run(async move { client.size(&name).await }).await
    }

    /// The same. Blocking.
    pub(super) fn size_now(&self, key: &Key) -> io::Result<u64> {
        let (client, name) = (self.client.clone(), self.name(key));
        self.wait(async move { client.size(&name).await })
    }

    /// Whether an object is there, by one look that takes seconds at most. Blocking.
    pub(super) fn is_there(&self, key: &Key) -> io::Result<bool> {
        let (client, name) = (self.client.clone(), self.name(key));
        self.wait(async move {
            let looked = tokio::time::timeout(QUICK, client.once(client.size_once(&name))).await;
            match looked.unwrap_or_else(|_| Err(Failed::Away("it takes long".to_owned()))) {
                Ok(_) => Ok(true),
                Err(Failed::Absent) => Ok(false),
                Err(failed) => Err(failed),
            }
        })
    }

    /// Bytes from `from` on, at most `len`, and how long the whole is.
    pub(super) async fn piece(&self, key: &Key, from: u64, len: u64) -> io::Result<(Bytes, u64)> {
        let (client, name) = (self.client.clone(), self.name(key));
        self.run(async move { client.piece(&name, from, len).await }).await
    }

    /// The same. Blocking.
    fn piece_now(&self, key: &Key, from: u64, len: u64) -> io::Result<(Bytes, u64)> {
        let (client, name) = (self.client.clone(), self.name(key));
        self.wait(async move { client.piece(&name, from, len).await })
    }

    /// Gives an object in pieces, as the store holds it now. Gives its length. Blocking.
    pub(super) fn pour(&self, key: &Key, mut each: impl FnMut(&[u8]) -> io::Result<()>) -> io::Result<u64> {
        let mut at = 0;
        loop {
            let (bytes, all) = self.piece_now(key, at, PIECE)?;
            each(&bytes)?;
            at += bytes.len() as u64;
            if at >= all {
                return Ok(at);
            }
            if bytes.is_empty() {
                return Err(io::ErrorKind::UnexpectedEof.into());
            }
        }
    }

    /// Takes an object away, all its versions too. Whether it was there. Blocking.
    pub(super) fn erase(&self, key: &Key) -> io::Result<bool> {
        let (client, name) = (self.client.clone(), self.name(key));
        self.wait(async move { client.erase(&name).await })
    }

    /// Every digest on a shelf, and how long the object is. Blocking.
    pub(super) fn listed(&self, shop: Uuid, shelf: Shelf) -> io::Result<Vec<(Digest, u64)>> {
        let (client, prefix) = (self.client.clone(), format!("{}{shop}/{}/", self.address.prefix, shelf.folder()));
        self.wait(async move {
            let (mut out, mut next) = (Vec::new(), None);
            loop {
                let (page, _) = client
                    .again(|| async {
                        let bucket = client.within(0);
                        let listed = bucket.list_page(prefix.clone(), None, next.clone(), None, Some(PAGE)).await;
                        listed.map_err(|e| of(&e, false))
                    })
                    .await?;
                let names = page.contents.iter().filter_map(|o| Some((o.key.strip_prefix(&prefix)?, o.size)));
                out.extend(names.filter_map(|(name, size)| Some((Digest::from_hex(name).ok()?, size))));
                match page.next_continuation_token.filter(|_| page.is_truncated) {
                    Some(more) if next.as_ref() != Some(&more) => next = Some(more),
                    Some(_) => return Err(Failed::Away("its list goes in a circle".to_owned())),
                    None => return Ok(out),
                }
            }
        })
    }

    /// Takes away uploads in parts of a shop that nobody finished: all, or those begun before `older`. Gives their number.
    /// Blocking.
    pub(super) fn sweep(&self, shop: Uuid, older: Option<Millis>) -> io::Result<usize> {
        let (client, prefix) = (self.client.clone(), format!("{}{shop}/", self.address.prefix));
        self.wait(async move { client.abort_left(&prefix, older).await })
    }

    /// Runs on the store's threads; whoever waits does not block.
    async fn run<T: Send + 'static>(
        &self,
        work: impl Future<Output = Result<T, Failed>> + Send + 'static,
    ) -> io::Result<T> {
        let Some(runtime) = &self.runtime else { return Err(io::Error::other("the store is closed")) };
        Ok(runtime.spawn(work).await.map_err(io::Error::other)??)
    }

    /// Runs on the store's threads and waits. Right on every thread but those.
    fn wait<T: Send + 'static>(&self, work: impl Future<Output = Result<T, Failed>> + Send + 'static) -> io::Result<T> {
        let Some(runtime) = &self.runtime else { return Err(io::Error::other("the store is closed")) };
        let (tell, told) = mpsc::sync_channel(1);
        runtime.spawn(async move {
            let _ = tell.send(work.await);
        });
        Ok(told.recv().map_err(io::Error::other)??)
    }
}
