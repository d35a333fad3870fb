//! A folder watched by the shim `faults/unsynced.c`, and what of it would survive a power cut.

use std::collections::BTreeMap;
use std::fs::{self, File, Permissions};
use std::io;
use std::os::unix::fs::{MetadataExt, PermissionsExt};
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::OnceLock;
use std::time::UNIX_EPOCH;

use tempfile::TempDir;

/// The class of sync that the shim leaves out, as if the server did not ask for it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Skip {
    /// Contents of files that belong to no database.
    File,
    /// Names in folders.
    Dir,
    /// SQLite's write-ahead log.
    Wal,
}

/// A folder for a program's data, and beside it the record of what was synced.
#[derive(Debug)]
pub struct Watched {
    home: TempDir,
    library: PathBuf,
    skip: Option<Skip>,
    slow_ms: u32,
}

impl Watched {
    /// A new, empty folder with the shim compiled. `skip` leaves one class of sync out; each sync is preceded by a
    /// pause of `slow_ms` milliseconds, so that an answer given before the sync is seen as such.
    ///
    /// # Panics
    /// When there is no C compiler, or the shim does not compile.
    pub fn new(skip: Option<Skip>, slow_ms: u32) -> Watched {
        let home = tempfile::Builder::new().prefix("counterfoil-unsynced-").tempdir().expect("a temporary folder");
        fs::create_dir(home.path().join("data")).expect("data folder");
        fs::create_dir(home.path().join("shadow")).expect("shadow folder");
        Watched { home, library: library(), skip, slow_ms }
    }

    /// The folder that the program writes to.
    pub fn data(&self) -> PathBuf {
        self.home.path().join("data")
    }

    /// The environment under which a program is watched.
    pub fn environment(&self) -> Vec<(String, String)> {
        let text = |p: &Path| p.to_str().expect("a UTF-8 path").to_owned();
        let mut env = vec![
            ("LD_PRELOAD".to_owned(), text(&self.library)),
            ("UNSYNCED_ROOT".to_owned(), text(&self.data())),
            ("UNSYNCED_SHADOW".to_owned(), text(&self.home.path().join("shadow"))),
            ("UNSYNCED_SLOW_MS".to_owned(), self.slow_ms.to_string()),
        ];
        if let Some(skip) = self.skip {
            let class = match skip {
                Skip::File => "file",
                Skip::Dir => "dir",
                Skip::Wal => "wal",
            };
            env.push(("UNSYNCED_SKIP".to_owned(), class.to_owned()));
        }
        env
    }

    /// The folder as it would be found after a power cut at this moment. The program may go on running.
    ///
    /// # Panics
    /// When the record cannot be read: then the test knows nothing.
    pub fn survivors(&self) -> TempDir {
        let shadow = self.home.path().join("shadow");
        let out = tempfile::Builder::new().prefix("counterfoil-survivors-").tempdir().expect("a temporary folder");
        let lock = File::options().create(true).truncate(false).write(true).open(shadow.join("lock")).expect("lock");
        lock.lock().expect("the shim's lock");
        restore(&shadow, &identity(&self.data()), out.path()).expect("survivors");
        out
    }
}

/// As the shim names a file: device, inode, birth.
fn identity(path: &Path) -> String {
    let meta = fs::symlink_metadata(path).expect("metadata");
    let born = meta.created().expect("a file system that tells birth times");
    let born = born.duration_since(UNIX_EPOCH).expect("a birth after 1970");
    // The kernel's 32 bits of major and 20 of minor, as glibc packs them (gnu_dev_major, gnu_dev_minor).
    let dev = meta.dev();
    let major = ((dev >> 8) & 0xfff) | ((dev >> 32) & 0xffff_f000);
    let minor = (dev & 0xff) | ((dev >> 12) & 0xffff_ff00);
    format!("{major:x}.{minor:x}-{}-{}.{:09}", meta.ino(), born.as_secs(), born.subsec_nanos())
}

fn restore(shadow: &Path, id: &str, to: &Path) -> io::Result<()> {
    let listing = match fs::read_to_string(shadow.join(id)) {
        Ok(listing) => listing,
        Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(()), // never synced: no name survives
        Err(e) => return Err(e),
    };
    for line in listing.lines() {
        let mut parts = line.splitn(3, ' ');
        let (Some(mode), Some(id), Some(name)) = (parts.next(), parts.next(), parts.next()) else {
            return Err(io::Error::other(format!("a record's line: {line}")));
        };
        let mode = u32::from_str_radix(mode, 8).map_err(io::Error::other)?;
        let there = to.join(name);
        match mode & 0o170_000 {
            0o040_000 => {
                fs::create_dir(&there)?;
                restore(shadow, id, &there)?;
            }
            0o100_000 => match fs::copy(shadow.join(id), &there) {
                Ok(_) => {}
                Err(e) if e.kind() == io::ErrorKind::NotFound => fs::write(&there, b"")?, // a name without content
                Err(e) => return Err(e),
            },
            _ => continue,
        }
        fs::set_permissions(&there, Permissions::from_mode(mode & 0o7777))?;
    }
    Ok(())
}

/// Compiles the shim once a process, into the build's folder for temporary files.
fn library() -> PathBuf {
    static LIBRARY: OnceLock<PathBuf> = OnceLock::new();
    LIBRARY
        .get_or_init(|| {
            let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("faults/unsynced.c");
            let folder = crate::scratch();
            let fresh = folder.join(format!("unsynced-{}.so.new", std::process::id()));
            let library = folder.join(format!("unsynced-{}.so", version(&source)));
            let compiled = Command::new("cc")
                .args(["-O1", "-Wall", "-Wextra", "-Werror", "-shared", "-fPIC", "-o"])
                .args([&fresh, &source])
                .status()
                .expect("a C compiler, `cc`");
            assert!(compiled.success(), "{} does not compile", source.display());
            fs::rename(&fresh, &library).expect("rename the compiled shim");
            library
        })
        .clone()
}

/// A name for this version of a file, so that a changed shim is never confused with one still loaded.
fn version(path: &Path) -> String {
    let digest = evidence::digest::Digest::of(&fs::read(path).expect("the shim's source"));
    digest.to_string().chars().rev().take(16).collect()
}

/// Every file below a folder with its bytes, by path relative to it; folders end in `/`.
///
/// # Panics
/// When the folder cannot be read.
pub fn tree(folder: &Path) -> BTreeMap<String, Vec<u8>> {
    fn walk(folder: &Path, prefix: &str, out: &mut BTreeMap<String, Vec<u8>>) {
        for entry in fs::read_dir(folder).expect("read a folder") {
            let entry = entry.expect("a folder's entry");
            let name = format!("{prefix}{}", entry.file_name().to_string_lossy());
            if entry.file_type().expect("a type").is_dir() {
                let name = format!("{name}/");
                walk(&entry.path(), &name, out);
                out.insert(name, Vec::new());
            } else {
                out.insert(name, fs::read(entry.path()).expect("read a file"));
            }
        }
    }
    let mut out = BTreeMap::new();
    walk(folder, "", &mut out);
    out
}
