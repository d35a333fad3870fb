//! `container IMAGE FOLDER`: PostgreSQL in a container, as `tests/cluster` has it in a shell: its socket in that folder, told what to
//! do line by line (`stop`: as a crash does; `start`), gone when the one who tells it ends, however that ends.
//!
//! The image holds PostgreSQL 15 as Debian packages it: `postgres:15-bookworm`, or one that was made here without a registry.

use std::fs;
use std::io::BufRead;
use std::os::unix::fs::PermissionsExt;
use std::path::Path;
use std::process::ExitCode;
use std::time::Duration;

use testcontainers::core::{ExecCommand, Mount, WaitFor};
use testcontainers::runners::SyncRunner;
use testcontainers::{Container, GenericImage, ImageExt};

/// Where Debian's package and the usual image have the programs.
const PROGRAMS: &str = "/usr/lib/postgresql/15/bin";
/// Makes the cluster once; started again after a crash it goes on with what is there.
const SERVER: &str = r#"
as="setpriv --reuid=postgres --regid=postgres --clear-groups $1"
[ -d /cluster ] || { install -d -m 0700 -o postgres -g postgres /cluster && $as/initdb -D /cluster -U postgres -A trust -E UTF8 --locale=C.UTF-8 -N >/dev/null; }
exec $as/postgres -D /cluster -k "$2" -c listen_addresses= -c max_connections=300
"#;
/// Longest time until it takes connections.
const PATIENCE: Duration = Duration::from_secs(120);

fn main() -> ExitCode {
    let mut words = std::env::args().skip(1);
    let (Some(image), Some(folder)) = (words.next(), words.next()) else {
        eprintln!("container IMAGE FOLDER: say which image, and where its socket goes");
        return ExitCode::from(2);
    };
    match hold(&image, &folder) {
        Ok(()) => ExitCode::SUCCESS,
        Err(sentence) => {
            eprintln!("container: {sentence}");
            println!("failed");
            ExitCode::FAILURE
        }
    }
}

fn hold(image: &str, folder: &str) -> Result<(), String> {
    let (name, tag) = image.rsplit_once(':').ok_or("an image is named with its tag")?;
    // The database's user in there is nobody here.
    fs::set_permissions(folder, fs::Permissions::from_mode(0o777)).map_err(|e| e.to_string())?;
    let container = GenericImage::new(name, tag)
        .with_entrypoint("bash")
        .with_wait_for(WaitFor::message_on_stderr("database system is ready to accept connections"))
        .with_cmd(["-c", SERVER, "bash", PROGRAMS, folder])
        .with_mount(Mount::bind_mount(folder, folder))
        .with_startup_timeout(PATIENCE)
        .start()
        .map_err(|e| format!("no container of {image}: {e}"))?;
    fs::write(Path::new(folder).join("container"), container.id()).map_err(|e| e.to_string())?;
    ready(&container, folder)?;
    for told in std::io::stdin().lock().lines() {
        match told.map_err(|e| e.to_string())?.as_str() {
            "stop" => {
                container.stop_with_timeout(Some(0)).map_err(|e| e.to_string())?;
                println!("stopped");
            }
            "start" => {
                container.start().map_err(|e| e.to_string())?;
                ready(&container, folder)?;
            }
            other => return Err(format!("{other}: stop or start")),
        }
    }
    container.rm().map_err(|e| e.to_string())?;
    fs::remove_dir_all(folder).map_err(|e| e.to_string())
}

/// Asks until it takes connections, and says so.
fn ready(container: &Container<GenericImage>, folder: &str) -> Result<(), String> {
    loop {
        let asks = ExecCommand::new([&format!("{PROGRAMS}/pg_isready"), "-q", "-h", folder, "-U", "postgres"]);
        let mut asked = container.exec(asks).map_err(|e| format!("the database went away: {e}"))?;
        // Its answer is there once its output ends.
        asked.stdout_to_vec().map_err(|e| e.to_string())?;
        if asked.exit_code().map_err(|e| e.to_string())? == Some(0) {
            println!("ready");
            return Ok(());
        }
    }
}
