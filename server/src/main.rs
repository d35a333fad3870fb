//! The `counterfoil` program.

use std::os::unix::process::CommandExt;
use std::process::{self, ExitCode};

use clap::Parser;
use counterfoil::config::{Cli, Command, Kinds};
use counterfoil::database::Place;
use counterfoil::pack::choose::{Customer, Wanted};
use counterfoil::{
    backup, check, comparing, demo, forgotten, http, moving, opening, own_kinds, pack, problem, restore, rotating,
    serve, upkeep, witness,
};

fn main() -> ExitCode {
    let cli = Cli::parse();
    if matches!(cli.command, Command::Serve(_) | Command::Demo(_)) {
        give_memory_back();
    }
    let runtime = match tokio::runtime::Builder::new_multi_thread().enable_all().build() {
        Ok(runtime) => runtime,
        Err(e) => return fail(&format!("the runtime did not start: {e}")),
    };
    let done: Result<ExitCode, String> = runtime.block_on(async {
        match cli.command {
            Command::Serve(wanted) => serve::run(wanted.with_file()?).await.map(|()| ExitCode::SUCCESS),
            Command::Demo(wanted) => {
                demo::run(wanted.serve.with_file()?, wanted.empty).await.map(|()| ExitCode::SUCCESS)
            }
            Command::Check(folder) => check::run(&folder.place()).await,
            Command::Pack(of) => {
                let customer = if of.withhold_customer { Customer::Withheld } else { Customer::Shown };
                let wanted =
                    Wanted { customer, covered: of.covered, view: of.view, claim: None, language: of.language };
                pack::run::run(&of.kept.place(), &of.intake, &of.out, &wanted).await.map(|()| ExitCode::SUCCESS)
            }
            Command::NewEpoch(wanted) => {
                serve::new_epoch(&wanted.kept.place(), &wanted.because).await.map(|()| ExitCode::SUCCESS)
            }
            Command::RotateKey(wanted) => {
                let place = wanted.kept.place();
                rotating::run(&place, &wanted.because, wanted.overlap_days).await.map(|()| ExitCode::SUCCESS)
            }
            Command::OpenShop(of) => {
                opening::run(&of.kept.place(), of.public_url.as_deref()).await.map(|()| ExitCode::SUCCESS)
            }
            Command::NewPassword(of) => forgotten::run(&of.kept.place(), &of.sign_in, of.shop, of.without_code)
                .await
                .map(|()| ExitCode::SUCCESS),
            Command::Backup(of) => {
                backup::command(&of.kept.place(), &of.to).await.map(|good| ExitCode::from(u8::from(!good)))
            }
            Command::Restore(of) => {
                let to = Place { lock_days: of.originals_lock_days, ..of.kept.place() };
                restore::run(&of.from, &to, &of.key, &of.because).await
            }
            Command::Move(of) => match of.target() {
                Some(to) => moving::run(&of.kept.place(), &to).await,
                None => moving::give_up(&of.kept.place()).await.map(|()| ExitCode::SUCCESS),
            },
            Command::Sweep(wanted) => upkeep::command(&wanted).await,
            Command::Witness(wanted) => witness::run(wanted).await.map(|()| ExitCode::SUCCESS),
            Command::Compare(wanted) => comparing::run(&wanted),
            Command::Kinds(Kinds::Import { dir, shop, kept }) => {
                own_kinds::import(&dir, shop, &kept.place()).await.map(|()| ExitCode::SUCCESS)
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

/// glibc's allocator keeps what was given back to it, for each thread, in blocks as large as the largest so far: with
/// pictures of tens of megabytes on many threads that is several times what is in use. Told a threshold before the
/// program starts, it returns larger blocks at once. So the program starts itself again, once, in the same process.
fn give_memory_back() {
    const NAME: &str = "MALLOC_MMAP_THRESHOLD_";
    if std::env::var_os(NAME).is_none()
        && let Ok(program) = std::env::current_exe()
    {
        let mut args = std::env::args_os();
        let mut again = process::Command::new(program);
        if let Some(name) = args.next() {
            again.arg0(name);
        }
        // This returns only when it failed; then the program runs on as it is.
        let failed = again.args(args).env(NAME, (1 << 20).to_string()).exec();
        eprintln!("counterfoil: more memory than needed may be kept: {failed}");
    }
}

fn fail(sentence: &str) -> ExitCode {
    eprintln!("counterfoil: {sentence}");
    ExitCode::from(2)
}
