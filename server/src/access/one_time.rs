//! One-time codes by time (RFC 6238 over RFC 4226) as authenticator programs read them: SHA-1, six digits, 30 seconds. Pure.
//!
//! SHA-1 is safe here: HMAC does not rest on its resistance to collisions, and nothing else is read by all such programs.

use hmac::{Hmac, KeyInit, Mac};
use sha1::Sha1;

use crate::edge::Millis;

/// 160 random bits, as long as the hash (RFC 4226, 4, R6).
pub(crate) type Key = [u8; 20];

/// A step lasts so long.
pub(crate) const STEP: Millis = 30_000;
/// A clock may be a step behind or ahead (RFC 6238, 5.2).
const APART: i64 = 1;
/// Six digits.
const CODES: u32 = 1_000_000;

/// The alphabet of RFC 4648, 6.
const BASE32: &[u8; 32] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZ234567";

/// The step of which this is the code, now or one before or after, and later than `last`: a code counts once.
pub(crate) fn step_of(key: &Key, code: u32, now: Millis, last: i64) -> Option<i64> {
    let this = now.div_euclid(STEP);
    // The oldest first: where two steps have the same code, the later one is left.
    (this - APART..=this + APART).find(|step| *step > last && code_at(key, *step) == code)
}

/// The code of a step.
pub(crate) fn code_at(key: &Key, step: i64) -> u32 {
    truncated(key, step.unsigned_abs()) % CODES
}

/// The 31 bits of which a code is the end (RFC 4226, 5.3).
fn truncated(key: &Key, counter: u64) -> u32 {
    // HMAC takes a key of any length, so there is no error to come.
    let Ok(mac) = Hmac::<Sha1>::new_from_slice(key) else { return 0 };
    let hash = mac.chain_update(counter.to_be_bytes()).finalize().into_bytes();
    let at = usize::from(hash[19] & 0xf);
    let four = [hash[at], hash[at + 1], hash[at + 2], hash[at + 3]];
    u32::from_be_bytes(four) & 0x7fff_ffff
}

/// Six digits as somebody typed them, with or without blanks between.
pub(crate) fn typed(text: &str) -> Option<u32> {
    let digits: String = text.chars().filter(|c| !c.is_whitespace()).collect();
    let good = digits.len() == 6 && digits.bytes().all(|b| b.is_ascii_digit());
    good.then(|| digits.parse().ok()).flatten()
}

/// Base 32 (RFC 4648, 6), without padding.
pub(crate) fn base32(bytes: &[u8]) -> String {
    let bit = |n: usize| bytes.get(n / 8).map_or(0, |byte| byte >> (7 - n % 8) & 1);
    let letter = |at: usize| (0..5).fold(0, |five, n| five << 1 | bit(at * 5 + n));
    (0..(bytes.len() * 8).div_ceil(5)).map(|at| char::from(BASE32[usize::from(letter(at))])).collect()
}

/// In groups of four, as it is read out and typed.
pub(crate) fn grouped(text: &str, between: &str) -> String {
    let letters: Vec<char> = text.chars().collect();
    letters.chunks(4).map(|four| four.iter().collect::<String>()).collect::<Vec<_>>().join(between)
}

/// What the QR code holds (Key Uri Format). Names are cut to what a QR code takes; a colon stands between the two, so neither has one.
pub(crate) fn uri(key: &Key, issuer: &str, account: &str) -> String {
    let name = |text: &str, most: usize| escaped(&text.replace(':', " ").chars().take(most).collect::<String>());
    let (issuer, account) = (name(issuer, 40), name(account, 64));
    format!("otpauth://totp/{issuer}:{account}?secret={}&issuer={issuer}", base32(key))
}

