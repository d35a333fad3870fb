//! The built server as a process of its own, over a data folder.

use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitStatus, Stdio};
use std::sync::mpsc;
use std::time::Duration;

use serde_json::Value;
use tempfile::TempDir;

use crate::ask::Anonymous;
use crate::engine::{self, Engine};
use crate::shadow::Watched;

/// How long a start may take before the test gives up. Reached only when something is broken.
const START: Duration = Duration::from_secs(60);

/// The program under test: `COUNTERFOIL_BIN`, else the one beside this test's build.
///
/// # Panics
/// When there is none: `tests/run` builds it first.
pub fn program() -> PathBuf {
    let built = || {
        let exe = std::env::current_exe().expect("the test's own path");
        // A test stands in `deps`, a program of the tests beside the one under test.
        let beside = exe.ancestors().skip(1).take(2).map(|folder| folder.join("counterfoil")).find(|p| p.is_file());
        beside.unwrap_or_else(|| exe.with_file_name("counterfoil"))
    };
    let program = std::env::var_os("COUNTERFOIL_BIN").map_or_else(built, PathBuf::from);
    assert!(program.is_file(), "{} is not there: build it first (tests/run does)", program.display());
    program
}

/// How a server is started.
#[derive(Clone, Debug, Default)]
pub struct How {
    /// Environment beside the test's own.
    pub env: Vec<(String, String)>,
    /// Arguments after `serve --data … --listen …`.
    pub args: Vec<String>,
    /// Which database, where the folder has none yet.
    pub engine: Engine,
}

impl How {
    /// With one more variable.
    #[must_use]
    pub fn env(mut self, name: &str, value: impl ToString) -> How {
        self.env.push((name.to_owned(), value.to_string()));
        self
    }

    /// With the file as its database, whatever the environment says: for tests that look into it.
    #[must_use]
    pub fn sqlite(mut self) -> How {
        self.engine = Engine::Sqlite;
        self
    }

    /// With PostgreSQL as its database.
    #[must_use]
    pub fn postgres(mut self) -> How {
        self.engine = Engine::Postgres;
        self
    }

    /// With one more argument.
    #[must_use]
    pub fn arg(mut self, arg: &str) -> How {
        self.args.push(arg.to_owned());
        self
    }
}

/// A running server. Dropped, it is killed, and its own folder, if it has one, removed.
#[derive(Debug)]
pub struct Server {
    child: Child,
    /// `http://127.0.0.1:<port>`.
    pub address: String,
    /// The token of the first start, while nobody is set up.
    pub set_up: Option<String>,
    /// Where it tells how it is, when it was asked to.
    pub operations: Option<String>,
    data: PathBuf,
    own: Option<TempDir>,
}

impl Server {
    /// A server over a new folder of its own.
    ///
    /// # Panics
    /// When it does not start; what it logged is shown.
    pub fn start() -> Server {
        Server::start_as(&How::default())
    }

    /// The same, told how.
    ///
    /// # Panics
    /// When it does not start; what it logged is shown.
    pub fn start_as(how: &How) -> Server {
        let own = tempfile::Builder::new().prefix("counterfoil-data-").tempdir().expect("a temporary folder");
        let mut server = Server::over(&own.path().join("data"), how);
        server.own = Some(own);
        server
    }

    /// A server over a watched folder: what it syncs is recorded.
    ///
    /// # Panics
    /// When it does not start; what it logged is shown.
    pub fn watched(watched: &Watched) -> Server {
        Server::over(&watched.data(), &How { env: watched.environment(), ..How::default() }.sqlite())
    }

    /// A server over an existing or new folder, which it leaves there.
    ///
    /// # Panics
    /// When it does not start; what it logged is shown.
    pub fn over(data: &Path, how: &How) -> Server {
        Server::try_over(data, how).unwrap_or_else(|said| panic!("the server did not become ready:\n{said}"))
    }

    /// The same, where it may refuse to start.
    ///
    /// # Errors
    /// What it logged and said while it did not become ready.
    ///
    /// # Panics
    /// When there is no program to run.
    pub fn try_over(data: &Path, how: &How) -> Result<Server, String> {
        let log = log_of(data);
        let errors =
            std::fs::File::options().create(true).append(true).open(&log).expect("a file for the server's log");
        let before = errors.metadata().map_or(0, |m| m.len());
        let mut child = Command::new(program())
            .args(["serve", "--listen", "127.0.0.1:0", "--data"])
            .arg(data)
            .args(engine::begin(data, how.engine))
            .args(&how.args)
            .envs(engine::STORE_KEYS)
            .envs(how.env.iter().map(|(k, v)| (k, v)))
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(errors)
            .spawn()
            .expect("start the server");
        let Some(ready) = ready_line(&mut child) else {
            let _ = child.kill();
            let ended = child.wait();
            let logged = std::fs::read_to_string(&log).unwrap_or_default();
            let said = usize::try_from(before).ok().and_then(|from| logged.get(from..)).unwrap_or_default();
            return Err(format!("{said}{ended:?}"));
        };
        let text = |name: &str| ready.get(name).and_then(Value::as_str).map(str::to_owned);
        let address = text("address").expect("an address in the ready line");
        let set_up = text("set_up").and_then(|link| link.split_once('#').map(|(_, token)| token.to_owned()));
        let operations = text("operations");
        Ok(Server { child, address, set_up, operations, data: data.to_owned(), own: None })
    }

    /// Somebody who is not signed in.
    pub fn anonymous(&self) -> Anonymous {
        Anonymous::at(&self.address)
    }

    /// `host:port`, for a bare connection.
    pub fn host(&self) -> &str {
        self.address.split_once("://").map_or(self.address.as_str(), |(_, host)| host)
    }

