//! Where bytes are kept: originals under their SHA-256, never rewritten, and renditions made from them.
//!
//! The write order is the promise: temporary file in the same folder, length and hash checked, file synced, renamed,
//! folder synced. Only then may an entry say that the bytes are held.

pub mod erased;
pub mod leftover;
pub mod outside;
pub mod parts;

use std::collections::HashSet;
use std::fs::{self, File, OpenOptions};
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};

use evidence::digest::{Digest, Hasher};
use uuid::Uuid;

/// The store of one installation: one folder a shop.
#[derive(Clone, Debug)]
pub struct Originals {
    root: Arc<PathBuf>,
    /// Folders whose names were synced by this process; one that merely exists may not survive a power cut.
    durable: Arc<Mutex<HashSet<PathBuf>>>,
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
}

impl Originals {
    /// Opens the store below `root`.
    ///
    /// # Errors
    /// When the folder cannot be made or synced.
    pub fn open(root: &Path) -> io::Result<Originals> {
        make_folder(root)?;
        Ok(Originals { root: Arc::new(root.to_owned()), durable: Arc::default() })
    }

    /// The folder of all shops.
    pub fn root(&self) -> &Path {
        &self.root
    }

    /// The folder of a shop.
    pub fn shop(&self, shop: Uuid) -> PathBuf {
        self.root.join(shop.to_string())
    }

