//! Certificates (RFC 5280) as far as a time stamp needs them: read, and followed from an authority's key to a root that the
//! reader trusts. The page's checker follows them by the same steps, so that both come to the same verdict on any file.

use ring::signature::{self, UnparsedPublicKey, VerificationAlgorithm};

use super::der::{self, BITS, BOOLEAN, Element, INTEGER, OCTETS, OID, Reader, SEQUENCE, SET};

/// Largest certificate read, in bytes.
pub const MAX_CERTIFICATE: usize = 16 * 1024;
/// Most certificates between an authority's key and a root.
const MAX_STEPS: usize = 6;

pub(super) const RSA: &[u8] = b"\x2a\x86\x48\x86\xf7\x0d\x01\x01\x01";
const EC: &[u8] = b"\x2a\x86\x48\xce\x3d\x02\x01";
const P256: &[u8] = b"\x2a\x86\x48\xce\x3d\x03\x01\x07";
const P384: &[u8] = b"\x2b\x81\x04\x00\x22";
pub(super) const SHA256: &[u8] = b"\x60\x86\x48\x01\x65\x03\x04\x02\x01";
pub(super) const SHA384: &[u8] = b"\x60\x86\x48\x01\x65\x03\x04\x02\x02";
pub(super) const SHA512: &[u8] = b"\x60\x86\x48\x01\x65\x03\x04\x02\x03";
const KEY_USAGE: &[u8] = b"\x55\x1d\x0f";
const BASIC_CONSTRAINTS: &[u8] = b"\x55\x1d\x13";
const EXTENDED_KEY_USAGE: &[u8] = b"\x55\x1d\x25";
const TIME_STAMPING: &[u8] = b"\x2b\x06\x01\x05\x05\x07\x03\x08";
const COMMON_NAME: &[u8] = b"\x55\x04\x03";

/// How something is signed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Way {
    Rsa(Hashed),
    Ecdsa(Hashed),
}

/// The digest inside a signature.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Hashed {
    Sha256,
    Sha384,
    Sha512,
}

impl Hashed {
    pub(super) fn of(oid: &[u8]) -> Option<Hashed> {
        [(SHA256, Hashed::Sha256), (SHA384, Hashed::Sha384), (SHA512, Hashed::Sha512)]
            .into_iter()
            .find(|(o, _)| *o == oid)
            .map(|(_, h)| h)
    }

    pub(super) fn digest(self, bytes: &[u8]) -> Vec<u8> {
        let by = match self {
            Hashed::Sha256 => &ring::digest::SHA256,
            Hashed::Sha384 => &ring::digest::SHA384,
            Hashed::Sha512 => &ring::digest::SHA512,
        };
        ring::digest::digest(by, bytes).as_ref().to_vec()
    }
}

/// The way of a signature algorithm's identifier. `hashed`: the digest where the identifier names none.
pub(super) fn way(identifier: &Element<'_>, hashed: Option<Hashed>) -> Option<Way> {
    use Hashed::{Sha256, Sha384, Sha512};
    let oid = Reader::new(identifier.value).take(OID)?.value;
    match oid {
        b"\x2a\x86\x48\x86\xf7\x0d\x01\x01\x0b" => Some(Way::Rsa(Sha256)),
        b"\x2a\x86\x48\x86\xf7\x0d\x01\x01\x0c" => Some(Way::Rsa(Sha384)),
        b"\x2a\x86\x48\x86\xf7\x0d\x01\x01\x0d" => Some(Way::Rsa(Sha512)),
        b"\x2a\x86\x48\xce\x3d\x04\x03\x02" => Some(Way::Ecdsa(Sha256)),
        b"\x2a\x86\x48\xce\x3d\x04\x03\x03" => Some(Way::Ecdsa(Sha384)),
        _ if oid == RSA => hashed.map(Way::Rsa),
        _ => None,
    }
}

/// A certificate.
#[derive(Clone, Debug)]
pub(super) struct Certificate<'a> {
    pub whole: &'a [u8],
    signed: &'a [u8],
    identifier: Element<'a>,
    signature: &'a [u8],
    pub serial: &'a [u8],
    pub issuer: &'a [u8],
    subject: Element<'a>,
    key: Element<'a>,
    from: i64,
    until: i64,
    authority: bool,
    steps: Option<u32>,
    /// Bits of the key usage, where it is said: digitalSignature is the first.
    usage: Option<[bool; 6]>,
    purposes: Option<(bool, Vec<&'a [u8]>)>,
    unknown: bool,
}

