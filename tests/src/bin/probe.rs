//! A program that does what its arguments say to files, one step after the other, for the tests of the shim
//! `faults/unsynced.c`: it is run with the shim preloaded, as the server is.
//!
//! Steps: `write FILE TEXT`, `append FILE TEXT`, `sync FILE`, `data FILE` (fdatasync), `folder FOLDER` (fsync of it),
//! `make FOLDER`, `rename FROM TO`, `link FROM TO`, `remove FILE`, `cut FILE LENGTH`.

use std::fs::{self, File, OpenOptions};
use std::io::{Error, Write};

fn main() -> Result<(), Error> {
    let mut words = std::env::args().skip(1);
    let mut word = || words.next();
    while let Some(step) = word() {
        let mut next = || word().ok_or_else(|| Error::other(format!("{step}: a word is missing")));
        match step.as_str() {
            "write" => fs::write(next()?, next()?)?,
            "append" => OpenOptions::new().append(true).open(next()?)?.write_all(next()?.as_bytes())?,
            "sync" => OpenOptions::new().write(true).open(next()?)?.sync_all()?,
            "data" => OpenOptions::new().write(true).open(next()?)?.sync_data()?,
            "folder" => File::open(next()?)?.sync_all()?,
            "make" => fs::create_dir(next()?)?,
            "rename" => fs::rename(next()?, next()?)?,
            "link" => fs::hard_link(next()?, next()?)?,
            "remove" => fs::remove_file(next()?)?,
            "cut" => {
                let file = OpenOptions::new().write(true).open(next()?)?;
                file.set_len(next()?.parse().map_err(Error::other)?)?;
            }
            other => return Err(Error::other(format!("no such step: {other}"))),
        }
    }
    Ok(())
}
