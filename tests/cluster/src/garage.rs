//! A second S3-compatible server (Garage, a separate program), of another make: it takes no heed of `If-None-Match`, and takes a
//! lock for an original without keeping it. On loopback, in a temporary folder.

use std::ffi::OsStr;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use crate::held::Held;
use crate::store::{BUCKET, KEY, LOOK, SECRET, asked, free_ports};

/// What is written is there after a crash, as with the first one.
const SETTINGS: &str = r#"
metadata_dir = "meta"
data_dir = "data"
db_engine = "sqlite"
metadata_fsync = true
data_fsync = true
replication_factor = 1
rpc_secret = "0000000000000000000000000000000000000000000000000000000000000000"
rpc_bind_addr = "127.0.0.1:RPC"
rpc_public_addr = "127.0.0.1:RPC"

[s3_api]
s3_region = "us-east-1"
api_bind_addr = "127.0.0.1:API"

[admin]
api_bind_addr = "127.0.0.1:ADMIN"
"#;

/// A running server.
#[derive(Debug)]
pub struct Garage {
    endpoint: String,
    _held: Held,
}

impl Garage {
    /// A new one, with the same keys and the same bucket as the first server has.
    ///
    /// # Panics
    /// When it cannot be had or does not start.
    pub fn start() -> Garage {
        let program = program();
        let folder = tempfile::Builder::new().prefix("counterfoil-s3-").tempdir().expect("a temporary folder").keep();
        let [rpc, api, admin] = free_ports::<3>();
        let settings = [("RPC", rpc), ("API", api), ("ADMIN", admin)]
            .iter()
            .fold(SETTINGS.to_owned(), |text, (name, port)| text.replace(name, &port.to_string()));
        fs::write(folder.join("garage.toml"), settings).expect("its settings");
        let words = ["-c", "garage.toml", "server", "--single-node", "--default-bucket"].map(OsStr::new);
        let command = [&[program.as_os_str()], words.as_slice()].concat();
        let environment = [
            ("GARAGE_DEFAULT_ACCESS_KEY", KEY),
            ("GARAGE_DEFAULT_SECRET_KEY", SECRET),
            ("GARAGE_DEFAULT_BUCKET", BUCKET),
        ];
        let held = Held::serving(&folder, &command, &environment);
        // Refused as nobody, it answers; its health says when the one node is a whole cluster.
        let there = || asked(admin, "/health").contains(" 200 ") && asked(api, "/").contains("HTTP/1.");
        for _ in 0..LOOK.1 {
            if there() {
                return Garage { endpoint: format!("http://127.0.0.1:{api}"), _held: held };
            }
            std::thread::sleep(LOOK.0);
        }
        panic!("the server did not start:\n{}", fs::read_to_string(folder.join("log")).unwrap_or_default());
    }

    /// Where it answers.
    pub fn endpoint(&self) -> &str {
        &self.endpoint
    }
}

/// The program, built where it is not there yet.
fn program() -> PathBuf {
    let tests = Path::new(env!("CARGO_MANIFEST_DIR")).parent().expect("the folder of tests");
    let into = tests.parent().expect("the workspace").join("target/garage");
    let done = Command::new(tests.join("fetch-second-s3-server")).arg(&into).status().expect("run the script");
    assert!(
        done.success(),
        "the second S3 server cannot be had: tests/fetch-second-s3-server needs cargo and a C compiler"
    );
    into.join("bin/garage")
}
