//! A PostgreSQL cluster for tests, on a socket in a temporary folder, with every setting that guards data as it comes: of the
//! programs installed here or, where `COUNTERFOIL_TEST_CONTAINERS` names an image or none are installed, in a container.
//!
//! A shell of its own starts it and reads what it is told from a pipe. The pipe closes when the process that asked for the
//! cluster ends, however it ends; then the shell takes server and folder away.

pub mod garage;
mod held;
pub mod store;

use std::fs;
use std::os::unix::fs::chown;
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::OnceLock;
use std::sync::atomic::{AtomicU32, Ordering};

use held::Held;

/// Names the socket folder of a cluster that is there already, so that many test programs share one.
pub const SHARED: &str = "COUNTERFOIL_TEST_CLUSTER";

/// Names the image whose PostgreSQL is used instead of the one installed here.
const CONTAINERS: &str = "COUNTERFOIL_TEST_CONTAINERS";
/// The image where none is named and no program is installed.
const IMAGE: &str = "postgres:15-bookworm";
/// Where an image has the programs.
const IN_IMAGE: &str = "/usr/lib/postgresql/15/bin";

const SHELL: &str = r#"
trap '' INT TERM HUP
begin() {
    "$2/postgres" -D "$1/data" -k "$1" -c listen_addresses= -c max_connections=300 >>"$1/log" 2>&1 &
    server=$!
    until "$2/pg_isready" -q -h "$1" -U postgres; do kill -0 "$server" 2>/dev/null || { cat "$1/log" >&2; echo failed; exit 1; }; done
    echo ready
}
end() { kill -QUIT "$server" && wait "$server"; }
"$2/initdb" -D "$1/data" -U postgres -A trust -E UTF8 --locale=C.UTF-8 -N >"$1/log" 2>&1 || { cat "$1/log" >&2; echo failed; exit 1; }
begin "$@"
while read -r told; do
    case $told in stop) end; echo stopped ;; start) begin "$@" ;; esac
done
end 2>/dev/null
rm -rf "$1"
"#;

/// A running cluster.
#[derive(Debug)]
pub struct Cluster {
    folder: PathBuf,
    held: Option<Held>,
}

impl Cluster {
    /// A new one.
    ///
    /// # Panics
    /// When PostgreSQL is not installed, no container can be had, or it does not start.
    pub fn start() -> Cluster {
        let folder = tempfile::Builder::new().prefix("counterfoil-pg-").tempdir().expect("a temporary folder").keep();
        let mut command = match image() {
            Some(image) => {
                let mut command = Command::new(beside("container"));
                command.arg(image).arg(&folder);
                command
            }
            None => {
                let mut command = Command::new("sh");
                if let Some((user, group)) = other_user(&folder) {
                    chown(&folder, Some(user), Some(group)).expect("a folder for the database's user");
                    command.uid(user).gid(group);
                }
                command.args(["-c", SHELL, "sh"]).args([&folder, &programs().expect(MISSING)]);
                command
            }
        };
        let mut held = Held::start(command.current_dir(&folder));
        held.expect("ready");
        Cluster { folder, held: Some(held) }
    }

    /// The one of this process, or the shared one.
    fn of_this_process() -> &'static Cluster {
        static ONE: OnceLock<Cluster> = OnceLock::new();
        ONE.get_or_init(|| match std::env::var_os(SHARED) {
            Some(folder) => Cluster { folder: folder.into(), held: None },
            None => Cluster::start(),
        })
    }

    /// Makes a database and gives its address.
    ///
    /// # Panics
    /// When it cannot be made.
    pub fn database(&self) -> String {
        self.made_from("template1")
    }

    fn made_from(&self, template: &str) -> String {
        static MADE: AtomicU32 = AtomicU32::new(0);
        let name = format!("t{}x{}", std::process::id(), MADE.fetch_add(1, Ordering::SeqCst));
        let mut made = program(&self.folder, "createdb");
        let done = made
            .arg("-h")
            .arg(&self.folder)
            .args(["-U", "postgres", "-T", template, &name])
            .output()
            .expect("run createdb");
        assert!(done.status.success(), "no database: {}", String::from_utf8_lossy(&done.stderr));
        self.address(&name)
    }

    /// The address of a database of this cluster.
    fn address(&self, name: &str) -> String {
        format!("postgres://postgres@localhost/{name}?host={}", self.folder.display())
    }

    /// Stops it as a crash does: nothing is finished.
    ///
    /// # Panics
    /// When it cannot be stopped.
    pub fn crash(&mut self) {
        self.held().tell("stop");
        self.held().expect("stopped");
    }

    /// Starts it again.
    ///
    /// # Panics
    /// When it does not start.
    pub fn start_again(&mut self) {
        self.held().tell("start");
        self.held().expect("ready");
    }

    /// The folder of its socket.
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    fn held(&mut self) -> &mut Held {
        self.held.as_mut().expect("a cluster of our own")
    }
}

