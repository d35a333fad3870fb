//! Rules that look at other intakes of the shop than the one a command is about: tags, earlier intakes, moved photos.

use serde_json::json;
use uuid::Uuid;

use super::No;
use super::append::Work;
use super::load;
use crate::database::Connection;
use crate::intake::body::{Body, Earlier};
use crate::intake::days;
use crate::intake::decide::{Refusal, Sentence};
use crate::intake::state::Whose;

/// Why a command of this intake cannot be, given the others; none when nothing speaks against it.
pub(super) async fn no(db: &mut Connection, work: &Work, id: Uuid, body: &Body) -> Result<Option<No>, sqlx::Error> {
    match body {
        Body::Opened(b) => {
            if let Some(no) = no_tag(db, work, &b.tag, id).await? {
                return Ok(Some(no));
            }
            match &b.earlier {
                Some(earlier) => Ok(no_earlier(db, work, earlier).await?.map(refused)),
                None => Ok(None),
            }
        }
        Body::TagReplaced(b) => no_tag(db, work, &b.tag, id).await,
        Body::PhotoMoved(b) => {
            let state = state_of(db, work, b.to).await?;
            let here = state.is_some_and(|s| HERE.contains(&s.as_str()));
            Ok((!here).then(|| refused(Sentence::plain("refused.move-to-none"))))
        }
        Body::PhotoCame(b) => {
            let whose = Whose { shop: work.shop, intake: b.from };
            // What this batch said of it is not in the tables' projections, but its entries are.
            let source = load::intake(db, whose).await?;
            Ok((!days::was_moved(&source, id, b)).then(|| refused(Sentence::plain("refused.not-moved"))))
        }
        _ => Ok(None),
    }
}

/// Where another intake stands, this batch included.
async fn state_of(db: &mut Connection, work: &Work, id: Uuid) -> Result<Option<String>, sqlx::Error> {
    if let Some(open) = work.intakes.get(&id).filter(|_| work.touched.contains(&id)) {
        return Ok(Some(open.intake.state.word().to_owned()));
    }
    sqlx::query_scalar("SELECT state FROM intake WHERE shop = $1 AND id = $2")
        .bind(work.shop.to_string())
        .bind(id.to_string())
        .fetch_optional(db)
        .await
}

fn refused(sentence: Sentence) -> No {
    No::Refused(Refusal::Refused(sentence))
}

/// Why an intake cannot go back to this earlier one: there is none under that tag, or its machine is still here.
async fn no_earlier(db: &mut Connection, work: &Work, earlier: &Earlier) -> Result<Option<Sentence>, sqlx::Error> {
    let shop = work.shop.to_string();
    // A receipt may still name the tag that was lost later.
    let row: Option<(String, i64)> = sqlx::query_as(
        "SELECT state, CASE WHEN tag = $3 OR EXISTS (SELECT 1 FROM lost_tag l WHERE l.shop = $1 AND l.tag = $3 AND l.intake = $2)
           THEN 1 ELSE 0 END
         FROM intake WHERE shop = $1 AND id = $2",
    )
    .bind(shop)
    .bind(earlier.intake.to_string())
    .bind(&earlier.tag)
    .fetch_optional(db)
    .await?;
    let tag = json!(earlier.tag);
    Ok(match row {
        None | Some((_, 0)) => Some("refused.no-such-earlier"),
        Some((state, _)) if earlier.again != "same customer" && HERE.contains(&state.as_str()) => {
            Some("refused.earlier-still-here")
        }
        Some(_) => None,
    }
    .map(|key| Sentence::with(key, "tag", tag)))
}

/// States of a machine that is in the shop.
const HERE: [&str; 3] = ["open", "in care", "found"];

/// A tag hangs on one machine at a time, and one that was lost on none ever again: it may turn up on anything.
async fn no_tag(db: &mut Connection, work: &Work, tag: &str, id: Uuid) -> Result<Option<No>, sqlx::Error> {
    let shop = work.shop.to_string();
    let touched = || work.intakes.iter().filter(|(other, _)| work.touched.contains(other));
    let lost: Option<String> = sqlx::query_scalar("SELECT intake FROM lost_tag WHERE shop = $1 AND tag = $2")
        .bind(&shop)
        .bind(tag)
        .fetch_optional(&mut *db)
        .await?;
    if lost.is_some() || touched().any(|(_, o)| o.intake.lost_tags().iter().any(|(t, _)| *t == tag)) {
        return Ok(Some(No::TagLost(tag.to_owned())));
    }
    // Each half by its index (tag_in_use, intake_by_state): tags that went home are the shop's whole history.
    let there: Option<String> = sqlx::query_scalar(
        "SELECT id FROM intake WHERE shop = $1 AND tag = $2 AND state IN ('open', 'in care')
         UNION ALL SELECT id FROM intake WHERE shop = $1 AND tag = $2 AND state = 'found'",
    )
    .bind(shop)
    .bind(tag)
    .fetch_optional(db)
    .await?;
    // An intake that ends within this batch still holds its tag until the next one: safe, and very rare.
    let here = touched().any(|(other, o)| *other != id && o.intake.tag() == Some(tag));
    let used = here || there.is_some_and(|t| t != id.to_string());
    Ok(used.then(|| No::TagUsed(tag.to_owned())))
}
