//! `bench`: photo ingest beside the bare loop that does no more than it must, in one run on one machine.
//!
//! Bare loop: read the socket, SHA-256, write, fsync, rename, fsync the folder. Ours: `PUT` of a named photo with
//! `Prefer: respond-async`, durable and entered into the log before the answer. Budget: at least 0.8 of its throughput.
//! Beside it the same with the judgement in the answer, as a phone asks for it.

use std::fs::{self, File};
use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::path::Path;

use evidence::digest::Hasher;
use tests::ask::Actor;
use tests::counter::content_digest;
use tests::picture;
use tests::seeded::Seeded;
use tests::shop::Shop;
use tests::timing::{now, seconds};

const ROUNDS: usize = 24;

/// The loop that does no more than it must.
fn bare(folder: &Path, pictures: &[Vec<u8>]) -> std::io::Result<f64> {
    let listener = TcpListener::bind("127.0.0.1:0")?;
    let address = listener.local_addr()?;
    let (target, count) = (folder.to_owned(), pictures.len());
    let server = std::thread::spawn(move || -> std::io::Result<()> {
        let (mut socket, _) = listener.accept()?;
        let mut piece = vec![0u8; 256 * 1024];
        for i in 0..count {
            let mut length = [0u8; 8];
            socket.read_exact(&mut length)?;
            let mut left = usize::try_from(u64::from_le_bytes(length)).unwrap_or(0);
            let (temporary, mut hasher) = (target.join(".incoming"), Hasher::new());
            let mut file = File::create(&temporary)?;
            while left > 0 {
                let most = left.min(piece.len());
                let n = socket.read(&mut piece[..most])?;
                hasher.update(&piece[..n]);
                file.write_all(&piece[..n])?;
                left -= n;
            }
            file.sync_all()?;
            fs::rename(&temporary, target.join(format!("{i}-{}", hasher.finish().hex())))?;
            File::open(&target)?.sync_all()?;
            socket.write_all(&[1])?;
        }
        Ok(())
    });
    let mut socket = TcpStream::connect(address)?;
    let started = now();
    for p in pictures {
        socket.write_all(&(p.len() as u64).to_le_bytes())?;
        socket.write_all(p)?;
        socket.read_exact(&mut [0u8; 1])?;
    }
    let took = seconds(started);
    server.join().map_err(|_| std::io::Error::other("the bare loop broke off"))??;
    Ok(took)
}

/// The picture with comments (ITU-T T.81, B.2.4.5) before its tables, up to so many bytes: a drawn one is small.
fn grown(picture: &[u8], to: usize, seed: u64) -> Vec<u8> {
    let (start, rest) = picture.split_at(2);
    let mut random = Seeded::new(seed + 700);
    let mut out = start.to_vec();
    while out.len() + rest.len() < to {
        out.extend([0xFF, 0xFE, 0xFF, 0xFF]);
        out.extend(std::iter::repeat_with(|| random.number().to_le_bytes()).flatten().take(0xFFFD));
    }
    out.extend(rest);
    out
}

#[tokio::main]
async fn main() -> std::io::Result<()> {
    // About 4 MB each: what a phone's camera makes.
    let pictures: Vec<Vec<u8>> =
        (0..ROUNDS as u64).map(|i| grown(&picture::sharp_of(i + 1, 4000, 3000), 4_000_000, i)).collect();
    let bytes: usize = pictures.iter().map(Vec::len).sum();
    println!("{ROUNDS} pictures, {:.1} MB each", bytes as f64 / ROUNDS as f64 / 1e6);
    let folder = tempfile::tempdir()?;
    let megabytes = bytes as f64 / 1e6;
    let first = bare(folder.path(), &pictures)?;

    let shop = Shop::set_up().await;
    let mut took = Vec::new();
    for (tag, prefer) in [("0001", "respond-async"), ("0002", "wait=2")] {
        let mut counter = shop.counter(took.len() as u64 + 1).await;
        let mut intake = counter.intake(tag);
        counter.open(&mut intake).await.map_err(std::io::Error::other)?;
        // The second run sends other bytes, so that nothing is there before.
        let sent: Vec<Vec<u8>> = pictures.iter().map(|p| [p.as_slice(), tag.as_bytes()].concat()).collect();
        for p in &sent {
            counter.name(&mut intake, None, p).await.map_err(std::io::Error::other)?;
        }
        let started = now();
        for p in sent {
            let digest = evidence::digest::Digest::of(&p);
            let path = counter.staff.path(&format!("/files/{}", digest.hex()));
            let ask = counter
                .staff
                .put(&path)
                .bytes(p)
                .header("Content-Digest", &content_digest(&digest))
                .header("Prefer", prefer);
            ask.send().await.expect(200);
        }
        took.push(seconds(started));
        counter.judged(&intake).await;
    }
    let again = bare(folder.path(), &pictures)?;
    let bare = (first + again) / 2.0;
    println!(
        "bare loop                         {:7.1} MB/s   (before {:.2} s, after {:.2} s)",
        megabytes / bare,
        first,
        again
    );
    println!("PUT, entered, judged afterwards   {:7.1} MB/s   ratio {:.2}", megabytes / took[0], bare / took[0]);
    println!(
        "PUT, judged within the answer     {:7.1} MB/s   {:.0} ms a photo",
        megabytes / took[1],
        took[1] * 1000.0 / ROUNDS as f64
    );
    Ok(())
}
