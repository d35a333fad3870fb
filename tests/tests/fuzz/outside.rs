//! What comes from outside the shop: answers of stamping authorities, and what witnesses are asked and say.

use evidence::cosignature::{Witness, cosignatures};
use evidence::stamp;
use evidence::witness::{Request, decide};

/// An answer by openssl, the bytes it stamps, and the root above it.
const ANSWER: &[u8] = include_bytes!("stamp.tsr");
const STAMPED: &[u8] = b"what is stamped\n";
const ROOT: &str = include_str!("stamp-root.pem");
const SAID: &str = "2026-11-26T02:30:07Z ±1 s, Hour Glass Stamping";
const HEAD: &str = "tarn-street.example/log\n1\nAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA=\n";

fn witness() -> Witness {
    Witness::new("witness.example/w1", [8; 32]).expect("a good name")
}

/// The answer, and a request whose checkpoint is cosigned.
pub fn seeds() -> Vec<Vec<u8>> {
    let key = evidence::note::SignerKey::new("tarn-street.example/log", [7; 32]);
    let note = evidence::note::sign(HEAD, &[&key]).expect("a note") + &witness().cosign(HEAD, 1_795_612_931);
    let request = Request { old: 1, proof: vec![[0; 32]], note: note.clone() };
    vec![ANSWER.to_vec(), request.to_string().into_bytes(), note.into_bytes()]
}

/// No other stamp is ever made of one, no head is cosigned that was not, and a request that is read is written back.
pub fn run(bytes: &[u8]) -> Result<String, String> {
    let roots = stamp::roots(ROOT).map_err(str::to_owned)?;
    let mut shape = match stamp::check(bytes, STAMPED, &roots) {
        Ok(stamp) if stamp.known && stamp.to_string() != SAID => {
            return Err(format!("a stamp that nobody made: {stamp}"));
        }
        Ok(stamp) => format!("stamp {}", stamp.known),
        Err(e) => e.to_string(),
    };
    let Ok(text) = std::str::from_utf8(bytes) else { return Ok(shape) };
    let keys = [evidence::note::SignerKey::new("tarn-street.example/log", [7; 32]).verifier()];
    match Request::read(text) {
        Ok(request) => {
            if request.to_string() != text {
                return Err("a request that was read is written differently".into());
            }
            match decide(&Request { old: 0, proof: Vec::new(), ..request }, None, &keys) {
                Ok(head) if head.text() != HEAD => return Err("a head that nobody signed would be cosigned".into()),
                Ok(_) => shape.push_str(" decided"),
                Err(e) => shape.push_str(&e.to_string()),
            }
        }
        Err(e) => shape.push_str(&e.to_string()),
    }
    for found in cosignatures(text, &[witness().verifier()]).unwrap_or_default() {
        if found.holds == Some(true) && !text.starts_with(HEAD) {
            return Err("cosigned, though nobody cosigned it".into());
        }
        shape.push_str(&format!(" {:?}", found.holds));
    }
    Ok(shape)
}
