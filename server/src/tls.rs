//! HTTPS: certificate files.

use std::net::SocketAddr;
use std::path::Path;

use crate::config::Serve;
use crate::edge::{Clock, Random};

/// Chooses where HTTPS comes from.
///
/// # Errors
/// A sentence.
pub fn choose(
    _wanted: &Serve,
    _data: &Path,
    _bound: SocketAddr,
    _clock: &Clock,
    _random: &Random,
) -> Result<Option<rustls::ServerConfig>, String> {
    Ok(None)
}
