//! A log made long without saying all of it: entries are copies of one, under ids of their own, with the tree that they give and a head
//! signed by the log's key. For benches: nobody serves meanwhile, and what the copies say makes no sense together.

use std::collections::HashMap;
use std::error::Error;
use std::fmt::Write as _;
use std::fs;
use std::path::Path;

use evidence::checkpoint::{Checkpoint, origin};
use evidence::digest::Digest;
use evidence::note::SignerKey;
use evidence::tree::{self, Hash};
use sqlx::{AnyConnection, Connection, Executor, Row};
use uuid::Uuid;

use crate::engine;

type Failed = Box<dyn Error>;

/// Rows of one statement.
const ROWS: usize = 500;
/// Entries of one intake.
const EACH: u64 = 20;

/// An entry as its row has it.
struct Copied {
    index: u64,
    id: String,
    intake: String,
    bytes: Vec<u8>,
}

/// Makes the log of a shop `to` entries long. Its newest `machine-described` is what is copied.
///
/// # Errors
/// The database's; that the log is longer, or has nothing to copy.
pub async fn grow(data: &Path, shop: Uuid, to: u64) -> Result<(), Failed> {
    let postgres = engine::database_of(data).is_some();
    let mut db = engine::connect(data).await?;
    let quick = if postgres {
        "SET synchronous_commit = off"
    } else {
        "PRAGMA journal_mode = DELETE; PRAGMA journal_mode = OFF; PRAGMA synchronous = OFF; PRAGMA cache_size = -500000"
    };
    db.execute(quick).await?;
    let name = shop.to_string();
    let head = sqlx::query("SELECT epoch, size FROM log_head WHERE shop = $1").bind(&name).fetch_one(&mut db).await?;
    let (epoch, size) = (head.try_get::<i64, _>("epoch")?, u64::try_from(head.try_get::<i64, _>("size")?)?);
    let model =
        "SELECT id, intake, bytes FROM entry WHERE shop = $1 AND type = 'machine-described' ORDER BY idx DESC LIMIT 1";
    let model = sqlx::query(model).bind(&name).fetch_one(&mut db).await?;
    let text = String::from_utf8(model.try_get("bytes")?)?;
    let (id, intake): (String, String) = (model.try_get("id")?, model.try_get("intake")?);

    let mut edge: HashMap<(u8, u64), Hash> = HashMap::new();
    for (level, index) in tree::needed_for_root(size) {
        let query = "SELECT hash FROM node WHERE shop = $1 AND level = $2 AND idx = $3";
        let row = sqlx::query(query).bind(&name).bind(i64::from(level)).bind(i64::try_from(index)?);
        let hash: Vec<u8> = row.fetch_one(&mut db).await?.try_get("hash")?;
        edge.insert((level, index), hash.as_slice().try_into()?);
    }
    let (mut entries, mut nodes) = (Vec::new(), Vec::new());
    db.execute("BEGIN").await?;
    for index in size..to {
        let of =
            (format!("00000000-0000-7000-8000-{index:012x}"), format!("00000000-0000-7000-9000-{:012x}", index / EACH));
        let bytes = text.replace(&id, &of.0).replace(&intake, &of.1).into_bytes();
        for (level, index, hash) in
            tree::new_nodes(index, tree::leaf_hash(&bytes), &mut |l, i| edge.get(&(l, i)).copied())?
        {
            edge.insert((level, index), hash);
            nodes.push((level, index, hash));
        }
        // What is complete and has been joined is asked for no more.
        for (level, left) in tree::needed_for_append(index) {
            edge.remove(&(level, left));
        }
        entries.push(Copied { index, id: of.0, intake: of.1, bytes });
        if entries.len() == ROWS || index + 1 == to {
            write(&mut db, &name, &entries, &nodes).await?;
            entries.clear();
            nodes.clear();
        }
        if index % 1_000_000 == 0 {
            db.execute("COMMIT").await?;
            db.execute("BEGIN").await?;
        }
    }
    let root = tree::root_from(to, &mut |l, i| edge.get(&(l, i)).copied())?;
    let checkpoint = Checkpoint { origin: origin("counterfoil", &name, u64::try_from(epoch)?), size: to, root };
    let key = fs::read_to_string(data.join("keys/log.key"))?;
    let seed: Vec<u8> = (0..64).step_by(2).filter_map(|i| u8::from_str_radix(key.get(i..i + 2)?, 16).ok()).collect();
    let seed: [u8; 32] = seed.try_into().map_err(|_| "keys/log.key begins with a key")?;
    let note = checkpoint.sign(&[&SignerKey::new(&checkpoint.origin, seed)])?;
    sqlx::query("UPDATE log_head SET size = $1, root = $2, note = $3 WHERE shop = $4")
        .bind(i64::try_from(to)?)
        .bind(root.to_vec())
        .bind(note)
        .bind(&name)
        .execute(&mut db)
        .await?;
    db.execute("COMMIT").await?;
    if postgres {
        db.execute("ANALYZE").await?;
    }
    Ok(db.close().await?)
}

/// The values of so many rows, as numbered places.
fn places(rows: usize, columns: usize) -> String {
    let mut text = String::new();
    for row in 0..rows {
        text.push_str(if row == 0 { "($1" } else { ", ($1" });
        for column in 0..columns {
            let _ = write!(text, ", ${}", 2 + row * columns + column);
        }
        text.push(')');
    }
    text
}

async fn write(
    db: &mut AnyConnection,
    shop: &str,
    entries: &[Copied],
    nodes: &[(u8, u64, Hash)],
) -> Result<(), Failed> {
    let sql =
        format!("INSERT INTO entry (shop, idx, id, digest, intake, type, bytes) VALUES {}", places(entries.len(), 6));
    let mut query = sqlx::query(sqlx::AssertSqlSafe(sql)).bind(shop);
    for e in entries {
        let digest = Digest::of(&e.bytes).0.to_vec();
        query = query.bind(i64::try_from(e.index)?).bind(&e.id).bind(digest).bind(&e.intake);
        query = query.bind("machine-described").bind(&e.bytes);
    }
    query.execute(&mut *db).await?;
    for some in nodes.chunks(ROWS) {
        let sql = format!("INSERT INTO node (shop, level, idx, hash) VALUES {}", places(some.len(), 3));
        let mut query = sqlx::query(sqlx::AssertSqlSafe(sql)).bind(shop);
        for (level, index, hash) in some {
            query = query.bind(i64::from(*level)).bind(i64::try_from(*index)?).bind(hash.to_vec());
        }
        query.execute(&mut *db).await?;
    }
    Ok(())
}
