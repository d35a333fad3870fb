//! HTTP: every route in one readable list, and what the handlers share.

pub mod assets;
pub mod broken;
pub mod comparing;
pub mod consistency;
pub mod due;
pub mod early;
pub mod entries;
pub mod erasures;
pub mod files;
pub mod guard;
pub mod home;
pub mod incoming;
pub mod intakes;
pub mod keeping;
pub mod keys;
pub mod kinds;
pub mod log;
pub mod methods;
pub mod no;
pub mod openapi;
pub mod outside;
pub mod packed;
pub mod packs;
pub mod paper;
pub mod parts;
pub mod range;
pub mod receipts;
pub mod redactions;
pub mod shop;
pub mod stream;
pub mod suspect_parts;
pub mod tags;

use actix_web::{HttpRequest, web};
use serde_json::Value;

use crate::access;
use crate::problem::{self, Problem};
use crate::words::{self, Catalogue};

/// Types of entries that only the server states.
pub const SERVER_ONLY: [&str; 10] = [
    "photo-received",
    "photo-judged",
    "file-received",
    "link-made",
    "link-revoked",
    "epoch-opened",
    "customer-erased",
    "photo-redacted",
    "key-rotated",
    "key-retired",
];

/// Largest JSON body, in bytes: an entry has at most 65,535, its disclosures come beside it.
const JSON_LIMIT: usize = 192 * 1024;

/// Every route.
pub fn routes(cfg: &mut web::ServiceConfig) {
    cfg.app_data(
        web::JsonConfig::default()
            .limit(JSON_LIMIT)
            .content_type_required(true)
            .error_handler(|e, _| problem::of_json(&e).into()),
    )
    .app_data(
        web::PathConfig::default().error_handler(|_, _| Problem::not_found("There is nothing at this address.").into()),
    )
    .app_data(
        web::QueryConfig::default()
            .error_handler(|e, _| Problem::malformed(format!("The query cannot be read: {e}.")).into()),
    )
    .configure(access::routes)
    .service(web::resource("/v1").get(shop::about))
    .service(web::resource("/v1/shops/{shop}").get(shop::shop))
    .service(web::resource("/v1/shops/{shop}/entries").get(entries::list).post(entries::append))
    .service(web::resource("/v1/shops/{shop}/entries/{index}/proof").get(entries::proof))
    .service(web::resource("/v1/shops/{shop}/log").get(log::list))
    .service(web::resource("/v1/shops/{shop}/due").get(due::due))
    .service(web::resource("/v1/shops/{shop}/parts").get(suspect_parts::find))
    .service(web::resource("/v1/shops/{shop}/checkpoint").get(shop::checkpoint))
    .service(web::resource("/v1/shops/{shop}/consistency").get(consistency::consistency))
    .service(web::resource("/v1/shops/{shop}/witnessed").get(outside::witnessed).post(outside::witness_now))
    .service(web::resource("/v1/shops/{shop}/broken-originals").get(broken::get))
    .service(web::resource("/v1/shops/{shop}/stamps").get(outside::stamps).post(outside::stamp_now))
    .service(web::resource("/v1/shops/{shop}/stream").get(stream::stream))
    .service(web::resource("/v1/shops/{shop}/intakes").get(intakes::list))
    .service(web::resource("/v1/shops/{shop}/intakes/{intake}").get(intakes::get))
    .service(web::resource("/v1/shops/{shop}/intakes/{intake}/entries").get(entries::of_intake))
    .service(web::resource("/v1/shops/{shop}/intakes/{intake}/stamps").get(outside::of_intake))
    .service(web::resource("/v1/shops/{shop}/intakes/{intake}/sheet").get(intakes::sheet))
    .service(web::resource("/v1/shops/{shop}/intakes/{intake}/compare").get(comparing::compare))
    .service(web::resource("/v1/shops/{shop}/intakes/{intake}/customer").get(erasures::of_intake))
    .service(web::resource("/v1/shops/{shop}/erasures").get(erasures::list).post(erasures::erase))
    .service(web::resource("/v1/shops/{shop}/erasures/{erasure}/receipt").get(erasures::receipt))
    .service(web::resource("/v1/shops/{shop}/kept-long-enough").get(keeping::list).post(keeping::erase))
    .service(web::resource("/v1/shops/{shop}/intakes/{intake}/receipt").get(receipts::receipt))
    .service(web::resource("/v1/shops/{shop}/intakes/{intake}/pack").get(packs::pack))
    .service(web::resource("/v1/shops/{shop}/intakes/{intake}/claims/{claim}/letter").get(packs::letter))
    .service(web::resource("/v1/shops/{shop}/intakes/{intake}/hand-back").get(home::open))
    .service(web::resource("/v1/shops/{shop}/intakes/{intake}/hand-back-sheet").get(home::sheet))
    .service(web::resource("/v1/shops/{shop}/intakes/{intake}/hand-back-receipt").get(home::receipt))
    .service(web::resource("/v1/shops/{shop}/intakes/{intake}/tag").get(receipts::print_tag))
    .service(web::resource("/v1/shops/{shop}/intakes/{intake}/go-on").get(paper::go_on))
    .service(web::resource("/v1/shops/{shop}/files/{digest}").get(files::get).put(files::put))
    .service(web::resource("/v1/shops/{shop}/files/{digest}/parts").get(parts::get))
    .service(web::resource("/v1/shops/{shop}/files/{digest}/parts/{offset}").put(parts::put))
    .service(web::resource("/v1/shops/{shop}/photos/{photo}/redaction").get(redactions::get).put(redactions::put))
    .service(web::resource("/v1/shops/{shop}/photos/{photo}/{purpose}").get(files::rendition))
    .service(web::resource("/v1/shops/{shop}/kinds").get(kinds::list).post(kinds::add))
    .service(web::resource("/v1/shops/{shop}/kinds/try").post(kinds::try_one))
    .service(web::resource("/v1/shops/{shop}/kinds/{digest}").get(kinds::get).delete(kinds::retire))
    .service(web::resource("/v1/shops/{shop}/kinds/{digest}/text").get(kinds::text))
    .service(web::resource("/v1/shops/{shop}/kinds/{digest}/paper").get(paper::blank))
    .service(web::resource("/v1/shops/{shop}/tags/print").get(paper::tags))
    .service(web::resource("/v1/shops/{shop}/tags/lease").post(tags::lease))
    .service(web::resource("/v1/shops/{shop}/words").get(shop::catalogues))
    .service(web::resource("/v1/shops/{shop}/words/{language}").get(shop::catalogue))
    .service(web::resource("/v1/shops/{shop}/terms/{digest}").get(shop::terms))
    .service(web::resource("/v1/shops/{shop}/settings").get(shop::get_settings).put(shop::put_settings))
    .service(web::resource("/v1/shops/{shop}/key-rotation").post(keys::rotate))
    .service(web::resource("/v1/shops/{shop}/key-export").post(shop::export_key))
    .service(web::resource("/r/{token}").get(receipts::by_link))
    .service(web::resource("/openapi.json").get(openapi::serve))
    .service(web::resource("/reference").get(openapi::reference))
    .configure(problem::routes)
    .service(web::resource("/healthz").get(openapi::health))
    .configure(crate::demo::pictures::routes)
    .configure(assets::routes);
}

