//! Files of one place go to another, whichever either is: a move, a backup, a restore. Each is hashed on the way, so that nothing
//! arrives that is not what its name says.

use std::collections::HashMap;
use std::io;
use std::path::{Component, Path};
use std::sync::Mutex;

use evidence::digest::Digest;
use uuid::Uuid;

use super::{KeepError, Originals, Shelf};
use crate::edge::Random;

/// Files under way at once: a bucket answers each after a while, and gives several as well.
const AT_ONCE: usize = 4;
/// So many files are brought between two words about them.
const OFTEN: u64 = 200;

/// How it is known that a file is at the other end already.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Sure {
    /// By its length: it got its name when it was whole.
    ByLength,
    /// It is read and hashed there.
    ByHash,
}

/// What was done.
#[derive(Debug, Default, PartialEq, Eq)]
pub struct Carried {
    /// Files copied now.
    pub copied: u64,
    /// Their bytes.
    pub bytes: u64,
    /// Files that were there and right.
    pub kept: u64,
    /// Files that are not what their name says, and were not copied: a sentence each.
    pub faults: Vec<String>,
}

/// What was done with one file.
enum One {
    Copied(u64),
    Kept,
    Wrong,
    /// Erased since it was listed.
    Gone,
}

/// Whether a path below a data folder is that of a file on a shelf: `shops/<shop>/originals|renditions/…`.
pub fn on_shelf(path: &Path) -> bool {
    let parts: Vec<_> = path.components().map(Component::as_os_str).collect();
    parts.len() > 3 && parts[0] == "shops" && Shelf::ALL.iter().any(|shelf| parts[2] == shelf.folder())
}

impl Originals {
    /// Brings every file of both shelves of every shop to another place, and leaves what is there. `say` is told how many are
    /// there, now and then. Blocking.
    ///
    /// # Errors
    /// The disk's, or what a store says; what was brought by then stays there.
    pub fn carry(&self, to: &Originals, sure: Sure, random: &Random, say: impl Fn(u64) + Sync) -> io::Result<Carried> {
        let mut done = Carried::default();
        for shop in self.shops()? {
            for shelf in Shelf::ALL {
                let there: HashMap<Digest, u64> = to.listed(shop, shelf)?.into_iter().collect();
                let files = self.listed(shop, shelf)?.into_iter();
                let (files, told) = (Mutex::new(files), Mutex::new(std::mem::take(&mut done)));
                let work = || -> io::Result<()> {
                    loop {
                        let next = files.lock().ok().and_then(|mut files| files.next());
                        let Some((digest, size)) = next else { return Ok(()) };
                        let file = (shop, shelf, digest);
                        let right = match there.get(&digest) {
                            Some(len) if *len == size => {
                                sure == Sure::ByLength || to.rehash_on(shop, shelf, &digest)? == digest
                            }
                            _ => false,
                        };
                        let one = if right { One::Kept } else { self.carry_one(to, file, size, random)? };
                        if let Ok(mut told) = told.lock() {
                            told.note(file, &one, &say);
                        }
                    }
                };
                std::thread::scope(|scope| {
                    let all: Vec<_> = (0..AT_ONCE).map(|_| scope.spawn(work)).collect();
                    let ended = |t: std::thread::ScopedJoinHandle<'_, io::Result<()>>| {
                        t.join().unwrap_or_else(|_| Err(io::Error::other("a thread that copies files broke down")))
                    };
                    all.into_iter().map(ended).fold(Ok(()), io::Result::and)
                })?;
                done = told.into_inner().map_err(|_| io::Error::other("what was copied is not known"))?;
            }
        }
        done.faults.sort();
        Ok(done)
    }

    fn carry_one(
        &self,
        to: &Originals,
        (shop, shelf, digest): (Uuid, Shelf, Digest),
        size: u64,
        random: &Random,
    ) -> io::Result<One> {
        let mut incoming = to.begin(shop, shelf, digest, size, true, u64::from_le_bytes(random.bytes()))?;
        let mut failed = None;
        let poured = self.pour(shop, shelf, &digest, |piece| match incoming.write(piece) {
            Ok(()) => Ok(()),
            Err(e) => {
                failed = Some(e);
                Err(io::ErrorKind::Other.into())
            }
        });
        let finished = match (failed, poured) {
            (Some(failed), _) => Err(failed),
            (None, Err(e)) if e.kind() == io::ErrorKind::NotFound => return Ok(One::Gone),
            (None, Err(e)) => return Err(e),
            (None, Ok(_)) => incoming.finish(),
        };
        match finished {
            Ok(size) => Ok(One::Copied(size)),
            Err(KeepError::WrongBytes) => Ok(One::Wrong),
            Err(KeepError::Io(e)) => Err(e),
            Err(e @ KeepError::Away(_)) => Err(io::Error::other(e.to_string())),
        }
    }
}

