//! Counterfoil: the intake capture service with photo evidence.

pub mod access;
pub mod edge;
pub mod http;
pub mod problem;
pub mod tls;
