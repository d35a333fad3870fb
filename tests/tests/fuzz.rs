//! Hostile bytes, many of them: what reads strangers' bytes is run over a kept corpus and over mutations of it.
//!
//! On stable Rust, without instrumentation: an input whose answer has a shape that was not seen before joins the pool
//! that is mutated further. Everything follows from the seed. Each target runs in a process of its own, with an
//! address space it may not exceed and a time each input may take, so that running out of memory, of stack or of time is
//! found as well as a panic or a broken promise. The input that did it is kept in `tests/corpus/<target>/` and run first
//! from then on.
//!
//! `cargo test --release -p tests --test fuzz [-- TARGET]`; `COUNTERFOIL_LONG=1` for the full counts,
//! `COUNTERFOIL_FUZZ_SEED` for another seed. Before anything else the driver has to find five planted faults.

#[path = "fuzz/keep.rs"]
mod keep;
#[path = "fuzz/mutate.rs"]
mod mutate;
#[path = "fuzz/planted.rs"]
mod planted;
#[path = "fuzz/targets.rs"]
mod targets;
#[path = "fuzz/worker.rs"]
mod worker;

use std::path::{Path, PathBuf};
use std::process::{Command, ExitCode};

use targets::{Rounds, Target};

/// What became of one target.
struct Run {
    good: bool,
    told: String,
}

fn main() -> ExitCode {
    let args: Vec<String> = std::env::args().skip(1).collect();
    if args.first().is_some_and(|a| a == worker::WORK) {
        return worker::work(&args[1..]);
    }
    let seed = std::env::var("COUNTERFOIL_FUZZ_SEED").ok().and_then(|s| s.parse().ok()).unwrap_or(1);
    let wanted: Vec<&String> = args.iter().filter(|a| !a.starts_with("--")).collect();
    let asked = |name: &str| wanted.is_empty() || wanted.iter().any(|w| *w == name);
    let mut failed = 0;
    let mut passed = 0;
    let mut count = |good: bool| if good { passed += 1 } else { failed += 1 };
    for planted in planted::all() {
        let kept = tempfile::tempdir().expect("a temporary folder");
        let run = run(&planted, 1, kept.path());
        let found = !run.good && run.told.contains(planted::found_by(planted.name));
        println!("{:<18} {}", planted.name, if found { "found, as it has to be" } else { "NOT FOUND" });
        if !found {
            println!("{}", run.told);
        }
        count(found);
    }
    println!("{:<18} {:>9} {:>7} {:>7} {:>8} {:>9}", "target", "inputs", "kept", "shapes", "seconds", "peak MB");
    for target in targets::all() {
        if asked(target.name) {
            let run = run(&target, seed, &keep::folder(target.name));
            println!("{}", run.told);
            count(run.good);
        }
    }
    println!("test result: {}. {passed} passed; {failed} failed", if failed == 0 { "ok" } else { "FAILED" });
    ExitCode::from(u8::from(failed > 0))
}

/// Runs a target in a process of its own; what breaks it is kept.
fn run(target: &Target, seed: u64, corpus: &Path) -> Run {
    let own = tempfile::tempdir().expect("a temporary folder");
    let current = own.path().join("input");
    let rounds = if tests::long() { target.rounds.long } else { target.rounds.short };
    let Rounds { input_ms, memory_kb, .. } = target.rounds;
    let out = Command::new("sh")
        .args(["-c", "ulimit -c 0; ulimit -v \"$1\"; shift; exec \"$@\"", "sh", &memory_kb.to_string()])
        .arg(std::env::current_exe().expect("the test's own path"))
        .args([worker::WORK, target.name, &rounds.to_string(), &seed.to_string(), &input_ms.to_string()])
        .args([corpus.as_os_str(), current.as_os_str()])
        // Threads that decoders start are not to make the address space depend on the machine.
        .env("MALLOC_ARENA_MAX", "2")
        .output()
        .expect("the test runs itself");
    let said = String::from_utf8_lossy(&out.stdout);
    if out.status.success() {
        return Run { good: true, told: said.trim_end().to_owned() };
    }
    let errors = String::from_utf8_lossy(&out.stderr);
    let errors: Vec<&str> = errors.lines().rev().take(12).collect();
    let errors: Vec<&str> = errors.into_iter().rev().collect();
    let kept: Option<PathBuf> = std::fs::read(&current).ok().and_then(|noted| {
        let (len, rest) = noted.split_first_chunk::<8>()?;
        let bytes = rest.get(..usize::try_from(u64::from_be_bytes(*len)).ok()?)?;
        Some(keep::add(corpus, bytes))
    });
    let told = format!(
        "{:<18} BROKEN ({}), kept as {}\n{}{}",
        target.name,
        out.status,
        kept.map_or_else(|| "nothing".into(), |k| k.display().to_string()),
        said,
        errors.join("\n")
    );
    Run { good: false, told }
}
