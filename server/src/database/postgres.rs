//! PostgreSQL 15 and newer: one database for an installation, any number of processes.

use std::time::Duration;

use sqlx::any::{AnyConnectOptions, AnyPoolOptions};
use sqlx::postgres::{PgConnectOptions, PgSslMode};
use sqlx::{AnyConnection, Connection as _, Executor, Row};

use super::{For, Pool, certificate, line, mark};
use crate::ledger::load::broken;
use crate::ledger::start::StartError;

/// One state throughout. It keeps nobody waiting, so it may stand still: a check hashes for long between two queries.
pub(super) const READING: &str =
    "BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY; SET LOCAL idle_in_transaction_session_timeout = 0";

/// Waits for everybody with the same key; ends with the transaction, also when its process dies.
pub(super) const ALONE: &str = "SELECT pg_advisory_xact_lock(hashtextextended($1, 0))";

/// For a batch of entries: it holds a shop's head, for which everybody waits, and has no reason to stand still.
pub(super) const APPENDING: &str = "BEGIN; SET LOCAL idle_in_transaction_session_timeout = '15s'";

/// For work on files while the head is held: as long as any other transaction.
pub(super) const HOLDING: &str = "SET LOCAL idle_in_transaction_session_timeout = '60s'";

/// Not a text in this encoding: a NUL (postgresql.org/docs/current/errcodes-appendix.html).
pub(super) const NOT_IN_REPERTOIRE: &str = "22021";

/// What every connection says first. A commit is on disk before it is confirmed, whatever the server's default; who
/// waits for a lock gives up after as long as on SQLite; and a process that hangs, or whose machine or line is gone, keeps what it
/// locked from nobody for longer than this: also one that waits for a lock itself, or does not take its answer. Nothing is compiled:
/// that takes longer than any query here.
pub(super) const SETTINGS: &str = "
    SELECT set_config('synchronous_commit', 'on', false) WHERE current_setting('synchronous_commit') IN ('off', 'local');
    SET lock_timeout = '10s';
    SET idle_in_transaction_session_timeout = '60s';
    SET tcp_keepalives_idle = 15;
    SET tcp_keepalives_interval = 5;
    SET tcp_keepalives_count = 3;
    SET tcp_user_timeout = '20s';
    SELECT set_config('client_connection_check_interval', '2s', false) WHERE version() LIKE '%linux%';
    SET jit = off;";

/// Connections of one process.
const CONNECTIONS: u32 = 12;
/// How long a request waits for a connection before it is told to come again.
const WAIT: Duration = Duration::from_secs(5);
/// A connection that was not used for so long is asked whether it still stands.
const STALE: Duration = Duration::from_secs(1);
/// And has so long to say so, or another is taken: a dead one must not use up a request's wait.
const SAYS_SO: Duration = Duration::from_secs(1);

/// How long a move may wait for an answer at least.
const LONG: Duration = Duration::from_secs(600);

/// Ours in an address, beside what the library knows: after how long without an answer a line is given up, milliseconds.
const LINE_TIMEOUT: &str = "line_timeout_ms";
/// What it may be.
const LINE_TIMEOUTS: std::ops::RangeInclusive<u64> = 100..=600_000;

/// What an address says.
pub(super) fn options(url: &str) -> Result<AnyConnectOptions, StartError> {
    Ok(read(url)?.0)
}

/// The same, and after how long without an answer a line is given up.
fn read(url: &str) -> Result<(AnyConnectOptions, Duration), StartError> {
    if !["postgres://", "postgresql://"].iter().any(|s| url.starts_with(s)) {
        return Err(StartError::Stop(
            "--database is the address of a PostgreSQL database: postgres://USER@HOST/NAME".into(),
        ));
    }
    let mut options: AnyConnectOptions = url.parse()?;
    known_only(&mut options)?;
    let ours: Option<String> =
        options.database_url.query_pairs().find(|(k, _)| k == LINE_TIMEOUT).map(|(_, v)| v.into_owned());
    without(&mut options, |key, _| key == LINE_TIMEOUT);
    let silence = match ours.map(|ms| ms.parse::<u64>()) {
        None => line::SILENCE,
        Some(Ok(ms)) if LINE_TIMEOUTS.contains(&ms) => Duration::from_millis(ms),
        Some(_) => return Err(StartError::Stop(format!("in the database's address, {LINE_TIMEOUT} is 100 to 600000"))),
    };
    agreed(&options.database_url.as_str().parse()?)?;
    Ok((options, silence))
}

