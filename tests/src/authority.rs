//! A stamping authority of our own: openssl makes its certificates and answers its questions.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

/// What kind of authority.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// A P-256 key straight below its root.
    Curve,
    /// An RSA key below another certificate below its root.
    Rsa,
    /// A certificate that ended in 2021.
    Expired,
    /// It hashes by SHA-1, which nobody should.
    Sha1,
}

/// An authority in a folder.
#[derive(Debug)]
pub struct Authority {
    folder: PathBuf,
    kind: Kind,
}

/// What the authority is called in its certificate.
pub const NAME: &str = "Hour Glass Stamping";

fn config(kind: Kind) -> String {
    let digest = if kind == Kind::Sha1 { "sha1" } else { "sha256" };
    format!(
        "[req]\ndistinguished_name = name\nprompt = no\n[name]\nCN = unused\n\
[ca]\ndefault_ca = c\n[c]\ndatabase = index.txt\nserial = serial\nnew_certs_dir = .\ndefault_md = sha256\npolicy = p\nunique_subject = no\ndefault_days = 3650\n\
[p]\ncommonName = supplied\n\
[root]\nbasicConstraints = critical, CA:TRUE\nkeyUsage = critical, keyCertSign, cRLSign\nsubjectKeyIdentifier = hash\n\
[mid]\nbasicConstraints = critical, CA:TRUE, pathlen:0\nkeyUsage = critical, keyCertSign, cRLSign\n\
[stamping]\nbasicConstraints = CA:FALSE\nkeyUsage = critical, digitalSignature\nextendedKeyUsage = critical, timeStamping\n\
[tsa]\ndefault_tsa = t\n[t]\nserial = tsa-serial\ndefault_policy = 1.2.3.4.1\ndigests = sha256\nsigner_digest = {digest}\n\
ess_cert_id_alg = sha256\naccuracy = secs:1\nordering = no\ntsa_name = no\ness_cert_id_chain = no\n"
    )
}

impl Authority {
    /// Makes an authority in a folder that is not there yet.
    ///
    /// # Panics
    /// When openssl does not do what it is told.
    pub fn new(folder: &Path, kind: Kind) -> Authority {
        fs::create_dir_all(folder).expect("a folder");
        let authority = Authority { folder: folder.to_owned(), kind };
        for (name, text) in
            [("x.cnf", config(kind).as_str()), ("index.txt", ""), ("serial", "1001\n"), ("tsa-serial", "01\n")]
        {
            fs::write(folder.join(name), text).expect("a file");
        }
        let key: &[&str] = match kind {
            Kind::Rsa => &["-newkey", "rsa:2048"],
            _ => &["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256"],
        };
        let asks = |name: &str, file: &str| {
            let (subject, key_file, out) = (format!("/CN={name}"), format!("{file}.key"), format!("{file}.csr"));
            let more = ["-nodes", "-config", "x.cnf", "-subj", &subject, "-keyout", &key_file, "-out", &out];
            authority.run(&[&["req", "-new"][..], key, &more].concat());
        };
        let issues = |file: &str, by: &str, extensions: &str, dates: &[&str]| {
            let (csr, out) = (format!("{file}.csr"), format!("{file}.pem"));
            let (cert, key) = (format!("{by}.pem"), format!("{by}.key"));
            let more = ["-in", &csr, "-out", &out, "-cert", &cert, "-keyfile", &key, "-extensions", extensions];
            authority.run(&[&["ca", "-batch", "-notext", "-config", "x.cnf"][..], &more, dates].concat());
        };
        let (subject, more) = ("/CN=Hour Glass Root", ["-nodes", "-config", "x.cnf", "-extensions", "root"]);
        let rest = ["-subj", subject, "-days", "3650", "-keyout", "root.key", "-out", "root.pem"];
        authority.run(&[&["req", "-x509", "-new"][..], key, &more, &rest].concat());
        let mut by = "root";
        if kind == Kind::Rsa {
            asks("Hour Glass Between", "mid");
            issues("mid", "root", "mid", &[]);
            by = "mid";
        }
        asks(NAME, "tsa");
        let ended = ["-startdate", "20200101000000Z", "-enddate", "20210101000000Z"];
        issues("tsa", by, "stamping", if kind == Kind::Expired { &ended } else { &[] });
        authority
    }

    fn run(&self, args: &[&str]) {
        let out = Command::new("openssl")
            .args(args)
            .current_dir(&self.folder)
            .output()
            .unwrap_or_else(|e| panic!("openssl does not run ({e}): tests/run installs it"));
        assert!(out.status.success(), "openssl {args:?}: {}", String::from_utf8_lossy(&out.stderr));
    }

    /// The file of its root.
    pub fn root(&self) -> PathBuf {
        self.folder.join("root.pem")
    }

    /// Answers a question.
    ///
    /// # Panics
    /// When openssl does not do what it is told.
    pub fn answer(&self, question: &[u8]) -> Vec<u8> {
        fs::write(self.folder.join("question"), question).expect("a file");
        let chain: &[&str] = if self.kind == Kind::Rsa { &["-chain", "mid.pem"] } else { &[] };
        let args = ["ts", "-reply", "-config", "x.cnf", "-queryfile", "question", "-out", "answer"];
        self.run(&[&args[..], &["-signer", "tsa.pem", "-inkey", "tsa.key"], chain].concat());
        fs::read(self.folder.join("answer")).expect("an answer")
    }
}
