use std::collections::HashMap;

use evidence::tree::*;

use crate::hex;

fn hash(digits: &str) -> Hash {
    hex(digits).try_into().unwrap()
}

/// A tree kept as the log keeps it: node by node, each written once.
pub struct Stored {
    pub leaves: Vec<Hash>,
    pub nodes: HashMap<(u8, u64), Hash>,
}

impl Stored {
    pub fn of(leaves: Vec<Hash>) -> Stored {
        let mut nodes = HashMap::new();
        for (i, leaf) in leaves.iter().enumerate() {
            let size = i as u64;
            let mut asked = Vec::new();
            let fresh = new_nodes(size, *leaf, &mut |l, i| {
                asked.push((l, i));
                nodes.get(&(l, i)).copied()
            })
            .unwrap();
            assert_eq!(asked, needed_for_append(size));
            for (l, i, h) in fresh {
                assert_eq!(nodes.insert((l, i), h), None, "node {l}/{i} is written twice");
            }
        }
        Stored { leaves, nodes }
    }

    pub fn root(&self, size: u64) -> Hash {
        self.only(needed_for_root(size), |get| root_from(size, get))
    }

    pub fn inclusion(&self, index: u64, size: u64) -> Vec<Hash> {
        self.only(needed_for_inclusion(index, size), |get| inclusion(index, size, get))
    }

    pub fn consistency(&self, old: u64, new: u64) -> Vec<Hash> {
        self.only(needed_for_consistency(old, new), |get| consistency(old, new, get))
    }

    /// Lets the computation see nothing but what was said to be needed, and asks that it need all of it.
    fn only<T>(
        &self,
        needed: Vec<(u8, u64)>,
        compute: impl FnOnce(&mut dyn FnMut(u8, u64) -> Option<Hash>) -> Result<T, TreeError>,
    ) -> T {
        let mut left: HashMap<_, _> = needed.iter().map(|n| (*n, self.nodes[n])).collect();
        assert_eq!(left.len(), needed.len(), "a node is asked for twice");
        let result = compute(&mut |l, i| left.remove(&(l, i))).unwrap();
        assert!(left.is_empty(), "more nodes are asked for than needed");
        result
    }
}

// FORMATS vectors: the eight leaves of the certificate-transparency reference tests, and their roots in full from
// transparency-dev/merkle (testonly, RootHashes).
const LEAVES: [&str; 8] =
    ["", "00", "10", "2021", "3031", "40414243", "5051525354555657", "606162636465666768696a6b6c6d6e6f"];
const ROOTS: [&str; 8] = [
    "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
    "fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125",
    "aeb6bcfe274b70a14fb067a5e5578264db0fa9b51af5e0ba159158f329e06e77",
    "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
    "4e3bbb1f7b478dcfe71fb631631519a3bca12c9aefca1612bfce4c13a86264d4",
    "76e67dadbcdf1e10e1b74ddc608abd2f98dfb16fbce75277b5232a127f2087ef",
    "ddb89be403809e325750d3d263cd78929c2942b7942a34b77e122c9594a74c8c",
    "5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328",
];

fn reference() -> Stored {
    Stored::of(LEAVES.iter().map(|l| leaf_hash(&hex(l))).collect())
}

#[test]
fn published_hashes() {
    // RFC 6962 2.1: the empty tree is SHA-256 of nothing; FORMATS vectors for the rest.
    assert_eq!(empty_root(), hash("e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"));
    assert_eq!(root(&[]), empty_root());
    assert_eq!(root_from(0, &mut |_, _| None), Ok(empty_root()));
    assert_eq!(leaf_hash(b""), hash(ROOTS[0]));
    assert_eq!(leaf_hash(b"L123456"), hash("395aa064aa4c29f7010acfe3f25db9485bbd4b91897b6ad7ad547639252b4d56"));
    // transparency-dev/merkle rfc6962: the node vector hashes the two short texts themselves, which a `Hash` is not.
    assert_eq!(
        evidence::digest::Digest::of(b"\x01N123N456").hex(),
        "aa217fe888e47007fa15edab33c2b492a722cb106c64667fc2b044444de66bbb"
    );
}

