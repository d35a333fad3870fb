//! The archive of a pack: a ZIP (APPNOTE.TXT 6.3.10, 4.3) restricted until only one file holds given members: stored, not
//! compressed, one after the other, no comments, no extra fields, a fixed time. So nothing can hide in it, nothing can
//! swell, and every tool opens it. Headers are compared byte by byte with what they would be written as.

use std::collections::BTreeSet;
use std::io::{self, Write};

/// Most members.
pub const MAX_MEMBERS: usize = 20_000;
/// Largest central directory read, in bytes.
pub const MAX_DIRECTORY: u64 = 8 << 20;
/// Longest name, in bytes.
pub const MAX_NAME: usize = 120;
/// Length of the record at the end.
const END: u64 = 22;

/// Bytes that can be read anywhere. Reading is the caller's: a file, a slice of memory.
pub trait Source {
    /// How many there are.
    fn size(&self) -> u64;
    /// Fills the buffer from a place on.
    ///
    /// # Errors
    /// What the reading said.
    fn read_at(&mut self, at: u64, into: &mut [u8]) -> io::Result<()>;
}

impl Source for &[u8] {
    fn size(&self) -> u64 {
        self.len() as u64
    }

    fn read_at(&mut self, at: u64, into: &mut [u8]) -> io::Result<()> {
        let from = usize::try_from(at).map_err(|_| io::ErrorKind::UnexpectedEof)?;
        let piece = from.checked_add(into.len()).and_then(|to| self.get(from..to));
        into.copy_from_slice(piece.ok_or(io::ErrorKind::UnexpectedEof)?);
        Ok(())
    }
}

/// One member.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Member {
    /// Its path.
    pub name: String,
    /// CRC-32 as the headers have it; whoever checks goes by SHA-256.
    pub crc: u32,
    /// Its length in bytes.
    pub size: u32,
    /// Where its bytes begin.
    pub at: u64,
}

/// Why an archive is not as a pack's is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ZipError {
    /// It does not end in the record that ends an archive: cut off, or something hangs on it.
    End,
    /// The directory does not agree with itself or with the members.
    Directory,
    /// A member is compressed.
    Packed,
    /// A name that no pack has.
    Path,
    /// A name that stands twice.
    Twice,
    /// It could not be read.
    Unread,
}

/// Whether a path may stand in a pack: `VERIFY.txt`, or lower-case letters, digits and `.`, `-`, `_` in at most four parts, no part
/// beginning with a dot.
pub fn good_path(path: &str) -> bool {
    let good = |part: &str| {
        !part.is_empty()
            && !part.starts_with('.')
            && part.bytes().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || matches!(c, b'.' | b'-' | b'_'))
    };
    path == "VERIFY.txt" || path.len() <= MAX_NAME && path.split('/').count() <= 4 && path.split('/').all(good)
}

fn put(out: &mut Vec<u8>, bytes: usize, value: u64) {
    out.extend_from_slice(&value.to_le_bytes()[..bytes]);
}

/// From the version needed to the lengths: what both headers of a member share. 1980-01-01 00:00 for all.
fn common(out: &mut Vec<u8>, name: &str, crc: u32, size: u32) {
    for (bytes, value) in [(2, 10), (2, 0x0800), (2, 0), (2, 0), (2, 0x21), (4, u64::from(crc))] {
        put(out, bytes, value);
    }
    for (bytes, value) in [(4, u64::from(size)), (4, u64::from(size)), (2, name.len() as u64), (2, 0)] {
        put(out, bytes, value);
    }
}

fn local(name: &str, crc: u32, size: u32) -> Vec<u8> {
    let mut out = b"PK\x03\x04".to_vec();
    common(&mut out, name, crc, size);
    out.extend_from_slice(name.as_bytes());
    out
}

