//! What comes in: bounded before it is read, parsed into types, refused with a pointer.

use std::future::Future;
use std::pin::Pin;

use actix_web::http::header;
use actix_web::{FromRequest, HttpRequest, dev::Payload, web};
use futures_util::StreamExt;
use serde::de::DeserializeOwned;
use serde_path_to_error::{Path, Segment};
use utoipa::openapi::schema::{ArrayBuilder, ObjectBuilder, Ref, Schema, SchemaType, Type};

use super::guessable::guessable;
use crate::problem::{FieldError, Problem};

/// The largest body that access takes, in bytes.
pub const LIMIT: usize = 64 * 1024;

/// A JSON body of at most [`LIMIT`] bytes. A member of the wrong type is refused with its pointer.
///
/// The media type must be JSON: a form on another page cannot send that without asking first.
pub struct Body<T>(pub T);

impl<T: DeserializeOwned + 'static> FromRequest for Body<T> {
    type Error = Problem;
    type Future = Pin<Box<dyn Future<Output = Result<Self, Problem>>>>;

    fn from_request(req: &HttpRequest, payload: &mut Payload) -> Self::Future {
        let json = req
            .headers()
            .get(header::CONTENT_TYPE)
            .and_then(|v| v.to_str().ok())
            .and_then(|v| v.split(';').next())
            .is_some_and(|v| v.trim().eq_ignore_ascii_case("application/json"));
        let mut payload = payload.take();
        Box::pin(async move {
            if !json {
                return Err(Problem::malformed("The body has to be JSON, with Content-Type: application/json."));
            }
            let mut bytes = web::BytesMut::new();
            while let Some(chunk) = payload.next().await {
                let chunk = chunk.map_err(|e| Problem::malformed("The body was cut short.").because(e))?;
                if bytes.len() + chunk.len() > LIMIT {
                    return Err(Problem::too_large(format!("The body is larger than {} KB.", LIMIT / 1024)));
                }
                bytes.extend_from_slice(&chunk);
            }
            parse(&bytes).map(Body)
        })
    }
}

fn parse<T: DeserializeOwned>(bytes: &[u8]) -> Result<T, Problem> {
    let mut json = serde_json::Deserializer::from_slice(bytes);
    let value = serde_path_to_error::deserialize(&mut json).map_err(|e| {
        let pointer = pointer(e.path());
        let e = e.into_inner();
        if e.is_data() {
            Problem::not_valid(pointer, sentence(&e))
        } else {
            Problem::malformed(format!("The body is not JSON: {}", sentence(&e)))
        }
    })?;
    json.end().map_err(|_| Problem::malformed("The body goes on after its JSON value."))?;
    Ok(value)
}

/// The reader's own words as a sentence. It may quote what was sent, never more than that.
fn sentence(e: &serde_json::Error) -> String {
    let text: String = e.to_string().chars().take(300).collect();
    let mut chars = text.chars();
    let first = chars.next().map(|c| c.to_uppercase().to_string()).unwrap_or_default();
    format!("{first}{}.", chars.as_str())
}

/// RFC 6901.
fn pointer(path: &Path) -> String {
    let mut out = String::new();
    for segment in path {
        match segment {
            Segment::Seq { index } => out += &format!("/{index}"),
            Segment::Map { key } => out += &format!("/{}", key.replace('~', "~0").replace('/', "~1")),
            Segment::Enum { .. } | Segment::Unknown => {}
        }
    }
    out
}

/// One line as a pattern: something that is no blank, and no control characters. [`Checks::line`] checks it.
const LINE: &str = r"^[^\x00-\x1f\x7f-\x9f]*[^\s\x00-\x1f\x7f-\x9f][^\x00-\x1f\x7f-\x9f]*$";
/// A sign-in name as a pattern: no blanks but around it. [`Checks::sign_in`] checks it.
const NAME: &str = r"^[^\S\x00-\x1f\x7f-\x9f]*[^\s\x00-\x1f\x7f-\x9f]+[^\S\x00-\x1f\x7f-\x9f]*$";

fn text(pattern: &str, most: usize, types: SchemaType) -> Schema {
    ObjectBuilder::new().schema_type(types).pattern(Some(pattern)).max_length(Some(most)).into()
}

/// For `schema_with`: at least one role.
pub(crate) fn some_roles() -> Schema {
    roles(Type::Array.into())
}

/// The same, or none said.
pub(crate) fn some_roles_or_none() -> Schema {
    roles(SchemaType::from_iter([Type::Array, Type::Null]))
}

