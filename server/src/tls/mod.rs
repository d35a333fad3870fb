//! HTTPS: certificates from files, or from a local authority that the program makes. See [`trust`] for the page that
//! walks a phone through installing it.

mod authority;
mod names;
pub mod trust;

#[cfg(test)]
mod tests;

use std::fmt;
use std::io;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::{Arc, PoisonError, RwLock};
use std::time::Duration;

use rustls::ServerConfig;
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use rustls::server::{ClientHello, ResolvesServerCert};
use rustls::sign::CertifiedKey;
use sha2::{Digest, Sha256};

pub use names::Names;

use crate::config::{Serve, Tls};
use crate::edge::{Clock, Random};
use authority::Authority;

/// Where the certificate comes from.
pub enum Source {
    /// `--tls local`: an authority of our own, in this folder.
    Local {
        /// Files that only this program may read; made at the first start.
        folder: PathBuf,
        /// The names and addresses to vouch for; asked again every day.
        names: Box<dyn Fn() -> Names + Send + Sync>,
    },
    /// `--tls-cert` and `--tls-key`: PEM files that somebody else renews.
    Files {
        /// The chain, the server's own certificate first.
        certificate: PathBuf,
        /// Its private key.
        key: PathBuf,
    },
}

/// The certificate in use. New ones count from the next connection on, without a restart.
pub struct Certificates {
    source: Source,
    clock: Clock,
    random: Random,
    now: RwLock<InUse>,
}

struct InUse {
    key: Arc<CertifiedKey>,
    authority: Option<Installable>,
}

/// The authority as people install it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Installable {
    /// The certificate, DER.
    pub der: Vec<u8>,
    /// SHA-256 of it, in pairs of hex digits, to be compared by eye.
    pub fingerprint: String,
    /// What it can vouch for.
    pub scope: Vec<String>,
}

impl Certificates {
    /// Reads or makes what the source says.
    ///
    /// # Errors
    /// When a file cannot be read or written, is not what it should be, or key and certificate do not belong together.
    pub fn open(source: Source, clock: Clock, random: Random) -> io::Result<Arc<Self>> {
        let now = load(&source, &clock, &random)?;
        Ok(Arc::new(Certificates { source, clock, random, now: RwLock::new(now) }))
    }

    /// Looks again: renews what runs out within 30 days, follows changed addresses, reads changed files. True when the
    /// certificate is another one now.
    ///
    /// # Errors
    /// Like [`Certificates::open`]; the certificate in use then stays.
    pub fn look_again(&self) -> io::Result<bool> {
        let next = load(&self.source, &self.clock, &self.random)?;
        let mut now = self.now.write().unwrap_or_else(PoisonError::into_inner);
        let changed = now.key.cert != next.key.cert;
        *now = next;
        Ok(changed)
    }

    /// Looks again once a day, for ever. A failure is logged; the certificate in use stays.
    pub async fn keep(self: Arc<Self>) {
        loop {
            tokio::time::sleep(Duration::from_secs(24 * 3600)).await;
            let this = Arc::clone(&self);
            match tokio::task::spawn_blocking(move || this.look_again()).await {
                Ok(Ok(true)) => tracing::info!("the certificate was renewed"),
                Ok(Ok(false)) => {}
                Ok(Err(e)) => tracing::error!(error = %e, "the certificate could not be renewed"),
                Err(e) => tracing::error!(error = %e, "looking at the certificate failed"),
            }
        }
    }

    /// The local authority, if there is one. Then never tell browsers to insist on HTTPS (HSTS).
    pub fn authority(&self) -> Option<Installable> {
        self.now.read().unwrap_or_else(PoisonError::into_inner).authority.clone()
    }
}

impl fmt::Debug for Certificates {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Certificates")
    }
}

impl ResolvesServerCert for Certificates {
    fn resolve(&self, _: ClientHello<'_>) -> Option<Arc<CertifiedKey>> {
        Some(Arc::clone(&self.now.read().unwrap_or_else(PoisonError::into_inner).key))
    }
}

