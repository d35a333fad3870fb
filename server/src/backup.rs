//! `counterfoil backup`: a copy of a data folder, taken while it is being served. The database first, as one moment; then the
//! files it names, which are written before their entry and never rewritten, so that what is copied afterwards holds at least
//! what that moment knew. A second backup into the same folder copies what is new and takes away what was erased since.
//!
//! Keys are not in it: whoever finds a backup signs nothing with it. They are exported by the owner and kept elsewhere.

use std::collections::BTreeSet;
use std::fs::{self, File, OpenOptions};
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};

use evidence::digest::{Digest, Hasher};
use evidence::entry::Entry;
use sqlx::sqlite::{SqliteConnectOptions, SqliteConnection};
use sqlx::{ConnectOptions, Connection};

use crate::database::mark::{self, State};
use crate::database::{self, For, Place, copy};
use crate::originals::place::remembered;
use crate::originals::{make_folder, sync_folder};

/// The database's name in a data folder and in a backup.
pub const DATABASE: &str = "counterfoil.db";
/// The shelves that hold files under their digest.
const SHELVES: [&str; 2] = ["originals", "renditions"];
/// Folders of a shop's own words and kinds.
const OWN: [&str; 2] = ["kinds", "words"];
/// Bytes read at once.
const PIECE: usize = 1 << 18;

/// What a run did.
#[derive(Debug, Default, PartialEq, Eq)]
pub struct Done {
    /// Files copied.
    pub copied: u64,
    /// Their bytes.
    pub bytes: u64,
    /// Files that were there already.
    pub kept: u64,
    /// Files taken away, because the shop erased them.
    pub gone: u64,
    /// Files that are not what their name says, or that the shop lost: a sentence each.
    pub faults: Vec<String>,
}

/// Backs a data folder up and says what it did.
///
/// # Errors
/// A sentence; the backup that stood there before still does.
pub async fn run(place: &Place, to: &Path) -> Result<Done, String> {
    place.must_be_there()?;
    let data = place.data.as_path();
    if let Some(bucket) = remembered(data).map_err(|e| format!("{}: {e}", data.display()))? {
        return Err(format!(
            "the originals are in {}, which a copy of this folder does not hold. Copy the database first (`sqlite3 … \"VACUUM INTO …\"`), then the bucket with its own tools, then the rest of the folder",
            bucket
        ));
    }
    let inside =
        |a: &Path, b: &Path| matches!((a.canonicalize(), b.canonicalize()), (Ok(a), Ok(b)) if a.starts_with(&b));
    make_folder(to).map_err(|e| format!("{}: {e}", to.display()))?;
    if inside(to, data) || inside(data, to) {
        return Err("a backup lies neither in the data folder nor around it".to_owned());
    }
    let beside = to.join("counterfoil.db.new");
    snapshot(place, &beside).await?;
    let (from, target) = (data.to_owned(), to.to_owned());
    let done = tokio::task::spawn_blocking(move || files(&from, &target)).await.map_err(|e| e.to_string())?;
    let mut done = done.map_err(|e| format!("{}: {e}", to.display()))?;
    // Only now does the new moment stand: what it names is there.
    fs::rename(&beside, to.join(DATABASE)).map_err(|e| format!("{}: {e}", beside.display()))?;
    sync_folder(to).map_err(|e| format!("{}: {e}", to.display()))?;
    prune(data, to, &mut done).await?;
    Ok(done)
}

/// The database as it stands at one moment, into a file of its own, whichever engine it is of. What was deleted in it is not in
/// the copy's free pages.
async fn snapshot(place: &Place, to: &Path) -> Result<(), String> {
    if to.exists() {
        fs::remove_file(to).map_err(|e| format!("{}: {e}", to.display()))?;
    }
    match &place.database {
        None => vacuumed(&place.data.join(DATABASE), to).await?,
        Some(_) => copied(place, to).await?,
    }
    File::open(to).and_then(|f| f.sync_all()).map_err(|e| format!("{}: {e}", to.display()))
}

/// Out of one state of PostgreSQL, into a file: what a restore puts back does not depend on where it came from.
async fn copied(place: &Place, to: &Path) -> Result<(), String> {
    let text = |e: &dyn std::fmt::Display| e.to_string();
    let pool = database::open(place, For::Left).await.map_err(|e| text(&e))?;
    let file = database::fresh_file(to).await.map_err(|e| text(&e))?;
    let mut state = database::reading(&pool).await.map_err(|e| text(&e))?;
    copy::all(&mut state, &file, |_| ()).await.map_err(|e| text(&e))?;
    let mut written = file.acquire().await.map_err(|e| text(&e))?;
    copy::compared(&mut state, &mut written).await.map_err(|e| text(&e))?;
    drop((written, state));
    file.close().await;
    pool.close().await;
    Ok(())
}