    /// Its data folder.
    pub fn data(&self) -> &Path {
        &self.data
    }

    /// What it has logged so far.
    pub fn log(&self) -> String {
        std::fs::read_to_string(log_of(&self.data)).unwrap_or_default()
    }

    /// Memory it holds now, in kilobytes (`VmRSS` of proc(5)).
    ///
    /// # Panics
    /// When it is not running.
    pub fn resident_kb(&self) -> u64 {
        self.status("VmRSS:")
    }

    /// The most memory it ever held, in kilobytes (`VmHWM` of proc(5)).
    ///
    /// # Panics
    /// When it is not running.
    pub fn peak_kb(&self) -> u64 {
        self.status("VmHWM:")
    }

    fn status(&self, name: &str) -> u64 {
        let path = format!("/proc/{}/status", self.child.id());
        let status = std::fs::read_to_string(path).expect("the server's status");
        let line = status.lines().find_map(|l| l.strip_prefix(name)).expect("memory in the status");
        line.trim().trim_end_matches(" kB").parse().expect("kilobytes")
    }

    /// Its process id.
    pub fn pid(&self) -> u32 {
        self.child.id()
    }

    /// `kill -9`, and waits until it is gone.
    ///
    /// # Panics
    /// When it cannot be killed.
    pub fn kill(&mut self) {
        self.child.kill().expect("kill the server");
        self.child.wait().expect("the killed server's end");
    }

    /// Asks it to stop (SIGTERM) and waits.
    ///
    /// # Panics
    /// When the signal cannot be sent.
    pub fn stop(&mut self) -> ExitStatus {
        self.tell_to_stop();
        self.ended()
    }

    /// Asks it to stop (SIGTERM) and does not wait.
    ///
    /// # Panics
    /// When the signal cannot be sent.
    pub fn tell_to_stop(&self) {
        let sent = Command::new("kill").args(["-TERM", &self.child.id().to_string()]).status().expect("kill(1)");
        assert!(sent.success(), "the stop signal was not sent");
    }

    /// Waits for its end.
    ///
    /// # Panics
    /// When it cannot be waited for.
    pub fn ended(&mut self) -> ExitStatus {
        self.child.wait().expect("the stopped server's end")
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        if matches!(self.child.try_wait(), Ok(None)) {
            let _ = self.child.kill();
            let _ = self.child.wait();
        }
        let failed = std::thread::panicking();
        if failed {
            let log = self.log();
            let from = log.char_indices().rev().nth(6_000).map_or(0, |(i, _)| i);
            eprintln!("---- what the server logged last ----\n{}\n----", &log[from..]);
        }
        let still = Path::new(&format!("/proc/{}", self.child.id())).exists();
        let removed = self.own.take().is_none_or(|own| own.close().is_ok());
        if !failed {
            assert!(!still, "the server is still there");
            assert!(removed, "the data folder could not be removed");
        }
    }
}

/// A subcommand that ran over a folder that no server has open.
#[derive(Debug)]
pub struct Checked {
    /// Whether it found nothing wrong, or did what it was asked (exit status 0).
    pub sound: bool,
    /// What it printed.
    pub said: String,
}

/// Runs `counterfoil check`.
///
/// # Panics
/// When the program cannot be run.
pub fn check(data: &Path) -> Checked {
    run("check", data, &[])
}

/// Runs `counterfoil new-epoch`.
///
/// # Panics
/// When the program cannot be run.
pub fn new_epoch(data: &Path, because: &str) -> Checked {
    run("new-epoch", data, &["--because", because])
}

/// Runs `counterfoil rotate-key`.
///
/// # Panics
/// When the program cannot be run.
pub fn rotate_key(data: &Path, because: &str, overlap_days: u32) -> Checked {
    run("rotate-key", data, &["--because", because, "--overlap-days", &overlap_days.to_string()])
}

/// Runs `counterfoil open-shop`.
///
/// # Panics
/// When the program cannot be run.
pub fn open_shop(data: &Path) -> Checked {
    run("open-shop", data, &["--public-url", "https://intake.example/"])
}

/// Runs `counterfoil new-password`.
///
/// # Panics
/// When the program cannot be run.
pub fn new_password(data: &Path, sign_in: &str, more: &[&str]) -> Checked {
    run("new-password", data, &[&["--sign-in", sign_in], more].concat())
}

fn run(what: &str, data: &Path, args: &[&str]) -> Checked {
    let mut command = Command::new(program());
    let done = command
        .args([what, "--data"])
        .arg(data)
        .args(engine::arguments(data))
        .args(args)
        .envs(engine::STORE_KEYS)
        .output()
        .expect("run the program");
    let said = format!("{}{}", String::from_utf8_lossy(&done.stdout), String::from_utf8_lossy(&done.stderr));
    Checked { sound: done.status.success(), said }
}

/// Beside the data folder, so that the folder holds what the server put there and nothing else.
fn log_of(data: &Path) -> PathBuf {
    data.with_extension("log")
}

/// Reads standard output up to the line `ready {…}`; the rest is read and dropped, so that the pipe never fills.
fn ready_line(child: &mut Child) -> Option<Value> {
    let out = child.stdout.take().expect("a piped standard output");
    let (say, heard) = mpsc::channel();
    std::thread::spawn(move || {
        for line in BufReader::new(out).lines() {
            let Ok(line) = line else { return };
            if let Some(json) = line.strip_prefix("ready ") {
                let _ = say.send(serde_json::from_str(json).expect("JSON in the ready line"));
            }
        }
    });
    heard.recv_timeout(START).ok()
}
