//! Published checkpoints: each under its epoch and size, and the newest. They lie on the local disk wherever the originals are:
//! every append publishes one, and goes on while a bucket is away; a start compares the newest with the database before it
//! serves; and a rename is whole or not at all in every file system, which put-if-absent is not in every bucket.

use std::fs;
use std::io;

use uuid::Uuid;

use super::{Originals, names, replace, sync_folder};

impl Originals {
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
}
