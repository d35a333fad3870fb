//! How the program is told to run: flags, then environment, then a TOML file, then defaults.

use std::net::SocketAddr;
use std::path::{Path, PathBuf};

use clap::{Args, Parser, Subcommand, ValueEnum};
use serde::Deserialize;

use crate::database::Place;
use crate::hidden::{Hidden, Secret};
use crate::ledger::keys::{MOST_DAYS, OVERLAP_DAYS};

/// Counterfoil: intake capture with photo evidence for a repair shop.
#[derive(Debug, Parser)]
#[command(version, about)]
pub struct Cli {
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
}

/// The subcommands.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Serve the shop.
    Serve(Serve),
    /// Serve an invented shop from a fresh folder.
    Demo(Demo),
    /// Rebuild projections and root from log and disclosures, hash every original again, compare, report.
    Check(Kept),
    /// Make the pack of an intake: one archive that can be checked without us.
    Pack(PackOf),
    /// After an older state was restored: open a new epoch that names the last known checkpoint.
    NewEpoch(NewEpoch),
    /// Change the log's key: the old one announces the new one, and both sign for a while. Also while it is served.
    RotateKey(RotateKey),
    /// Open a further shop in this installation: prints a link that makes it and its owner, once. Also while it is served
    OpenShop(OpenShop),
    /// Give somebody who forgot theirs a new password, and print it; where no owner can. Also while it is served.
    NewPassword(NewPassword),
    /// Copy a data folder while it is served; again into the same folder copies what is new.
    Backup(Backup),
    /// Make a data folder from a backup and the exported log key, open a new epoch, and check it.
    Restore(Restore),
    /// Move an installation to another folder or database, with everything; again, to end what a stop interrupted.
    Move(Move),
    /// Tidy the files: note what no entry names, and take away what was noted long enough.
    Sweep(Sweep),
    /// Watch logs: sign their checkpoints as long as they only go on.
    Witness(WitnessOf),
    /// Lay one photo of a view over another and say where to look; needs no data folder.
    Compare(Compare),
    /// Kinds of machine of the shop's own.
    #[command(subcommand)]
    Kinds(Kinds),
    /// Print the OpenAPI document.
    Openapi,
    /// Print the table of problems as Markdown.
    Problems,
}

/// What is done with kinds.
#[derive(Debug, Subcommand)]
pub enum Kinds {
    /// Add every *.toml of a folder; one fault in one file, and nothing is changed.
    Import {
        /// The folder of kind files.
        dir: PathBuf,
        /// The shop's id, where only one of several takes them over.
        #[arg(long)]
        shop: Option<uuid::Uuid>,
        /// Where.
        #[command(flatten)]
        kept: Kept,
    },
}

/// Which pack.
#[derive(Debug, Args)]
pub struct PackOf {
    /// Where.
    #[command(flatten)]
    pub kept: Kept,
    /// The intake: its id, or its tag where only one bears it.
    #[arg(long)]
    pub intake: String,
    /// The file to write.
    #[arg(long)]
    pub out: PathBuf,
    /// Without the customer, and without original photos.
    #[arg(long)]
    pub withhold_customer: bool,
    /// Of photos with boxes over them the covered copies, without their originals; without the customer always.
    #[arg(long)]
    pub covered: bool,
    /// Only the photos of this view.
    #[arg(long)]
    pub view: Option<String>,
    /// The reader's language; without it that of the sheet.
    #[arg(long)]
    pub language: Option<String>,
}

/// How to serve an invented shop.
#[derive(Debug, Args)]
pub struct Demo {
    /// The shop alone: no machine was ever taken in.
    #[arg(long)]
    pub empty: bool,
    /// As a shop is served.
    #[command(flatten)]
    pub serve: Serve,
}