/// What the library knows in an address, and `options[…]`.
const KNOWN: [&str; 17] = [
    "sslmode",
    "ssl-mode",
    "sslrootcert",
    "ssl-root-cert",
    "ssl-ca",
    "sslcert",
    "ssl-cert",
    "sslkey",
    "ssl-key",
    "statement-cache-capacity",
    "host",
    "hostaddr",
    "port",
    "dbname",
    "user",
    "password",
    "application_name",
];

/// Takes out what the library would pass over, since it logs that with its value, which may be a secret under a name of another
/// program's or one that was mistyped.
fn known_only(options: &mut AnyConnectOptions) -> Result<(), StartError> {
    let known =
        |key: &str| KNOWN.contains(&key) || key == LINE_TIMEOUT || key == "options" || key.starts_with("options[");
    for (key, _) in options.database_url.query_pairs().filter(|(key, _)| !known(key)) {
        if key == "sslpassword" {
            return Err(StartError::Stop(
                "in the database's address, sslpassword is not known: a key that asks for a passphrase is not taken"
                    .into(),
            ));
        }
        tracing::warn!(member = %key, "not known in the database's address, and passed over");
    }
    without(options, |key, _| !known(key));
    Ok(())
}

/// Takes members out of an address.
fn without(options: &mut AnyConnectOptions, out: impl Fn(&str, &str) -> bool) {
    let url = &mut options.database_url;
    if !url.query_pairs().any(|(k, v)| out(&k, &v)) {
        return;
    }
    let kept: Vec<(String, String)> =
        url.query_pairs().filter(|(k, v)| !out(k, v)).map(|(k, v)| (k.into_owned(), v.into_owned())).collect();
    url.set_query(None);
    if !kept.is_empty() {
        url.query_pairs_mut().extend_pairs(kept);
    }
}

/// The same address by a line that is watched, where the database is on the network; the name that its certificate must bear stays
/// the host's.
fn watched(mut options: AnyConnectOptions, silence: Duration) -> Result<AnyConnectOptions, StartError> {
    let to: PgConnectOptions = options.database_url.as_str().parse()?;
    if to.get_socket().is_none() && !to.get_host().starts_with('/') {
        let folder = line::begin(&to, silence)
            .map_err(|e| StartError::Stop(format!("the line to the database: {e}; is there a temporary folder?")))?;
        options.database_url.query_pairs_mut().append_pair("host", &folder);
    }
    Ok(options)
}

/// A connection for what may rightly take long without a word: one of its own, by no line that is watched.
async fn patient(pool: &Pool) -> Result<AnyConnection, sqlx::Error> {
    let mut options = (*pool.connect_options()).clone();
    without(&mut options, |key, value| key == "host" && line::is_ours(value));
    let mut db = AnyConnection::connect_with(&options).await?;
    db.execute(SETTINGS).await?;
    Ok(db)
}

/// A connection by itself, before anything else is done there: what does not let it come about is told.
pub(super) async fn one(options: &AnyConnectOptions) -> Result<AnyConnection, StartError> {
    certificate::files(options)?;
    AnyConnection::connect_with(options).await.map_err(|e| certificate::told(e, options))
}

