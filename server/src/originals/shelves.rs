//! What stands on the shelves: read, measured, hashed again, listed, taken away; and what a crash left beside it.

use std::fs::{self, File};
use std::io::{self, Read};
use std::path::{Path, PathBuf};

use evidence::digest::{Digest, Hasher};
use uuid::Uuid;

use super::{Key, Originals, Shelf, Store, incoming, sync_folder};
use crate::traces::step;

/// Bytes read of a file at once.
const PIECE: usize = 256 * 1024;

impl Originals {
    /// A file to be read from its begin; of a bucket, a local copy, fetched and hashed where there is none. Blocking.
    ///
    /// # Errors
    /// When it is not there or cannot be read.
    pub fn file(&self, shop: Uuid, shelf: Shelf, digest: &Digest) -> io::Result<File> {
        let key = Key { shop, shelf, digest: *digest };
        let _step = step!("store get", bucket = self.bucket().is_some()).entered();
        match &self.store {
            Store::Folder => File::open(self.path(&key)),
            Store::Bucket(bucket, cache) => match cache.file(&key) {
                Some(file) => Ok(file),
                None => incoming::fetch(bucket, cache, &key),
            },
        }
    }

    /// Reads a whole file. Blocking.
    ///
    /// # Errors
    /// When it is not there or cannot be read.
    pub fn read(&self, shop: Uuid, shelf: Shelf, digest: &Digest) -> io::Result<Vec<u8>> {
        let mut bytes = Vec::new();
        self.file(shop, shelf, digest)?.read_to_end(&mut bytes)?;
        Ok(bytes)
    }

    /// How long a file is. Blocking, and quick.
    ///
    /// # Errors
    /// When it is not there, or disk or store do not tell.
    pub fn size(&self, shop: Uuid, shelf: Shelf, digest: &Digest) -> io::Result<u64> {
        let key = Key { shop, shelf, digest: *digest };
        match &self.store {
            Store::Folder => Ok(fs::metadata(self.path(&key))?.len()),
            Store::Bucket(bucket, _) => bucket.size_now(&key),
        }
    }

    /// Whether a file is there. Blocking, and quick: a bucket is asked once.
    ///
    /// # Errors
    /// When a bucket does not tell.
    pub fn is_there(&self, shop: Uuid, shelf: Shelf, digest: &Digest) -> io::Result<bool> {
        let key = Key { shop, shelf, digest: *digest };
        match &self.store {
            Store::Folder => Ok(self.path(&key).is_file()),
            Store::Bucket(bucket, _) => bucket.is_there(&key),
        }
    }

    /// Takes away an original that no entry says is held. Blocking.
    ///
    /// # Errors
    /// When disk or store refuse.
    pub fn discard(&self, shop: Uuid, digest: &Digest) -> io::Result<()> {
        let key = Key { shop, shelf: Shelf::Originals, digest: *digest };
        match &self.store {
            Store::Folder => fs::remove_file(self.path(&key)),
            Store::Bucket(..) => self.erase(shop, key.shelf, digest).map(drop),
        }
    }

    /// Takes away a file that was erased, durably, with every version of it. Says whether it was there. Blocking.
    ///
    /// # Errors
    /// When disk or store refuse.
    pub fn erase(&self, shop: Uuid, shelf: Shelf, digest: &Digest) -> io::Result<bool> {
        let key = Key { shop, shelf, digest: *digest };
        match &self.store {
            Store::Folder => match fs::remove_file(self.path(&key)) {
                Ok(()) => sync_folder(&self.folder(&key)).map(|()| true),
                Err(e) if e.kind() == io::ErrorKind::NotFound => Ok(false),
                Err(e) => Err(e),
            },
            Store::Bucket(bucket, cache) => {
                // The copy goes too when the bucket does not answer; it is looked for again after the bucket.
                cache.remove(&key)?;
                let was = bucket.erase(&key)?;
                cache.remove(&key)?;
                Ok(was)
            }
        }
    }

    /// Gives a file in pieces from where it is kept, past every copy of it. Gives its length. Blocking.
    ///
    /// # Errors
    /// When it is not there or cannot be read; what `each` fails with.
    pub fn pour(
        &self,
        shop: Uuid,
        shelf: Shelf,
        digest: &Digest,
        mut each: impl FnMut(&[u8]) -> io::Result<()>,
    ) -> io::Result<u64> {
        let key = Key { shop, shelf, digest: *digest };
        if let Store::Bucket(bucket, _) = &self.store {
            return bucket.pour(&key, each);
        }
        let mut file = File::open(self.path(&key))?;
        let (mut piece, mut at) = (vec![0u8; PIECE], 0);
        loop {
            let n = file.read(&mut piece)?;
            if n == 0 {
                return Ok(at);
            }
            each(&piece[..n])?;
            at += n as u64;
        }
    }