async fn vacuumed(from: &Path, to: &Path) -> Result<(), String> {
    let text = |e: sqlx::Error| format!("{}: {e}", from.display());
    let options = SqliteConnectOptions::new().filename(from).busy_timeout(std::time::Duration::from_secs(30));
    let mut db: SqliteConnection = options.connect().await.map_err(text)?;
    let name = to.to_str().ok_or_else(|| format!("{} is no name the database takes", to.display()))?;
    sqlx::query("VACUUM INTO ?").bind(name).execute(&mut db).await.map_err(text)?;
    db.close().await.map_err(text)?;
    // Of a copy that is still coming there is nothing to keep.
    let pool = database::fresh_file(to).await.map_err(|e| e.to_string())?;
    let mark = mark::read(&pool).await.map_err(text)?;
    pool.close().await;
    match mark {
        Some(mark) if mark.state == State::Coming => {
            fs::remove_file(to).map_err(|e| format!("{}: {e}", to.display()))?;
            Err(mark.sentence())
        }
        _ => Ok(()),
    }
}

/// Every file below a folder, by its path from there. Nothing half written: those begin with a dot.
pub(crate) fn below(folder: &Path) -> io::Result<Vec<PathBuf>> {
    let (mut out, mut open) = (Vec::new(), vec![PathBuf::new()]);
    while let Some(at) = open.pop() {
        let listed = match fs::read_dir(folder.join(&at)) {
            Err(e) if e.kind() == io::ErrorKind::NotFound => continue,
            other => other?,
        };
        for entry in listed {
            let entry = entry?;
            let path = at.join(entry.file_name());
            if entry.file_name().to_string_lossy().starts_with('.') {
                continue;
            }
            if entry.file_type()?.is_dir() { open.push(path) } else { out.push(path) }
        }
    }
    out.sort();
    Ok(out)
}

/// The shops' folders.
fn shops(data: &Path) -> io::Result<Vec<PathBuf>> {
    let all = match fs::read_dir(data.join("shops")) {
        Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
        other => other?,
    };
    all.map(|e| Ok(Path::new("shops").join(e?.file_name()))).collect()
}

/// Copies what is not there yet. Checkpoints come last, so that none is ahead of what was copied before it.
fn files(data: &Path, to: &Path) -> io::Result<Done> {
    let mut done = Done::default();
    for shop in shops(data)? {
        for shelf in SHELVES {
            let shelf = shop.join(shelf);
            for path in below(&data.join(&shelf))? {
                shelved(data, to, &shelf.join(path), &mut done)?;
            }
        }
        // What others said of a checkpoint before the checkpoints: none is without its own.
        for folder in ["outside", "checkpoints"].map(|f| shop.join(f)) {
            for path in below(&data.join(&folder))? {
                anew(data, to, &folder.join(path))?;
            }
        }
    }
    for own in OWN {
        for path in below(&data.join(own))? {
            anew(data, to, &Path::new(own).join(path))?;
        }
    }
    Ok(done)
}

/// A file that its digest names: copied once, and hashed on the way.
fn shelved(data: &Path, to: &Path, path: &Path, done: &mut Done) -> io::Result<()> {
    let mut from = match File::open(data.join(path)) {
        // Erased since the folder was listed.
        Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(()),
        other => other?,
    };
    let size = from.metadata()?.len();
    if fs::metadata(to.join(path)).is_ok_and(|m| m.len() == size) {
        done.kept += 1;
        return Ok(());
    }
    let mut hasher = Hasher::new();
    let wrote = whole(&to.join(path), |out| {
        let mut piece = vec![0; PIECE];
        loop {
            match from.read(&mut piece)? {
                0 => return Ok(()),
                n => {
                    hasher.update(&piece[..n]);
                    out.write_all(&piece[..n])?;
                }
            }
        }
    });
    wrote?;
    let named = path.file_name().is_some_and(|n| n.to_string_lossy() == hasher.finish().hex());
    if !named {
        fs::remove_file(to.join(path))?;
        done.faults.push(format!("{} is not what its name says; it was not copied", path.display()));
        return Ok(());
    }
    done.copied += 1;
    done.bytes += size;
    Ok(())
}

