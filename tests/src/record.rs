//! What the server acknowledged, and whether it is still there.

use std::collections::BTreeMap;
use std::fmt;
use std::path::Path;
use std::sync::Arc;

use evidence::digest::Digest;
use evidence::entry::Entry;

use crate::ask::{Actor, CookieStaff};

/// What the server acknowledged: it must survive whatever comes.
#[derive(Clone, Debug, Default)]
pub struct Acknowledged {
    /// Log index and said digest of each entry.
    pub entries: Vec<(u64, String)>,
    /// SHA-256 of each file, 64 hexadecimal digits.
    pub files: Vec<String>,
}

impl Acknowledged {
    /// How many things it holds.
    pub fn len(&self) -> usize {
        self.entries.len() + self.files.len()
    }

    /// Whether nothing was acknowledged yet.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// Takes in what was acknowledged to somebody else.
    pub fn add(&mut self, other: &Acknowledged) {
        self.entries.extend_from_slice(&other.entries);
        self.files.extend_from_slice(&other.files);
    }

    /// What of it a running server does not give back, a sentence each. `owner` reads: the whole log is the owner's.
    ///
    /// # Panics
    /// When the server does not answer.
    pub async fn missing(&self, owner: &CookieStaff) -> Vec<String> {
        let log = match log(owner).await {
            Ok(log) => log,
            Err(said) => return self.entries.iter().map(|(i, _)| format!("entry {i}: {said}")).collect(),
        };
        let mut out = Vec::new();
        for (index, digest) in &self.entries {
            let there = log.get(index).and_then(|bytes| Entry::parse(bytes).ok()).and_then(|e| e.said.digest().ok());
            match there {
                None => out.push(format!("entry {index}: it is not in the log")),
                Some(there) if there.to_string() != *digest => out.push(format!("entry {index}: it is another one")),
                Some(_) => {}
            }
        }
        for hex in &self.files {
            let answer = owner.get(&owner.path(&format!("/files/{hex}"))).send().await;
            if !answer.status.is_success() {
                out.push(format!("file {hex}: {}", answer.gist()));
            } else if Digest::of(&answer.body).hex() != *hex {
                out.push(format!("file {hex}: these are other bytes"));
            }
        }
        out
    }

    /// What of its files does not stand below a data folder under its digest, a sentence each.
    pub fn missing_below(&self, data: &Path, owner: &CookieStaff) -> Vec<String> {
        let originals = data.join("shops").join(owner.who.shop.to_string()).join("originals");
        let mut out = Vec::new();
        for hex in &self.files {
            match std::fs::read(originals.join(&hex[..2]).join(hex)) {
                Ok(bytes) if Digest::of(&bytes).hex() == *hex => {}
                Ok(bytes) => out.push(format!("file {hex}: {} other bytes stand there", bytes.len())),
                Err(e) => out.push(format!("file {hex}: {e}")),
            }
        }
        out
    }
}

/// The bytes of every entry by log index.
///
/// # Errors
/// The server's refusal.
///
/// # Panics
/// When the server does not answer, or not with a page of a log.
pub async fn log(owner: &CookieStaff) -> Result<BTreeMap<u64, Vec<u8>>, String> {
    let mut out = BTreeMap::new();
    let mut after = String::new();
    loop {
        let answer = owner.get(&owner.path(&format!("/entries?limit=500{after}"))).send().await;
        if !answer.status.is_success() {
            return Err(answer.gist());
        }
        let page = answer.json();
        for entry in page["entries"].as_array().into_iter().flatten() {
            let bytes = entry["bytes"].as_str().expect("an entry's bytes").as_bytes().to_vec();
            out.insert(entry["index"].as_u64().expect("a log index"), bytes);
        }
        match page["next"].as_u64() {
            Some(next) => after = format!("&after={next}"),
            None => return Ok(out),
        }
    }
}

/// Who is told of what was acknowledged: nobody, or a function that is given all of an intake so far.
#[derive(Clone, Default)]
pub struct Watch(Option<Arc<Tell>>);

type Tell = dyn Fn(&Acknowledged) + Send + Sync;

impl Watch {
    /// Tells this function.
    pub fn with(tell: impl Fn(&Acknowledged) + Send + Sync + 'static) -> Watch {
        Watch(Some(Arc::new(tell)))
    }

    /// Tells what was acknowledged so far.
    pub fn tell(&self, sent: &Acknowledged) {
        if let Some(tell) = &self.0 {
            tell(sent);
        }
    }
}

impl fmt::Debug for Watch {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(if self.0.is_some() { "Watch(somebody)" } else { "Watch(nobody)" })
    }
}
