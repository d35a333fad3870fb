//! `counterfoil restore`: an installation made from a backup and the exported log key, over a file or over PostgreSQL, its photos
//! in the folder or in a bucket, which may be the one it lost nothing of. What the shop did after the backup is lost and is not hidden: the log goes on in a new epoch that names the last checkpoint known,
//! everybody signs in again, and the whole record is checked before the command ends.

use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use evidence::digest::Digest;

use crate::backup::{DATABASE, below, whole};
use crate::check;
use crate::database::mark::{self, Mark, State};
use crate::database::{self, For, Place, Pool, copy};
use crate::edge::{Clock, Random};
use crate::ledger::{Ledger, start};
use crate::originals::carry::{Sure, on_shelf};
use crate::originals::{Lock, Originals, make_folder, place};
use crate::serve;

/// What outlives nobody: whoever was put out after the backup must not be in again by it.
const ENDED: [&str; 5] = [
    "DELETE FROM refresh_tokens",
    "DELETE FROM token_families",
    "DELETE FROM sessions",
    "DELETE FROM pairings",
    "DELETE FROM set_up",
];

/// Whether the key given is the one that the log goes on with.
async fn keys_fit(ledger: &Ledger) -> Result<(), String> {
    let mut db = ledger.reading().await.map_err(|e| e.to_string())?;
    for shop in start::shops(ledger.pool()).await.map_err(|e| e.to_string())? {
        let head = ledger.head(shop).await.map_err(|e| e.to_string())?.ok_or("the head is gone")?;
        ledger.check_keys(&mut db, shop, &head).await.map_err(|e| e.to_string())?;
    }
    Ok(())
}

/// Restores a backup into a folder that is empty or not there yet, and a database that holds nothing. Exit code as of
/// `counterfoil check`.
///
/// # Errors
/// A sentence; the backup is never written to.
pub async fn run(from: &Path, to: &Place, keys: &[PathBuf], because: &str) -> Result<ExitCode, String> {
    let data = to.data.as_path();
    if !from.join(DATABASE).is_file() {
        return Err(format!("{} holds no backup: no {DATABASE} in it", from.display()));
    }
    if fs::read_dir(data).is_ok_and(|mut d| d.next().is_some()) {
        return Err(format!("{} is not empty: a backup is restored into a folder of its own", data.display()));
    }
    let mut key_text = Vec::new();
    for key in keys {
        let read = fs::read(key).map_err(|e| format!("the exported log key {}: {e}", key.display()))?;
        key_text.extend(read);
        key_text.push(b'\n');
    }
    let on_disk = |e: std::io::Error| format!("{}: {e}", data.display());
    let clock = Clock::System;
    if let Some(address) = to.originals.clone() {
        let lock = to.lock_days.map(|days| Lock { days, clock: clock.clone() });
        let tried = move || place::tried(&address, lock, &Random::System);
        tokio::task::spawn_blocking(tried).await.map_err(|e| e.to_string())??;
    }
    make_folder(data).map_err(on_disk)?;
    let mut alone = mark::alone(to).await.map_err(|e| e.to_string())?;
    let (source, target) = (from.to_owned(), data.to_owned());
    let copied = tokio::task::spawn_blocking(move || {
        let place = |path: &Path| {
            let mut read = fs::File::open(source.join(path))?;
            whole(&target.join(path), |out| std::io::copy(&mut read, out).map(drop))
        };
        let mut all = below(&source)?;
        all.retain(|path| !path.starts_with("counterfoil.db.new") && !on_shelf(path));
        all.iter().try_for_each(|p| place(p))?;
        Ok::<_, std::io::Error>(all.len())
    });
    let copied = copied.await.map_err(|e| e.to_string())?.map_err(on_disk)?;

    // Until the new epoch is open nobody serves it: the log would go on twice under one name.
    let coming = Mark { state: State::Coming, id: digest(from).await?, place: Place::from(from).shown() };
    let as_file = Place { database: None, ..to.clone() };
    let file = database::open(&as_file, For::Move).await.map_err(|e| e.to_string())?;
    whole(&data.join("keys").join("log.key"), |out| out.write_all(&key_text)).map_err(on_disk)?;
    let fits = match serve::over(file.clone(), &as_file, false, clock.clone()).await {
        Ok(opened) => keys_fit(&opened.ledger).await.map(|()| opened.ledger.originals().clone()),
        Err(e) => Err(e),
    };
    let target = match fits {
        Ok(originals) => originals,
        Err(e) => {
            // It was empty or not there: all that is in it was put there just now.
            file.close().await;
            fs::remove_dir_all(data).map_err(on_disk)?;
            return Err(format!("nothing was restored: {e}"));
        }
    };
    let source = from.to_owned();
    let photos = tokio::task::spawn_blocking(move || {
        let say = |there| println!("{there} photos and copies of photos are there");
        Originals::open(&source.join("shops"))?.carry(&target, Sure::ByHash, &Random::System, say)
    });
    let photos = photos.await.map_err(|e| e.to_string())?.map_err(|e| format!("the photos: {e}"))?;
    photos.faults.iter().for_each(|fault| println!("fault: {fault}"));
    println!("{} files put back, {} photos there already", copied as u64 + photos.copied, photos.kept);
    let pool = match to.database {
        None => {
            mark::write(&file, &coming, clock.now()).await.map_err(|e| e.to_string())?;
            file
        }
        Some(_) => {
            let pool = database::open(to, For::Move).await.map_err(|e| e.to_string())?;
            into(&file, &pool, &coming, &mut alone, clock.now()).await?;
            file.close().await;
            fs::remove_file(data.join(DATABASE)).map_err(on_disk)?;
            pool
        }
    };
    let ledger = serve::over(pool, to, false, clock).await?.ledger;
    let text = |e: sqlx::Error| e.to_string();
    let mut tx = ledger.pool().begin().await.map_err(text)?;
    for query in ENDED {
        sqlx::query(query).execute(&mut *tx).await.map_err(text)?;
    }
    tx.commit().await.map_err(text)?;
    for shop in start::shops(ledger.pool()).await.map_err(text)? {
        let head = ledger.new_epoch(shop, because).await.map_err(|e| e.to_string())?;
        println!("shop {shop}: epoch {} is open at {} entries", head.epoch, head.size);
    }
    mark::clear(ledger.pool()).await.map_err(text)?;
    ledger.close().await;
    alone.release().await.map_err(text)?;
    println!(
        "everybody signs in again; look at staff, devices and links: who was put out after the backup is in it again"
    );
    check::run(to).await
}

