//! `cluster COMMAND…`: runs a command beside one cluster that all test programs in it share; gives its exit status.
//! `cluster store COMMAND…`: the same beside one S3-compatible store, for originals; `cluster second-store COMMAND…`: beside the
//! other one.

use std::process::{Command, ExitCode};

fn main() -> ExitCode {
    let mut words = std::env::args_os().skip(1);
    let Some(program) = words.next() else {
        eprintln!("cluster COMMAND…: say what to run");
        return ExitCode::from(2);
    };
    if program == "store" || program == "second-store" {
        let Some(command) = words.next() else {
            eprintln!("cluster store COMMAND…: say what to run");
            return ExitCode::from(2);
        };
        let mut command = Command::new(command);
        command.args(words);
        if program == "store" {
            let store = cluster::store::Store::start();
            return ended(command.env(cluster::store::SHARED, store.endpoint()));
        }
        let store = cluster::garage::Garage::start();
        return ended(command.env(cluster::store::SHARED, store.endpoint()));
    }
    let cluster = cluster::Cluster::start();
    ended(Command::new(program).args(words).env(cluster::SHARED, cluster.folder()))
}

fn ended(command: &mut Command) -> ExitCode {
    match command.status() {
        Ok(status) => ExitCode::from(status.code().and_then(|c| u8::try_from(c).ok()).unwrap_or(1)),
        Err(e) => {
            eprintln!("cluster: {e}");
            ExitCode::FAILURE
        }
    }
}
