//! `/trust`: how a phone comes to trust this shop's own authority, and what plain HTTP cannot do.
//!
//! A page without script, also over plain HTTP, since a phone has to be able to open it before it trusts anything.

use std::io;
use std::net::TcpListener;
use std::sync::Arc;
use std::time::Duration;

use actix_web::dev::Server;
use actix_web::http::header;
use actix_web::middleware::from_fn;
use actix_web::{App, HttpRequest, HttpResponse, HttpServer, web};
use maud::{DOCTYPE, Markup, PreEscaped, html};

use super::{Certificates, Installable};
use crate::access::qr_svg;
use crate::http::guard::{Guard, guard};
use crate::http::words_of;
use crate::problem::Problem;

/// What the page knows. On the app as `web::Data`.
#[derive(Clone)]
pub struct Trust {
    /// The catalogues: the sentence of a key in a language.
    pub say: fn(language: &str, key: &str) -> String,
    /// The certificates, when this program does HTTPS itself.
    pub certificates: Option<Arc<Certificates>>,
    /// The HTTPS address for phones in the shop, `https://192.168.1.20:8443`.
    pub https_url: Option<String>,
    /// The plain address for phones in the shop, if there is one: a phone that trusts nothing yet opens this page there.
    pub plain_url: Option<String>,
}

/// The routes. They expect `web::Data<Trust>`.
pub fn routes(cfg: &mut web::ServiceConfig) {
    cfg.route("/trust", web::get().to(page))
        .route("/trust/ca.crt", web::get().to(certificate))
        .route("/trust/page.css", web::get().to(style));
}

/// A small plain server that shows only this page, for phones that trust nothing yet. Every other address says to use
/// HTTPS.
///
/// # Errors
/// When it cannot listen.
pub fn plain_server(listener: TcpListener, trust: Trust, guarding: Guard) -> io::Result<Server> {
    let app = move || {
        App::new()
            .app_data(web::Data::new(trust.clone()))
            .app_data(web::Data::new(guarding.clone()))
            .wrap(from_fn(guard))
            .configure(routes)
            .default_service(web::to(only_https))
    };
    let server = HttpServer::new(app).workers(1).disable_signals().client_request_timeout(Duration::from_secs(10));
    Ok(server.listen(listener)?.run())
}

async fn only_https() -> Result<HttpResponse, Problem> {
    Err(Problem::not_secure(
        "This is the plain address. It only shows /trust; everything else is at the HTTPS address.",
    ))
}

async fn style() -> HttpResponse {
    HttpResponse::Ok().content_type("text/css; charset=utf-8").body(include_str!("trust.css"))
}

async fn certificate(trust: web::Data<Trust>) -> Result<HttpResponse, Problem> {
    let authority = trust.certificates.as_ref().and_then(|c| c.authority());
    let none = || Problem::not_found("This server has no authority of its own; there is nothing to install.");
    Ok(HttpResponse::Ok()
        .content_type("application/x-x509-ca-cert")
        .insert_header((header::CONTENT_DISPOSITION, "attachment; filename=\"counterfoil-ca.crt\""))
        .insert_header((header::CACHE_CONTROL, "no-store"))
        .body(authority.ok_or_else(none)?.der))
}

async fn page(req: HttpRequest, trust: web::Data<Trust>) -> Result<HttpResponse, Problem> {
    let language = words_of(&req).language.as_str();
    let say = |key: &str| (trust.say)(language, key);
    let secure = req.app_config().secure();
    let authority = trust.certificates.as_ref().and_then(|c| c.authority());
    let body = html! {
        h1 { (say("trust.title")) }
        @match &authority {
            Some(authority) => (install(&trust, authority, &say)?),
            None => p { (say("trust.nothing-to-install")) },
        }
        @if !secure || trust.https_url.is_none() { (plain(&say)) }
    };
    let page: Markup = html! {
        (DOCTYPE)
        html lang=(language) {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { (say("trust.title")) }
                link rel="stylesheet" href="/trust/page.css";
            }
            body { main { (body) } }
        }
    };
    let answer = page.into_string();
    Ok(HttpResponse::Ok()
        .content_type("text/html; charset=utf-8")
        .insert_header((header::CACHE_CONTROL, "no-store"))
        .body(answer))
}

fn install(trust: &Trust, authority: &Installable, say: &dyn Fn(&str) -> String) -> Result<Markup, Problem> {
    let base = trust.plain_url.as_deref().or(trust.https_url.as_deref()).unwrap_or_default().trim_end_matches('/');
    let codes = [("trust.qr.page", format!("{base}/trust")), ("trust.qr.certificate", format!("{base}/trust/ca.crt"))];
    let codes =
        codes.into_iter().map(|(key, url)| Ok((key, qr_svg(&url)?, url))).collect::<Result<Vec<_>, Problem>>()?;
    let steps = |keys: &[&str]| html! { ol { @for key in keys { li { (say(key)) } } } };
    Ok(html! {
        p { (say("trust.why")) }
        @if !base.is_empty() {
            div.qr {
                @for (key, svg, url) in &codes {
                    figure { (PreEscaped(svg)) figcaption { (say(key)) br; code { (url) } } }
                }
            }
        }
        p { a.do href="/trust/ca.crt" { (say("trust.download")) } }
        div.card {
            p { (say("trust.compare")) }
            p { code { (authority.fingerprint) } }
        }
        h2 { (say("trust.profile.title")) }
        (steps(&["trust.profile.allow", "trust.profile.install", "trust.profile.switch", "trust.open"]))
        h2 { (say("trust.certificate.title")) }
        (steps(&["trust.certificate.download", "trust.certificate.install", "trust.certificate.warning", "trust.open"]))
        h2 { (say("trust.desktop.title")) }
        (steps(&["trust.desktop.download", "trust.desktop.import", "trust.desktop.system", "trust.open"]))
        @if let Some(url) = &trust.https_url {
            p { a.do href=(url) { (say("trust.open-now")) } }
            p { code { (url) } }
        }
        h2 { (say("trust.scope.title")) }
        p { (say("trust.scope")) }
        ul { @for one in &authority.scope { li { code { (one) } } } }
        p { (say("trust.remove")) }
    })
}

/// What browsers do not do on a page that came over plain HTTP, and why.
fn plain(say: &dyn Fn(&str) -> String) -> Markup {
    html! {
        h2 { (say("trust.plain.title")) }
        div.card.mark {
            p { (say("trust.plain.why")) }
            ul {
                li { (say("trust.plain.camera")) }
                li { (say("trust.plain.store")) }
                li { (say("trust.plain.worker")) }
            }
            p { (say("trust.plain.still")) }
        }
    }
}
