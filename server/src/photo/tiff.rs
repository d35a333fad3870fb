//! A look at the directories of an EXIF block before the library reads it.
//!
//! The library visits every directory that a pointer names, and overlapping directories make 64 KB into gigabytes of
//! members. A camera writes some hundred.

use std::collections::HashSet;

/// The most members, over all directories, of a block that is read.
const MAX_MEMBERS: usize = 4096;

/// Whether the library would meet a modest number of members. Follows the same path as it does: the chain of
/// directories, and the pointers to the EXIF, GPS and interoperability directories.
pub fn modest(block: &[u8]) -> bool {
    let little = block.starts_with(b"II");
    let mut walk = Walk { block, little, left: MAX_MEMBERS, seen: HashSet::new() };
    let mut at = walk.u32(4);
    while let Some(offset) = at.filter(|n| *n != 0) {
        at = walk.directory(offset as usize, 0);
    }
    walk.left > 0
}

struct Walk<'a> {
    block: &'a [u8],
    little: bool,
    left: usize,
    /// Directories are visited once, so that a ring ends.
    seen: HashSet<usize>,
}

impl Walk<'_> {
    fn u16(&self, at: usize) -> Option<u16> {
        let b = *self.block.get(at..)?.first_chunk()?;
        Some(if self.little { u16::from_le_bytes(b) } else { u16::from_be_bytes(b) })
    }

    fn u32(&self, at: usize) -> Option<u32> {
        let b = *self.block.get(at..)?.first_chunk()?;
        Some(if self.little { u32::from_le_bytes(b) } else { u32::from_be_bytes(b) })
    }

    /// Counts a directory and those it points to; gives the offset of the next in the chain.
    fn directory(&mut self, offset: usize, depth: u8) -> Option<u32> {
        let count = usize::from(self.u16(offset)?);
        if self.left == 0 || !self.seen.insert(offset) {
            return None;
        }
        for n in 0..count {
            let at = offset + 2 + 12 * n;
            let tag = self.u16(at)?;
            let left = self.left.checked_sub(1);
            self.left = left.unwrap_or(0);
            left?;
            if matches!(tag, 0x8769 | 0x8825 | 0xA005) && depth < 4 {
                self.pointer(at).and_then(|to| self.directory(to, depth + 1));
            }
        }
        self.u32(offset + 2 + 12 * count)
    }

    /// The offset that a pointer names, whatever whole-number type it was written as.
    fn pointer(&self, at: usize) -> Option<usize> {
        let size = match self.u16(at + 2)? {
            1 => 1,
            3 => 2,
            4 => 4,
            _ => return None,
        };
        let value = match (self.u32(at + 4)? as usize).checked_mul(size)? {
            0 => return None,
            1..=4 => at + 8,
            _ => self.u32(at + 8)? as usize,
        };
        match size {
            1 => self.block.get(value).map(|n| usize::from(*n)),
            2 => self.u16(value).map(usize::from),
            _ => self.u32(value).map(|n| n as usize),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Half the block points into the other half, each time two bytes on: every pointer is a directory of its own.
    fn quadratic() -> Vec<u8> {
        let count = 2700u16;
        let mut block = b"MM\0*\0\0\0\x08".to_vec();
        block.extend_from_slice(&count.to_be_bytes());
        for n in 0..u32::from(count) {
            block.extend_from_slice(&[0x87, 0x69, 0, 4, 0, 0, 0, 1]);
            block.extend_from_slice(&(32_420 + 2 * n).to_be_bytes());
        }
        while block.len() < 65_000 {
            block.extend_from_slice(&[0x0A, 0x8C]);
        }
        block
    }

    #[test]
    fn a_block_that_multiplies_is_refused() {
        assert!(!modest(&quadratic()));
        let (claims, _) = super::super::claims::read(&quadratic());
        assert_eq!(claims.altered.get("exif").map(String::as_str), Some("refused"));
    }

    #[test]
    fn a_ring_ends() {
        assert!(modest(b"MM\0*\0\0\0\x08\0\0\0\0\0\x08"));
        assert!(modest(b"MM\0*\0\0\0\x08\0\0\0\0\0\0"));
        assert!(modest(b"II*\0"));
        assert!(modest(b""));
    }
}
