//! The table of problems, and the pages and text that show it.

use actix_web::{HttpResponse, web};
use maud::{DOCTYPE, Markup, html};
use serde::Serialize;

use super::{MEDIA_TYPE, Problem};

/// Whether sending the request again helps.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, utoipa::ToSchema)]
#[serde(rename_all = "lowercase")]
pub enum Retry {
    /// Send the same again at once.
    Same,
    /// Change the request as the detail says, then send it.
    Changed,
    /// Send the same again after a while (`Retry-After`, where given).
    Later,
    /// Sending it again will never help; a person has to look.
    Never,
}

impl Retry {
    /// The word on the wire.
    pub fn word(self) -> &'static str {
        match self {
            Retry::Same => "same",
            Retry::Changed => "changed",
            Retry::Later => "later",
            Retry::Never => "never",
        }
    }
}

/// One kind of problem.
#[derive(Debug)]
pub struct Row {
    /// The last part of the type, `/problems/<slug>`. Stable for ever.
    pub slug: &'static str,
    /// The HTTP status.
    pub status: u16,
    /// A short name, the same every time.
    pub title: &'static str,
    /// Whether sending again helps.
    pub retry: Retry,
    /// What the caller does next.
    pub what_to_do: &'static str,
}

const fn row(slug: &'static str, status: u16, retry: Retry, title: &'static str, what_to_do: &'static str) -> Row {
    Row { slug, status, title, retry, what_to_do }
}

/// Every kind of problem the service can answer with.
pub const TABLE: &[Row] = &[
    row(
        "malformed",
        400,
        Retry::Changed,
        "Cannot be read",
        "Correct the form of the request: the detail says where it stopped making sense.",
    ),
    row(
        "wrong-bytes",
        400,
        Retry::Same,
        "Other bytes than announced",
        "The file was changed or cut short on its way. Send the whole file again.",
    ),
    row(
        "client-too-old",
        400,
        Retry::Changed,
        "This page is too old",
        "Reload the page to get the newer version; nothing that waits on the device is lost.",
    ),
    row("not-signed-in", 401, Retry::Changed, "Not signed in", "Sign in, pair the device again, or refresh the token."),
    row(
        "code-asked",
        401,
        Retry::Changed,
        "A code is asked for as well",
        "Send the same again with `code`: six digits of the authenticator program, or a recovery code.",
    ),
    row(
        "which-shop",
        409,
        Retry::Changed,
        "In which shop?",
        "Send the same again with `shop`: one of those that `shops` names.",
    ),
    row(
        "code-due",
        403,
        Retry::Changed,
        "A second factor has to be set up first",
        "Set it up by POST and PUT /v1/shops/{shop}/second-factor, then send the same again.",
    ),
    row("may-not", 403, Retry::Never, "Not allowed", "Ask somebody whose role allows it."),
    row(
        "not-proved",
        403,
        Retry::Changed,
        "The password is asked for once more",
        "Send it to POST /v1/sessions/current/proof, then send the same again within ten minutes.",
    ),
    row(
        "may-not-leave-open",
        403,
        Retry::Changed,
        "May not be left open by this person",
        "Answer it, or let somebody leave it open whose role allows it.",
    ),
    row(
        "not-secure",
        403,
        Retry::Changed,
        "Only over HTTPS",
        "Open the HTTPS address of this server; /trust shows how.",
    ),
    row("not-found", 404, Retry::Never, "Not found", "Check the address; it may belong to another shop or be gone."),
    row(
        "not-named",
        404,
        Retry::Changed,
        "No entry names this file",
        "Send the entry that names the file first, then the file.",
    ),
    row(
        "no-such-method",
        405,
        Retry::Never,
        "Not with this method",
        "Use one of the methods that the header Allow names.",
    ),
    row(
        "id-used",
        409,
        Retry::Never,
        "This id stands for something else",
        "Make the entry anew under a new id; the first one stays as it is.",
    ),
    row("refused", 409, Retry::Changed, "Refused by a rule", "Do what the sentence says, then send it again."),
    row(
        "gaps",
        409,
        Retry::Changed,
        "Not complete yet",
        "Fill each gap, or leave it open with a reason where that is allowed.",
    ),
    row(
        "erased",
        410,
        Retry::Never,
        "Erased",
        "It was erased by the owner of the shop. The entry that says so names the reason.",
    ),
    row(
        "parts-elsewhere",
        409,
        Retry::Changed,
        "The parts reach elsewhere",
        "Go on with the part that begins at `offset`.",
    ),
    row(
        "no-such-range",
        416,
        Retry::Changed,
        "No such range",
        "Ask for bytes that the file has; Content-Range says how many there are.",
    ),
    row("tag-used", 409, Retry::Changed, "This tag is on another machine", "Take the next free tag and wire it on."),
    row(
        "ended",
        409,
        Retry::Never,
        "This intake is closed",
        "Open a new intake; a closed one takes no more of these entries.",
    ),
    row(
        "unknown-version",
        409,
        Retry::Later,
        "Written by a newer version",
        "Update this server: it does not understand an entry already there.",
    ),
    row(
        "not-current",
        412,
        Retry::Changed,
        "Changed meanwhile",
        "Read it again, look at what changed, and send the change with the new ETag.",
    ),
    row("too-large", 413, Retry::Never, "Too large", "Keep the file where it is and send a smaller one."),
    row(
        "refused-type",
        415,
        Retry::Never,
        "This type of file is not taken",
        "Keep the file where it is; send a photo as JPEG, PNG, WebP or HEIC.",
    ),
    row("not-valid", 422, Retry::Changed, "A value does not fit", "Correct the members that the pointers name."),
    row("too-many", 429, Retry::Later, "Asked too often", "Wait as many seconds as Retry-After says."),
    FAULT,
    row(
        "history-behind",
        503,
        Retry::Never,
        "This server has forgotten something",
        "Stop writing. The server was set back to an older state: restore the newer one or open a new epoch.",
    ),
    row(
        "store-away",
        503,
        Retry::Same,
        "The store of photos does not answer",
        "Send the file again, with growing waits; go on with everything else meanwhile.",
    ),
    row("busy", 503, Retry::Later, "Busy", "Send the same again in a little while."),
];

