//! What every request passes: an id, a span, refusal of requests that another site made a browser send, and the headers
//! that keep a browser from doing what the pages never ask for.

use actix_web::body::MessageBody;
use actix_web::dev::{RequestHead, ServiceRequest, ServiceResponse};
use actix_web::http::Method;
use actix_web::http::header::{self, HeaderMap, HeaderName, HeaderValue};
use actix_web::middleware::Next;
use actix_web::{Error, HttpMessage, HttpRequest, ResponseError, web};
use tracing::Instrument;

use crate::access;
use crate::edge::{Clock, Random};
use crate::operations::Metrics;
use crate::problem::{self, Problem};
use crate::traces::{self, context::Context};

/// The header that browser requests carry which change something: `web/<build>`. A form on another site cannot set it.
pub const CLIENT: &str = "counterfoil-client";
/// The header of the answer that names the request in the log.
pub const REQUEST_ID: &str = "request-id";

/// The header that says which trace a request belongs to (W3C Trace Context).
const TRACE_PARENT: &str = "traceparent";

/// What the guard has to know. On the app as `web::Data`.
#[derive(Clone, Debug)]
pub struct Guard {
    /// For how long requests take.
    pub clock: Clock,
    /// For request ids.
    pub random: Random,
    /// The public address, `https://intake.example`, where a proxy answers under another name than ours.
    pub public_url: Option<String>,
    /// Tell browsers to stay on HTTPS, here and below. Only with a certificate that they trust without our doing: with
    /// the local authority it would lock out whoever has not installed that yet.
    pub hsts: bool,
    /// A proxy of ours stands before it: `X-Forwarded-Proto` is believed.
    pub behind_proxy: bool,
    /// Where answers are counted.
    pub metrics: Metrics,
    /// A request that belongs to no trace begins one.
    pub traced: bool,
}

/// The id of a request, in its extensions.
#[derive(Clone, Debug)]
pub struct RequestId(pub String);

/// Nothing from elsewhere, nothing inline.
const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob: data:; \
media-src 'self' blob:; connect-src 'self'; manifest-src 'self'; worker-src 'self'; font-src 'self'; form-action 'self'; base-uri 'none'; object-src 'none'; \
frame-ancestors 'none'";

/// The middleware: `App::new().wrap(actix_web::middleware::from_fn(guard))`, the outermost one.
///
/// # Errors
/// What inner middleware fails with; refusals are answers.
pub async fn guard<B: MessageBody + 'static>(
    req: ServiceRequest,
    next: Next<B>,
) -> Result<ServiceResponse<impl MessageBody>, Error> {
    let Some(settings) = req.app_data::<web::Data<Guard>>().cloned() else {
        return Err(Problem::internal("the guard has no settings").into());
    };
    let id = format!("{:016x}", u64::from_be_bytes(settings.random.bytes::<8>()));
    req.extensions_mut().insert(RequestId(id.clone()));
    let started = settings.clock.now();
    // The route is noted, not the path: a link's secret is in its path.
    let trace = trace(req.headers(), &settings);
    let span = tracing::info_span!(
        target: traces::TARGET,
        "request",
        id,
        method = %req.method(),
        route = tracing::field::Empty,
        status = tracing::field::Empty,
        staff = tracing::field::Empty,
        device = tracing::field::Empty,
        trace = trace.map(|t| t.trace.to_string()),
        parent = trace.and_then(|t| t.parent).map(|p| p.to_string()),
        unsampled = trace.filter(|t| !t.sampled).map(|_| true)
    );
    let secure = over_https(req.request(), settings.behind_proxy);
    let api = req.path().starts_with("/v1") || req.path().starts_with("/r/");

    let answering = async move {
        let mut res = match foreign(req.request().head(), settings.public_url.as_deref()) {
            Some(problem) => {
                tracing::warn!(event = "foreign-request", "a request that another site may have made a browser send");
                req.into_response(problem.error_response()).map_into_right_body()
            }
            None => next.call(req).await?.map_into_left_body(),
        };
        let route = res.request().match_pattern().unwrap_or_default();
        tracing::Span::current().record("route", route.as_str());
        let ms = settings.clock.now() - started;
        tracing::info!(status = res.status().as_u16(), ms, "answered");
        tracing::Span::current().record("status", res.status().as_u16());
        settings.metrics.answered(&route, res.status().as_u16(), ms);
        dress(res.headers_mut(), api, secure && settings.hsts);
        Ok::<_, Error>(res)
    };
    let mut res = problem::in_request(id.clone(), answering.instrument(span)).await?;
    if let Ok(value) = HeaderValue::from_str(&id) {
        res.headers_mut().insert(HeaderName::from_static(REQUEST_ID), value);
    }
    Ok(res)
}