/// Opens it and brings it up to date.
pub(super) async fn open(url: &str, what: For) -> Result<Pool, StartError> {
    let (options, silence) = read(url)?;
    // A move reads and writes whole tables, and nobody waits for it.
    let options = watched(options, if what == For::Move { silence.max(LONG) } else { silence })?;
    // Asked once by itself: a pool that is refused only says that it waited too long.
    let mut first = one(&options).await?;
    if what != For::Move {
        mark::enter(&mut first, what).await?;
    }
    first.close().await?;
    let pool = AnyPoolOptions::new()
        .max_connections(CONNECTIONS)
        .acquire_timeout(WAIT)
        .test_before_acquire(false)
        .before_acquire(|db, about| {
            Box::pin(async move {
                let stands = async { tokio::time::timeout(SAYS_SO, db.ping()).await.is_ok_and(|said| said.is_ok()) };
                Ok(about.idle_for < STALE || stands.await)
            })
        })
        .after_connect(move |db, _| {
            Box::pin(async move {
                db.execute(SETTINGS).await?;
                match what {
                    For::Move => Ok(()),
                    _ => mark::enter(db, what).await.map_err(|e| match e {
                        // A line that is lost here is lost as any other.
                        StartError::Database(e) => e,
                        told => broken(told.to_string()),
                    }),
                }
            })
        })
        .connect_with(options)
        .await?;
    fit(&pool).await?;
    // A newer program may have added to the schema while this one still serves: migrations only ever add.
    let mut migrations = sqlx::migrate!("../schema/migrations/postgres");
    migrations.set_ignore_missing(true);
    let mut db = patient(&pool).await?;
    migrations.run(&mut db).await?;
    db.close().await?;
    Ok(pool)
}

/// Refuses a way to another machine that is encrypted only if that machine likes, or to whoever answers: somebody between the two would
/// say no, or answer.
fn agreed(to: &PgConnectOptions) -> Result<(), StartError> {
    let host = to.get_host().trim_matches(['[', ']']);
    let here = to.get_socket().is_some()
        || host.starts_with('/')
        || host == "localhost"
        || host.parse::<std::net::IpAddr>().is_ok_and(|a| a.is_loopback());
    let why = match to.get_ssl_mode() {
        PgSslMode::Prefer | PgSslMode::Allow => "say in its address how the way there is kept secret",
        PgSslMode::Require => "sslmode=require does not look who answers there; say in its address",
        PgSslMode::Disable | PgSslMode::VerifyCa | PgSslMode::VerifyFull => return Ok(()),
    };
    if here {
        return Ok(());
    }
    Err(StartError::Stop(format!(
        "the database is on another machine: {why}, ?sslmode=verify-full (with &sslrootcert=… for an authority of your own), \
         or ?sslmode=disable where nobody else is on that way"
    )))
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
    let mut db = match patient(pool).await {
        Ok(db) => db,
        Err(e) => return (vec![unread(e)], notes),
    };
    for table in OF_A_SHOP {
        let sql = format!("SELECT count(*) FROM {table} t WHERE NOT EXISTS (SELECT 1 FROM shop s WHERE s.id = t.shop)");
        match sqlx::query_scalar::<_, i64>(sqlx::AssertSqlSafe(sql)).fetch_one(&mut db).await {
            Ok(0) => {}
            Ok(_) => faults.push(format!("table {table}: rows belong to nothing that is there")),
            Err(e) => faults.push(unread(e)),
        }
    }
    let amcheck = sqlx::query("SELECT 1 FROM pg_extension WHERE extname = 'amcheck'").fetch_optional(&mut db).await;
    match amcheck {
        Ok(Some(_)) => faults.extend(trees(&mut db).await),
        Ok(None) => notes.push(
            "the database's own indexes were not compared with its tables: CREATE EXTENSION amcheck lets this be done"
                .into(),
        ),
        Err(e) => faults.push(unread(e)),
    }
    (faults, notes)
}

