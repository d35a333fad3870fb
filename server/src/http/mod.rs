//! What every request passes.

pub mod guard;
