//! What is the same for everybody, packed as tightly as gzip can: it is packed once, or rarely, and fetched over weak networks.

use std::io::Write;

use actix_web::body::{BodySize, MessageBody};
use actix_web::dev::{ServiceRequest, ServiceResponse};
use actix_web::http::header::{self, HeaderValue};
use actix_web::middleware::Next;
use actix_web::{Error, HttpRequest, HttpResponse};
use flate2::Compression;
use flate2::write::GzEncoder;

/// The bytes as gzip (RFC 1952), or none where packing failed.
pub fn gzip(bytes: &[u8]) -> Option<Vec<u8>> {
    let mut packing = GzEncoder::new(Vec::with_capacity(bytes.len() / 3), Compression::best());
    packing.write_all(bytes).ok()?;
    packing.finish().ok()
}

/// Whether the client takes gzip (RFC 9110 12.5.3). One that gives it a weight of zero does not.
pub fn taken(req: &HttpRequest) -> bool {
    let said = req.headers().get(header::ACCEPT_ENCODING).and_then(|v| v.to_str().ok()).unwrap_or_default();
    said.split(',').any(|one| {
        let (name, weight) = one.split_once(';').unwrap_or((one, ""));
        let refused = weight.trim().strip_prefix("q=").is_some_and(|q| q.trim().parse() == Ok(0.0));
        name.trim().eq_ignore_ascii_case("gzip") && !refused
    })
}

/// Says that an answer's body is gzip; the middleware that packs others leaves it alone then.
pub fn marked(mut answer: HttpResponse) -> HttpResponse {
    let headers = answer.headers_mut();
    headers.insert(header::CONTENT_ENCODING, HeaderValue::from_static("gzip"));
    headers.insert(header::VARY, HeaderValue::from_static("accept-encoding"));
    answer
}

/// Bytes of a body that fit into one packet beside its head (1,460 of TCP over IPv4 and Ethernet, RFC 9293 3.7.1): fewer are no sooner there.
const SMALL: u64 = 1_024;

/// What tells the middleware that packs to leave an answer alone; the answer itself does not say it (RFC 9110 8.4.1).
const AS_IT_IS: HeaderValue = HeaderValue::from_static("identity");

/// Inside of what packs answers: a small one stays as it is. Packing it costs more than all else of answering, and saves no packet.
///
/// # Errors
/// What is further inside fails with.
pub async fn unless_small<B: MessageBody>(req: ServiceRequest, next: Next<B>) -> Result<ServiceResponse<B>, Error> {
    let mut answer = next.call(req).await?;
    if matches!(answer.response().body().size(), BodySize::Sized(n) if n <= SMALL) {
        let headers = answer.headers_mut();
        if !headers.contains_key(header::CONTENT_ENCODING) {
            headers.insert(header::CONTENT_ENCODING, AS_IT_IS);
        }
    }
    Ok(answer)
}

/// Outside of what packs answers: takes [`unless_small`]'s word away again.
///
/// # Errors
/// What is further inside fails with.
pub async fn as_said<B: MessageBody>(req: ServiceRequest, next: Next<B>) -> Result<ServiceResponse<B>, Error> {
    let mut answer = next.call(req).await?;
    if answer.headers().get(header::CONTENT_ENCODING) == Some(&AS_IT_IS) {
        answer.headers_mut().remove(header::CONTENT_ENCODING);
    }
    Ok(answer)
}

#[cfg(test)]
mod tests {
    use std::io::Read;

    use actix_web::middleware::{Compress, from_fn};
    use actix_web::test::{TestRequest, call_service, init_service, read_body};
    use actix_web::{App, web};

    use super::*;

    #[test]
    fn what_was_packed_comes_out_again() {
        let mut out = String::new();
        let packed = gzip(b"one two one two one two").expect("packed");
        flate2::read::GzDecoder::new(packed.as_slice()).read_to_string(&mut out).expect("gzip");
        assert_eq!(out, "one two one two one two");
    }

    #[test]
    fn only_who_takes_gzip_gets_it() {
        for (said, takes) in [
            ("gzip", true),
            ("br, GZIP;q=0.5", true),
            ("gzip;q=0, br", false),
            ("gzip; q=0.0", false),
            ("br", false),
            ("", false),
            ("x-gzip", false),
        ] {
            let req = TestRequest::get().insert_header(("accept-encoding", said)).to_http_request();
            assert_eq!(taken(&req), takes, "{said}");
        }
    }

    #[actix_web::test]
    async fn an_answer_of_one_packet_is_not_packed_and_a_longer_one_is() {
        let long = || async { HttpResponse::Ok().body("a word ".repeat(1_000)) };
        let short = || async { HttpResponse::Ok().body("a word") };
        let done = || async { marked(HttpResponse::Ok().body(gzip(b"a word").expect("packed"))) };
        let app = App::new()
            .wrap(from_fn(unless_small))
            .wrap(Compress::default())
            .wrap(from_fn(as_said))
            .route("/long", web::get().to(long))
            .route("/short", web::get().to(short))
            .route("/done", web::get().to(done));
        let app = init_service(app).await;
        for (path, packed) in [("/long", true), ("/short", false), ("/done", true)] {
            let asked = TestRequest::get().uri(path).insert_header(("accept-encoding", "gzip")).to_request();
            let answer = call_service(&app, asked).await;
            let said = answer.headers().get(header::CONTENT_ENCODING).cloned();
            assert_eq!(said.as_ref().map(HeaderValue::as_bytes), packed.then_some(&b"gzip"[..]), "{path}");
            let body = read_body(answer).await;
            assert_eq!(body.starts_with(&[0x1f, 0x8b]), packed, "{path}");
        }
    }
}
