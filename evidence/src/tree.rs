//! The Merkle tree of RFC 6962 2.1 and RFC 9162 2.1 over SHA-256.
//!
//! Complete subtrees are stored as nodes `(level, index)`: `(0, i)` is leaf `i`, `(l, i)` covers the leaves from
//! `i·2^l` on. Whatever is asked of the tree is computed from such nodes, so a caller may fetch them first.

use std::fmt;

use crate::digest::Digest;
use crate::digest::Hasher;

/// A node's hash.
pub type Hash = [u8; 32];

/// A node of the stored tree: level and index.
pub type Node = (u8, u64);

/// Why something could not be computed or verified.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TreeError {
    /// A node is not stored.
    Missing(Node),
    /// The numbers make no sense: an index beyond the size, an old size of 0 or beyond the new one.
    Range,
    /// The proof does not lead to the root.
    Mismatch,
}

impl fmt::Display for TreeError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            TreeError::Missing((l, i)) => write!(f, "tree node {i} of level {l} is missing"),
            TreeError::Range => f.write_str("there is no such entry in a tree of this size"),
            TreeError::Mismatch => f.write_str("the proof does not lead to the root"),
        }
    }
}

impl std::error::Error for TreeError {}

/// The root of no entries: SHA-256 of nothing.
pub fn empty_root() -> Hash {
    Digest::of(b"").0
}

/// The hash of a leaf.
pub fn leaf_hash(entry: &[u8]) -> Hash {
    let mut h = Hasher::new();
    h.update(&[0]);
    h.update(entry);
    h.finish().0
}

/// The hash of two halves.
pub fn node_hash(left: &Hash, right: &Hash) -> Hash {
    let mut h = Hasher::new();
    h.update(&[1]);
    h.update(left);
    h.update(right);
    h.finish().0
}

/// The root of leaves, by the definition: split at the largest power of two below their number.
pub fn root(leaves: &[Hash]) -> Hash {
    match leaves {
        [] => empty_root(),
        [one] => *one,
        _ => {
            let (left, right) = leaves.split_at(split(leaves.len() as u64) as usize);
            node_hash(&root(left), &root(right))
        }
    }
}

/// The largest power of two smaller than `n`, for `n` of at least 2.
fn split(n: u64) -> u64 {
    1 << (63 - (n - 1).leading_zeros())
}

/// The complete subtrees that make up leaves `from..to`, where `from` is a multiple of the largest power of two that
/// fits: the binary digits of the length.
fn pieces(from: u64, to: u64) -> Vec<Node> {
    let mut out = Vec::new();
    let mut at = from;
    while at < to {
        let level = 63 - (to - at).leading_zeros();
        out.push((level as u8, at >> level));
        at += 1 << level;
    }
    out
}

/// The root of leaves `from..to` out of stored nodes.
fn range_root(from: u64, to: u64, get: &mut dyn FnMut(u8, u64) -> Option<Hash>) -> Result<Hash, TreeError> {
    let mut right_to_left = pieces(from, to).into_iter().rev();
    let Some(last) = right_to_left.next() else { return Ok(empty_root()) };
    let mut fetch = |n: Node| get(n.0, n.1).ok_or(TreeError::Missing(n));
    let mut acc = fetch(last)?;
    for node in right_to_left {
        acc = node_hash(&fetch(node)?, &acc);
    }
    Ok(acc)
}

/// The nodes [`new_nodes`] asks for when a leaf is appended to a tree of this size.
pub fn needed_for_append(size: u64) -> Vec<Node> {
    (0..size.trailing_ones() as u8).map(|level| (level, (size >> level) - 1)).collect()
}

/// The nodes completed by appending a leaf to a tree of `size`, from the leaf up.
///
/// # Errors
/// A node that is needed and not there.
///
/// ```
/// use std::collections::HashMap;
/// use evidence::tree;
///
/// let mut nodes = HashMap::new();
/// for (size, entry) in [b"one".as_slice(), b"two", b"three"].into_iter().enumerate() {
///     let fresh = tree::new_nodes(size as u64, tree::leaf_hash(entry), &mut |l, i| nodes.get(&(l, i)).copied())?;
///     nodes.extend(fresh.into_iter().map(|(l, i, h)| ((l, i), h)));
/// }
/// let mut get = |l, i| nodes.get(&(l, i)).copied();
/// let root = tree::root_from(3, &mut get)?;
/// let proof = tree::inclusion(2, 3, &mut get)?;
/// tree::verify_inclusion(2, 3, tree::leaf_hash(b"three"), &proof, root)?;
/// # Ok::<(), tree::TreeError>(())
/// ```
pub fn new_nodes(
    size: u64,
    leaf: Hash,
    get: &mut dyn FnMut(u8, u64) -> Option<Hash>,
) -> Result<Vec<(u8, u64, Hash)>, TreeError> {
    let mut out = vec![(0, size, leaf)];
    let mut hash = leaf;
    for (level, left) in needed_for_append(size) {
        let sibling = get(level, left).ok_or(TreeError::Missing((level, left)))?;
        hash = node_hash(&sibling, &hash);
        out.push((level + 1, left >> 1, hash));
    }
    Ok(out)
}

/// The nodes [`root_from`] asks for.
pub fn needed_for_root(size: u64) -> Vec<Node> {
    pieces(0, size)
}

/// The root of the first `size` leaves.
///
/// # Errors
/// A node that is needed and not there.
pub fn root_from(size: u64, get: &mut dyn FnMut(u8, u64) -> Option<Hash>) -> Result<Hash, TreeError> {
    range_root(0, size, get)
}