async fn trees(db: &mut AnyConnection) -> Vec<String> {
    let indexes: Result<Vec<String>, sqlx::Error> = sqlx::query_scalar(
        "SELECT c.oid::regclass::text FROM pg_class c JOIN pg_am a ON a.oid = c.relam
         WHERE c.relkind = 'i' AND a.amname = 'btree' AND c.relnamespace = current_schema()::regnamespace ORDER BY 1",
    )
    .fetch_all(&mut *db)
    .await;
    let indexes = match indexes {
        Ok(indexes) => indexes,
        Err(e) => return vec![format!("the database's indexes cannot be listed: {e}")],
    };
    let mut faults = Vec::new();
    for index in indexes {
        let checked = sqlx::query("SELECT bt_index_check($1::regclass, true)").bind(&index).execute(&mut *db).await;
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

/// Whether a line ended where TLS was wished for: the library reads that end as an answer of zero, and calls it no answer. (What it
/// says is its own: `request_upgrade` of sqlx-postgres 0.9.)
pub(super) fn ended_before_it_began(e: &sqlx::Error) -> bool {
    matches!(e, sqlx::Error::Protocol(said) if said.starts_with("unexpected response from SSLRequest: 0x00"))
}

/// Tables that hold what is personal, or what was made from it.
const PERSONAL: [&str; 4] = ["disclosure", "intake", "intake_word", "search_word"];

/// Writes those tables' files anew: deleted rows stay in the old ones until then. Whoever owns neither a table nor the database is only
/// warned by the server, which does nothing then; a file of another name is what shows that it was done.
pub(super) async fn scrub(pool: &Pool) -> Result<(), sqlx::Error> {
    let mut db = patient(pool).await?;
    for table in PERSONAL {
        let before = file_of(&mut db, table).await?;
        sqlx::query(sqlx::AssertSqlSafe(format!("VACUUM (FULL) {table}"))).execute(&mut db).await?;
        if file_of(&mut db, table).await? == before {
            return Err(broken(format!(
                "what is erased still lies in the file of {table}: the account that serves has to own that table, or the database"
            )));
        }
    }
    db.close().await
}

/// The number of a table's file.
async fn file_of(db: &mut AnyConnection, table: &str) -> Result<i64, sqlx::Error> {
    let asked = sqlx::query("SELECT CAST(pg_relation_filenode(CAST($1 AS regclass)) AS BIGINT)").bind(table);
    asked.fetch_one(db).await?.try_get(0)
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use sqlx::Executor as _;

    use super::super::{For, Place, open, scrub};
    use super::{agreed, busy, line, read};

    #[tokio::test]
    async fn an_account_that_may_not_write_tables_anew_is_told_so() {
        let folder = tempfile::tempdir().expect("a folder");
        let address = cluster::database();
        let place = Place::new(folder.path(), Some(&address));
        let pool = open(&place, For::Work).await.expect("a database");
        scrub(&pool).await.expect("its own tables");
        let name = address.split('?').next().and_then(|a| a.rsplit('/').next()).expect("a name").to_owned();
        let sql = format!("CREATE ROLE \"guest {name}\"; ALTER DATABASE \"{name}\" SET role = 'guest {name}'");
        pool.execute(sqlx::AssertSqlSafe(sql)).await.expect("its owner");
        let told = scrub(&pool).await.expect_err("the tables of somebody else").to_string();
        assert!(told.contains("has to own that table"), "{told}");
        let sql = format!("ALTER DATABASE \"{name}\" RESET role; DROP ROLE \"guest {name}\"");
        pool.execute(sqlx::AssertSqlSafe(sql)).await.expect("its owner");
        scrub(&pool).await.expect("its own tables");
        pool.close().await;
    }

    #[test]
    fn what_is_ours_in_an_address_is_read_and_taken_out() {
        let (options, silence) =
            read("postgres://a@127.0.0.1/b?line_timeout_ms=700&application_name=c").expect("an address");
        assert_eq!(silence, Duration::from_millis(700));
        assert_eq!(options.database_url.as_str(), "postgres://a@127.0.0.1/b?application_name=c");
        assert_eq!(read("postgres://a@127.0.0.1/b").expect("an address").1, line::SILENCE);
        let (options, _) = read("postgres://a@127.0.0.1/b?pasword=hush&port=5433&options[x]=1").expect("an address");
        assert_eq!(options.database_url.query(), Some("port=5433&options%5Bx%5D=1"));
        for bad in ["0", "99", "600001", "soon"] {
            assert!(read(&format!("postgres://a@127.0.0.1/b?line_timeout_ms={bad}")).is_err(), "{bad}");
        }
    }

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
            ("postgres://counterfoil@db.internal/counterfoil?sslmode=require", false),
            ("postgres://counterfoil@db.internal/counterfoil?sslmode=verify-ca", true),
            ("postgres://counterfoil@127.0.0.1/counterfoil?sslmode=require", true),
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
