//! Where bytes are kept: originals under their SHA-256, never rewritten, and renditions made from them; in folders, or in a
//! bucket. Nobody else knows which.
//!
//! The write order is the promise: temporary file in the same folder, length and hash checked, file synced, renamed,
//! folder synced; or put into the bucket, which holds it. Only then may an entry say that the bytes are held.

mod bucket;
mod cache;
pub mod carry;
mod checkpoints;
pub mod erased;
mod incoming;
pub mod leftover;
pub mod outside;
pub mod parts;
pub mod place;
mod shelves;
mod source;

use std::collections::HashSet;
use std::fs::{self, File, OpenOptions};
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};

use evidence::digest::Digest;
use uuid::Uuid;

pub use bucket::{Address, Away, Bucket, Keys, Lock, Traits};
use cache::Cache;
pub use incoming::Incoming;
use incoming::{Expected, Lands};
pub use source::Source;

/// The store of one installation: one folder a shop.
#[derive(Clone, Debug)]
pub struct Originals {
    root: Arc<PathBuf>,
    store: Store,
    /// Folders whose names were synced by this process; one that merely exists may not survive a power cut.
    durable: Arc<Mutex<HashSet<PathBuf>>>,
}

/// Where the shelves are. Everything else, what is under way too, lies in the root.
#[derive(Clone, Debug)]
enum Store {
    /// In the root.
    Folder,
    /// In a bucket, with copies of some on the local disk.
    Bucket(Arc<Bucket>, Arc<Cache>),
}

/// One file on a shelf.
#[derive(Clone, Copy, Debug)]
struct Key {
    shop: Uuid,
    shelf: Shelf,
    digest: Digest,
}

/// What a folder of a shop holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Shelf {
    /// The bytes as sent.
    Originals,
    /// Copies made from them; they can be made again.
    Renditions,
}

impl Shelf {
    fn folder(self) -> &'static str {
        match self {
            Shelf::Originals => "originals",
            Shelf::Renditions => "renditions",
        }
    }
}

/// Why bytes were not kept.
#[derive(Debug, thiserror::Error)]
pub enum KeepError {
    /// The bytes are not the ones announced.
    #[error("the bytes that arrived are not the ones announced")]
    WrongBytes,
    /// The disk refused.
    #[error(transparent)]
    Io(#[from] io::Error),
    /// The bucket does not hold them, and may later.
    #[error("the store of originals does not answer rightly: {0}")]
    Away(String),
}

/// Whether a read or write failed because the store does not answer now.
pub fn is_away(e: &io::Error) -> bool {
    e.get_ref().is_some_and(|e| e.is::<Away>())
}

impl Originals {
    /// Opens the store below `root`.
    ///
    /// # Errors
    /// When the folder cannot be made or synced.
    pub fn open(root: &Path) -> io::Result<Originals> {
        make_folder(root)?;
        Ok(Originals { root: Arc::new(root.to_owned()), store: Store::Folder, durable: Arc::default() })
    }

    /// The same with the shelves in a bucket, and copies of what was lately needed in the folder `copies`.
    ///
    /// # Errors
    /// When a folder cannot be made or read.
    pub fn in_bucket(root: &Path, bucket: Bucket, copies: &Path) -> io::Result<Originals> {
        let store = Store::Bucket(Arc::new(bucket), Arc::new(Cache::open(copies)?));
        Ok(Originals { store, ..Originals::open(root)? })
    }

    /// The bucket, where there is one.
    pub fn bucket(&self) -> Option<&Bucket> {
        match &self.store {
            Store::Folder => None,
            Store::Bucket(bucket, _) => Some(bucket),
        }
    }

    /// The folder of all shops.
    pub fn root(&self) -> &Path {
        &self.root
    }

    /// The folder of a shop.
    pub fn shop(&self, shop: Uuid) -> PathBuf {
        self.root.join(shop.to_string())
    }

    fn folder(&self, key: &Key) -> PathBuf {
        let hex = key.digest.hex();
        self.shop(key.shop).join(key.shelf.folder()).join(&hex[..2])
    }

