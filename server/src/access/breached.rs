//! Passwords known from breaches: a list that whoever runs the server puts there, since it is gigabytes and a shop's box may
//! have no network. The form in which such lists are published: one `HASH:COUNT` a line, or `HASH` alone, sorted; the hash is
//! the password's SHA-1 in hexadecimal, whole or cut to its first digits, to as many in each line.
//!
//! The file is opened anew for each password that is set, so that another one can be put in its place, and is searched in
//! halves: some forty reads of 128 bytes, whatever its size.

use std::cmp::Ordering;
use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom};
use std::path::{Path, PathBuf};

use sha1::{Digest, Sha1};

/// What it is called in the data folder.
pub(crate) const NAME: &str = "breached-passwords.txt";
/// Digits of a SHA-1.
const WHOLE: usize = 40;
/// A cut hash has so many at least: with fewer, passwords that nobody knows would be in a long list too.
const FEWEST: usize = 16;
/// Digits of another hash that is published in the same form.
const NTLM: usize = 32;
/// The longest line, with its end, in bytes: a whole hash, a colon, a count of 20 digits.
const LINE: usize = 64;
/// How many places are looked at before a list is used.
const LOOKS: u64 = 1_000;

/// Such a list, or none.
#[derive(Clone, Debug, Default)]
pub struct Breached(Option<PathBuf>);

impl Breached {
    /// The list that is named, else the one in the data folder, where there is one; looked at in a thousand places.
    ///
    /// # Errors
    /// A sentence, when the file cannot be read or is no such list.
    pub fn find(named: Option<&Path>, data: &Path) -> Result<Breached, String> {
        let path = match named {
            Some(path) => path.to_owned(),
            None => {
                let path = data.join(NAME);
                if !path.try_exists().map_err(|e| format!("{}: {e}", path.display()))? {
                    return Ok(Breached(None));
                }
                path
            }
        };
        let told = |e| format!("the list of breached passwords {}: {e}", path.display());
        List::open(&path).and_then(|mut list| list.check()).map_err(told)?;
        Ok(Breached(Some(path)))
    }

    /// Whether a password is in the list. Reads from disk.
    ///
    /// # Errors
    /// When the file cannot be read any more, or is no such list any more.
    pub(crate) fn holds(&self, password: &str) -> io::Result<bool> {
        match &self.0 {
            Some(path) => List::open(path)?.holds(&digits(password)),
            None => Ok(false),
        }
    }

    /// Whether there is one.
    pub(crate) fn is_there(&self) -> bool {
        self.0.is_some()
    }
}

/// The SHA-1 of a password in capital hexadecimal digits.
fn digits(password: &str) -> [u8; WHOLE] {
    let hash: [u8; WHOLE / 2] = Sha1::digest(password.as_bytes()).into();
    let digit = |n: u8| char::from_digit(n.into(), 16).map_or(b'0', |c| c.to_ascii_uppercase() as u8);
    std::array::from_fn(|i| digit(if i % 2 == 0 { hash[i / 2] >> 4 } else { hash[i / 2] & 15 }))
}

/// An open list.
struct List {
    file: File,
    length: u64,
    /// How many digits each hash has.
    digits: usize,
}

/// A line of it.
struct Line {
    /// Where it begins, and where the next one does.
    begins: u64,
    ends: u64,
    /// In capitals; the first `List::digits` count.
    hash: [u8; WHOLE],
}

fn broken(at: u64, what: &str) -> io::Error {
    io::Error::new(io::ErrorKind::InvalidData, format!("at byte {at}: {what}"))
}

