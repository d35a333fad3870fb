//! Files that an entry names and whose bytes arrive whole: what is wrong with them is inside.

use tests::forged::*;
use tests::picture;

/// One file.
pub struct File {
    /// What it is.
    pub name: &'static str,
    /// The answer to its upload.
    pub want: &'static str,
    /// How it is judged, where it is kept.
    pub verdict: &'static str,
    /// Its bytes.
    pub bytes: fn() -> Vec<u8>,
}

/// Never kept: another type, or a claim no bytes of that length can hold.
const fn refused(name: &'static str, bytes: fn() -> Vec<u8>) -> File {
    File { name, want: "415 refused-type", verdict: "", bytes }
}

/// Kept as sent, and judged so.
const fn kept(name: &'static str, verdict: &'static str, bytes: fn() -> Vec<u8>) -> File {
    File { name, want: "200", verdict, bytes }
}

fn small() -> Vec<u8> {
    picture::sharp_of(11, 1000, 800)
}

/// A picture with these segments first.
fn headed(segments: &[Vec<u8>]) -> Vec<u8> {
    with_segments(&small(), segments)
}

/// A picture whose EXIF block holds these directories.
fn claiming(directories: &[Vec<u8>]) -> Vec<u8> {
    headed(&[exif(&tiff(directories))])
}

fn cut(mut bytes: Vec<u8>, of: usize, at: usize) -> Vec<u8> {
    bytes.truncate(bytes.len() * at / of);
    bytes
}

fn grey_png(chunks: &[Vec<u8>]) -> Vec<u8> {
    let picture = [chunks, &[chunk(b"IDAT", &zeros(1001 * 800))]].concat();
    png(1000, 800, 0, &picture)
}

fn ring() -> Vec<u8> {
    // A directory that is its own EXIF, GPS and interoperability directory, and its own successor.
    claiming(&[directory(&[(0x8769, 4, 1, 8), (0x8825, 4, 1, 8), (0xA005, 4, 1, 8)], 8)])
}

fn overlapping() -> Vec<u8> {
    // Every two bytes begin another directory of very many members.
    let mut block = tiff(&[directory(&[(0x8769, 4, 1, 26)], 26)]);
    block.extend((0..30_000u16).flat_map(|_| 2_000u16.to_le_bytes()));
    headed(&[exif(&block)])
}

