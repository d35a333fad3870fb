//! What tables a database has, asked of itself: a copy misses no table and no column, also not one that a later migration adds.

use std::collections::BTreeSet;

use sqlx::Row as _;

use super::{Connection, Engine};
use crate::ledger::load::broken;

/// What a column holds. There are no others.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Kind {
    /// Text.
    Text,
    /// A whole number of 64 bits.
    Number,
    /// Bytes.
    Bytes,
}

/// One table.
#[derive(Clone, Debug)]
pub(super) struct Table {
    /// Its name.
    pub name: String,
    /// Its columns.
    pub columns: Vec<(String, Kind)>,
    /// The places in `columns` of its primary key, in the key's order.
    pub key: Vec<usize>,
    /// A column that the database counts by itself (PostgreSQL).
    pub counted: Option<String>,
    /// Tables whose rows it names.
    parents: BTreeSet<String>,
}

impl Table {
    /// Whether two databases mean the same by it.
    pub fn same(&self, other: &Table) -> bool {
        let key = |t: &Table| t.key.iter().map(|i| t.columns[*i].0.clone()).collect::<Vec<_>>();
        let columns = |t: &Table| t.columns.iter().cloned().collect::<BTreeSet<_>>();
        self.name == other.name && columns(self) == columns(other) && key(self) == key(other)
    }
}

/// Every table that belongs to an installation, each after those whose rows it names.
pub(super) async fn tables(db: &mut Connection) -> Result<Vec<Table>, sqlx::Error> {
    let engine = if db.backend_name() == "PostgreSQL" { Engine::Postgres } else { Engine::Sqlite };
    let listed: Vec<String> = sqlx::query_scalar(match engine {
        Engine::Sqlite => "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite~_%' ESCAPE '~' ORDER BY name",
        Engine::Postgres => "SELECT relname::text AS name FROM pg_class WHERE relkind = 'r' AND relnamespace = current_schema()::regnamespace ORDER BY 1",
    })
    .fetch_all(&mut *db)
    .await?;
    let mut left = Vec::new();
    for name in listed.into_iter().filter(|n| !["_sqlx_migrations", "moved"].contains(&n.as_str())) {
        left.push(table(db, engine, name).await?);
    }
    let mut out: Vec<Table> = Vec::new();
    while !left.is_empty() {
        let ready = |t: &Table| t.parents.iter().all(|p| *p == t.name || out.iter().any(|o| o.name == *p));
        let next = left.iter().position(ready).ok_or_else(|| broken("tables name each other's rows in a circle"))?;
        out.push(left.remove(next));
    }
    Ok(out)
}

async fn table(db: &mut Connection, engine: Engine, name: String) -> Result<Table, sqlx::Error> {
    let rows = sqlx::query(match engine {
        Engine::Sqlite => "SELECT name, type, pk, '' AS counted FROM pragma_table_info($1) ORDER BY cid",
        Engine::Postgres => {
            "SELECT a.attname::text AS name, format_type(a.atttypid, NULL) AS type, a.attidentity::text AS counted, COALESCE((
                 SELECT k.n FROM pg_index i, unnest(i.indkey::int2[]) WITH ORDINALITY AS k (col, n)
                 WHERE i.indrelid = a.attrelid AND i.indisprimary AND k.col = a.attnum), 0) AS pk
             FROM pg_attribute a WHERE a.attrelid = $1::regclass AND a.attnum > 0 AND NOT a.attisdropped ORDER BY a.attnum"
        }
    })
    .bind(name.clone())
    .fetch_all(&mut *db)
    .await?;
    let (mut columns, mut key, mut counted) = (Vec::new(), Vec::new(), None);
    for row in &rows {
        let column: String = row.try_get("name")?;
        let kind = match row.try_get::<String, _>("type")?.to_lowercase().as_str() {
            "text" => Kind::Text,
            "integer" | "bigint" => Kind::Number,
            "blob" | "bytea" => Kind::Bytes,
            other => return Err(broken(format!("table {name}: {column} is of a type {other} that is not copied"))),
        };
        let pk: i64 = row.try_get("pk")?;
        if pk > 0 {
            key.push((pk, columns.len()));
        }
        if !row.try_get::<String, _>("counted")?.is_empty() {
            counted = Some(column.clone());
        }
        columns.push((column, kind));
    }
    if key.is_empty() {
        return Err(broken(format!("table {name} has no key")));
    }
    key.sort_unstable();
    let parents: Vec<String> = sqlx::query_scalar(match engine {
        Engine::Sqlite => "SELECT DISTINCT \"table\" FROM pragma_foreign_key_list($1)",
        Engine::Postgres => {
            "SELECT DISTINCT confrelid::regclass::text FROM pg_constraint WHERE contype = 'f' AND conrelid = $1::regclass"
        }
    })
    .bind(name.clone())
    .fetch_all(&mut *db)
    .await?;
    let key = key.into_iter().map(|(_, at)| at).collect();
    Ok(Table { name, columns, key, counted, parents: parents.into_iter().collect() })
}
