//! Checks a receipt or a pack, item by item, without the shop. Every item gets one verdict and a code; the sentence that
//! belongs to a code stands in the catalogues of words under `verify.code.<code>`. The page that does the same in a browser
//! gives the same items in the same order.

pub mod earlier;
mod entries;
mod keys;
pub mod outside;
pub mod pack;
pub mod receipt;

use std::fmt;

use crate::checkpoint::origin_parts;
use crate::cosignature::WitnessKey;
use crate::note::VerifierKey;

pub use earlier::Earlier;

/// What is known of an item, from the best to the worst.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Verdict {
    /// As it was when the shop recorded it.
    Unchanged,
    /// Said by the file itself and vouched for by nothing else.
    Claimed,
    /// Left out for this reader; what is here is bound to it.
    Withheld,
    /// Taken away by an entry that says so.
    Erased,
    /// Should be here and is not.
    Missing,
    /// Of a form this program does not know.
    NotUnderstood,
    /// Not as it was.
    Broken,
}

impl Verdict {
    /// All, from the best to the worst.
    pub const ALL: [Verdict; 7] = [
        Verdict::Unchanged,
        Verdict::Claimed,
        Verdict::Withheld,
        Verdict::Erased,
        Verdict::Missing,
        Verdict::NotUnderstood,
        Verdict::Broken,
    ];

    /// As the program's exit code: 0 unchanged, 3 claimed, 4 withheld, 5 erased, 6 missing, 7 not understood, 1 broken.
    pub fn exit_code(self) -> u8 {
        match self {
            Verdict::Unchanged => 0,
            Verdict::Claimed => 3,
            Verdict::Withheld => 4,
            Verdict::Erased => 5,
            Verdict::Missing => 6,
            Verdict::NotUnderstood => 7,
            Verdict::Broken => 1,
        }
    }
}

impl fmt::Display for Verdict {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Verdict::Unchanged => "unchanged",
            Verdict::Claimed => "claimed",
            Verdict::Withheld => "withheld",
            Verdict::Erased => "erased",
            Verdict::Missing => "missing",
            Verdict::NotUnderstood => "not understood",
            Verdict::Broken => "broken",
        })
    }
}

/// One thing that was looked at.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Item {
    /// What: a path, `entry 17`, `photo <uuid>`.
    pub of: String,
    /// What is known of it.
    pub verdict: Verdict,
    /// Why; names a sentence.
    pub code: &'static str,
}

/// All that was looked at, in order.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Report {
    /// The items.
    pub items: Vec<Item>,
}

impl Report {
    /// The worst verdict. Nothing looked at is not understood.
    pub fn worst(&self) -> Verdict {
        self.items.iter().map(|i| i.verdict).max().unwrap_or(Verdict::NotUnderstood)
    }

    /// What is told even where it is unchanged: what others than the shop say, and that the log's key changed.
    pub fn telling(&self) -> impl Iterator<Item = &Item> {
        self.items.iter().filter(|i| i.verdict == Verdict::Unchanged && TELLING.contains(&i.code))
    }

    fn add(&mut self, of: impl Into<String>, verdict: Verdict, code: &'static str) {
        self.items.push(Item { of: of.into(), verdict, code });
    }
}

/// Codes of what is told even where it is unchanged.
const TELLING: [&str; 4] = ["stamp", "witness", "key-followed", "rotation"];

/// What the reader has from elsewhere, and trusts.
#[derive(Clone, Debug, Default)]
pub struct Trusted {
    /// Keys that somebody vouched for.
    pub keys: Vec<VerifierKey>,
    /// Keys of witnesses.
    pub witnesses: Vec<WitnessKey>,
    /// Roots of stamping authorities, as DER: see [`crate::stamp::roots`].
    pub roots: Vec<Vec<u8>>,
}

/// First line of the note that signs a pack's manifest.
pub const MANIFEST_NOTE: &str = "counterfoil pack manifest";
/// First line of the note that signs a receipt as a page.
pub const PAGE_NOTE: &str = "counterfoil receipt page";

/// The text a note has for a digest. Two lines: it can never be read as a checkpoint, which has three.
pub fn seal_text(first: &str, digest: &crate::digest::Digest) -> String {
    format!("{first}\n{digest}\n")
}

/// Whether two origins are of the same shop's log, perhaps in different epochs.
pub(crate) fn same_log(a: &str, b: &str) -> bool {
    match (origin_parts(a), origin_parts(b)) {
        (Some((name_a, shop_a, _)), Some((name_b, shop_b, _))) => name_a == name_b && shop_a == shop_b,
        _ => a == b,
    }
}
