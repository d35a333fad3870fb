//! Time from outside (RFC 3161): a stamping authority signs that some bytes were there at its time. Builds the question, checks
//! the answer. Pure: what time it is now plays no part, only the time in the stamp.
//!
//! Signatures: RSA (PKCS #1 v1.5, 2048 to 8192 bits) with SHA-256, SHA-384 or SHA-512; ECDSA on P-256 and P-384 with SHA-256 or
//! SHA-384. Others are told as not known. Revocation is not looked at: it cannot be without a network.

mod certificate;
mod der;

use base64::Engine;
use base64::engine::general_purpose::STANDARD as BASE64;

use self::certificate::{Certificate, Hashed, Leads, SHA256, follow};
use self::der::{BOOLEAN, Element, INTEGER, OCTETS, OID, Reader, SEQUENCE, SET};
use crate::digest::Digest;

/// Largest answer read, in bytes.
pub const MAX_ANSWER: usize = 64 * 1024;
/// Largest file of roots read, in bytes, and most roots in it.
pub const MAX_ROOTS: usize = 1 << 20;
const MOST_ROOTS: usize = 64;
/// Most certificates read in an answer.
const MOST_CERTIFICATES: usize = 16;

const SIGNED_DATA: &[u8] = b"\x2a\x86\x48\x86\xf7\x0d\x01\x07\x02";
const TST_INFO: &[u8] = b"\x2a\x86\x48\x86\xf7\x0d\x01\x09\x10\x01\x04";
const CONTENT_TYPE: &[u8] = b"\x2a\x86\x48\x86\xf7\x0d\x01\x09\x03";
const MESSAGE_DIGEST: &[u8] = b"\x2a\x86\x48\x86\xf7\x0d\x01\x09\x04";
const SIGNING_CERTIFICATE: &[u8] = b"\x2a\x86\x48\x86\xf7\x0d\x01\x09\x10\x02\x0c";
const SIGNING_CERTIFICATE_V2: &[u8] = b"\x2a\x86\x48\x86\xf7\x0d\x01\x09\x10\x02\x2f";

/// Why an answer is no stamp of these bytes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fault {
    /// It is not written as RFC 3161 says.
    Form,
    /// The authority refused.
    Refused,
    /// It is signed in a way that is not known here.
    Way,
    /// It is of other bytes.
    Imprint,
    /// It answers another question.
    Nonce,
    /// Its signature is not over it, or not by the certificate it names.
    Signature,
    /// Its certificate may not stamp, or something above it did not hold at that time.
    Authority,
    /// It leads to no root that was given. Only of [`answer`].
    Unknown,
}

impl std::fmt::Display for Fault {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Fault::Form => "the answer is not written as RFC 3161 says",
            Fault::Refused => "the authority refused to stamp",
            Fault::Way => "the answer is signed in a way that is not known here",
            Fault::Imprint => "the answer stamps other bytes",
            Fault::Nonce => "the answer belongs to another question",
            Fault::Signature => "the answer's signature does not hold",
            Fault::Authority => "the authority's certificate may not stamp, or did not hold at that time",
            Fault::Unknown => "the answer leads to none of the roots that are trusted",
        })
    }
}

/// What a stamp says.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Stamp {
    /// The authority's time, milliseconds since the Unix epoch.
    pub at: i64,
    /// The same as RFC 3339, with the digits the authority gave.
    pub when: String,
    /// How sure it says to be, in seconds, rounded up; 0 where it does not say.
    pub within: u64,
    /// What the authority is called in its certificate, or the beginning of that certificate's digest.
    pub authority: String,
    /// Whether it leads to a root that was given.
    pub known: bool,
    nonce: Option<Vec<u8>>,
}

impl std::fmt::Display for Stamp {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}", self.when)?;
        if self.within > 0 {
            write!(f, " ±{} s", self.within)?;
        }
        write!(f, ", {}", self.authority)
    }
}

