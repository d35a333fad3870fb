//! Writes a pack: the planned files by path, the list of them, its signature. The same plan gives the same bytes.

use std::io::{self, Read, Write};
use std::os::unix::fs::FileExt;

use evidence::canon;
use evidence::digest::{Digest, Hasher};
use evidence::note::{self, SignerKey};
use evidence::verify::{MANIFEST_NOTE, seal_text};
use evidence::zip::{self, Writer};
use serde_json::{Value, json};
use uuid::Uuid;

use super::{Bytes, Lack, Planned};
use crate::originals::{self, Originals, Shelf};

/// Bytes read at once.
const PIECE: usize = 1 << 18;

/// What a pack is of.
#[derive(Clone, Debug)]
pub struct Of {
    /// The shop.
    pub shop: Uuid,
    /// The intake.
    pub intake: Uuid,
    /// `intake`, `claim` or `view`.
    pub scope: &'static str,
    /// The language its page is written in.
    pub language: String,
    /// Originals left out for this reader.
    pub withheld: Vec<Digest>,
    /// What is not in it.
    pub lacks: Vec<Lack>,
}

/// A whole plan: all files, in the order in which they are written.
#[derive(Clone, Debug)]
pub struct Plan {
    files: Vec<Planned>,
    length: u64,
}

fn manifest(of: &Of, files: &[Planned]) -> Result<Vec<u8>, String> {
    let listed: Vec<Value> =
        files.iter().map(|f| json!({"path": f.path, "size": f.size, "sha256": f.digest.to_string()})).collect();
    let lacks: Vec<Value> = of.lacks.iter().map(|l| json!({"code": l.code, "of": l.of})).collect();
    let value = json!({"v": 1, "shop": of.shop.to_string(), "intake": of.intake.to_string(), "scope": of.scope,
        "language": of.language, "withheld": of.withheld.iter().map(Digest::to_string).collect::<Vec<_>>(),
        "lacks": lacks, "files": listed});
    canon::to_bytes(&value).map_err(|e| e.to_string())
}

impl Plan {
    /// The plan of a pack: sorts the files, lists them and signs the list.
    ///
    /// # Errors
    /// A sentence when it would be too large.
    pub fn new(of: &Of, mut files: Vec<Planned>, keys: &[SignerKey]) -> Result<Plan, String> {
        files.sort_by(|a, b| a.path.cmp(&b.path));
        files.dedup_by(|a, b| a.path == b.path);
        let list = manifest(of, &files)?;
        let keys: Vec<_> = keys.iter().collect();
        let seal = note::sign(&seal_text(MANIFEST_NOTE, &Digest::of(&list)), &keys).map_err(|e| e.to_string())?;
        files.push(Planned::here("manifest.json", list));
        files.push(Planned::here("manifest.note", seal));
        let length = zip::length(files.iter().map(|f| (f.path.as_str(), f.size)));
        Ok(Plan { length: length.ok_or("a pack stays below 4 GiB and 20,000 files")?, files })
    }

    /// Length of the archive in bytes.
    pub fn length(&self) -> u64 {
        self.length
    }

    /// A file of it that was made, not read from disk.
    pub fn here(&self, path: &str) -> Option<&[u8]> {
        self.files.iter().find_map(|f| match &f.bytes {
            Bytes::Here(bytes) if f.path == path => Some(bytes.as_slice()),
            _ => None,
        })
    }

    /// Writes it, in bounded memory. Blocking.
    ///
    /// # Errors
    /// What reading or writing said; that a file changed meanwhile.
    pub fn write(&self, out: impl Write) -> io::Result<()> {
        let mut archive = Writer::new(out);
        let mut piece = vec![0; PIECE];
        for file in &self.files {
            archive.begin(&file.path, file.crc, file.size)?;
            match &file.bytes {
                Bytes::Here(bytes) => archive.piece(bytes)?,
                Bytes::On(originals, shop, shelf) => {
                    let mut from = originals.file(*shop, *shelf, &file.digest)?;
                    loop {
                        match from.read(&mut piece)? {
                            0 => break,
                            n => archive.piece(&piece[..n])?,
                        }
                    }
                }
                Bytes::Aside(from) => {
                    let mut at = 0;
                    loop {
                        match from.read_at(&mut piece, at)? {
                            0 => break,
                            n => {
                                archive.piece(&piece[..n])?;
                                at += n as u64;
                            }
                        }
                    }
                }
            }
        }
        archive.finish().map(drop)
    }
}

/// A file on a shelf, read once. `None`: it is not there, or not what its digest says.
///
/// # Errors
/// When nobody can tell, because the store does not answer: a pack must not say that it is lost.
pub fn kept(
    originals: &Originals,
    shop: Uuid,
    shelf: Shelf,
    name: String,
    digest: Digest,
) -> io::Result<Option<Planned>> {
    let mut from = match originals.file(shop, shelf, &digest) {
        Ok(file) => file,
        Err(e) if originals::is_away(&e) => return Err(e),
        Err(_) => return Ok(None),
    };
    let (mut hasher, mut crc, mut size, mut piece) = (Hasher::new(), crc32fast::Hasher::new(), 0, vec![0; PIECE]);
    loop {
        match from.read(&mut piece) {
            Ok(0) => break,
            Ok(n) => {
                hasher.update(&piece[..n]);
                crc.update(&piece[..n]);
                size += n as u64;
            }
            Err(_) => return Ok(None),
        }
    }
    let (whole, bytes) = (hasher.finish() == digest, Bytes::On(originals.clone(), shop, shelf));
    Ok(whole.then(|| Planned { path: name, crc: crc.finalize(), size, digest, bytes }))
}
