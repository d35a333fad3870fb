//! What is run, on what, and what has to hold whatever the bytes are.

#[path = "commands.rs"]
mod commands;
#[path = "evidence.rs"]
mod evidence_read;
#[path = "outside.rs"]
mod outside;
#[path = "pictures.rs"]
mod pictures;

use counterfoil::intake::check::{Mode, check};
use counterfoil::intake::example;
use counterfoil::intake::kind::LoadedKind;
use counterfoil::intake::state::{Intake, Whose};
use counterfoil::own_kinds;

use crate::keep::shipped;

/// How often, and within what.
#[derive(Clone, Copy)]
pub struct Rounds {
    /// Mutations in a usual run.
    pub short: u64,
    /// And with `COUNTERFOIL_LONG=1`.
    pub long: u64,
    /// Most time one input may take, milliseconds, on a busy machine.
    pub input_ms: u64,
    /// Address space of the process, kilobytes.
    pub memory_kb: u64,
}

/// Something that reads strangers' bytes.
pub struct Target {
    /// Its name, and its folder of the corpus.
    pub name: &'static str,
    /// What is mutated beside the corpus: files that are shipped anyway.
    pub seeds: fn() -> Vec<Vec<u8>>,
    /// Words its readers know.
    pub words: &'static [&'static str],
    /// Longest input, bytes.
    pub most: usize,
    /// How often.
    pub rounds: Rounds,
    /// Runs one input: the shape of the answer, or the promise that is broken.
    pub run: fn(&[u8]) -> Result<String, String>,
}

/// Light readers: their memory is a small multiple of the input.
const LIGHT: Rounds = Rounds { short: 4_000, long: 400_000, input_ms: 5_000, memory_kb: 600_000 };

/// Every target.
pub fn all() -> Vec<Target> {
    vec![
        Target {
            name: "sniffing",
            seeds: pictures::all,
            words: pictures::WORDS,
            most: 16 * 1024,
            rounds: LIGHT,
            run: pictures::sniffed,
        },
        Target {
            name: "pictures",
            seeds: Vec::new,
            words: pictures::WORDS,
            most: 16 * 1024,
            // A decoder may take what `memory_needed` asks for; codes are looked for in each picture.
            rounds: Rounds { short: 1_500, long: 60_000, input_ms: 30_000, memory_kb: 2_000_000 },
            run: pictures::judged,
        },
        Target {
            name: "exif",
            seeds: pictures::blocks,
            words: &["Exif\0\0", "II*\0", "MM\0*", "2026:11:24 09:12:44", "+02:00", "26:61:61", "0000:00:00 00:00:00"],
            most: 16 * 1024,
            rounds: LIGHT,
            run: pictures::exif,
        },
        Target {
            name: "kinds",
            seeds: kind_files,
            words: &[
                "[[view]]\n",
                "when = { field = \"question:bought\", op = \"is\", value = \"used\" }\n",
                "all = [",
                "any = [",
                "en = \"x\"",
                "at-least",
                "id = \"\"\n",
            ],
            most: 48 * 1024,
            rounds: Rounds { short: 1_500, long: 100_000, ..LIGHT },
            run: kinds,
        },
        Target {
            name: "entries",
            seeds: evidence_read::entries,
            words: &[
                "\"_sd\":[]",
                "\"v\":1",
                "\"kept\":{",
                "\"said\":{",
                "1970-01-01T00:00:00.000Z",
                "\\ud800",
                "\"seen\":0,",
            ],
            most: 70 * 1024,
            rounds: LIGHT,
            run: evidence_read::entry,
        },
        Target {
            name: "commands",
            seeds: commands::seeds,
            words: commands::WORDS,
            most: 64 * 1024,
            rounds: Rounds { short: 2_500, long: 200_000, ..LIGHT },
            run: commands::run,
        },
        Target {
            name: "receipts",
            seeds: evidence_read::receipts,
            words: &["c2sp.org/tlog-proof@v1\n", "index 0\n", "\n\n", "extra AA==\n", "\u{2014} ", "\u{1e}"],
            most: 160 * 1024,
            rounds: LIGHT,
            run: evidence_read::receipt,
        },
        Target {
            name: "outside",
            seeds: outside::seeds,
            words: &["old 1\n", "\n\n", "\u{2014} ", "0\u{3}\u{2}\u{1}\0", "cosignature/v1\n"],
            most: 70 * 1024,
            rounds: LIGHT,
            run: outside::run,
        },
    ]
}

const KINDS: [&str; 5] = ["bench", "chainsaw", "small", "generator", "riding-mower"];

fn kind_files() -> Vec<Vec<u8>> {
    let of = |k: &str| match k {
        "bench" | "small" => shipped(&format!("schema/vectors/kinds/{k}.toml")),
        k => shipped(&format!("schema/kinds/{k}.toml")),
    };
    KINDS.into_iter().map(of).collect()
}

/// A kind is read whole or not at all; one that was read can be checked against, and reads the same again.
fn kinds(bytes: &[u8]) -> Result<String, String> {
    let lines = 1 + bytes.iter().filter(|b| **b == b'\n').count();
    let own = own_kinds::read(bytes);
    match LoadedKind::parse(bytes) {
        Ok(kind) => {
            let again = LoadedKind::parse(&kind.bytes).map_err(|_| "a kind that was read is not read again")?;
            if again.digest != kind.digest {
                return Err("the same bytes have another digest".into());
            }
            let checked = check(&kind.kind, &Intake::fold(Whose::default(), []), Mode::Server);
            for e in &kind.kind.examples {
                if example::asked(&kind.kind, &e.answers) != e.asks {
                    return Err(format!("an example that does not hold was let through: {}", e.name));
                }
            }
            let due = checked.at_counter().len();
            Ok(format!("read {} {} {due} {}", kind.kind.views.len(), kind.kind.questions.len(), own.is_ok()))
        }
        Err(e) => {
            if own.is_ok() {
                return Err("a shop's own kind is read where a kind is not".into());
            }
            if let Some(beyond) = e.0.iter().find(|f| f.line == 0 || f.line > lines) {
                return Err(format!("a fault is said to be on line {} of {lines}: {}", beyond.line, beyond.reason));
            }
            let reason = e.0.first().map_or_else(|| "no fault".to_owned(), |f| f.reason.chars().take(40).collect());
            if reason == "no fault" { Err("refused without a reason".into()) } else { Ok(reason) }
        }
    }
}
