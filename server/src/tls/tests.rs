use std::net::IpAddr;
use std::path::Path;
use std::process::Command;
use std::sync::atomic::{AtomicI64, Ordering};
use std::sync::{Arc, Mutex};

use actix_web::test::{TestRequest, call_service, init_service, read_body};
use actix_web::{App, web};
use rustls::pki_types::ServerName;
use rustls::{ClientConfig, ClientConnection, RootCertStore, ServerConnection};

use super::authority::Authority;
use super::trust::{self, Trust};
use super::*;
use crate::access::testing::{Folder, NOON};

const DAY: i64 = 24 * 3600 * 1000;

fn names(hosts: &[&str], addresses: &[&str]) -> Names {
    let mut names = Names::default();
    hosts.iter().for_each(|h| names.host(h));
    addresses.iter().for_each(|a| names.address(a.parse().expect("address")));
    names
}

fn shop() -> Names {
    names(&["desk", "desk.local", "localhost"], &["192.168.7.20", "127.0.0.1", "::1"])
}

struct Shop {
    folder: Folder,
    hand: Arc<AtomicI64>,
    names: Arc<Mutex<Names>>,
}

impl Shop {
    fn new() -> Self {
        Shop { folder: Folder::new(), hand: Arc::new(NOON.into()), names: Arc::new(Mutex::new(shop())) }
    }

    fn open(&self) -> Arc<Certificates> {
        let names = Arc::clone(&self.names);
        let source = Source::Local {
            folder: self.folder.0.join("tls"),
            names: Box::new(move || names.lock().expect("lock").clone()),
        };
        Certificates::open(source, Clock::Set(Arc::clone(&self.hand)), Random::System).expect("certificates")
    }

    fn wait(&self, ms: i64) {
        self.hand.fetch_add(ms, Ordering::SeqCst);
    }
}

fn leaf(certificates: &Certificates) -> Vec<u8> {
    certificates.now.read().expect("lock").key.cert[0].to_vec()
}

fn pem(der: &[u8]) -> String {
    use base64::Engine;
    let text = base64::engine::general_purpose::STANDARD.encode(der);
    format!("-----BEGIN CERTIFICATE-----\n{text}\n-----END CERTIFICATE-----\n")
}

/// What `openssl verify` says of a server certificate, as of a time, for a name or an address.
fn openssl(folder: &Path, ca: &[u8], leaf: &str, at: i64, wanted: &str) -> Result<(), String> {
    let (ca_file, leaf_file) = (folder.join("ca.pem"), folder.join("leaf.pem"));
    std::fs::write(&ca_file, pem(ca)).expect("written");
    std::fs::write(&leaf_file, leaf).expect("written");
    let kind = if wanted.parse::<IpAddr>().is_ok() { "-verify_ip" } else { "-verify_hostname" };
    let out = Command::new("openssl")
        .args(["verify", "-x509_strict", "-purpose", "sslserver", "-attime", &(at / 1000).to_string(), kind, wanted])
        .arg("-CAfile")
        .args([&ca_file, &leaf_file])
        .output()
        .expect("openssl runs");
    if out.status.success() { Ok(()) } else { Err(String::from_utf8_lossy(&out.stderr).into_owned()) }
}

#[test]
fn another_program_accepts_the_chain_for_every_name_of_the_shop_and_for_no_other() {
    let shop = Shop::new();
    let certificates = shop.open();
    let ca = certificates.authority().expect("an authority").der;
    let leaf = pem(&leaf(&certificates));
    let ask = |at, wanted| openssl(&shop.folder.0, &ca, &leaf, at, wanted);
    for wanted in ["desk", "desk.local", "localhost", "192.168.7.20", "127.0.0.1", "::1"] {
        ask(NOON, wanted).expect(wanted);
    }
    ask(NOON + 390 * DAY, "desk").expect("until about 397 days");
    assert!(ask(NOON + 397 * DAY, "desk").expect_err("over").contains("expired"));
    ask(NOON - DAY / 2, "desk").expect("for a phone whose clock is half a day behind");
    ask(NOON, "bench").expect_err("not in the certificate");
}

#[test]
fn a_certificate_for_anything_outside_the_shop_is_refused_even_with_the_authoritys_own_signature() {
    let folder = Folder::new();
    let authority = Authority::open(&folder.0, &shop(), NOON, &Random::System).expect("authority");
    let ask = |hosts: &[&str], addresses: &[&str], wanted: &str| {
        let signed = authority.sign(&names(hosts, addresses), NOON, &Random::System).expect("signed");
        openssl(&folder.0, authority.certificate(), &signed.certificate, NOON, wanted)
    };
    ask(&["other-desk.local"], &["192.168.7.99"], "192.168.7.99").expect("the neighbourhood is covered");
    for (hosts, addresses, wanted) in [
        (&["bank.example"][..], &[][..], "bank.example"),
        (&["desk.example"], &[], "desk.example"),
        (&["notlocal"], &[], "notlocal"),
        (&["desk"], &["8.8.8.8"], "desk"),
        (&["desk"], &["192.168.8.20"], "desk"),
        (&["desk"], &["2001:db8::1"], "desk"),
    ] {
        let refused = ask(hosts, addresses, wanted).expect_err(wanted);
        assert!(refused.contains("permitted subtree violation"), "{refused}");
    }
}