/// What the program was told: `--tls local`, certificate files, or neither. `data` is the data folder, `bound` where the
/// program listens.
///
/// # Errors
/// A sentence that says which file is in the way.
pub fn open(
    wanted: &Serve,
    data: &Path,
    bound: SocketAddr,
    clock: &Clock,
    random: &Random,
) -> Result<Option<Arc<Certificates>>, String> {
    let source = match (&wanted.tls, &wanted.tls_cert, &wanted.tls_key) {
        (Some(Tls::Local), _, _) => {
            let further: Vec<String> = wanted.public_url.as_deref().and_then(host_of).into_iter().collect();
            let names = Box::new(move || Names::find(&[bound], &further));
            Source::Local { folder: data.join("tls"), names }
        }
        (None, Some(certificate), Some(key)) => Source::Files { certificate: certificate.clone(), key: key.clone() },
        _ => return Ok(None),
    };
    Certificates::open(source, clock.clone(), random.clone()).map(Some).map_err(|e| format!("HTTPS: {e}"))
}

/// [`open`] and [`server_config`] in one, for a program that shows no `/trust`.
///
/// # Errors
/// Like [`open`].
pub fn choose(
    wanted: &Serve,
    data: &Path,
    bound: SocketAddr,
    clock: &Clock,
    random: &Random,
) -> Result<Option<ServerConfig>, String> {
    let certificates = open(wanted, data, bound, clock, random)?;
    certificates.map(server_config).transpose().map_err(|e| format!("HTTPS: {e}"))
}

/// The host of a URL.
fn host_of(url: &str) -> Option<String> {
    let rest = url.split_once("://")?.1;
    let host = rest.split('/').next()?;
    let name = match host.strip_prefix('[') {
        Some(v6) => v6.split(']').next()?,
        None => host.split(':').next()?,
    };
    Some(name.to_owned())
}

/// TLS 1.2 and 1.3 with these certificates; for `bind_rustls_0_23`, which adds the protocols it speaks.
///
/// # Errors
/// When the provider cannot do these versions, which would be a fault of the build.
pub fn server_config(certificates: Arc<Certificates>) -> io::Result<ServerConfig> {
    let builder = ServerConfig::builder_with_provider(Arc::new(rustls::crypto::ring::default_provider()));
    let builder = builder.with_protocol_versions(&[&rustls::version::TLS13, &rustls::version::TLS12]);
    Ok(builder.map_err(io::Error::other)?.with_no_client_auth().with_cert_resolver(certificates))
}

fn load(source: &Source, clock: &Clock, random: &Random) -> io::Result<InUse> {
    match source {
        Source::Local { folder, names } => {
            let (names, now) = (names(), clock.now());
            let authority = Authority::open(folder, &names, now, random)?;
            let server = authority.server(folder, &names, now, random)?;
            let key = certified(server.certificate.as_bytes(), server.key.as_bytes())?;
            let der = authority.certificate().to_vec();
            let fingerprint = Sha256::digest(&der).iter().map(|b| format!("{b:02X}")).collect::<Vec<_>>().join(":");
            Ok(InUse { key, authority: Some(Installable { der, fingerprint, scope: authority.scope() }) })
        }
        Source::Files { certificate, key } => {
            let read = |path: &PathBuf| {
                std::fs::read(path).map_err(|e| io::Error::new(e.kind(), format!("{}: {e}", path.display())))
            };
            Ok(InUse { key: certified(&read(certificate)?, &read(key)?)?, authority: None })
        }
    }
}

/// A chain and its key, checked to belong together.
fn certified(chain: &[u8], key: &[u8]) -> io::Result<Arc<CertifiedKey>> {
    let chain = CertificateDer::pem_slice_iter(chain).collect::<Result<Vec<_>, _>>().map_err(io::Error::other)?;
    if chain.is_empty() {
        return Err(io::Error::other("there is no certificate in the certificate file"));
    }
    let key = PrivateKeyDer::from_pem_slice(key).map_err(io::Error::other)?;
    let certified = CertifiedKey::from_der(chain, key, &rustls::crypto::ring::default_provider());
    Ok(Arc::new(certified.map_err(io::Error::other)?))
}
