//! Requests to the store: how long each may take, which failures pass by themselves, and how often they are tried again. What
//! carries them is reqwest, by the S3 library; the system's roots say which HTTPS endpoint is the right one.

use std::future::Future;
use std::io;
use std::sync::OnceLock;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::Duration;

use bytes::Bytes;
use hyper::HeaderMap;
use s3::error::S3Error;
use s3::request::ResponseData;

use super::lock::Lock;
use super::probe::Traits;
use crate::edge::Random;

/// How often one request is tried.
const TRIES: u32 = 4;
/// The wait before the second try; it doubles, and up to as much again is added at random.
const FIRST_WAIT: Duration = Duration::from_millis(100);
/// However many tries: an upload's answer does not wait longer for one request.
const ALL_TRIES: Duration = Duration::from_secs(60);
/// A line that brings less in a second is treated as broken, bytes.
const SLOWEST: u64 = 256 * 1024;
/// What of an answer is repeated in a sentence, characters.
const TOLD: usize = 200;

/// Why a request did not do what it was to do.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Failed {
    /// Nothing stands under the key.
    Absent,
    /// Something stands there already, where nothing was to.
    Present,
    /// The store does not answer, or not rightly, now.
    Away(String),
    /// The store says no, and will again.
    Refused(String),
}

/// The store does not do what it is there for now. The same request may help later.
#[derive(Debug, thiserror::Error)]
#[error("the store of originals does not answer rightly: {0}")]
pub struct Away(pub String);

impl From<Failed> for io::Error {
    fn from(failed: Failed) -> io::Error {
        match failed {
            Failed::Absent => io::Error::new(io::ErrorKind::NotFound, "the store has no such object"),
            Failed::Present => io::Error::new(io::ErrorKind::AlreadyExists, "the store has such an object"),
            Failed::Away(why) | Failed::Refused(why) => io::Error::other(Away(why)),
        }
    }
}

/// The bucket, and what is known of it.
pub(super) struct Client {
    /// Its requests.
    pub(super) bucket: s3::Bucket,
    /// What stands before every key.
    pub(super) prefix: String,
    /// How long originals are locked.
    pub(super) lock: Option<Lock>,
    /// For waits and for names of tries.
    pub(super) random: Random,
    /// What the store was found to do; unknown until it was asked.
    pub(super) traits: OnceLock<Traits>,
    timeout: Duration,
    answers: AtomicBool,
    failures: AtomicU64,
}

impl Client {
    pub(super) fn new(
        bucket: s3::Bucket,
        prefix: String,
        timeout: Duration,
        lock: Option<Lock>,
        random: Random,
    ) -> Client {
        let (answers, failures) = (AtomicBool::new(true), AtomicU64::new(0));
        Client { bucket, prefix, lock, random, traits: OnceLock::new(), timeout, answers, failures }
    }

    /// The bucket for one request that moves so many bytes.
    pub(super) fn within(&self, bytes: u64) -> s3::Bucket {
        let mut bucket = self.bucket.clone();
        bucket.set_request_timeout(Some(self.timeout + Duration::from_secs(bytes.div_ceil(SLOWEST))));
        bucket
    }

    /// Whether the last request was answered, and how many were not since the start.
    pub(super) fn health(&self) -> (bool, u64) {
        (self.answers.load(Ordering::Relaxed), self.failures.load(Ordering::Relaxed))
    }

    fn note<T>(&self, done: &Result<T, Failed>) {
        let away = matches!(done, Err(Failed::Away(_)));
        if away {
            self.failures.fetch_add(1, Ordering::Relaxed);
        }
        if self.answers.swap(!away, Ordering::Relaxed) == away {
            match done {
                Err(Failed::Away(why)) => tracing::warn!(%why, "the store of originals does not answer"),
                _ => tracing::info!("the store of originals answers again"),
            }
        }
    }

    /// One try.
    pub(super) async fn once<T, F>(&self, work: F) -> Result<T, Failed>
    where
        F: Future<Output = Result<T, Failed>>,
    {
        let done = work.await;
        self.note(&done);
        done
    }