impl List {
    fn open(path: &Path) -> io::Result<List> {
        let file = File::open(path)?;
        let about = file.metadata()?;
        if !about.is_file() {
            return Err(io::Error::new(io::ErrorKind::InvalidData, "this is no file"));
        }
        let mut list = List { file, length: about.len(), digits: 0 };
        let head = list.read(0)?;
        list.digits = head.iter().take_while(|b| b.is_ascii_hexdigit()).count();
        if list.digits == NTLM {
            return Err(broken(0, "these look like NTLM hashes; take the list of SHA-1 hashes"));
        }
        if !(FEWEST..=WHOLE).contains(&list.digits) {
            return Err(broken(0, "a line is HASH or HASH:COUNT, with 16 to 40 digits of a SHA-1 in hexadecimal"));
        }
        Ok(list)
    }

    /// Two lines' worth of bytes from there on, less at the end.
    fn read(&mut self, from: u64) -> io::Result<Vec<u8>> {
        self.file.seek(SeekFrom::Start(from))?;
        let mut bytes = Vec::with_capacity(2 * LINE);
        (&mut self.file).take(2 * LINE as u64).read_to_end(&mut bytes)?;
        Ok(bytes)
    }

    /// The first line that begins there or later; none at the end.
    fn line(&mut self, at: u64) -> io::Result<Option<Line>> {
        // From the byte before on: it tells whether a line begins just there.
        let from = at.saturating_sub(1);
        let bytes = self.read(from)?;
        let end = |bytes: &[u8]| bytes.iter().take(LINE).position(|b| *b == b'\n').map(|n| n + 1);
        let skip = if at == 0 {
            0
        } else {
            match end(&bytes) {
                Some(skip) => skip,
                None if bytes.len() < LINE => return Ok(None), // within the last line
                None => return Err(broken(from, "this line is longer than any of such a list")),
            }
        };
        let begins = from + skip as u64;
        let rest = &bytes[skip..];
        if rest.is_empty() {
            return Ok(None);
        }
        let (text, ends) = match end(rest) {
            Some(n) => (&rest[..n - 1], begins + n as u64),
            None if begins + rest.len() as u64 >= self.length => (rest, self.length), // the last one, without an end
            None => return Err(broken(begins, "this line is longer than any of such a list")),
        };
        let hash = self.parse(text.strip_suffix(b"\r").unwrap_or(text));
        let hash = hash.ok_or_else(|| broken(begins, "this is not HASH:COUNT as in the first line"))?;
        Ok(Some(Line { begins, ends, hash }))
    }

    fn parse(&self, text: &[u8]) -> Option<[u8; WHOLE]> {
        let (hash, rest) = text.split_at_checked(self.digits)?;
        let counted = match rest {
            [] => true,
            [b':', count @ ..] => !count.is_empty() && count.iter().all(u8::is_ascii_digit),
            _ => false,
        };
        if !counted || !hash.iter().all(u8::is_ascii_hexdigit) {
            return None;
        }
        let mut out = [0; WHOLE];
        out[..self.digits].copy_from_slice(hash);
        out.make_ascii_uppercase();
        Some(out)
    }

    /// Looks at the list in many places, and at its end: a file that is something else, or not sorted, is told at the start
    /// and not when somebody sets a password.
    fn check(&mut self) -> io::Result<()> {
        let (step, tail) = (self.length / LOOKS, self.length.saturating_sub(2 * LINE as u64));
        let (mut at, mut before) = (0, None::<Line>);
        while let Some(line) = self.line(at)? {
            if before.is_some_and(|b| b.hash > line.hash) {
                return Err(broken(line.begins, "the list is not sorted by its hashes"));
            }
            // A small list is looked at line by line, and so is the end of any.
            at = line.ends.max(tail.min(at + step));
            before = Some(line);
        }
        Ok(())
    }