/// What is kept, and where.
#[derive(Debug, Args)]
pub struct Kept {
    /// The folder that holds everything.
    #[arg(long, env = "COUNTERFOIL_DATA")]
    pub data: PathBuf,
    /// The database, where it is not a file in that folder: `postgres://USER@HOST/NAME`.
    #[arg(long, env = "COUNTERFOIL_DATABASE", hide_env_values = true)]
    pub database: Option<Hidden>,
    /// Where originals are, when not in that folder: `s3://BUCKET[/PREFIX]?endpoint=URL&region=NAME`.
    #[arg(long, env = "COUNTERFOIL_ORIGINALS")]
    pub originals: Option<String>,
}

impl Kept {
    /// As the rest of the program wants it.
    pub fn place(&self) -> Place {
        Place::new(&self.data, self.database.as_deref()).with_originals(self.originals.as_deref())
    }
}

/// What a witness needs.
#[derive(Debug, Args)]
pub struct WitnessOf {
    /// The folder that holds its key and what it has seen.
    #[arg(long)]
    pub data: PathBuf,
    /// What it is called: a host name with a path, without a scheme, as its key's name.
    #[arg(long)]
    pub name: String,
    /// The verifier key of a log it watches.
    #[arg(long, required = true)]
    pub log: Vec<String>,
    /// Address and port to listen on; port 0 takes a free one.
    #[arg(long, default_value = "127.0.0.1:8090")]
    pub listen: SocketAddr,
}

/// Two photos of one view.
#[derive(Debug, Args)]
pub struct Compare {
    /// The earlier photo (JPEG, PNG, WebP or HEIC).
    pub first: PathBuf,
    /// The later one.
    pub second: PathBuf,
    /// A folder for the pictures; made where it is not there.
    #[arg(long)]
    pub out: Option<PathBuf>,
}

/// What a new epoch needs.
#[derive(Debug, Args)]
pub struct NewEpoch {
    /// Where.
    #[command(flatten)]
    pub kept: Kept,
    /// Why, in a sentence; it stands in the log.
    #[arg(long)]
    pub because: String,
}

/// How the log's key is changed.
#[derive(Debug, Args)]
pub struct RotateKey {
    /// Where.
    #[command(flatten)]
    pub kept: Kept,
    /// Why, in a sentence; it stands in the log and in what leaves the shop: no names.
    #[arg(long)]
    pub because: String,
    /// For how many days the old key signs beside the new one; 0 lets it go at once.
    #[arg(long, default_value_t = OVERLAP_DAYS, value_parser = clap::value_parser!(u32).range(..=i64::from(MOST_DAYS)))]
    pub overlap_days: u32,
}

/// Where a further shop is opened.
#[derive(Debug, Args)]
pub struct OpenShop {
    /// Where.
    #[command(flatten)]
    pub kept: Kept,
    /// The address under which the server is reached, for the link.
    #[arg(long, env = "COUNTERFOIL_PUBLIC_URL")]
    pub public_url: Option<String>,
}

/// Whose password.
#[derive(Debug, Args)]
pub struct NewPassword {
    /// Where.
    #[command(flatten)]
    pub kept: Kept,
    /// The name they sign in by.
    #[arg(long)]
    pub sign_in: String,
    /// The shop's id, where several have somebody of that name.
    #[arg(long)]
    pub shop: Option<uuid::Uuid>,
    /// Take their second factor away too, where the phone with it is lost.
    #[arg(long)]
    pub without_code: bool,
}

impl Move {
    /// Where it moves to; none: it stays.
    pub fn target(&self) -> Option<Place> {
        let to = Place::new(self.to_data.as_deref()?, self.to_database.as_deref());
        Some(Place { lock_days: self.to_originals_lock_days, ..to.with_originals(self.to_originals.as_deref()) })
    }
}

