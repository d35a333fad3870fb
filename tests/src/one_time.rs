//! What somebody has on their phone that shows one-time codes: it reads the secret as the server shows it (RFC 6238, RFC 4648 6).

use std::time::{SystemTime, UNIX_EPOCH};

use hmac::{Hmac, KeyInit, Mac};
use serde_json::{Value, json};
use sha1::Sha1;

use crate::ask::{Actor, CookieStaff};

/// The program, with one secret in it.
pub struct Program {
    key: Vec<u8>,
    step: u64,
}

impl Program {
    /// Takes in what was shown.
    ///
    /// # Panics
    /// When nothing was shown.
    #[allow(clippy::disallowed_methods, reason = "what a phone shows goes by the time of day, as the server does")]
    pub fn of(shown: &Value) -> Program {
        let letters = shown["secret"].as_str().expect("a secret").replace(' ', "");
        let (mut bits, mut held, mut key) = (0u32, 0, Vec::new());
        for letter in letters.bytes() {
            let value = if letter.is_ascii_digit() { letter - b'2' + 26 } else { letter - b'A' };
            bits = bits << 5 | u32::from(value);
            held += 5;
            if held >= 8 {
                held -= 8;
                key.push(u8::try_from(bits >> held & 0xff).expect("a byte"));
            }
        }
        let now = SystemTime::now().duration_since(UNIX_EPOCH).expect("after 1970").as_secs();
        Program { key, step: now / 30 }
    }

    /// The next code, each of a step later than the one before: two can be given without waiting, since the server takes the next
    /// step's as well.
    ///
    /// # Panics
    /// Never: the hash takes a key of any length.
    pub fn code(&mut self) -> String {
        let mac = Hmac::<Sha1>::new_from_slice(&self.key).expect("any length").chain_update(self.step.to_be_bytes());
        let hash = mac.finalize().into_bytes();
        let at = usize::from(hash[19] & 0xf);
        let four = [hash[at], hash[at + 1], hash[at + 2], hash[at + 3]];
        self.step += 1;
        format!("{:06}", (u32::from_be_bytes(four) & 0x7fff_ffff) % 1_000_000)
    }
}

/// Sets up the second factor of somebody who gave their password just now; gives the program and the recovery codes.
///
/// # Panics
/// When the server refuses.
pub async fn set_up(who: &CookieStaff) -> (Program, Vec<String>) {
    let path = who.path("/second-factor");
    let mut program = Program::of(&who.post(&path).send().await.expect(201).json());
    let on = who.put(&path).json(&json!({"code": program.code()})).send().await.expect(200).json();
    let codes = on["recovery_codes"].as_array().expect("codes").iter();
    (program, codes.map(|c| c.as_str().expect("a code").to_owned()).collect())
}
