//! The key that is believed: one of the file's own, confirmed by one that was given, or only claimed when none was. Where the
//! log's key changed since the reader got theirs, it is followed from that one to the one that signs now.

use super::entries::Facts;
use super::{Report, Trusted, Verdict, same_log};
use crate::checkpoint::Checkpoint;
use crate::note::VerifierKey;

/// The keys of a file, and which of them is believed.
#[derive(Clone, Debug)]
pub(super) struct Believed {
    /// The one that signed the head, or should have.
    pub key: VerifierKey,
    /// All that the file holds for this log.
    listed: Vec<VerifierKey>,
    /// Where a key was given that did not sign the head itself: these, and the place in the report to be settled.
    follow: Option<(Vec<VerifierKey>, usize)>,
}

/// Chooses among the keys that a file holds. The same key goes on under another name when a new epoch begins.
pub(super) fn believed(
    note: &str,
    listed: Vec<VerifierKey>,
    trusted: &Trusted,
    report: &mut Report,
) -> Option<Believed> {
    let Some(first) = listed.first() else {
        report.add("key", Verdict::NotUnderstood, "key-unread");
        return None;
    };
    let given =
        |own: &&VerifierKey| trusted.keys.iter().any(|k| k.public == own.public && same_log(&k.name, &own.name));
    let signs = |own: &&VerifierKey| Checkpoint::open(note, &[own]).is_ok();
    let signer = listed.iter().find(signs).unwrap_or(first).clone();
    if trusted.keys.is_empty() {
        report.add("key", Verdict::Claimed, "key-claimed");
        return Some(Believed { key: signer, listed, follow: None });
    }
    let theirs: Vec<VerifierKey> = listed.iter().filter(given).cloned().collect();
    if theirs.is_empty() {
        report.add("key", Verdict::Broken, "key-other");
        return None;
    }
    if let Some(key) = theirs.iter().find(signs).cloned() {
        report.add("key", Verdict::Unchanged, "key");
        return Some(Believed { key, listed, follow: None });
    }
    // Until an entry shows that the one announced the other.
    report.add("key", Verdict::Broken, "key-unannounced");
    Some(Believed { key: signer, listed, follow: Some((theirs, report.items.len() - 1)) })
}

impl Believed {
    /// What the entries say of the keys: whether the given one leads to the one that signs, whether those had to sign that did,
    /// whether any key is here that nothing binds to the log.
    pub(super) fn settle(&self, (of, note): (&str, &str), facts: &Facts, report: &mut Report) {
        let keys = &facts.keys;
        if let Some((given, place)) = &self.follow
            && given.iter().any(|g| keys.leads(&g.public, &self.key.public))
            && let Some(item) = report.items.get_mut(*place)
        {
            (item.verdict, item.code) = (Verdict::Unchanged, "key-followed");
        }
        if !keys.signed(note, &self.key.name) {
            report.add(of, Verdict::Broken, "checkpoint-keys");
        }
        let bound = keys.all();
        for key in self.listed.iter().filter(|k| k.public != self.key.public && !bound.contains(&k.public)) {
            report.add(format!("key {}", key.id_text()), Verdict::Broken, "key-unannounced");
        }
    }

    /// The believed key, and those that were the log's before or are after.
    pub(super) fn line(&self, facts: &Facts) -> Vec<[u8; 32]> {
        let all = facts.keys.all();
        if all.contains(&self.key.public) { all } else { vec![self.key.public] }
    }
}
