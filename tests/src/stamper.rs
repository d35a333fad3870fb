//! A stamping authority as a server: openssl answers what comes by HTTP, or something else does.

use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::{Arc, Mutex};

use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};
use tokio::net::TcpListener;
use tokio::sync::mpsc;
use tokio_rustls::TlsAcceptor;
use tokio_rustls::rustls::ServerConfig;
use tokio_rustls::rustls::crypto::ring;
use tokio_rustls::rustls::pki_types::pem::PemObject;
use tokio_rustls::rustls::pki_types::{CertificateDer, PrivateKeyDer};

use crate::authority::{Authority, Kind};
use crate::checking::tool;

/// How it behaves.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Mood {
    /// As it should.
    Good,
    /// It answers another question about the same bytes.
    OtherNonce,
    /// It stamps other bytes.
    OtherBytes,
    /// It hangs up.
    Dead,
    /// It never says anything.
    Silent,
    /// It never stops.
    Endless,
    /// It says no.
    Refusing,
    /// It answers something that is no stamp.
    Nonsense,
}

/// The server. It ends with the test.
#[derive(Debug)]
pub struct Stamper {
    /// Its address.
    pub url: String,
    mood: Arc<Mutex<Mood>>,
    asked: mpsc::UnboundedReceiver<()>,
}

impl Stamper {
    /// A server that asks an authority in this folder.
    ///
    /// # Panics
    /// When it cannot listen.
    pub async fn start(folder: &Path, kind: Kind, mood: Mood) -> Stamper {
        Stamper::over(folder, kind, mood, None).await
    }

    /// The same over TLS, with a certificate for what `of` names, as openssl writes it: `IP:127.0.0.1`. Gives the root beside.
    ///
    /// # Panics
    /// When it cannot listen, or openssl does not do what it is told.
    pub async fn secure(folder: &Path, of: &str) -> (Stamper, PathBuf) {
        let line = folder.join("line");
        let (root, chain, key) = certificate(&line, of);
        let provider = Arc::new(ring::default_provider());
        let config = ServerConfig::builder_with_provider(provider)
            .with_safe_default_protocol_versions()
            .expect("versions of TLS")
            .with_no_client_auth()
            .with_single_cert(
                vec![CertificateDer::from_pem_file(chain).expect("a certificate")],
                PrivateKeyDer::from_pem_file(key).expect("its key"),
            )
            .expect("a certificate with its key");
        let acceptor = TlsAcceptor::from(Arc::new(config));
        (Stamper::over(folder, Kind::Curve, Mood::Good, Some(acceptor)).await, root)
    }

    async fn over(folder: &Path, kind: Kind, mood: Mood, secure: Option<TlsAcceptor>) -> Stamper {
        let authority = Arc::new(Authority::new(folder, kind));
        let listener = TcpListener::bind("127.0.0.1:0").await.expect("a port");
        let scheme = if secure.is_some() { "https" } else { "http" };
        let url = format!("{scheme}://{}/stamp", listener.local_addr().expect("its address"));
        let mood = Arc::new(Mutex::new(mood));
        let (say, asked) = mpsc::unbounded_channel();
        let moods = mood.clone();
        tokio::spawn(async move {
            while let Ok((line, _)) = listener.accept().await {
                let now = *moods.lock().expect("a mood");
                let (authority, say, secure) = (authority.clone(), say.clone(), secure.clone());
                tokio::spawn(async move {
                    // Whoever asks may have gone, or may not trust: that is what some tests are about.
                    match secure {
                        None => drop(serve(line, &authority, now, &say).await),
                        Some(acceptor) => {
                            if let Ok(line) = acceptor.accept(line).await {
                                drop(serve(line, &authority, now, &say).await);
                            }
                        }
                    }
                });
            }
        });
        Stamper { url, mood, asked }
    }

    /// From now on it behaves so.
    ///
    /// # Panics
    /// Never.
    pub fn becomes(&self, mood: Mood) {
        *self.mood.lock().expect("a mood") = mood;
    }

    /// Whether it was asked since this was looked at last.
    pub fn asked_before(&mut self) -> bool {
        self.asked.try_recv().is_ok()
    }