    /// Several tries, with waits between them that two servers do not share.
    pub(super) async fn again<T, F, Fut>(&self, mut work: F) -> Result<T, Failed>
    where
        F: FnMut() -> Fut,
        Fut: Future<Output = Result<T, Failed>>,
    {
        let tries = async {
            let mut tried = 0;
            loop {
                tried += 1;
                match self.once(work()).await {
                    Err(Failed::Away(_)) if tried < TRIES => tokio::time::sleep(self.wait(tried)).await,
                    done => return done,
                }
            }
        };
        let given_up = |_| Err(Failed::Away("it took too long, tried again and again".to_owned()));
        tokio::time::timeout(ALL_TRIES, tries).await.unwrap_or_else(given_up)
    }

    fn wait(&self, tried: u32) -> Duration {
        let least = FIRST_WAIT * 2u32.saturating_pow(tried.saturating_sub(1)).min(64);
        let share = u32::from_le_bytes(self.random.bytes());
        least + least.mul_f64(f64::from(share) / f64::from(u32::MAX))
    }

    /// Puts an object.
    pub(super) async fn put(&self, key: &str, bytes: &[u8], headers: &HeaderMap) -> Result<(), Failed> {
        self.again(|| async {
            let bucket = self.within(bytes.len() as u64);
            let done = bucket.put_object_with_headers(key, bytes, Some(headers.clone())).await;
            done.map_err(|e| of(&e, true)).and_then(|answer| fine(&answer))
        })
        .await
    }

    /// How long an object is.
    pub(super) async fn size(&self, key: &str) -> Result<u64, Failed> {
        self.again(|| self.size_once(key)).await
    }

    /// The same by one try, for whoever must not wait.
    pub(super) async fn size_once(&self, key: &str) -> Result<u64, Failed> {
        let bucket = self.within(0);
        let (head, _) = bucket.head_object(key).await.map_err(|e| of(&e, false))?;
        head.content_length
            .and_then(|len| u64::try_from(len).ok())
            .ok_or_else(|| Failed::Away("it does not say how long an object is".to_owned()))
    }

    /// Bytes of an object from `from` on, at most `len` of them, and how long all of it is.
    pub(super) async fn piece(&self, key: &str, from: u64, len: u64) -> Result<(Bytes, u64), Failed> {
        self.again(|| async {
            let last = from + len.max(1) - 1;
            let got = self.within(len).get_object_range(key, from, Some(last)).await;
            ranged(got.map_err(|e| of(&e, false))?, from, last)
        })
        .await
    }

    /// Takes an object away, or the newest word of it where versions are kept. What is not there is fine.
    pub(super) async fn delete(&self, key: &str) -> Result<(), Failed> {
        let gone = self
            .again(|| async {
                let done = self.within(0).delete_object(key).await;
                done.map_err(|e| of(&e, false)).and_then(|answer| fine(&answer))
            })
            .await;
        if gone == Err(Failed::Absent) { Ok(()) } else { gone }
    }
}

/// The bytes of a range, when the store gave this range and nothing else.
fn ranged(got: ResponseData, from: u64, last: u64) -> Result<(Bytes, u64), Failed> {
    let wrong = || Failed::Away("it gave other bytes than the range that was asked for".to_owned());
    let headers = got.headers();
    let range = headers.iter().find(|(name, _)| name.eq_ignore_ascii_case("content-range")).map(|(_, v)| v.clone());
    let all = range.as_deref().and_then(|r| r.rsplit_once('/')).and_then(|(_, all)| all.parse::<u64>().ok());
    let Some(all) = all.filter(|_| got.status_code() == 206) else { return Err(wrong()) };
    let bytes = got.into_bytes();
    let whole = bytes.len() as u64 == (last + 1).min(all).saturating_sub(from);
    if whole { Ok((bytes, all)) } else { Err(wrong()) }
}

