//! `GET …/pack`: the pack of an intake, streamed. Its length is known before the first byte, so that whoever takes it sees how far
//! it is; whoever closes the connection ends it.

use std::io::{self, Write};

use actix_web::http::header;
use actix_web::web::Bytes;
use actix_web::{HttpRequest, HttpResponse, web};
use serde::Deserialize;
use tokio::sync::mpsc;
use utoipa::IntoParams;
use uuid::Uuid;

use super::no;
use crate::access::Caller;
use crate::app::App;
use crate::intake::state::Whose;
use crate::pack::choose::{Customer, Wanted};
use crate::pack::{gather, letter as claim_letter};
use crate::problem::Problem;

/// Bytes sent at once, and how many pieces wait.
const PIECE: usize = 1 << 16;
const WAITING: usize = 8;

/// What goes into a pack.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct PackOf {
    /// Whether the customer is in it. Without the customer there are no originals, only copies bound to them.
    #[param(inline)]
    #[serde(default = "shown")]
    customer: Customer,
    /// Photos with boxes over them with the boxes, without their originals. Without the customer always.
    #[serde(default)]
    covered: bool,
    /// Only the photos of this view of the kind, from all stages.
    #[param(max_length = 64)]
    view: Option<String>,
    /// Only what concerns the part of this claim, with a letter to the supplier; the customer is never in it.
    claim: Option<Uuid>,
    /// Language tag. Without it the pack's page is in the language the sheet was shown in.
    #[param(max_length = 35)]
    language: Option<String>,
}

fn shown() -> Customer {
    Customer::Shown
}

/// Bytes on their way to whoever asked, a piece at a time.
struct Sending {
    to: mpsc::Sender<io::Result<Bytes>>,
    held: Vec<u8>,
}

impl Sending {
    fn send(&mut self) -> io::Result<()> {
        let piece = std::mem::replace(&mut self.held, Vec::with_capacity(PIECE));
        self.to.blocking_send(Ok(Bytes::from(piece))).map_err(|_| io::ErrorKind::BrokenPipe.into())
    }
}

impl Write for Sending {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let now = bytes.len().min(PIECE - self.held.len());
        self.held.extend_from_slice(&bytes[..now]);
        if self.held.len() == PIECE {
            self.send()?;
        }
        Ok(now)
    }

    fn flush(&mut self) -> io::Result<()> {
        if self.held.is_empty() { Ok(()) } else { self.send() }
    }
}

/// What was asked for.
fn wanted(of: PackOf) -> Result<Wanted, Problem> {
    if of.view.as_ref().is_some_and(|v| v.chars().count() > 64) {
        return Err(Problem::not_valid("view", "A view's name has at most 64 characters."));
    }
    if of.view.is_some() && of.claim.is_some() {
        return Err(Problem::not_valid("claim", "A pack is of a claim or of a view, not of both."));
    }
    super::language_tag(of.language.as_deref())?;
    // A supplier is owed no customer.
    let customer = if of.claim.is_some() { Customer::Withheld } else { of.customer };
    Ok(Wanted { customer, covered: of.covered, view: of.view, claim: of.claim, language: of.language })
}

/// As many at a time as uploads: both keep the disk busy.
fn place(app: &App, req: &HttpRequest) -> Result<tokio::sync::OwnedSemaphorePermit, Problem> {
    let permit = app.uploads.clone().try_acquire_owned();
    permit.map_err(|_| Problem::busy(super::words_of(req).plain("refused.busy")))
}

/// The pack: everything needed to check this intake without us, as one archive.
#[utoipa::path(get, path = "/v1/shops/{shop}/intakes/{intake}/pack", operation_id = "getPack", tag = "intakes",
    params(("shop" = Uuid, Path, description = "The shop"), ("intake" = Uuid, Path, description = "The intake"), PackOf),
    responses((status = 200, description = "A ZIP archive; the same until something more is said of the intake", body = Vec<u8>, content_type = "application/zip"),
        (status = "default", description = "A problem", body = crate::problem::Problem, content_type = "application/problem+json")),
    security(("cookie" = []), ("bearer" = [])))]