#[test]
fn published_roots_and_nodes() {
    let tree = reference();
    for n in 1..=8 {
        assert_eq!(root(&tree.leaves[..n]), hash(ROOTS[n - 1]));
        assert_eq!(tree.root(n as u64), hash(ROOTS[n - 1]));
    }
    // transparency-dev/merkle testonly, NodeHashes: level and index.
    for (node, digits) in [
        ((0, 1), "96a296d224f285c67bee93c30f8a309157f0daa35dc5b87e410b78630a09cfc7"),
        ((0, 4), "bc1a0643b12e4d2d7c77918f44e0f4f79a838b6cf9ec5b5c283e1f4d88599e6b"),
        ((0, 7), "46f6ffadd3d06a09ff3c5860d2755c8b9819db7df44251788c7d8e3180de8eb1"),
        ((1, 1), "5f083f0a1a33ca076a95279832580db3e0ef4584bdff1f54c8a360f50de3031e"),
        ((1, 3), "ca854ea128ed050b41b35ffc1b87b8eb2bde461e9e3b5596ece6b9d5975a0ae0"),
        ((2, 1), "6b47aaf29ee3c2af9af889bc1fb9254dabd31177f16232dd6aab035ca39bf6e4"),
        ((3, 0), ROOTS[7]),
    ] {
        assert_eq!(tree.nodes[&node], hash(digits));
    }
    assert_eq!(tree.nodes.len(), 15);
}

#[test]
fn published_proofs() {
    // The reference proofs of transparency-dev/merkle (testdata of its proof package); its leaves count from 1.
    let tree = reference();
    for (index, size, proof) in [
        (0, 1, vec![]),
        (
            0,
            8,
            vec![
                "96a296d224f285c67bee93c30f8a309157f0daa35dc5b87e410b78630a09cfc7",
                "5f083f0a1a33ca076a95279832580db3e0ef4584bdff1f54c8a360f50de3031e",
                "6b47aaf29ee3c2af9af889bc1fb9254dabd31177f16232dd6aab035ca39bf6e4",
            ],
        ),
        (
            5,
            8,
            vec![
                "bc1a0643b12e4d2d7c77918f44e0f4f79a838b6cf9ec5b5c283e1f4d88599e6b",
                "ca854ea128ed050b41b35ffc1b87b8eb2bde461e9e3b5596ece6b9d5975a0ae0",
                ROOTS[3],
            ],
        ),
        (2, 3, vec![ROOTS[1]]),
        (
            1,
            5,
            vec![
                ROOTS[0],
                "5f083f0a1a33ca076a95279832580db3e0ef4584bdff1f54c8a360f50de3031e",
                "bc1a0643b12e4d2d7c77918f44e0f4f79a838b6cf9ec5b5c283e1f4d88599e6b",
            ],
        ),
    ] {
        let proof: Vec<Hash> = proof.into_iter().map(hash).collect();
        assert_eq!(tree.inclusion(index, size), proof);
        let (leaf, root) = (tree.leaves[index as usize], hash(ROOTS[size as usize - 1]));
        assert_eq!(verify_inclusion(index, size, leaf, &proof, root), Ok(()));
    }
    for (old, new, proof) in [
        (1, 1, vec![]),
        (
            1,
            8,
            vec![
                "96a296d224f285c67bee93c30f8a309157f0daa35dc5b87e410b78630a09cfc7",
                "5f083f0a1a33ca076a95279832580db3e0ef4584bdff1f54c8a360f50de3031e",
                "6b47aaf29ee3c2af9af889bc1fb9254dabd31177f16232dd6aab035ca39bf6e4",
            ],
        ),
        (
            6,
            8,
            vec![
                "0ebc5d3437fbe2db158b9f126a1d118e308181031d0a949f8dededebc558ef6a",
                "ca854ea128ed050b41b35ffc1b87b8eb2bde461e9e3b5596ece6b9d5975a0ae0",
                ROOTS[3],
            ],
        ),
        (
            2,
            5,
            vec![
                "5f083f0a1a33ca076a95279832580db3e0ef4584bdff1f54c8a360f50de3031e",
                "bc1a0643b12e4d2d7c77918f44e0f4f79a838b6cf9ec5b5c283e1f4d88599e6b",
            ],
        ),
        (
            6,
            7,
            vec![
                "0ebc5d3437fbe2db158b9f126a1d118e308181031d0a949f8dededebc558ef6a",
                "b08693ec2e721597130641e8211e7eedccb4c26413963eee6c1e2ed16ffb1a5f",
                ROOTS[3],
            ],
        ),
    ] {
        let proof: Vec<Hash> = proof.into_iter().map(hash).collect();
        assert_eq!(tree.consistency(old, new), proof);
        let (old_root, new_root) = (hash(ROOTS[old as usize - 1]), hash(ROOTS[new as usize - 1]));
        assert_eq!(verify_consistency(old, new, &proof, old_root, new_root), Ok(()));
    }
}

