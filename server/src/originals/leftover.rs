//! What lies in the store and may be of no use: everything on a shelf by name, files half written, parts nobody finished.

use std::collections::BTreeSet;
use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::time::UNIX_EPOCH;

use evidence::digest::Digest;
use uuid::Uuid;

use super::parts::PartsOf;
use super::shelves::left_lying;
use super::{Key, Originals, Shelf, Store, names};
use crate::edge::Millis;

impl Shelf {
    /// Both.
    pub const ALL: [Shelf; 2] = [Shelf::Originals, Shelf::Renditions];

    /// As tables and sentences call it.
    pub fn word(self) -> &'static str {
        self.folder()
    }
}

impl Originals {
    /// Everything on a shelf, by name. Blocking.
    ///
    /// # Errors
    /// When a folder cannot be read.
    pub fn shelved(&self, shop: Uuid, shelf: Shelf) -> io::Result<BTreeSet<Digest>> {
        Ok(self.list(shop, shelf)?.into_iter().collect())
    }

    /// When a file was written, milliseconds since 1970; none: it is not there. Of a file in a bucket that is not known: it
    /// counts as old, and only how long it stood noted keeps it. Blocking.
    ///
    /// # Errors
    /// When the disk does not say.
    pub fn written_at(&self, shop: Uuid, shelf: Shelf, digest: &Digest) -> io::Result<Option<Millis>> {
        if let Store::Bucket(..) = &self.store {
            return Ok(self.is_there(shop, shelf, digest)?.then_some(0));
        }
        match fs::metadata(self.path(&Key { shop, shelf, digest: *digest })) {
            Ok(about) => written(&about).map(Some),
            Err(e) if e.kind() == io::ErrorKind::NotFound => Ok(None),
            Err(e) => Err(e),
        }
    }

    /// Files half written, to which nothing was added since `before`: what [`Originals::sweep`] takes away. Blocking.
    ///
    /// # Errors
    /// When a folder cannot be read.
    pub fn half_written(&self, shop: Uuid, before: Millis) -> io::Result<Vec<PathBuf>> {
        fn below(folder: &Path, before: Millis, out: &mut Vec<PathBuf>) -> io::Result<()> {
            for entry in fs::read_dir(folder)? {
                let entry = entry?;
                if entry.file_type()?.is_dir() {
                    below(&entry.path(), before, out)?;
                } else if entry.file_name().to_string_lossy().starts_with('.') && left_lying(&entry, Some(before))? {
                    out.push(entry.path());
                }
            }
            Ok(())
        }
        let (folder, mut out) = (self.shop(shop), Vec::new());
        if folder.is_dir() {
            below(&folder, before, &mut out)?;
        }
        Ok(out)
    }

    /// Files of which only parts came, the last of them before `before`, but those to be kept. Blocking.
    ///
    /// # Errors
    /// When a folder cannot be read.
    pub fn left_in_parts(&self, shop: Uuid, before: Millis, keep: &BTreeSet<Digest>) -> io::Result<Vec<PartsOf>> {
        let top = self.shop(shop).join("parts");
        let mut out = Vec::new();
        for device in names(&top)? {
            for hex in names(&top.join(&device))? {
                // A folder changes when a part is put into it.
                let about = match fs::metadata(top.join(&device).join(&hex)) {
                    Err(e) if e.kind() == io::ErrorKind::NotFound => continue,
                    about => about?,
                };
                let (Ok(device), Ok(file)) = (device.parse(), Digest::from_hex(&hex)) else { continue };
                if written(&about)? < before && !keep.contains(&file) {
                    out.push(PartsOf { shop, device, file });
                }
            }
        }
        Ok(out)
    }
}

fn written(about: &fs::Metadata) -> io::Result<Millis> {
    let at = about.modified()?.duration_since(UNIX_EPOCH).map_or(0, |d| d.as_millis());
    Ok(Millis::try_from(at).unwrap_or(Millis::MAX))
}
