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

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::HashMap;

    fn hex(s: &str) -> Vec<u8> {
        (0..s.len()).step_by(2).map(|i| u8::from_str_radix(&s[i..i + 2], 16).unwrap()).collect()
    }

    fn show(h: &Hash) -> String {
        Digest(*h).hex()
    }

    fn stored(leaves: &[Hash]) -> HashMap<Node, Hash> {
        let mut nodes = HashMap::new();
        for (i, leaf) in leaves.iter().enumerate() {
            for n in needed_for_append(i as u64) {
                assert!(nodes.contains_key(&n));
            }
            let fresh = new_nodes(i as u64, *leaf, &mut |l, i| nodes.get(&(l, i)).copied()).unwrap();
            nodes.extend(fresh.into_iter().map(|(l, i, h)| ((l, i), h)));
        }
        nodes
    }

    #[test]
    fn published_vectors() {
        // Vectors of FORMATS: RFC 6962 test data as published by the certificate-transparency implementations.
        assert_eq!(show(&empty_root()), "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855");
        assert_eq!(show(&leaf_hash(b"L123456")), "395aa064aa4c29f7010acfe3f25db9485bbd4b91897b6ad7ad547639252b4d56");
        assert!(show(&leaf_hash(b"")).starts_with("6e340b9c") && show(&leaf_hash(b"")).ends_with("a01d"));
        // The node vector hashes the two short texts themselves, not hashes of them.
        let mut h = Hasher::new();
        h.update(b"\x01N123N456");
        assert_eq!(h.finish().hex(), "aa217fe888e47007fa15edab33c2b492a722cb106c64667fc2b044444de66bbb");
        let leaves =
            ["", "00", "10", "2021", "3031", "40414243", "5051525354555657", "606162636465666768696a6b6c6d6e6f"];
        let leaves: Vec<Hash> = leaves.iter().map(|l| leaf_hash(&hex(l))).collect();
        let begin = ["6e340b9c", "fac54203", "aeb6bcfe", "d37ee418", "4e3bbb1f", "76e67dad", "ddb89be4", "5dc9da79"];
        let nodes = stored(&leaves);
        for n in 1..=8 {
            let r = root(&leaves[..n]);
            assert!(show(&r).starts_with(begin[n - 1]));
            assert_eq!(root_from(n as u64, &mut |l, i| nodes.get(&(l, i)).copied()).unwrap(), r);
        }
        assert!(show(&root(&leaves)).ends_with("4328"));
    }

    #[test]
    fn every_proof_of_every_small_tree_verifies_and_every_change_breaks_it() {
        let leaves: Vec<Hash> = (0..70u8).map(|i| leaf_hash(&[i])).collect();
        let nodes = stored(&leaves);
        let mut get = |l: u8, i: u64| nodes.get(&(l, i)).copied();
        for size in 1..=leaves.len() as u64 {
            let r = root(&leaves[..size as usize]);
            for index in 0..size {
                let leaf = leaves[index as usize];
                let proof = inclusion(index, size, &mut get).unwrap();
                assert_eq!(verify_inclusion(index, size, leaf, &proof, r), Ok(()));
                assert!(verify_inclusion(index, size, leaf_hash(b"other"), &proof, r).is_err());
                assert!(verify_inclusion(size, size, leaf, &proof, r).is_err());
                let mut long = proof.clone();
                long.push(r);
                assert!(verify_inclusion(index, size, leaf, &long, r).is_err());
                if let Some((_, short)) = proof.split_last() {
                    assert!(verify_inclusion(index, size, leaf, short, r).is_err());
                    let mut changed = proof.clone();
                    changed[0][0] ^= 1;
                    assert!(verify_inclusion(index, size, leaf, &changed, r).is_err());
                }
            }
            for old in 1..=size {
                let o = root(&leaves[..old as usize]);
                let proof = consistency(old, size, &mut get).unwrap();
                assert_eq!(verify_consistency(old, size, &proof, o, r), Ok(()), "{old} of {size}");
                assert!(verify_consistency(old, size, &proof, r, o).is_err() || o == r);
                let mut long = proof.clone();
                long.push(o);
                assert!(verify_consistency(old, size, &long, o, r).is_err());
                if let Some((_, short)) = proof.split_last() {
                    assert!(verify_consistency(old, size, short, o, r).is_err());
                }
            }
        }
        assert_eq!(consistency(0, 5, &mut get), Err(TreeError::Range));
        assert_eq!(verify_consistency(0, 5, &[], empty_root(), root(&leaves[..5])), Err(TreeError::Range));
        assert_eq!(verify_consistency(6, 5, &[], empty_root(), root(&leaves[..5])), Err(TreeError::Range));
    }

    #[test]
    fn what_is_needed_is_what_is_asked_for() {
        let leaves: Vec<Hash> = (0..33u8).map(|i| leaf_hash(&[i])).collect();
        let nodes = stored(&leaves);
        for size in 1..=33u64 {
            let only = |wanted: Vec<Node>| {
                let wanted: HashMap<Node, Hash> =
                    wanted.into_iter().filter_map(|n| Some((n, *nodes.get(&n)?))).collect();
                move |l: u8, i: u64| wanted.get(&(l, i)).copied()
            };
            root_from(size, &mut only(needed_for_root(size))).unwrap();
            for i in 0..size {
                inclusion(i, size, &mut only(needed_for_inclusion(i, size))).unwrap();
                consistency(i + 1, size, &mut only(needed_for_consistency(i + 1, size))).unwrap();
            }
        }
    }
}
