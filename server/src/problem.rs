//! Problems: how the service says no (RFC 9457).
//!
//! [`TABLE`] is the single source of every kind of problem: its status, its title, whether sending again helps, and what
//! to do next. The constructors use it, `GET /problems` shows it, and DEVELOPERS.md carries [`markdown`].

mod table;

use std::borrow::Cow;
use std::collections::BTreeMap;
use std::fmt;

use actix_web::error::JsonPayloadError;
use actix_web::http::{StatusCode, header};
use actix_web::{HttpResponse, ResponseError, web};
use serde::Serialize;
use serde_json::{Map, Value};
use utoipa::openapi::{Content, RefOr, Response, ResponseBuilder, Schema, schema::Ref};

pub use table::{Retry, Row, TABLE, markdown, routes, row_of};

/// The media type of every problem.
pub const MEDIA_TYPE: &str = "application/problem+json";

/// One value that does not fit.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, utoipa::ToSchema)]
pub struct FieldError {
    /// JSON Pointer (RFC 6901) into the request body, or the name of a parameter.
    pub pointer: String,
    /// What is wrong with it, as a sentence.
    pub detail: String,
}

/// One refusal, ready to be sent. Made by the constructor of its kind. Boxed inside, since every result carries it.
#[derive(Clone, Debug, PartialEq)]
pub struct Problem {
    /// Which row of [`TABLE`].
    pub slug: &'static str,
    /// The HTTP status.
    pub status: u16,
    /// A sentence for the person at the counter.
    pub detail: Box<str>,
    /// Whether sending again helps.
    pub retry: Retry,
    /// JSON Pointer (RFC 6901) to the one member that is wrong.
    pub pointer: Option<Box<str>>,
    /// All members that are wrong, when several are.
    pub errors: Box<[FieldError]>,
    /// Further members, such as `gaps`.
    pub extra: Map<String, Value>,
    /// Seconds to wait, sent as `Retry-After`.
    pub retry_after: Option<u32>,
    /// For the server's own log. Never sent.
    pub internal: Option<Box<str>>,
}

