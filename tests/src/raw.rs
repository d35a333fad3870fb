//! Requests written by hand over a bare connection: what no library would send.

use std::time::Duration;

use reqwest::StatusCode;
use reqwest::header::{HeaderMap, HeaderName, HeaderValue};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;

use crate::ask::Answer;

/// How long a server may take to answer or to hang up before the test gives up. Reached only when something is broken.
const PATIENCE: Duration = Duration::from_secs(60);

/// What is done with the connection once everything was written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Then {
    /// Nothing: the client waits.
    Wait,
    /// It is shut for writing, as by a client that is gone.
    Shut,
    /// One further byte each time nothing came for so many milliseconds.
    Drip(u64),
}

/// Writes bytes, then reads to the end of the first answer, or of the connection: `None` where no answer came.
///
/// # Panics
/// When the server cannot be reached, or neither answers nor hangs up.
pub async fn ask(host: &str, request: &[u8], then: Then) -> Option<Answer> {
    let stream = TcpStream::connect(host).await.expect("connect");
    let (mut from, mut to) = stream.into_split();
    let request = request.to_vec();
    // Reading begins at once: a server may answer and hang up before it has read everything.
    let writing = tokio::spawn(async move {
        let done = to.write_all(&request).await;
        if done.is_ok() && then == Then::Shut {
            let _ = to.shutdown().await; // the answer says how it went
        }
        to
    });
    let reading = async {
        let (mut heard, mut piece, mut to) = (Vec::new(), vec![0; 64 * 1024], None);
        let mut writing = Some(writing);
        loop {
            if let Some(answer) = parse(&heard) {
                return Some(answer);
            }
            let read = from.read(&mut piece);
            let read = match then {
                Then::Drip(every) => match tokio::time::timeout(Duration::from_millis(every), read).await {
                    Ok(read) => read,
                    Err(_) => {
                        if let Some(task) = writing.take() {
                            to = Some(task.await.expect("the writer"));
                        }
                        let _ = to.as_mut().expect("the writer's half").write_all(b"x").await;
                        continue;
                    }
                },
                _ => read.await,
            };
            match read {
                Ok(n) if n > 0 => heard.extend_from_slice(&piece[..n]),
                _ => return parse(&heard),
            }
        }
    };
    tokio::time::timeout(PATIENCE, reading).await.expect("an answer, or the end of the connection")
}

/// The first whole answer in what was heard; an interim one (1xx) is passed over.
fn parse(heard: &[u8]) -> Option<Answer> {
    let end = heard.windows(4).position(|w| w == b"\r\n\r\n")?;
    let head = std::str::from_utf8(&heard[..end]).ok()?;
    let (mut lines, rest) = (head.split("\r\n"), &heard[end + 4..]);
    let status: u16 = lines.next()?.split(' ').nth(1)?.parse().ok()?;
    if (100..200).contains(&status) {
        return parse(rest);
    }
    let mut headers = HeaderMap::new();
    for (name, value) in lines.filter_map(|l| l.split_once(": ")) {
        headers.append(HeaderName::from_bytes(name.as_bytes()).ok()?, HeaderValue::from_str(value).ok()?);
    }
    let length: usize = headers.get("content-length").map_or(Some(0), |v| v.to_str().ok()?.parse().ok())?;
    let body = rest.get(..length)?.to_vec();
    Some(Answer { status: StatusCode::from_u16(status).ok()?, headers, body })
}
