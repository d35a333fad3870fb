//! Checks what the shop gave out, without the shop: an entry by its proof, or a signed note.
//!
//! Exit code 0: everything asked for holds. 1: something does not. 2: it could not be checked.

use std::fs::File;
use std::io::{self, Read, Write};
use std::path::Path;
use std::process::ExitCode;

use evidence::checkpoint::{Checkpoint, origin_parts};
use evidence::entry::{Author, Entry, MAX_ENTRY};
use evidence::note::{self, MAX_NOTE, VerifierKey};
use evidence::proof::{MAX_PROOF, Proof};
use evidence::time;

const USAGE: &str = "\
verify proof ENTRYFILE PROOFFILE KEY   checks that the log whose key this is holds this entry
verify note FILE KEY...                checks that one of these keys signed this text, and none of them falsely

KEY is a verifier key: name+id+base64. Exit code: 0 it holds, 1 it does not, 2 it could not be checked.
";

/// Why nothing good can be said: a sentence, and the exit code that goes with it.
enum Bad {
    /// It does not hold.
    Broken(String),
    /// It could not be checked.
    Unchecked(String),
}

fn main() -> ExitCode {
    let (said, code) = match run(std::env::args_os().skip(1).map(|a| a.to_string_lossy().into_owned()).collect()) {
        Ok(said) => (said, 0),
        Err(Bad::Broken(said)) => (said, 1),
        Err(Bad::Unchecked(said)) => (said, 2),
    };
    // What a file says may steer a terminal: its control characters are shown as unreadable.
    let said: String = said.chars().map(|c| if c.is_control() && c != '\n' { '\u{fffd}' } else { c }).collect();
    // A reader that went away hears nothing; the exit code still tells.
    let written = if code == 2 { writeln!(io::stderr(), "{said}") } else { writeln!(io::stdout(), "{said}") };
    drop(written);
    ExitCode::from(code)
}

fn run(args: Vec<String>) -> Result<String, Bad> {
    let args: Vec<&str> = args.iter().map(String::as_str).collect();
    match args[..] {
        ["proof", entry, proof, key] => check_proof(Path::new(entry), Path::new(proof), &verifier(key)?),
        ["note", file, ref keys @ ..] if !keys.is_empty() => {
            let keys = keys.iter().map(|k| verifier(k)).collect::<Result<Vec<_>, _>>()?;
            check_note(Path::new(file), &keys)
        }
        ["--help" | "-h"] => Ok(USAGE.trim_end().to_owned()),
        _ => Err(Bad::Unchecked(USAGE.trim_end().to_owned())),
    }
}

fn check_proof(entry: &Path, proof: &Path, key: &VerifierKey) -> Result<String, Bad> {
    let bytes = read(entry, MAX_ENTRY)?;
    let proof = text(proof, MAX_PROOF)?;
    let broken = |why: &dyn std::fmt::Display| Bad::Broken(format!("BROKEN: {}.", sentence(why)));
    let proof: Proof = proof.parse().map_err(|e| broken(&e))?;
    // The bytes as they stand are hashed first, and only then read.
    let head = proof.verify(&bytes, &[key]).map_err(|e| broken(&e))?;
    let holds = format!(
        "The log {} holds these {} bytes as its entry {} (counted from 0); it had {} entries when its key signed this.",
        head.origin,
        bytes.len(),
        proof.index,
        head.size
    );
    match Entry::parse(&bytes) {
        Ok(entry) if of_another_shop(&head, &entry) => {
            Err(Bad::Broken(format!("BROKEN: {holds}\nBut the entry names another shop than the log.")))
        }
        Ok(entry) => Ok(format!("UNCHANGED: {holds}\n{}\n{LIMITS}", told(&entry))),
        Err(e) => Err(Bad::Broken(format!("NOT UNDERSTOOD: {holds}\nBut this program cannot read the entry: {e}."))),
    }
}

/// What the proof does not say.
const LIMITS: &str = "\
This shows that the shop recorded these words and has not changed them since, by the clock named. Whether they are true \
is for a person to say, and whether the key is the shop's own is for whoever gave it to you.";

/// An origin of another form than ours names no shop to compare with.
fn of_another_shop(head: &Checkpoint, entry: &Entry) -> bool {
    origin_parts(&head.origin).is_some_and(|(_, shop, _)| shop != entry.said.shop)
}

fn told(entry: &Entry) -> String {
    let said = &entry.said;
    let by = match &said.author {
        Author::Staff { staff, device } => format!("staff member {staff} on device {device}"),
        Author::Server { version } => format!("the shop's server, version {version}"),
    };
    let sure = match (entry.kept.clock_offset_ms, entry.kept.round_trip_ms) {
        (Some(offset), Some(trip)) => format!(", measured {offset} ms from the server's to within {trip} ms"),
        (Some(offset), None) => format!(", measured {offset} ms from the server's"),
        _ => ", not measured against the server's".to_owned(),
    };
    let raw = entry.kept.raw.map(|raw| format!(" (the server's own clock stood at {})", time::format(raw)));
    format!(
        "It is of the type {}, said by {by}.\nSaid {} by the author's clock{}.\nKept {} by the log's clock{}.",
        said.kind,
        time::format(said.at),
        if matches!(said.author, Author::Server { .. }) { "" } else { &sure },
        time::format(entry.kept.at),
        raw.unwrap_or_default(),
    )
}

fn check_note(file: &Path, keys: &[VerifierKey]) -> Result<String, Bad> {
    let note = text(file, MAX_NOTE)?;
    let keys: Vec<&VerifierKey> = keys.iter().collect();
    match note::open_by(&note, &keys) {
        Ok((text, signed)) => {
            let names: Vec<String> = signed.iter().map(|k| k.name.clone()).collect();
            Ok(format!("SIGNED by {}:\n\n{}", names.join(", "), text.trim_end_matches('\n')))
        }
        // Unsigned text is not repeated: it is anybody's.
        Err(e) => Err(Bad::Broken(format!("BROKEN: {}.", sentence(&e)))),
    }
}

/// Capital letter first.
fn sentence(why: &dyn std::fmt::Display) -> String {
    let text = why.to_string();
    let mut chars = text.chars();
    chars.next().map_or_else(String::new, |c| c.to_uppercase().chain(chars).collect())
}

fn verifier(key: &str) -> Result<VerifierKey, Bad> {
    key.parse().map_err(|e| Bad::Unchecked(format!("This is no verifier key: {key:.200}\n{}.", sentence(&e))))
}

/// At most this many bytes of a file; a longer one is not what it should be.
fn read(path: &Path, most: usize) -> Result<Vec<u8>, Bad> {
    let unread = |e: io::Error| Bad::Unchecked(format!("{} cannot be read: {e}", path.display()));
    let mut bytes = Vec::new();
    File::open(path).map_err(unread)?.take(most as u64 + 1).read_to_end(&mut bytes).map_err(unread)?;
    if bytes.len() > most {
        return Err(Bad::Unchecked(format!("{} has more than {most} bytes.", path.display())));
    }
    Ok(bytes)
}

fn text(path: &Path, most: usize) -> Result<String, Bad> {
    String::from_utf8(read(path, most)?).map_err(|_| Bad::Unchecked(format!("{} is not UTF-8 text.", path.display())))
}
