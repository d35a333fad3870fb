//! A file goes into the bucket. Keys are digests, so that what stands under a key is right or broken, never another version:
//! what is right stays as it is, what is broken is put anew by whoever has the right bytes.

use std::fs::File;
use std::os::unix::fs::FileExt;

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use evidence::digest::{Digest, Hasher};
use hyper::HeaderMap;
use hyper::header::{HeaderName, HeaderValue, IF_NONE_MATCH};

use super::PIECE;
use super::client::{Client, Failed, of};

/// What is put at once; a larger file goes in parts of this length.
pub(super) const WHOLE: u64 = 8 * 1024 * 1024;
/// What the bytes are said to be: nothing shows them as anything else.
const TYPE: &str = "application/octet-stream";

/// The headers of a put: the checksum, and that nothing may stand there.
pub(super) fn headers(digest: &Digest, absent: bool) -> Result<HeaderMap, Failed> {
    let mut headers = HeaderMap::new();
    let sum = HeaderValue::from_str(&STANDARD.encode(digest.0)).map_err(|e| Failed::Refused(e.to_string()))?;
    headers.insert(HeaderName::from_static("x-amz-checksum-sha256"), sum);
    if absent {
        headers.insert(IF_NONE_MATCH, HeaderValue::from_static("*"));
    }
    Ok(headers)
}

impl Client {
    /// Puts a file that was hashed, and answers only when the store holds it.
    pub(super) async fn keep(
        &self,
        key: &str,
        file: &File,
        size: u64,
        digest: &Digest,
        locked: bool,
    ) -> Result<(), Failed> {
        let traits = self.traits().await?;
        let lock = match &self.lock {
            Some(lock) if locked => lock.headers()?,
            _ => HeaderMap::new(),
        };
        let in_parts = size > WHOLE;
        // Parts are joined without a condition; and some stores know none: ask first.
        if in_parts || !traits.absent {
            match self.holds(key, digest).await {
                Ok(true) => return Ok(()),
                Ok(false) => tracing::warn!(key, "the store holds other bytes than the key says; they are put anew"),
                Err(Failed::Absent) => {}
                Err(failed) => return Err(failed),
            }
        }
        if in_parts {
            self.in_parts(key, file, size, lock).await?;
        } else {
            let wanted = |absent| headers(digest, absent).map(|h| joined(h, &lock));
            self.at_once(key, &read(file, 0, size)?, digest, wanted(traits.absent)?, wanted(false)?).await?;
        }
        let held = if traits.checks { self.size(key).await? == size } else { self.holds(key, digest).await? };
        if held { Ok(()) } else { Err(Failed::Away("it holds other bytes than were put".to_owned())) }
    }

    /// One put, bound to a condition where the store knows one; `anyway` is the same without it.
    async fn at_once(
        &self,
        key: &str,
        bytes: &[u8],
        digest: &Digest,
        first: HeaderMap,
        anyway: HeaderMap,
    ) -> Result<(), Failed> {
        match self.put(key, bytes, &first).await {
            // Somebody was there before: another phone, or our own try whose answer was lost.
            Err(Failed::Present) if self.holds(key, digest).await? => Ok(()),
            Err(Failed::Present) => {
                tracing::warn!(key, "the store holds other bytes than the key says; they are put anew");
                self.put(key, bytes, &anyway).await
            }
            done => done,
        }
    }

    /// Parts, one after the other; each goes with its own checksum (`Content-MD5`, by the library) and is tried again by itself.
    async fn in_parts(&self, key: &str, file: &File, size: u64, lock: HeaderMap) -> Result<(), Failed> {
        let begun = self
            .again(|| async {
                let bucket = self.within(0).with_extra_headers(lock.clone()).map_err(|e| of(&e, false))?;
                bucket.initiate_multipart_upload(key, TYPE).await.map_err(|e| of(&e, false))
            })
            .await?;
        let done = self.parts(key, &begun.upload_id, file, size).await;
        if done.is_err()
            && let Err(e) = self.within(0).abort_upload(key, &begun.upload_id).await
        {
            tracing::warn!(key, error = %e, "an upload in parts was given up; the next start takes it away");
        }
        done
    }

    async fn parts(&self, key: &str, upload: &str, file: &File, size: u64) -> Result<(), Failed> {
        let (mut at, mut parts) = (0, Vec::new());
        while at < size {
            let len = WHOLE.min(size - at);
            let number = u32::try_from(parts.len() + 1).unwrap_or(u32::MAX);
            let part = self
                .again(|| async {
                    let bytes = read(file, at, len)?;
                    let sent = self.within(len).put_multipart_chunk(bytes, key, number, upload, TYPE).await;
                    sent.map_err(|e| of(&e, false))
                })
                .await?;
            parts.push(part);
            at += len;
        }
        let joined = self.within(size).complete_multipart_upload(key, upload, parts).await;
        match joined.map_err(|e| of(&e, false)) {
            Ok(_) => Ok(()),
            // Its answer may be what was lost: then the object is there, and its length is looked at next.
            Err(Failed::Away(why)) => match self.size(key).await {
                Ok(there) if there == size => Ok(()),
                _ => Err(Failed::Away(why)),
            },
            Err(failed) => Err(failed),
        }
    }

    /// Whether what stands under a key is what its digest says: all of it is read.
    pub(super) async fn holds(&self, key: &str, digest: &Digest) -> Result<bool, Failed> {
        Ok(self.hash(key).await? == *digest)
    }

    /// The digest of what stands under a key, read in pieces.
    pub(super) async fn hash(&self, key: &str) -> Result<Digest, Failed> {
        let (mut hasher, mut at) = (Hasher::new(), 0);
        loop {
            let (bytes, all) = self.piece(key, at, PIECE).await?;
            hasher.update(&bytes);
            at += bytes.len() as u64;
            if at >= all {
                return Ok(hasher.finish());
            }
            if bytes.is_empty() {
                return Err(Failed::Away("it gave nothing of a range".to_owned()));
            }
        }
    }
}

fn joined(mut headers: HeaderMap, more: &HeaderMap) -> HeaderMap {
    headers.extend(more.clone());
    headers
}

/// Bytes of the local copy. Blocking, on the store's own threads.
fn read(file: &File, from: u64, len: u64) -> Result<Vec<u8>, Failed> {
    let mut bytes = vec![0; usize::try_from(len).unwrap_or(usize::MAX)];
    file.read_exact_at(&mut bytes, from).map_err(|e| Failed::Away(format!("the local copy: {e}")))?;
    Ok(bytes)
}
