//! Certificates on the way to a PostgreSQL server: the files that an address names are looked at before anybody is asked, and what either side
//! refuses is told in a sentence that says which of them and what to do. No sentence says anything of what is in a key's file.
//!
//! The library reads the files anew for each connection, so that a certificate that is renewed in its place counts from the next one on.

use std::fs;
use std::path::Path;

use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use rustls::{AlertDescription as Alert, CertificateError as Fault};
use sqlx::any::AnyConnectOptions;
use sqlx::postgres::PgConnectOptions;

use crate::access::secret_file;
use crate::ledger::start::StartError;

/// How an address names the file of an authority, and the environment where it does not; the same for the two below.
const AUTHORITY: (&[&str], &str) = (&["sslrootcert", "ssl-root-cert", "ssl-ca"], "PGSSLROOTCERT");
/// The certificate that is shown to the database, with what leads to its authority.
const SHOWN: (&[&str], &str) = (&["sslcert", "ssl-cert"], "PGSSLCERT");
/// Its key.
const KEY: (&[&str], &str) = (&["sslkey", "ssl-key"], "PGSSLKEY");
/// Not anybody this database lets in (postgresql.org/docs/current/errcodes-appendix.html); a wrong password has a code of its own.
const NOT_LET_IN: &str = "28000";

/// What an address names; the last of several counts, as it does for the library.
fn named(options: &AnyConnectOptions, (names, variable): (&[&str], &str)) -> Option<String> {
    let said = options.database_url.query_pairs().filter(|(k, _)| names.contains(&k.as_ref())).last();
    said.map(|(_, v)| v.into_owned()).or_else(|| std::env::var(variable).ok())
}

/// Refuses files that are not there, hold something else, or are a key that others may read.
///
/// # Errors
/// A sentence that names the file.
pub(super) fn files(options: &AnyConnectOptions) -> Result<(), StartError> {
    look(options).map_err(StartError::Stop)
}

fn look(options: &AnyConnectOptions) -> Result<(), String> {
    if let Some(file) = named(options, AUTHORITY) {
        certificates("sslrootcert", &file)?;
    }
    match (named(options, SHOWN), named(options, KEY)) {
        (None, None) => Ok(()),
        (Some(shown), Some(key)) => certificates("sslcert", &shown).and_then(|()| private(&key)),
        (Some(_), None) => Err("the database's address names a certificate (sslcert) and not its key (sslkey)".into()),
        (None, Some(_)) => Err("the database's address names a key (sslkey) and not its certificate (sslcert)".into()),
    }
}

fn certificates(what: &str, file: &str) -> Result<(), String> {
    let bytes = fs::read(file).map_err(|e| format!("the database's {what} {file} cannot be read: {e}"))?;
    let all: Result<Vec<_>, _> = CertificateDer::pem_slice_iter(&bytes).collect();
    match all {
        Ok(all) if !all.is_empty() => Ok(()),
        _ => Err(format!("the database's {what} {file} holds no certificate (PEM)")),
    }
}

fn private(file: &str) -> Result<(), String> {
    // An address is shown to everybody on this machine who lists its processes.
    if file.contains("-----BEGIN") {
        return Err("the database's sslkey is the name of a file, not the key itself".into());
    }
    let bytes = secret_file::read(Path::new(file)).map_err(|e| format!("the database's sslkey: {e}"))?;
    let bytes = bytes.ok_or_else(|| format!("the database's sslkey {file} is not there"))?;
    match PrivateKeyDer::from_pem_slice(&bytes) {
        Ok(_) => Ok(()),
        Err(_) => {
            Err(format!("the database's sslkey {file} holds no key that can be read (PEM, without a passphrase)"))
        }
    }
}

/// Why the first connection did not come about.
pub(super) fn told(e: sqlx::Error, options: &AnyConnectOptions) -> StartError {
    let shown = named(options, SHOWN).is_some();
    let to = options.database_url.as_str().parse::<PgConnectOptions>();
    match to.ok().and_then(|to| sentence(&e, &to, shown)) {
        Some(sentence) => StartError::Stop(sentence),
        None => StartError::Database(e),
    }
}

fn sentence(e: &sqlx::Error, to: &PgConnectOptions, shown: bool) -> Option<String> {
    match e {
        sqlx::Error::Io(e) => of_tls(e.get_ref()?.downcast_ref()?, to.get_host()),
        sqlx::Error::Database(d) if d.code()? == NOT_LET_IN => {
            let hint = if shown {
                "the certificate in its address (sslcert) is for another account, or the server's pg_hba.conf has no line for this one"
            } else {
                "it may ask for a certificate: name one in its address (sslcert=…&sslkey=…)"
            };
            Some(format!("the database does not let this account in ({}): {hint}", d.message()))
        }
        _ => None,
    }
}

fn of_tls(e: &rustls::Error, host: &str) -> Option<String> {
    match e {
        rustls::Error::InvalidCertificate(fault) => Some(match fault {
            Fault::NotValidForName | Fault::NotValidForNameContext { .. } => format!(
                "the database's certificate is for another name than {host}: call the database in its address as its certificate does"
            ),
            Fault::UnknownIssuer => "the database's certificate comes from an authority that is not known here: name its file in the address (sslrootcert=…)".into(),
            Fault::Expired | Fault::ExpiredContext { .. } => "the database's certificate has expired".into(),
            other => format!("the database's certificate does not hold: {other:?}"),
        }),
        rustls::Error::AlertReceived(alert) => {
            let why = match alert {
                Alert::UnknownCA => "it comes from an authority that the database does not know",
                Alert::CertificateExpired => "it has expired",
                Alert::CertificateRevoked => "it was revoked",
                Alert::BadCertificate | Alert::UnsupportedCertificate | Alert::CertificateUnknown | Alert::AccessDenied => "it does not hold there",
                Alert::CertificateRequired => "one is asked for",
                _ => return None,
            };
            Some(format!("the database does not take the certificate that its address names (sslcert): {why}"))
        }
        _ => None,
    }
}