#[test]
fn the_server_certificate_stays_over_restarts_and_is_renewed_in_time_or_when_the_address_changes() {
    let shop = Shop::new();
    let certificates = shop.open();
    let (first, authority) = (leaf(&certificates), certificates.authority());
    assert_eq!(leaf(&shop.open()), first, "a restart");
    shop.wait(365 * DAY);
    assert!(!certificates.look_again().expect("looked"));
    shop.wait(2 * DAY);
    assert!(certificates.look_again().expect("looked"), "30 days before the end");
    *shop.names.lock().expect("lock") = names(&["desk", "localhost"], &["192.168.7.31", "127.0.0.1", "::1"]);
    assert!(certificates.look_again().expect("looked"), "the router gave another address");
    assert_eq!(certificates.authority(), authority, "the phones notice nothing");
    *shop.names.lock().expect("lock") = names(&["desk", "localhost"], &["10.9.8.7", "127.0.0.1", "::1"]);
    assert!(certificates.look_again().expect("looked"));
    assert_ne!(certificates.authority(), authority, "another network: a new authority");
}

#[cfg(unix)]
#[test]
fn the_authoritys_files_are_for_this_program_only() {
    use std::os::unix::fs::PermissionsExt;
    let shop = Shop::new();
    shop.open();
    for file in ["authority.json", "server.json"] {
        let mode = std::fs::metadata(shop.folder.0.join("tls").join(file)).expect(file).permissions().mode();
        assert_eq!(mode & 0o777, 0o600, "{file}");
    }
    assert_eq!(std::fs::metadata(shop.folder.0.join("tls")).expect("folder").permissions().mode() & 0o777, 0o700);
    std::fs::write(shop.folder.0.join("tls/authority.json"), "{}").expect("written");
    let source = Source::Local { folder: shop.folder.0.join("tls"), names: Box::new(super::tests::shop) };
    let refused = Certificates::open(source, Clock::System, Random::System).expect_err("damaged");
    assert!(refused.to_string().contains("authority.json"), "never replaced silently: {refused}");
}

#[test]
fn certificate_files_are_read_again_when_somebody_renews_them() {
    let folder = Folder::new();
    let authority = Authority::open(&folder.0, &shop(), NOON, &Random::System).expect("authority");
    let (certificate, key) = (folder.0.join("cert.pem"), folder.0.join("key.pem"));
    let renew = || {
        let signed = authority.sign(&shop(), NOON, &Random::System).expect("signed");
        std::fs::write(&certificate, &signed.certificate).expect("written");
        std::fs::write(&key, &signed.key).expect("written");
    };
    renew();
    let source = || Source::Files { certificate: certificate.clone(), key: key.clone() };
    let certificates = Certificates::open(source(), Clock::System, Random::System).expect("certificates");
    let first = leaf(&certificates);
    assert!(!certificates.look_again().expect("looked"));
    renew();
    assert!(certificates.look_again().expect("looked"));
    assert_ne!(leaf(&certificates), first);
    assert_eq!(certificates.authority(), None);
    std::fs::write(&key, authority.sign(&shop(), NOON, &Random::System).expect("signed").key).expect("written");
    assert!(certificates.look_again().is_err(), "a key that does not belong to it");
    std::fs::remove_file(&key).expect("removed");
    assert!(Certificates::open(source(), Clock::System, Random::System).is_err());
}

/// Shakes hands in memory; the client trusts only the shop's authority.
fn shake(
    certificates: Arc<Certificates>,
    version: &'static rustls::SupportedProtocolVersion,
    name: &str,
) -> Result<(), String> {
    let ca = certificates.authority().expect("an authority").der;
    let mut roots = RootCertStore::empty();
    roots.add(ca.into()).expect("a root");
    let client = ClientConfig::builder_with_provider(Arc::new(rustls::crypto::ring::default_provider()))
        .with_protocol_versions(&[version])
        .expect("a version")
        .with_root_certificates(roots)
        .with_no_client_auth();
    let name = ServerName::try_from(name.to_owned()).expect("a name");
    let mut client = ClientConnection::new(Arc::new(client), name).expect("a client");
    let mut server =
        ServerConnection::new(Arc::new(server_config(certificates).expect("a configuration"))).expect("a server");
    while client.is_handshaking() || server.is_handshaking() {
        let mut wire = Vec::new();
        client.write_tls(&mut wire).expect("in memory");
        server.read_tls(&mut wire.as_slice()).expect("in memory");
        server.process_new_packets().map_err(|e| e.to_string())?;
        let mut wire = Vec::new();
        server.write_tls(&mut wire).expect("in memory");
        client.read_tls(&mut wire.as_slice()).expect("in memory");
        client.process_new_packets().map_err(|e| e.to_string())?;
    }
    Ok(())
}

