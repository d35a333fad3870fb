//! What lies in the store and may be of no use: when a file was written, parts that nobody finished.

use std::collections::BTreeSet;
use std::fs;
use std::io;
use std::time::UNIX_EPOCH;

use evidence::digest::Digest;
use uuid::Uuid;

use super::parts::PartsOf;
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