/// From where to where.
#[derive(Debug, Args)]
pub struct Move {
    /// Where it is.
    #[command(flatten)]
    pub kept: Kept,
    /// The folder it moves to; the same where only the database moves.
    #[arg(long, required_unless_present = "give_up")]
    pub to_data: Option<PathBuf>,
    /// The database it moves to, where that is not a file in the folder: `postgres://USER@HOST/NAME`.
    #[arg(long)]
    pub to_database: Option<Hidden>,
    /// Where originals move to, where that is not the folder: `s3://BUCKET[/PREFIX]?endpoint=URL&region=NAME`.
    #[arg(long)]
    pub to_originals: Option<String>,
    /// For how many days that bucket keeps an original, as of `serve`.
    #[arg(long, requires = "to_originals", value_parser = clap::value_parser!(u32).range(1..=36_500))]
    pub to_originals_lock_days: Option<u32>,
    /// Stay here: a move that was begun and has not ended is taken back.
    #[arg(long, conflicts_with_all = ["to_data", "to_database", "to_originals"])]
    pub give_up: bool,
}

/// What is tidied.
#[derive(Debug, Args)]
pub struct Sweep {
    /// Where.
    #[command(flatten)]
    pub kept: Kept,
    /// Only list: note nothing, take nothing away, make nothing.
    #[arg(long)]
    pub dry_run: bool,
    /// Days that a file stands noted before it goes.
    #[arg(long, default_value_t = crate::upkeep::GRACE_DAYS)]
    pub grace_days: u32,
    /// Make copies of photos that are gone again, and take nothing away.
    #[arg(long)]
    pub renditions: bool,
}

/// Where a copy goes.
#[derive(Debug, Args)]
pub struct Backup {
    /// Of what.
    #[command(flatten)]
    pub kept: Kept,
    /// The folder of the copy, on another disk.
    #[arg(long)]
    pub to: PathBuf,
}

/// What is put back, and where.
#[derive(Debug, Args)]
pub struct Restore {
    /// The folder of the copy.
    #[arg(long)]
    pub from: PathBuf,
    /// The folder to make, empty or not there yet; the database, which holds nothing yet; and where originals go.
    #[command(flatten)]
    pub kept: Kept,
    /// For how many days a bucket keeps an original, as of `serve`.
    #[arg(long, value_parser = clap::value_parser!(u32).range(1..=36_500))]
    pub originals_lock_days: Option<u32>,
    /// The exported log key; of several shops each one's.
    #[arg(long, required = true)]
    pub key: Vec<PathBuf>,
    /// Why, in a sentence; it stands in the log.
    #[arg(long)]
    pub because: String,
}

/// Where HTTPS comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Tls {
    /// A local authority made by the program.
    Local,
    /// Plain HTTP.
    Off,
}

