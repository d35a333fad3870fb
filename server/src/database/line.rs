//! The line to a PostgreSQL server on the network. A network that is cut says nothing: whoever waits for an answer would wait for ever, and the
//! library behind the pool sets no bound to a statement, nor to its own questions on a connection that comes back to the pool.
//!
//! So what the library connects to is a socket of this process, in a folder that only this user may enter, and every connection is carried
//! from there. One on which something was asked and nothing moves for the bound is ended at both ends: the library then knows that the
//! connection is lost, and whoever waited is told to come again. The machine at the far end is asked for a sign of life as well
//! (keepalive), which finds lines that died while nobody asked.
//!
//! What is carried is not changed. Without TLS it is told from the messages' heads when an answer has ended; with TLS any bytes that
//! come count as the answer, and of a line that dies in the middle of one the keepalive tells.

use std::io;
use std::path::Path;
use std::time::Duration;

use rustix::net::sockopt;
use sqlx::postgres::PgConnectOptions;
use tempfile::TempDir;
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};
use tokio::net::{TcpStream, UnixListener, UnixStream};
use tokio::sync::watch;

/// How long an answer may be missing. Longer than a statement waits for a lock (`SETTINGS` in `postgres.rs`).
pub(super) const SILENCE: Duration = Duration::from_secs(15);
/// How long the far end may take to accept a connection.
const CONNECT: Duration = Duration::from_secs(5);
/// After so much quiet the far machine is asked whether it is there, so often, so many times.
const ALIVE: (Duration, Duration, u32) = (Duration::from_secs(15), Duration::from_secs(5), 3);
/// How long whoever asks may still say something when the far end has closed: what that said last, why it refuses most of all, is heard
/// only by somebody whose own words did not fail before.
const LINGER: Duration = Duration::from_secs(1);
/// How the folders of sockets are named.
const FOLDER: &str = "counterfoil-line-";
/// What is carried at once, bytes.
const PIECE: usize = 16 * 1024;

/// Opens the socket and carries what comes until the process ends. Gives the folder that the library is told as the server's (`?host=`).
///
/// # Errors
/// When there is no place for a socket.
pub(super) fn begin(to: &PgConnectOptions, silence: Duration) -> io::Result<String> {
    take_away_left_over(&std::env::temp_dir());
    let folder = tempfile::Builder::new().prefix(FOLDER).tempdir()?;
    let port = to.get_port();
    // Where the library looks it stands only once it takes connections: nobody takes it for a left-over one.
    let first = folder.path().join("new");
    let listener = UnixListener::bind(&first)?;
    std::fs::rename(&first, folder.path().join(format!(".s.PGSQL.{port}")))?;
    let named =
        folder.path().to_str().ok_or_else(|| io::Error::other("the temporary folder's name is no text"))?.to_owned();
    let host = to.get_host().trim_matches(['[', ']']).to_owned();
    tokio::spawn(accept(listener, folder, (host, port), silence));
    Ok(named)
}

/// Whether a folder is one of ours.
pub(super) fn is_ours(folder: &str) -> bool {
    Path::new(folder).file_name().is_some_and(|name| name.to_string_lossy().starts_with(FOLDER))
}

async fn accept(listener: UnixListener, folder: TempDir, to: (String, u16), silence: Duration) {
    // Gone with this task.
    let _folder = folder;
    loop {
        match listener.accept().await {
            Ok((near, _)) => {
                let to = to.clone();
                tokio::spawn(async move {
                    if let Err(e) = connect_and_carry(near, &to, silence).await {
                        tracing::warn!(error = %e, "a line to the database was lost");
                    }
                });
            }
            Err(e) => {
                // Too many files are open: some close.
                tracing::warn!(error = %e, "a line to the database could not begin");
                tokio::time::sleep(Duration::from_millis(100)).await;
            }
        }
    }
}

async fn connect_and_carry(near: UnixStream, (host, port): &(String, u16), silence: Duration) -> io::Result<()> {
    let far = tokio::time::timeout(CONNECT, TcpStream::connect((host.as_str(), *port)));
    let far = far
        .await
        .map_err(|_| io::Error::new(io::ErrorKind::TimedOut, "the database's address takes no connection"))??;
    far.set_nodelay(true)?;
    sockopt::set_socket_keepalive(&far, true)?;
    sockopt::set_tcp_keepidle(&far, ALIVE.0)?;
    sockopt::set_tcp_keepintvl(&far, ALIVE.1)?;
    sockopt::set_tcp_keepcnt(&far, ALIVE.2)?;
    carry(near, far, silence).await
}

