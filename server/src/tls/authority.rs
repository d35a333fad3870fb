//! A certificate authority of the shop's own, so that phones on its network get HTTPS without the world outside.
//!
//! Whoever installs it trusts whoever holds its key. So it is bound: it can vouch only for the names and networks that
//! the shop uses (RFC 5280 4.2.1.10), and a stolen key is of no use for any other site.

use std::io;
use std::net::IpAddr;
use std::path::{Path, PathBuf};

use rcgen::{
    BasicConstraints, CertificateParams, CidrSubnet, DistinguishedName, DnType, ExtendedKeyUsagePurpose,
    GeneralSubtree, IsCa, Issuer, KeyPair, KeyUsagePurpose, NameConstraints, SanType, SerialNumber, date_time_ymd,
};
use rustls::pki_types::CertificateDer;
use rustls::pki_types::pem::PemObject;
use serde::{Deserialize, Serialize};

use super::names::Names;
use crate::access::secret_file;
use crate::edge::{Millis, Random};

const DAY: Millis = 24 * 3600 * 1000;
/// The authority holds ten years: installing it again on every phone is a nuisance.
const AUTHORITY_DAYS: i64 = 3650;
/// A server certificate holds 397 days in all, one of them before it was made, for clocks that are behind. Browsers take
/// no longer ones.
const SERVER_DAYS: i64 = 396;
/// A certificate is renewed when fewer days are left.
pub(super) const RENEWED: Millis = 30 * DAY;

/// A piece of network: an address and how many of its bits count.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
struct Network {
    address: IpAddr,
    bits: u8,
}

impl Network {
    /// What an authority that is to cover this address permits. In a private network that is its neighbourhood, a /24 or
    /// /64, since routers hand out other addresses from time to time; a public address stands alone.
    fn around(address: IpAddr) -> Network {
        let bits = match address {
            IpAddr::V4(a) if a.is_loopback() => 8,
            IpAddr::V4(a) if a.is_private() || a.is_link_local() => 24,
            IpAddr::V4(_) => 32,
            IpAddr::V6(a) if a.is_loopback() => 128,
            IpAddr::V6(_) => 64,
        };
        let address = match address {
            IpAddr::V4(a) => {
                IpAddr::from((u32::from(a) & u32::MAX.checked_shl(32 - u32::from(bits)).unwrap_or(0)).to_be_bytes())
            }
            IpAddr::V6(a) => {
                IpAddr::from((u128::from(a) & u128::MAX.checked_shl(128 - u32::from(bits)).unwrap_or(0)).to_be_bytes())
            }
        };
        Network { address, bits }
    }

    fn holds(&self, address: IpAddr) -> bool {
        let cut = |a: IpAddr| match a {
            IpAddr::V4(a) => u128::from(u32::from(a)).checked_shr(32 - u32::from(self.bits.min(32))),
            IpAddr::V6(a) => u128::from(a).checked_shr(128 - u32::from(self.bits)),
        };
        address.is_ipv4() == self.address.is_ipv4() && cut(address) == cut(self.address)
    }
}

/// What the authority file keeps: all of it in one file, so that it is whole or not there.
#[derive(Serialize, Deserialize)]
struct Kept {
    v: u32,
    name: String,
    not_after: Millis,
    /// Host names, each with everything below it.
    hosts: Vec<String>,
    networks: Vec<Network>,
    certificate: String,
    key: String,
}

/// The authority.
pub(super) struct Authority {
    kept: Kept,
    der: CertificateDer<'static>,
}

/// What the server's file keeps.
#[derive(Serialize, Deserialize)]
pub(super) struct ServerKept {
    v: u32,
    pub names: Names,
    pub not_after: Millis,
    /// The authority's certificate that signed it.
    authority: String,
    pub certificate: String,
    pub key: String,
}

impl Authority {
    /// The authority of this folder; a new one at the first start, when this one runs out, or when it cannot vouch for
    /// one of the names. A new one has to be installed on every phone again, so that is said in the log.
    ///
    /// # Errors
    /// When its file cannot be read or written, is not ours, or others may read it.
    pub fn open(folder: &Path, names: &Names, now: Millis, random: &Random) -> io::Result<Self> {
        let path = folder.join("authority.json");
        if let Some(bytes) = secret_file::read(&path)? {
            let kept: Kept = serde_json::from_slice(&bytes)
                .map_err(|e| io::Error::other(format!("{} is no authority of ours: {e}", path.display())))?;
            let der = CertificateDer::from_pem_slice(kept.certificate.as_bytes()).map_err(io::Error::other)?;
            let authority = Authority { kept, der };
            let outside = authority.outside(names);
            if outside.is_empty() && now < authority.kept.not_after - RENEWED {
                return Ok(authority);
            }
            tracing::warn!(
                ?outside,
                "a new local authority is made; it has to be installed on every phone again: /trust"
            );
        }
        let authority = Authority::make(names, now, random).map_err(io::Error::other)?;
        secret_file::write(&path, &serde_json::to_vec_pretty(&authority.kept)?)?;
        Ok(authority)
    }