/// The trace that a request belongs to: of whoever asks, or one that begins here where traces are collected. Two headers are none.
fn trace(headers: &HeaderMap, settings: &Guard) -> Option<Context> {
    let mut said = headers.get_all(TRACE_PARENT);
    let theirs = match (said.next(), said.next()) {
        (Some(one), None) => one.to_str().ok().and_then(Context::read),
        _ => None,
    };
    theirs.or_else(|| settings.traced.then(|| Context::new(&settings.random)))
}

/// Whether a request came over HTTPS, here or at our own proxy.
pub fn over_https(req: &HttpRequest, behind_proxy: bool) -> bool {
    let forwarded = || req.headers().get("x-forwarded-proto").is_some_and(|v| v.as_bytes() == b"https");
    req.app_config().secure() || (behind_proxy && forwarded())
}

/// Why a request that changes something is refused: a browser sent it for another site, or may have.
///
/// A client with a bearer token is no browser: nothing adds that header by itself.
fn foreign(req: &RequestHead, public_url: Option<&str>) -> Option<Problem> {
    let headers = req.headers();
    if matches!(req.method, Method::GET | Method::HEAD | Method::OPTIONS) || access::bearer(headers).is_some() {
        return None;
    }
    let text = |name: &str| headers.get(name).map(|v| v.to_str().unwrap_or("?"));
    let elsewhere = text("sec-fetch-site").is_some_and(|site| site != "same-origin")
        || text("origin").is_some_and(|origin| !same_origin(origin, asked_host(req), public_url));
    let bare = has_session(headers) && text(CLIENT).is_none_or(|client| client.trim().is_empty());
    (elsewhere || bare).then(|| Problem::may_not("This request did not come from this server's own page."))
}

/// The host that was asked, with its port: what HTTP/2 says beside the path (`:authority`, RFC 9113 8.3.1), else `Host`.
pub fn asked_host(req: &RequestHead) -> Option<&str> {
    let beside = req.uri.authority().map(|a| a.as_str());
    beside.or_else(|| req.headers().get(header::HOST)?.to_str().ok())
}

/// Whether a name of this very machine was asked: a browser trusts such a page without HTTPS (W3C Secure Contexts 3.1).
pub fn asked_here(req: &RequestHead) -> bool {
    let host = asked_host(req).unwrap_or("localhost");
    let port = host.rsplit_once(':').filter(|(_, port)| port.bytes().all(|b| b.is_ascii_digit()));
    let name = port.map_or(host, |(name, _)| name).trim_matches(['[', ']']);
    name == "localhost" || name.parse::<std::net::IpAddr>().is_ok_and(|a| a.is_loopback())
}

/// Whether the origin is the host that was asked, or our public address. The scheme is left to `SameSite=Strict`.
fn same_origin(origin: &str, host: Option<&str>, public_url: Option<&str>) -> bool {
    let host_of = |url: &str| url.split_once("://").map(|(_, rest)| rest.trim_end_matches('/').to_ascii_lowercase());
    let Some(from) = host_of(origin) else { return false };
    host.is_some_and(|h| h.eq_ignore_ascii_case(&from)) || public_url.and_then(host_of).is_some_and(|p| p == from)
}

/// Whether a session is named at all.
pub fn has_session(headers: &HeaderMap) -> bool {
    headers.get_all(header::COOKIE).any(|v| {
        let text = String::from_utf8_lossy(v.as_bytes());
        text.split(';').any(|c| access::COOKIES.iter().any(|name| c.trim_start().starts_with(name)))
    })
}

/// Sets what the answer has not set for itself.
fn dress(headers: &mut HeaderMap, api: bool, hsts: bool) {
    let mut set = |name: HeaderName, value: &'static str| {
        if !headers.contains_key(&name) {
            headers.insert(name, HeaderValue::from_static(value));
        }
    };
    set(header::CONTENT_SECURITY_POLICY, POLICY);
    set(header::X_CONTENT_TYPE_OPTIONS, "nosniff");
    set(header::REFERRER_POLICY, "no-referrer");
    set(HeaderName::from_static("cross-origin-opener-policy"), "same-origin");
    set(HeaderName::from_static("cross-origin-resource-policy"), "same-origin");
    set(
        HeaderName::from_static("permissions-policy"),
        "camera=(self), microphone=(), geolocation=(), payment=(), usb=()",
    );
    set(header::X_FRAME_OPTIONS, "DENY");
    if api {
        set(header::CACHE_CONTROL, "no-store");
    }
    if hsts {
        set(header::STRICT_TRANSPORT_SECURITY, "max-age=31536000; includeSubDomains");
    }
}

#[cfg(test)]
mod tests {
    use actix_web::middleware::from_fn;
    use actix_web::test::{TestRequest, call_service, init_service, read_body_json};
    use actix_web::{App, HttpResponse};

    use super::*;

    fn settings() -> Guard {
        Guard {
            clock: Clock::System,
            random: Random::System,
            public_url: Some("https://intake.example".into()),
            hsts: true,
            behind_proxy: true,
            metrics: Metrics::default(),
            traced: false,
        }
    }