    /// Waits until it was asked.
    ///
    /// # Panics
    /// When it ended.
    pub async fn asked(&mut self) {
        self.asked.recv().await.expect("a question");
    }
}

async fn serve(
    mut line: impl AsyncRead + AsyncWrite + Unpin,
    authority: &Authority,
    mood: Mood,
    say: &mpsc::UnboundedSender<()>,
) -> std::io::Result<()> {
    let question = read(&mut line).await?;
    // The test may not wait for it.
    let _ = say.send(());
    let (status, body) = match mood {
        Mood::Good => (200, authority.answer(&question)),
        // The nonce stands before the last element, which has three bytes; the imprint behind its tag and length.
        Mood::OtherNonce => (200, authority.answer(&changed(&question, question.len() - 4))),
        Mood::OtherBytes => {
            let at = question.windows(2).position(|w| w == b"\x04\x20").expect("an imprint");
            (200, authority.answer(&changed(&question, at + 7)))
        }
        Mood::Dead => return Ok(()),
        Mood::Silent => {
            // Until the other side gives up.
            line.read_to_end(&mut Vec::new()).await?;
            return Ok(());
        }
        Mood::Endless => {
            line.write_all(b"HTTP/1.1 200 OK\r\nContent-Type: application/timestamp-reply\r\n\r\n").await?;
            loop {
                line.write_all(&[0x30; 65536]).await?;
            }
        }
        Mood::Refusing => (503, b"later".to_vec()),
        Mood::Nonsense => (200, b"0\x03\x02\x01\x00".to_vec()),
    };
    let head = format!(
        "HTTP/1.1 {status} X\r\nContent-Type: application/timestamp-reply\r\nContent-Length: {}\r\n\r\n",
        body.len()
    );
    line.write_all(head.as_bytes()).await?;
    line.write_all(&body).await?;
    line.shutdown().await
}

/// A certificate for a name, by a root of its own: the files of the root, the certificate and its key.
fn certificate(folder: &Path, of: &str) -> (PathBuf, PathBuf, PathBuf) {
    std::fs::create_dir_all(folder).expect("a folder");
    let config = "[req]\ndistinguished_name = n\nprompt = no\n[n]\nCN = unused\n";
    std::fs::write(folder.join("x.cnf"), config).expect("a file");
    let (alt, root) = (format!("subjectAltName={of}"), ["-CA", "root.pem", "-CAkey", "root.key"]);
    let leaf = [&root[..], &["-addext", "basicConstraints=critical,CA:FALSE", "-addext", &alt]].concat();
    for (name, more) in [("root", &["-addext", "basicConstraints=critical,CA:TRUE"][..]), ("line", &leaf)] {
        let (key, out, subject) = (format!("{name}.key"), format!("{name}.pem"), format!("/CN=A {name} of a test"));
        let curve =
            ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes", "-config", "x.cnf", "-days", "30"];
        tool(
            Command::new("openssl")
                .current_dir(folder)
                .args(["req", "-x509"])
                .args(curve)
                .args(["-subj", &subject, "-keyout", &key, "-out", &out])
                .args(more),
        );
    }
    (folder.join("root.pem"), folder.join("line.pem"), folder.join("line.key"))
}

/// The question with one byte changed.
fn changed(question: &[u8], at: usize) -> Vec<u8> {
    let mut out = question.to_vec();
    out[at] ^= 1;
    out
}

/// The body of a request with a length.
async fn read(line: &mut (impl AsyncRead + Unpin)) -> std::io::Result<Vec<u8>> {
    let mut read = Vec::new();
    loop {
        let mut piece = [0; 4096];
        let n = line.read(&mut piece).await?;
        read.extend_from_slice(&piece[..n]);
        if let Some(end) = read.windows(4).position(|w| w == b"\r\n\r\n") {
            let head = String::from_utf8_lossy(&read[..end]).to_ascii_lowercase();
            let length = head.lines().find_map(|l| l.strip_prefix("content-length:")?.trim().parse::<usize>().ok());
            if length.is_some_and(|l| read.len() >= end + 4 + l) {
                return Ok(read[end + 4..].to_vec());
            }
        }
        if n == 0 {
            return Err(std::io::ErrorKind::UnexpectedEof.into());
        }
    }
}
