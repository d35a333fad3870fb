//! Files that only this program may read.

use std::fs::{self, File, OpenOptions};
use std::io::{self, Read, Write};
use std::path::Path;

/// Secret files are small; anything larger is not ours.
const MOST: u64 = 64 * 1024;

/// Reads a secret file. `None` when there is none.
///
/// # Errors
/// When others than the owner may read it, when it is too large, or when reading fails.
pub(crate) fn read(path: &Path) -> io::Result<Option<Vec<u8>>> {
    let file = match File::open(path) {
        Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(None),
        other => other?,
    };
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        if file.metadata()?.permissions().mode() & 0o077 != 0 {
            let name = path.display();
            return Err(io::Error::other(format!("{name} can be read by others than its owner: chmod 600 {name}")));
        }
    }
    let mut bytes = Vec::new();
    file.take(MOST + 1).read_to_end(&mut bytes)?;
    if bytes.len() as u64 > MOST {
        return Err(io::Error::other(format!("{} is too large", path.display())));
    }
    Ok(Some(bytes))
}

/// Writes a secret file whole or not at all: beside it, synced, then renamed over it. Makes its folder.
///
/// # Errors
/// When writing fails; the earlier file then still stands.
pub(crate) fn write(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let folder = path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    make_folder(folder)?;
    let beside = path.with_extension("new");
    let _ = fs::remove_file(&beside);
    let mut options = OpenOptions::new();
    options.write(true).create_new(true);
    #[cfg(unix)]
    {
        use std::os::unix::fs::OpenOptionsExt;
        options.mode(0o600);
    }
    let mut file = options.open(&beside)?;
    file.write_all(bytes)?;
    file.sync_all()?;
    fs::rename(&beside, path)?;
    File::open(folder)?.sync_all()
}

fn make_folder(folder: &Path) -> io::Result<()> {
    let mut builder = fs::DirBuilder::new();
    builder.recursive(true);
    #[cfg(unix)]
    {
        use std::os::unix::fs::DirBuilderExt;
        builder.mode(0o700);
    }
    builder.create(folder)
}