    /// Whether a hash is in it: halves what is left until nothing is.
    fn holds(&mut self, hash: &[u8; WHOLE]) -> io::Result<bool> {
        let digits = self.digits;
        let (mut low, mut high) = (0, self.length);
        while low < high {
            let middle = low + (high - low) / 2;
            match self.line(middle)?.filter(|line| line.begins < high) {
                // No line begins between the middle and the end of what is left.
                None => high = middle,
                Some(line) => match line.hash[..digits].cmp(&hash[..digits]) {
                    Ordering::Equal => return Ok(true),
                    Ordering::Less => low = line.ends,
                    Ordering::Greater => high = middle,
                },
            }
        }
        Ok(false)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::access::testing::Folder;

    fn text(bytes: &[u8]) -> String {
        String::from_utf8_lossy(bytes).into_owned()
    }

    /// Two thousand passwords with what differs from line to line: counts of other lengths, ends of lines.
    fn list(digits_each: usize, end: &str) -> String {
        let mut lines: Vec<String> = (0..2_000u64)
            .map(|n| {
                let hash = text(&digits(&format!("known {n}"))[..digits_each]);
                if n % 7 == 0 { hash } else { format!("{hash}:{}", n * n * n) }
            })
            .collect();
        lines.sort_unstable();
        lines.join(end) + end
    }

    fn found(folder: &Folder, bytes: &[u8]) -> Result<Breached, String> {
        let path = folder.0.join(NAME);
        std::fs::write(&path, bytes).expect("a file");
        Breached::find(None, &folder.0)
    }

    #[test]
    fn the_hash_is_sha_1() {
        // FIPS 180-4, the example of SHA-1 with one block.
        assert_eq!(text(&digits("abc")), "A9993E364706816ABA3E25717850C26C9CD0D89D");
    }

    #[test]
    fn each_of_a_list_is_found_and_nothing_else_whatever_its_form() {
        let folder = Folder::new();
        assert!(!Breached::find(None, &folder.0).expect("none").holds("known 1").expect("no list"));
        for (digits_each, end) in [(40, "\n"), (40, "\r\n"), (16, "\n"), (23, "\r\n")] {
            let upper = list(digits_each, end);
            for text in [upper.clone(), upper.trim_end().to_owned(), upper.to_lowercase()] {
                let breached = found(&folder, text.as_bytes()).expect("a list");
                for n in 0..2_000 {
                    assert!(breached.holds(&format!("known {n}")).expect("read"), "{n} of {digits_each}");
                    assert!(!breached.holds(&format!("new {n}")).expect("read"), "{n} of {digits_each}");
                }
            }
        }
        let one = text(&digits("known 5"));
        let breached = found(&folder, one.as_bytes()).expect("a list of one");
        assert!(breached.holds("known 5").expect("read") && !breached.holds("known 6").expect("read"));
    }

    #[test]
    fn what_is_no_such_list_is_refused_with_a_sentence() {
        let folder = Folder::new();
        let good = list(40, "\n");
        let lines: Vec<&str> = good.lines().collect();
        let backwards = lines.iter().rev().copied().collect::<Vec<_>>().join("\n");
        let ntlm = lines.iter().map(|l| &l[..32]).collect::<Vec<_>>().join("\n");
        let cut = good.replacen(lines[1_000], &lines[1_000][..20], 1);
        let long = format!("{}:{}\n", &lines[0][..40], "1".repeat(100));
        for (bytes, says) in [
            ("", "HASH:COUNT"),
            ("123456\npassword\n", "HASH:COUNT"),
            ("\u{feff}0", "HASH:COUNT"),
            (backwards.as_str(), "not sorted"),
            (ntlm.as_str(), "NTLM"),
            (cut.as_str(), "as in the first line"),
            (long.as_str(), "longer"),
            ("0000000000000000:1\n0000\n", "as in the first line"),
            (format!("{good}\n").as_str(), "as in the first line"),
        ] {
            let refused = found(&folder, bytes.as_bytes()).expect_err(says);
            assert!(refused.contains(says) && refused.contains(NAME), "{refused}");
        }
        assert!(found(&folder, &[0xff; 4_096]).is_err() && found(&folder, &[b'A'; 4_096]).is_err());
        let absent = Breached::find(Some(&folder.0.join("not-there")), &folder.0).expect_err("named and not there");
        assert!(absent.contains("not-there"), "{absent}");
        assert!(Breached::find(Some(&folder.0), &folder.0).is_err(), "a folder");
    }
}
