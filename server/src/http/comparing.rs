//! `GET …/compare`: two photos of one intake, one laid over the other.

use actix_web::{HttpRequest, HttpResponse, web};
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use super::{files, no};
use crate::access::Caller;
use crate::app::App;
use crate::comparing::{self, Said};
use crate::judging;
use crate::problem::Problem;

/// Which photos.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct Which {
    /// The earlier photo.
    first: Uuid,
    /// The later one.
    second: Uuid,
}

/// What is said of two photos, and the pictures of it.
#[derive(Debug, Serialize, ToSchema)]
pub struct Compared {
    #[serde(flatten)]
    said: Said,
    /// The second bent to lie over the first: a JPEG in base64. Never to be shown without the unbent ones beside it.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(content_encoding = "base64", content_media_type = "image/jpeg")]
    bent: Option<String>,
    /// The first in grey, what differs coloured, what nothing is said of hatched: a JPEG in base64.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(content_encoding = "base64", content_media_type = "image/jpeg")]
    differences: Option<String>,
}

/// Two photos of one intake laid over each other. Differences are places to look: light, dirt and angle make them too.
///
/// The answer is 200 where they cannot be laid over each other as well: `compared` is false and `why` says why. Computed
/// anew each time from the large renditions, a few seconds of one processor, one comparison at a time; nothing is kept.
#[utoipa::path(get, path = "/v1/shops/{shop}/intakes/{intake}/compare", operation_id = "comparePhotos", tag = "files",
    params(("shop" = Uuid, Path, description = "The shop"), ("intake" = Uuid, Path, description = "The intake"), Which),
    responses((status = 200, description = "What is said of them", body = Compared),
        (status = "default", description = "A problem", body = crate::problem::Problem, content_type = "application/problem+json")),
    security(("cookie" = []), ("bearer" = [])))]
pub async fn compare(
    app: web::Data<App>,
    caller: Caller,
    path: web::Path<(Uuid, Uuid)>,
    which: web::Query<Which>,
    req: HttpRequest,
) -> Result<HttpResponse, Problem> {
    let (shop, intake) = path.into_inner();
    caller.in_shop(shop)?;
    let words = super::words_of(&req);
    let mut bytes = Vec::new();
    for photo in [which.first, which.second] {
        stands(&app, shop, intake, photo).await?;
        if files::erased_photo(&app, shop, photo).await.map_err(no::fault)? {
            return Err(Problem::erased(words.plain("refused.erased")));
        }
        bytes.push(files::rendition_bytes(&app, shop, photo, "large").await?);
    }
    let _place = app.comparisons.try_acquire().map_err(|e| Problem::busy(words.plain("refused.busy")).because(e))?;
    let turn = app.alone.clone().acquire_owned().await.map_err(no::fault)?;
    let permit = judging::memory(&app, compare::MEMORY).await;
    let work = move || {
        let _until_done = (turn, permit);
        let pictures: Option<Vec<_>> = bytes.iter().map(|b| comparing::picture(b)).collect();
        let Some([first, second]) = pictures.as_deref() else {
            return Compared { said: Said::no("unreadable"), bent: None, differences: None };
        };
        let done = compare::compare(first, second);
        let jpeg = |picture: &compare::Picture| comparing::jpeg(picture).map(|j| STANDARD.encode(j));
        Compared {
            said: Said::of(&done),
            bent: done.as_ref().ok().and_then(|c| jpeg(&c.bent)),
            differences: done.as_ref().ok().and_then(|c| jpeg(&compare::draw::differences(c))),
        }
    };
    let compared = tokio::task::spawn_blocking(work).await.map_err(no::fault)?;
    Ok(HttpResponse::Ok().json(compared))
}

/// Whether a photo stands in an intake.
async fn stands(app: &App, shop: Uuid, intake: Uuid, photo: Uuid) -> Result<(), Problem> {
    let there: i64 = sqlx::query_scalar(
        "SELECT count(*) FROM named_file WHERE shop = $1 AND intake = $2 AND photo = $3 AND of = 'photo' AND moved_idx IS NULL",
    )
    .bind(shop.to_string())
    .bind(intake.to_string())
    .bind(photo.to_string())
    .fetch_one(app.ledger.pool())
    .await
    .map_err(no::fault)?;
    if there > 0 { Ok(()) } else { Err(Problem::not_found("There is no such photo in this intake.")) }
}
