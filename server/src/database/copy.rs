//! Copies every table of an installation from one database to another, of the same engine or of the other: out of one
//! state of the source, page by page, exact to the type of each value. What was copied before a stop is found by its
//! highest key, since each page is one transaction in the order of the key; then both are read again and compared.

use std::fmt::Write as _;

use futures_util::StreamExt;
use sqlx::Row as _;
use uuid::Uuid;

use super::shape::{self, Kind, Table};
use super::{Builder, Connection, Engine, Pool, Row};
use crate::ledger::load::{self, broken};
use crate::ledger::start::StartError;

/// Rows of a page, at most.
const ROWS: usize = 1_000;
/// Bytes of a page, about: a row that goes beyond ends it.
const BYTES: usize = 4 << 20;

/// What was copied.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Done {
    /// The table.
    pub table: String,
    /// Rows copied now.
    pub copied: u64,
}

/// One value, as both databases have it.
#[derive(Clone, Debug, PartialEq, Eq)]
enum Value {
    Null(Kind),
    Text(String),
    Number(i64),
    Bytes(Vec<u8>),
}

impl Value {
    fn read(row: &Row, at: usize, kind: Kind) -> Result<Value, sqlx::Error> {
        let value = match kind {
            Kind::Text => row.try_get::<Option<String>, _>(at)?.map(Value::Text),
            Kind::Number => row.try_get::<Option<i64>, _>(at)?.map(Value::Number),
            Kind::Bytes => row.try_get::<Option<Vec<u8>>, _>(at)?.map(Value::Bytes),
        };
        Ok(value.unwrap_or(Value::Null(kind)))
    }

    fn bind(&self, query: &mut Builder) {
        match self {
            Value::Null(Kind::Text) => query.push_bind(None::<String>),
            Value::Null(Kind::Number) => query.push_bind(None::<i64>),
            Value::Null(Kind::Bytes) => query.push_bind(None::<Vec<u8>>),
            Value::Text(text) => query.push_bind(text.clone()),
            Value::Number(number) => query.push_bind(*number),
            Value::Bytes(bytes) => query.push_bind(bytes.clone()),
        };
    }

    fn len(&self) -> usize {
        match self {
            Value::Text(text) => text.len(),
            Value::Bytes(bytes) => bytes.len(),
            Value::Null(_) | Value::Number(_) => 8,
        }
    }
}

type Values = Vec<Value>;

/// A list of columns, quoted: some are called as words of SQL are.
fn names<'a>(columns: impl Iterator<Item = &'a str>) -> String {
    let mut out = String::new();
    for column in columns {
        let _ = write!(out, "{}\"{column}\"", if out.is_empty() { "" } else { ", " });
    }
    out
}

impl Table {
    fn all(&self) -> String {
        names(self.columns.iter().map(|(name, _)| name.as_str()))
    }

    fn key_names(&self) -> String {
        names(self.key.iter().map(|at| self.columns[*at].0.as_str()))
    }

    fn key_of(&self, row: &Values) -> Values {
        self.key.iter().map(|at| row[*at].clone()).collect()
    }

    /// The rows after a key, in its order.
    async fn page(&self, db: &mut Connection, after: Option<&Values>, most: usize) -> Result<Vec<Values>, sqlx::Error> {
        let mut query = Builder::new(&format!("SELECT {} FROM \"{}\"", self.all(), self.name));
        if let Some(after) = after {
            query.push(&format!(" WHERE ({}) > (", self.key_names()));
            for (n, value) in after.iter().enumerate() {
                query.push(if n == 0 { "" } else { ", " });
                value.bind(&mut query);
            }
            query.push(")");
        }
        query.push(&format!(" ORDER BY {} LIMIT {most}", self.key_names()));
        let (mut out, mut bytes) = (Vec::new(), 0);
        let mut rows = query.build()?.fetch(db);
        while let Some(row) = rows.next().await {
            let row = row?;
            let read = |(at, (_, kind)): (usize, &(String, Kind))| Value::read(&row, at, *kind);
            let values: Values = self.columns.iter().enumerate().map(read).collect::<Result<_, _>>()?;
            bytes += values.iter().map(Value::len).sum::<usize>();
            out.push(values);
            if bytes >= BYTES {
                break;
            }
        }
        Ok(out)
    }

    /// The highest key that is there.
    async fn last(&self, db: &mut Connection) -> Result<Option<Values>, sqlx::Error> {
        let down: Vec<String> = self.key.iter().map(|at| format!("\"{}\" DESC", self.columns[*at].0)).collect();
        let query = format!("SELECT {} FROM \"{}\" ORDER BY {} LIMIT 1", self.all(), self.name, down.join(", "));
        let row = sqlx::query(sqlx::AssertSqlSafe(query)).fetch_optional(db).await?;
        let of = |row: Row| self.key.iter().map(|at| Value::read(&row, *at, self.columns[*at].1)).collect();
        row.map(of).transpose()
    }

    /// Writes a page, whole or not at all. Columns stand in the order of the source.
    async fn put(&self, to: &Pool, from: &Table, rows: &[Values]) -> Result<(), sqlx::Error> {
        let mut tx = super::writing(to, "copy").await?;
        // Fewer values in one statement than either database takes.
        for some in rows.chunks((4_000 / self.columns.len()).max(1)) {
            let own = if self.counted.is_some() { " OVERRIDING SYSTEM VALUE" } else { "" };
            let mut query = Builder::new(&format!("INSERT INTO \"{}\" ({}){own} VALUES ", self.name, from.all()));
            for (n, row) in some.iter().enumerate() {
                query.push(if n == 0 { "(" } else { "), (" });
                for (n, value) in row.iter().enumerate() {
                    query.push(if n == 0 { "" } else { ", " });
                    value.bind(&mut query);
                }
            }
            query.push(")");
            query.build()?.persistent(false).execute(&mut *tx).await?;
        }
        tx.commit().await
    }
}