macro_rules! constructors {
    ($($(#[$doc:meta])* $name:ident = $slug:literal;)*) => {
        impl Problem {
            $($(#[$doc])* pub fn $name(detail: impl Into<String>) -> Self { Self::of($slug, detail) })*
        }
    };
}

constructors! {
    /// 400: the request cannot be read.
    malformed = "malformed";
    /// 400: hash or length differs from what was announced; send the file again.
    wrong_bytes = "wrong-bytes";
    /// 400: the page is older than this server understands.
    client_too_old = "client-too-old";
    /// 401: no session or token, or one that no longer counts.
    not_signed_in = "not-signed-in";
    /// 401: the password is right; a code of the second factor is asked for as well.
    code_asked = "code-asked";
    /// 403: the shop asks for a second factor, and the caller has to set it up first.
    code_due = "code-due";
    /// 403: the caller's role does not allow it.
    may_not = "may-not";
    /// 403: the password has to be given once more.
    not_proved = "not-proved";
    /// 403: this person may not leave this gap open.
    may_not_leave_open = "may-not-leave-open";
    /// 403: only over HTTPS.
    not_secure = "not-secure";
    /// 404: nothing there that the caller may know of.
    not_found = "not-found";
    /// 405: this address does not answer this method.
    no_such_method = "no-such-method";
    /// 404: no entry of this shop names the file.
    not_named = "not-named";
    /// 409: the id already stands for another entry.
    id_used = "id-used";
    /// 409: a rule refuses, and the sentence says which.
    refused = "refused";
    /// 409: the tag is wired to another machine.
    tag_used = "tag-used";
    /// 409: the intake takes no more such entries.
    ended = "ended";
    /// 409: an entry there was written by a newer version.
    unknown_version = "unknown-version";
    /// 409: the parts of the file reach elsewhere than this one begins; `offset` says where.
    parts_elsewhere = "parts-elsewhere";
    /// 410: the photo was erased by an entry.
    erased = "erased";
    /// 412: the document changed since the caller read it.
    not_current = "not-current";
    /// 413: larger than is taken.
    too_large = "too-large";
    /// 415: a type of file that is not taken.
    refused_type = "refused-type";
    /// 416: the file has no such bytes.
    no_such_range = "no-such-range";
    /// 503: this server is behind a checkpoint that a client has seen.
    history_behind = "history-behind";
    /// 503: try again in a little while.
    busy = "busy";
    /// 503: the store of originals does not answer; everything else goes on.
    store_away = "store-away";
}

/// After how many seconds a database that was busy or away is asked again.
pub const AGAIN: u32 = 2;
/// After how many seconds a store that is away is asked again.
const STORE_AGAIN: u32 = 15;

/// A sentence of the first catalogue, for who knows no other.
fn first(key: &str) -> String {
    crate::words::language(crate::words::FIRST).plain(key).to_owned()
}

impl Problem {
    /// A problem of the given kind.
    fn of(slug: &'static str, detail: impl Into<String>) -> Self {
        let row = row_of(slug);
        Problem {
            slug: row.slug,
            status: row.status,
            detail: detail.into().into(),
            retry: row.retry,
            pointer: None,
            errors: Box::default(),
            extra: Map::new(),
            retry_after: None,
            internal: None,
        }
    }

    /// 422: one member does not fit. `pointer` is a JSON Pointer into the body, `/name`.
    pub fn not_valid(pointer: impl Into<String>, detail: impl Into<String>) -> Self {
        Self::of("not-valid", detail).at(pointer)
    }

    /// 422: several members do not fit. The first one is also the problem's own pointer and detail.
    pub fn not_valid_all(errors: Vec<FieldError>) -> Self {
        let (pointer, detail) = errors
            .first()
            .map_or((None, "A value does not fit.".to_owned()), |e| (Some(e.pointer.clone()), e.detail.clone()));
        Problem { pointer: pointer.map(Into::into), errors: errors.into(), ..Self::of("not-valid", detail) }
    }

    /// 409: the check still asks for these. `gaps` is the list the check gave.
    pub fn gaps(detail: impl Into<String>, gaps: Value) -> Self {
        Self::of("gaps", detail).with("gaps", gaps)
    }

    /// 409: name and password are right in several shops; `shops` names them, each with its id as `shop`.
    pub fn which_shop(detail: impl Into<String>, shops: Value) -> Self {
        Self::of("which-shop", detail).with("shops", shops)
    }

    /// 429: wait this many seconds (at least one).
    pub fn too_many(seconds: u32) -> Self {
        let seconds = seconds.max(1);
        let wait = if seconds == 1 { "a second".to_owned() } else { format!("{seconds} seconds") };
        let mut p = Self::of("too-many", format!("Asked too often. Wait {wait}, then try again."));
        p.retry_after = Some(seconds);
        p
    }

    /// 500: a fault of ours. The reason goes to the log and never to the caller.
    pub fn internal(reason: impl fmt::Display) -> Self {
        let mut p = Self::of("fault", "Something went wrong in the server. Nothing was half done.");
        p.internal = Some(reason.to_string().into());
        p
    }

    /// The store of originals does not answer now: the phone keeps the photo and goes on with everything else.
    pub fn away(why: impl fmt::Display) -> Self {
        tracing::warn!(%why, "photos wait on the phones: the store of originals does not answer");
        Problem::store_away(first("refused.store-away")).because(why).after(STORE_AGAIN)
    }

    /// A file that could not be read: the store is away, or it is a fault.
    pub fn of_file(e: std::io::Error) -> Self {
        if crate::originals::is_away(&e) {
            return Problem::store_away(first("refused.store-unread")).because(e).after(STORE_AGAIN);
        }
        Problem::internal(e)
    }

    /// The same problem in the caller's language, where it was made by what knows no caller.
    #[must_use]
    pub fn told_in(mut self, words: &crate::words::Catalogue) -> Self {
        for key in ["refused.store-away", "refused.store-unread"] {
            if *self.detail == *first(key) {
                self.detail = words.plain(key).to_owned().into();
                break;
            }
        }
        self
    }

    /// A database that is busy or cannot be reached may be asked again; a text it cannot hold is the caller's; anything else
    /// is a fault.
    pub fn of_database(e: &sqlx::Error) -> Self {
        if crate::database::busy(e) {
            return Problem::busy("The server is busy. Nothing was changed.").because(e).after(AGAIN);
        }
        if crate::database::unkeepable(e) {
            return Problem::malformed("A text holds a character that cannot be kept.").because(e);
        }
        Problem::internal(e)
    }

    /// The same problem; the same again helps after so many seconds.
    #[must_use]
    pub fn after(mut self, seconds: u32) -> Self {
        self.retry_after = Some(seconds);
        self
    }

    /// The same problem, pointing at a member.
    #[must_use]
    pub fn at(mut self, pointer: impl Into<String>) -> Self {
        self.pointer = Some(pointer.into().into());
        self
    }

    /// The same problem with a further member. The standard members cannot be replaced: they are written after it.
    #[must_use]
    pub fn with(mut self, name: &str, value: Value) -> Self {
        self.extra.insert(name.to_owned(), value);
        self
    }

    /// The same problem with a reason for the server's own log.
    #[must_use]
    pub fn because(mut self, reason: impl fmt::Display) -> Self {
        self.internal = Some(reason.to_string().into());
        self
    }

    /// The JSON object that is sent. `request` is the id that the server's log knows this request by.
    pub fn body(&self, request: Option<&str>) -> Map<String, Value> {
        let mut out = self.extra.clone();
        out.insert("type".into(), format!("/problems/{}", self.slug).into());
        out.insert("title".into(), row_of(self.slug).title.into());
        out.insert("status".into(), self.status.into());
        out.insert("detail".into(), (*self.detail).into());
        out.insert("retry".into(), self.retry.word().into());
        if let Some(pointer) = &self.pointer {
            out.insert("pointer".into(), (**pointer).into());
        }
        if !self.errors.is_empty() {
            let errors = self.errors.iter().map(|e| serde_json::json!({"pointer": e.pointer, "detail": e.detail}));
            out.insert("errors".into(), errors.collect());
        }
        if let Some(request) = request {
            out.insert("request".into(), request.into());
        }
        out
    }
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {}", self.slug, self.detail)
    }
}

impl std::error::Error for Problem {}

impl From<sqlx::Error> for Problem {
    fn from(e: sqlx::Error) -> Self {
        Problem::of_database(&e)
    }
}

tokio::task_local! {
    static REQUEST: String;
}

/// Runs a request's work so that problems made in it carry its id.
pub async fn in_request<F: Future>(id: String, work: F) -> F::Output {
    REQUEST.scope(id, work).await
}

/// The id of the request being answered, if any.
pub fn request_id() -> Option<String> {
    REQUEST.try_with(Clone::clone).ok()
}

impl ResponseError for Problem {
    fn status_code(&self) -> StatusCode {
        StatusCode::from_u16(self.status).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR)
    }

    fn error_response(&self) -> HttpResponse {
        let request = request_id();
        if let Some(reason) = &self.internal {
            if self.status >= 500 {
                tracing::error!(slug = self.slug, request, reason, "problem");
            } else {
                tracing::info!(slug = self.slug, request, reason, "problem");
            }
        }
        let mut answer = HttpResponse::build(self.status_code());
        answer.insert_header((header::CONTENT_TYPE, MEDIA_TYPE)).insert_header((header::CACHE_CONTROL, "no-store"));
        if let Some(seconds) = self.retry_after {
            answer.insert_header((header::RETRY_AFTER, seconds));
        }
        if self.status == 401 {
            answer.insert_header((header::WWW_AUTHENTICATE, "Bearer"));
        }
        answer.body(Value::Object(self.body(request.as_deref())).to_string())
    }
}

/// The problem document as the API description shows it. [`Problem::body`] writes it.
#[derive(utoipa::ToSchema)]
#[schema(as = Problem)]
#[allow(dead_code, reason = "read by the derive only")]
struct ProblemDocument {
    /// Which kind: `/problems/<slug>`, listed at `/problems`.
    #[schema(example = "/problems/refused")]
    r#type: String,
    /// A short name of the kind.
    title: String,
    /// The HTTP status again.
    #[schema(minimum = 400, maximum = 599)]
    status: i32,
    /// What is wrong this time, as a sentence for the person at the counter.
    detail: String,
    /// Whether sending again helps.
    retry: Retry,
    /// JSON Pointer (RFC 6901) to the member that is wrong.
    pointer: Option<String>,
    /// All members that are wrong, when several are.
    errors: Option<Vec<FieldError>>,
    /// What the check still asks for (only `/problems/gaps`).
    gaps: Option<Vec<Value>>,
    /// The id that the server's log knows this request by.
    request: Option<String>,
}

impl utoipa::PartialSchema for Problem {
    fn schema() -> RefOr<Schema> {
        <ProblemDocument as utoipa::PartialSchema>::schema()
    }
}

impl utoipa::ToSchema for Problem {
    fn name() -> Cow<'static, str> {
        Cow::Borrowed("Problem")
    }

    fn schemas(schemas: &mut Vec<(String, RefOr<Schema>)>) {
        <ProblemDocument as utoipa::ToSchema>::schemas(schemas);
    }
}

/// The problems of one status, for the `responses(…)` of a `#[utoipa::path]`: `On<404>`.
pub struct On<const STATUS: u16>;

impl<const STATUS: u16> utoipa::IntoResponses for On<STATUS> {
    fn responses() -> BTreeMap<String, RefOr<Response>> {
        let rows = TABLE.iter().filter(|r| r.status == STATUS);
        let about: Vec<String> = rows.map(|r| format!("`/problems/{}`: {}", r.slug, r.title)).collect();
        let content = Content::new(Some(Ref::from_schema_name("Problem")));
        let response = ResponseBuilder::new().description(about.join("; ")).content(MEDIA_TYPE, content).build();
        BTreeMap::from([(STATUS.to_string(), RefOr::T(response))])
    }
}

/// Makes what the framework refuses by itself a problem too: paths, queries, JSON bodies.
pub fn extractors(cfg: &mut web::ServiceConfig) {
    cfg.app_data(
        web::PathConfig::default()
            .error_handler(|e, _| Problem::not_found("There is nothing at this address.").because(e).into()),
    )
    .app_data(web::QueryConfig::default().error_handler(|e, _| Problem::malformed(cut(&e)).into()))
    .app_data(web::JsonConfig::default().error_handler(|e, _| of_json(&e).into()));
}

/// A JSON body that the framework does not take.
pub fn of_json(e: &JsonPayloadError) -> Problem {
    match e {
        JsonPayloadError::Overflow { .. } | JsonPayloadError::OverflowKnownLength { .. } => {
            Problem::too_large("The body is too large.")
        }
        e => Problem::malformed(format!("The body cannot be read: {}.", cut(e))),
    }
}

/// The service for every address that nothing else answers.
pub async fn nothing_here() -> Result<HttpResponse, Problem> {
    Err(Problem::not_found("There is nothing at this address."))
}

/// The framework's own words, which may quote what was sent, cut to a sentence's length.
fn cut(e: &impl fmt::Display) -> String {
    e.to_string().chars().take(300).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_slug_stands_once_in_the_table_and_has_a_sentence() {
        for (n, r) in TABLE.iter().enumerate() {
            assert!(TABLE[..n].iter().all(|other| other.slug != r.slug), "{} stands twice", r.slug);
            assert!(r.what_to_do.ends_with('.') && (400..600).contains(&r.status));
            assert_eq!(row_of(r.slug).slug, r.slug);
        }
    }

    #[test]
    fn the_catalogue_says_the_same_as_the_table() {
        let words: Value = serde_json::from_str(include_str!("../../schema/words/en.json")).expect("words");
        for r in TABLE {
            assert_eq!(words[format!("problem.{}.title", r.slug)], r.title);
            assert_eq!(words[format!("problem.{}.do", r.slug)], r.what_to_do);
        }
    }

    #[actix_web::test]
    async fn a_problem_is_sent_with_its_request_id_and_without_its_inner_reason() {
        let answer = in_request("r-1".into(), async { Problem::internal("disk on fire").error_response() }).await;
        assert_eq!(answer.status(), 500);
        assert_eq!(answer.headers().get("content-type").and_then(|v| v.to_str().ok()), Some(MEDIA_TYPE));
        let bytes = actix_web::body::to_bytes(answer.into_body()).await.expect("a body");
        let body: Value = serde_json::from_slice(&bytes).expect("JSON");
        assert_eq!(body["request"], "r-1");
        assert_eq!(body["type"], "/problems/fault");
        assert!(!body.to_string().contains("fire"));
    }

    #[test]
    fn a_further_member_never_replaces_a_standard_one() {
        let body = Problem::gaps("Two gaps.", serde_json::json!([])).with("status", 200.into()).body(None);
        assert_eq!(body["status"], 409);
        assert_eq!(body["retry"], "changed");
    }
}