/// A small file that may change: copied each time.
fn anew(data: &Path, to: &Path, path: &Path) -> io::Result<()> {
    match fs::read(data.join(path)) {
        Err(e) if e.kind() == io::ErrorKind::NotFound => Ok(()),
        read => {
            let bytes = read?;
            if fs::read(to.join(path)).is_ok_and(|there| there == bytes) {
                return Ok(());
            }
            whole(&to.join(path), |out| out.write_all(&bytes))
        }
    }
}

/// Writes a file whole or not at all, readable by its owner alone.
pub(crate) fn whole(path: &Path, write: impl FnOnce(&mut File) -> io::Result<()>) -> io::Result<()> {
    let folder = path.parent().unwrap_or(Path::new("."));
    make_folder(folder)?;
    let name = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
    let beside = folder.join(format!(".{name}"));
    let mut options = OpenOptions::new();
    options.write(true).create(true).truncate(true);
    #[cfg(unix)]
    {
        use std::os::unix::fs::OpenOptionsExt;
        options.mode(0o600);
    }
    let mut out = options.open(&beside)?;
    write(&mut out)?;
    out.sync_all()?;
    fs::rename(&beside, path)?;
    sync_folder(folder)
}

/// Takes away files that the shop erased: a backup that kept them would not. What is not in the shop's store and was not erased
/// is a loss there, and the backup may be all that is left of it: it stays, and is told.
async fn prune(data: &Path, to: &Path, done: &mut Done) -> Result<(), String> {
    let io = |e: io::Error| format!("{}: {e}", to.display());
    let text = |e: sqlx::Error| format!("{}: {e}", to.join(DATABASE).display());
    let options = SqliteConnectOptions::new().filename(to.join(DATABASE)).read_only(true);
    let mut db: SqliteConnection = options.connect().await.map_err(text)?;
    for shop in shops(to).map_err(io)? {
        // A shop that is not there at all is another installation's: nothing is taken away on a mistake.
        if !data.join(&shop).is_dir() {
            continue;
        }
        let id = shop.file_name().unwrap_or_default().to_string_lossy().into_owned();
        for shelf in SHELVES {
            let folder = shop.join(shelf);
            let there: BTreeSet<PathBuf> = below(&data.join(&folder)).map_err(io)?.into_iter().collect();
            for path in below(&to.join(&folder)).map_err(io)?.into_iter().filter(|p| !there.contains(p)) {
                let name = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
                if named(&mut db, &id, shelf, &name).await.map_err(text)? {
                    let lost = folder.join(&path);
                    done.faults.push(format!("{} is not in the shop's store any more; it stays here", lost.display()));
                } else {
                    fs::remove_file(to.join(&folder).join(path)).map_err(io)?;
                    done.gone += 1;
                }
            }
        }
    }
    db.close().await.map_err(text)
}

/// Whether a photo that was not erased names these bytes, or has them as its copy.
async fn named(db: &mut SqliteConnection, shop: &str, shelf: &str, hex: &str) -> Result<bool, sqlx::Error> {
    let Ok(digest) = Digest::from_hex(hex) else { return Ok(false) };
    let mut of = vec![digest];
    if shelf != "originals" {
        let made: Vec<Vec<u8>> = sqlx::query_scalar(
            "SELECT bytes FROM entry WHERE shop = $1 AND type IN ('photo-judged', 'photo-redacted') AND instr(bytes, $2) > 0",
        )
        .bind(shop)
        .bind(digest.to_string().into_bytes())
        .fetch_all(&mut *db)
        .await?;
        let file = |bytes: &Vec<u8>| Entry::parse(bytes).ok()?.said.body.get("file")?.as_str()?.parse().ok();
        of = made.iter().filter_map(file).collect();
    }
    let mut live = 0;
    for file in of {
        let count: i64 = sqlx::query_scalar(
            "SELECT count(*) FROM named_file WHERE shop = $1 AND file = $2 AND moved_idx IS NULL AND erased_idx IS NULL",
        )
        .bind(shop)
        .bind(file.0.to_vec())
        .fetch_one(&mut *db)
        .await?;
        live += count;
    }
    Ok(live > 0)
}

/// `counterfoil backup`, in words.
///
/// # Errors
/// A sentence.
pub async fn command(place: &Place, to: &Path) -> Result<bool, String> {
    let done = run(place, to).await?;
    for fault in &done.faults {
        println!("fault: {fault}");
    }
    println!(
        "{} files copied ({} bytes), {} there already, {} taken away as erased; {} faults",
        done.copied,
        done.bytes,
        done.kept,
        done.gone,
        done.faults.len()
    );
    println!("the keys are not in it: keep the exported log key elsewhere");
    Ok(done.faults.is_empty())
}
