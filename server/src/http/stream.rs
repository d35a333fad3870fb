//! `GET /stream`: one stream a device of what is appended: ids and revisions only. The event id is the log index.

use std::collections::VecDeque;
use std::time::Duration;

use actix_web::web::Bytes;
use actix_web::{HttpRequest, HttpResponse, web};
use serde_json::json;
use sqlx::Row;
use tokio::sync::broadcast::Receiver;
use tokio::sync::broadcast::error::RecvError;
use tokio::time::{Interval, MissedTickBehavior};
use utoipa::ToSchema;
use uuid::Uuid;

use super::no;
use crate::access::{Caller, Ended};
use crate::app::App;
use crate::ledger::{Notice, load};
use crate::problem::Problem;

/// How often a comment keeps the connection open, and the caller's right to it is looked at again.
const HEARTBEAT: Duration = Duration::from_secs(15);
/// Most missed entries sent as single events; beyond it the client is told to read the log.
const CATCH_UP: i64 = 2_000;

/// One server-sent event, its fields by name.
#[derive(ToSchema)]
#[allow(dead_code, reason = "read by the derive only")]
struct StreamEvent {
    /// `hello`, `entry` or `behind`.
    event: String,
    /// JSON: `{"size"}` of `hello`, `{"index","intake","type"}` of `entry`.
    data: String,
    /// Log index; on `entry`.
    id: Option<String>,
    /// Milliseconds after which to come again; on `hello`.
    retry: Option<u32>,
}

struct Stream {
    app: App,
    caller: Caller,
    shop: Uuid,
    notices: Receiver<Notice>,
    /// Sessions that this process ends.
    ended: Receiver<Ended>,
    beat: Interval,
    last: Option<u64>,
    ready: VecDeque<Bytes>,
}

/// A stream of server-sent events. `event: entry` carries `{"index","intake","type"}`; `event: hello` the size first.
#[utoipa::path(get, path = "/v1/shops/{shop}/stream", operation_id = "stream", tag = "entries",
    params(("shop" = Uuid, Path, description = "The shop"), ("Last-Event-ID" = Option<String>, Header, description = "Log index of the last event seen")),
    responses((status = 200, description = "Server-sent events", body = StreamEvent, content_type = "text/event-stream"),
        (status = "default", description = "A problem", body = crate::problem::Problem, content_type = "application/problem+json")),
    security(("cookie" = []), ("bearer" = [])))]
pub async fn stream(
    app: web::Data<App>,
    caller: Caller,
    shop: web::Path<Uuid>,
    req: HttpRequest,
) -> Result<HttpResponse, Problem> {
    caller.in_shop(*shop)?;
    // Subscribe first, then catch up: nothing falls between.
    let (notices, ended) = (app.ledger.notices(), app.access.ended());
    let size = app.ledger.head(*shop).await.map_err(no::fault)?.map_or(0, |h| h.size);
    let seen = req.headers().get("Last-Event-ID").and_then(|h| h.to_str().ok()).and_then(|h| h.parse::<u64>().ok());
    let mut beat = tokio::time::interval(HEARTBEAT);
    beat.set_missed_tick_behavior(MissedTickBehavior::Delay);
    beat.reset();
    let (app, ready) = (app.get_ref().clone(), VecDeque::new());
    let mut stream = Stream { app, caller, shop: *shop, notices, ended, beat, last: seen, ready };
    stream.ready.push_back(Bytes::from(format!("retry: 2000\nevent: hello\ndata: {}\n\n", json!({"size": size}))));
    match seen {
        Some(seen) => stream.catch_up(seen).await.map_err(no::fault)?,
        None => stream.last = size.checked_sub(1),
    }
    let events = futures_util::stream::unfold(stream, |mut s| async move {
        let next = s.next().await?;
        Some((Ok::<_, actix_web::Error>(next), s))
    });
    Ok(HttpResponse::Ok()
        .content_type("text/event-stream")
        .insert_header(("Cache-Control", "no-store"))
        .insert_header(("X-Accel-Buffering", "no"))
        .insert_header(("Content-Encoding", "identity"))
        .streaming(events))
}

impl Stream {
    async fn next(&mut self) -> Option<Bytes> {
        loop {
            if let Some(ready) = self.ready.pop_front() {
                return Some(ready);
            }
            let stopping = self.app.stopping.clone();
            // In this order: however much is told, a beat is due when it is due.
            let next = tokio::select! {
                biased;
                () = stopping.cancelled() => return None,
                _ = self.beat.tick() => {
                    if !self.still_counts().await {
                        return None;
                    }
                    return Some(Bytes::from_static(b": here\n\n"));
                }
                ended = self.ended.recv() => {
                    let of_another = match ended {
                        Ok(ended) => ended.shop != self.shop,
                        Err(RecvError::Lagged(_)) => false,
                        Err(RecvError::Closed) => return None,
                    };
                    if !of_another && !self.still_counts().await {
                        return None;
                    }
                    continue;
                }
                next = self.notices.recv() => next,
            };
            match next {
                Ok(n) => {
                    if n.shop == self.shop && self.last.is_none_or(|l| n.index > l) {
                        self.last = Some(n.index);
                        self.ready.push_back(event(n.index, n.intake.map(|i| i.to_string()).as_deref(), &n.kind));
                    }
                }
                Err(RecvError::Lagged(_)) => {
                    let from = self.last.unwrap_or(0);
                    self.catch_up(from).await.ok()?;
                }
                Err(RecvError::Closed) => return None,
            }
        }
    }

    /// Whether the device still may hear this: another process may have put it out, or signed it out, without a word here.
    async fn still_counts(&self) -> bool {
        self.app.access.still_counts(&self.caller).await.unwrap_or(false)
    }

    async fn catch_up(&mut self, seen: u64) -> Result<(), sqlx::Error> {
        let rows =
            sqlx::query("SELECT idx, intake, type FROM entry WHERE shop = $1 AND idx > $2 ORDER BY idx LIMIT $3")
                .bind(self.shop.to_string())
                .bind(i64::try_from(seen).unwrap_or(i64::MAX))
                .bind(CATCH_UP)
                .fetch_all(self.app.ledger.pool())
                .await?;
        for r in &rows {
            let index = load::number(r, "idx")?;
            let intake: Option<String> = r.try_get("intake")?;
            self.ready.push_back(event(index, intake.as_deref(), &r.try_get::<String, _>("type")?));
            self.last = Some(index);
        }
        if rows.len() as i64 == CATCH_UP {
            self.ready.push_back(Bytes::from_static(b"event: behind\ndata: {}\n\n"));
        }
        Ok(())
    }
}

fn event(index: u64, intake: Option<&str>, kind: &str) -> Bytes {
    let data = json!({"index": index, "intake": intake, "type": kind});
    Bytes::from(format!("id: {index}\nevent: entry\ndata: {data}\n\n"))
}
