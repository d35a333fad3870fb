//! Files built to hurt whoever reads them: pictures that claim too much, hold too much, or are something else too.
//!
//! Each is made from its format's own rules, so that a reader gets as far into it as it can be led.

use std::io::Write;

use flate2::Compression;
use flate2::write::{DeflateEncoder, ZlibEncoder};

/// A PNG chunk: length, type, data, checksum (PNG 5.3).
pub fn chunk(name: &[u8; 4], data: &[u8]) -> Vec<u8> {
    let mut crc = flate2::Crc::new();
    crc.update(name);
    crc.update(data);
    [&be32(data.len())[..], name, data, &crc.sum().to_be_bytes()].concat()
}

/// A PNG of the given chunks after its header: 8 bits a sample, `colour` 0 for grey, 2 for RGB.
pub fn png(width: u32, height: u32, colour: u8, chunks: &[Vec<u8>]) -> Vec<u8> {
    let header = [&width.to_be_bytes()[..], &height.to_be_bytes(), &[8, colour, 0, 0, 0]].concat();
    let mut out = [b"\x89PNG\r\n\x1a\n".to_vec(), chunk(b"IHDR", &header)].concat();
    chunks.iter().for_each(|c| out.extend_from_slice(c));
    out.extend_from_slice(&chunk(b"IEND", &[]));
    out
}

/// `len` zero bytes, compressed with a zlib header: about a thousandth of them.
pub fn zeros(len: usize) -> Vec<u8> {
    let mut out = ZlibEncoder::new(Vec::new(), Compression::best());
    let piece = vec![0; 1 << 16];
    let mut left = len;
    while left > 0 {
        let n = left.min(piece.len());
        out.write_all(&piece[..n]).expect("memory takes it");
        left -= n;
    }
    out.finish().expect("memory takes it")
}

/// A black grey PNG whose data are as long as its header says.
pub fn black_png(width: u32, height: u32) -> Vec<u8> {
    png(width, height, 0, &[chunk(b"IDAT", &zeros((width as usize + 1) * height as usize))])
}

/// A JPEG segment of at most 65,533 bytes (ISO/IEC 10918-1 B.1.1.4).
pub fn segment(code: u8, body: &[u8]) -> Vec<u8> {
    let len = u16::try_from(body.len() + 2).expect("a segment's length");
    [&[0xFF, code][..], &len.to_be_bytes(), body].concat()
}

/// A JPEG with further segments right after its start.
pub fn with_segments(jpeg: &[u8], segments: &[Vec<u8>]) -> Vec<u8> {
    [&jpeg[..2], &segments.concat(), &jpeg[2..]].concat()
}

/// A frame header (`code` 0xC0 baseline, 0xC2 progressive) and one scan of nothing, after the picture's start.
pub fn claimed_jpeg(code: u8, width: u16, height: u16) -> Vec<u8> {
    let frame =
        [&[8][..], &height.to_be_bytes(), &width.to_be_bytes(), &[3, 1, 0x22, 0, 2, 0x11, 0, 3, 0x11, 0]].concat();
    let scan = segment(0xDA, &[3, 1, 0, 2, 0, 3, 0, 0, 63, 0]);
    [&[0xFF, 0xD8][..], &segment(code, &frame), &scan, &[0; 8], &[0xFF, 0xD9]].concat()
}

/// The same header claimed by a progressive JPEG with `scans` scans, each of a few bits.
pub fn many_scans(width: u16, height: u16, scans: usize) -> Vec<u8> {
    let frame = [&[8][..], &height.to_be_bytes(), &width.to_be_bytes(), &[1, 1, 0x11, 0]].concat();
    // One table with a single code: every block is the same.
    let codes = [&[0][..], &[1], &[0; 15], &[0]].concat();
    let tables = [segment(0xDB, &[&[0][..], &[1; 64]].concat()), segment(0xC4, &codes)].concat();
    let scan = [segment(0xDA, &[1, 1, 0, 0, 0, 0]), vec![0; 64]].concat();
    [&[0xFF, 0xD8][..], &tables, &segment(0xC2, &frame), &scan.repeat(scans), &[0xFF, 0xD9]].concat()
}

/// A RIFF file of WebP chunks (RFC 9649 2.3).
pub fn webp(chunks: &[Vec<u8>]) -> Vec<u8> {
    let body = [&b"WEBP"[..], &chunks.concat()].concat();
    [&b"RIFF"[..], &le32(body.len()), &body].concat()
}

