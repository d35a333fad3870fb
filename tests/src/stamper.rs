//! A stamping authority as a server: openssl answers what comes by HTTP, or something else does.

use std::path::Path;
use std::sync::{Arc, Mutex};

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::mpsc;

use crate::authority::{Authority, Kind};

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
        let authority = Arc::new(Authority::new(folder, kind));
        let listener = TcpListener::bind("127.0.0.1:0").await.expect("a port");
        let url = format!("http://{}/stamp", listener.local_addr().expect("its address"));
        let mood = Arc::new(Mutex::new(mood));
        let (say, asked) = mpsc::unbounded_channel();
        let moods = mood.clone();
        tokio::spawn(async move {
            while let Ok((line, _)) = listener.accept().await {
                let now = *moods.lock().expect("a mood");
                let (authority, say) = (authority.clone(), say.clone());
                tokio::spawn(async move {
                    // Whoever asks may have gone: that is what some tests are about.
                    drop(serve(line, &authority, now, &say).await);
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
    mut line: TcpStream,
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

/// The question with one byte changed.
fn changed(question: &[u8], at: usize) -> Vec<u8> {
    let mut out = question.to_vec();
    out[at] ^= 1;
    out
}

/// The body of a request with a length.
async fn read(line: &mut TcpStream) -> std::io::Result<Vec<u8>> {
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
