//! Files that come in parts. Each part is a file of its own, complete and synced before it counts, so that whoever was
//! killed, the phone or the server, goes on where the acknowledged parts end. Joined, they are one original like any other.

use std::collections::BTreeSet;
use std::fs::{self, File};
use std::io::{self, Read};
use std::path::{Path, PathBuf};

use evidence::digest::Digest;
use uuid::Uuid;

use super::incoming::{Expected, Lands};
use super::{Incoming, KeepError, Originals, Shelf, names, sync_folder};
use crate::edge::Millis;

/// How many bytes are joined at once.
const PIECE: usize = 256 * 1024;

/// Whose parts, and of what.
#[derive(Clone, Copy, Debug)]
pub struct PartsOf {
    /// The shop.
    pub shop: Uuid,
    /// The device that sends them; another device's parts are its own.
    pub device: Uuid,
    /// The digest of the whole file.
    pub file: Digest,
}

/// What a device has lying here unfinished.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Unfinished {
    /// Files.
    pub files: usize,
    /// Bytes of all their parts.
    pub bytes: u64,
}

impl Originals {
    fn of_device(&self, shop: Uuid, device: Uuid) -> PathBuf {
        self.shop(shop).join("parts").join(device.to_string())
    }

    fn parts(&self, of: &PartsOf) -> PathBuf {
        self.of_device(of.shop, of.device).join(of.file.hex())
    }

    /// How far the parts reach without a gap, in bytes from the file's begin. Blocking.
    ///
    /// # Errors
    /// When the folder cannot be read.
    pub fn parts_reach(&self, of: &PartsOf) -> io::Result<u64> {
        Ok(chain(&self.parts(of))?.iter().map(|p| p.1).sum())
    }

    /// Whether this very part is there.
    pub fn has_part(&self, of: &PartsOf, offset: u64, len: u64) -> bool {
        self.parts(of).join(name(offset, len)).is_file()
    }

    /// Begins to take a part of exactly `len` bytes with this digest. Blocking.
    ///
    /// # Errors
    /// When the disk refuses.
    pub fn begin_part(&self, of: &PartsOf, offset: u64, len: u64, digest: Digest, nonce: u64) -> io::Result<Incoming> {
        let folder = self.parts(of);
        self.durable_folder(&folder)?;
        let expected = Expected { digest, size: len, exact: true };
        Incoming::begin(folder, &name(offset, len), expected, Lands::Here, nonce)
    }

    /// Joins the parts to the original they are of, in pieces; they stay until [`Originals::drop_parts`]. Blocking.
    ///
    /// # Errors
    /// `WrongBytes` when the whole is not what was announced; I/O errors of the disk.
    pub fn join_parts(&self, of: &PartsOf, size: u64, nonce: u64) -> Result<u64, KeepError> {
        let mut whole = self.begin(of.shop, Shelf::Originals, of.file, size, true, nonce)?;
        let folder = self.parts(of);
        let mut piece = vec![0u8; PIECE];
        for (offset, len) in chain(&folder)? {
            let mut part = File::open(folder.join(name(offset, len)))?;
            loop {
                let n = part.read(&mut piece)?;
                if n == 0 {
                    break;
                }
                whole.write(&piece[..n])?;
            }
        }
        whole.finish()
    }

    /// Takes the parts of a file away. What is not there is no error. Blocking.
    ///
    /// # Errors
    /// When the disk refuses.
    pub fn drop_parts(&self, of: &PartsOf) -> io::Result<()> {
        let folder = self.parts(of);
        match fs::remove_dir_all(&folder) {
            Ok(()) => {
                // A folder that was made before has to be made durable anew.
                if let Ok(mut durable) = self.durable.lock() {
                    durable.remove(&folder);
                }
                sync_folder(&self.of_device(of.shop, of.device))
            }
            Err(e) if e.kind() == io::ErrorKind::NotFound => Ok(()),
            Err(e) => Err(e),
        }
    }

    /// What a device has lying here unfinished. Blocking.
    ///
    /// # Errors
    /// When a folder cannot be read.
    pub fn unfinished(&self, shop: Uuid, device: Uuid) -> io::Result<Unfinished> {
        let top = self.of_device(shop, device);
        let mut out = Unfinished::default();
        for file in names(&top)? {
            out.files += 1;
            out.bytes += chain(&top.join(file))?.iter().map(|p| p.1).sum::<u64>();
        }
        Ok(out)
    }