    /// Hashes an original again where it is kept. Blocking.
    ///
    /// # Errors
    /// When it is not there or cannot be read.
    pub fn rehash(&self, shop: Uuid, digest: &Digest) -> io::Result<Digest> {
        self.rehash_on(shop, Shelf::Originals, digest)
    }

    /// The same on either shelf.
    pub(super) fn rehash_on(&self, shop: Uuid, shelf: Shelf, digest: &Digest) -> io::Result<Digest> {
        let mut hasher = Hasher::new();
        self.pour(shop, shelf, digest, |piece| {
            hasher.update(piece);
            Ok(())
        })?;
        Ok(hasher.finish())
    }

    /// Takes away what a crash left half written: all of it, or what was last written to before `older` (milliseconds since
    /// 1970, UTC), since what is younger is an upload under way. Gives their number. Blocking.
    ///
    /// # Errors
    /// When a folder cannot be read, or the disk refuses.
    pub fn sweep(&self, shop: Uuid, older: Option<i64>) -> io::Result<usize> {
        let mut swept = 0;
        for path in self.half_written(shop, older)? {
            match fs::remove_file(path) {
                Ok(()) => swept += 1,
                // Another process did the same.
                Err(e) if e.kind() == io::ErrorKind::NotFound => {}
                Err(e) => return Err(e),
            }
        }
        Ok(swept)
    }

    /// What that would be. Blocking.
    ///
    /// # Errors
    /// When a folder cannot be read.
    pub fn half_written(&self, shop: Uuid, older: Option<i64>) -> io::Result<Vec<PathBuf>> {
        fn below(folder: &Path, begins: &str, older: Option<i64>, out: &mut Vec<PathBuf>) -> io::Result<()> {
            for entry in fs::read_dir(folder)? {
                let entry = entry?;
                if entry.file_type()?.is_dir() {
                    below(&entry.path(), begins, older, out)?;
                } else if entry.file_name().to_string_lossy().starts_with(begins) && left_lying(&entry, older)? {
                    out.push(entry.path());
                }
            }
            Ok(())
        }
        let (folder, mut out) = (self.shop(shop), Vec::new());
        if folder.is_dir() {
            below(&folder, ".", older, &mut out)?;
        }
        if let Store::Bucket(_, cache) = &self.store {
            below(cache.folder(), &format!(".{shop}."), older, &mut out)?;
        }
        Ok(out)
    }

    /// The same in a bucket: uploads in parts that nobody finished. Blocking.
    ///
    /// # Errors
    /// When the store does not answer.
    pub fn sweep_bucket(&self, shop: Uuid, older: Option<i64>) -> io::Result<usize> {
        match &self.store {
            Store::Folder => Ok(0),
            Store::Bucket(bucket, _) => bucket.sweep(shop, older),
        }
    }

    /// The shops that have anything here. Of a bucket too: every shop has its checkpoints in the folder. Blocking.
    ///
    /// # Errors
    /// When the folder cannot be read.
    pub fn shops(&self) -> io::Result<Vec<Uuid>> {
        Ok(super::names(&self.root)?.iter().filter_map(|name| name.parse().ok()).collect())
    }

    /// Every file of a shelf, by its digest. Blocking.
    ///
    /// # Errors
    /// When a folder cannot be read.
    pub fn list(&self, shop: Uuid, shelf: Shelf) -> io::Result<Vec<Digest>> {
        Ok(self.listed(shop, shelf)?.into_iter().map(|(digest, _)| digest).collect())
    }

    /// The same with how long each is.
    ///
    /// # Errors
    /// When a folder cannot be read.
    pub fn listed(&self, shop: Uuid, shelf: Shelf) -> io::Result<Vec<(Digest, u64)>> {
        if let Store::Bucket(bucket, _) = &self.store {
            return bucket.listed(shop, shelf);
        }
        let mut out = Vec::new();
        let top = self.shop(shop).join(shelf.folder());
        if !top.exists() {
            return Ok(out);
        }
        for folder in fs::read_dir(top)? {
            let folder = folder?.path();
            if !folder.is_dir() {
                continue;
            }
            for file in fs::read_dir(folder)? {
                let file = file?;
                let Some(digest) = file.file_name().to_str().and_then(|n| Digest::from_hex(n).ok()) else { continue };
                match file.metadata() {
                    Ok(about) => out.push((digest, about.len())),
                    // Erased meanwhile.
                    Err(e) if e.kind() == io::ErrorKind::NotFound => {}
                    Err(e) => return Err(e),
                }
            }
        }
        Ok(out)
    }
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
