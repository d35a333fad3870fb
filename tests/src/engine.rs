//! Which database the servers under test use: the file in the data folder, or PostgreSQL with
//! `COUNTERFOIL_TEST_ENGINE=postgres`. A data folder keeps its database: its address is written beside it.

use std::fs;
use std::path::{Path, PathBuf};

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
    arguments(data)
}

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

/// The arguments that name the database of a data folder.
pub fn arguments(data: &Path) -> Vec<String> {
    database_of(data).map_or_else(Vec::new, |address| vec!["--database".to_owned(), address])
}

fn file(data: &Path) -> PathBuf {
    data.with_extension("database")
}