/// Carries both ways until either end closes, or an answer is missing for too long.
async fn carry(
    near: impl AsyncRead + AsyncWrite,
    far: impl AsyncRead + AsyncWrite,
    silence: Duration,
) -> io::Result<()> {
    let (mut near_read, mut near_write) = tokio::io::split(near);
    let (mut far_read, mut far_write) = tokio::io::split(far);
    let (owed, mut quiet) = watch::channel(false);
    let up = async {
        let (mut piece, mut takes) = (vec![0; PIECE], true);
        loop {
            let n = near_read.read(&mut piece).await?;
            if n == 0 {
                return if takes { far_write.shutdown().await } else { Ok(()) };
            }
            // Before it is written: a line that takes nothing in is as silent.
            owed.send_replace(true);
            if takes {
                let sent = async { far_write.write_all(&piece[..n]).await.and(far_write.flush().await) };
                // What it said before it closed is still to be carried.
                takes = sent.await.is_ok();
            }
        }
    };
    let down = async {
        let (mut piece, mut answer) = (vec![0; PIECE], Answer::default());
        loop {
            let n = far_read.read(&mut piece).await?;
            if n == 0 {
                near_write.shutdown().await?;
                tokio::time::sleep(LINGER).await;
                return Ok(());
            }
            owed.send_modify(|owed| *owed &= !answer.ends_with(&piece[..n]));
            near_write.write_all(&piece[..n]).await?;
            near_write.flush().await?;
        }
    };
    let watch = async {
        loop {
            // The channel's other half lives as long as this.
            let _ = quiet.wait_for(|owed| *owed).await;
            if tokio::time::timeout(silence, quiet.changed()).await.is_err() {
                return Err(io::Error::new(io::ErrorKind::TimedOut, "the database does not answer"));
            }
        }
    };
    tokio::select! {
        ended = up => ended,
        ended = down => ended,
        silent = watch => silent,
    }
}

/// Follows what the server says, message by message (postgresql.org/docs/current/protocol-overview.html: a byte that says which, then the
/// length of the rest with itself, four bytes).
#[derive(Default)]
struct Answer {
    /// Whether anything came yet.
    begun: bool,
    /// What follows is TLS: nothing more can be told.
    sealed: bool,
    head: Vec<u8>,
    /// Bytes of the message that are still to come.
    left: usize,
}

/// The server waits for the next question.
const READY: u8 = b'Z';

impl Answer {
    /// Takes in what came; gives whether nothing more is owed after it.
    fn ends_with(&mut self, mut came: &[u8]) -> bool {
        if !self.begun
            && let Some(first) = came.first()
        {
            self.begun = true;
            // The answer to a wish for TLS is one byte by itself. No message of a server's that begins a connection is named so.
            match first {
                b'S' => self.sealed = true,
                b'N' => came = &came[1..],
                _ => {}
            }
        }
        if self.sealed {
            return true;
        }
        while !came.is_empty() {
            if self.left == 0 && self.head.len() == 5 {
                self.head.clear();
            }
            if self.left > 0 {
                let some = self.left.min(came.len());
                self.left -= some;
                came = &came[some..];
                continue;
            }
            let some = (5 - self.head.len()).min(came.len());
            self.head.extend_from_slice(&came[..some]);
            came = &came[some..];
            if let [_, a, b, c, d] = self.head[..] {
                let length = usize::try_from(u32::from_be_bytes([a, b, c, d])).unwrap_or(usize::MAX);
                self.left = length.saturating_sub(4);
            }
        }
        self.left == 0 && self.head.len() == 5 && self.head[0] == READY
    }
}