pub async fn pack(
    app: web::Data<App>,
    caller: Caller,
    path: web::Path<(Uuid, Uuid)>,
    of: web::Query<PackOf>,
    req: HttpRequest,
) -> Result<HttpResponse, Problem> {
    let (shop, intake) = path.into_inner();
    caller.in_shop(shop)?;
    let (permit, wanted) = (place(&app, &req)?, wanted(of.into_inner())?);
    let ledger = app.ledger.clone();
    // Reading every original once takes as long as the disk needs: off the runtime.
    let handle = app.runtime.clone();
    let plan =
        tokio::task::spawn_blocking(move || handle.block_on(gather::plan(&ledger, Whose { shop, intake }, &wanted)));
    let plan = plan.await.map_err(no::fault)??;
    let (to, mut from) = mpsc::channel(WAITING);
    let length = plan.length();
    tokio::task::spawn_blocking(move || {
        let _permit = permit;
        let mut sending = Sending { to, held: Vec::with_capacity(PIECE) };
        if let Err(e) = plan.write(&mut sending)
            && e.kind() != io::ErrorKind::BrokenPipe
        {
            tracing::error!(error = %e, "a pack broke off");
            drop(sending.to.blocking_send(Err(e)));
        }
    });
    let name = format!("attachment; filename=\"{}.zip\"", &intake.to_string()[24..]);
    Ok(HttpResponse::Ok()
        .content_type("application/zip")
        .insert_header((header::CONTENT_DISPOSITION, name))
        .insert_header((header::CACHE_CONTROL, "private, no-store"))
        .insert_header((header::CONTENT_ENCODING, "identity"))
        .no_chunking(length)
        .streaming(futures_util::stream::poll_fn(move |cx| from.poll_recv(cx))))
}

/// In which language.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct LetterIn {
    /// Language tag of the supplier; that of the sheet when absent.
    #[param(max_length = 35)]
    language: Option<String>,
}

/// The letter that goes with a claim, to print: the one that lies in the claim's pack.
#[utoipa::path(get, path = "/v1/shops/{shop}/intakes/{intake}/claims/{claim}/letter", operation_id = "getClaimLetter", tag = "intakes",
    params(("shop" = Uuid, Path, description = "The shop"), ("intake" = Uuid, Path, description = "The intake"), ("claim" = Uuid, Path, description = "The claim"), LetterIn),
    responses((status = 200, description = "The letter as a page", body = String, content_type = "text/html"),
        (status = "default", description = "A problem", body = crate::problem::Problem, content_type = "application/problem+json")),
    security(("cookie" = []), ("bearer" = [])))]
pub async fn letter(
    app: web::Data<App>,
    caller: Caller,
    path: web::Path<(Uuid, Uuid, Uuid)>,
    of: web::Query<LetterIn>,
    req: HttpRequest,
) -> Result<HttpResponse, Problem> {
    let (shop, intake, claim) = path.into_inner();
    caller.in_shop(shop)?;
    super::language_tag(of.language.as_deref())?;
    let _permit = place(&app, &req)?;
    let language = of.into_inner().language;
    let wanted = Wanted { customer: Customer::Withheld, covered: true, view: None, claim: Some(claim), language };
    let (ledger, handle) = (app.ledger.clone(), app.runtime.clone());
    let plan =
        tokio::task::spawn_blocking(move || handle.block_on(gather::plan(&ledger, Whose { shop, intake }, &wanted)));
    let plan = plan.await.map_err(no::fault)??;
    let page = plan.here(claim_letter::NAME).ok_or_else(|| no::fault("a claim's pack has no letter"))?;
    Ok(HttpResponse::Ok()
        .content_type("text/html; charset=utf-8")
        .insert_header((header::CACHE_CONTROL, "private, no-store"))
        .insert_header((header::CONTENT_SECURITY_POLICY, crate::receipt::page::policy()))
        .body(page.to_vec()))
}