fn central(name: &str, crc: u32, size: u32, at: u32) -> Vec<u8> {
    let mut out = b"PK\x01\x02".to_vec();
    put(&mut out, 2, 10);
    common(&mut out, name, crc, size);
    for (bytes, value) in [(2, 0), (2, 0), (2, 0), (4, 0), (4, u64::from(at))] {
        put(&mut out, bytes, value);
    }
    out.extend_from_slice(name.as_bytes());
    out
}

fn end(count: u16, directory: u32, at: u32) -> Vec<u8> {
    let mut out = b"PK\x05\x06".to_vec();
    for (bytes, value) in [(2, 0), (2, 0), (2, u64::from(count)), (2, u64::from(count))] {
        put(&mut out, bytes, value);
    }
    for (bytes, value) in [(4, u64::from(directory)), (4, u64::from(at)), (2, 0)] {
        put(&mut out, bytes, value);
    }
    out
}

/// How long an archive of members with these names and lengths is; `None` when it would have 4 GiB or more, or too many members.
pub fn length<'a>(members: impl IntoIterator<Item = (&'a str, u64)>) -> Option<u64> {
    let (mut sum, mut count) = (END, 0);
    for (name, size) in members {
        sum = sum.checked_add(30 + 46 + 2 * name.len() as u64)?.checked_add(size)?;
        count += 1;
    }
    (count <= MAX_MEMBERS && sum < u64::from(u32::MAX)).then_some(sum)
}

/// Writes an archive from front to back. A member's CRC-32 and length are told before its bytes.
#[derive(Debug)]
pub struct Writer<W> {
    out: W,
    at: u64,
    directory: Vec<u8>,
    count: u16,
    open: Option<(u32, u64, crc32fast::Hasher)>,
}

impl<W: Write> Writer<W> {
    /// An archive without members yet.
    pub fn new(out: W) -> Writer<W> {
        Writer { out, at: 0, directory: Vec::new(), count: 0, open: None }
    }

    /// A member whose bytes are at hand.
    ///
    /// # Errors
    /// As [`Writer::begin`] and [`Writer::piece`].
    pub fn whole(&mut self, name: &str, bytes: &[u8]) -> io::Result<()> {
        self.begin(name, crc32fast::hash(bytes), bytes.len() as u64)?;
        self.piece(bytes)
    }

    /// Begins a member.
    ///
    /// # Errors
    /// When the one before is not complete, the name is none of a pack, or the archive would be too large.
    pub fn begin(&mut self, name: &str, crc: u32, size: u64) -> io::Result<()> {
        self.complete()?;
        let too_large = || io::Error::other("a pack stays below 4 GiB");
        let (at, short) = (u32::try_from(self.at), u32::try_from(size));
        let (at, short) = (at.map_err(|_| too_large())?, short.map_err(|_| too_large())?);
        if !good_path(name) || usize::from(self.count) >= MAX_MEMBERS {
            return Err(io::Error::other("a member of a pack has another name, or there are too many"));
        }
        let header = local(name, crc, short);
        self.out.write_all(&header)?;
        self.at += header.len() as u64;
        self.directory.extend_from_slice(&central(name, crc, short, at));
        self.count += 1;
        self.open = Some((crc, size, crc32fast::Hasher::new()));
        Ok(())
    }

    /// The next bytes of the member that was begun.
    ///
    /// # Errors
    /// More bytes than were told, or what the writing said.
    pub fn piece(&mut self, bytes: &[u8]) -> io::Result<()> {
        let Some((_, left, crc)) = &mut self.open else { return Err(io::Error::other("no member was begun")) };
        *left = left
            .checked_sub(bytes.len() as u64)
            .ok_or_else(|| io::Error::other("a member is longer than it was told to be"))?;
        crc.update(bytes);
        self.out.write_all(bytes)?;
        self.at += bytes.len() as u64;
        Ok(())
    }

