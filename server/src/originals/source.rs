//! Bytes on their way out, to somebody who takes them slowly: from the disk or from the bucket, a piece at a time.

use std::io;
use std::sync::Arc;

use bytes::Bytes;
use futures_util::{Stream, StreamExt, stream};
use tokio::io::{AsyncReadExt, AsyncSeekExt};
use tracing::Instrument;

use super::bucket::{Bucket, PIECE};
use super::{Key, Originals, Shelf, Store};
use crate::traces::step;
use evidence::digest::Digest;
use uuid::Uuid;

/// How many bytes are read from the disk at once.
const FROM_DISK: usize = 256 * 1024;

/// A file that is there.
#[derive(Debug)]
pub struct Source {
    size: u64,
    from: From,
}

#[derive(Debug)]
enum From {
    File(tokio::fs::File),
    Bucket(Arc<Bucket>, Key),
}

impl Originals {
    /// A file to be sent, whole or a part.
    ///
    /// # Errors
    /// `NotFound`; what disk or store say.
    pub async fn source(&self, shop: Uuid, shelf: Shelf, digest: &Digest) -> io::Result<Source> {
        let step = step!("store get", bucket = self.bucket().is_some());
        self.opened(shop, shelf, digest).instrument(step).await
    }

    async fn opened(&self, shop: Uuid, shelf: Shelf, digest: &Digest) -> io::Result<Source> {
        let key = Key { shop, shelf, digest: *digest };
        let file = match &self.store {
            Store::Folder => Some(tokio::fs::File::open(self.path(&key)).await?),
            Store::Bucket(_, cache) => cache.file(&key).map(tokio::fs::File::from_std),
        };
        match (file, &self.store) {
            (Some(file), _) => Ok(Source { size: file.metadata().await?.len(), from: From::File(file) }),
            (None, Store::Bucket(bucket, _)) => {
                Ok(Source { size: bucket.size(&key).await?, from: From::Bucket(bucket.clone(), key) })
            }
            (None, Store::Folder) => Err(io::ErrorKind::NotFound.into()),
        }
    }
}

impl Source {
    /// How long the file is.
    pub fn size(&self) -> u64 {
        self.size
    }

    /// `len` bytes from `from` on, in pieces; one of them is in memory at a time.
    ///
    /// # Errors
    /// The disk's.
    pub async fn part(self, from: u64, len: u64) -> io::Result<impl Stream<Item = io::Result<Bytes>>> {
        match self.from {
            From::File(mut file) => {
                file.seek(io::SeekFrom::Start(from)).await?;
                Ok(tokio_util::io::ReaderStream::with_capacity(file.take(len), FROM_DISK).left_stream())
            }
            From::Bucket(bucket, key) => {
                let end = from.saturating_add(len);
                let next = move |at: u64| {
                    let bucket = bucket.clone();
                    async move {
                        if at >= end {
                            return None;
                        }
                        let got = bucket.piece(&key, at, PIECE.min(end - at)).await;
                        // After a failure nothing comes: whoever reads is told by the length.
                        let then = got.as_ref().map_or(end, |(bytes, _)| at + bytes.len() as u64);
                        Some((got.map(|(bytes, _)| bytes), then))
                    }
                };
                Ok(stream::unfold(from, next).boxed().right_stream())
            }
        }
    }
}