    /// Takes away the parts of files to which nothing was added since `before`, but those to be kept. Gives the number of
    /// files. Blocking.
    ///
    /// # Errors
    /// When a folder cannot be read, or the disk refuses.
    pub fn expire_parts(&self, shop: Uuid, before: Millis, keep: &BTreeSet<Digest>) -> io::Result<usize> {
        let left = self.left_in_parts(shop, before, keep)?;
        left.iter().try_for_each(|of| self.drop_parts(of))?;
        Ok(left.len())
    }
}

fn name(offset: u64, len: u64) -> String {
    format!("{offset}-{len}")
}

/// The parts from the begin on, each where the one before ends: offset and length.
fn chain(folder: &Path) -> io::Result<Vec<(u64, u64)>> {
    let mut all: Vec<(u64, u64)> = names(folder)?
        .iter()
        .filter_map(|n| {
            let (offset, len) = n.split_once('-')?;
            Some((offset.parse().ok()?, len.parse().ok()?))
        })
        .collect();
    all.sort_unstable();
    let mut reach = 0;
    all.retain(|(offset, len)| {
        let next = *offset == reach;
        reach += if next { *len } else { 0 };
        next
    });
    Ok(all)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn store() -> (tempfile::TempDir, Originals, PartsOf, Vec<u8>) {
        let folder = tempfile::tempdir().unwrap();
        let originals = Originals::open(folder.path()).unwrap();
        let bytes: Vec<u8> = (0..1000u32).map(|n| (n % 251) as u8).collect();
        let of = PartsOf { shop: Uuid::from_u128(1), device: Uuid::from_u128(2), file: Digest::of(&bytes) };
        (folder, originals, of, bytes)
    }

    fn put(originals: &Originals, of: &PartsOf, bytes: &[u8], from: usize, to: usize) -> Result<u64, KeepError> {
        let part = &bytes[from..to];
        let mut incoming = originals.begin_part(of, from as u64, part.len() as u64, Digest::of(part), from as u64)?;
        incoming.write(part)?;
        incoming.finish()
    }

    #[test]
    fn parts_reach_as_far_as_they_join_and_become_the_original() {
        let (_folder, originals, of, bytes) = store();
        assert_eq!(originals.parts_reach(&of).unwrap(), 0);
        put(&originals, &of, &bytes, 0, 400).unwrap();
        // A gap ends the reach; a part that is there twice changes nothing.
        put(&originals, &of, &bytes, 800, 1000).unwrap();
        put(&originals, &of, &bytes, 0, 400).unwrap();
        assert_eq!(originals.parts_reach(&of).unwrap(), 400);
        assert!(matches!(originals.join_parts(&of, 1000, 7), Err(KeepError::WrongBytes)));
        put(&originals, &of, &bytes, 400, 800).unwrap();
        assert_eq!(originals.parts_reach(&of).unwrap(), 1000);
        assert_eq!(originals.unfinished(of.shop, of.device).unwrap(), Unfinished { files: 1, bytes: 1000 });
        assert_eq!(originals.join_parts(&of, 1000, 8).unwrap(), 1000);
        assert_eq!(originals.read(of.shop, Shelf::Originals, &of.file).unwrap(), bytes);
        originals.drop_parts(&of).unwrap();
        originals.drop_parts(&of).unwrap();
        assert_eq!(originals.unfinished(of.shop, of.device).unwrap(), Unfinished::default());
    }

    #[test]
    fn what_was_left_alone_expires() {
        let (_folder, originals, of, bytes) = store();
        put(&originals, &of, &bytes, 0, 10).unwrap();
        let keep = [of.file].into();
        assert_eq!(originals.expire_parts(of.shop, 1_000, &BTreeSet::new()).unwrap(), 0);
        assert_eq!(originals.expire_parts(of.shop, i64::MAX, &keep).unwrap(), 0, "of an intake under a hold");
        assert_eq!(originals.expire_parts(of.shop, i64::MAX, &BTreeSet::new()).unwrap(), 1);
        assert_eq!(originals.parts_reach(&of).unwrap(), 0);
        // And the next part is as durable as the first was.
        put(&originals, &of, &bytes, 0, 10).unwrap();
        assert_eq!(originals.parts_reach(&of).unwrap(), 10);
    }
}
