//! What others say of the log, beside its checkpoints: answers of stamping authorities, each with the roots it was trusted by; and
//! how far the errands are. Small files, each whole or not there.

use std::fs;
use std::io::{self, Read};
use std::path::PathBuf;

use uuid::Uuid;

use super::{Originals, names, replace};

/// Largest file read back, in bytes.
const MOST: u64 = 2 << 20;

/// A published checkpoint: its epoch, then its size.
pub type Published = (u64, u64);

impl Originals {
    fn outside(&self, shop: Uuid, folder: &str) -> PathBuf {
        self.shop(shop).join("outside").join(folder)
    }

    /// Keeps a file of a folder, whole and synced. Blocking.
    ///
    /// # Errors
    /// The disk's.
    pub fn keep_outside(&self, shop: Uuid, folder: &str, name: &str, bytes: &[u8], nonce: u64) -> io::Result<()> {
        let folder = self.outside(shop, folder);
        self.durable_folder(&folder)?;
        replace(&folder, &folder.join(name), bytes, nonce)
    }

    /// A file of a folder. Blocking.
    ///
    /// # Errors
    /// The disk's.
    pub fn outside_file(&self, shop: Uuid, folder: &str, name: &str) -> io::Result<Option<Vec<u8>>> {
        let mut bytes = Vec::new();
        match fs::File::open(self.outside(shop, folder).join(name)) {
            Ok(file) => file.take(MOST).read_to_end(&mut bytes).map(|_| Some(bytes)),
            Err(e) if e.kind() == io::ErrorKind::NotFound => Ok(None),
            Err(e) => Err(e),
        }
    }

    /// Every file of a folder: the checkpoint it belongs to, and its ending. Blocking.
    ///
    /// # Errors
    /// The disk's.
    pub fn outside_names(&self, shop: Uuid, folder: &str) -> io::Result<Vec<(Published, String)>> {
        let of = |name: &String| {
            let (number, ending) = name.split_once('.')?;
            let (epoch, size) = number.split_once('-')?;
            Some(((epoch.parse().ok()?, size.parse().ok()?), ending.to_owned()))
        };
        Ok(names(&self.outside(shop, folder))?.iter().filter_map(of).collect())
    }

    /// The checkpoints of which a folder has a file with this ending, the smallest first. Blocking.
    ///
    /// # Errors
    /// The disk's.
    pub fn outside_list(&self, shop: Uuid, folder: &str, ending: &str) -> io::Result<Vec<Published>> {
        let all = self.outside_names(shop, folder)?;
        let mut list: Vec<Published> = all.into_iter().filter(|(_, e)| e == ending).map(|(of, _)| of).collect();
        list.sort_by_key(|(epoch, size)| (*size, *epoch));
        Ok(list)
    }

    /// A published checkpoint. Blocking.
    ///
    /// # Errors
    /// The disk's.
    pub fn published(&self, shop: Uuid, (epoch, size): Published) -> io::Result<Option<String>> {
        let path = self.shop(shop).join("checkpoints").join(epoch.to_string()).join(size.to_string());
        match fs::read_to_string(path) {
            Ok(note) => Ok(Some(note)),
            Err(e) if e.kind() == io::ErrorKind::NotFound => Ok(None),
            Err(e) => Err(e),
        }
    }
}

/// What a file of a checkpoint is called.
pub fn named((epoch, size): Published, ending: &str) -> String {
    format!("{epoch}-{size}.{ending}")
}
