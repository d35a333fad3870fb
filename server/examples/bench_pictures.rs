//! Compares the CPU time of our whole look at a 12-megapixel JPEG (kind, claims, decoding, judgement, both renditions)
//! with `vipsthumbnail` making the same two sizes, in one run on one machine.
//!
//! `cargo run --release -p counterfoil --example bench_pictures [-- rounds]`. Needs `vipsthumbnail` on the path and
//! Linux's `/proc`. CPU time only (user and system), so a busy machine disturbs it little.

use std::path::Path;
use std::process::Command;
use std::{env, fs, io};

use counterfoil::photo;
use jpeg_encoder::{ColorType, Encoder};

fn main() -> io::Result<()> {
    let rounds: u32 = env::args().nth(1).and_then(|n| n.parse().ok()).unwrap_or(15);
    let folder = env::temp_dir().join(format!("bench-pictures-{}", std::process::id()));
    fs::create_dir_all(&folder)?;
    let result = run(&folder, rounds);
    fs::remove_dir_all(&folder)?;
    result
}

fn run(folder: &Path, rounds: u32) -> io::Result<()> {
    let start = vips_start(folder)?;
    println!("{rounds} rounds; CPU ms a picture; starting vipsthumbnail twice takes {start:.0} of its");
    println!(
        "{:<26} {:>6} {:>8} {:>12} {:>14} {:>6} {:>13}",
        "picture", "MB", "ours", "vips, twice", "vips, chained", "ratio", "without start"
    );
    let mut worst = 0.0f64;
    for (name, noise, quality, progressive) in [
        ("4000×3000, usual", 20, 88, false),
        ("4000×3000, much detail", 60, 92, false),
        ("4000×3000, progressive", 20, 88, true),
    ] {
        let bytes = drawn(4000, 3000, noise, quality, progressive)?;
        let file = folder.join("picture.jpg");
        fs::write(&file, &bytes)?;
        let (mut ours, mut twice, mut chained) = (0.0, 0.0, 0.0);
        for round in 0..=rounds {
            let before = own_cpu()?;
            let outcome = photo::judge(&bytes).map_err(io::Error::other)?;
            let mine = own_cpu()? - before;
            assert_eq!(outcome.renditions.len(), 2, "both renditions");
            let a = vips(folder, &file, "1600x1600", "large.jpg")? + vips(folder, &file, "320x320", "small.jpg")?;
            let b = vips(folder, &file, "1600x1600", "large.jpg")?
                + vips(folder, &folder.join("large.jpg"), "320x320", "small.jpg")?;
            // The first round only warms up.
            if round > 0 {
                ours += mine;
                twice += a;
                chained += b;
            }
        }
        let n = f64::from(rounds);
        let theirs = twice.min(chained);
        let (ratio, without_start) = (ours / theirs, ours / (theirs - start * n));
        worst = worst.max(ratio);
        println!(
            "{name:<26} {:>6.1} {:>8.0} {:>12.0} {:>14.0} {ratio:>6.2} {without_start:>13.2}",
            bytes.len() as f64 / 1e6,
            ours / n,
            twice / n,
            chained / n
        );
    }
    println!("worst ratio {worst:.2} (goal: at most 1.00); peak memory {} MB", peak_mb()?);
    Ok(())
}

/// What two processes cost that do nearly nothing.
fn vips_start(folder: &Path) -> io::Result<f64> {
    let file = folder.join("dot.jpg");
    fs::write(&file, drawn(16, 16, 8, 80, false)?)?;
    let mut sum = 0.0;
    for _ in 0..10 {
        sum += vips(folder, &file, "8x8", "dot-small.jpg")?;
    }
    Ok(sum / 5.0)
}

/// A scene with edges, shading and sensor noise, so that it compresses like a photo.
fn drawn(width: u16, height: u16, noise: i32, quality: u8, progressive: bool) -> io::Result<Vec<u8>> {
    let mut state = 1u64;
    let mut rgb = Vec::with_capacity(usize::from(width) * usize::from(height) * 3);
    for y in 0..i32::from(height) {
        for x in 0..i32::from(width) {
            let shade = 60 + x * 90 / i32::from(width) + y * 60 / i32::from(height);
            let part = if (x / 170 + y / 130) % 3 == 0 { 50 } else { 0 };
            let line = if (x + y) % 97 < 3 { -60 } else { 0 };
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            let grain = ((state >> 33) as i32).rem_euclid(noise) - noise / 2;
            for tint in [0, -12, 17] {
                rgb.push((shade + part + line + grain + tint).clamp(0, 255) as u8);
            }
        }
    }
    let mut out = Vec::new();
    let mut encoder = Encoder::new(&mut out, quality);
    encoder.set_sampling_factor(jpeg_encoder::SamplingFactor::F_2_2);
    encoder.set_progressive(progressive);
    encoder.encode(&rgb, width, height, ColorType::Rgb).map_err(io::Error::other)?;
    Ok(out)
}

/// Runs `vipsthumbnail` once and gives its CPU milliseconds.
fn vips(folder: &Path, from: &Path, size: &str, to: &str) -> io::Result<f64> {
    let before = children_cpu()?;
    let status = Command::new("vipsthumbnail")
        .arg(from)
        .args(["--size", size, "-o"])
        .arg(format!("{}[Q=80,strip]", folder.join(to).display()))
        .status()?;
    if !status.success() {
        return Err(io::Error::other(format!("vipsthumbnail: {status}")));
    }
    Ok(children_cpu()? - before)
}

/// This thread's CPU milliseconds, from the scheduler's nanoseconds.
fn own_cpu() -> io::Result<f64> {
    let text = fs::read_to_string("/proc/thread-self/schedstat")?;
    let ns: f64 = text.split(' ').next().and_then(|n| n.parse().ok()).ok_or(io::ErrorKind::InvalidData)?;
    Ok(ns / 1e6)
}

/// CPU milliseconds of all children waited for, in steps of 10 (`cutime`, `cstime`: fields 16 and 17 of `stat`).
fn children_cpu() -> io::Result<f64> {
    let text = fs::read_to_string("/proc/self/stat")?;
    let after_name = text.rsplit(')').next().unwrap_or("");
    let ticks: f64 = after_name.split_whitespace().skip(13).take(2).filter_map(|n| n.parse::<f64>().ok()).sum();
    Ok(ticks * 10.0)
}

fn peak_mb() -> io::Result<u64> {
    let text = fs::read_to_string("/proc/self/status")?;
    let line = text.lines().find(|l| l.starts_with("VmHWM:")).unwrap_or("");
    Ok(line.split_whitespace().nth(1).and_then(|n| n.parse::<u64>().ok()).unwrap_or(0) / 1024)
}
