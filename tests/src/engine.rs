//! Which database the servers under test use: the file in the data folder, or PostgreSQL with
//! `COUNTERFOIL_TEST_ENGINE=postgres`. A data folder keeps its database: its address is written beside it. In the same way their
//! originals are in the folder, or in a bucket with `COUNTERFOIL_TEST_ORIGINALS=s3`.

use std::fs;
use std::path::{Path, PathBuf};

use cluster::store;
use sqlx::any::AnyConnectOptions;
use sqlx::{AnyConnection, ConnectOptions};

/// What is asked for by a test, a suite or nobody.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Engine {
    /// What the environment says; without a word of it the file.
    #[default]
    AsTold,
    /// The file, since the test looks into it.
    Sqlite,
    /// PostgreSQL, since the test needs several processes.
    Postgres,
}

impl Engine {
    fn is_postgres(self) -> bool {
        match self {
            Engine::Sqlite => false,
            Engine::Postgres => true,
            Engine::AsTold => match std::env::var("COUNTERFOIL_TEST_ENGINE").as_deref() {
                Ok("postgres") => true,
                Ok("sqlite") | Err(_) => false,
                Ok(other) => panic!("COUNTERFOIL_TEST_ENGINE={other}: sqlite or postgres"),
            },
        }
    }
}

/// The arguments that name the database of a data folder; made where the folder has none yet.
///
/// # Panics
/// When PostgreSQL is asked for and cannot be had.
pub(crate) fn begin(data: &Path, engine: Engine) -> Vec<String> {
    if database_of(data).is_none() && !data.exists() && engine.is_postgres() {
        use_database(data, &cluster::database());
    }
    if originals_of(data).is_none() && !data.exists() && in_bucket() {
        use_originals(data, &store::address(store::endpoint()));
    }
    arguments(data)
}

/// Whether the suite keeps originals in a bucket.
///
/// # Panics
/// When the environment says something else.
pub fn in_bucket() -> bool {
    match std::env::var("COUNTERFOIL_TEST_ORIGINALS").as_deref() {
        Ok("s3") => true,
        Ok("folder") | Err(_) => false,
        Ok(other) => panic!("COUNTERFOIL_TEST_ORIGINALS={other}: folder or s3"),
    }
}

/// Says where a data folder has its originals.
///
/// # Panics
/// When it cannot be written down.
pub fn use_originals(data: &Path, address: &str) {
    fs::write(data.with_extension("originals"), address).expect("a file beside the data folder");
}

/// Where a data folder has its originals, when not in itself.
pub fn originals_of(data: &Path) -> Option<String> {
    fs::read_to_string(data.with_extension("originals")).ok()
}

/// The bucket's keys, as the program wants them in its environment.
pub const STORE_KEYS: [(&str, &str); 2] =
    [("COUNTERFOIL_S3_KEY", store::KEY), ("COUNTERFOIL_S3_SECRET", store::SECRET)];

/// The address of a data folder's database, made where the folder has none yet; none for the file in there.
///
/// # Panics
/// When PostgreSQL is asked for and cannot be had.
pub fn address(data: &Path) -> Option<String> {
    begin(data, Engine::AsTold);
    database_of(data)
}

/// Keeps a second copy of a stopped server's database for the copy of its data folder.
///
/// # Panics
/// When it cannot be copied.
pub fn copy_database(from: &Path, to: &Path) {
    if let Some(address) = database_of(from) {
        use_database(to, &cluster::copy_of(&address));
    }
    // Its files are content: both may look into one bucket.
    if let Some(address) = originals_of(from) {
        use_originals(to, &address);
    }
}

/// Gives a data folder, whose server is stopped, the database that another one has.
///
/// # Panics
/// When it cannot be put there.
pub fn put_database(from: &Path, to: &Path) {
    match database_of(from) {
        Some(address) => use_database(to, &address),
        None => drop(fs::copy(from.join("counterfoil.db"), to.join("counterfoil.db")).expect("the other database")),
    }
}

/// Whether the suite runs over PostgreSQL.
pub fn postgres() -> bool {
    Engine::AsTold.is_postgres()
}

/// Says which database a data folder has.
///
/// # Panics
/// When it cannot be written down.
pub fn use_database(data: &Path, address: &str) {
    fs::write(file(data), address).expect("a file beside the data folder");
}

/// The address of a data folder's database, where it is not a file in there.
pub fn database_of(data: &Path) -> Option<String> {
    fs::read_to_string(file(data)).ok()
}

/// The arguments that name the database and the bucket of a data folder.
pub fn arguments(data: &Path) -> Vec<String> {
    let named = [("--database", database_of(data)), ("--originals", originals_of(data))];
    named.into_iter().filter_map(|(flag, address)| Some([flag.to_owned(), address?])).flatten().collect()
}

fn file(data: &Path) -> PathBuf {
    data.with_extension("database")
}

/// A connection to the database of a data folder, for what looks into it or fills it.
///
/// # Errors
/// The database's.
pub async fn connect(data: &Path) -> Result<AnyConnection, sqlx::Error> {
    let file = || format!("sqlite://{}", data.join("counterfoil.db").display());
    database_of(data).unwrap_or_else(file).parse::<AnyConnectOptions>()?.connect().await
}