    /// Makes a folder below the root once a process, syncing every name on the way.
    fn durable_folder(&self, folder: &Path) -> io::Result<()> {
        let known = |f: &Path| self.durable.lock().map(|d| d.contains(f)).unwrap_or(false);
        if known(folder) || folder == self.root.as_path() {
            return Ok(());
        }
        if let Some(parent) = folder.parent() {
            self.durable_folder(parent)?;
            make_folder(folder)?;
            sync_folder(parent)?;
        }
        if let Ok(mut durable) = self.durable.lock() {
            durable.insert(folder.to_owned());
        }
        Ok(())
    }

    /// Where a file stands or would stand in the folders.
    fn path(&self, key: &Key) -> PathBuf {
        self.folder(key).join(key.digest.hex())
    }

    /// Begins to take bytes: exactly `size` of them, or at most, when `exact` is false. `nonce` names the temporary
    /// file. Blocking.
    ///
    /// # Errors
    /// When the disk refuses.
    pub fn begin(
        &self,
        shop: Uuid,
        shelf: Shelf,
        expected: Digest,
        size: u64,
        exact: bool,
        nonce: u64,
    ) -> io::Result<Incoming> {
        let key = Key { shop, shelf, digest: expected };
        let expected = Expected { digest: expected, size, exact };
        match &self.store {
            Store::Folder => {
                let folder = self.folder(&key);
                self.durable_folder(&folder)?;
                Incoming::begin(folder, &key.digest.hex(), expected, Lands::Here, nonce)
            }
            Store::Bucket(bucket, cache) => {
                let lands = Lands::Bucket(bucket.clone(), cache.clone(), key);
                Incoming::begin(cache.folder().to_owned(), &Cache::name(&key), expected, lands, nonce)
            }
        }
    }

    /// Keeps bytes that are in memory. Blocking.
    ///
    /// # Errors
    /// When the disk refuses.
    pub fn keep(&self, shop: Uuid, shelf: Shelf, bytes: &[u8], nonce: u64) -> Result<Digest, KeepError> {
        let digest = Digest::of(bytes);
        let mut incoming = self.begin(shop, shelf, digest, bytes.len() as u64, true, nonce)?;
        incoming.write(bytes)?;
        incoming.finish()?;
        Ok(digest)
    }
}

/// What stands in a folder, but for files under way; nothing when it is a file or absent.
fn names(folder: &Path) -> io::Result<Vec<String>> {
    if !folder.is_dir() {
        return Ok(Vec::new());
    }
    let mut out = Vec::new();
    for entry in fs::read_dir(folder)? {
        let name = entry?.file_name().to_string_lossy().into_owned();
        if !name.starts_with('.') {
            out.push(name);
        }
    }
    out.sort();
    Ok(out)
}

/// Makes a folder and the missing ones above it, and syncs each parent so that the names survive a power cut.
///
/// # Errors
/// When the disk refuses.
pub fn make_folder(folder: &Path) -> io::Result<()> {
    if folder.is_dir() {
        return Ok(());
    }
    if let Some(parent) = folder.parent().filter(|p| !p.as_os_str().is_empty()) {
        make_folder(parent)?;
    }
    match fs::create_dir(folder) {
        Ok(()) => {}
        Err(e) if e.kind() == io::ErrorKind::AlreadyExists => {}
        Err(e) => return Err(e),
    }
    match folder.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => sync_folder(parent),
        _ => sync_folder(Path::new(".")),
    }
}

/// Whether a small file can be written and synced there now; it is taken away again.
///
/// # Errors
/// What the disk says.
pub fn takes_writes(folder: &Path) -> io::Result<()> {
    let probe = folder.join(".probe");
    let mut file = OpenOptions::new().write(true).create(true).truncate(true).open(&probe)?;
    file.write_all(b"ready?").and_then(|()| file.sync_all())?;
    fs::remove_file(probe)
}

/// Syncs a folder's names.
///
/// # Errors
/// When the disk refuses.
pub fn sync_folder(folder: &Path) -> io::Result<()> {
    File::open(folder)?.sync_all()
}

fn replace(folder: &Path, target: &Path, bytes: &[u8], nonce: u64) -> io::Result<()> {
    let temporary = folder.join(format!(".{nonce:016x}"));
    let mut file = OpenOptions::new().write(true).create_new(true).open(&temporary)?;
    file.write_all(bytes)?;
    file.sync_all()?;
    drop(file);
    fs::rename(&temporary, target)?;
    sync_folder(folder)
}
