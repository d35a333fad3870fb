//! The database lets the program in by its certificate, and the program looks who the database is: no password anywhere. A
//! machine is taken in that way, every command works, a renewed certificate counts without a restart, and what does not fit is refused
//! before anything is served, by a sentence that says which of the two certificates it is.

use std::fs::{self, Permissions};
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Duration;

use cluster::Cluster;
use rcgen::{BasicConstraints, CertificateParams, DistinguishedName, DnType, IsCa, Issuer, KeyPair};
use tempfile::TempDir;
use tests::ask::Actor;
use tests::engine;
use tests::server::{self, How, Server, program};
use tests::shop::Shop;

/// How long a server may take to find its database again. Reached only when something is broken.
const SOON: Duration = Duration::from_secs(30);

/// The database's account.
const ACCOUNT: &str = "counterfoil";

/// Somebody who signs certificates.
struct Authority {
    issuer: Issuer<'static, KeyPair>,
    pem: String,
}

impl Authority {
    fn new(name: &str) -> Authority {
        let mut params = CertificateParams::default();
        params.distinguished_name = called(name);
        params.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
        let key = KeyPair::generate().expect("a key");
        let pem = params.self_signed(&key).expect("a certificate").pem();
        Authority { issuer: Issuer::new(params, key), pem }
    }

    /// A certificate and its key, PEM.
    fn signs(&self, name: &str, hosts: &[&str]) -> (String, String) {
        let hosts: Vec<String> = hosts.iter().map(|h| (*h).to_owned()).collect();
        let mut params = CertificateParams::new(hosts).expect("names");
        params.distinguished_name = called(name);
        let key = KeyPair::generate().expect("a key");
        (params.signed_by(&key, &self.issuer).expect("a certificate").pem(), key.serialize_pem())
    }
}

fn called(name: &str) -> DistinguishedName {
    let mut called = DistinguishedName::new();
    called.push(DnType::CommonName, name);
    called
}

/// A cluster by certificate alone, and a folder with what somebody holds who may come in.
struct Here {
    home: TempDir,
    cluster: Cluster,
    authority: Authority,
}

impl Here {
    fn new() -> Here {
        let home = tempfile::Builder::new().prefix("counterfoil-certificates-").tempdir().expect("a temporary folder");
        let authority = Authority::new("Tarn Street databases");
        let cluster = Cluster::by_certificate(|folder| {
            let (certificate, key) = authority.signs("the database", &["localhost"]);
            for (name, pem) in [("server.pem", &certificate), ("server.key", &key), ("clients.pem", &authority.pem)] {
                fs::write(folder.join(name), pem).expect("a file");
            }
        });
        let here = Here { home, cluster, authority };
        here.hold("ours", &here.authority.signs(ACCOUNT, &[]));
        fs::write(here.at("authority.pem"), &here.authority.pem).expect("a file");
        here
    }

    fn at(&self, name: &str) -> PathBuf {
        self.home.path().join(name)
    }

    /// Keeps a certificate and its key under a name.
    fn hold(&self, name: &str, (certificate, key): &(String, String)) {
        let (shown, private) = (self.at(&format!("{name}.pem")), self.at(&format!("{name}.key")));
        fs::write(shown, certificate).expect("a file");
        fs::write(&private, key).expect("a file");
        fs::set_permissions(private, Permissions::from_mode(0o600)).expect("for its user alone");
    }

    /// A new database of the account's.
    fn database(&self) -> String {
        let made = self.cluster.database();
        let name = made.split('?').next().and_then(|a| a.rsplit('/').next()).expect("a name").to_owned();
        let roles = format!("SELECT count(*) FROM pg_roles WHERE rolname = '{ACCOUNT}'");
        if self.asked(&made, &roles) == "0" {
            self.asked(&made, &format!("CREATE ROLE {ACCOUNT} LOGIN"));
        }
        self.asked(&made, &format!("ALTER DATABASE {name} OWNER TO {ACCOUNT}"));
        made
    }

    /// Asked by the cluster's own user, over its socket.
    fn asked(&self, database: &str, sql: &str) -> String {
        cluster::run("psql", &["-qAt", "-c", sql, "-d"], database).trim().to_owned()
    }

    /// The address of a database, by the network. `shown`: who is said to come in; none: nobody.
    fn address(&self, database: &str, host: &str, authority: Option<&str>, shown: Option<&str>) -> String {
        let name = database.split('?').next().and_then(|a| a.rsplit('/').next()).expect("a name");
        let mut address = format!("postgres://{ACCOUNT}@{host}:{}/{name}?sslmode=verify-full", self.cluster.port());
        for (what, file) in [
            ("sslrootcert", authority.map(|a| self.at(a))),
            ("sslcert", shown.map(|s| self.at(&format!("{s}.pem")))),
            ("sslkey", shown.map(|s| self.at(&format!("{s}.key")))),
        ] {
            address.extend(file.map(|file| format!("&{what}={}", file.display())));
        }
        address
    }

    /// The one that works.
    fn good(&self, database: &str) -> String {
        self.address(database, "localhost", Some("authority.pem"), Some("ours"))
    }

    /// What the program says that is to serve a folder from there, and does not.
    fn refusal(&self, name: &str, address: &str) -> String {
        let data = self.at(name);
        engine::use_database(&data, address);
        let said = match Server::try_over(&data, &How::default()) {
            Ok(_) => panic!("{name}: it starts"),
            Err(said) => said,
        };
        assert!(!said.contains("PRIVATE KEY") && !said.contains("hush"), "{said}");
        said
    }
}