/// How to serve.
#[derive(Debug, Default, Clone, Args, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct Serve {
    /// A TOML file with any of these settings.
    #[arg(long, env = "COUNTERFOIL_CONFIG")]
    #[serde(skip)]
    pub config: Option<PathBuf>,
    /// The folder that holds everything.
    #[arg(long, env = "COUNTERFOIL_DATA")]
    pub data: Option<PathBuf>,
    /// The database, where it is not a file in that folder: `postgres://USER@HOST/NAME`.
    #[arg(long, env = "COUNTERFOIL_DATABASE", hide_env_values = true)]
    pub database: Option<Hidden>,
    /// Where originals are kept, when not in that folder: `s3://BUCKET[/PREFIX]?endpoint=URL&region=NAME`. Its keys are
    /// COUNTERFOIL_S3_KEY and COUNTERFOIL_S3_SECRET in the environment.
    #[arg(long, env = "COUNTERFOIL_ORIGINALS")]
    pub originals: Option<String>,
    /// For how many days that bucket keeps an original, whoever asks it to delete one (Object Lock, governance mode).
    #[arg(long, env = "COUNTERFOIL_ORIGINALS_LOCK_DAYS", value_parser = clap::value_parser!(u32).range(1..=36_500))]
    pub originals_lock_days: Option<u32>,
    /// Address and port to listen on; port 0 takes a free one.
    #[arg(long, env = "COUNTERFOIL_LISTEN")]
    pub listen: Option<SocketAddr>,
    /// The address under which the world outside reaches this server; without it no links are shared.
    #[arg(long, env = "COUNTERFOIL_PUBLIC_URL")]
    pub public_url: Option<String>,
    /// HTTPS from a local authority, or none.
    #[arg(long, env = "COUNTERFOIL_TLS", conflicts_with_all = ["tls_cert", "tls_key"])]
    pub tls: Option<Tls>,
    /// A certificate chain (PEM).
    #[arg(long, env = "COUNTERFOIL_TLS_CERT", requires = "tls_key")]
    pub tls_cert: Option<PathBuf>,
    /// Its private key (PEM).
    #[arg(long, env = "COUNTERFOIL_TLS_KEY", requires = "tls_cert")]
    pub tls_key: Option<PathBuf>,
    /// A proxy of ours stands in front: believe its X-Forwarded-For and X-Forwarded-Proto.
    #[arg(long, env = "COUNTERFOIL_BEHIND_PROXY")]
    #[serde(default)]
    pub behind_proxy: bool,
    /// A list of passwords known from breaches: sorted lines HASH:COUNT with SHA-1 hashes. Without it `breached-passwords.txt` in
    /// the data folder, where there is one.
    #[arg(long, env = "COUNTERFOIL_BREACHED_PASSWORDS")]
    pub breached_passwords: Option<PathBuf>,
    /// How long an upload, or the head of a request, may stand still, in milliseconds.
    #[arg(long, env = "COUNTERFOIL_BODY_TIMEOUT_MS")]
    pub body_timeout_ms: Option<u64>,
    /// How long parts of a file that nobody finishes are kept, in seconds.
    #[arg(long, env = "COUNTERFOIL_PARTS_KEPT_S")]
    pub parts_kept_s: Option<u32>,
    /// Within how many days every original is read again; 0: never.
    #[arg(long, env = "COUNTERFOIL_REHASH_DAYS")]
    pub rehash_days: Option<u32>,
    /// How many days a file that no entry names stands noted before it goes.
    #[arg(long, env = "COUNTERFOIL_SWEEP_GRACE_DAYS")]
    pub sweep_grace_days: Option<u32>,
    /// Address of its own for `/healthz`, `/readyz` and `/metrics`, such as 127.0.0.1:9080; nobody outside is meant to reach it.
    #[arg(long, env = "COUNTERFOIL_OPERATIONS")]
    pub operations: Option<SocketAddr>,
    /// How long it goes on serving after it was told to stop, in seconds, while `/readyz` already says that it leaves: long
    /// enough for a balancer to notice. A second signal ends it at once.
    #[arg(long, env = "COUNTERFOIL_LEAVING_S")]
    pub leaving_s: Option<u16>,
    /// Address of a stamping authority (RFC 3161): the log's head is sent there now and then.
    #[arg(long, env = "COUNTERFOIL_STAMP_URL", hide_env_values = true)]
    pub stamp_url: Option<Hidden>,
    /// The roots (PEM) by which its answers are trusted.
    #[arg(long, env = "COUNTERFOIL_STAMP_CA")]
    pub stamp_ca: Option<PathBuf>,
    /// How often, in seconds; once a day when nothing is said.
    #[arg(long, env = "COUNTERFOIL_STAMP_EVERY_S", value_parser = clap::value_parser!(u32).range(1..))]
    pub stamp_every_s: Option<u32>,
    /// A witness to be asked for cosignatures, as KEY@http://host; several are parted by spaces.
    #[arg(long, env = "COUNTERFOIL_WITNESS", value_delimiter = ' ')]
    #[serde(default)]
    pub witness: Vec<String>,
    /// How often witnesses are asked, in seconds; once an hour when nothing is said.
    #[arg(long, env = "COUNTERFOIL_WITNESS_EVERY_S", value_parser = clap::value_parser!(u32).range(1..))]
    pub witness_every_s: Option<u32>,
    /// How long somebody outside may take to answer, in milliseconds.
    #[arg(long, env = "COUNTERFOIL_OUTSIDE_TIMEOUT_MS", value_parser = clap::value_parser!(u32).range(1..))]
    pub outside_timeout_ms: Option<u32>,
    /// A collector that traces of requests go to, as OTLP over HTTP in JSON: `http://host:4318`.
    #[arg(long, env = "OTEL_EXPORTER_OTLP_ENDPOINT", hide_env_values = true)]
    pub otlp_endpoint: Option<Hidden>,
    /// What this service is called there.
    #[arg(long, env = "OTEL_SERVICE_NAME")]
    pub otlp_service_name: Option<String>,
    /// What else is said of it there: key=value,key=value.
    #[arg(long, env = "OTEL_RESOURCE_ATTRIBUTES")]
    pub otlp_resource_attributes: Option<String>,
    /// Heads of each sending, as a collector may ask for: key=value,key=value, percent-encoded. Better in the environment or the
    /// file than here, where whoever lists processes reads it.
    #[arg(long, env = "OTEL_EXPORTER_OTLP_HEADERS", hide_env_values = true)]
    pub otlp_headers: Option<Secret>,
    /// Which traces are kept: always_on, always_off, traceidratio, or parentbased_ and one of these.
    #[arg(long, env = "OTEL_TRACES_SAMPLER")]
    pub otlp_sampler: Option<String>,
    /// The share of traces that traceidratio keeps, from 0 to 1.
    #[arg(long, env = "OTEL_TRACES_SAMPLER_ARG")]
    pub otlp_sampler_share: Option<String>,
    /// How often traces are sent at most, in milliseconds.
    #[arg(long, env = "OTEL_BSP_SCHEDULE_DELAY")]
    pub otlp_every_ms: Option<u32>,
    /// How long the collector may take to answer, in milliseconds.
    #[arg(long, env = "OTEL_EXPORTER_OTLP_TIMEOUT", value_parser = clap::value_parser!(u32).range(1..))]
    pub otlp_timeout_ms: Option<u32>,
    /// Logs as JSON lines.
    #[arg(long, env = "COUNTERFOIL_LOG_JSON")]
    #[serde(default)]
    pub log_json: bool,
}