    fn make(names: &Names, now: Millis, random: &Random) -> Result<Self, rcgen::Error> {
        let tag = u32::from_be_bytes(random.bytes::<4>());
        let name = format!("Counterfoil, this shop only ({tag:08x})");
        let mut hosts = vec!["local".to_owned()];
        hosts.extend(names.hosts.iter().filter(|h| !h.ends_with(".local")).cloned());
        let mut networks: Vec<Network> = Vec::new();
        for network in names.addresses.iter().map(|a| Network::around(*a)) {
            if !networks.contains(&network) {
                networks.push(network);
            }
        }
        let not_after = now + AUTHORITY_DAYS * DAY;

        let mut params = subject(&name);
        holds(&mut params, now - DAY, not_after);
        params.serial_number = Some(serial(random));
        params.is_ca = IsCa::Ca(BasicConstraints::Constrained(0));
        params.key_usages = vec![KeyUsagePurpose::KeyCertSign, KeyUsagePurpose::CrlSign];
        let permitted_hosts = hosts.iter().map(|h| GeneralSubtree::DnsName(h.clone()));
        let permitted_networks =
            networks.iter().map(|n| GeneralSubtree::IpAddress(CidrSubnet::from_addr_prefix(n.address, n.bits)));
        let permitted_subtrees = permitted_hosts.chain(permitted_networks).collect();
        params.name_constraints = Some(NameConstraints { permitted_subtrees, excluded_subtrees: Vec::new() });

        let key = KeyPair::generate_for(&rcgen::PKCS_ECDSA_P256_SHA256)?;
        let certificate = params.self_signed(&key)?;
        let der = certificate.der().clone();
        let (certificate, key) = (certificate.pem(), key.serialize_pem());
        Ok(Authority { kept: Kept { v: 1, name, not_after, hosts, networks, certificate, key }, der })
    }

    /// The names and addresses that this authority cannot vouch for.
    fn outside(&self, names: &Names) -> Vec<String> {
        let below = |host: &str, top: &str| host == top || host.strip_suffix(top).is_some_and(|h| h.ends_with('.'));
        let hosts = names.hosts.iter().filter(|h| !self.kept.hosts.iter().any(|top| below(h, top))).cloned();
        let addresses = names.addresses.iter().filter(|a| !self.kept.networks.iter().any(|n| n.holds(**a)));
        hosts.chain(addresses.map(IpAddr::to_string)).collect()
    }

    /// The certificate to install.
    pub fn certificate(&self) -> &CertificateDer<'static> {
        &self.der
    }

    /// What it can vouch for, for people to read.
    pub fn scope(&self) -> Vec<String> {
        let hosts = self.kept.hosts.iter().map(|h| if h == "local" { "*.local".to_owned() } else { h.clone() });
        hosts.chain(self.kept.networks.iter().map(|n| format!("{}/{}", n.address, n.bits))).collect()
    }

    /// The server certificate of this folder; a new one when it runs out within 30 days, when the names changed, or when
    /// another authority signed it.
    ///
    /// # Errors
    /// When its file cannot be read or written.
    pub fn server(&self, folder: &Path, names: &Names, now: Millis, random: &Random) -> io::Result<ServerKept> {
        let path: PathBuf = folder.join("server.json");
        let kept = secret_file::read(&path)?.and_then(|bytes| serde_json::from_slice::<ServerKept>(&bytes).ok());
        let holds = |s: &ServerKept| {
            s.v == 1 && s.names == *names && s.authority == self.kept.certificate && now < s.not_after - RENEWED
        };
        if let Some(kept) = kept.filter(holds) {
            return Ok(kept);
        }
        let made = self.sign(names, now, random).map_err(io::Error::other)?;
        secret_file::write(&path, &serde_json::to_vec_pretty(&made)?)?;
        Ok(made)
    }

    pub(super) fn sign(&self, names: &Names, now: Millis, random: &Random) -> Result<ServerKept, rcgen::Error> {
        let not_after = (now + SERVER_DAYS * DAY).min(self.kept.not_after);
        let mut params = subject(names.hosts.first().map_or("localhost", String::as_str));
        holds(&mut params, now - DAY, not_after);
        params.serial_number = Some(serial(random));
        params.is_ca = IsCa::ExplicitNoCa;
        params.key_usages = vec![KeyUsagePurpose::DigitalSignature];
        params.extended_key_usages = vec![ExtendedKeyUsagePurpose::ServerAuth];
        params.use_authority_key_identifier_extension = true;
        for host in &names.hosts {
            params.subject_alt_names.push(SanType::DnsName(host.as_str().try_into()?));
        }
        params.subject_alt_names.extend(names.addresses.iter().map(|a| SanType::IpAddress(*a)));

        let issuer = Issuer::new(subject(&self.kept.name), KeyPair::from_pem(&self.kept.key)?);
        let key = KeyPair::generate_for(&rcgen::PKCS_ECDSA_P256_SHA256)?;
        let certificate = params.signed_by(&key, &issuer)?.pem();
        let (key, authority) = (key.serialize_pem(), self.kept.certificate.clone());
        Ok(ServerKept { v: 1, names: names.clone(), not_after, authority, certificate, key })
    }
}

/// Parameters that name only who it is.
fn subject(name: &str) -> CertificateParams {
    let mut params = CertificateParams::default();
    params.distinguished_name = DistinguishedName::new();
    params.distinguished_name.push(DnType::CommonName, name);
    params
}

fn serial(random: &Random) -> SerialNumber {
    let mut bytes = random.bytes::<16>();
    bytes[0] = (bytes[0] & 0x7f) | 0x40; // positive and of full length
    SerialNumber::from_slice(&bytes)
}

/// Sets from when to when a certificate holds, by days, UTC: from the midnight before `from` to the one before `to`.
fn holds(params: &mut CertificateParams, from: Millis, to: Millis) {
    let date = |at: Millis| {
        let at = jiff::Timestamp::from_millisecond(at).unwrap_or(jiff::Timestamp::UNIX_EPOCH);
        let date = jiff::tz::TimeZone::UTC.to_datetime(at).date();
        date_time_ymd(i32::from(date.year()), date.month().unsigned_abs(), date.day().unsigned_abs())
    };
    params.not_before = date(from);
    params.not_after = date(to);
}
