//! All that a stranger needs to check a receipt or a pack: entry bytes, the Merkle tree, signed notes, checkpoints,
//! proofs, disclosures and sheets. Pure: no clock, no randomness, no files, no network.
//!
//! An entry is hashed on the author's device ([`entry`], [`canon`]), bound into the shop's log ([`tree`]), whose head is
//! signed ([`note`], [`checkpoint`]); a customer takes home the entry and its [`proof`]. Personal members stand apart
//! ([`disclosure`]), what the customer was shown is a [`sheet`].
//!
//! ```
//! use evidence::{checkpoint::Checkpoint, note::SignerKey, proof::Proof, tree};
//!
//! // In the shop: two entries, a signed head, a proof for the second.
//! let entries: [&[u8]; 2] = [b"first entry", b"second entry"];
//! let leaves = entries.map(tree::leaf_hash);
//! let key = SignerKey::new("tarn-street.example/log", [7; 32]);
//! let head = Checkpoint { origin: key.name().to_owned(), size: 2, root: tree::root(&leaves) };
//! let proof = Proof { extra: None, index: 1, hashes: vec![leaves[0]], checkpoint: head.sign(&[&key])? };
//!
//! // Years later, a stranger with the two texts and the shop's published key.
//! let (text, published) = (proof.to_string(), key.verifier().to_string());
//! let read: Proof = text.parse()?;
//! assert_eq!(read.verify(b"second entry", &[&published.parse()?])?, head);
//! assert!(read.verify(b"second entrY", &[&published.parse()?]).is_err());
//! # Ok::<(), evidence::note::NoteError>(())
//! ```

pub mod canon;
pub mod checkpoint;
pub mod cosignature;
pub mod digest;
pub mod disclosure;
pub mod entry;
pub mod note;
pub mod proof;
pub mod rotation;
pub mod sheet;
pub mod stamp;
pub mod time;
pub mod tree;
pub mod verify;
pub mod witness;
pub mod zip;
