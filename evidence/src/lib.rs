//! All that a stranger needs to check a receipt or a pack: entry bytes, the Merkle tree, signed notes, checkpoints,
//! proofs, disclosures and sheets. Pure: no clock, no randomness, no files, no network.

pub mod canon;
pub mod checkpoint;
pub mod digest;
pub mod disclosure;
pub mod entry;
pub mod note;
pub mod proof;
pub mod sheet;
pub mod time;
pub mod tree;
