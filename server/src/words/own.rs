//! A shop's own catalogues: `DATA/words/<tag>.json`, read once at start. A faulty one is not used and says why; what one
//! leaves out is said in a language that is shipped. What is served is the whole catalogue with those sentences put in, so
//! that a sheet's digest names every word that was shown.

use std::collections::{BTreeMap, BTreeSet};
use std::io::{self, Read};
use std::path::Path;

use super::{Catalogue, primary, shipped};

/// Longest file, in bytes; the shipped ones have about 60 KB.
const MAX_FILE: u64 = 1 << 20;
/// Longest sentence, in bytes.
const MAX_TEXT: usize = 4096;
/// Files of the folder that are looked at.
const MAX_FILES: usize = 40;
/// Faults that are told of one file.
const MAX_TOLD: usize = 20;
/// Plural categories that a sentence which counts may have (CLDR).
const PLURALS: [&str; 6] = ["zero", "one", "two", "few", "many", "other"];

/// Texts by key.
type Texts = BTreeMap<String, String>;

/// A shop's catalogue, made whole.
#[derive(Debug)]
pub struct Own {
    /// The catalogue.
    pub catalogue: Catalogue,
    /// The language that says what the file leaves out.
    pub falls_back: &'static str,
    /// How many sentences the file leaves out.
    pub missing: usize,
}

/// Reads a folder, tells the log what was found, and gives those that can be used. No folder is no catalogue.
pub fn load(folder: &Path) -> Vec<Catalogue> {
    let mut out: Vec<Catalogue> = Vec::new();
    for (tag, file) in files(folder) {
        let taken = |c: &Catalogue| c.language.eq_ignore_ascii_case(&tag);
        let read = if shipped().iter().any(taken) {
            Err(vec![format!(
                "\"{tag}\" is shipped and stays as it is; a wording of your own is named by its region, as \"{tag}-XX\""
            )])
        } else if out.iter().any(taken) {
            Err(vec![format!("\"{tag}\" is there twice")])
        } else {
            bytes(&file).map_err(|e| vec![e.to_string()]).and_then(|bytes| read(&tag, &bytes))
        };
        match read {
            Ok(own) => {
                tracing::info!(language = %tag, missing = own.missing, said_in = own.falls_back, "a catalogue of the shop's own");
                out.push(own.catalogue);
            }
            Err(faults) => {
                for fault in faults.iter().take(MAX_TOLD) {
                    tracing::error!(file = %file.display(), fault, "this catalogue is not used");
                }
            }
        }
    }
    out
}

/// The folder's files named by a language tag, in order; of others it is told that they are not read.
fn files(folder: &Path) -> Vec<(String, std::path::PathBuf)> {
    let entries = match std::fs::read_dir(folder) {
        Ok(entries) => entries,
        Err(e) if e.kind() == io::ErrorKind::NotFound => return Vec::new(),
        Err(e) => {
            tracing::error!(folder = %folder.display(), error = %e, "the shop's own catalogues cannot be read");
            return Vec::new();
        }
    };
    let mut paths: Vec<_> = entries.flatten().map(|e| e.path()).take(10 * MAX_FILES).collect();
    paths.sort();
    let mut out = Vec::new();
    for path in paths {
        let name = path.file_name().and_then(|n| n.to_str()).unwrap_or_default();
        match name.strip_suffix(".json") {
            Some(tag) if is_tag(tag) && out.len() < MAX_FILES => out.push((tag.to_owned(), path)),
            _ => {
                tracing::warn!(file = %path.display(), "not read: a catalogue is named by its language tag, as pl.json or de-AT.json")
            }
        }
    }
    out
}

fn bytes(file: &Path) -> io::Result<Vec<u8>> {
    let open = std::fs::File::open(file)?;
    if !open.metadata()?.is_file() {
        return Err(io::Error::other("this is no file"));
    }
    let mut bytes = Vec::new();
    open.take(MAX_FILE + 1).read_to_end(&mut bytes)?;
    if bytes.len() as u64 > MAX_FILE {
        return Err(io::Error::other("this is longer than 1 MB"));
    }
    Ok(bytes)
}

/// Whether a text has the form of a language tag: language, then script, region and one variant where they are given
/// (BCP 47, RFC 5646 2.1; browsers take no other form).
pub fn is_tag(text: &str) -> bool {
    let letters = |s: &str| s.bytes().all(|b| b.is_ascii_alphabetic());
    let script = |s: &str| s.len() == 4 && letters(s);
    let region = |s: &str| (s.len() == 2 && letters(s)) || (s.len() == 3 && s.bytes().all(|b| b.is_ascii_digit()));
    let variant = |s: &str| (5..=8).contains(&s.len()) && s.bytes().all(|b| b.is_ascii_alphanumeric());
    let mut subtags = text.split('-').peekable();
    let known = subtags.next().is_some_and(|s| (2..=3).contains(&s.len()) && letters(s));
    let _ = subtags.next_if(|s| script(s));
    let _ = subtags.next_if(|s| region(s));
    let _ = subtags.next_if(|s| variant(s));
    known && subtags.next().is_none()
}

