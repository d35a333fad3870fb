//! Time stamps against openssl, which is from outside: it reads our questions, and both find the same of its answers.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use evidence::stamp::{self, Fault};

use crate::authority::{Authority, Kind, NAME};

/// A folder that goes when the test ends well.
pub struct Folder(pub PathBuf);

impl Folder {
    pub fn new(name: &str) -> Folder {
        let path = PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join(format!("{name}-{}", std::process::id()));
        fs::create_dir_all(&path).unwrap();
        Folder(path)
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        if !std::thread::panicking() {
            fs::remove_dir_all(&self.0).unwrap();
        }
    }
}

const NOTE: &[u8] = b"counterfoil/shop/1\n5\nroot\n\n signed\n";
const NONCE: [u8; 8] = [0x91, 2, 3, 4, 5, 6, 7, 8];

fn roots_of(authority: &Authority) -> Vec<Vec<u8>> {
    stamp::roots(&fs::read_to_string(authority.root()).unwrap()).unwrap()
}

fn by_openssl(folder: &Path, stamped: &[u8], answer: &[u8], root: &Path) -> bool {
    let (data, reply) = (folder.join("data"), folder.join("reply"));
    fs::write(&data, stamped).unwrap();
    fs::write(&reply, answer).unwrap();
    let mut command = Command::new("openssl");
    command.args(["ts", "-verify", "-data"]).arg(data).arg("-in").arg(reply).arg("-CAfile").arg(root);
    command.output().unwrap().status.success()
}

#[test]
fn openssl_reads_the_question() {
    let folder = Folder::new("question");
    for nonce in [NONCE, [0; 8], [0, 0, 0x7f, 1, 1, 1, 1, 1], [0, 0xff, 1, 1, 1, 1, 1, 1]] {
        let file = folder.0.join("question");
        fs::write(&file, stamp::question(NOTE, nonce)).unwrap();
        let out = Command::new("openssl").args(["ts", "-query", "-text", "-in"]).arg(file).output().unwrap();
        let said = String::from_utf8(out.stdout).unwrap();
        assert!(said.contains("Hash Algorithm: sha256") && said.contains("Certificate required: yes"), "{said}");
        let digits: String = nonce.iter().map(|b| format!("{b:02X}")).collect();
        let shown = said.lines().find_map(|l| l.strip_prefix("Nonce: ")).unwrap();
        let shown = shown.trim_start_matches("0x");
        let value = u64::from_str_radix(shown, 16).unwrap();
        assert_eq!(value, u64::from_str_radix(&digits, 16).unwrap(), "{said}");
    }
}

#[test]
fn answers_are_found_good_and_bad_as_openssl_finds_them() {
    let folder = Folder::new("answers");
    for kind in [Kind::Curve, Kind::Rsa] {
        let authority = Authority::new(&folder.0.join(format!("{kind:?}")), kind);
        let (roots, root) = (roots_of(&authority), authority.root());
        let good = authority.answer(&stamp::question(NOTE, NONCE));
        let stamp = stamp::answer(&good, NOTE, NONCE, &roots).unwrap();
        assert_eq!((stamp.authority.as_str(), stamp.within, stamp.known), (NAME, 1, true));
        assert!(by_openssl(&folder.0, NOTE, &good, &root));

        assert_eq!(stamp::answer(&good, NOTE, [1; 8], &roots), Err(Fault::Nonce));
        assert_eq!(stamp::check(&good, b"other bytes", &roots), Err(Fault::Imprint));
        assert!(!by_openssl(&folder.0, b"other bytes", &good, &root));
        assert_eq!(stamp::answer(&good, NOTE, NONCE, &[]), Err(Fault::Unknown));
        assert!(!stamp::check(&good, NOTE, &[]).unwrap().known);
        // A changed bit is found, or it lies where nothing is said (lists of algorithms, the version of a frame): then the stamp is
        // the same stamp.
        let mut found = 0;
        for at in (0..good.len()).step_by(if kind == Kind::Rsa { 31 } else { 7 }) {
            let mut bad = good.clone();
            bad[at] ^= 1 << (at % 8);
            match stamp::answer(&bad, NOTE, NONCE, &roots) {
                Ok(same) => assert_eq!(same, stamp, "a bit flipped at {at}"),
                Err(_) => found += 1,
            }
        }
        assert!(found * 10 > good.len().div_ceil(if kind == Kind::Rsa { 31 } else { 7 }) * 9, "{found} found");
        for length in 0..good.len() {
            assert!(stamp::check(&good[..length], NOTE, &roots).is_err());
        }
    }
    let expired = Authority::new(&folder.0.join("expired"), Kind::Expired);
    let answer = expired.answer(&stamp::question(NOTE, NONCE));
    assert_eq!(stamp::check(&answer, NOTE, &roots_of(&expired)), Err(Fault::Authority));
    assert!(!by_openssl(&folder.0, NOTE, &answer, &expired.root()));
    let old = Authority::new(&folder.0.join("old"), Kind::Sha1);
    let answer = old.answer(&stamp::question(NOTE, NONCE));
    assert_eq!(stamp::check(&answer, NOTE, &roots_of(&old)), Err(Fault::Way));
    // It does not know this digest, and refuses.
    let refused = old
        .answer(&stamp::question(NOTE, NONCE).iter().map(|b| if *b == 0x65 { 0x66 } else { *b }).collect::<Vec<_>>());
    assert_eq!(stamp::check(&refused, NOTE, &[]), Err(Fault::Refused));
    assert!(stamp::roots("nothing").is_err());
}