/// RFC 3986, 2.1.
fn escaped(text: &str) -> String {
    let one = |b: u8| match b {
        b'A'..=b'Z' | b'a'..=b'z' | b'0'..=b'9' | b'-' | b'.' | b'_' | b'~' => char::from(b).to_string(),
        _ => format!("%{b:02X}"),
    };
    text.bytes().map(one).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The key of both documents' tables.
    const KEY: &Key = b"12345678901234567890";

    #[test]
    fn codes_are_those_of_rfc_4226_appendix_d() {
        let truncations =
            [0x4c93_cf18, 0x4139_7eea, 0x082f_ef30, 0x66ef_7655, 0x61c5_938a, 0x33c0_83d4, 0x7256_c032, 0x04e5_b397];
        let truncations = truncations.into_iter().chain([0x2823_443f, 0x2679_dc69]);
        let codes = [755_224, 287_082, 359_152, 969_429, 338_314, 254_676, 287_922, 162_583, 399_871, 520_489];
        for (n, (bits, code)) in truncations.zip(codes).enumerate() {
            let n = n as u64;
            assert_eq!((truncated(KEY, n), code_at(KEY, n as i64)), (bits, code), "counter {n}");
        }
    }

    #[test]
    fn codes_are_those_of_rfc_6238_appendix_b_for_sha_1() {
        // Its codes have eight digits; ours are the last six of them.
        for (seconds, code) in [
            (59, 94_287_082),
            (1_111_111_109, 7_081_804),
            (1_111_111_111, 14_050_471),
            (1_234_567_890, 89_005_924),
            (2_000_000_000, 69_279_037),
            (20_000_000_000, 65_353_130),
        ] {
            let step: i64 = seconds / 30;
            assert_eq!(truncated(KEY, step.unsigned_abs()) % 100_000_000, code, "{seconds}");
            assert_eq!(step_of(KEY, code % CODES, seconds * 1000, 0), Some(step), "{seconds}");
        }
    }

    #[test]
    fn a_step_before_and_after_count_and_each_once() {
        let now = 1_795_600_800_000;
        let this = now / STEP;
        for step in this - 3..=this + 3 {
            let found = step_of(KEY, code_at(KEY, step), now, 0);
            assert_eq!(found, ((this - 1)..=(this + 1)).contains(&step).then_some(step), "{}", step - this);
        }
        let code = code_at(KEY, this);
        assert_eq!(step_of(KEY, code, now, this - 1), Some(this));
        for last in [this, this + 1] {
            assert_eq!(step_of(KEY, code, now, last), None, "once, and none before the last one");
        }
        assert_eq!(step_of(KEY, (code + 1) % CODES, now, 0), None);
        assert_eq!(step_of(&[0; 20], code, now, 0), None, "another key");
    }

    #[test]
    fn what_is_typed_is_six_digits_with_blanks_or_no_code() {
        for (text, code) in [("042 917", Some(42_917)), (" 000000", Some(0)), ("12345", None), ("1234567", None)] {
            assert_eq!(typed(text), code, "{text}");
        }
        for text in ["12345a", "+12345", "", "١٢٣٤٥٦"] {
            assert_eq!(typed(text), None, "{text}");
        }
    }

    #[test]
    fn base32_is_that_of_rfc_4648_section_10_without_padding() {
        for (bytes, text) in
            [("", ""), ("f", "MY"), ("fo", "MZXQ"), ("foo", "MZXW6"), ("foob", "MZXW6YQ"), ("foobar", "MZXW6YTBOI")]
        {
            assert_eq!(base32(bytes.as_bytes()), text);
        }
        assert_eq!(grouped(&base32(KEY), " "), "GEZD GNBV GY3T QOJQ GEZD GNBV GY3T QOJQ");
    }

    #[test]
    fn names_of_any_kind_stand_in_the_address_and_its_qr_code() {
        let said = uri(KEY, "Müller: Söhne", "i.kolb:x");
        let secret = base32(KEY);
        assert_eq!(
            said,
            format!(
                "otpauth://totp/M%C3%BCller%20%20S%C3%B6hne:i.kolb%20x?secret={secret}&issuer=M%C3%BCller%20%20S%C3%B6hne"
            )
        );
        let longest = uri(KEY, &"🪚".repeat(200), &"🪚".repeat(100));
        crate::access::qr_svg(&longest).expect("a QR code");
    }
}
