//! A good photo that an entry names, sent in ways in which it must not be.

use evidence::digest::Digest;
use tests::ask::CookieStaff;
use tests::counter::content_digest;
use tests::raw::Then;

/// What a sending is made from.
pub struct Given<'a> {
    /// Who sends.
    pub staff: &'a CookieStaff,
    /// Their address, `host:port`.
    pub host: &'a str,
    /// A shop of another server.
    pub other: uuid::Uuid,
    /// The photo.
    pub photo: &'a [u8],
}

/// One sending.
pub struct Sending {
    /// How it is.
    pub name: &'static str,
    /// The answer; `cut` where the server hangs up without one.
    pub want: &'static str,
    /// The request.
    pub make: fn(&Given) -> Vec<u8>,
    /// What then becomes of the connection.
    pub then: Then,
}

const fn sent(name: &'static str, want: &'static str, make: fn(&Given) -> Vec<u8>) -> Sending {
    Sending { name, want, make, then: Then::Wait }
}

impl Given<'_> {
    fn digest(&self) -> Digest {
        Digest::of(self.photo)
    }

    fn right(&self) -> String {
        content_digest(&self.digest())
    }

    fn path(&self, named: &str) -> String {
        self.staff.path(&format!("/files/{named}"))
    }

    /// The head of a request with these headers beside the usual ones.
    fn head(&self, path: &str, headers: &[(&str, &str)]) -> Vec<u8> {
        let (host, cookie) = (self.host, self.staff.cookie());
        let mut out = format!(
            "PUT {path} HTTP/1.1\r\nHost: {host}\r\nCookie: {cookie}\r\nCounterfoil-Client: web/1\r\nContent-Type: application/octet-stream\r\n"
        );
        headers.iter().for_each(|(name, value)| out += &format!("{name}: {value}\r\n"));
        out += "\r\n";
        out.into_bytes()
    }

    /// A body under the photo's own name, which says it is so long.
    fn body(&self, length: &str, body: &[u8]) -> Vec<u8> {
        let head = self
            .head(&self.path(&self.digest().hex()), &[("Content-Digest", &self.right()), ("Content-Length", length)]);
        [head, body.to_vec()].concat()
    }

    /// The photo under a name of one's choice.
    fn under(&self, named: &str) -> Vec<u8> {
        let length = self.photo.len().to_string();
        let head = self.head(&self.path(named), &[("Content-Digest", &self.right()), ("Content-Length", &length)]);
        [head, self.photo.to_vec()].concat()
    }

    /// The photo with these `Content-Digest` fields.
    fn fields(&self, fields: &[&str]) -> Vec<u8> {
        let length = self.photo.len().to_string();
        let mut headers = vec![("Content-Length", length.as_str())];
        headers.extend(fields.iter().map(|f| ("Content-Digest", *f)));
        [self.head(&self.path(&self.digest().hex()), &headers), self.photo.to_vec()].concat()
    }

    /// Chunks as they are, after a head that announces some.
    fn chunked(&self, more: &[(&str, &str)], chunks: &[u8]) -> Vec<u8> {
        let right = self.right();
        let mut headers = vec![("Content-Digest", right.as_str()), ("Transfer-Encoding", "chunked")];
        headers.extend(more);
        [self.head(&self.path(&self.digest().hex()), &headers), chunks.to_vec()].concat()
    }
}

fn chunks(bytes: &[u8]) -> Vec<u8> {
    [format!("{:x}\r\n", bytes.len()).as_bytes(), bytes, b"\r\n0\r\n\r\n"].concat()
}

fn other(bytes: &[u8]) -> Vec<u8> {
    let mut bytes = bytes.to_vec();
    let middle = bytes.len() / 2;
    bytes[middle] ^= 1;
    bytes
}

fn length(g: &Given, more: usize) -> String {
    (g.photo.len() + more).to_string()
}

