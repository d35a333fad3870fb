//! `counterfoil backup`: a copy of an installation, taken while it is being served. The database first, as one moment; then the
//! files it names, from the folder or from the bucket, which are written before their entry and never rewritten, so that what is
//! copied afterwards holds at least what that moment knew. A second backup into the same folder copies what is new and takes away
//! what was erased since.
//!
//! Keys are not in it: whoever finds a backup signs nothing with it. They are exported by the owner and kept elsewhere.

use std::collections::BTreeSet;
use std::fs::{self, File, OpenOptions};
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use evidence::digest::Digest;
use evidence::entry::Entry;
use sqlx::sqlite::{SqliteConnectOptions, SqliteConnection};
use sqlx::{ConnectOptions, Connection};
use uuid::Uuid;

use crate::database::mark::{self, State};
use crate::database::{self, For, Place, copy};
use crate::edge::Random;
use crate::originals::carry::Sure;
use crate::originals::{Originals, Shelf, make_folder, sync_folder};

/// The database's name in a data folder and in a backup.
pub const DATABASE: &str = "counterfoil.db";
/// Folders of a shop's own words and kinds.
const OWN: [&str; 2] = ["kinds", "words"];

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

/// Backs an installation up and says what it did.
///
/// # Errors
/// A sentence; the backup that stood there before still does.
pub async fn run(place: &Place, to: &Path) -> Result<Done, String> {
    place.must_be_there()?;
    let data = place.data.as_path();
    let inside =
        |a: &Path, b: &Path| matches!((a.canonicalize(), b.canonicalize()), (Ok(a), Ok(b)) if a.starts_with(&b));
    make_folder(to).map_err(|e| format!("{}: {e}", to.display()))?;
    if inside(to, data) || inside(data, to) {
        return Err("a backup lies neither in the data folder nor around it".to_owned());
    }
    let text = |e: io::Error| format!("{}: {e}", to.display());
    let from = Originals::of(data, place.originals.as_deref(), None, &Random::System)?;
    let there = Originals::open(&to.join("shops")).map_err(text)?;
    let beside = to.join("counterfoil.db.new");
    snapshot(place, &beside).await?;
    let (folder, target, source, copy) = (data.to_owned(), to.to_owned(), from.clone(), there.clone());
    let done = tokio::task::spawn_blocking(move || files(&folder, &target, &source, &copy));
    let mut done = done.await.map_err(|e| e.to_string())?.map_err(text)?;
    // Only now does the new moment stand: what it names is there.
    fs::rename(&beside, to.join(DATABASE)).map_err(|e| format!("{}: {e}", beside.display()))?;
    sync_folder(to).map_err(|e| format!("{}: {e}", to.display()))?;
    prune(to, &from, &there, &mut done).await?;
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

/// Copies what is not there yet. Checkpoints come last, so that none is ahead of what was copied before it.
fn files(data: &Path, to: &Path, from: &Originals, there: &Originals) -> io::Result<Done> {
    let carried = from.carry(there, Sure::ByLength, &Random::System, |_| ())?;
    let done =
        Done { copied: carried.copied, bytes: carried.bytes, kept: carried.kept, gone: 0, faults: carried.faults };
    for shop in from.shops()? {
        // What others said of a checkpoint before the checkpoints: none is without its own.
        for folder in ["outside", "checkpoints"].map(|f| Path::new("shops").join(shop.to_string()).join(f)) {
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
async fn prune(to: &Path, from: &Originals, there: &Originals, done: &mut Done) -> Result<(), String> {
    let text = |e: sqlx::Error| format!("{}: {e}", to.join(DATABASE).display());
    let options = SqliteConnectOptions::new().filename(to.join(DATABASE)).read_only(true);
    let mut db: SqliteConnection = options.connect().await.map_err(text)?;
    let (source, copy) = (from.clone(), there.clone());
    let only_here = tokio::task::spawn_blocking(move || only_here(&source, &copy));
    let only_here = only_here.await.map_err(|e| e.to_string())?.map_err(|e| format!("{}: {e}", to.display()))?;
    for (shop, shelf, file) in only_here {
        if named(&mut db, shop, shelf, file).await.map_err(text)? {
            let hex = file.hex();
            let lost = format!("shops/{shop}/{}/{}/{hex}", shelf.word(), &hex[..2]);
            done.faults.push(format!("{lost} is not in the shop's store any more; it stays here"));
        } else {
            there.erase(shop, shelf, &file).map_err(|e| format!("{}: {e}", to.display()))?;
            done.gone += 1;
        }
    }
    db.close().await.map_err(text)
}

/// What the backup has and the shop's store has not.
fn only_here(from: &Originals, there: &Originals) -> io::Result<Vec<(Uuid, Shelf, Digest)>> {
    let mut out = Vec::new();
    for shop in there.shops()? {
        // A shop that is not there at all is another installation's: nothing is taken away on a mistake.
        if !from.shop(shop).is_dir() {
            continue;
        }
        for shelf in Shelf::ALL {
            let held: BTreeSet<Digest> = from.list(shop, shelf)?.into_iter().collect();
            let copies = there.list(shop, shelf)?.into_iter().filter(|file| !held.contains(file));
            out.extend(copies.map(|file| (shop, shelf, file)));
        }
    }
    out.sort_unstable();
    Ok(out)
}

/// Whether a photo that was not erased names these bytes, or has them as its copy.
async fn named(db: &mut SqliteConnection, shop: Uuid, shelf: Shelf, digest: Digest) -> Result<bool, sqlx::Error> {
    let mut of = vec![digest];
    if shelf == Shelf::Renditions {
        let made: Vec<Vec<u8>> = sqlx::query_scalar(
            "SELECT bytes FROM entry WHERE shop = $1 AND type IN ('photo-judged', 'photo-redacted') AND instr(bytes, $2) > 0",
        )
        .bind(shop.to_string())
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
        .bind(shop.to_string())
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
