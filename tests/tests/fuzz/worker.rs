//! One target in its own process: corpus first, then mutations of it.

use std::collections::BTreeSet;
use std::fs::File;
use std::os::unix::fs::FileExt;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;
use std::process::ExitCode;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::mpsc::{self, RecvTimeoutError};
use std::time::{Duration, Instant};

use tests::seeded::Seeded;

use crate::mutate;
use crate::targets::{self, Target};
use crate::{keep, planted};

/// The argument that makes this program a worker.
pub const WORK: &str = "work-on";
/// Most inputs in the pool that is mutated; a new one takes a drawn one's place.
const POOL: usize = 512;

#[allow(clippy::disallowed_methods, reason = "a limit of time is measured")]
fn now() -> Instant {
    Instant::now()
}

/// Where our own code panicked, though somebody caught it: a decoder's panic is caught on purpose, ours never is one.
static OURS: AtomicU64 = AtomicU64::new(0);

/// `TARGET ROUNDS SEED INPUT_MS CORPUS CURRENT`.
pub fn work(args: &[String]) -> ExitCode {
    let [name, rounds, seed, input_ms, corpus, current] = args else { return ExitCode::from(2) };
    let target = targets::all().into_iter().chain(planted::all()).find(|t| t.name == name).expect("a target");
    let rounds: u64 = rounds.parse().expect("a count");
    let input_ms: u64 = input_ms.parse().expect("milliseconds");
    std::panic::set_hook(Box::new(|info| {
        let at = info.location().map_or("", |l| l.file());
        // Paths of other packages are absolute; the standard library's begin with `/rustc` or `library`.
        if ["server/", "evidence/", "tests/"].iter().any(|own| at.starts_with(own)) {
            OURS.fetch_add(1, Ordering::Relaxed);
            eprintln!("{info}");
        }
    }));
    // The watchdog: an input that takes too long ends the process; what it was stands in the file.
    let (begin, begun) = mpsc::channel::<bool>();
    std::thread::spawn(move || {
        while let Ok(true) = begun.recv() {
            if begun.recv_timeout(Duration::from_millis(input_ms)) == Err(RecvTimeoutError::Timeout) {
                println!("too slow: an input took more than {input_ms} ms");
                std::process::exit(3);
            }
        }
    });
    let started = now();
    let mut fuzz = Fuzz {
        target: &target,
        current: File::create(current).expect("a temporary file"),
        begin,
        shapes: BTreeSet::new(),
        inputs: 0,
    };
    let mut pool: Vec<Arc<[u8]>> = Vec::new();
    let mut first: Vec<Vec<u8>> = keep::files(Path::new(corpus));
    first.extend((target.seeds)());
    assert!(!first.is_empty(), "a target without a corpus");
    let kept = first.len();
    for bytes in first {
        match fuzz.one(&bytes) {
            Ok(_) => pool.push(bytes.into()),
            Err(fault) => return fault_found(&fault),
        }
    }
    let mut random = Seeded::new(seed.parse().expect("a seed"));
    for _ in 0..rounds {
        let bytes = mutate::mutated(&pool, target.words, target.most, &mut random);
        match fuzz.one(&bytes) {
            Ok(true) if pool.len() < POOL => pool.push(bytes.into()),
            Ok(true) => pool[usize::try_from(random.below(POOL as u64)).unwrap_or(0)] = bytes.into(),
            Ok(false) => {}
            Err(fault) => return fault_found(&fault),
        }
    }
    println!(
        "{:<18} {:>9} {kept:>7} {:>7} {:>8.1} {:>9}",
        target.name,
        fuzz.inputs,
        fuzz.shapes.len(),
        started.elapsed().as_secs_f64(),
        peak_kb() / 1024
    );
    ExitCode::SUCCESS
}

fn fault_found(fault: &str) -> ExitCode {
    println!("{fault}");
    ExitCode::from(1)
}

struct Fuzz<'a> {
    target: &'a Target,
    current: File,
    begin: mpsc::Sender<bool>,
    shapes: BTreeSet<String>,
    inputs: u64,
}

impl Fuzz<'_> {
    /// Runs one input; gives whether its answer has a new shape.
    fn one(&mut self, bytes: &[u8]) -> Result<bool, String> {
        // Its length, then itself, over what stood there: making a file anew for each would be most of the work.
        let noted = [&(bytes.len() as u64).to_be_bytes(), bytes].concat();
        self.current.write_all_at(&noted, 0).expect("a temporary file");
        self.inputs += 1;
        self.begin.send(true).expect("the watchdog");
        let shape = catch_unwind(AssertUnwindSafe(|| (self.target.run)(bytes)));
        self.begin.send(false).expect("the watchdog");
        let shape = shape.map_err(|_| "panic".to_owned())?;
        if OURS.load(Ordering::Relaxed) > 0 {
            return Err("panic in our own code, caught".into());
        }
        let shape = shape.map_err(|fault| format!("broken: {fault}"))?;
        Ok(self.shapes.insert(shape))
    }
}

/// The most memory this process ever held, as the system counts it (proc(5), `VmHWM`).
fn peak_kb() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find_map(|l| l.strip_prefix("VmHWM:")).unwrap_or_default();
    line.trim().trim_end_matches(" kB").parse().unwrap_or(0)
}
