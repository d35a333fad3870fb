//! The files of an installation, from one data folder to another: everything but the database and what is half written. What
//! bears its digest as its name is hashed, also where it is there already; everything else is compared byte by byte.

use std::ffi::OsStr;
use std::fs::{self, File};
use std::io::{self, Read, Write};
use std::path::{Component, Path, PathBuf};

use evidence::digest::{Digest, Hasher};

use crate::backup::{DATABASE, below, whole};

/// Bytes read at once.
const PIECE: usize = 1 << 18;
/// So many files are brought between two lines that tell of them.
const OFTEN: u64 = 200;

/// What was done.
#[derive(Debug, Default, PartialEq, Eq)]
pub(super) struct Brought {
    /// Files copied now.
    pub copied: u64,
    /// Files that were there and right.
    pub kept: u64,
    /// Files that are not what their name says: a sentence each.
    pub faults: Vec<String>,
}

/// Brings every file. Blocking.
///
/// # Errors
/// The disk's.
pub(super) fn bring(from: &Path, to: &Path, say: impl Fn(&str)) -> io::Result<Brought> {
    let mut done = Brought::default();
    if super::one_folder(from, to) {
        return Ok(done);
    }
    if matches!((from.canonicalize(), to.canonicalize()), (Ok(a), Ok(b)) if a.starts_with(&b) || b.starts_with(&a)) {
        return Err(io::Error::other("the one folder lies in the other"));
    }
    for path in below(from)? {
        if is_database(&path) {
            continue;
        }
        match named(&path) {
            Some(digest) => shelved(from, to, &path, &digest, &mut done)?,
            None => other(from, to, &path, &mut done)?,
        }
        if (done.copied + done.kept).is_multiple_of(OFTEN) {
            say(&format!("{} files are there", done.copied + done.kept));
        }
    }
    Ok(done)
}

/// The database's own files, which are copied table by table.
fn is_database(path: &Path) -> bool {
    path.components().count() == 1 && path.file_name().is_some_and(|n| n.to_string_lossy().starts_with(DATABASE))
}

/// The digest that a file on a shelf is called by: `shops/<shop>/originals|renditions/<xx>/<digest>`.
fn named(path: &Path) -> Option<Digest> {
    let parts: Vec<&OsStr> = path.components().map(Component::as_os_str).collect();
    match parts.as_slice() {
        [top, _, shelf, _, name] if *top == "shops" && (*shelf == "originals" || *shelf == "renditions") => {
            Digest::from_hex(name.to_str()?).ok()
        }
        _ => None,
    }
}

fn shelved(from: &Path, to: &Path, path: &Path, digest: &Digest, done: &mut Brought) -> io::Result<()> {
    if let Ok(file) = File::open(to.join(path))
        && hashed(file, |_| Ok(()))? == *digest
    {
        done.kept += 1;
        return Ok(());
    }
    let source = File::open(from.join(path))?;
    let mut read = None;
    whole(&to.join(path), |out| {
        read = Some(hashed(source, |piece| out.write_all(piece))?);
        Ok(())
    })?;
    if read != Some(*digest) {
        fs::remove_file(to.join(path))?;
        done.faults.push(format!("{} is not what its name says", path.display()));
        return Ok(());
    }
    done.copied += 1;
    Ok(())
}

fn hashed(mut file: File, mut each: impl FnMut(&[u8]) -> io::Result<()>) -> io::Result<Digest> {
    let (mut hasher, mut piece) = (Hasher::new(), vec![0; PIECE]);
    loop {
        match file.read(&mut piece)? {
            0 => return Ok(hasher.finish()),
            n => {
                hasher.update(&piece[..n]);
                each(&piece[..n])?;
            }
        }
    }
}

/// Keys, checkpoints, stamps, words, kinds, certificates, the list of erasures, parts of files under way.
fn other(from: &Path, to: &Path, path: &PathBuf, done: &mut Brought) -> io::Result<()> {
    let source = |path: &Path| File::open(from.join(path));
    if let Ok(there) = File::open(to.join(path))
        && hashed(there, |_| Ok(()))? == hashed(source(path)?, |_| Ok(()))?
    {
        done.kept += 1;
        return Ok(());
    }
    let mut read = source(path)?;
    whole(&to.join(path), |out| io::copy(&mut read, out).map(drop))?;
    done.copied += 1;
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_right_stays_what_is_wrong_is_replaced_and_a_damaged_source_is_told() {
        let home = tempfile::tempdir().unwrap();
        let (from, to) = (home.path().join("from"), home.path().join("to"));
        let put = |folder: &Path, path: &str, bytes: &[u8]| {
            let path = folder.join(path);
            fs::create_dir_all(path.parent().unwrap()).unwrap();
            fs::write(path, bytes).unwrap();
        };
        let photo = |bytes: &[u8]| {
            let hex = Digest::of(bytes).hex();
            format!("shops/s/originals/{}/{hex}", &hex[..2])
        };
        for bytes in [b"one", b"two", b"six"] {
            put(&from, &photo(bytes), bytes);
        }
        put(&from, "keys/log.key", b"key");
        put(&from, "counterfoil.db-wal", b"rows");
        put(&from, "shops/s/originals/aa/.half", b"ha");
        put(&to, &photo(b"one"), b"one");
        put(&to, &photo(b"two"), b"tw?");
        put(&from, &photo(b"six"), b"siz");
        let done = bring(&from, &to, |_| ()).unwrap();
        assert_eq!((done.copied, done.kept, done.faults.len()), (2, 1, 1));
        assert_eq!(fs::read(to.join(photo(b"two"))).unwrap(), b"two");
        assert!(!to.join(photo(b"six")).exists() && !to.join("counterfoil.db-wal").exists());
        put(&from, &photo(b"six"), b"six");
        let again = bring(&from, &to, |_| ()).unwrap();
        assert_eq!((again.copied, again.kept, again.faults.len()), (1, 3, 0));
        assert!(bring(&from, &from.join("shops"), |_| ()).is_err(), "into itself");
        assert_eq!(bring(&from, &from, |_| ()).unwrap(), Brought::default(), "only the database moves");
    }
}
