//! `stamper FOLDER`: a stamping authority (RFC 3161, openssl's) on loopback for shell scripts. Says its address, serves until its
//! standard input ends, and leaves its certificates in the folder (`root.pem`).

use std::path::PathBuf;

use tests::authority::Kind;
use tests::stamper::{Mood, Stamper};

#[tokio::main]
async fn main() -> std::io::Result<()> {
    let Some(folder) = std::env::args_os().nth(1).map(PathBuf::from) else {
        return Err(std::io::Error::other("stamper FOLDER: say where its certificates go"));
    };
    let stamper = Stamper::start(&folder, Kind::Curve, Mood::Good).await;
    println!("{}", stamper.url);
    let ends = || std::io::copy(&mut std::io::stdin(), &mut std::io::sink()).map(drop);
    tokio::task::spawn_blocking(ends).await?
}