impl<'a> Certificate<'a> {
    pub(super) fn read(bytes: &'a [u8]) -> Option<Certificate<'a>> {
        if bytes.len() > MAX_CERTIFICATE {
            return None;
        }
        let mut outer = der::only(bytes, SEQUENCE)?;
        let signed = outer.take(SEQUENCE)?;
        let identifier = outer.take(SEQUENCE)?;
        let signature = der::whole_bits(&outer.take(BITS)?)?;
        outer.end()?;
        let mut inner = Reader::new(signed.value);
        let third = inner.maybe(0xa0)?.is_some_and(|v| v.value == [INTEGER, 1, 2]);
        let serial = inner.take(INTEGER)?.value;
        if inner.take(SEQUENCE)? != identifier {
            return None;
        }
        let issuer = inner.take(SEQUENCE)?.whole;
        let mut validity = inner.inside(SEQUENCE)?;
        let (from, _) = der::time(&validity.any()?)?;
        let (until, _) = der::time(&validity.any()?)?;
        validity.end()?;
        let subject = inner.take(SEQUENCE)?;
        let key = inner.take(SEQUENCE)?;
        inner.maybe(0x81)?;
        inner.maybe(0x82)?;
        let extensions = inner.maybe(0xa3)?;
        inner.end()?;
        let mut out = Certificate {
            whole: bytes,
            signed: signed.whole,
            identifier,
            signature,
            serial,
            issuer,
            subject,
            key,
            from,
            until,
            authority: false,
            steps: None,
            usage: None,
            purposes: None,
            unknown: false,
        };
        if let Some(extensions) = extensions {
            // Only the third version has them.
            let list = der::only(extensions.value, SEQUENCE).filter(|_| third)?.all(64)?;
            for extension in &list {
                out.extension(extension)?;
            }
        }
        Some(out)
    }

    fn extension(&mut self, extension: &Element<'a>) -> Option<()> {
        let mut inner = Reader::new(Some(extension).filter(|e| e.tag == SEQUENCE)?.value);
        let oid = inner.take(OID)?.value;
        let critical = inner.maybe(BOOLEAN)?.map_or(Some(false), |b| der::truth(&b))?;
        let value = inner.take(OCTETS)?.value;
        inner.end()?;
        match oid {
            KEY_USAGE => {
                let mut bits = Reader::new(value);
                let bits = bits.take(BITS)?.value.get(1).copied()?;
                self.usage = Some(std::array::from_fn(|i| bits & (0x80 >> i) != 0));
            }
            BASIC_CONSTRAINTS => {
                let mut inside = der::only(value, SEQUENCE)?;
                self.authority = inside.maybe(BOOLEAN)?.map_or(Some(false), |b| der::truth(&b))?;
                self.steps = match inside.maybe(INTEGER)? {
                    Some(n) => Some(der::small(&n)?),
                    None => None,
                };
                inside.end()?;
            }
            EXTENDED_KEY_USAGE => {
                let purposes = der::only(value, SEQUENCE)?.all(64)?;
                let purposes = purposes.iter().map(|p| Some(p).filter(|p| p.tag == OID).map(|p| p.value));
                self.purposes = Some((critical, purposes.collect::<Option<_>>()?));
            }
            _ => self.unknown |= critical,
        }
        Some(())
    }

    /// What its subject is called: the common name, without characters that steer.
    pub(super) fn name(&self) -> Option<String> {
        let sets = Reader::new(self.subject.value).all(64)?;
        let attributes = sets.iter().filter(|s| s.tag == SET).filter_map(|s| Reader::new(s.value).all(8)).flatten();
        let mut named = attributes.filter_map(|a| {
            let mut inner = Reader::new(a.value);
            let oid = inner.take(OID)?.value;
            // UTF8String, PrintableString or IA5String.
            let text = inner.any().filter(|t| [0x0c, 0x13, 0x16].contains(&t.tag))?.value;
            (oid == COMMON_NAME).then(|| std::str::from_utf8(text).ok()).flatten()
        });
        let plain = |c: char| if c.is_control() { '\u{fffd}' } else { c };
        named.next_back().filter(|n| n.chars().count() <= 64).map(|n| n.chars().map(plain).collect())
    }

    /// RFC 3161, 2.3: stamping is its only purpose, and that is critical; where its key's usage is said, it may sign.
    pub(super) fn stamps(&self) -> bool {
        let only = self.purposes.as_ref().is_some_and(|(critical, p)| *critical && p[..] == [TIME_STAMPING]);
        only && self.usage.is_none_or(|bits| bits[0] || bits[1])
    }

    /// Whether this certificate's key made a signature. `None`: it signs in a way that is not known here.
    pub(super) fn made(&self, way: Way, signed: &[u8], by: &[u8]) -> Option<bool> {
        let mut spki = Reader::new(self.key.value);
        let mut identifier = spki.inside(SEQUENCE)?;
        let key = der::whole_bits(&spki.take(BITS)?)?;
        let kind = identifier.take(OID)?.value;
        let algorithm: &dyn VerificationAlgorithm = match (kind, way) {
            (RSA, Way::Rsa(hashed)) => {
                let modulus = der::only(key, SEQUENCE)?.take(INTEGER)?.value;
                let modulus = modulus.strip_prefix(&[0]).unwrap_or(modulus);
                let bits = 8 * modulus.len() - modulus.first()?.leading_zeros() as usize;
                if !(2048..=8192).contains(&bits) {
                    return None;
                }
                match hashed {
                    Hashed::Sha256 => &signature::RSA_PKCS1_2048_8192_SHA256,
                    Hashed::Sha384 => &signature::RSA_PKCS1_2048_8192_SHA384,
                    Hashed::Sha512 => &signature::RSA_PKCS1_2048_8192_SHA512,
                }
            }
            (EC, Way::Ecdsa(hashed)) => match (identifier.take(OID)?.value, hashed) {
                (P256, Hashed::Sha256) => &signature::ECDSA_P256_SHA256_ASN1,
                (P256, Hashed::Sha384) => &signature::ECDSA_P256_SHA384_ASN1,
                (P384, Hashed::Sha256) => &signature::ECDSA_P384_SHA256_ASN1,
                (P384, Hashed::Sha384) => &signature::ECDSA_P384_SHA384_ASN1,
                _ => return None,
            },
            _ => return None,
        };
        Some(UnparsedPublicKey::new(algorithm, key).verify(signed, by).is_ok())
    }

    fn issued_by(&self, other: &Certificate<'_>) -> bool {
        self.issuer == other.subject.whole
            && way(&self.identifier, None).and_then(|w| other.made(w, self.signed, self.signature)) == Some(true)
    }

    fn holds_at(&self, at: i64) -> bool {
        (self.from..=self.until).contains(&at) && !self.unknown
    }

    /// Whether it may issue what stands so many steps below it.
    fn issues(&self, below: u32) -> bool {
        self.authority
            && self.steps.is_none_or(|s| below <= s)
            && self.usage.is_none_or(|bits| bits[5])
            && self.purposes.as_ref().is_none_or(|(_, p)| p.contains(&TIME_STAMPING))
    }
}

/// Where a certificate leads.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Leads {
    /// To a root that was given.
    ToGiven,
    /// To none that was given.
    Nowhere,
    /// Over a certificate that did not hold at that time, or may not do what it does.
    Wrongly,
}

/// Follows a certificate to a given root, over others that lie beside it, as things stood at a time.
pub(super) fn follow<'a>(
    from: &Certificate<'a>,
    beside: &[Certificate<'a>],
    given: &[Certificate<'a>],
    at: i64,
) -> Leads {
    let mut current = from.clone();
    for below in 0..MAX_STEPS as u32 {
        if !current.holds_at(at) || (below > 0 && !current.issues(below - 1)) {
            return Leads::Wrongly;
        }
        if given.iter().any(|g| g.whole == current.whole) {
            return Leads::ToGiven;
        }
        if let Some(root) = given.iter().find(|g| current.issued_by(g)) {
            return if root.holds_at(at) && root.issues(below) { Leads::ToGiven } else { Leads::Wrongly };
        }
        let next = beside.iter().find(|c| c.whole != current.whole && current.issued_by(c));
        match next {
            Some(next) => current = next.clone(),
            None => return Leads::Nowhere,
        }
    }
    Leads::Nowhere
}
