//! The tree against `ct-merkle`, an independent implementation of RFC 6962: same roots, same proofs, each side accepting
//! the other's.

use ct_merkle::{ConsistencyProof, InclusionProof, RootHash, mem_backed_tree::MemoryBackedTree};
use evidence::tree::{self, Hash};
use proptest::prelude::*;
use sha2::Sha256;

use crate::tree::Stored;

type Theirs = MemoryBackedTree<Sha256, Vec<u8>>;

fn theirs(leaves: &[Vec<u8>]) -> Theirs {
    let mut out = Theirs::new();
    leaves.iter().for_each(|l| out.push(l.clone()));
    out
}

fn hashes(bytes: &[u8]) -> Vec<Hash> {
    bytes.as_chunks::<32>().0.to_vec()
}

fn root_hash(root: Hash, size: u64) -> RootHash<Sha256> {
    RootHash::new(root.into(), size)
}

fn leaves() -> impl Strategy<Value = Vec<Vec<u8>>> {
    prop::collection::vec(prop::collection::vec(any::<u8>(), 0..40), 1..600)
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn roots_and_inclusion_proofs_are_the_same(leaves in leaves(), pick in any::<prop::sample::Index>()) {
        let (ours, reference) = (Stored::of(leaves.iter().map(|l| tree::leaf_hash(l)).collect()), theirs(&leaves));
        let (size, at) = (leaves.len() as u64, pick.index(leaves.len()));
        let root = ours.root(size);
        prop_assert_eq!(root_hash(root, size), reference.root());

        let (index, proof) = (at as u64, ours.inclusion(at as u64, size));
        let expected = reference.prove_inclusion(at);
        prop_assert_eq!(proof.concat(), expected.as_bytes());
        prop_assert_eq!(tree::verify_inclusion(index, size, ours.leaves[at], &hashes(expected.as_bytes()), root), Ok(()));
        let as_theirs = InclusionProof::try_from_bytes(proof.concat()).unwrap();
        prop_assert!(root_hash(root, size).verify_inclusion(&leaves[at], index, &as_theirs).is_ok());
    }

    #[test]
    fn consistency_proofs_are_the_same(leaves in leaves(), pick in any::<prop::sample::Index>()) {
        let (ours, reference) = (Stored::of(leaves.iter().map(|l| tree::leaf_hash(l)).collect()), theirs(&leaves));
        let (new, old) = (leaves.len() as u64, pick.index(leaves.len()) as u64 + 1);
        let (old_root, new_root) = (ours.root(old), ours.root(new));
        prop_assert_eq!(root_hash(old_root, old), theirs(&leaves[..old as usize]).root());

        let proof = ours.consistency(old, new);
        let expected = reference.prove_consistency((new - old) as usize);
        prop_assert_eq!(proof.concat(), expected.as_bytes());
        prop_assert_eq!(
            tree::verify_consistency(old, new, &hashes(expected.as_bytes()), old_root, new_root),
            Ok(())
        );
        let as_theirs = ConsistencyProof::try_from_bytes(proof.concat()).unwrap();
        prop_assert!(root_hash(new_root, new).verify_consistency(&root_hash(old_root, old), &as_theirs).is_ok());
    }

    #[test]
    fn both_refuse_the_same_spoilt_proofs(
        leaves in leaves(),
        pick in any::<prop::sample::Index>(),
        byte in any::<prop::sample::Index>(),
        bit in 0..8_u8,
    ) {
        let ours = Stored::of(leaves.iter().map(|l| tree::leaf_hash(l)).collect());
        let (size, at) = (leaves.len() as u64, pick.index(leaves.len()));
        let (root, mut bytes) = (ours.root(size), ours.inclusion(at as u64, size).concat());
        prop_assume!(!bytes.is_empty());
        let place = byte.index(bytes.len());
        bytes[place] ^= 1 << bit;
        prop_assert!(tree::verify_inclusion(at as u64, size, ours.leaves[at], &hashes(&bytes), root).is_err());
        let as_theirs = InclusionProof::try_from_bytes(bytes).unwrap();
        prop_assert!(root_hash(root, size).verify_inclusion(&leaves[at], at as u64, &as_theirs).is_err());
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 12, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn large_logs_give_the_same_proofs(size in 1..=10_000_usize, at in any::<prop::sample::Index>(), old in any::<prop::sample::Index>()) {
        let leaves: Vec<Vec<u8>> = (0..size).map(|i| i.to_string().into_bytes()).collect();
        let (ours, reference) = (Stored::of(leaves.iter().map(|l| tree::leaf_hash(l)).collect()), theirs(&leaves));
        let (at, old) = (at.index(size), old.index(size) as u64 + 1);
        prop_assert_eq!(root_hash(ours.root(size as u64), size as u64), reference.root());
        let theirs_at = reference.prove_inclusion(at);
        prop_assert_eq!(ours.inclusion(at as u64, size as u64).concat(), theirs_at.as_bytes());
        let theirs_on = reference.prove_consistency(size - old as usize);
        prop_assert_eq!(ours.consistency(old, size as u64).concat(), theirs_on.as_bytes());
    }
}
