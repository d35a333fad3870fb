//! Checks what the shop gave out, without the shop: a receipt, a pack, an entry by its proof, or a signed note.
//!
//! Exit code 0: everything asked for holds. 1: something does not. 2: it could not be checked. A receipt or a pack in which
//! nothing is worse than claimed, withheld, erased, missing or not understood ends with 3, 4, 5, 6 or 7.

use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::path::Path;
use std::process::ExitCode;

use evidence::checkpoint::{Checkpoint, origin_parts};
use evidence::cosignature::WitnessKey;
use evidence::entry::{Author, Entry, MAX_ENTRY};
use evidence::note::{self, MAX_NOTE, VerifierKey};
use evidence::proof::{MAX_PROOF, Proof};
use evidence::stamp::{self, MAX_ROOTS};
use evidence::time;
use evidence::verify::receipt::MAX_RECEIPT;
use evidence::verify::{self, Earlier, Report, Trusted, Verdict};
use evidence::zip::Source;

const USAGE: &str = "\
verify FILE [--key KEY]... [--witness-key KEY]... [--tsa-ca PEM]... [--earlier RECEIPT] [--lines]
                                       checks a receipt or a pack, item by item
verify proof ENTRYFILE PROOFFILE KEY   checks that the log whose key this is holds this entry
verify note FILE KEY...                checks that one of these keys signed this text, and none of them falsely

KEY is a verifier key: name+id+base64. PEM is a file with the roots of stamping authorities that you trust. With --earlier the log of FILE is held against that of a receipt given before it;
with --lines every item is a line of what, verdict and code. Exit code: 0 it holds, 1 it does not, 2 it could not be checked;
of a receipt or a pack the worst that is in it: 0 unchanged, 3 claimed, 4 withheld, 5 erased, 6 missing, 7 not understood, 1 broken.
";

/// The sentences, in English: the same catalogue that the page speaks from.
const WORDS: &str = include_str!("../../../schema/words/en.json");

/// Why nothing good can be said: a sentence, and the exit code that goes with it.
enum Bad {
    /// It does not hold.
    Broken(String),
    /// It could not be checked.
    Unchecked(String),
}

fn main() -> ExitCode {
    let (said, code) = match run(std::env::args_os().skip(1).map(|a| a.to_string_lossy().into_owned()).collect()) {
        Ok((said, code)) => (said, code),
        Err(Bad::Broken(said)) => (said, 1),
        Err(Bad::Unchecked(said)) => (said, 2),
    };
    // What a file says may steer a terminal: its control characters are shown as unreadable.
    let said: String =
        said.chars().map(|c| if c.is_control() && c != '\n' && c != '\t' { '\u{fffd}' } else { c }).collect();
    // A reader that went away hears nothing; the exit code still tells.
    let written = if code == 2 { writeln!(io::stderr(), "{said}") } else { writeln!(io::stdout(), "{said}") };
    drop(written);
    ExitCode::from(code)
}

fn run(args: Vec<String>) -> Result<(String, u8), Bad> {
    let args: Vec<&str> = args.iter().map(String::as_str).collect();
    let held = match args[..] {
        ["proof", entry, proof, key] => check_proof(Path::new(entry), Path::new(proof), &verifier(key)?),
        ["note", file, ref keys @ ..] if !keys.is_empty() => {
            let keys = keys.iter().map(|k| verifier(k)).collect::<Result<Vec<_>, _>>()?;
            check_note(Path::new(file), &keys)
        }
        ["--help" | "-h"] => Ok(USAGE.trim_end().to_owned()),
        [file, ref wanted @ ..] if !file.starts_with('-') && file != "proof" && file != "note" => {
            return check_whole(Path::new(file), wanted);
        }
        _ => Err(Bad::Unchecked(USAGE.trim_end().to_owned())),
    };
    held.map(|said| (said, 0))
}

/// A file that is read where a check needs it.
struct OnDisk {
    file: File,
    size: u64,
}

impl Source for OnDisk {
    fn size(&self) -> u64 {
        self.size
    }

    fn read_at(&mut self, at: u64, into: &mut [u8]) -> io::Result<()> {
        self.file.seek(SeekFrom::Start(at))?;
        self.file.read_exact(into)
    }
}

fn check_whole(path: &Path, wanted: &[&str]) -> Result<(String, u8), Bad> {
    let (mut trusted, mut earlier, mut lines, mut rest) = (Trusted::default(), None, false, wanted.iter());
    while let Some(option) = rest.next() {
        let value = || Bad::Unchecked(USAGE.trim_end().to_owned());
        match *option {
            "--key" => trusted.keys.push(verifier(rest.next().ok_or_else(value)?)?),
            "--witness-key" => trusted.witnesses.push(witness(rest.next().ok_or_else(value)?)?),
            "--tsa-ca" => trusted.roots.extend(roots(Path::new(rest.next().ok_or_else(value)?))?),
            "--earlier" => earlier = Some(read(Path::new(rest.next().ok_or_else(value)?), MAX_RECEIPT)?),
            "--lines" => lines = true,
            _ => return Err(value()),
        }
    }
    let earlier = earlier.map(|bytes| Earlier::of_receipt(&bytes));
    let unread = |e: io::Error| Bad::Unchecked(format!("{} cannot be read: {e}", path.display()));
    let mut file = File::open(path).map_err(unread)?;
    let size = file.metadata().map_err(unread)?.len();
    let mut first = Vec::new();
    Read::by_ref(&mut file).take(2).read_to_end(&mut first).map_err(unread)?;
    let report = if first == b"PK" {
        verify::pack::check(&mut OnDisk { file, size }, &trusted, earlier.as_ref())
    } else {
        verify::receipt::check(&read(path, MAX_RECEIPT)?, &trusted, earlier.as_ref())
    };
    let worst = report.worst();
    let said = if lines { listed(&report) } else { summed(&report) };
    Ok((said, worst.exit_code()))
}

/// A line an item.
fn listed(report: &Report) -> String {
    let lines: Vec<String> = report.items.iter().map(|i| format!("{}\t{}\t{}", i.of, i.verdict, i.code)).collect();
    lines.join("\n")
}

/// What is not unchanged, the worst first; then how much is.
fn summed(report: &Report) -> String {
    let words: serde_json::Value = serde_json::from_str(WORDS).unwrap_or_default();
    let sentence = |code: &str| {
        words.get(format!("verify.code.{code}")).and_then(serde_json::Value::as_str).unwrap_or(code).to_owned()
    };
    let mut out = vec![format!("{}", report.worst()).to_uppercase()];
    for verdict in Verdict::ALL.into_iter().rev() {
        let of: Vec<_> = report.items.iter().filter(|i| i.verdict == verdict).collect();
        if verdict == Verdict::Unchanged {
            out.push(format!("unchanged: {} items", of.len()));
            out.extend(report.telling().map(|i| format!("{verdict}: {}: {}", i.of, sentence(i.code))));
        } else {
            out.extend(of.iter().map(|i| format!("{verdict}: {}: {}", i.of, sentence(i.code))));
        }
    }
    out.push(LIMITS.to_owned());
    out.join("\n")
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

fn witness(key: &str) -> Result<WitnessKey, Bad> {
    key.parse().map_err(|e| Bad::Unchecked(format!("This is no witness's key: {key:.200}\n{}.", sentence(&e))))
}

fn roots(path: &Path) -> Result<Vec<Vec<u8>>, Bad> {
    stamp::roots(&text(path, MAX_ROOTS)?).map_err(|e| Bad::Unchecked(format!("{}: {e}.", path.display())))
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
