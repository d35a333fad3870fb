//! A PostgreSQL cluster for tests, on a socket in a temporary folder, with every setting that guards data as it comes: of the
//! programs installed here or, where `COUNTERFOIL_TEST_CONTAINERS` names an image or none are installed, in a container.
//!
//! A shell of its own starts it and reads what it is told from a pipe. The pipe closes when the process that asked for the
//! cluster ends, however it ends; then the shell takes server and folder away.

pub mod garage;
mod held;
pub mod store;

use std::fs;
use std::net::TcpListener;
use std::os::unix::fs::{MetadataExt, PermissionsExt, chown};
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
folder=$1 programs=$2; shift 2
begin() {
    "$programs/postgres" -D "$folder/data" -k "$folder" -c listen_addresses= -c max_connections=300 "$@" >>"$folder/log" 2>&1 &
    server=$!
    until "$programs/pg_isready" -q -h "$folder" -U postgres; do kill -0 "$server" 2>/dev/null || { cat "$folder/log" >&2; echo failed; exit 1; }; done
    echo ready
}
end() { kill -QUIT "$server" && wait "$server"; }
"$programs/initdb" -D "$folder/data" -U postgres -A trust -E UTF8 --locale=C.UTF-8 -N >"$folder/log" 2>&1 || { cat "$folder/log" >&2; echo failed; exit 1; }
begin "$@"
while read -r told; do
    case $told in stop) end; echo stopped ;; start) begin "$@" ;; esac
done
end 2>/dev/null
rm -rf "$folder"
"#;

/// A running cluster.
#[derive(Debug)]
pub struct Cluster {
    folder: PathBuf,
    /// Of its socket's name, and on the network where it is there; as PostgreSQL has it where none is said.
    port: Option<u16>,
    held: Option<Held>,
}

/// Who is let in over the network: whoever shows a certificate for the account.
const BY_CERTIFICATE: &str = "local all postgres trust\nhostssl all all 127.0.0.1/32 cert clientcert=verify-full\n";

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
            None => shell(&folder),
        };
        let mut held = Held::start(command.current_dir(&folder));
        held.expect("ready");
        Cluster { folder, port: None, held: Some(held) }
    }

    /// A new one of the programs installed here that is on this machine's network as well, by TLS, and lets in there whoever shows a
    /// certificate for the account. `made` puts `server.pem`, `server.key` and `clients.pem`, whom it trusts, into its folder.
    ///
    /// # Panics
    /// When PostgreSQL is not installed, or does not start.
    pub fn by_certificate(made: impl FnOnce(&Path)) -> Cluster {
        let folder = tempfile::Builder::new().prefix("counterfoil-pg-").tempdir().expect("a temporary folder").keep();
        made(&folder);
        fs::write(folder.join("hba.conf"), BY_CERTIFICATE).expect("a file");
        let mut command = shell(&folder);
        own_files(&folder);
        let free = TcpListener::bind(("127.0.0.1", 0)).and_then(|l| l.local_addr()).expect("a free port");
        let at = |name: &str| folder.join(name).display().to_string();
        let set = [
            ("listen_addresses", "127.0.0.1".to_owned()),
            ("ssl", "on".to_owned()),
            ("ssl_cert_file", at("server.pem")),
            ("ssl_key_file", at("server.key")),
            ("ssl_ca_file", at("clients.pem")),
            ("hba_file", at("hba.conf")),
        ];
        command.args(set.iter().flat_map(|(name, value)| ["-c".to_owned(), format!("{name}={value}")]));
        let mut held = Held::start(command.current_dir(&folder).env("PGPORT", free.port().to_string()));
        held.expect("ready");
        Cluster { folder, port: Some(free.port()), held: Some(held) }
    }

    /// Its port on the network.
    ///
    /// # Panics
    /// When it is not there.
    pub fn port(&self) -> u16 {
        self.port.expect("a cluster on the network")
    }

    /// Puts another file into its folder, as its user's own.
    ///
    /// # Panics
    /// When it cannot be put there.
    pub fn put(&self, name: &str, bytes: &[u8]) {
        fs::write(self.folder.join(name), bytes).expect("a file in the cluster's folder");
        own_files(&self.folder);
    }

    /// The one of this process, or the shared one.
    fn of_this_process() -> &'static Cluster {
        static ONE: OnceLock<Cluster> = OnceLock::new();
        ONE.get_or_init(|| match std::env::var_os(SHARED) {
            Some(folder) => Cluster { folder: folder.into(), port: None, held: None },
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
            .envs(self.port.map(|p| ("PGPORT", p.to_string())))
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
        let port = self.port.map(|p| format!(":{p}")).unwrap_or_default();
        format!("postgres://postgres@localhost{port}/{name}?host={}", self.folder.display())
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

/// What holds a cluster of the programs installed here.
fn shell(folder: &Path) -> Command {
    let mut command = Command::new("sh");
    if let Some((user, group)) = other_user(folder) {
        chown(folder, Some(user), Some(group)).expect("a folder for the database's user");
        command.uid(user).gid(group);
    }
    command.args(["-c", SHELL, "sh"]).args([folder, &programs().expect(MISSING)]);
    command
}

/// Gives the files in a folder to whoever has the folder, and to nobody else.
fn own_files(folder: &Path) {
    let of = fs::metadata(folder).expect("the folder");
    for file in fs::read_dir(folder).expect("the folder").flatten().filter(|f| f.path().is_file()) {
        chown(file.path(), Some(of.uid()), Some(of.gid())).expect("a file for the database's user");
        fs::set_permissions(file.path(), fs::Permissions::from_mode(0o600)).expect("a file of its own");
    }
}

/// PostgreSQL refuses to run for root: then the user and group that its package made.
fn other_user(folder: &Path) -> Option<(u32, u32)> {
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