impl Serve {
    /// Where everything is kept, in this data folder.
    pub fn place(&self, data: &Path) -> Place {
        let place = Place::new(data, self.database.as_deref()).with_originals(self.originals.as_deref());
        Place { lock_days: self.originals_lock_days, ..place }
    }

    /// Fills what flags and environment left open from the file.
    ///
    /// # Errors
    /// A sentence when the file cannot be read.
    pub fn with_file(self) -> Result<Serve, String> {
        let Some(path) = self.config.clone() else { return Ok(self) };
        let file = read(&path)?;
        Ok(Serve {
            config: self.config,
            data: self.data.or(file.data),
            database: self.database.or(file.database),
            originals: self.originals.or(file.originals),
            originals_lock_days: self.originals_lock_days.or(file.originals_lock_days),
            listen: self.listen.or(file.listen),
            public_url: self.public_url.or(file.public_url),
            // A flag for one way to HTTPS takes the place of the other way in the file.
            tls_cert: self.tls_cert.clone().or(file.tls_cert.filter(|_| self.tls.is_none())),
            tls_key: self.tls_key.or(file.tls_key.filter(|_| self.tls.is_none())),
            tls: self.tls.or(file.tls.filter(|_| self.tls_cert.is_none())),
            behind_proxy: self.behind_proxy || file.behind_proxy,
            breached_passwords: self.breached_passwords.or(file.breached_passwords),
            body_timeout_ms: self.body_timeout_ms.or(file.body_timeout_ms),
            parts_kept_s: self.parts_kept_s.or(file.parts_kept_s),
            rehash_days: self.rehash_days.or(file.rehash_days),
            sweep_grace_days: self.sweep_grace_days.or(file.sweep_grace_days),
            operations: self.operations.or(file.operations),
            leaving_s: self.leaving_s.or(file.leaving_s),
            stamp_url: self.stamp_url.or(file.stamp_url),
            stamp_ca: self.stamp_ca.or(file.stamp_ca),
            stamp_every_s: self.stamp_every_s.or(file.stamp_every_s),
            witness: if self.witness.is_empty() { file.witness } else { self.witness },
            witness_every_s: self.witness_every_s.or(file.witness_every_s),
            outside_timeout_ms: self.outside_timeout_ms.or(file.outside_timeout_ms),
            otlp_endpoint: self.otlp_endpoint.or(file.otlp_endpoint),
            otlp_service_name: self.otlp_service_name.or(file.otlp_service_name),
            otlp_resource_attributes: self.otlp_resource_attributes.or(file.otlp_resource_attributes),
            otlp_headers: self.otlp_headers.or(file.otlp_headers),
            otlp_sampler: self.otlp_sampler.or(file.otlp_sampler),
            otlp_sampler_share: self.otlp_sampler_share.or(file.otlp_sampler_share),
            otlp_every_ms: self.otlp_every_ms.or(file.otlp_every_ms),
            otlp_timeout_ms: self.otlp_timeout_ms.or(file.otlp_timeout_ms),
            log_json: self.log_json || file.log_json,
        })
    }
}

