//! Makes `report.pdf`: reads the pictures to print within a bound, has the report set, puts the file aside on disk.

use std::collections::BTreeMap;
use std::fs::File;
use std::io::{self, Write};
use std::panic::catch_unwind;
use std::path::Path;
use std::sync::{Arc, Mutex, PoisonError};

use evidence::digest::Digest;
use uuid::Uuid;

use super::gather::covered;
use super::page::Shown;
use super::report::{self, Of, Print};
use super::{Bytes, Planned};
use crate::intake::state::Photo;
use crate::intake::strokes::{self, Strokes};
use crate::ledger::Ledger;
use crate::originals::Shelf;
use crate::reading::Rule;

/// Bytes of large pictures in one report; from there on the small ones are printed, and the report says so. Some forty
/// at 0.4 MB each, which is an estimate: renditions of the drawn pictures have 0.2 MB, and dirt and grass weigh more.
const LARGE: usize = 16 << 20;
/// Bytes of all pictures in one report; what comes after is only named.
const ALL: usize = 20 << 20;

/// One report is made at a time: each holds its pictures in memory until it is on disk.
static ONE: Mutex<()> = Mutex::new(());

/// The report of a pack, as a file of it. Blocking.
///
/// # Errors
/// A sentence.
pub(super) fn report(ledger: &Ledger, shown: &Shown<'_>, rule: Option<&Rule>) -> Result<Planned, String> {
    let _one = ONE.lock().unwrap_or_else(PoisonError::into_inner);
    let prints = prints(ledger, shown);
    let intake = shown.input.intake;
    let drawn = |digest: Option<Digest>| -> Option<Strokes> {
        let bytes = ledger.originals().read(intake.whose.shop, Shelf::Originals, &digest?).ok()?;
        strokes::parse(&bytes).ok()
    };
    let first = drawn(intake.acknowledgement.as_ref().and_then(|a| a.what.strokes));
    let second = drawn(intake.home.shown.as_ref().and_then(|s| s.what.strokes));
    let of = Of { shown, prints: &prints, rule, signature: first.as_ref(), signature_home: second.as_ref() };
    let report = report::report(&of);
    // The library behind it may stop where it expects no such thing; the rest of the pack is not lost by that.
    let bytes = catch_unwind(|| ::report::pdf(&report)).map_err(|_| "the report's setting stopped")??;
    let (crc, size, digest) = (crc32fast::hash(&bytes), bytes.len() as u64, Digest::of(&bytes));
    // Sending takes as long as the reader's line does: meanwhile it lies on disk, not in memory, where the disk has room.
    let folder = ledger.originals().shop(intake.whose.shop);
    let bytes = aside(&folder, &bytes).map_or_else(|_| Bytes::Here(bytes), |file| Bytes::Aside(Arc::new(file)));
    Ok(Planned { path: "report.pdf".into(), crc, size, digest, bytes })
}

fn aside(folder: &Path, bytes: &[u8]) -> io::Result<File> {
    let mut file = tempfile::tempfile_in(folder)?;
    file.write_all(bytes)?;
    Ok(file)
}

/// Renditions of the photos that are shown. Originals are never printed: their metadata tells more than the picture.
fn prints(ledger: &Ledger, shown: &Shown<'_>) -> BTreeMap<Uuid, Print> {
    let photos = shown.placed.iter().filter(|p| p.copy.is_some()).map(|p| p.photo);
    within(photos, |photo, small| rendition(ledger, shown, shown.input.intake.photo(photo)?, small))
}

/// As many as there is room for: large ones first come, first served; then small ones; then none.
fn within(photos: impl Iterator<Item = Uuid>, read: impl Fn(Uuid, bool) -> Option<Print>) -> BTreeMap<Uuid, Print> {
    let (mut out, mut used) = (BTreeMap::new(), 0);
    for photo in photos {
        let large = (used < LARGE).then(|| read(photo, false)).flatten();
        let print = large.filter(|p| used + p.jpeg.len() <= LARGE).or_else(|| read(photo, true));
        if let Some(print) = print.filter(|p| used + p.jpeg.len() <= ALL) {
            used += print.jpeg.len();
            out.insert(photo, print);
        }
    }
    out
}

fn rendition(ledger: &Ledger, shown: &Shown<'_>, photo: &Photo, small: bool) -> Option<Print> {
    let wanted = if small { "small" } else { "large" };
    // Where there are boxes, never the copy without them.
    let (file, width, height) = match covered(shown.input.intake, photo, shown.wanted) {
        Some(c) => c.renditions.iter().find(|r| r.purpose == wanted).map(|r| (r.file, r.width, r.height))?,
        None => {
            let made = &photo.judged.as_ref()?.what.renditions;
            made.iter().find(|r| r.purpose == wanted).map(|r| (r.file, r.width, r.height))?
        }
    };
    let jpeg = ledger.originals().read(shown.input.intake.whose.shop, Shelf::Renditions, &file).ok()?;
    let whole = Digest::of(&jpeg) == file;
    whole.then(|| Print { jpeg: Arc::new(jpeg), width, height, small })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn printed(photos: u128, large: usize, small: usize) -> (usize, usize, usize) {
        let read = |_, is_small| {
            let jpeg = Arc::new(vec![0; if is_small { small } else { large }]);
            Some(Print { jpeg, width: 4, height: 3, small: is_small })
        };
        let out = within((0..photos).map(Uuid::from_u128), read);
        let bytes = out.values().map(|p| p.jpeg.len()).sum::<usize>();
        assert!(bytes <= ALL, "{bytes}");
        let small = out.values().filter(|p| p.small).count();
        (out.len() - small, small, photos as usize - out.len())
    }

    #[test]
    fn many_photos_are_printed_small_and_very_many_are_named_only() {
        assert_eq!(printed(40, 400 << 10, 20 << 10), (40, 0, 0));
        assert_eq!(printed(100, 400 << 10, 20 << 10), (40, 60, 0));
        let (large, small, none) = printed(400, 400 << 10, 20 << 10);
        assert!(large == 40 && small > 200 && none > 0, "{large} {small} {none}");
    }

    #[test]
    fn a_photo_without_a_small_copy_is_named_when_it_does_not_fit() {
        let read = |_, small: bool| {
            let jpeg = Arc::new(vec![0; 7 << 20]);
            (!small).then_some(Print { jpeg, width: 4, height: 3, small })
        };
        assert_eq!(within((0..4).map(Uuid::from_u128), read).len(), 2);
    }
}
