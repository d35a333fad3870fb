//! The list of erasures, kept beside the database and the store and outside what is put back from a backup: ids and digests
//! only, a line each, appended and synced. At a start it tells what must not come back.

use std::fs::{self, OpenOptions};
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::path::PathBuf;

use evidence::digest::Digest;
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use super::{Originals, make_folder, sync_folder};

/// One erasure of one intake.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Line {
    /// 1.
    pub v: u32,
    /// The intake.
    pub intake: Uuid,
    /// The erasure.
    pub erasure: Uuid,
    /// The entry that says so.
    pub entry: Uuid,
    /// Why, in the words of the entry.
    pub why: String,
    /// Digests of the disclosures that are gone.
    pub disclosures: Vec<String>,
    /// Photos that are gone.
    pub photos: Vec<Uuid>,
    /// Files whose bytes are gone: the photos' and the signatures'.
    pub files: Vec<Digest>,
    /// Copies of the photos that are gone.
    pub copies: Vec<Digest>,
}

/// What the list says, and how many of its lines cannot be read.
#[derive(Debug, Default)]
pub struct List {
    /// The erasures, in order.
    pub lines: Vec<Line>,
    /// Lines that are none.
    pub unread: usize,
}

impl Originals {
    /// `erasures/<shop>`, beside the folder of the shops.
    fn erasures(&self, shop: Uuid) -> PathBuf {
        let beside = self.root.parent().unwrap_or(&self.root);
        beside.join("erasures").join(shop.to_string())
    }

    /// The erasures of a shop. Blocking.
    ///
    /// # Errors
    /// When the list is there and cannot be read.
    pub fn erasures_listed(&self, shop: Uuid) -> io::Result<List> {
        let text = match fs::read(self.erasures(shop)) {
            Ok(bytes) => String::from_utf8_lossy(&bytes).into_owned(),
            Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(List::default()),
            Err(e) => return Err(e),
        };
        let mut list = List::default();
        for line in text.lines().filter(|l| !l.is_empty()) {
            match serde_json::from_str::<Line>(line) {
                Ok(line) if line.v == 1 => list.lines.push(line),
                _ => list.unread += 1,
            }
        }
        Ok(list)
    }

    /// Appends an erasure, durably. Blocking.
    ///
    /// # Errors
    /// When the disk refuses.
    pub fn list_erasure(&self, shop: Uuid, line: &Line) -> io::Result<()> {
        let path = self.erasures(shop);
        let folder = path.parent().map(PathBuf::from).unwrap_or_default();
        make_folder(&folder)?;
        let mut file = OpenOptions::new().read(true).append(true).create(true).open(&path)?;
        let mut text = serde_json::to_string(line).map_err(io::Error::other)? + "\n";
        // A line that a crash cut short must not swallow this one.
        if file.metadata()?.len() > 0 {
            let mut last = [0];
            file.seek(SeekFrom::End(-1))?;
            file.read_exact(&mut last)?;
            if last != *b"\n" {
                text.insert(0, '\n');
            }
        }
        file.write_all(text.as_bytes())?;
        file.sync_all()?;
        sync_folder(&folder)
    }

    /// Takes away the parts of a file that devices sent and nobody finished. Blocking.
    ///
    /// # Errors
    /// When a folder cannot be read, or the disk refuses.
    pub fn erase_parts(&self, shop: Uuid, file: &Digest) -> io::Result<()> {
        let top = self.shop(shop).join("parts");
        for device in super::names(&top)? {
            if let Ok(device) = device.parse() {
                self.drop_parts(&super::parts::PartsOf { shop, device, file: *file })?;
            }
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(n: u128) -> Line {
        let id = Uuid::from_u128(n);
        let (files, copies) = (vec![Digest::of(b"photo")], Vec::new());
        Line {
            v: 1,
            intake: id,
            erasure: id,
            entry: id,
            why: "customer asked".into(),
            disclosures: vec!["d".into()],
            photos: vec![id],
            files,
            copies,
        }
    }

    #[test]
    fn a_line_that_was_cut_short_loses_no_other() {
        let home = tempfile::tempdir().unwrap();
        let originals = Originals::open(&home.path().join("shops")).unwrap();
        let shop = Uuid::from_u128(1);
        assert!(originals.erasures_listed(shop).unwrap().lines.is_empty());
        originals.list_erasure(shop, &line(7)).unwrap();
        let path = home.path().join("erasures").join(shop.to_string());
        let whole = fs::read(&path).unwrap();
        fs::write(&path, [&whole[..], &whole[..whole.len() / 2]].concat()).unwrap();
        originals.list_erasure(shop, &line(8)).unwrap();
        let list = originals.erasures_listed(shop).unwrap();
        assert_eq!((list.lines, list.unread), (vec![line(7), line(8)], 1));
    }
}
