//! What a witness decides (C2SP tlog-witness, add-checkpoint; <https://c2sp.org/tlog-witness>). Pure: what it saw before is an
//! argument, and whoever calls keeps what it sees now before the cosignature leaves.

use std::fmt;

use base64::Engine;
use base64::engine::general_purpose::STANDARD as BASE64;

use crate::checkpoint::{Checkpoint, decimal};
use crate::note::{MAX_NOTE, VerifierKey};
use crate::tree::{self, Hash};
use crate::verify::same_log;

/// Largest request read, in bytes.
pub const MAX_REQUEST: usize = MAX_NOTE + 8 * 1024;
/// Most hashes in a proof.
const MAX_HASHES: usize = 63;

/// Why a witness does not sign. The numbers are the HTTP statuses that the protocol gives.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Refusal {
    /// The request is not written as it should be, or its old size is larger than the new: 400.
    Form,
    /// It watches no such log: 404.
    UnknownLog,
    /// None of the log's keys signed the head: 403.
    Signature,
    /// It has seen another size than the request goes on from; that is the size: 409.
    Seen(u64),
    /// It has seen another root of the same size: 409.
    Fork(u64),
    /// The head does not go on from what it has seen: 422.
    Rewritten,
}

impl Refusal {
    /// The HTTP status.
    pub fn status(self) -> u16 {
        match self {
            Refusal::Form => 400,
            Refusal::Signature => 403,
            Refusal::UnknownLog => 404,
            Refusal::Seen(_) | Refusal::Fork(_) => 409,
            Refusal::Rewritten => 422,
        }
    }
}

impl fmt::Display for Refusal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Refusal::Form => f.write_str("this is not written as a checkpoint to be cosigned is"),
            Refusal::UnknownLog => f.write_str("this log is not watched here"),
            Refusal::Signature => f.write_str("none of this log's keys signed this checkpoint"),
            Refusal::Seen(size) => write!(f, "the newest checkpoint seen of this log has {size} entries"),
            Refusal::Fork(size) => write!(f, "another log of {size} entries was seen under this name: it was forked"),
            Refusal::Rewritten => f.write_str("this log does not go on from what was seen of it: it was rewritten"),
        }
    }
}

/// A checkpoint to be cosigned.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Request {
    /// The size from which the proof goes on.
    pub old: u64,
    /// That the log goes on from there.
    pub proof: Vec<Hash>,
    /// The signed checkpoint.
    pub note: String,
}

impl fmt::Display for Request {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "old {}", self.old)?;
        for hash in &self.proof {
            writeln!(f, "{}", BASE64.encode(hash))?;
        }
        write!(f, "\n{}", self.note)
    }
}

impl Request {
    /// Reads a request's body.
    ///
    /// # Errors
    /// [`Refusal::Form`].
    pub fn read(body: &str) -> Result<Request, Refusal> {
        let (head, note) = body.split_once("\n\n").filter(|_| body.len() <= MAX_REQUEST).ok_or(Refusal::Form)?;
        let mut lines = head.split('\n');
        let old = lines.next().and_then(|l| decimal(l.strip_prefix("old ")?)).ok_or(Refusal::Form)?;
        let hash = |l: &str| BASE64.decode(l).ok().and_then(|h| h.try_into().ok()).ok_or(Refusal::Form);
        let proof = lines.take(MAX_HASHES + 1).map(hash).collect::<Result<Vec<Hash>, _>>()?;
        if proof.len() > MAX_HASHES {
            return Err(Refusal::Form);
        }
        Ok(Request { old, proof, note: note.to_owned() })
    }
}

/// The origin that a request is about, as far as it says: what was seen of it has to be looked up.
pub fn origin_of(request: &Request) -> &str {
    request.note.split('\n').next().unwrap_or_default()
}

/// Decides whether a checkpoint may be cosigned, and gives it. `seen`: the newest one cosigned under this origin. `keys`: of the
/// logs that are watched; a new epoch of a log is another origin under the same key, and begins anew.
///
/// # Errors
/// Why not.
pub fn decide(request: &Request, seen: Option<&Checkpoint>, keys: &[VerifierKey]) -> Result<Checkpoint, Refusal> {
    let origin = origin_of(request);
    let ours: Vec<VerifierKey> = keys
        .iter()
        .filter(|k| same_log(&k.name, origin))
        .map(|k| VerifierKey { name: origin.to_owned(), public: k.public })
        .collect();
    if ours.is_empty() {
        return Err(Refusal::UnknownLog);
    }
    let now = Checkpoint::open(&request.note, &ours.iter().collect::<Vec<_>>()).map_err(|_| Refusal::Signature)?;
    if request.old > now.size {
        return Err(Refusal::Form);
    }
    let before = seen.map_or(0, |s| s.size);
    if request.old != before {
        return Err(Refusal::Seen(before));
    }
    match seen {
        Some(seen) if seen.size == now.size && seen.root != now.root => Err(Refusal::Fork(seen.size)),
        Some(seen) if seen.size > 0 => {
            tree::verify_consistency(seen.size, now.size, &request.proof, seen.root, now.root)
                .map(|()| now)
                .map_err(|_| Refusal::Rewritten)
        }
        _ if request.proof.is_empty() => Ok(now),
        _ => Err(Refusal::Rewritten),
    }
}