impl Carried {
    fn note(&mut self, (shop, shelf, digest): (Uuid, Shelf, Digest), one: &One, say: impl Fn(u64)) {
        match one {
            One::Copied(bytes) => {
                self.copied += 1;
                self.bytes += bytes;
            }
            One::Kept => self.kept += 1,
            One::Wrong => {
                let file = format!("{shop}/{}/{}", shelf.folder(), digest.hex());
                self.faults.push(format!("{file} is not what its name says; it was not copied"));
            }
            One::Gone => {}
        }
        let there = self.copied + self.kept;
        if matches!(one, One::Copied(_) | One::Kept) && there.is_multiple_of(OFTEN) {
            say(there);
        }
    }
}

#[cfg(test)]
mod tests {
    use std::fs;

    use super::*;

    #[test]
    fn what_is_right_stays_what_is_wrong_is_replaced_and_a_damaged_source_is_told() {
        let home = tempfile::tempdir().unwrap();
        let random = Random::Seeded(Default::default());
        let [from, to] = ["from", "to"].map(|name| Originals::open(&home.path().join(name)).unwrap());
        let shop = Uuid::from_u128(1);
        let path = |of: &Originals, bytes: &[u8]| {
            let hex = Digest::of(bytes).hex();
            of.shop(shop).join("originals").join(&hex[..2]).join(&hex)
        };
        for bytes in [b"one", b"two", b"six"] {
            from.keep(shop, Shelf::Originals, bytes, 1).unwrap();
        }
        from.keep(shop, Shelf::Renditions, b"one, smaller", 1).unwrap();
        for bytes in [b"one", b"two"] {
            to.keep(shop, Shelf::Originals, bytes, 1).unwrap();
        }
        fs::write(path(&to, b"two"), b"tw?").unwrap();
        fs::write(path(&from, b"six"), b"siz").unwrap();
        // Who trusts lengths does not see what became of a file there; who hashes does.
        let carry = |sure| from.carry(&to, sure, &random, |_| ()).unwrap();
        let done = carry(Sure::ByLength);
        assert_eq!((done.copied, done.bytes, done.kept, done.faults.len()), (1, 12, 2, 1));
        let done = carry(Sure::ByHash);
        assert_eq!((done.copied, done.kept, done.faults.len()), (1, 2, 1));
        assert!(done.faults[0].contains(&Digest::of(b"six").hex()), "{done:?}");
        assert_eq!(fs::read(path(&to, b"two")).unwrap(), b"two");
        assert!(!path(&to, b"six").exists());
        fs::write(path(&from, b"six"), b"six, and longer").unwrap();
        assert_eq!(carry(Sure::ByHash).faults.len(), 1);
        fs::write(path(&from, b"six"), b"six").unwrap();
        let done = carry(Sure::ByHash);
        assert_eq!((done.copied, done.kept, done.faults.len()), (1, 3, 0));
        let below = |of: &Originals| crate::backup::below(of.root()).unwrap();
        assert_eq!(below(&from), below(&to), "and nothing half written");
    }

    #[test]
    fn shelves_are_told_from_what_lies_beside_them() {
        for (path, on) in [
            ("shops/s/originals/ab/abcd", true),
            ("shops/s/renditions/ab/abcd", true),
            ("shops/s/checkpoints/1/7", false),
            ("shops/s/parts/d/f/0-7", false),
            ("keys/originals/renditions/x", false),
            ("words/de.toml", false),
        ] {
            assert_eq!(on_shelf(Path::new(path)), on, "{path}");
        }
    }
}