/// Takes away folders of processes that were killed: their sockets refuse. Another user's cannot be taken away.
fn take_away_left_over(temporary: &Path) {
    let Ok(entries) = std::fs::read_dir(temporary) else { return };
    let ours = entries.flatten().filter(|e| e.file_name().to_string_lossy().starts_with(FOLDER));
    for folder in ours.map(|e| e.path()) {
        let sockets = std::fs::read_dir(&folder).into_iter().flatten().flatten().map(|e| e.path());
        let mut sockets = sockets.filter(|p| p.file_name().is_some_and(|n| n != "new"));
        let refuses = |socket: &Path| {
            std::os::unix::net::UnixStream::connect(socket).is_err_and(|e| e.kind() == io::ErrorKind::ConnectionRefused)
        };
        if sockets.any(|socket| refuses(&socket)) {
            let _ = std::fs::remove_dir_all(&folder);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn message(kind: u8, body: &[u8]) -> Vec<u8> {
        let length = u32::try_from(body.len() + 4).expect("short");
        [&[kind], &length.to_be_bytes()[..], body].concat()
    }

    #[test]
    fn an_answer_has_ended_when_the_server_waits_again_wherever_it_was_cut() {
        let said = [message(b'T', b"Z\0\0\0\x05I"), message(b'D', &[b'Z'; 300]), message(b'Z', b"I")].concat();
        for cut in 1..said.len() {
            let mut answer = Answer::default();
            assert!(!answer.ends_with(&said[..cut]), "{cut}");
            assert!(answer.ends_with(&said[cut..]), "{cut}");
            // Word of something that nobody asked for ends nothing.
            assert!(!answer.ends_with(&message(b'A', b"Z\0\0\0\x05I")));
            assert!(answer.ends_with(&message(b'Z', b"T")));
        }
        // No TLS: one byte by itself.
        let mut answer = Answer::default();
        assert!(!answer.ends_with(b"N"));
        assert!(!answer.ends_with(&message(b'R', &[0; 4])));
        assert!(answer.ends_with(&message(b'Z', b"I")));
        // TLS: not to be looked into.
        let mut answer = Answer::default();
        assert!(answer.ends_with(b"S"));
        assert!(answer.ends_with(b"\x16\x03\x03"));
    }

    #[tokio::test]
    async fn who_asked_and_hears_nothing_is_cut_off() {
        let (mut near, here) = tokio::io::duplex(1024);
        let (there, mut far) = tokio::io::duplex(1024);
        let line = tokio::spawn(carry(here, there, Duration::from_millis(300)));
        let ready = message(b'Z', b"I");
        for _ in 0..3 {
            near.write_all(b"asked").await.expect("a line");
            let mut asked = [0; 5];
            far.read_exact(&mut asked).await.expect("a line");
            far.write_all(&ready).await.expect("a line");
            let mut answer = vec![0; ready.len()];
            near.read_exact(&mut answer).await.expect("a line");
            assert_eq!(answer, ready);
        }
        // Half an answer is none.
        near.write_all(b"asked").await.expect("a line");
        far.write_all(&ready[..3]).await.expect("a line");
        let mut rest = Vec::new();
        near.read_to_end(&mut rest).await.expect("an end");
        assert_eq!(rest, &ready[..3]);
        let ended = line.await.expect("no panic").expect_err("cut");
        assert_eq!(ended.kind(), io::ErrorKind::TimedOut);
        let mut seen = Vec::new();
        far.read_to_end(&mut seen).await.expect("the far end is closed too");
    }

    #[tokio::test]
    async fn why_the_far_end_closed_is_heard_by_somebody_who_was_still_speaking() {
        let (mut near, here) = tokio::io::duplex(1024);
        let (there, mut far) = tokio::io::duplex(1024);
        let line = tokio::spawn(carry(here, there, Duration::from_secs(60)));
        far.write_all(b"no such certificate").await.expect("a line");
        drop(far);
        for _ in 0..100 {
            near.write_all(&[0; 1000]).await.expect("it is taken in");
        }
        let mut heard = Vec::new();
        near.read_to_end(&mut heard).await.expect("an end");
        assert_eq!(heard, b"no such certificate");
        near.write_all(b"and still").await.expect("it is taken in");
        drop(near);
        line.await.expect("no panic").expect("closed");
    }

    #[test]
    fn what_a_killed_process_left_is_taken_away_and_nothing_else() {
        let temporary = tempfile::tempdir().expect("a folder");
        let at = |name: &str| {
            let folder = temporary.path().join(name);
            std::fs::create_dir(&folder).expect("a folder");
            folder
        };
        let (left, alive, other) = (at("counterfoil-line-a"), at("counterfoil-line-b"), at("something-else"));
        drop(std::os::unix::net::UnixListener::bind(left.join(".s.PGSQL.5432")).expect("a socket"));
        drop(std::os::unix::net::UnixListener::bind(other.join(".s.PGSQL.5432")).expect("a socket"));
        let _serves = std::os::unix::net::UnixListener::bind(alive.join(".s.PGSQL.5432")).expect("a socket");
        take_away_left_over(temporary.path());
        assert_eq!([left.exists(), alive.exists(), other.exists()], [false, true, true]);
    }
}