/// Copies the backup's tables into a database that holds no installation.
async fn into(
    file: &Pool,
    pool: &Pool,
    coming: &Mark,
    alone: &mut mark::Alone,
    now: crate::edge::Millis,
) -> Result<(), String> {
    let text = |e: &dyn std::fmt::Display| e.to_string();
    let begun = mark::read(pool).await.map_err(|e| text(&e))?;
    let mut there = pool.acquire().await.map_err(|e| text(&e))?;
    if begun.is_none() && !copy::shops(&mut there).await.map_err(|e| text(&e))?.is_empty() {
        return Err("the database holds an installation: a backup is restored into one of its own".to_owned());
    }
    if begun.as_ref().is_some_and(|mark| mark != coming) {
        return Err("the database holds the beginning of another copy: empty it first".to_owned());
    }
    alone.mark(pool, coming, now).await.map_err(|e| text(&e))?;
    copy::emptied(pool).await.map_err(|e| text(&e))?;
    let mut state = database::reading(file).await.map_err(|e| text(&e))?;
    copy::all(&mut state, pool, |_| ()).await.map_err(|e| text(&e))?;
    copy::compared(&mut state, &mut there).await.map_err(|e| text(&e))?;
    Ok(())
}

/// What tells one state of a backup from another.
async fn digest(from: &Path) -> Result<String, String> {
    let path = from.join(DATABASE);
    let read = tokio::task::spawn_blocking(move || {
        let mut hasher = evidence::digest::Hasher::new();
        let mut file = fs::File::open(path)?;
        let mut piece = vec![0; 1 << 18];
        loop {
            match std::io::Read::read(&mut file, &mut piece)? {
                0 => return Ok::<Digest, std::io::Error>(hasher.finish()),
                n => hasher.update(&piece[..n]),
            }
        }
    });
    let read = read.await.map_err(|e| e.to_string())?;
    read.map(|d| d.hex()).map_err(|e| format!("{}: {e}", from.display()))
}