/// The roots in a PEM file (RFC 7468), as DER.
///
/// # Errors
/// A sentence when there is none, or one that cannot be read.
pub fn roots(pem: &str) -> Result<Vec<Vec<u8>>, &'static str> {
    const BAD: &str = "these are no certificates in PEM";
    if pem.len() > MAX_ROOTS {
        return Err(BAD);
    }
    let mut out = Vec::new();
    let mut rest = pem;
    while let Some((_, after)) = rest.split_once("-----BEGIN CERTIFICATE-----") {
        let (inside, after) = after.split_once("-----END CERTIFICATE-----").ok_or(BAD)?;
        let plain: String = inside.chars().filter(|c| !c.is_ascii_whitespace()).collect();
        let bytes = BASE64.decode(plain).map_err(|_| BAD)?;
        if Certificate::read(&bytes).is_none() || out.len() == MOST_ROOTS {
            return Err(BAD);
        }
        out.push(bytes);
        rest = after;
    }
    if out.is_empty() { Err(BAD) } else { Ok(out) }
}

/// The question for a stamp of these bytes (RFC 3161, 2.4.1): SHA-256, a nonce, and the authority's certificate please.
pub fn question(stamped: &[u8], nonce: [u8; 8]) -> Vec<u8> {
    let algorithm = der::write(SEQUENCE, &der::write(OID, SHA256));
    let imprint = [algorithm, der::write(OCTETS, &Digest::of(stamped).0)].concat();
    let parts = [
        der::write(INTEGER, &[1]),
        der::write(SEQUENCE, &imprint),
        der::write(INTEGER, &number(nonce)),
        der::write(BOOLEAN, &[0xff]),
    ];
    der::write(SEQUENCE, &parts.concat())
}

/// A nonce as DER has a whole number that is not negative: no needless zero in front.
fn number(nonce: [u8; 8]) -> Vec<u8> {
    let from = nonce.iter().position(|b| *b != 0).unwrap_or(7);
    let mut out = nonce[from..].to_vec();
    if out[0] >= 0x80 {
        out.insert(0, 0);
    }
    out
}

/// Checks the answer to a question just asked: as [`check`], and it has our nonce and leads to one of our roots.
///
/// # Errors
/// What is wrong with it.
pub fn answer(bytes: &[u8], stamped: &[u8], nonce: [u8; 8], roots: &[Vec<u8>]) -> Result<Stamp, Fault> {
    let stamp = check(bytes, stamped, roots)?;
    if stamp.nonce != Some(number(nonce)) {
        return Err(Fault::Nonce);
    }
    if stamp.known { Ok(stamp) } else { Err(Fault::Unknown) }
}

/// Checks an answer (RFC 3161, 2.4.2) as it was kept: that it stamps these bytes, that its certificate signed it and may, and
/// whether that leads to one of the roots given.
///
/// # Errors
/// What is wrong with it.
pub fn check(bytes: &[u8], stamped: &[u8], roots: &[Vec<u8>]) -> Result<Stamp, Fault> {
    let token = Token::read(bytes)?;
    let info = Info::read(token.info).ok_or(Fault::Form)?;
    if info.imprint != (SHA256, &Digest::of(stamped).0[..]) {
        return Err(Fault::Imprint);
    }
    let signer = token.signed()?;
    if !signer.stamps() {
        return Err(Fault::Authority);
    }
    let given: Vec<Certificate<'_>> = roots.iter().filter_map(|r| Certificate::read(r)).collect();
    let leads = follow(signer, &token.certificates, &given, info.at);
    if leads == Leads::Wrongly {
        return Err(Fault::Authority);
    }
    let unnamed = || Digest::of(signer.whole).hex()[..16].to_owned();
    Ok(Stamp {
        at: info.at,
        when: info.when,
        within: info.within,
        authority: signer.name().unwrap_or_else(unnamed),
        known: leads == Leads::ToGiven,
        nonce: info.nonce,
    })
}

/// A stamp as it is signed (RFC 5652, 5; RFC 3161, 2.4.2).
struct Token<'a> {
    /// The signed contents.
    info: &'a [u8],
    certificates: Vec<Certificate<'a>>,
    issuer: &'a [u8],
    serial: &'a [u8],
    hashed: Element<'a>,
    attributes: Element<'a>,
    identifier: Element<'a>,
    signature: &'a [u8],
}

