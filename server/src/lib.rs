//! Counterfoil: the intake capture service with photo evidence.

pub mod edge;
pub mod photo;
