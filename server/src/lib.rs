//! Counterfoil: the intake capture service with photo evidence.

pub mod access;
pub mod alike;
pub mod app;
pub mod check;
pub mod comparing;
pub mod config;
pub mod demo;
pub mod edge;
pub mod erasing;
pub mod http;
pub mod intake;
pub mod judging;
pub mod kinds;
pub mod ledger;
pub mod originals;
pub mod own_kinds;
pub mod pack;
pub mod photo;
pub mod problem;
pub mod reading;
pub mod receipt;
pub mod search;
pub mod serve;
pub mod settings;
pub mod tls;
pub mod words;
