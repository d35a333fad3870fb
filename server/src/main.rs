//! The `counterfoil` program.

use std::process::ExitCode;

use clap::Parser;
use counterfoil::config::{Cli, Command};
use counterfoil::{check, demo, http, problem, serve};

fn main() -> ExitCode {
    let cli = Cli::parse();
    let runtime = match tokio::runtime::Builder::new_multi_thread().enable_all().build() {
        Ok(runtime) => runtime,
        Err(e) => return fail(&format!("the runtime did not start: {e}")),
    };
    let done: Result<ExitCode, String> = runtime.block_on(async {
        match cli.command {
            Command::Serve(wanted) => serve::run(wanted.with_file()?).await.map(|()| ExitCode::SUCCESS),
            Command::Demo(wanted) => demo::run(wanted.with_file()?).await.map(|()| ExitCode::SUCCESS),
            Command::Check(folder) => check::run(&folder.data).await,
            Command::NewEpoch(wanted) => {
                serve::new_epoch(&wanted.data, &wanted.because).await.map(|()| ExitCode::SUCCESS)
            }
            Command::Openapi => {
                print!("{}", http::openapi::text());
                Ok(ExitCode::SUCCESS)
            }
            Command::Problems => {
                print!("{}", problem::markdown());
                Ok(ExitCode::SUCCESS)
            }
        }
    });
    done.unwrap_or_else(|sentence| fail(&sentence))
}

fn fail(sentence: &str) -> ExitCode {
    eprintln!("counterfoil: {sentence}");
    ExitCode::from(2)
}