/// A language tag out of a query, bounded as the description says (RFC 5646, 4.4.1: 35 characters are enough for any).
///
/// # Errors
/// A longer one.
fn language_tag(wanted: Option<&str>) -> Result<Option<&str>, Problem> {
    if wanted.is_some_and(|t| t.chars().count() > 35) {
        return Err(Problem::not_valid("language", "At most 35 characters."));
    }
    Ok(wanted)
}

/// The catalogue of the caller's language.
pub fn words_of(req: &HttpRequest) -> &'static Catalogue {
    words::accepted(req.headers().get("Accept-Language").and_then(|h| h.to_str().ok()))
}

/// A log index that a page goes on from.
///
/// # Errors
/// `not-valid` beyond the largest whole number that every client can hold.
pub fn page_from(after: Option<u64>) -> Result<Option<u64>, Problem> {
    match after.filter(|n| *n > evidence::canon::MAX_INT.unsigned_abs()) {
        Some(_) => Err(Problem::not_valid("after", "There is no such log index.")),
        None => Ok(after),
    }
}

/// Takes the place, the camera's serial and the picture's own id out of a state: they are never shown.
pub fn hide_place(state: &mut Value) {
    let photos = state.get_mut("photos").and_then(Value::as_array_mut);
    for photo in photos.into_iter().flatten() {
        if let Some(judged) = photo.get_mut("judged").and_then(Value::as_object_mut) {
            for personal in crate::intake::body::personal_members("photo-judged") {
                judged.remove(*personal);
            }
        }
    }
}
