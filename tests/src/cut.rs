//! A line on loopback to a PostgreSQL server's socket, which is cut as a test says: now, or when what passes says that it is time. Where bytes
//! were swallowed the connection stays open and silent at both ends, as it does when a network is cut, until the line is mended; then
//! it is reset, since nothing on it can be right any more.

use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream, UnixStream};
use tokio::sync::watch;

/// How the line is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum State {
    /// Everything passes.
    Good,
    /// What comes is swallowed, both ways; connections stay open, new ones too.
    Hole,
    /// The same for what goes to the database alone.
    DeafUp,
    /// The same for what comes from it alone.
    DeafDown,
    /// Every connection is reset, new ones too.
    Refused,
}

/// What happens when a trap is met.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Then {
    /// The connection is reset before the database hears.
    Reset,
    /// The database hears; what it answers is lost, and the connection reset.
    AnswerLost,
    /// The database does not hear, nor does anybody again on this connection.
    Frozen,
    /// The whole line is so from here on.
    All(State),
}

/// When.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum When {
    /// With the so many-th thing said to the database from now on, on whichever connection; 0: the next.
    Said(u64),
    /// With the next commit.
    Commit,
    /// With the commit of the transaction that wrote something about this intake, by its id as text.
    CommitAbout([u8; 36]),
}

struct Line {
    far: PathBuf,
    state: watch::Sender<State>,
    trap: Mutex<Option<(When, Then)>>,
    met: watch::Sender<u64>,
}

/// The line.
pub struct Cut {
    /// Where the server is to connect to.
    pub port: u16,
    line: Arc<Line>,
}

/// How sqlx and libpq end a transaction, as a message of its own.
const COMMIT: &[u8] = b"COMMIT\0";

impl Cut {
    /// A good line to the socket in this folder.
    ///
    /// # Panics
    /// When no port is free.
    pub async fn to(folder: &Path) -> Cut {
        let listener = TcpListener::bind("127.0.0.1:0").await.expect("a free port");
        let port = listener.local_addr().expect("its address").port();
        let line = Arc::new(Line {
            far: folder.join(".s.PGSQL.5432"),
            state: watch::Sender::new(State::Good),
            trap: Mutex::new(None),
            met: watch::Sender::new(0),
        });
        let carried = line.clone();
        tokio::spawn(async move {
            while let Ok((near, _)) = listener.accept().await {
                let line = carried.clone();
                tokio::spawn(async move {
                    // An end is an end: what it was is the test's business.
                    let _ = line.carry(near).await;
                });
            }
        });
        Cut { port, line }
    }

    /// Sets a trap; one at a time.
    ///
    /// # Panics
    /// When one is set that was not met.
    pub fn set(&self, when: When, then: Then) {
        let mut trap = self.line.trap.lock().expect("no panic while it is held");
        assert_eq!(trap.replace((when, then)), None, "the trap before was not met");
    }

    /// Is so from now on.
    pub fn be(&self, state: State) {
        self.line.state.send_replace(state);
    }

    /// Waits until so many traps were met.
    ///
    /// # Panics
    /// Never: the line is as long there as this.
    pub async fn met(&self, traps: u64) {
        self.line.met.subscribe().wait_for(|met| *met >= traps).await.expect("the line is there");
    }
}

impl Line {
    async fn carry(&self, mut near: TcpStream) -> std::io::Result<()> {
        let mut told = self.state.subscribe();
        if *told.borrow_and_update() == State::Refused {
            return near.set_zero_linger();
        }
        let mut far = UnixStream::connect(&self.far).await?;
        let (mut up, mut down) = (vec![0; 16 * 1024], vec![0; 16 * 1024]);
        // Whether anything was swallowed, whether the near end has gone where nobody far heard of it, and whether all is over here.
        let (mut swallowed, mut gone, mut frozen) = (false, false, false);
        // Whether the transaction on it is about the intake of a trap.
        let mut about = false;
        loop {
            let (state, mended) = {
                let now = told.borrow_and_update();
                (*now, now.has_changed() && *now == State::Good)
            };
            if state == State::Refused || (mended && (swallowed || gone || frozen)) {
                return near.set_zero_linger();
            }
            tokio::select! {
                // How the line is comes before what is said on it: a cut holds from the moment at which it is told.
                biased;
                _ = told.changed() => {}
                read = near.read(&mut up), if !gone => {
                    let n = read.unwrap_or(0);
                    let heard = !frozen && !matches!(state, State::Hole | State::DeafUp);
                    if n == 0 {
                        if heard {
                            return Ok(());
                        }
                        gone = true;
                        continue;
                    }
                    if !heard {
                        swallowed = true;
                        continue;
                    }
                    match self.trapped(&up[..n], &mut about) {
                        None => far.write_all(&up[..n]).await?,
                        Some(Then::Reset) => return near.set_zero_linger(),
                        Some(Then::AnswerLost) => {
                            far.write_all(&up[..n]).await?;
                            // However much of the answer came: none of it is passed on.
                            let _lost = (&mut far).take(1).read_to_end(&mut down).await?;
                            return near.set_zero_linger();
                        }
                        Some(Then::Frozen) => frozen = true,
                        Some(Then::All(_)) => swallowed = true,
                    }
                }
                read = far.read(&mut down) => {
                    let n = read?;
                    if n == 0 {
                        return near.set_zero_linger();
                    }
                    if frozen || matches!(state, State::Hole | State::DeafDown) {
                        swallowed = true;
                    } else if !gone {
                        near.write_all(&down[..n]).await?;
                    }
                }
            }
        }
    }

    fn trapped(&self, said: &[u8], about: &mut bool) -> Option<Then> {
        let mut trap = self.trap.lock().expect("no panic while it is held");
        let (when, then) = (*trap)?;
        let now = match when {
            When::Said(0) => true,
            When::Said(n) => {
                *trap = Some((When::Said(n - 1), then));
                false
            }
            When::Commit => has(said, COMMIT),
            When::CommitAbout(intake) => {
                *about |= has(said, &intake);
                let ends = has(said, COMMIT);
                ends && std::mem::take(about)
            }
        };
        if !now {
            return None;
        }
        *trap = None;
        if let Then::All(state) = then {
            // Before anybody hears that it was met.
            self.state.send_replace(state);
        }
        self.met.send_modify(|met| *met += 1);
        Some(then)
    }
}

fn has(said: &[u8], what: &[u8]) -> bool {
    said.windows(what.len()).any(|w| w == what)
}