/// The ranges whose roots are the inclusion proof, from the leaf side (RFC 9162 2.1.3.1).
fn inclusion_ranges(index: u64, size: u64) -> Vec<(u64, u64)> {
    let (mut from, mut to) = (0, size);
    let mut out = Vec::new();
    while to - from > 1 {
        let middle = from + split(to - from);
        if index < middle {
            out.push((middle, to));
            to = middle;
        } else {
            out.push((from, middle));
            from = middle;
        }
    }
    out.reverse();
    out
}

/// The nodes [`inclusion`] asks for.
pub fn needed_for_inclusion(index: u64, size: u64) -> Vec<Node> {
    if index >= size {
        return Vec::new();
    }
    inclusion_ranges(index, size).into_iter().flat_map(|(a, b)| pieces(a, b)).collect()
}

/// The inclusion proof of a leaf, from the leaf side.
///
/// # Errors
/// `Range` when the index is not below the size; a node that is not there.
pub fn inclusion(index: u64, size: u64, get: &mut dyn FnMut(u8, u64) -> Option<Hash>) -> Result<Vec<Hash>, TreeError> {
    if index >= size {
        return Err(TreeError::Range);
    }
    inclusion_ranges(index, size).into_iter().map(|(a, b)| range_root(a, b, get)).collect()
}

/// The ranges whose roots are the consistency proof (RFC 9162 2.1.4.1, SUBPROOF).
fn consistency_ranges(old: u64, new: u64) -> Vec<(u64, u64)> {
    fn sub(old: u64, from: u64, to: u64, whole: bool, out: &mut Vec<(u64, u64)>) {
        if old == to {
            if !whole {
                out.push((from, to));
            }
            return;
        }
        let middle = from + split(to - from);
        if old <= middle {
            sub(old, from, middle, whole, out);
            out.push((middle, to));
        } else {
            sub(old, middle, to, false, out);
            out.push((from, middle));
        }
    }
    let mut out = Vec::new();
    sub(old, 0, new, true, &mut out);
    out
}

/// The nodes [`consistency`] asks for.
pub fn needed_for_consistency(old: u64, new: u64) -> Vec<Node> {
    if old == 0 || old > new {
        return Vec::new();
    }
    consistency_ranges(old, new).into_iter().flat_map(|(a, b)| pieces(a, b)).collect()
}

/// The proof that the tree of `new` leaves begins with the tree of `old` leaves.
///
/// # Errors
/// `Range` when old is 0 or larger than new; a node that is not there.
pub fn consistency(old: u64, new: u64, get: &mut dyn FnMut(u8, u64) -> Option<Hash>) -> Result<Vec<Hash>, TreeError> {
    if old == 0 || old > new {
        return Err(TreeError::Range);
    }
    consistency_ranges(old, new).into_iter().map(|(a, b)| range_root(a, b, get)).collect()
}

/// Verifies an inclusion proof (RFC 9162 2.1.3.2).
///
/// # Errors
/// `Range` or `Mismatch`; a proof that is too short or too long does not match.
pub fn verify_inclusion(index: u64, size: u64, leaf: Hash, proof: &[Hash], root: Hash) -> Result<(), TreeError> {
    if index >= size {
        return Err(TreeError::Range);
    }
    let (mut fnode, mut snode, mut r) = (index, size - 1, leaf);
    for p in proof {
        if snode == 0 {
            return Err(TreeError::Mismatch);
        }
        if fnode & 1 == 1 || fnode == snode {
            r = node_hash(p, &r);
            if fnode & 1 == 0 {
                while fnode & 1 == 0 && fnode != 0 {
                    fnode >>= 1;
                    snode >>= 1;
                }
            }
        } else {
            r = node_hash(&r, p);
        }
        fnode >>= 1;
        snode >>= 1;
    }
    if snode == 0 && r == root { Ok(()) } else { Err(TreeError::Mismatch) }
}

/// Verifies a consistency proof (RFC 9162 2.1.4.2).
///
/// # Errors
/// `Range` when old is 0 or larger than new, otherwise `Mismatch`.
pub fn verify_consistency(old: u64, new: u64, proof: &[Hash], old_root: Hash, new_root: Hash) -> Result<(), TreeError> {
    if old == 0 || old > new {
        return Err(TreeError::Range);
    }
    if old == new {
        return if proof.is_empty() && old_root == new_root { Ok(()) } else { Err(TreeError::Mismatch) };
    }
    let first = if old.is_power_of_two() { Some(old_root) } else { None };
    let mut path = first.iter().chain(proof.iter());
    let Some(start) = path.next() else { return Err(TreeError::Mismatch) };
    let (mut fnode, mut snode) = (old - 1, new - 1);
    while fnode & 1 == 1 {
        fnode >>= 1;
        snode >>= 1;
    }
    let (mut fr, mut sr) = (*start, *start);
    for c in path {
        if snode == 0 {
            return Err(TreeError::Mismatch);
        }
        if fnode & 1 == 1 || fnode == snode {
            fr = node_hash(c, &fr);
            sr = node_hash(c, &sr);
            while fnode & 1 == 0 && fnode != 0 {
                fnode >>= 1;
                snode >>= 1;
            }
        } else {
            sr = node_hash(&sr, c);
        }
        fnode >>= 1;
        snode >>= 1;
    }
    if snode == 0 && fr == old_root && sr == new_root { Ok(()) } else { Err(TreeError::Mismatch) }
}