    macro_rules! app {
        () => {
            app!(settings())
        };
        ($settings:expr) => {
            init_service(
                App::new()
                    .app_data(web::Data::new($settings))
                    .wrap(from_fn(guard))
                    .route("/v1/thing", web::to(|| async { HttpResponse::Ok().finish() }))
                    .route("/v1/fault", web::get().to(|| async { Err::<HttpResponse, _>(Problem::internal("inner")) }))
                    .default_service(web::to(problem::nothing_here)),
            )
            .await
        };
    }

    #[actix_web::test]
    async fn every_answer_has_an_id_of_ours_and_the_headers_even_when_nothing_is_there() {
        let app = app!();
        for (path, status) in [("/v1/thing", 200), ("/v1/nowhere", 404), ("/v1/fault", 500)] {
            let req = TestRequest::get().uri(path).insert_header((REQUEST_ID, "mine")).to_request();
            let res = call_service(&app, req).await;
            assert_eq!(res.status(), status);
            let id = res.headers().get(REQUEST_ID).and_then(|v| v.to_str().ok()).map(str::to_owned).expect("an id");
            assert_eq!(id.len(), 16);
            assert_eq!(res.headers().get("content-security-policy").and_then(|v| v.to_str().ok()), Some(POLICY));
            assert_eq!(res.headers().get("cache-control").and_then(|v| v.to_str().ok()), Some("no-store"));
            assert!(!res.headers().contains_key("strict-transport-security"), "never over plain HTTP");
            if status >= 400 {
                let body: serde_json::Value = read_body_json(res).await;
                assert_eq!(body["request"], id.as_str());
            }
        }
    }

    #[actix_web::test]
    async fn a_browser_is_told_to_stay_on_https_only_where_it_trusts_the_certificate() {
        let told = async |settings: Guard, proto: &str| {
            let app = app!(settings);
            let req = TestRequest::get().uri("/v1/thing").insert_header(("x-forwarded-proto", proto)).to_request();
            let res = call_service(&app, req).await;
            res.headers().get("strict-transport-security").and_then(|v| v.to_str().ok()).map(str::to_owned)
        };
        let year = Some("max-age=31536000; includeSubDomains".to_owned());
        assert_eq!(told(settings(), "https").await, year);
        assert_eq!(told(settings(), "http").await, None);
        assert_eq!(told(Guard { hsts: false, ..settings() }, "https").await, None, "an authority of our own");
        assert_eq!(told(Guard { behind_proxy: false, ..settings() }, "https").await, None, "anybody can write that");
    }

    #[actix_web::test]
    async fn a_request_that_another_site_made_the_browser_send_is_refused() {
        let app = app!();
        let session = ("cookie", "a=b; counterfoil_session=x");
        let client = (CLIENT, "web/1");
        type Case<'a> = (&'a str, &'a [(&'a str, &'a str)], u16);
        let cases: &[Case<'_>] = &[
            ("a cookie alone", &[session], 403),
            ("a cookie with our header", &[session, client], 200),
            ("the cookie of HTTPS alone", &[("cookie", "__Host-counterfoil_session=x")], 403),
            ("our header from another origin", &[session, client, ("origin", "https://evil.example")], 403),
            ("no origin to speak of", &[session, client, ("origin", "null")], 403),
            ("the fetch metadata of another site", &[session, client, ("sec-fetch-site", "cross-site")], 403),
            ("the fetch metadata of a sibling", &[session, client, ("sec-fetch-site", "same-site")], 403),
            (
                "our own page",
                &[session, client, ("origin", "https://desk:8443"), ("sec-fetch-site", "same-origin")],
                200,
            ),
            ("our public address", &[session, client, ("origin", "https://intake.example")], 200),
            ("a sign-in from another site", &[("origin", "https://evil.example")], 403),
            ("a program without cookie", &[], 200),
            ("a token", &[session, ("authorization", "Bearer x"), ("origin", "https://evil.example")], 200),
            ("another kind of authorization", &[session, ("authorization", "Basic x")], 403),
        ];
        for (what, headers, status) in cases {
            let mut req = TestRequest::post().uri("/v1/thing").insert_header(("host", "desk:8443"));
            for header in *headers {
                req = req.insert_header(*header);
            }
            assert_eq!(call_service(&app, req.to_request()).await.status(), *status, "{what}");
        }
        // HTTP/2 has no Host: the host stands beside the path.
        for (origin, status) in [("https://desk:8443", 200), ("https://evil.example", 403)] {
            let req =
                TestRequest::post().uri("https://desk:8443/v1/thing").insert_header(session).insert_header(client);
            assert_eq!(call_service(&app, req.insert_header(("origin", origin)).to_request()).await.status(), status);
        }
        let read = TestRequest::get().uri("/v1/thing").insert_header(session).to_request();
        assert_eq!(call_service(&app, read).await.status(), 200, "reading changes nothing");
    }
}
