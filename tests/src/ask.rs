//! Actors and their one way to ask: anonymous, staff with a session cookie, staff with a token.

use reqwest::header::{HeaderMap, HeaderName, HeaderValue};
use reqwest::{Method, RequestBuilder, StatusCode};
use serde_json::Value;
use uuid::Uuid;

/// The build our pages would send.
const CLIENT: &str = "web/1";

/// Somebody who can ask the server something.
pub trait Actor {
    /// Where to, and with which right.
    fn line(&self) -> &Line;

    /// A request that is not yet sent.
    fn ask(&self, method: Method, path: &str) -> Ask {
        self.line().ask(method, path)
    }

    /// `GET path`.
    fn get(&self, path: &str) -> Ask {
        self.ask(Method::GET, path)
    }

    /// `POST path`.
    fn post(&self, path: &str) -> Ask {
        self.ask(Method::POST, path)
    }

    /// `PUT path`.
    fn put(&self, path: &str) -> Ask {
        self.ask(Method::PUT, path)
    }

    /// `PATCH path`.
    fn patch(&self, path: &str) -> Ask {
        self.ask(Method::PATCH, path)
    }

    /// `DELETE path`.
    fn delete(&self, path: &str) -> Ask {
        self.ask(Method::DELETE, path)
    }
}

/// What proves who asks.
#[derive(Clone, Debug)]
enum Right {
    None,
    Cookie(String),
    Bearer(String),
}

/// A server's address and a right.
#[derive(Clone, Debug)]
pub struct Line {
    http: reqwest::Client,
    address: String,
    right: Right,
}

impl Line {
    fn ask(&self, method: Method, path: &str) -> Ask {
        let changes = !matches!(method, Method::GET | Method::HEAD);
        let request = self.http.request(method, format!("{}{path}", self.address));
        Ask(match &self.right {
            Right::None => request,
            Right::Cookie(cookie) => {
                let request = request.header("Cookie", cookie);
                if changes { request.header("Counterfoil-Client", CLIENT) } else { request }
            }
            Right::Bearer(token) => request.bearer_auth(token),
        })
    }
}

/// Somebody without any right.
#[derive(Clone, Debug)]
pub struct Anonymous(Line);

/// Who was let in.
#[derive(Clone, Copy, Debug)]
pub struct Who {
    /// The shop.
    pub shop: Uuid,
    /// The staff member.
    pub staff: Uuid,
    /// The device.
    pub device: Uuid,
}

/// Staff in a browser: a session cookie, and the header that our own pages send.
#[derive(Clone, Debug)]
pub struct CookieStaff {
    line: Line,
    /// Who.
    pub who: Who,
}

/// Staff through a program: an access token.
#[derive(Clone, Debug)]
pub struct TokenStaff {
    line: Line,
    /// Who.
    pub who: Who,
    /// The refresh token.
    pub refresh: String,
}

impl Actor for Anonymous {
    fn line(&self) -> &Line {
        &self.0
    }
}

impl Actor for CookieStaff {
    fn line(&self) -> &Line {
        &self.line
    }
}

impl Actor for TokenStaff {
    fn line(&self) -> &Line {
        &self.line
    }
}

impl Anonymous {
    /// A stranger at an address.
    ///
    /// # Panics
    /// When no client can be made.
    pub fn at(address: &str) -> Anonymous {
        // No connection is kept: a test that runs a program for long meanwhile would find it closed by the server.
        let plain = reqwest::Client::builder().redirect(reqwest::redirect::Policy::none()).pool_max_idle_per_host(0);
        let http = plain.build().expect("an HTTP client");
        Anonymous(Line { http, address: address.to_owned(), right: Right::None })
    }

    /// The staff member whom an answer let in.
    ///
    /// # Panics
    /// When the answer lets nobody in.
    pub fn let_in(&self, answer: &Answer) -> CookieStaff {
        answer.expect(201);
        let cookie = answer.header("set-cookie").and_then(|c| c.split(';').next()).expect("a cookie").to_owned();
        assert!(cookie.starts_with("counterfoil_session="), "{cookie}");
        CookieStaff { line: Line { right: Right::Cookie(cookie), ..self.0.clone() }, who: who(&answer.json()) }
    }

    /// Somebody who shows this access token, whatever it is.
    pub fn bearing(&self, token: &str, who: Who) -> TokenStaff {
        let line = Line { right: Right::Bearer(token.to_owned()), ..self.0.clone() };
        TokenStaff { line, who, refresh: String::new() }
    }

    /// The staff member whom an answer gave tokens.
    ///
    /// # Panics
    /// When the answer holds none.
    pub fn with_tokens(&self, answer: &Answer) -> TokenStaff {
        let body = answer.expect(200).json();
        let text = |name: &str| body[name].as_str().unwrap_or_else(|| panic!("no {name} in {body}")).to_owned();
        let line = Line { right: Right::Bearer(text("access")), ..self.0.clone() };
        TokenStaff { line, who: who(&body), refresh: text("refresh") }
    }
}