fn roles(types: SchemaType) -> Schema {
    ArrayBuilder::new().schema_type(types).items(Ref::from_schema_name("Role")).min_items(Some(1)).into()
}

/// A line of at most 100 characters.
pub(crate) fn line_of_100_or_none() -> Schema {
    text(LINE, 100, SchemaType::from_iter([Type::String, Type::Null]))
}

/// A line of at most 200 characters.
pub(crate) fn line_of_200() -> Schema {
    text(LINE, 200, Type::String.into())
}

/// The same, or none.
pub(crate) fn line_of_200_or_none() -> Schema {
    text(LINE, 200, SchemaType::from_iter([Type::String, Type::Null]))
}

/// A sign-in name.
pub(crate) fn name_of_100() -> Schema {
    text(NAME, 100, Type::String.into())
}

/// The same, or none.
pub(crate) fn name_of_100_or_none() -> Schema {
    text(NAME, 100, SchemaType::from_iter([Type::String, Type::Null]))
}

/// Collects what does not fit, so that all of it is told at once.
#[derive(Default)]
pub(crate) struct Checks(Vec<FieldError>);

impl Checks {
    /// Notes one thing.
    pub fn wrong(&mut self, pointer: &str, detail: impl Into<String>) {
        self.0.push(FieldError { pointer: pointer.to_owned(), detail: detail.into() });
    }

    /// One line of text, trimmed, 1 to `most` characters, no control characters.
    pub fn line(&mut self, pointer: &str, text: &str, most: usize) -> String {
        let controls = text.chars().any(char::is_control);
        let text = text.trim();
        if text.is_empty() {
            self.wrong(pointer, "This must not be empty.");
        } else if text.chars().count() > most {
            self.wrong(pointer, format!("At most {most} characters."));
        } else if controls {
            self.wrong(pointer, "No line breaks or control characters.");
        }
        text.to_owned()
    }

    /// A sign-in name: like a line, without blanks, in lower case.
    pub fn sign_in(&mut self, pointer: &str, text: &str) -> String {
        let text = self.line(pointer, text, 100).to_lowercase();
        if text.chars().any(char::is_whitespace) {
            self.wrong(pointer, "A sign-in name has no blanks.");
        }
        text
    }

    /// A code of a second factor, as far as it is said.
    pub fn code(&mut self, text: Option<&str>) {
        if text.is_some_and(|t| t.chars().count() > 100) {
            self.wrong("/code", "At most 100 characters.");
        }
    }

    /// A password to set: 10 to 200 characters, none that is tried first. `names`: those of the person and the shop. Whether
    /// it may be, as far as can be told without a list.
    pub fn new_password(&mut self, pointer: &str, text: &str, names: &[&str]) -> bool {
        let before = self.0.len();
        let length = text.chars().count();
        if length < 10 {
            self.wrong(pointer, "A password has at least 10 characters; four or five words are easy to keep.");
        } else if length > 200 {
            self.wrong(pointer, "At most 200 characters.");
        } else if let Some(why) = guessable(text, names) {
            self.wrong(pointer, why);
        }
        self.0.len() == before
    }

    /// The problem, if anything was noted.
    pub fn done(self) -> Result<(), Problem> {
        if self.0.is_empty() { Ok(()) } else { Err(Problem::not_valid_all(self.0)) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[derive(Debug, serde::Deserialize)]
    #[serde(deny_unknown_fields)]
    struct Sample {
        #[allow(dead_code)]
        roles: Vec<super::super::Role>,
    }

    #[test]
    fn a_member_of_the_wrong_type_is_refused_with_its_pointer() {
        let p = parse::<Sample>(br#"{"roles":["counter","emperor"]}"#).expect_err("refused");
        assert_eq!((p.slug, p.pointer.as_deref()), ("not-valid", Some("/roles/1")));
        let p = parse::<Sample>(br#"{"roles":[]"#).expect_err("refused");
        assert_eq!(p.slug, "malformed");
        let p = parse::<Sample>(br#"{"roles":[]} {}"#).expect_err("refused");
        assert_eq!(p.slug, "malformed");
        assert_eq!(parse::<Sample>(br#"{"roles":[],"x":1}"#).expect_err("refused").slug, "not-valid");
    }

    #[test]
    fn all_that_does_not_fit_is_told_at_once() {
        let mut checks = Checks::default();
        checks.line("/name", " \n", 10);
        checks.new_password("/password", "short", &["ines"]);
        let p = checks.done().expect_err("refused");
        assert_eq!(p.errors.len(), 2);
        assert_eq!(p.pointer.as_deref(), Some("/name"));
    }
}