pub(super) fn fine(answer: &ResponseData) -> Result<(), Failed> {
    match answer.status_code() {
        200..=299 => Ok(()),
        other => Err(status(other, "", false)),
    }
}

/// What a failure of the library means. `conditional`: whether the request was bound to a condition.
pub(super) fn of(error: &S3Error, conditional: bool) -> Failed {
    match error {
        S3Error::HttpFailWithBody(code, body) => status(*code, body, conditional),
        S3Error::Credentials(_) => Failed::Refused("its keys cannot be used".to_owned()),
        // A request that broke off, or an answer that is cut short.
        other => Failed::Away(told(&other.to_string())),
    }
}

fn status(code: u16, body: &str, conditional: bool) -> Failed {
    let says = |word: &str| body.contains(&format!("<Code>{word}</Code>"));
    // Of an answer only these two: others repeat the key's name and what was signed.
    let part = |tag: &str| {
        let (_, from) = body.split_once(&format!("<{tag}>"))?;
        Some(from.split_once(&format!("</{tag}>"))?.0)
    };
    let (name, message) = (part("Code").unwrap_or_default(), part("Message").unwrap_or_default());
    let sentence = || told(format!("{code} {name} {message}").trim());
    match code {
        404 if !says("NoSuchBucket") && !says("NoSuchUpload") => Failed::Absent,
        412 if conditional => Failed::Present,
        // Two at once under one condition, or bytes that were spoilt on the way: the same again helps.
        408 | 409 | 429 | 500 | 502.. => Failed::Away(sentence()),
        400 if ["BadDigest", "XAmzContentSHA256Mismatch", "RequestTimeout", "IncompleteBody"].into_iter().any(says) => {
            Failed::Away(sentence())
        }
        _ => Failed::Refused(sentence()),
    }
}

/// A sentence of bounded length, on one line.
fn told(text: &str) -> String {
    text.chars().take(TOLD).map(|c| if c.is_control() { ' ' } else { c }).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn failures_that_pass_are_told_from_those_that_stay() {
        let body = |code: &str| format!("<Error><Code>{code}</Code></Error>");
        assert_eq!(status(404, &body("NoSuchKey"), false), Failed::Absent);
        assert!(matches!(status(404, &body("NoSuchBucket"), false), Failed::Refused(_)));
        assert_eq!(status(412, "", true), Failed::Present);
        assert!(matches!(status(412, "", false), Failed::Refused(_)));
        assert!(matches!(status(403, &body("SignatureDoesNotMatch"), true), Failed::Refused(_)));
        assert!(matches!(status(400, &body("BadDigest"), true), Failed::Away(_)));
        assert!(matches!(status(503, "", true), Failed::Away(_)));
        assert!(told(&"x\n".repeat(500)).len() <= TOLD);
        let body =
            "<Error><Code>SignatureDoesNotMatch</Code><Message>No.</Message><StringToSign>hush</StringToSign></Error>";
        assert_eq!(status(403, body, false), Failed::Refused("403 SignatureDoesNotMatch No.".to_owned()));
    }

    #[test]
    fn a_range_is_what_was_asked_for_or_nothing() {
        let answer = |bytes: &'static [u8], code, range: &str| {
            ResponseData::new(Bytes::from_static(bytes), code, [("content-range".to_owned(), range.to_owned())].into())
        };
        assert_eq!(ranged(answer(b"abcd", 206, "bytes 0-3/10"), 0, 3), Ok((Bytes::from_static(b"abcd"), 10)));
        // The end is nearer than was asked.
        assert_eq!(ranged(answer(b"ij", 206, "bytes 8-9/10"), 8, 11), Ok((Bytes::from_static(b"ij"), 10)));
        for wrong in
            [answer(b"abc", 206, "bytes 0-3/10"), answer(b"abcd", 200, "bytes 0-3/10"), answer(b"abcd", 206, "")]
        {
            assert!(matches!(ranged(wrong, 0, 3), Err(Failed::Away(_))));
        }
    }
}