impl TokenStaff {
    /// The access token.
    pub fn token(&self) -> &str {
        match &self.line.right {
            Right::Bearer(token) => token,
            _ => "",
        }
    }
}

impl CookieStaff {
    /// The same person with a cookie that says something else.
    #[must_use]
    pub fn with_cookie(&self, value: &str) -> CookieStaff {
        let right = Right::Cookie(format!("counterfoil_session={value}"));
        CookieStaff { line: Line { right, ..self.line.clone() }, who: self.who }
    }

    /// The same person at another address, e.g. after a restart of the server.
    #[must_use]
    pub fn at(&self, address: &str) -> CookieStaff {
        let Anonymous(fresh) = Anonymous::at(address);
        CookieStaff { line: Line { right: self.line.right.clone(), ..fresh }, who: self.who }
    }

    /// The cookie's header line, for a bare connection.
    pub fn cookie(&self) -> &str {
        match &self.line.right {
            Right::Cookie(cookie) => cookie,
            _ => "",
        }
    }

    /// A path below this person's shop.
    pub fn path(&self, rest: &str) -> String {
        format!("/v1/shops/{}{rest}", self.who.shop)
    }
}

fn who(body: &Value) -> Who {
    let id = |name: &str| {
        let text = body[name].as_str().unwrap_or_else(|| panic!("no {name} in {body}"));
        text.parse().unwrap_or_else(|e| panic!("{name}: {e}"))
    };
    Who { shop: id("shop"), staff: id("staff"), device: id("device") }
}

/// A request that is not yet sent.
#[derive(Debug)]
#[must_use]
pub struct Ask(RequestBuilder);

impl Ask {
    /// With a JSON body.
    pub fn json(self, body: &Value) -> Ask {
        Ask(self.0.json(body))
    }

    /// With a body of bytes.
    pub fn bytes(self, body: Vec<u8>) -> Ask {
        Ask(self.0.body(body))
    }

    /// With a header.
    pub fn header(self, name: &str, value: &str) -> Ask {
        Ask(self.0.header(name, value))
    }

    /// With its headers set on top of ours.
    ///
    /// # Panics
    /// When they are no headers.
    pub fn headers(self, headers: &[(&str, &str)]) -> Ask {
        let mut map = HeaderMap::new();
        for (name, value) in headers {
            let name = HeaderName::from_bytes(name.as_bytes()).expect("a header's name");
            map.insert(name, HeaderValue::from_str(value).expect("a header's value"));
        }
        Ask(self.0.headers(map))
    }

    /// Sends it.
    ///
    /// # Errors
    /// When no whole answer comes back: the server is gone, or cut the connection.
    pub async fn try_send(self) -> Result<Answer, reqwest::Error> {
        let answer = self.0.send().await?;
        let (status, headers) = (answer.status(), answer.headers().clone());
        // A stream of events has no end to wait for.
        let endless = headers.get("content-type").is_some_and(|t| t.as_bytes().starts_with(b"text/event-stream"));
        let body = if endless { Vec::new() } else { answer.bytes().await?.to_vec() };
        Ok(Answer { status, headers, body })
    }

    /// Sends it.
    ///
    /// # Panics
    /// When no whole answer comes back.
    pub async fn send(self) -> Answer {
        self.try_send().await.expect("an answer")
    }
}

/// An answer, read to its end.
#[derive(Clone, Debug)]
pub struct Answer {
    /// Its status.
    pub status: StatusCode,
    /// Its headers.
    pub headers: HeaderMap,
    /// Its body.
    pub body: Vec<u8>,
}

impl Answer {
    /// The same, once its status is as wanted.
    ///
    /// # Panics
    /// When it is not; the body is shown.
    pub fn expect(&self, status: u16) -> &Answer {
        assert_eq!(self.status.as_u16(), status, "{}", self.text());
        self
    }

    /// Its body as JSON.
    ///
    /// # Panics
    /// When it is none.
    pub fn json(&self) -> Value {
        serde_json::from_slice(&self.body).unwrap_or_else(|e| panic!("{e}: {} {}", self.status, self.text()))
    }

    /// Its body as text.
    pub fn text(&self) -> String {
        String::from_utf8_lossy(&self.body).into_owned()
    }

    /// A header as text.
    pub fn header(&self, name: &str) -> Option<&str> {
        self.headers.get(name).and_then(|v| v.to_str().ok())
    }

    /// `status slug` of a problem, e.g. `404 not-named`; of anything else the status alone.
    pub fn gist(&self) -> String {
        let problem = self.header("content-type").is_some_and(|t| t.starts_with("application/problem+json"));
        let slug = || self.json()["type"].as_str().and_then(|t| t.strip_prefix("/problems/")).map(str::to_owned);
        match problem.then(slug).flatten() {
            Some(slug) => format!("{} {slug}", self.status.as_u16()),
            None => self.status.as_u16().to_string(),
        }
    }
}
