//! A collector of traces on loopback: it keeps what it is sent, or behaves as a bad one does.

use std::sync::{Arc, Mutex};
use std::time::Duration;

use serde_json::Value;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::Notify;

/// How it behaves.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Mood {
    /// It takes everything.
    Good,
    /// It answers so.
    Status(u16),
    /// It reads and never says anything.
    Silent,
}

/// How long a test waits for what is to come. Reached only when something is broken.
const WITHIN: Duration = Duration::from_secs(30);
/// Bytes of one sending at most.
const MOST: usize = 8 << 20;

/// What it got.
#[derive(Debug, Default)]
struct Got {
    /// Requests, whatever they were answered.
    asked: u64,
    /// Bodies that it took.
    bodies: Vec<Value>,
    /// Heads of requests, as they came.
    heads: Vec<String>,
}

/// The server. It ends with the test.
#[derive(Clone, Debug)]
pub struct Collector {
    /// Its address.
    pub url: String,
    mood: Arc<Mutex<Mood>>,
    got: Arc<Mutex<Got>>,
    more: Arc<Notify>,
}

impl Collector {
    /// A server.
    ///
    /// # Panics
    /// When it cannot listen.
    pub async fn start(mood: Mood) -> Collector {
        let listener = TcpListener::bind("127.0.0.1:0").await.expect("a port");
        let url = format!("http://{}", listener.local_addr().expect("its address"));
        let collector = Collector { url, mood: Arc::new(Mutex::new(mood)), got: Arc::default(), more: Arc::default() };
        let this = collector.clone();
        tokio::spawn(async move {
            while let Ok((line, _)) = listener.accept().await {
                let this = this.clone();
                // A program that was killed meanwhile broke off: that is what some tests are about.
                tokio::spawn(async move { drop(this.serve(line).await) });
            }
        });
        collector
    }

    /// From now on it behaves so.
    ///
    /// # Panics
    /// Never.
    pub fn becomes(&self, mood: Mood) {
        *self.mood.lock().expect("a mood") = mood;
    }

    async fn serve(&self, mut line: TcpStream) -> std::io::Result<()> {
        let mut read = Vec::new();
        let end = loop {
            if let Some(at) = read.windows(4).position(|w| w == b"\r\n\r\n") {
                break at + 4;
            }
            let mut piece = [0; 16 * 1024];
            let n = line.read(&mut piece).await?;
            if n == 0 || read.len() > MOST {
                return Ok(());
            }
            read.extend_from_slice(&piece[..n]);
        };
        let head = String::from_utf8_lossy(&read[..end]).to_lowercase();
        let length = head.lines().find_map(|l| l.strip_prefix("content-length: "));
        let length: usize = length.and_then(|n| n.trim().parse().ok()).filter(|n| *n <= MOST).unwrap_or(0);
        let mut body = read.split_off(end);
        let there = body.len();
        body.resize(length, 0);
        line.read_exact(&mut body[there.min(length)..]).await?;
        let mood = *self.mood.lock().expect("a mood");
        {
            let mut got = self.got.lock().expect("what it got");
            got.asked += 1;
            if mood == Mood::Good {
                got.bodies.push(serde_json::from_slice(&body).expect("JSON"));
            }
            got.heads.push(head);
        }
        self.more.notify_waiters();
        let status = match mood {
            Mood::Good => 200,
            Mood::Status(status) => status,
            Mood::Silent => {
                tokio::io::copy(&mut line, &mut tokio::io::sink()).await?;
                return Ok(());
            }
        };
        let answer = format!("HTTP/1.1 {status} X\r\nContent-Type: application/json\r\nContent-Length: 2\r\n\r\n{{}}");
        line.write_all(answer.as_bytes()).await?;
        line.shutdown().await
    }

    /// How often it was asked so far.
    ///
    /// # Panics
    /// Never.
    pub fn asked(&self) -> u64 {
        self.got.lock().expect("what it got").asked
    }

    /// Heads of requests so far.
    ///
    /// # Panics
    /// Never.
    pub fn heads(&self) -> Vec<String> {
        self.got.lock().expect("what it got").heads.clone()
    }

    /// Whole bodies so far.
    ///
    /// # Panics
    /// Never.
    pub fn bodies(&self) -> Vec<Value> {
        self.got.lock().expect("what it got").bodies.clone()
    }

    /// Every span so far.
    pub fn spans(&self) -> Vec<Value> {
        let list = |of: &Value, name: &str| of[name].as_array().cloned().unwrap_or_default();
        let scopes = self.bodies().into_iter().flat_map(|b| list(&b, "resourceSpans"));
        scopes.flat_map(|r| list(&r, "scopeSpans")).flat_map(|s| list(&s, "spans")).collect()
    }

    /// Waits until this is so of it.
    ///
    /// # Panics
    /// When it never is.
    pub async fn until(&self, what: &str, mut is: impl FnMut(&Collector) -> bool) {
        let wait = async {
            loop {
                let more = self.more.notified();
                tokio::pin!(more);
                more.as_mut().enable();
                if is(self) {
                    return;
                }
                more.await;
            }
        };
        let came = tokio::time::timeout(WITHIN, wait).await.is_ok();
        let names: Vec<Value> = self.spans().iter().map(|s| s["name"].clone()).collect();
        assert!(came, "{what} never comes; there were {names:?}");
    }
}

/// What a span says under a key.
pub fn said(span: &Value, key: &str) -> Value {
    let all = span["attributes"].as_array().cloned().unwrap_or_default();
    let one = all.into_iter().find(|a| a["key"] == key).unwrap_or_default();
    one["value"].as_object().and_then(|v| v.values().next().cloned()).unwrap_or_default()
}