#[test]
fn a_client_that_trusts_the_authority_shakes_hands_by_tls_1_2_and_1_3() {
    let folder = Folder::new();
    let source = Source::Local { folder: folder.0.join("tls"), names: Box::new(shop) };
    let certificates = Certificates::open(source, Clock::System, Random::System).expect("certificates");
    for version in [&rustls::version::TLS12, &rustls::version::TLS13] {
        shake(Arc::clone(&certificates), version, "desk.local").expect("by name");
        shake(Arc::clone(&certificates), version, "192.168.7.20").expect("by address");
        shake(Arc::clone(&certificates), version, "bench.example").expect_err("another name");
    }
}

#[test]
fn the_host_of_an_address_is_found_in_it() {
    for (url, host) in [
        ("https://intake.example", Some("intake.example")),
        ("https://intake.example:8443/x", Some("intake.example")),
        ("https://[2001:db8::1]:8443", Some("2001:db8::1")),
        ("intake.example", None),
    ] {
        assert_eq!(host_of(url).as_deref(), host, "{url}");
    }
}

#[actix_web::test]
async fn the_plain_server_shows_the_trust_page_and_sends_everything_else_to_https() {
    use std::io::{Read, Write};
    let listener = std::net::TcpListener::bind("127.0.0.1:0").expect("a port");
    let at = listener.local_addr().expect("an address");
    let trust = Trust { say: |_, key| key.to_owned(), certificates: None, https_url: None, plain_url: None };
    let guarding = crate::http::guard::Guard {
        clock: Clock::System,
        random: Random::System,
        public_url: None,
        hsts: false,
        behind_proxy: false,
        metrics: crate::operations::Metrics::default(),
        traced: false,
    };
    let server = trust::plain_server(listener, trust, guarding).expect("a server");
    let handle = server.handle();
    actix_web::rt::spawn(server);
    let ask = |path: &'static str| {
        web::block(move || {
            let mut stream = std::net::TcpStream::connect(at).expect("connected");
            write!(stream, "GET {path} HTTP/1.1\r\nHost: {at}\r\nConnection: close\r\n\r\n").expect("sent");
            let mut text = String::new();
            stream.read_to_string(&mut text).expect("read");
            text
        })
    };
    let page = ask("/trust").await.expect("an answer");
    assert!(
        page.starts_with("HTTP/1.1 200")
            && page.contains("content-security-policy")
            && page.contains("trust.plain.camera")
    );
    let other = ask("/v1/sessions/current").await.expect("an answer");
    assert!(other.starts_with("HTTP/1.1 403") && other.contains("/problems/not-secure"), "{other}");
    handle.stop(true).await;
}

#[actix_web::test]
async fn the_trust_page_needs_no_script_and_says_what_plain_http_cannot_do() {
    let shop = Shop::new();
    let certificates = shop.open();
    let authority = certificates.authority().expect("an authority");
    let trust = |certificates| Trust {
        say: |_, key| {
            let words: serde_json::Value =
                serde_json::from_str(include_str!("../../../schema/words/en.json")).expect("words");
            words[key].as_str().unwrap_or_else(|| panic!("no words for {key}")).to_owned()
        },
        certificates,
        https_url: Some("https://192.168.7.20:8443".into()),
        plain_url: Some("http://192.168.7.20:8080".into()),
    };
    let app =
        init_service(App::new().app_data(web::Data::new(trust(Some(certificates)))).configure(trust::routes)).await;
    let page = call_service(&app, TestRequest::get().uri("/trust").to_request()).await;
    let text = String::from_utf8(read_body(page).await.to_vec()).expect("UTF-8");
    for needed in
        [authority.fingerprint.as_str(), "http://192.168.7.20:8080/trust/ca.crt", "No camera", "192.168.7.0/24", "<svg"]
    {
        assert!(text.contains(needed), "{needed}");
    }
    assert!(!text.contains("<script") && !text.contains("style=") && !text.contains("<?xml"));
    let file = call_service(&app, TestRequest::get().uri("/trust/ca.crt").to_request()).await;
    assert_eq!(file.headers().get("content-type").and_then(|v| v.to_str().ok()), Some("application/x-x509-ca-cert"));
    assert_eq!(read_body(file).await.to_vec(), authority.der);

    let app = init_service(App::new().app_data(web::Data::new(trust(None))).configure(trust::routes)).await;
    let none = call_service(&app, TestRequest::get().uri("/trust/ca.crt").to_request()).await;
    assert_eq!(none.status(), 404);
}