fn small() -> Stored {
    Stored::of((0..70u8).map(|i| leaf_hash(&[i])).collect())
}

/// Every proof that differs from this one in one bit of one hash, by one hash more or less, or in its order.
fn spoilt(proof: &[Hash], root: Hash) -> Vec<Vec<Hash>> {
    let mut out = vec![[proof, &[root]].concat(), [&[root], proof].concat(), [proof, proof, &[empty_root()]].concat()];
    for i in 0..proof.len() {
        for (byte, bit) in [(0, 3), (31, 7), (16, 0)] {
            let mut changed = proof.to_vec();
            changed[i][byte] ^= 1 << bit;
            out.push(changed);
        }
        out.push([&proof[..i], &proof[i + 1..]].concat());
        out.push([&proof[..i], &[proof[i]], &proof[i..]].concat());
        if i > 0 && proof[i] != proof[i - 1] {
            let mut swapped = proof.to_vec();
            swapped.swap(i, i - 1);
            out.push(swapped);
        }
    }
    out
}

#[test]
fn every_inclusion_proof_of_every_small_tree_verifies_and_no_other() {
    let tree = small();
    for size in 1..=tree.leaves.len() as u64 {
        let root = root(&tree.leaves[..size as usize]);
        assert_eq!(tree.root(size), root);
        for index in 0..size {
            let leaf = tree.leaves[index as usize];
            let proof = tree.inclusion(index, size);
            assert_eq!(verify_inclusion(index, size, leaf, &proof, root), Ok(()));
            for other in (0..size).filter(|i| *i != index) {
                assert!(verify_inclusion(other, size, leaf, &proof, root).is_err());
                assert!(verify_inclusion(index, size, tree.leaves[other as usize], &proof, root).is_err());
            }
            for bad in spoilt(&proof, root) {
                assert!(verify_inclusion(index, size, leaf, &bad, root).is_err());
            }
            assert!(verify_inclusion(index, size, leaf, &proof, empty_root()).is_err());
            assert!(verify_inclusion(index, size * 2, leaf, &proof, root).is_err());
            // An inner node is no leaf: the two are hashed apart.
            if size > 1 {
                assert!(verify_inclusion(index, size, root, &proof, root).is_err());
            }
        }
        assert_eq!(inclusion(size, size, &mut |_, _| None), Err(TreeError::Range));
        assert_eq!(verify_inclusion(size, size, tree.leaves[0], &[], root), Err(TreeError::Range));
    }
}

