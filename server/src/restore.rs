//! `counterfoil restore`: a data folder made from a backup and the exported log key. What the shop did after the backup is lost
//! and is not hidden: the log goes on in a new epoch that names the last checkpoint known, everybody signs in again, and the
//! whole record is checked before the command ends.

use std::fs;
use std::io::Write;
use std::path::Path;
use std::process::ExitCode;

use crate::backup::{DATABASE, below, whole};
use crate::ledger::{Ledger, start};
use crate::{check, serve};

/// What outlives nobody: whoever was put out after the backup must not be in again by it.
const ENDED: [&str; 4] =
    ["DELETE FROM refresh_tokens", "DELETE FROM token_families", "DELETE FROM sessions", "DELETE FROM pairings"];

/// Opens what was put back, if the key given is the one that its log goes on with.
async fn keys_fit(data: &Path) -> Result<Ledger, String> {
    let ledger = serve::open(data, false).await?.ledger;
    let mut db = ledger.reading().await.map_err(|e| e.to_string())?;
    for shop in start::shops(ledger.pool()).await.map_err(|e| e.to_string())? {
        let head = ledger.head(shop).await.map_err(|e| e.to_string())?.ok_or("the head is gone")?;
        ledger.check_keys(&mut db, shop, &head).await.map_err(|e| e.to_string())?;
    }
    drop(db);
    Ok(ledger)
}

/// Restores a backup into a folder that is empty or not there yet. Exit code as of `counterfoil check`.
///
/// # Errors
/// A sentence; the backup is never written to.
pub async fn run(from: &Path, data: &Path, key: &Path, because: &str) -> Result<ExitCode, String> {
    if !from.join(DATABASE).is_file() {
        return Err(format!("{} holds no backup: no {DATABASE} in it", from.display()));
    }
    if fs::read_dir(data).is_ok_and(|mut d| d.next().is_some()) {
        return Err(format!("{} is not empty: a backup is restored into a folder of its own", data.display()));
    }
    let key_text = fs::read(key).map_err(|e| format!("the exported log key {}: {e}", key.display()))?;
    let (source, target) = (from.to_owned(), data.to_owned());
    let copied = tokio::task::spawn_blocking(move || {
        let place = |path: &Path| {
            let mut read = fs::File::open(source.join(path))?;
            whole(&target.join(path), |out| std::io::copy(&mut read, out).map(drop))
        };
        let all = below(&source)?;
        all.iter().filter(|p| !p.starts_with("counterfoil.db.new")).try_for_each(|p| place(p))?;
        whole(&target.join("keys").join("log.key"), |out| out.write_all(&key_text))?;
        Ok::<_, std::io::Error>(all.len())
    });
    let copied = copied.await.map_err(|e| e.to_string())?.map_err(|e| format!("{}: {e}", data.display()))?;
    println!("{copied} files put back");

    let ledger = match keys_fit(data).await {
        Ok(ledger) => ledger,
        Err(e) => {
            // It was empty or not there: all that is in it was put there just now.
            fs::remove_dir_all(data).map_err(|e| format!("{}: {e}", data.display()))?;
            return Err(format!("nothing was restored: {e}"));
        }
    };
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
    ledger.close().await;
    println!(
        "everybody signs in again; look at staff, devices and links: who was put out after the backup is in it again"
    );
    check::run(&data.into()).await
}