    fn folder(&self, shop: Uuid, shelf: Shelf, digest: &Digest) -> PathBuf {
        let hex = digest.hex();
        self.shop(shop).join(shelf.folder()).join(&hex[..2])
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

    /// Where a file stands or would stand.
    pub fn path(&self, shop: Uuid, shelf: Shelf, digest: &Digest) -> PathBuf {
        self.folder(shop, shelf, digest).join(digest.hex())
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
        let folder = self.folder(shop, shelf, &expected);
        self.durable_folder(&folder)?;
        Incoming::begin(folder, &expected.hex(), expected, size, exact, nonce)
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

    /// Reads a whole file. Blocking.
    ///
    /// # Errors
    /// When it is not there or cannot be read.
    pub fn read(&self, shop: Uuid, shelf: Shelf, digest: &Digest) -> io::Result<Vec<u8>> {
        fs::read(self.path(shop, shelf, digest))
    }

    /// Whether a file is there. Blocking, and quick.
    pub fn is_there(&self, shop: Uuid, shelf: Shelf, digest: &Digest) -> bool {
        self.path(shop, shelf, digest).is_file()
    }

    /// Takes away an original that no entry says is held. Blocking.
    ///
    /// # Errors
    /// When the disk refuses.
    pub fn discard(&self, shop: Uuid, digest: &Digest) -> io::Result<()> {
        fs::remove_file(self.path(shop, Shelf::Originals, digest))
    }

    /// Takes away a file that was erased, durably. Says whether it was there. Blocking.
    ///
    /// # Errors
    /// When the disk refuses.
    pub fn erase(&self, shop: Uuid, shelf: Shelf, digest: &Digest) -> io::Result<bool> {
        match fs::remove_file(self.path(shop, shelf, digest)) {
            Ok(()) => sync_folder(&self.folder(shop, shelf, digest)).map(|()| true),
            Err(e) if e.kind() == io::ErrorKind::NotFound => Ok(false),
            Err(e) => Err(e),
        }
    }

    /// Hashes a file again, in pieces. Blocking.
    ///
    /// # Errors
    /// When it is not there or cannot be read.
    pub fn rehash(&self, shop: Uuid, digest: &Digest) -> io::Result<Digest> {
        let mut file = File::open(self.path(shop, Shelf::Originals, digest))?;
        let mut hasher = Hasher::new();
        let mut piece = vec![0u8; 256 * 1024];
        loop {
            let n = io::Read::read(&mut file, &mut piece)?;
            if n == 0 {
                return Ok(hasher.finish());
            }
            hasher.update(&piece[..n]);
        }
    }

    /// Publishes a checkpoint: create-only under its epoch and size, then as the newest. Blocking.
    ///
    /// # Errors
    /// When the disk refuses, or another checkpoint of the same size was published.
    pub fn publish(&self, shop: Uuid, epoch: u64, size: u64, note: &str, nonce: u64) -> io::Result<()> {
        let folder = self.shop(shop).join("checkpoints").join(epoch.to_string());
        self.durable_folder(&folder)?;
        let own = folder.join(size.to_string());
        match fs::read_to_string(&own) {
            // Another note of this size is a fork and must be seen.
            Ok(there) if there != note => {
                return Err(io::Error::other("another checkpoint of this size was published before"));
            }
            Ok(_) => sync_folder(&folder)?,
            // Whole or not at all: a later start publishes a later one, and nobody would mend this one.
            Err(e) if e.kind() == io::ErrorKind::NotFound => replace(&folder, &own, note.as_bytes(), nonce)?,
            Err(e) => return Err(e),
        }
        let newest = self.shop(shop).join("checkpoints");
        replace(&newest, &newest.join("newest"), note.as_bytes(), nonce)
    }

    /// The newest checkpoint published, if any. Blocking.
    ///
    /// # Errors
    /// When it is there but cannot be read.
    pub fn newest_checkpoint(&self, shop: Uuid) -> io::Result<Option<String>> {
        match fs::read_to_string(self.shop(shop).join("checkpoints").join("newest")) {
            Ok(note) => Ok(Some(note)),
            Err(e) if e.kind() == io::ErrorKind::NotFound => Ok(None),
            Err(e) => Err(e),
        }
    }

    /// Every published checkpoint of a shop: `<epoch>/<size>` and the note. Blocking.
    ///
    /// # Errors
    /// When one cannot be read.
    pub fn checkpoints(&self, shop: Uuid) -> io::Result<Vec<(String, String)>> {
        let top = self.shop(shop).join("checkpoints");
        let mut out = Vec::new();
        for epoch in names(&top)? {
            for size in names(&top.join(&epoch))? {
                let bytes = fs::read(top.join(&epoch).join(&size))?;
                out.push((format!("{epoch}/{size}"), String::from_utf8_lossy(&bytes).into_owned()));
            }
        }
        Ok(out)
    }

    /// Takes away what a crash left half written: all of it, or what was last written to before `older` (milliseconds since
    /// 1970, UTC), since what is younger is an upload under way. Gives their number. Blocking.
    ///
    /// # Errors
    /// When a folder cannot be read, or the disk refuses.
    pub fn sweep(&self, shop: Uuid, older: Option<i64>) -> io::Result<usize> {
        fn below(folder: &Path, older: Option<i64>) -> io::Result<usize> {
            let mut swept = 0;
            for entry in fs::read_dir(folder)? {
                let entry = entry?;
                if entry.file_type()?.is_dir() {
                    swept += below(&entry.path(), older)?;
                } else if entry.file_name().to_string_lossy().starts_with('.') && left_lying(&entry, older)? {
                    match fs::remove_file(entry.path()) {
                        Ok(()) => swept += 1,
                        // Another process did the same.
                        Err(e) if e.kind() == io::ErrorKind::NotFound => {}
                        Err(e) => return Err(e),
                    }
                }
            }
            Ok(swept)
        }
        let folder = self.shop(shop);
        if folder.is_dir() { below(&folder, older) } else { Ok(0) }
    }

    /// Every original of a shop, by name. Blocking.
    ///
    /// # Errors
    /// When a folder cannot be read.
    pub fn list(&self, shop: Uuid) -> io::Result<Vec<Digest>> {
        let mut out = Vec::new();
        let top = self.shop(shop).join(Shelf::Originals.folder());
        if !top.exists() {
            return Ok(out);
        }
        for folder in fs::read_dir(top)? {
            let folder = folder?.path();
            if !folder.is_dir() {
                continue;
            }
            for file in fs::read_dir(folder)? {
                if let Some(digest) = file?.file_name().to_str().and_then(|n| Digest::from_hex(n).ok()) {
                    out.push(digest);
                }
            }
        }
        Ok(out)
    }
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
}

impl Incoming {
    /// Begins a file that will stand under `name` in a durable folder.
    fn begin(
        folder: PathBuf,
        name: &str,
        expected: Digest,
        size: u64,
        exact: bool,
        nonce: u64,
    ) -> io::Result<Incoming> {
        let temporary = folder.join(format!(".{name}.{nonce:016x}"));
        let file = OpenOptions::new().write(true).create_new(true).open(&temporary)?;
        let target = folder.join(name);
        let hasher = Hasher::new();
        Ok(Incoming { file: Some(file), temporary, folder, target, expected, size, exact, written: 0, hasher })
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

    /// Checks length and hash, syncs, renames, syncs the folder. Blocking. The bytes are durable after it.
    ///
    /// # Errors
    /// `WrongBytes` when length or hash differ; I/O errors of the disk.
    pub fn finish(mut self) -> Result<u64, KeepError> {
        let hash = std::mem::replace(&mut self.hasher, Hasher::new()).finish();
        if (self.exact && self.written != self.size) || hash != self.expected {
            return Err(KeepError::WrongBytes);
        }
        if let Some(file) = self.file.take() {
            file.sync_all()?;
        }
        fs::rename(&self.temporary, &self.target)?;
        sync_folder(&self.folder)?;
        Ok(self.written)
    }
}

impl Drop for Incoming {
    fn drop(&mut self) {
        // After a rename there is nothing left under this name; an error here has nobody to tell.
        let _ = fs::remove_file(&self.temporary);
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

/// Whether nothing was written to a file since `older`; always, where nothing is asked.
fn left_lying(entry: &fs::DirEntry, older: Option<i64>) -> io::Result<bool> {
    let Some(older) = older else { return Ok(true) };
    match entry.metadata().and_then(|m| m.modified()) {
        Ok(at) => {
            let at = at.duration_since(std::time::UNIX_EPOCH).map_or(0, |d| d.as_millis());
            Ok(i64::try_from(at).unwrap_or(i64::MAX) < older)
        }
        // Renamed or taken away meanwhile.
        Err(e) if e.kind() == io::ErrorKind::NotFound => Ok(false),
        Err(e) => Err(e),
    }
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