/// A catalogue kept from before under its digest; what it did not say yet is said in a language that is shipped.
pub fn pinned(tag: &str, bytes: &[u8]) -> Catalogue {
    let base = base(tag);
    let given: Texts = serde_json::from_slice(bytes).unwrap_or_default();
    let mut catalogue = Catalogue::new(tag, bytes.to_vec());
    catalogue.texts =
        base.texts.clone().into_iter().chain([("language.name".to_owned(), tag.to_owned())]).chain(given).collect();
    catalogue
}

/// The shipped language that says what one of this tag leaves out.
fn base(tag: &str) -> &'static Catalogue {
    shipped().iter().find(|c| c.language.eq_ignore_ascii_case(primary(tag))).unwrap_or(&shipped()[0])
}

/// Reads one catalogue: its keys are known, its sentences name what the English ones name.
///
/// # Errors
/// What is wrong, a sentence each.
pub fn read(tag: &str, bytes: &[u8]) -> Result<Own, Vec<String>> {
    let given: Texts =
        serde_json::from_slice(bytes).map_err(|e| vec![format!("this is no JSON object of texts: {e}")])?;
    let first = &shipped()[0].texts;
    let faults: Vec<String> = given.iter().filter_map(|(key, text)| fault(first, key, text)).collect();
    if !faults.is_empty() {
        return Err(faults);
    }
    let base = base(tag);
    // A language does not carry another one's name.
    let names = [("language.name".to_owned(), tag.to_owned())];
    let missing = base.texts.keys().filter(|k| !given.contains_key(*k) && !is_plural_of(&given, k)).count();
    // Plural forms of another language must not speak for a sentence that the file gives.
    let kept = base.texts.iter().filter(|(k, _)| !is_plural_of(&given, k));
    let whole: Texts = kept.map(|(k, v)| (k.clone(), v.clone())).chain(names).chain(given.clone()).collect();
    let bytes = serde_json::to_vec_pretty(&whole).map_err(|e| vec![e.to_string()])?;
    Ok(Own { catalogue: Catalogue::new(tag, bytes), falls_back: &base.language, missing })
}

/// The sentence that counts without its plural category.
fn without_plural(key: &str) -> Option<&str> {
    let (base, category) = key.rsplit_once('.')?;
    PLURALS.contains(&category).then_some(base)
}

/// Whether a key is a plural form of a sentence that is given in a form of its own.
fn is_plural_of(given: &Texts, key: &str) -> bool {
    !given.contains_key(key) && without_plural(key).is_some_and(|base| given.contains_key(base))
}

/// What is wrong with one sentence.
fn fault(first: &Texts, key: &str, text: &str) -> Option<String> {
    let told: String = key.chars().take(80).collect();
    let names = placeholders(text);
    let (Some(names), false) =
        (names, text.trim().is_empty() || text.len() > MAX_TEXT || text.chars().any(char::is_control))
    else {
        return Some(format!(
            "{told}: this is no sentence: empty, longer than {MAX_TEXT} bytes, or with a brace or a control character astray"
        ));
    };
    if let Some(english) = first.get(key).filter(|_| !counts(first, key)) {
        let wanted = placeholders(english).unwrap_or_default();
        return (names != wanted).then(|| format!("{told}: names {}, and should name {}", list(&names), list(&wanted)));
    }
    // One of the forms of a sentence that counts: the number may be said in words.
    let base =
        without_plural(key).filter(|b| first.contains_key(*b)).or_else(|| first.contains_key(key).then_some(key));
    let Some(base) = base else { return Some(format!("{told}: there is no such key")) };
    let form = |k: &str| first.get(k).and_then(|t| placeholders(t)).unwrap_or_default();
    let wanted: BTreeSet<String> = form(base).into_iter().filter(|n| n != "count").collect();
    let given: BTreeSet<String> = names.iter().filter(|n| *n != "count").cloned().collect();
    let count_is_known =
        !names.iter().any(|n| n == "count") || counts(first, base) || form(base).iter().any(|n| n == "count");
    (given != wanted || !count_is_known)
        .then(|| format!("{told}: names {}, and should name {}", list(&names), list(&form(base))))
}

/// Whether a sentence has plural forms, or is one.
fn counts(first: &Texts, key: &str) -> bool {
    let base = without_plural(key).filter(|b| first.contains_key(*b)).unwrap_or(key);
    PLURALS.iter().any(|p| first.contains_key(&format!("{base}.{p}")))
}

/// The names in braces, sorted; none where a brace stands alone.
fn placeholders(text: &str) -> Option<Vec<String>> {
    let mut out = Vec::new();
    let mut rest = text;
    while let Some(at) = rest.find(['{', '}']) {
        let inner = rest[at..].strip_prefix('{')?;
        let end = inner.find(['{', '}']).filter(|e| inner[*e..].starts_with('}'))?;
        out.push(inner[..end].to_owned());
        rest = &inner[end + 1..];
    }
    out.sort();
    Some(out)
}

fn list(names: &[String]) -> String {
    if names.is_empty() {
        return "nothing".to_owned();
    }
    let told: Vec<String> = names.iter().take(10).map(|n| n.chars().take(40).collect()).collect();
    told.join(", ")
}

#[cfg(test)]
#[path = "own_tests.rs"]
mod tests;
