//! Copies on the local disk of what a bucket holds: what has just come or was just fetched, for whoever needs a file. A bounded
//! number of bytes; the oldest go first. Nothing depends on them: the bucket alone says what is held.

use std::fs::{self, File};
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Mutex;

use super::{Key, make_folder};

/// Bytes kept at most; what is being written comes on top, as many uploads as there may be.
const MOST: u64 = 1024 * 1024 * 1024;
/// What a file counts at least, so that many small ones are bounded too.
const LEAST: u64 = 16 * 1024;

/// The folder of copies.
#[derive(Debug)]
pub(super) struct Cache {
    folder: PathBuf,
    most: u64,
    /// What the folder holds, as far as this process knows.
    held: Mutex<u64>,
}

impl Cache {
    /// Opens the folder; what lies in it from before counts.
    pub(super) fn open(folder: &Path) -> io::Result<Cache> {
        make_folder(folder)?;
        let cache = Cache { folder: folder.to_owned(), most: MOST, held: Mutex::new(0) };
        cache.trim()?;
        Ok(cache)
    }

    /// Where copies stand.
    pub(super) fn folder(&self) -> &Path {
        &self.folder
    }

    /// A copy's name.
    pub(super) fn name(key: &Key) -> String {
        format!("{}.{}.{}", key.shop, key.shelf.folder(), key.digest.hex())
    }

    /// A copy, if it is here. Once open it can be read to its end, whatever happens to its name.
    pub(super) fn file(&self, key: &Key) -> Option<File> {
        File::open(self.folder.join(Cache::name(key))).ok()
    }

    /// A copy of so many bytes was put here; the oldest ones make room.
    pub(super) fn added(&self, bytes: u64) {
        let full = self.held.lock().is_ok_and(|mut held| {
            *held += bytes.max(LEAST);
            *held > self.most
        });
        if full && let Err(e) = self.trim() {
            tracing::warn!(error = %e, "copies of originals could not be taken away");
        }
    }

    /// Takes a copy away. What is not here is fine.
    pub(super) fn remove(&self, key: &Key) -> io::Result<()> {
        match fs::remove_file(self.folder.join(Cache::name(key))) {
            Err(e) if e.kind() != io::ErrorKind::NotFound => Err(e),
            _ => Ok(()),
        }
    }

    /// Counts what is here, and takes the oldest away until three quarters are left where it is too much.
    fn trim(&self) -> io::Result<()> {
        let mut all = Vec::new();
        for entry in fs::read_dir(&self.folder)? {
            let entry = entry?;
            // Another process took it away, or it is under way.
            let Ok(meta) = entry.metadata() else { continue };
            if !entry.file_name().to_string_lossy().starts_with('.') {
                all.push((meta.modified()?, meta.len().max(LEAST), entry.path()));
            }
        }
        all.sort();
        let mut held: u64 = all.iter().map(|(_, len, _)| len).sum();
        if held > self.most {
            for (_, len, path) in &all {
                if held <= self.most / 4 * 3 {
                    break;
                }
                match fs::remove_file(path) {
                    Err(e) if e.kind() != io::ErrorKind::NotFound => return Err(e),
                    _ => held -= len,
                }
            }
        }
        if let Ok(mut known) = self.held.lock() {
            *known = held;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use evidence::digest::Digest;
    use uuid::Uuid;

    use super::super::Shelf;
    use super::*;

    #[test]
    fn copies_are_bounded_and_an_open_one_is_read_to_its_end() {
        let home = tempfile::tempdir().unwrap();
        let mut cache = Cache::open(home.path()).unwrap();
        cache.most = 10 * LEAST;
        let key = |n: u8| Key { shop: Uuid::nil(), shelf: Shelf::Originals, digest: Digest::of(&[n]) };
        fs::write(home.path().join(Cache::name(&key(0))), [7; 100]).unwrap();
        cache.added(100);
        let first = cache.file(&key(0)).unwrap();
        for n in 1..40 {
            fs::write(home.path().join(Cache::name(&key(n))), [n; 100]).unwrap();
            cache.added(100);
        }
        let left = fs::read_dir(home.path()).unwrap().count();
        assert!((5..=11).contains(&left), "{left}");
        let gone = (0..40).find(|n| cache.file(&key(*n)).is_none()).expect("one was taken away");
        cache.remove(&key(gone)).unwrap();
        assert_eq!(io::read_to_string(first).unwrap().len(), 100);
        assert_eq!(*cache.held.lock().unwrap(), (left as u64) * LEAST);
    }
}