fn read(path: &Path) -> Result<Serve, String> {
    let text = std::fs::read_to_string(path).map_err(|e| format!("{}: {e}", path.display()))?;
    toml::from_str(&text).map_err(|e| told(path, &text, &e))
}

/// What is wrong with a file and in which line, without the line: an address with a password may stand in it.
fn told(path: &Path, text: &str, e: &toml::de::Error) -> String {
    let before = e.span().and_then(|at| text.get(..at.start)).map(|before| before.matches('\n').count() + 1);
    let line = before.map(|line| format!(", line {line}")).unwrap_or_default();
    format!("{}{line}: {}", path.display(), e.message())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn flags_win_over_the_file() {
        let file: Serve =
            toml::from_str("listen = \"127.0.0.1:1\"\npublic-url = \"https://a.example\"\ntls = \"local\"\n").unwrap();
        assert_eq!(file.tls, Some(Tls::Local));
        assert!(toml::from_str::<Serve>("tsl = \"local\"").is_err());
    }

    #[test]
    fn no_password_is_shown_by_what_was_asked_for() {
        let wanted = [
            "counterfoil",
            "serve",
            "--database",
            "postgres://a:hush@h/b?password=hush",
            "--stamp-url",
            "http://a:hush@h",
        ];
        let cli = Cli::try_parse_from(wanted.into_iter().chain(["--otlp-endpoint", "http://a:hush@h"])).expect("good");
        assert!(!format!("{cli:?}").contains("hush"), "{cli:?}");
        let Command::Serve(serve) = cli.command else { panic!("not serve") };
        let place = serve.place(Path::new("/nowhere"));
        assert_eq!(place.database.as_deref(), Some("postgres://a:hush@h/b?password=hush"));
        assert!(!format!("{place:?}").contains("hush"), "{place:?}");
        let text = "log-json = true\ndatabase = \"postgres://a:hush@h/b\" nonsense\n";
        let e = toml::from_str::<Serve>(text).expect_err("bad");
        let said = told(Path::new("a.toml"), text, &e);
        assert!(said.starts_with("a.toml, line 2: ") && !said.contains("hush"), "{said}");
    }

    #[test]
    fn the_command_line_is_sound() {
        use clap::CommandFactory;
        Cli::command().debug_assert();
    }
}