    fn complete(&mut self) -> io::Result<()> {
        let Some((crc, left, have)) = self.open.take() else { return Ok(()) };
        if left > 0 || have.finalize() != crc {
            return Err(io::Error::other("a member changed while it was packed"));
        }
        Ok(())
    }

    /// Writes the directory and gives the output back.
    ///
    /// # Errors
    /// As [`Writer::begin`].
    pub fn finish(mut self) -> io::Result<W> {
        self.complete()?;
        let too_large = || io::Error::other("a pack stays below 4 GiB");
        let at = u32::try_from(self.at).map_err(|_| too_large())?;
        let length = u32::try_from(self.directory.len()).map_err(|_| too_large())?;
        self.out.write_all(&self.directory)?;
        self.out.write_all(&end(self.count, length, at))?;
        self.out.flush()?;
        Ok(self.out)
    }
}

fn number(bytes: &[u8]) -> u64 {
    bytes.iter().rev().fold(0, |n, b| n << 8 | u64::from(*b))
}

fn read(source: &mut dyn Source, at: u64, length: u64) -> Result<Vec<u8>, ZipError> {
    let mut out = vec![0; usize::try_from(length).map_err(|_| ZipError::Unread)?];
    source.read_at(at, &mut out).map_err(|_| ZipError::Unread)?;
    Ok(out)
}

/// The members of an archive, in their order. All headers are read, none of the contents.
///
/// # Errors
/// Why it is not one as [`Writer`] writes it.
///
/// ```
/// use evidence::zip::{Writer, list};
/// let mut archive = Writer::new(Vec::new());
/// archive.whole("entries/00000007.json", b"{}").unwrap();
/// let bytes = archive.finish().unwrap();
/// assert_eq!(list(&mut bytes.as_slice()).unwrap()[0].name, "entries/00000007.json");
/// ```
pub fn list(source: &mut dyn Source) -> Result<Vec<Member>, ZipError> {
    let size = source.size();
    let end_at = size.checked_sub(END).ok_or(ZipError::End)?;
    let last = read(source, end_at, END)?;
    let (count, length, begin) = (number(&last[10..12]), number(&last[12..16]), number(&last[16..20]));
    if last[..4] != *b"PK\x05\x06" || last[20..] != [0, 0] {
        return Err(ZipError::End);
    }
    let fits = begin + length == end_at && length <= MAX_DIRECTORY && count <= MAX_MEMBERS as u64;
    if !fits || last != end(count as u16, length as u32, begin as u32) {
        return Err(ZipError::Directory);
    }
    let directory = read(source, begin, length)?;
    let (mut rest, mut at, mut names) = (directory.as_slice(), 0, BTreeSet::new());
    let mut out = Vec::new();
    while !rest.is_empty() {
        let fixed = rest.get(..46).ok_or(ZipError::Directory)?;
        let name = rest.get(46..46 + number(&fixed[28..30]) as usize).ok_or(ZipError::Directory)?;
        let (crc, size) = (number(&fixed[16..20]) as u32, number(&fixed[20..24]) as u32);
        if number(&fixed[10..12]) != 0 || fixed[20..24] != fixed[24..28] {
            return Err(ZipError::Packed);
        }
        let name = std::str::from_utf8(name).ok().filter(|n| good_path(n)).ok_or(ZipError::Path)?;
        let header = local(name, crc, size);
        let data = at + header.len() as u64;
        if !rest.starts_with(&central(name, crc, size, u32::try_from(at).map_err(|_| ZipError::Directory)?))
            || data + u64::from(size) > begin
            || read(source, at, header.len() as u64)? != header
        {
            return Err(ZipError::Directory);
        }
        if !names.insert(name.to_owned()) {
            return Err(ZipError::Twice);
        }
        out.push(Member { name: name.to_owned(), crc, size, at: data });
        at = data + u64::from(size);
        rest = &rest[46 + name.len()..];
    }
    if at == begin && out.len() as u64 == count { Ok(out) } else { Err(ZipError::Directory) }
}
