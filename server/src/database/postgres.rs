//! PostgreSQL 15 and newer: one database for an installation, any number of processes.

use std::time::Duration;

use sqlx::any::{AnyConnectOptions, AnyPoolOptions};
use sqlx::postgres::{PgConnectOptions, PgSslMode};
use sqlx::{AnyConnection, Connection as _, Executor, Row};

use super::{For, Pool, mark};
use crate::ledger::load::broken;
use crate::ledger::start::StartError;

/// One state throughout. It keeps nobody waiting, so it may stand still: a check hashes for long between two queries.
pub(super) const READING: &str =
    "BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY; SET LOCAL idle_in_transaction_session_timeout = 0";

/// Waits for everybody with the same key; ends with the transaction, also when its process dies.
pub(super) const ALONE: &str = "SELECT pg_advisory_xact_lock(hashtextextended($1, 0))";

/// Not a text in this encoding: a NUL (postgresql.org/docs/current/errcodes-appendix.html).
pub(super) const NOT_IN_REPERTOIRE: &str = "22021";

/// What every connection says first. A commit is on disk before it is confirmed, whatever the server's default; who
/// waits for a lock gives up after as long as on SQLite; and a process that hangs, or whose machine is gone, keeps a
/// shop's head from nobody for longer than this. Nothing is compiled: that takes longer than any query here.
pub(super) const SETTINGS: &str = "
    SELECT set_config('synchronous_commit', 'on', false) WHERE current_setting('synchronous_commit') IN ('off', 'local');
    SET lock_timeout = '10s';
    SET idle_in_transaction_session_timeout = '60s';
    SET tcp_keepalives_idle = 15;
    SET tcp_keepalives_interval = 5;
    SET tcp_keepalives_count = 3;
    SET jit = off;";

/// Connections of one process.
const CONNECTIONS: u32 = 12;
/// How long a request waits for a connection before it is told to come again.
const WAIT: Duration = Duration::from_secs(5);
/// A connection that was not used for so long is asked whether it still stands.
const STALE: Duration = Duration::from_secs(1);

/// What an address says.
pub(super) fn options(url: &str) -> Result<AnyConnectOptions, StartError> {
    if !["postgres://", "postgresql://"].iter().any(|s| url.starts_with(s)) {
        return Err(StartError::Stop(
            "--database is the address of a PostgreSQL database: postgres://USER@HOST/NAME".into(),
        ));
    }
    agreed(&url.parse()?)?;
    Ok(url.parse()?)
}

/// Opens it and brings it up to date.
pub(super) async fn open(url: &str, what: For) -> Result<Pool, StartError> {
    let options = options(url)?;
    if what != For::Move {
        // Asked once by itself: a pool that is refused only says that it waited too long.
        let mut first = AnyConnection::connect_with(&options).await?;
        mark::enter(&mut first, what).await?;
        first.close().await?;
    }
    let pool = AnyPoolOptions::new()
        .max_connections(CONNECTIONS)
        .acquire_timeout(WAIT)
        .test_before_acquire(false)
        .before_acquire(|db, about| Box::pin(async move { Ok(about.idle_for < STALE || db.ping().await.is_ok()) }))
        .after_connect(move |db, _| {
            Box::pin(async move {
                db.execute(SETTINGS).await?;
                match what {
                    For::Move => Ok(()),
                    _ => mark::enter(db, what).await.map_err(|e| broken(e.to_string())),
                }
            })
        })
        .connect_with(options)
        .await?;
    fit(&pool).await?;
    // A newer program may have added to the schema while this one still serves: migrations only ever add.
    let mut migrations = sqlx::migrate!("../schema/migrations/postgres");
    migrations.set_ignore_missing(true);
    migrations.run(&pool).await?;
    Ok(pool)
}

/// Refuses a way to another machine that is encrypted only if that machine likes: somebody between the two would say no.
fn agreed(to: &PgConnectOptions) -> Result<(), StartError> {
    let host = to.get_host().trim_matches(['[', ']']);
    let here = to.get_socket().is_some()
        || host.starts_with('/')
        || host == "localhost"
        || host.parse::<std::net::IpAddr>().is_ok_and(|a| a.is_loopback());
    if here || !matches!(to.get_ssl_mode(), PgSslMode::Prefer | PgSslMode::Allow) {
        return Ok(());
    }
    Err(StartError::Stop(
        "the database is on another machine: say in its address how the way there is kept secret, ?sslmode=verify-full, \
         or ?sslmode=disable where nobody else is on that way"
            .into(),
    ))
}

/// Refuses a server that would not keep our promises.
async fn fit(pool: &Pool) -> Result<(), StartError> {
    let row = sqlx::query(
        "SELECT current_setting('server_version_num') AS version, current_setting('fsync') AS fsync,
         current_setting('full_page_writes') AS pages, current_setting('server_encoding') AS encoding",
    )
    .fetch_one(pool)
    .await?;
    let said = |column: &str| row.try_get::<String, _>(column);
    let stop = |sentence: &str| Err(StartError::Stop(sentence.to_owned()));
    if said("version")?.parse::<u32>().unwrap_or(0) < 150_000 {
        return stop("the database is older than PostgreSQL 15; use a newer one");
    }
    if said("fsync")? != "on" || said("pages")? != "on" {
        return stop("the database may lose what it confirmed: set fsync and full_page_writes to on, then start again");
    }
    if said("encoding")? != "UTF8" {
        return stop("the database does not hold every letter: make it with ENCODING 'UTF8', then start again");
    }
    Ok(())
}