/// Makes a database in the cluster of this process, or in the shared one, and gives its address.
///
/// # Panics
/// When PostgreSQL is not installed, or anything fails.
pub fn database() -> String {
    Cluster::of_this_process().database()
}

/// Makes a copy of a database that nobody uses, and gives its address.
///
/// # Panics
/// When it cannot be made.
pub fn copy_of(address: &str) -> String {
    let name = address.split('?').next().and_then(|a| a.rsplit('/').next());
    Cluster::of_this_process().made_from(name.expect("a database's name"))
}

/// Runs a program of PostgreSQL's over a database, such as `psql`, and gives what it printed.
///
/// # Panics
/// When it fails.
pub fn run(name: &str, args: &[&str], address: &str) -> String {
    let folder = address.rsplit_once("?host=").expect("the address of a database of ours").1;
    let done = program(Path::new(folder), name).args(args).arg(address).output().expect("run it");
    assert!(done.status.success(), "{name}: {}", String::from_utf8_lossy(&done.stderr));
    String::from_utf8_lossy(&done.stdout).into_owned()
}

/// A program of PostgreSQL's, of the version that a cluster's folder belongs to.
fn program(folder: &Path, name: &str) -> Command {
    match fs::read_to_string(folder.join("container")) {
        Ok(id) => {
            let mut command = Command::new("docker");
            command.args(["exec", &id, &format!("{IN_IMAGE}/{name}")]);
            command
        }
        Err(_) => Command::new(programs().expect(MISSING).join(name)),
    }
}

/// The image to use; none where the programs installed here are.
fn image() -> Option<String> {
    let named = std::env::var(CONTAINERS).ok().filter(|i| !i.is_empty());
    named.or_else(|| programs().is_none().then(|| IMAGE.to_owned()))
}

/// A program of the tests that was built beside this one.
fn beside(name: &str) -> PathBuf {
    let here = std::env::current_exe().expect("this program's path");
    let found = here.ancestors().skip(1).take(2).map(|folder| folder.join(name)).find(|p| p.is_file());
    found.unwrap_or_else(|| panic!("{name} is not built: cargo build --release --workspace"))
}

const MISSING: &str =
    "PostgreSQL is not installed: apt-get install postgresql (it needs not run), or start a Docker engine";

/// Where the newest installed version has its programs.
fn programs() -> Option<PathBuf> {
    let versions = fs::read_dir("/usr/lib/postgresql").into_iter().flatten().flatten();
    let newest = versions.filter_map(|v| v.file_name().to_str()?.parse::<u32>().ok()).max();
    newest.map(|v| PathBuf::from(format!("/usr/lib/postgresql/{v}/bin"))).filter(|f| f.join("initdb").is_file())
}

/// PostgreSQL refuses to run for root: then the user and group that its package made.
fn other_user(folder: &Path) -> Option<(u32, u32)> {
    use std::os::unix::fs::MetadataExt;
    if fs::metadata(folder).expect("the folder").uid() != 0 {
        return None;
    }
    let users = fs::read_to_string("/etc/passwd").expect("the list of users");
    let line = users.lines().find(|l| l.starts_with("postgres:"));
    let mut fields =
        line.expect("PostgreSQL's package made no user postgres: apt-get install postgresql").split(':').skip(2);
    let mut number = || fields.next().and_then(|f| f.parse().ok()).expect("a number in /etc/passwd");
    Some((number(), number()))
}