/// The whole table.
pub const SENDINGS: &[Sending] = &[
    // Other bytes, or another number of them.
    sent("one bit differs", "400 wrong-bytes", |g| g.body(&length(g, 0), &other(g.photo))),
    sent("shorter, and says so", "400 wrong-bytes", |g| {
        let less = &g.photo[..g.photo.len() / 2];
        g.body(&less.len().to_string(), less)
    }),
    sent("longer, and says so", "400 wrong-bytes", |g| g.body(&length(g, 1), &[g.photo, b"x"].concat())),
    sent("nothing at all", "400 wrong-bytes", |g| g.body("0", b"")),
    sent("larger than any photo", "413 too-large", |g| g.body("10000000000000", b"")),
    sent("a length that no number holds", "400", |g| g.body("99999999999999999999999999", b"")),
    sent("a length below nothing", "400", |g| g.body("-1", b"")),
    sent("two lengths", "400", |g| {
        let headers = [("Content-Digest", g.right()), ("Content-Length", length(g, 0)), ("Content-Length", "5".into())];
        g.head(&g.path(&g.digest().hex()), &headers.each_ref().map(|(n, v)| (*n, v.as_str())))
    }),
    Sending {
        name: "cut off in the middle",
        want: "400 wrong-bytes",
        make: |g| g.body(&length(g, 0), &g.photo[..g.photo.len() / 2]),
        then: Then::Shut,
    },
    sent("chunks of more than was named", "400 wrong-bytes", |g| g.chunked(&[], &chunks(&[g.photo, b"x"].concat()))),
    sent("chunks of far more than was named", "400 wrong-bytes", |g| g.chunked(&[], &chunks(&g.photo.repeat(40)))),
    sent("chunks of less than was named", "400 wrong-bytes", |g| g.chunked(&[], &chunks(&g.photo[1..]))),
    // The framework ends a connection on which it cannot tell where the body goes on.
    sent("a chunk of no length", "cut", |g| g.chunked(&[], b"zz\r\nabc\r\n0\r\n\r\n")),
    sent("a chunk longer than any number", "cut", |g| g.chunked(&[], b"ffffffffffffffffff\r\nabc")),
    sent("chunks and a length", "400", |g| g.chunked(&[("Content-Length", "3")], &chunks(g.photo))),
    // Slow.
    sent("stands still after the head", "400 wrong-bytes", |g| g.body(&length(g, 0), b"")),
    sent("stands still in the middle", "400 wrong-bytes", |g| g.body(&length(g, 0), &g.photo[..1000])),
    Sending {
        name: "a byte now and then",
        want: "400 wrong-bytes",
        make: |g| g.body(&length(g, 0), &g.photo[..1000]),
        then: Then::Drip(100),
    },
    sent("a head that does not end", "408", |g| {
        let head = g.head(&g.path(&g.digest().hex()), &[]);
        head[..head.len() - 2].to_vec()
    }),
    // Names.
    sent("bytes that nothing names", "404 not-named", |g| {
        let bytes = other(g.photo);
        let digest = Digest::of(&bytes);
        let headers = [("Content-Digest", content_digest(&digest)), ("Content-Length", length(g, 0))];
        let head = g.head(&g.path(&digest.hex()), &headers.each_ref().map(|(n, v)| (*n, v.as_str())));
        [head, bytes].concat()
    }),
    sent("to another shop", "404 not-found", |g| {
        let path = format!("/v1/shops/{}/files/{}", g.other, g.digest().hex());
        let headers = [("Content-Digest", g.right()), ("Content-Length", length(g, 0))];
        [g.head(&path, &headers.each_ref().map(|(n, v)| (*n, v.as_str()))), g.photo.to_vec()].concat()
    }),
    sent("a name in capitals", "404 not-found", |g| g.under(&g.digest().hex().to_uppercase())),
    sent("a name too short", "404 not-found", |g| g.under(&g.digest().hex()[1..])),
    sent("a name too long", "404 not-found", |g| g.under(&format!("{}0", g.digest().hex()))),
    sent("a way up", "404 not-found", |g| g.under("../../../keys/log.key")),
    sent("an encoded way up", "404 not-found", |g| g.under("..%2f..%2f..%2fkeys%2flog.key")),
    sent("a way up after the name", "404 not-found", |g| g.under(&format!("{}%2f..%2fx", g.digest().hex()))),
    sent("a NUL in the name", "404 not-found", |g| g.under(&format!("{}%00", &g.digest().hex()[..63]))),
    sent("a name that is no UTF-8", "404 not-found", |g| g.under(&"%ff".repeat(64))),
    // Content-Digest.
    sent("no digest", "422 not-valid", |g| g.fields(&[])),
    sent("an empty digest", "422 not-valid", |g| g.fields(&[""])),
    sent("a digest without its colons", "422 not-valid", |g| g.fields(&[&g.right().replace(':', "")])),
    sent("a digest that is no base64", "422 not-valid", |g| g.fields(&["sha-256=:*****:"])),
    sent("a digest of 31 bytes", "422 not-valid", |g| {
        g.fields(&["sha-256=:AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA==:"])
    }),
    sent("a hexadecimal digest", "422 not-valid", |g| g.fields(&[&format!("sha-256=:{}:", g.digest().hex())])),
    sent("only another kind of digest", "422 not-valid", |g| g.fields(&["md5=:1B2M2Y8AsgTpgAmY7PhCfg==:"])),
    sent("a digest of 10,000 characters", "422 not-valid", |g| {
        g.fields(&[&format!("x=:{}:, {}", "A".repeat(10_000), g.right())])
    }),
    sent("another digest than the address", "422 not-valid", |g| g.fields(&[&content_digest(&Digest::of(b"else"))])),
    sent("two digests, the last one another", "422 not-valid", |g| {
        g.fields(&[&format!("{}, {}", g.right(), content_digest(&Digest::of(b"else")))])
    }),
    sent("two fields, the last one another", "422 not-valid", |g| {
        g.fields(&[&g.right(), &content_digest(&Digest::of(b"else"))])
    }),
    // And what is allowed, however odd.
    sent("several kinds of digest", "200", |g| g.fields(&["md5=:1B2M2Y8AsgTpgAmY7PhCfg==:", &g.right()])),
    sent("chunks of what was named", "200", |g| g.chunked(&[], &chunks(g.photo))),
];