/// Tables whose rows belong to a shop of the table `shop`.
const OF_A_SHOP: [&str; 18] = [
    "log_head",
    "entry",
    "node",
    "disclosure",
    "intake",
    "intake_word",
    "named_file",
    "setting",
    "document",
    "lost_tag",
    "photo_look",
    "search_word",
    "own_kind",
    "tag_lease",
    "erasing",
    "orphan",
    "rehash",
    "broken_file",
];

/// Rows that belong to no shop (a copy made without its constraints), and B-trees that do not agree with their tables,
/// where the extension `amcheck` is there to tell.
pub(super) async fn faults(pool: &Pool) -> (Vec<String>, Vec<String>) {
    let (mut faults, mut notes) = (Vec::new(), Vec::new());
    let unread = |e: sqlx::Error| format!("the database cannot be read whole: {e}");
    for table in OF_A_SHOP {
        let sql = format!("SELECT count(*) FROM {table} t WHERE NOT EXISTS (SELECT 1 FROM shop s WHERE s.id = t.shop)");
        match sqlx::query_scalar::<_, i64>(sqlx::AssertSqlSafe(sql)).fetch_one(pool).await {
            Ok(0) => {}
            Ok(_) => faults.push(format!("table {table}: rows belong to nothing that is there")),
            Err(e) => faults.push(unread(e)),
        }
    }
    let amcheck = sqlx::query("SELECT 1 FROM pg_extension WHERE extname = 'amcheck'").fetch_optional(pool).await;
    match amcheck {
        Ok(Some(_)) => faults.extend(trees(pool).await),
        Ok(None) => notes.push(
            "the database's own indexes were not compared with its tables: CREATE EXTENSION amcheck lets this be done"
                .into(),
        ),
        Err(e) => faults.push(unread(e)),
    }
    (faults, notes)
}

async fn trees(pool: &Pool) -> Vec<String> {
    let indexes: Result<Vec<String>, sqlx::Error> = sqlx::query_scalar(
        "SELECT c.oid::regclass::text FROM pg_class c JOIN pg_am a ON a.oid = c.relam
         WHERE c.relkind = 'i' AND a.amname = 'btree' AND c.relnamespace = current_schema()::regnamespace ORDER BY 1",
    )
    .fetch_all(pool)
    .await;
    let indexes = match indexes {
        Ok(indexes) => indexes,
        Err(e) => return vec![format!("the database's indexes cannot be listed: {e}")],
    };
    let mut faults = Vec::new();
    for index in indexes {
        let checked = sqlx::query("SELECT bt_index_check($1::regclass, true)").bind(&index).execute(pool).await;
        if let Err(e) = checked {
            faults.push(format!("the database: index {index}: {e}"));
        }
    }
    faults
}

/// Connection lost (08), not enough of something (53), rolled back because of another (40), lock not to be had (55P03),
/// shut down or starting (57P01 to 57P03), a transaction that stood still too long (25P03)
/// (postgresql.org/docs/current/errcodes-appendix.html).
pub(super) fn busy(code: &str) -> bool {
    code.len() == 5
        && (["08", "53", "40"].contains(&&code[..2]) || ["55P03", "57P01", "57P02", "57P03", "25P03"].contains(&code))
}

/// Tables that hold what is personal, or what was made from it.
const PERSONAL: [&str; 4] = ["disclosure", "intake", "intake_word", "search_word"];

/// Writes those tables' files anew: deleted rows stay in the old ones until then.
pub(super) async fn scrub(pool: &Pool) -> Result<(), sqlx::Error> {
    let mut db = pool.acquire().await?;
    for table in PERSONAL {
        sqlx::query(sqlx::AssertSqlSafe(format!("VACUUM (FULL) {table}"))).execute(&mut *db).await?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::{agreed, busy};

    #[test]
    fn busy_is_told_from_broken() {
        for code in ["08006", "53300", "40001", "40P01", "55P03", "57P01", "57P03"] {
            assert!(busy(code), "{code}");
        }
        for code in ["23505", "22021", "42P01", "5", "261"] {
            assert!(!busy(code), "{code}");
        }
    }

    #[test]
    fn the_way_to_another_machine_is_encrypted_or_somebody_said_that_it_need_not_be() {
        for (url, good) in [
            ("postgres://counterfoil@db.internal/counterfoil", false),
            ("postgres://counterfoil@db.internal/counterfoil?sslmode=prefer", false),
            ("postgres://counterfoil@192.0.2.7/counterfoil", false),
            ("postgres://counterfoil@db.internal/counterfoil?sslmode=verify-full", true),
            ("postgres://counterfoil@db.internal/counterfoil?sslmode=disable", true),
            ("postgres://counterfoil@127.0.0.1:5432/counterfoil", true),
            ("postgres://counterfoil@[::1]/counterfoil", true),
            ("postgres://counterfoil@localhost/counterfoil?host=/run/postgresql", true),
        ] {
            assert_eq!(agreed(&url.parse().expect("an address")).is_ok(), good, "{url}");
        }
    }
}
