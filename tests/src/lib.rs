//! Black-box tests: actors that speak to the built server over HTTP, and the faults it must stand.
//!
//! The server is another process (`server`), seen through its API alone. Tests wait by reading what it prints or
//! answers, never by sleeping, and leave no process and no folder behind.

use std::path::PathBuf;

pub mod ask;
pub mod authority;
pub mod checking;
pub mod collector;
pub mod counter;
pub mod cut;
pub mod engine;
pub mod forged;
pub mod home;
pub mod long_log;
pub mod one_time;
pub mod picture;
pub mod proven;
pub mod raw;
pub mod record;
pub mod seeded;
pub mod server;
pub mod shadow;
pub mod shop;
pub mod stamper;
pub mod timing;
pub mod two;
pub mod wire;

/// Whether the full counts are asked for (`tests/run --long`).
pub fn long() -> bool {
    std::env::var_os("COUNTERFOIL_LONG").is_some_and(|v| v == "1")
}

/// A folder inside the build's own for things made once, e.g. the compiled shim.
///
/// # Panics
/// When it cannot be made.
pub fn scratch() -> PathBuf {
    let exe = std::env::current_exe().expect("the test's own path");
    let build = exe.ancestors().nth(2).expect("target/<profile>/deps/<test>");
    let scratch = build.join("tests-scratch");
    std::fs::create_dir_all(&scratch).expect("a folder in target/");
    scratch
}