/// The tables of both, which have to be the same.
async fn pairs(from: &mut Connection, to: &mut Connection) -> Result<Vec<(Table, Table)>, StartError> {
    let (ours, theirs) = (shape::tables(from).await?, shape::tables(to).await?);
    let mut out = Vec::new();
    for table in &ours {
        match theirs.iter().find(|t| t.same(table)) {
            Some(there) => out.push((table.clone(), there.clone())),
            None => return Err(other_version(&table.name)),
        }
    }
    match theirs.iter().find(|t| !ours.iter().any(|o| o.name == t.name)) {
        Some(table) => Err(other_version(&table.name)),
        None => Ok(out),
    }
}

fn other_version(table: &str) -> StartError {
    StartError::Stop(format!(
        "the table {table} is not the same in both databases: a newer version of the program used one of them. Use that version."
    ))
}

/// Copies what is not there yet, and tells of each table once it is done. `from` reads one state throughout.
///
/// # Errors
/// The databases', or a sentence.
pub async fn all(from: &mut Connection, to: &Pool, told: impl FnMut(&Done)) -> Result<(), StartError> {
    by_pages_of(ROWS, from, to, told).await
}

async fn by_pages_of(
    most: usize,
    from: &mut Connection,
    to: &Pool,
    mut told: impl FnMut(&Done),
) -> Result<(), StartError> {
    let tables = pairs(from, &mut *to.acquire().await?).await?;
    for (table, there) in &tables {
        let mut after = there.last(&mut *to.acquire().await?).await?;
        let mut done = Done { table: table.name.clone(), copied: 0 };
        loop {
            let page = table.page(from, after.as_ref(), most).await?;
            let Some(last) = page.last() else { break };
            after = Some(table.key_of(last));
            there.put(to, table, &page).await.map_err(|e| refused(table, e))?;
            done.copied += page.len() as u64;
        }
        if let Some(column) = &there.counted {
            let next = format!(
                "SELECT setval(pg_get_serial_sequence($1, $2), (SELECT COALESCE(max(\"{column}\"), 0) + 1 FROM \"{}\"), false)",
                there.name
            );
            sqlx::query(sqlx::AssertSqlSafe(next)).bind(there.name.clone()).bind(column.clone()).execute(to).await?;
        }
        told(&done);
    }
    // What the planner knows of a table counts the rows of before.
    if Engine::of(to) == Engine::Postgres {
        sqlx::query("ANALYZE").execute(to).await?;
    }
    Ok(())
}

fn refused(table: &Table, e: sqlx::Error) -> StartError {
    if super::unkeepable(&e) {
        let sentence =
            "a text in it holds a NUL, which PostgreSQL does not keep. Change it where it is, then start again.";
        return StartError::Stop(format!("the table {}: {sentence}", table.name));
    }
    StartError::Stop(format!("the table {} is not taken as it is: {e}", table.name))
}

/// Reads both databases whole and compares each row, then each log's head with what its entries give.
///
/// # Errors
/// The databases', or a sentence that names the first difference.
pub async fn compared(from: &mut Connection, to: &mut Connection) -> Result<u64, StartError> {
    let mut rows = 0;
    for (table, mut there) in pairs(from, to).await? {
        // Read in the same order of columns.
        there.columns.clone_from(&table.columns);
        there.key.clone_from(&table.key);
        let mut after = None;
        loop {
            let (ours, theirs) =
                (table.page(from, after.as_ref(), ROWS).await?, there.page(to, after.as_ref(), ROWS).await?);
            if ours != theirs {
                return Err(StartError::Stop(format!("the table {} is not the same in both databases", table.name)));
            }
            let Some(last) = ours.last() else { break };
            after = Some(table.key_of(last));
            rows += ours.len() as u64;
        }
    }
    for shop in shops(to).await? {
        let head = load::head(&mut *to, shop).await?.ok_or_else(|| broken(format!("shop {shop} has no head")))?;
        let count: i64 = sqlx::query_scalar("SELECT count(*) FROM entry WHERE shop = $1")
            .bind(shop.to_string())
            .fetch_one(&mut *to)
            .await?;
        if u64::try_from(count) != Ok(head.size) || load::root_at(to, shop, head.size).await? != head.root {
            return Err(StartError::Stop(format!("the entries of shop {shop} do not give the root of its head")));
        }
    }
    Ok(rows)
}

/// Every shop, also one whose log has not begun.
///
/// # Errors
/// The database's.
pub async fn shops(db: &mut Connection) -> Result<Vec<Uuid>, sqlx::Error> {
    let all: Vec<String> = sqlx::query_scalar("SELECT id FROM shop ORDER BY id").fetch_all(db).await?;
    all.iter().map(|s| s.parse().map_err(|_| broken("a shop's id is not a UUID"))).collect()
}

/// Empties every table: what a copy that does not fit any more, or a start without a shop, left there.
///
/// # Errors
/// The database's.
pub async fn emptied(to: &Pool) -> Result<(), sqlx::Error> {
    let mut tx = super::writing(to, "copy").await?;
    for table in shape::tables(&mut tx).await?.iter().rev() {
        sqlx::query(sqlx::AssertSqlSafe(format!("DELETE FROM \"{}\"", table.name))).execute(&mut *tx).await?;
    }
    tx.commit().await
}

#[cfg(test)]
mod tests;