fn run(args: &[&str], data: &Path, more: &[(&str, &Path)]) -> (bool, String) {
    let mut command = Command::new(program());
    command.args(args).arg("--data").arg(data).args(engine::arguments(data));
    for (name, path) in more {
        command.arg(name).arg(path);
    }
    let done = command.output().expect("the program runs");
    let said = format!("{}{}", String::from_utf8_lossy(&done.stdout), String::from_utf8_lossy(&done.stderr));
    (done.status.success(), said)
}

#[tokio::test(flavor = "multi_thread")]
async fn the_database_lets_the_program_in_by_its_certificate_and_a_renewed_one_counts_without_a_restart() {
    let mut here = Here::new();
    let database = here.database();
    let data = here.at("data");
    engine::use_database(&data, &here.good(&database));
    let mut shop = Shop::on(Server::over(&data, &How::default())).await;
    let mut counter = shop.counter(131).await;
    counter.take_in("0131").await.expect("answers");
    // Every connection there is, the one that listens among them.
    let ways = format!(
        "SELECT DISTINCT s.ssl, s.client_dn FROM pg_stat_ssl s JOIN pg_stat_activity a USING (pid) WHERE a.usename = '{ACCOUNT}'"
    );
    assert_eq!(here.asked(&database, &ways), format!("t|/CN={ACCOUNT}"));
    let (good, said) = run(&["check"], &data, &[]);
    assert!(good && !said.contains("PRIVATE KEY"), "{said}");
    let copy = here.at("copy");
    let (good, said) = run(&["backup"], &data, &[("--to", &copy)]);
    assert!(good, "{said}");

    // The database goes over to another authority for those who come in; here the new certificate is put where the old one was.
    let other = Authority::new("Tarn Street databases, the second");
    here.hold("ours", &other.signs(ACCOUNT, &[]));
    here.cluster.put("clients.pem", other.pem.as_bytes());
    here.cluster.crash();
    here.cluster.start_again();
    let back = async { while shop.ravi.get(&shop.ravi.path("/intakes")).send().await.status.as_u16() != 200 {} };
    tokio::time::timeout(SOON, back).await.expect("the server finds its database again");
    counter.take_in("0132").await.expect("the same server, by the new one");
    assert!(shop.server.stop().success(), "{}", shop.server.log());

    // To one box, and from there into another database of that cluster.
    let (one, grown) = (here.at("one"), here.at("grown"));
    let (good, said) = run(&["move"], &data, &[("--to-data", &one)]);
    assert!(good, "{said}");
    let address = here.good(&here.database());
    let (good, said) = run(&["move", "--to-database", &address], &one, &[("--to-data", &grown)]);
    assert!(good, "{said}");
    engine::use_database(&grown, &address);
    let mut server = Server::over(&grown, &How::default());
    let ines = shop.ines.at(&server.address);
    let list = ines.get(&ines.path("/intakes")).send().await.expect(200).json();
    assert_eq!(list["intakes"].as_array().map(Vec::len), Some(2), "{list}");
    assert!(server.stop().success(), "{}", server.log());
    let checked = server::check(&grown);
    assert!(checked.sound, "{}", checked.said);
}

#[test]
fn what_does_not_fit_is_refused_by_a_sentence_that_names_it() {
    let here = Here::new();
    let database = here.database();
    let stranger = Authority::new("somebody else");
    here.hold("stranger", &stranger.signs(ACCOUNT, &[]));
    here.hold("other", &here.authority.signs("mallory", &[]));
    let by = |host: &str, authority: Option<&str>, shown: Option<&str>| here.address(&database, host, authority, shown);
    let good = here.good(&database);

    let known = Some("authority.pem");
    for (name, address, wanted) in [
        ("nothing", by("localhost", known, None), "it may ask for a certificate"),
        ("stranger", by("localhost", known, Some("stranger")), "an authority that the database does not know"),
        ("other", by("localhost", known, Some("other")), "for another account"),
        ("name", by("127.0.0.1", known, Some("ours")), "is for another name than 127.0.0.1"),
        ("unknown", by("localhost", None, Some("ours")), "from an authority that is not known here"),
        ("half", good.split("&sslkey").next().expect("an address").to_owned(), "and not its key (sslkey)"),
        ("missing", by("localhost", known, Some("nobody")), "nobody.pem cannot be read"),
        ("no-authority", by("localhost", Some("ours.key"), Some("ours")), "ours.key holds no certificate"),
        ("passphrase", format!("{good}&sslpassword=hush"), "sslpassword is not known"),
    ] {
        let said = here.refusal(name, &address);
        assert!(said.contains(wanted), "{name}: {said}");
    }
    // As it is for every command.
    let (done, said) = run(&["check"], &here.at("name"), &[]);
    assert!(!done && said.contains("is for another name than 127.0.0.1"), "{said}");
    let (done, said) = run(&["move"], &here.at("stranger"), &[("--to-data", &here.at("one"))]);
    assert!(!done && said.contains("an authority that the database does not know"), "{said}");

    // A key that others may read, or that is none.
    let key = here.at("ours.key");
    for mode in [0o640, 0o604] {
        fs::set_permissions(&key, Permissions::from_mode(mode)).expect("for others too");
        let said = here.refusal("open", &good);
        assert!(said.contains("ours.key can be read by others than its owner"), "{mode:o}: {said}");
    }
    here.hold("ours", &(here.authority.pem.clone(), "hush".into()));
    assert!(here.refusal("none", &good).contains("ours.key holds no key that can be read"));
    fs::remove_file(&key).expect("taken away");
    assert!(here.refusal("away", &good).contains("ours.key is not there"));

    // Nothing of all that began anything.
    let tables = "SELECT count(*) FROM pg_class WHERE relname = 'intake'";
    assert_eq!(here.asked(&database, tables), "0");
}