impl<'a> Token<'a> {
    fn read(bytes: &'a [u8]) -> Result<Token<'a>, Fault> {
        let mut answer =
            Some(bytes).filter(|b| b.len() <= MAX_ANSWER).and_then(|b| der::only(b, SEQUENCE)).ok_or(Fault::Form)?;
        let mut status = answer.inside(SEQUENCE).ok_or(Fault::Form)?;
        // 0: granted; 1: granted with changes.
        match status.take(INTEGER).and_then(|s| der::small(&s)) {
            Some(0 | 1) => Token::granted(answer).ok_or(Fault::Form),
            Some(_) => Err(Fault::Refused),
            None => Err(Fault::Form),
        }
    }

    fn granted(mut answer: Reader<'a>) -> Option<Token<'a>> {
        let mut content = answer.inside(SEQUENCE)?;
        answer.end()?;
        if content.take(OID)?.value != SIGNED_DATA {
            return None;
        }
        let mut data = der::only(content.take(0xa0)?.value, SEQUENCE)?;
        content.end()?;
        data.take(INTEGER)?;
        data.take(SET)?;
        let mut inside = data.inside(SEQUENCE)?;
        if inside.take(OID)?.value != TST_INFO {
            return None;
        }
        let mut wrapped = inside.inside(0xa0)?;
        let info = wrapped.take(OCTETS)?.value;
        wrapped.end()?;
        inside.end()?;
        let certificates = match data.maybe(0xa0)? {
            Some(list) => Reader::new(list.value).all(MOST_CERTIFICATES)?,
            None => Vec::new(),
        };
        let certificates = certificates.iter().map(|c| Certificate::read(c.whole)).collect::<Option<_>>()?;
        data.maybe(0xa1)?;
        let mut signers = data.inside(SET)?;
        data.end()?;
        let mut signer = signers.inside(SEQUENCE)?;
        signers.end()?;
        signer.take(INTEGER)?;
        let mut by = signer.inside(SEQUENCE)?;
        let (issuer, serial) = (by.take(SEQUENCE)?.whole, by.take(INTEGER)?.value);
        by.end()?;
        let hashed = signer.take(SEQUENCE)?;
        let attributes = signer.take(0xa0)?;
        let identifier = signer.take(SEQUENCE)?;
        let signature = signer.take(OCTETS)?.value;
        signer.maybe(0xa1)?;
        signer.end()?;
        Some(Token { info, certificates, issuer, serial, hashed, attributes, identifier, signature })
    }

    /// The certificate whose key signed it.
    fn signed(&self) -> Result<&Certificate<'a>, Fault> {
        let hashed = Reader::new(self.hashed.value).take(OID).ok_or(Fault::Form)?.value;
        let hashed = Hashed::of(hashed).ok_or(Fault::Way)?;
        let attributes = Attributes::read(self.attributes.value).ok_or(Fault::Form)?;
        let signer = self.certificates.iter().find(|c| c.issuer == self.issuer && c.serial == self.serial);
        let signer = signer.ok_or(Fault::Signature)?;
        let bound = attributes.digest == hashed.digest(self.info) && attributes.names(signer.whole);
        if attributes.content != TST_INFO || !bound {
            return Err(Fault::Signature);
        }
        // RFC 5652, 5.4: what is signed is the attributes as a SET.
        let mut set = self.attributes.whole.to_vec();
        set[0] = SET;
        let way = certificate::way(&self.identifier, Some(hashed)).ok_or(Fault::Way)?;
        match signer.made(way, &set, self.signature) {
            Some(true) => Ok(signer),
            Some(false) => Err(Fault::Signature),
            None => Err(Fault::Way),
        }
    }
}

/// The signed attributes that count.
struct Attributes<'a> {
    content: &'a [u8],
    digest: &'a [u8],
    /// Digest algorithm and digest of the certificate that signs, by either way of saying it.
    certificates: Vec<(Option<&'a [u8]>, &'a [u8])>,
}

