//! What is the same for everybody, packed as tightly as gzip can: it is packed once, or rarely, and fetched over weak networks.

use std::io::Write;

use actix_web::http::header::{self, HeaderValue};
use actix_web::{HttpRequest, HttpResponse};
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

#[cfg(test)]
mod tests {
    use std::io::Read;

    use actix_web::test::TestRequest;

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
}
