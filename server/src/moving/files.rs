//! The files of an installation, from one data folder to another: everything but the database, what is half written, and what is
//! on the shelves, which `originals` brings. Compared byte by byte where they are there already.

use std::fs::File;
use std::io::{self, Read};
use std::path::{Component, Path};

use evidence::digest::{Digest, Hasher};

use crate::backup::{DATABASE, below, whole};
use crate::originals::carry::on_shelf;
use crate::originals::place::is_own;

/// Bytes read at once.
const PIECE: usize = 1 << 18;

/// What was done.
#[derive(Debug, Default, PartialEq, Eq)]
pub(super) struct Brought {
    /// Files copied now.
    pub copied: u64,
    /// Files that were there and right.
    pub kept: u64,
}

/// Brings every file. Blocking.
///
/// # Errors
/// The disk's.
pub(super) fn bring(from: &Path, to: &Path) -> io::Result<Brought> {
    let mut done = Brought::default();
    if super::one_folder(from, to) {
        return Ok(done);
    }
    if matches!((from.canonicalize(), to.canonicalize()), (Ok(a), Ok(b)) if a.starts_with(&b) || b.starts_with(&a)) {
        return Err(io::Error::other("the one folder lies in the other"));
    }
    for path in below(from)? {
        if is_database(&path) || on_shelf(&path) || path.components().next().is_some_and(|c| is_own(c.as_os_str())) {
            continue;
        }
        // Keys, checkpoints, stamps, words, kinds, certificates, the list of erasures, parts of files under way.
        let source = || File::open(from.join(&path));
        if let Ok(there) = File::open(to.join(&path))
            && hashed(there)? == hashed(source()?)?
        {
            done.kept += 1;
            continue;
        }
        let mut read = source()?;
        whole(&to.join(&path), |out| io::copy(&mut read, out).map(drop))?;
        done.copied += 1;
    }
    Ok(done)
}

/// The database's own files, which are copied table by table.
fn is_database(path: &Path) -> bool {
    path.components().count() == 1
        && path.components().all(|c| matches!(c, Component::Normal(n) if n.to_string_lossy().starts_with(DATABASE)))
}

fn hashed(mut file: File) -> io::Result<Digest> {
    let (mut hasher, mut piece) = (Hasher::new(), vec![0; PIECE]);
    loop {
        match file.read(&mut piece)? {
            0 => return Ok(hasher.finish()),
            n => hasher.update(&piece[..n]),
        }
    }
}

#[cfg(test)]
mod tests {
    use std::fs;

    use super::*;

    #[test]
    fn all_that_belongs_to_the_installation_comes_and_nothing_that_belongs_to_the_folder() {
        let home = tempfile::tempdir().unwrap();
        let (from, to) = (home.path().join("from"), home.path().join("to"));
        let put = |folder: &Path, path: &str, bytes: &[u8]| {
            let path = folder.join(path);
            fs::create_dir_all(path.parent().unwrap()).unwrap();
            fs::write(path, bytes).unwrap();
        };
        for path in ["keys/log.key", "shops/s/checkpoints/1/7", "shops/s/parts/d/f/0-7", "erasures/s"] {
            put(&from, path, path.as_bytes());
        }
        for path in [
            "counterfoil.db",
            "counterfoil.db-wal",
            "originals-are-in",
            "copies/s.originals.ab",
            "shops/s/originals/ab/ab",
            "shops/s/parts/d/f/.half",
        ] {
            put(&from, path, b"not this");
        }
        put(&to, "keys/log.key", b"keys/log.ke?");
        assert_eq!(bring(&from, &to).unwrap(), Brought { copied: 4, kept: 0 });
        assert_eq!(fs::read(to.join("keys/log.key")).unwrap(), b"keys/log.key");
        assert_eq!(below(&to).unwrap().len(), 4);
        assert_eq!(bring(&from, &to).unwrap(), Brought { copied: 0, kept: 4 });
        assert!(bring(&from, &from.join("shops")).is_err(), "into itself");
        assert_eq!(bring(&from, &from).unwrap(), Brought::default(), "only the database moves");
    }
}
