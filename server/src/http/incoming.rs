//! Bytes on their way in: what was announced of them, and one pass over what arrives.

use actix_web::http::header;
use actix_web::{HttpRequest, web};
use base64::Engine;
use evidence::digest::Digest;
use futures_util::StreamExt;
use uuid::Uuid;

use super::no;
use crate::app::App;
use crate::originals::{self, Incoming, KeepError, Shelf};
use crate::problem::Problem;

/// How many bytes go to the disk at once.
const PIECE: usize = 256 * 1024;
/// What has to arrive within the time that an upload may stand still: a byte now and then is no progress.
const STEP: usize = 4 * 1024;
/// The longest `Content-Digest` that is looked at.
const DIGEST: usize = 1024;

/// What an entry says of the bytes to come.
#[derive(Clone, Copy, Debug)]
pub struct Announced {
    /// The shop.
    pub shop: Uuid,
    /// Their digest.
    pub digest: Digest,
    /// Their number.
    pub size: u64,
    /// Whether that is the number, or only the most there may be.
    pub exact: bool,
}

/// One pass with bounded memory: length, hash, temporary file, sync, rename, sync. Gives the number of bytes.
pub async fn receive(app: &App, announced: Announced, body: web::Payload) -> Result<u64, Problem> {
    let (originals, nonce) = (app.ledger.originals().clone(), app.ledger.nonce());
    let Announced { shop, digest, size, exact } = announced;
    let incoming =
        blocking(move || originals.begin(shop, Shelf::Originals, digest, size, exact, nonce).map_err(KeepError::from))
            .await?;
    take(app, incoming, body).await
}

/// Everything that arrives, into a file that was begun.
pub async fn take(app: &App, mut incoming: Incoming, mut body: web::Payload) -> Result<u64, Problem> {
    let mut piece = Vec::with_capacity(PIECE);
    loop {
        let more = match tokio::time::timeout(app.settled.body_timeout, step(&mut body, &mut piece)).await {
            Err(_) => return Err(Problem::wrong_bytes("The file stood still on its way. Send it again.")),
            Ok(Err(e)) => {
                return Err(Problem::wrong_bytes("The file was cut short on its way. Send it again.").because(e));
            }
            Ok(Ok(more)) => more,
        };
        if piece.len() >= PIECE || (!more && !piece.is_empty()) {
            let full = std::mem::replace(&mut piece, Vec::with_capacity(PIECE));
            incoming = blocking(move || write(incoming, &full)).await?;
        }
        if !more {
            return blocking(move || incoming.finish()).await;
        }
    }
}

/// Reads on by one step. Whether there may be more.
async fn step(body: &mut web::Payload, piece: &mut Vec<u8>) -> Result<bool, actix_web::error::PayloadError> {
    let from = piece.len();
    while piece.len() - from < STEP {
        match body.next().await {
            Some(chunk) => piece.extend_from_slice(&chunk?),
            None => return Ok(false),
        }
    }
    Ok(true)
}

fn write(mut incoming: Incoming, piece: &[u8]) -> Result<Incoming, KeepError> {
    incoming.write(piece)?;
    Ok(incoming)
}

/// Runs the disk's part off the runtime.
pub async fn blocking<T: Send + 'static>(
    work: impl FnOnce() -> Result<T, KeepError> + Send + 'static,
) -> Result<T, Problem> {
    let request = tracing::Span::current();
    match tokio::task::spawn_blocking(move || request.in_scope(work)).await {
        Ok(Ok(done)) => Ok(done),
        Ok(Err(KeepError::WrongBytes)) => {
            Err(Problem::wrong_bytes("Other bytes arrived than were announced. Send the whole file again."))
        }
        Ok(Err(KeepError::Away(why))) => Err(Problem::away(why)),
        Ok(Err(KeepError::Io(e))) if originals::is_away(&e) => Err(Problem::away(e)),
        Ok(Err(KeepError::Io(e))) => {
            Err(Problem::busy("The server's disk did not take the file. It stays on the phone; try again later.")
                .because(e))
        }
        Err(e) => Err(no::fault(e)),
    }
}

/// The SHA-256 of `Content-Digest` (RFC 9530: a dictionary of byte sequences). All its lines are one field, and the last
/// of several members of one name counts (RFC 9651 4.2.2).
pub fn content_digest(req: &HttpRequest) -> Result<Digest, Problem> {
    let missing =
        || Problem::not_valid("Content-Digest", "The header Content-Digest with sha-256=:<base64>: is needed.");
    let lines: Option<Vec<&str>> = req.headers().get_all("Content-Digest").map(|h| h.to_str().ok()).collect();
    let field = lines.map(|l| l.join(",")).filter(|f| f.len() <= DIGEST).ok_or_else(missing)?;
    let member = field.split(',').rev().find_map(|m| m.trim().strip_prefix("sha-256=")).ok_or_else(missing)?;
    let member = member.strip_prefix(':').and_then(|m| m.strip_suffix(':')).ok_or_else(missing)?;
    let bytes = base64::engine::general_purpose::STANDARD.decode(member).map_err(|_| missing())?;
    Ok(Digest(bytes.try_into().map_err(|_| missing())?))
}

/// How long the body says it is.
pub fn content_length(req: &HttpRequest) -> Option<u64> {
    req.headers().get(header::CONTENT_LENGTH)?.to_str().ok()?.parse().ok()
}
