//! Bytes on their way in: into a local file under a name of its own, counted and hashed, synced; then they get their name, or
//! go into the bucket. Only what [`Incoming::finish`] says is kept.

use std::fs::{self, File, OpenOptions};
use std::io::{self, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use evidence::digest::{Digest, Hasher};

use super::bucket::{Away, Bucket};
use super::cache::Cache;
use super::{KeepError, Key, sync_folder};
use crate::traces::step;

/// Where the bytes are kept once they are whole.
#[derive(Debug)]
pub(super) enum Lands {
    /// In the folder, under their name.
    Here,
    /// In a bucket; the file in the folder is a copy.
    Bucket(Arc<Bucket>, Arc<Cache>, Key),
}

/// Bytes on their way in. Dropped before [`Incoming::finish`], it removes its temporary file.
#[derive(Debug)]
pub struct Incoming {
    file: Option<File>,
    temporary: PathBuf,
    folder: PathBuf,
    target: PathBuf,
    expected: Digest,
    size: u64,
    exact: bool,
    written: u64,
    hasher: Hasher,
    lands: Lands,
}

/// What is to come: exactly `size` bytes, or at most, when `exact` is false.
#[derive(Clone, Copy, Debug)]
pub(super) struct Expected {
    pub(super) digest: Digest,
    pub(super) size: u64,
    pub(super) exact: bool,
}

impl Incoming {
    /// Begins a file that will stand under `name` in a durable folder.
    pub(super) fn begin(
        folder: PathBuf,
        name: &str,
        expected: Expected,
        lands: Lands,
        nonce: u64,
    ) -> io::Result<Incoming> {
        let temporary = folder.join(format!(".{name}.{nonce:016x}"));
        // Read again where the bytes go on into a bucket. A photo is nobody else's on this machine.
        let file = OpenOptions::new().read(true).write(true).create_new(true).mode(0o600).open(&temporary)?;
        let target = folder.join(name);
        let Expected { digest: expected, size, exact } = expected;
        let hasher = Hasher::new();
        Ok(Incoming { file: Some(file), temporary, folder, target, expected, size, exact, written: 0, hasher, lands })
    }

    /// Takes the next piece. Blocking.
    ///
    /// # Errors
    /// `WrongBytes` as soon as more arrives than was announced; I/O errors of the disk.
    pub fn write(&mut self, piece: &[u8]) -> Result<(), KeepError> {
        self.written += piece.len() as u64;
        if self.written > self.size {
            return Err(KeepError::WrongBytes);
        }
        self.hasher.update(piece);
        match &mut self.file {
            Some(file) => Ok(file.write_all(piece)?),
            None => Err(io::Error::other("already finished").into()),
        }
    }

    /// Checks length and hash, syncs, renames, syncs the folder; or puts into the bucket. Blocking. The bytes are durable after
    /// it.
    ///
    /// # Errors
    /// `WrongBytes` when length or hash differ; I/O errors of the disk; `Away` when the bucket does not hold them.
    pub fn finish(self) -> Result<u64, KeepError> {
        let bucket = matches!(self.lands, Lands::Bucket(..));
        let step = step!("store put", bytes = self.written, bucket, failed = tracing::field::Empty);
        let done = step.in_scope(|| self.finished());
        step.record("failed", matches!(done, Err(KeepError::Io(_) | KeepError::Away(_))));
        done
    }

    fn finished(mut self) -> Result<u64, KeepError> {
        let hash = std::mem::replace(&mut self.hasher, Hasher::new()).finish();
        if (self.exact && self.written != self.size) || hash != self.expected {
            return Err(KeepError::WrongBytes);
        }
        let Some(file) = self.file.take() else { return Err(io::Error::other("already finished").into()) };
        file.sync_all()?;
        fs::rename(&self.temporary, &self.target)?;
        match &self.lands {
            Lands::Here => sync_folder(&self.folder)?,
            Lands::Bucket(bucket, cache, key) => {
                // The copy first: whoever erases takes the object away and then the copy, so none stays behind alone.
                cache.added(self.written);
                if let Err(e) = bucket.put(key, file, self.written) {
                    cache.remove(key)?;
                    return Err(KeepError::from_store(e));
                }
            }
        }
        Ok(self.written)
    }
}

impl KeepError {
    /// A store that does not answer is told from a disk that refuses.
    fn from_store(e: io::Error) -> KeepError {
        match e.get_ref().and_then(|e| e.downcast_ref::<Away>()) {
            Some(Away(why)) => KeepError::Away(why.clone()),
            None => KeepError::Io(e),
        }
    }
}

impl Drop for Incoming {
    fn drop(&mut self) {
        // After a rename there is nothing left under this name; an error here has nobody to tell.
        let _ = fs::remove_file(&self.temporary);
    }
}

/// Fetches an object into a copy, hashed on the way, and gives it at its begin. Blocking.
pub(super) fn fetch(bucket: &Bucket, cache: &Cache, key: &Key) -> io::Result<File> {
    let nonce = bucket.nonce();
    let path = cache.folder().join(Cache::name(key));
    let temporary = cache.folder().join(format!(".{}.{nonce:016x}", Cache::name(key)));
    let file = OpenOptions::new().read(true).write(true).create_new(true).mode(0o600).open(&temporary)?;
    let fetched = pour(bucket, key, &file).and_then(|len| {
        fs::rename(&temporary, &path)?;
        cache.added(len);
        // Erased while it was fetched: the copy goes too.
        match bucket.is_there(key) {
            Ok(true) => Ok(()),
            Ok(false) => cache.remove(key).and_then(|()| Err(io::ErrorKind::NotFound.into())),
            Err(e) => cache.remove(key).and(Err(e)),
        }
    });
    if fetched.is_err() {
        remove(&temporary)?;
    }
    fetched?;
    io::Seek::rewind(&mut &file)?;
    Ok(file)
}

fn remove(path: &Path) -> io::Result<()> {
    match fs::remove_file(path) {
        Err(e) if e.kind() != io::ErrorKind::NotFound => Err(e),
        _ => Ok(()),
    }
}

fn pour(bucket: &Bucket, key: &Key, mut file: &File) -> io::Result<u64> {
    let mut hasher = Hasher::new();
    let len = bucket.pour(key, |bytes| {
        hasher.update(bytes);
        file.write_all(bytes)
    })?;
    if hasher.finish() == key.digest {
        return Ok(len);
    }
    Err(io::Error::new(io::ErrorKind::InvalidData, "the store holds other bytes than the key says"))
}