/// The whole table.
pub const FILES: &[File] = &[
    // Claims of size.
    refused("a PNG of 50,000 × 50,000", || png(50_000, 50_000, 2, &[chunk(b"IDAT", &zeros(4_000))])),
    refused("a PNG of the largest sides there are", || png(0x7FFF_FFFF, 0x7FFF_FFFF, 2, &[])),
    refused("a JPEG of 65,535 × 65,535", || claimed_jpeg(0xC0, 65_535, 65_535)),
    refused("a progressive JPEG of 65,535 × 65,535", || claimed_jpeg(0xC2, 65_535, 65_535)),
    refused("a WebP frame of 16,383 × 16,383", || {
        webp(&[riff(b"VP8 ", &[0, 0, 0, 0x9D, 1, 0x2A, 0xFF, 0x3F, 0xFF, 0x3F])])
    }),
    refused("a WebP of one colour, 16,384 × 16,384 in 14 bytes", || {
        webp(&[riff(b"VP8L", &one_colour(16_384, 16_384))])
    }),
    refused("a WebP canvas of 16,777,216 × 16,777,216", || webp(&[riff(b"VP8X", &canvas(0, 1 << 24, 1 << 24))])),
    refused("a WebP frame far larger than its canvas", || {
        let frame = [&[0; 16][..], &riff(b"VP8L", &one_colour(16_384, 16_384))].concat();
        webp(&[riff(b"VP8X", &canvas(2, 16, 16)), riff(b"ANMF", &frame)])
    }),
    kept("a JPEG that claims a side of 0", "poor", || claimed_jpeg(0xC0, 0, 800)),
    // What unpacks to more than it says.
    kept("a PNG whose data unpack to 1 GB", "poor", || png(1000, 800, 0, &[chunk(b"IDAT", &zeros(1_000_000_000))])),
    kept("a PNG whose colour profile unpacks to 500 MB", "poor", || {
        grey_png(&[chunk(b"iCCP", &[&b"p\0\0"[..], &zeros(500_000_000)].concat())])
    }),
    kept("a PNG whose text unpacks to 500 MB", "poor", || {
        grey_png(&[chunk(b"zTXt", &[&b"t\0\0"[..], &zeros(500_000_000)].concat())])
    }),
    kept("a PNG with 50,000 chunks of text", "poor", || grey_png(&vec![chunk(b"tEXt", b"k\0v"); 50_000])),
    kept("a PNG of 4,000,000,000 moving pictures", "poor", || {
        grey_png(&[chunk(b"acTL", &[&4_000_000_000u32.to_be_bytes()[..], &[0; 4]].concat())])
    }),
    kept("a PNG chunk longer than any file", "poor", || {
        let mut out = grey_png(&[]);
        out.splice(33..37, [0xFF; 4]);
        out
    }),
    kept("a progressive JPEG of 20,000 scans", "poor", || many_scans(1000, 800, 20_000)),
    // Cut short.
    kept("a JPEG cut in half", "poor", || cut(picture::sharp(12), 2, 1)),
    kept("a JPEG cut within its header", "poor", || picture::sharp(13)[..40].to_vec()),
    kept("a JPEG of its first three bytes", "poor", || vec![0xFF, 0xD8, 0xFF]),
    kept("a PNG cut in half", "poor", || cut(black_png(1000, 800), 2, 1)),
    kept("a PNG of its signature and header", "poor", || black_png(1000, 801)[..33].to_vec()),
    kept("a WebP cut short", "poor", || cut(webp(&[riff(b"VP8L", &one_colour(1000, 800))]), 28, 26)),
    kept("a WebP that claims 4 GB", "poor", || {
        let mut out = webp(&[riff(b"VP8L", &one_colour(1000, 804))]);
        out.splice(4..8, [0xFF; 4]);
        out
    }),
    // Something else.
    refused("a PDF", || {
        b"%PDF-1.7\n1 0 obj\n<< /OpenAction << /S /JavaScript /JS (app.alert(1)) >> >>\nendobj\n".to_vec()
    }),
    refused("a web page", || b"<!doctype html><script>fetch('/v1')</script>".to_vec()),
    refused("a drawing with a script", || b"<svg xmlns=\"http://www.w3.org/2000/svg\" onload=\"alert(1)\"/>".to_vec()),
    refused("a GIF", || {
        b"GIF89a\x01\0\x01\0\x80\0\0\0\0\0\xFF\xFF\xFF,\0\0\0\0\x01\0\x01\0\0\x02\x02D\x01\0;".to_vec()
    }),
    refused("a GIF that is a script", || b"GIF89a/*\0\0\0*/=alert(1)//;".to_vec()),
    refused("a TIFF", || tiff(&[directory(&[(256, 3, 1, 8), (257, 3, 1, 8)], 0)])),
    refused("an archive", zip),
    refused("a program", || [&b"\x7FELF\x02\x01\x01\0"[..], &[0; 56]].concat()),
    refused("a shell script", || b"#!/bin/sh\nexit 1\n".to_vec()),
    refused("an AVIF", || b"\0\0\0\x1cftypavif\0\0\0\0mif1heicmiaf".to_vec()),
    refused("a film", || b"\0\0\0\x18ftypisom\0\0\0\0isommp41".to_vec()),
    refused("compressed text without a header", || deflated(b"nothing that anybody knows")),
    refused("one byte", || vec![0]),
    refused("a web page before a JPEG", || [&b"<html><!--"[..], &picture::sharp_of(14, 300, 200)].concat()),
    // Two things at once: kept byte for byte, and served so that nobody runs it.
    kept("a JPEG that is an archive too", "usable", || [picture::sharp(15), zip()].concat()),
    kept("a JPEG with a web page in its comment", "usable", || {
        with_segments(&picture::sharp(16), &[segment(0xFE, b"<html><script>alert(1)</script>")])
    }),
    kept("a PNG with a script after its end", "poor", || {
        [grey_png(&[]), b"<script>fetch('//192.0.2.1')</script>".to_vec()].concat()
    }),
    kept("a WebP with a drawing in its metadata", "poor", || {
        let script = riff(b"XMP ", b"<svg xmlns=\"http://www.w3.org/2000/svg\" onload=\"alert(1)\"/>");
        webp(&[riff(b"VP8X", &canvas(4, 1000, 802)), riff(b"VP8L", &one_colour(1000, 802)), script])
    }),
    kept("a JPEG whose EXIF names are markup", "usable", || {
        let text = b"<img src=x onerror=alert(1)>\0";
        let mut block = tiff(&[directory(&[(0x010F, 2, u32::try_from(text.len()).unwrap_or(0), 26)], 0)]);
        block.extend_from_slice(text);
        with_segments(&picture::sharp(17), &[exif(&block)])
    }),
    // Headers without end.
    kept("a JPEG with 100,000 application segments", "usable", || headed(&vec![segment(0xEF, b"padding"); 100_000])),
    kept("a JPEG with 60 EXIF segments of full length", "usable", || {
        headed(&vec![exif(&tiff(&[vec![0; 65_500]])); 60])
    }),
    kept("a JPEG with 255 profile parts, 16 MB", "usable", || headed(&profile_parts(255, 255))),
    kept("a JPEG with profile parts that never come", "usable", || headed(&profile_parts(3, 250))),
    kept("a JPEG with 100 extended XMP segments", "usable", || {
        let part = [&b"http://ns.adobe.com/xmp/extension/\0"[..], &[0x30; 32], &[0xFF; 8], &[0x20; 65_000]].concat();
        headed(&vec![segment(0xE1, &part); 100])
    }),
    kept("a JPEG with 2,000,000 fill bytes", "usable", || headed(&[vec![0xFF; 2_000_000]])),
    kept("a JPEG with 5,000 Huffman tables", "usable", || {
        headed(&vec![segment(0xC4, &[&[0][..], &[1], &[0; 15], &[0]].concat()); 5_000])
    }),
    kept("a JPEG of segments and no picture", "poor", || {
        [&[0xFF, 0xD8][..], &segment(0xE0, &[0; 1000]).repeat(1000), &[0xFF, 0xD9]].concat()
    }),
    kept("EXIF directories in a ring", "usable", ring),
    kept("EXIF directories upon each other", "usable", overlapping),
    kept("an EXIF text of 4 GB", "usable", || claiming(&[directory(&[(0x010F, 2, 0xFFFF_FFFF, 8)], 0)])),
    kept("EXIF fractions whose count overflows", "usable", || {
        claiming(&[directory(&[(0x0007, 5, 0x2000_0001, 8), (0x9003, 2, 0x8000_0000, 0)], 0)])
    }),
    kept("an EXIF directory that begins after the end", "usable", || headed(&[exif(b"II*\0\xFF\xFF\xFF\xFF")])),
    kept("a HEIC of boxes within boxes", "not judged", || {
        let head = b"\0\0\0\x18ftypheic\0\0\0\0mif1heic".to_vec();
        let nested = (0..2_000u32).rev().flat_map(|n| [&(n * 8 + 8).to_be_bytes()[..], b"meta"].concat());
        // Outermost last would be no nesting: the longest comes first.
        let mut boxes: Vec<u8> = nested.collect();
        boxes.truncate(16_000);
        [head, boxes].concat()
    }),
    kept("a HEIC whose items are everywhere", "poor", || {
        let head = b"\0\0\0\x18ftypheic\0\0\0\0mif1heic".to_vec();
        let iloc = [&b"\0\0\0\0iloc\x01\0\0\0\x88\x00\xFF\xFF"[..], &[0xFF; 4_000]].concat();
        [head, b"\xFF\xFF\xFF\xF0meta\0\0\0\0".to_vec(), iloc].concat()
    }),
];

/// Pictures as large as they are looked at, each of a few bytes: whatever reads them needs hundreds of megabytes.
pub const LARGEST: &[File] = &[
    kept("a PNG of 11,900 × 6,700", "poor", || black_png(11_900, 6_700)),
    kept("a PNG of 11,900 × 6,690", "poor", || black_png(11_900, 6_690)),
    kept("a PNG of 11,900 × 6,600", "poor", || black_png(11_900, 6_600)),
    kept("a WebP of 5,300 × 5,300", "poor", || webp(&[riff(b"VP8L", &one_colour(5_300, 5_300))])),
    kept("a WebP of 5,290 × 5,300", "poor", || webp(&[riff(b"VP8L", &one_colour(5_290, 5_300))])),
    kept("a progressive JPEG of 7,000 × 7,000", "usable", || many_scans(7_000, 7_000, 3)),
];