impl<'a> Attributes<'a> {
    fn read(bytes: &'a [u8]) -> Option<Attributes<'a>> {
        let (mut content, mut digest, mut certificates) = (None, None, Vec::new());
        for attribute in Reader::new(bytes).all(64)? {
            let mut inner = Reader::new(Some(attribute).filter(|a| a.tag == SEQUENCE)?.value);
            let oid = inner.take(OID)?.value;
            let mut values = inner.inside(SET)?;
            inner.end()?;
            let known = [CONTENT_TYPE, MESSAGE_DIGEST, SIGNING_CERTIFICATE, SIGNING_CERTIFICATE_V2];
            if !known.contains(&oid) {
                continue;
            }
            let value = values.any()?;
            values.end()?;
            // RFC 5652, 11: once each.
            match oid {
                CONTENT_TYPE if content.is_none() && value.tag == OID => content = Some(value.value),
                MESSAGE_DIGEST if digest.is_none() && value.tag == OCTETS => digest = Some(value.value),
                SIGNING_CERTIFICATE => certificates.push((None, named(&value)?.take(OCTETS)?.value)),
                SIGNING_CERTIFICATE_V2 => {
                    let mut id = named(&value)?;
                    // RFC 5816, 2.2.1: SHA-256 where nothing is said.
                    let by = match id.maybe(SEQUENCE)? {
                        Some(algorithm) => Reader::new(algorithm.value).take(OID)?.value,
                        None => SHA256,
                    };
                    certificates.push((Some(by), id.take(OCTETS)?.value));
                }
                _ => return None,
            }
        }
        Some(Attributes { content: content?, digest: digest?, certificates })
    }

    /// Whether it is this certificate that is named, and at least once.
    fn names(&self, certificate: &[u8]) -> bool {
        let sha1 = || ring::digest::digest(&ring::digest::SHA1_FOR_LEGACY_USE_ONLY, certificate).as_ref().to_vec();
        let is = |(by, digest): &(Option<&[u8]>, &[u8])| match by {
            None => sha1() == *digest,
            Some(by) => Hashed::of(by).is_some_and(|h| h.digest(certificate) == *digest),
        };
        !self.certificates.is_empty() && self.certificates.iter().all(is)
    }
}

/// The first certificate that an attribute names.
fn named<'a>(value: &Element<'a>) -> Option<Reader<'a>> {
    let mut list = Reader::new(Some(value).filter(|v| v.tag == SEQUENCE)?.value).inside(SEQUENCE)?;
    list.inside(SEQUENCE)
}

/// What is stamped, and when (RFC 3161, 2.4.2, TSTInfo).
struct Info<'a> {
    imprint: (&'a [u8], &'a [u8]),
    at: i64,
    when: String,
    within: u64,
    nonce: Option<Vec<u8>>,
}

impl<'a> Info<'a> {
    fn read(bytes: &'a [u8]) -> Option<Info<'a>> {
        let mut info = der::only(bytes, SEQUENCE)?;
        if der::small(&info.take(INTEGER)?)? != 1 {
            return None;
        }
        info.take(OID)?;
        let mut imprint = info.inside(SEQUENCE)?;
        let algorithm = imprint.inside(SEQUENCE)?.take(OID)?.value;
        let digest = imprint.take(OCTETS)?.value;
        imprint.end()?;
        info.take(INTEGER)?;
        let (at, fraction) = der::time(&info.take(der::TIME)?)?;
        let within = match info.maybe(SEQUENCE)? {
            Some(accuracy) => accuracy_in_seconds(accuracy.value)?,
            None => 0,
        };
        info.maybe(BOOLEAN)?;
        let nonce = info.maybe(INTEGER)?.map(|n| n.value.to_vec());
        info.maybe(0xa0)?;
        info.maybe(0xa1)?;
        info.end()?;
        let second = &crate::time::format(at)[..19];
        let when = if fraction.is_empty() { format!("{second}Z") } else { format!("{second}.{fraction}Z") };
        Some(Info { imprint: (algorithm, digest), at, when, within, nonce })
    }
}

/// Seconds, milliseconds and microseconds, each if said; rounded up to seconds.
fn accuracy_in_seconds(bytes: &[u8]) -> Option<u64> {
    let mut parts = Reader::new(bytes);
    let mut read = |tag| parts.maybe(tag).and_then(|p| p.map_or(Some(0), |e| der::small(&e).map(u64::from)));
    let (seconds, millis, micros) = (read(INTEGER)?, read(0x80)?, read(0x81)?);
    parts.end()?;
    (millis < 1000 && micros < 1000).then(|| seconds + u64::from(millis + micros > 0))
}