#[test]
fn every_consistency_proof_of_every_small_tree_verifies_and_no_other() {
    let tree = small();
    let roots: Vec<Hash> = (0..=tree.leaves.len()).map(|n| root(&tree.leaves[..n])).collect();
    for new in 1..roots.len() {
        for old in 1..=new {
            let (o, n) = (old as u64, new as u64);
            let proof = tree.consistency(o, n);
            assert_eq!(verify_consistency(o, n, &proof, roots[old], roots[new]), Ok(()), "{old} of {new}");
            for bad in spoilt(&proof, roots[old]) {
                assert!(verify_consistency(o, n, &bad, roots[old], roots[new]).is_err(), "{old} of {new}");
            }
            for other in (0..roots.len()).filter(|i| *i != old) {
                assert!(verify_consistency(o, n, &proof, roots[other], roots[new]).is_err());
            }
            for other in (0..roots.len()).filter(|i| *i != new) {
                assert!(verify_consistency(o, n, &proof, roots[old], roots[other]).is_err());
            }
        }
    }
}

#[test]
fn the_traps_of_rfc_9162() {
    let tree = reference();
    let (r, all) = (|n: usize| hash(ROOTS[n - 1]), &mut |l: u8, i: u64| tree.nodes.get(&(l, i)).copied());
    // 2.1.3.2: an index is below the size, so nothing is in the empty tree.
    assert_eq!(verify_inclusion(0, 0, tree.leaves[0], &[], empty_root()), Err(TreeError::Range));
    assert_eq!(verify_inclusion(u64::MAX, u64::MAX, tree.leaves[0], &[], r(1)), Err(TreeError::Range));
    // 2.1.4: an old tree of nothing proves nothing, and no tree shrinks.
    assert_eq!(consistency(0, 5, all), Err(TreeError::Range));
    assert_eq!(consistency(6, 5, all), Err(TreeError::Range));
    assert_eq!(verify_consistency(0, 0, &[], empty_root(), empty_root()), Err(TreeError::Range));
    assert_eq!(verify_consistency(0, 5, &[], empty_root(), r(5)), Err(TreeError::Range));
    assert_eq!(verify_consistency(6, 5, &[], r(6), r(5)), Err(TreeError::Range));
    // Equal sizes: an empty proof and equal roots.
    assert_eq!(verify_consistency(5, 5, &[], r(5), r(5)), Ok(()));
    assert_eq!(verify_consistency(5, 5, &[], r(5), r(6)), Err(TreeError::Mismatch));
    assert_eq!(verify_consistency(5, 5, &[r(5)], r(5), r(5)), Err(TreeError::Mismatch));
    // 2.1.4.2, step 1 and 2: an empty path fails; with a power of two the old root stands before the path.
    assert_eq!(verify_consistency(4, 8, &[], r(4), r(8)), Err(TreeError::Mismatch));
    assert_eq!(verify_consistency(6, 8, &[], r(6), r(8)), Err(TreeError::Mismatch));
    let with_root = [vec![r(4)], tree.consistency(4, 8)].concat();
    assert_eq!(verify_consistency(4, 8, &with_root, r(4), r(8)), Err(TreeError::Mismatch));
    // Sizes no log has do not make it panic or run long.
    for (a, b) in [(1, u64::MAX), (u64::MAX - 1, u64::MAX), (1 << 63, u64::MAX)] {
        assert!(verify_consistency(a, b, &[r(1); 3], r(1), r(2)).is_err());
        assert!(verify_inclusion(a, b, r(1), &[r(1); 3], r(2)).is_err());
        assert!(
            needed_for_inclusion(a, b).len() + needed_for_consistency(a, b).len() + needed_for_root(b).len() < 5000
        );
        assert!(needed_for_append(b - 1).len() <= 64);
    }
}

#[test]
fn a_node_that_is_not_stored_is_named() {
    let tree = small();
    assert_eq!(new_nodes(7, tree.leaves[7], &mut |_, _| None), Err(TreeError::Missing((0, 6))));
    assert_eq!(
        root_from(6, &mut |l, i| tree.nodes.get(&(l, i)).copied().filter(|_| l < 2)),
        Err(TreeError::Missing((2, 0)))
    );
    assert_eq!(inclusion(0, 2, &mut |_, _| None).unwrap_err().to_string(), "tree node 1 of level 0 is missing");
    assert!(consistency(3, 7, &mut |_, _| None).is_err());
}