/// The row of a slug. `fault` when there is none, which a test rules out.
pub fn row_of(slug: &str) -> &'static Row {
    TABLE.iter().find(|r| r.slug == slug).unwrap_or(&FAULT)
}

const FAULT: Row = row(
    "fault",
    500,
    Retry::Later,
    "A fault in the server",
    "Try again later; if it stays, give the request id to whoever runs the server.",
);

/// The table as Markdown, for DEVELOPERS.md.
pub fn markdown() -> String {
    let mut out = String::from("| type | status | retry | means | what to do |\n| --- | --- | --- | --- | --- |\n");
    for r in TABLE {
        out += &format!(
            "| `/problems/{}` | {} | {} | {} | {} |\n",
            r.slug,
            r.status,
            r.retry.word(),
            r.title,
            r.what_to_do
        );
    }
    out
}

/// `GET /problems`, and `/problems/<slug>`, which every problem's type points at.
pub fn routes(cfg: &mut web::ServiceConfig) {
    cfg.route("/problems", web::get().to(all)).route("/problems/{slug}", web::get().to(one));
}

async fn all() -> HttpResponse {
    page(TABLE.iter())
}

async fn one(slug: web::Path<String>) -> Result<HttpResponse, Problem> {
    let found = TABLE.iter().find(|r| r.slug == slug.as_str());
    let row = found.ok_or_else(|| Problem::not_found("There is no such kind of problem. All are at /problems."))?;
    Ok(page([row].into_iter()))
}

fn page<'a>(rows: impl Iterator<Item = &'a Row>) -> HttpResponse {
    let markup: Markup = html! {
        (DOCTYPE)
        html lang="en" {
            head { meta charset="utf-8"; meta name="viewport" content="width=device-width"; title { "Problems" } }
            body {
                h1 { "Problems" }
                p { "When the service says no, the answer has one of these types (RFC 9457, " code { (MEDIA_TYPE) } ")." }
                dl {
                    @for r in rows {
                        dt id=(r.slug) { code { "/problems/" (r.slug) } " " (r.status) ": " (r.title) }
                        dd { (r.what_to_do) " Sending again: " (r.retry.word()) "." }
                    }
                }
            }
        }
    };
    HttpResponse::Ok().content_type("text/html; charset=utf-8").body(markup.into_string())
}