/// One chunk of it.
pub fn riff(name: &[u8; 4], data: &[u8]) -> Vec<u8> {
    let pad: &[u8] = if data.len() % 2 == 1 { &[0] } else { &[] };
    [&name[..], &le32(data.len()), data, pad].concat()
}

/// The body of a `VP8L` chunk that says one colour for every pixel: each of its codes has one symbol, so the picture
/// itself takes no bits at all (RFC 9649 3.7.2.1.1).
pub fn one_colour(width: u32, height: u32) -> Vec<u8> {
    let mut bits: Vec<bool> = Vec::new();
    let mut put = |value: u32, count: u32| bits.extend((0..count).map(|n| value >> n & 1 == 1));
    put(0x2F, 8);
    put(width - 1, 14);
    put(height - 1, 14);
    put(0, 1 + 3); // no transparency, version 0
    put(0, 3); // no transform, no colour cache, one group of codes
    for _ in 0..5 {
        put(0b1, 1); // a simple code
        put(0, 1); // of one symbol
        put(0, 1); // of one bit
        put(0, 1);
    }
    bits.chunks(8).map(|byte| byte.iter().enumerate().fold(0, |all, (n, b)| all | u8::from(*b) << n)).collect()
}

/// The body of a `VP8X` chunk: flags and a canvas (RFC 9649 2.7).
pub fn canvas(flags: u8, width: u32, height: u32) -> Vec<u8> {
    let side = |n: u32| (n - 1).to_le_bytes()[..3].to_vec();
    [vec![flags, 0, 0, 0], side(width), side(height)].concat()
}

/// An `Exif` segment around a TIFF block.
pub fn exif(tiff: &[u8]) -> Vec<u8> {
    segment(0xE1, &[b"Exif\0\0", tiff].concat())
}

/// A TIFF block, little-endian, whose first directory stands at 8.
pub fn tiff(directories: &[Vec<u8>]) -> Vec<u8> {
    [&b"II*\0\x08\0\0\0"[..], &directories.concat()].concat()
}

/// A directory of members (tag, type, count, value), then the offset of the next directory.
pub fn directory(members: &[(u16, u16, u32, u32)], next: u32) -> Vec<u8> {
    let mut out = u16::try_from(members.len()).expect("a count").to_le_bytes().to_vec();
    for (tag, kind, count, value) in members {
        out.extend_from_slice(&tag.to_le_bytes());
        out.extend_from_slice(&kind.to_le_bytes());
        out.extend_from_slice(&count.to_le_bytes());
        out.extend_from_slice(&value.to_le_bytes());
    }
    out.extend_from_slice(&next.to_le_bytes());
    out
}

/// A JPEG's colour profile in `parts` segments of full length; each says it is one of `of` (ICC.1 B.4).
pub fn profile_parts(parts: u8, of: u8) -> Vec<Vec<u8>> {
    let part = |n: u8| segment(0xE2, &[&b"ICC_PROFILE\0"[..], &[n, of], &[0x41; 65_519]].concat());
    (1..=parts).map(part).collect()
}

/// An archive with one file in it, stored (PKWARE APPNOTE 4.3).
pub fn zip() -> Vec<u8> {
    let (name, data) = (b"run.sh", b"#!/bin/sh\nexit 1\n");
    let mut crc = flate2::Crc::new();
    crc.update(data);
    let sizes = [&crc.sum().to_le_bytes()[..], &le32(data.len()), &le32(data.len()), &[6, 0, 0, 0]].concat();
    let local = [&b"PK\x03\x04\x0a\0\0\0\0\0\0\0\0\0"[..], &sizes, name, data].concat();
    let central = [&b"PK\x01\x02\x0a\0\x0a\0\0\0\0\0\0\0\0\0"[..], &sizes, &[0; 10], &[0; 4], name].concat();
    let end = [&b"PK\x05\x06\0\0\0\0\x01\0\x01\0"[..], &le32(central.len()), &le32(local.len()), &[0, 0]].concat();
    [local, central, end].concat()
}

/// Bytes of a valid deflate stream without any header: noise to everybody who looks for a type.
pub fn deflated(text: &[u8]) -> Vec<u8> {
    let mut out = DeflateEncoder::new(Vec::new(), Compression::best());
    out.write_all(text).expect("memory takes it");
    out.finish().expect("memory takes it")
}

fn be32(n: usize) -> [u8; 4] {
    u32::try_from(n).expect("a length").to_be_bytes()
}

fn le32(n: usize) -> [u8; 4] {
    u32::try_from(n).expect("a length").to_le_bytes()
}
