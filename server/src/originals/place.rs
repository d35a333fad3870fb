//! Where an installation keeps its originals, as it was told to, and as it was told before: a data folder whose originals are
//! elsewhere must not be taken for one that lost them.

use std::ffi::OsStr;
use std::fs;
use std::io;
use std::path::Path;

use super::{Address, Bucket, Keys, Lock, Originals, names, replace};
use crate::edge::Random;

/// What in the data folder says that the originals are in a bucket, and in which.
const MARK: &str = "originals-are-in";
/// Where copies of what a bucket holds lie, beside the folder of shops.
const COPIES: &str = "copies";
/// The store's keys in the environment.
const KEY: [&str; 3] = ["COUNTERFOIL_S3_KEY", "COUNTERFOIL_S3_SECRET", "COUNTERFOIL_S3_TOKEN"];

/// The store's keys. They are taken from the environment alone, so that no list of processes and no settings file shows them.
///
/// # Errors
/// A sentence.
pub fn keys(read: impl Fn(&str) -> Option<String>) -> Result<Keys, String> {
    let [id, secret, token] = KEY.map(|name| read(name).filter(|v| !v.is_empty()));
    match (id, secret) {
        (Some(id), Some(secret)) => Ok(Keys { id, secret, token }),
        _ => Err(format!("the bucket's keys are missing: put them into {} and {}", KEY[0], KEY[1])),
    }
}

/// The bucket that the originals of a data folder are in, as the folder remembers it; `None`: they are in the folder.
///
/// # Errors
/// When the disk does not tell.
pub fn remembered(data: &Path) -> io::Result<Option<String>> {
    match fs::read_to_string(data.join(MARK)) {
        Ok(place) => Ok(Some(place.trim().to_owned())),
        Err(e) if e.kind() == io::ErrorKind::NotFound => Ok(None),
        Err(e) => Err(e),
    }
}

/// Whether a name in a data folder is about where its originals are: of no use in another folder.
pub fn is_own(name: &OsStr) -> bool {
    name == MARK || name == COPIES
}

/// Tries a bucket that originals are to go to, before anything is done. Blocking.
///
/// # Errors
/// A sentence: a wrong address, missing keys, a store that does not answer or cannot be used.
pub fn tried(address: &str, lock: Option<Lock>, random: &Random) -> Result<(), String> {
    let bucket = bucket(Address::parse(address)?, lock, random)?;
    let found = bucket.probe().map_err(|e| e.to_string())?;
    found.map(drop).map_err(|why| format!("{}: {why}", bucket.address()))
}

fn bucket(address: Address, lock: Option<Lock>, random: &Random) -> Result<Bucket, String> {
    Bucket::new(address, &keys(|name| std::env::var(name).ok())?, lock, random.clone())
}

impl Originals {
    /// Opens the originals of a data folder: in it, or in the bucket that `address` names, where they are locked for `lock`.
    ///
    /// # Errors
    /// A sentence: a wrong address, missing keys, or another place than before.
    pub fn of(data: &Path, address: Option<&str>, lock: Option<Lock>, random: &Random) -> Result<Originals, String> {
        let root = data.join("shops");
        let text = |e: io::Error| format!("the originals: {e}");
        let folder = Originals::open(&root).map_err(text)?;
        let before = remembered(data).map_err(text)?;
        let Some(address) = address else {
            if lock.is_some() {
                return Err("only a bucket locks originals: say which with --originals".to_owned());
            }
            return match before {
                None => Ok(folder),
                Some(place) => Err(format!("the originals of this folder are in {place}: say so with --originals")),
            };
        };
        let address = Address::parse(address)?;
        let place = address.to_string();
        match before {
            Some(before) if before != place => {
                return Err(format!("the originals of this folder are in {before}, not in {place}"));
            }
            Some(_) => {}
            None => {
                for shop in names(&root).map_err(text)? {
                    if !names(&root.join(&shop).join("originals")).map_err(text)?.is_empty() {
                        return Err(
                            "this folder holds originals already: they stay there, or are moved first".to_owned()
                        );
                    }
                }
                let nonce = u64::from_le_bytes(random.bytes());
                replace(data, &data.join(MARK), format!("{place}\n").as_bytes(), nonce).map_err(text)?;
            }
        }
        Originals::in_bucket(&root, bucket(address, lock, random)?, &data.join(COPIES)).map_err(text)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn keys_come_whole_or_not_at_all() {
        let has = |names: &'static [&str]| move |n: &str| names.contains(&n).then(|| "hush".to_owned());
        assert!(keys(has(&KEY)).is_ok_and(|k| k.token.is_some()));
        assert!(keys(has(&KEY[..2])).is_ok_and(|k| k.token.is_none()));
        for lacks in [&KEY[..1], &KEY[1..]] {
            let said = keys(has(lacks)).unwrap_err();
            assert!(said.contains(KEY[0]) && !said.contains("hush"), "{said}");
        }
        assert!(!format!("{:?}", keys(has(&KEY))).contains("hush"));
    }

    #[test]
    fn a_folder_keeps_to_its_place() {
        let home = tempfile::tempdir().unwrap();
        let random = Random::Seeded(Default::default());
        let of = |address: Option<&str>| Originals::of(home.path(), address, None, &random).map(drop);
        of(None).unwrap();
        let held = home.path().join("shops/a-shop/originals/ab");
        fs::create_dir_all(&held).unwrap();
        assert!(of(Some("s3://bucket?region=x")).unwrap_err().contains("holds originals already"));
        fs::remove_dir(&held).unwrap();
        fs::write(home.path().join(MARK), "s3://bucket/\n").unwrap();
        assert!(of(None).unwrap_err().contains("s3://bucket/"));
        assert!(of(Some("s3://other?region=x")).unwrap_err().contains("not in s3://other/"));
    }
}
