//! Around a photo that was looked at: which photos of the shop may be the same picture, and the flags a person is told.

use serde_json::{Value, json};
use sqlx::Row;
use uuid::Uuid;

use crate::app::App;
use crate::database::{self, Connection};
use crate::intake::body::Alike;
use crate::intake::kind::LoadedKind;
use crate::intake::state::{Intake, Whose};
use crate::judging::Held;
use crate::ledger::load::{self, broken};
use crate::photo::Outcome;
use crate::photo::claims::Claims;
use crate::photo::flags::{self, Around, Likeness, Other};
use crate::photo::judge::Reason;
use crate::photo::same::{Look, NEAR, around};
use crate::photo::when;

/// The most photos that are named as possibly the same picture.
const MOST: usize = 8;
/// Rows that are read of one part's neighbours; more means a look that many photos share, which says little.
const ROWS: i64 = 2_000;

/// What is told around one photo.
#[derive(Debug, Default)]
pub struct Told {
    /// Photos that may be the same picture; those of the same intake first, the nearest first.
    pub alike: Vec<Alike>,
    /// Sentences that inform.
    pub flags: Vec<Reason>,
}

/// Gathers what is known around a photo. Its judgement is not said yet.
///
/// # Errors
/// The database's.
pub async fn told(app: &App, held: &Held, outcome: &Outcome) -> Result<Told, sqlx::Error> {
    let mut db = app.ledger.pool().acquire().await?;
    let intake = load::intake(&mut db, Whose { shop: held.shop, intake: held.intake }).await?;
    let kind = match &intake.opened {
        Some(o) => app.ledger.kind(&mut db, held.shop, &o.what.kind).await?,
        None => None,
    };
    let mut alike = same_files(&mut db, held).await?;
    if let Some(look) = outcome.look {
        let known: Vec<Uuid> = alike.iter().map(|a| a.photo).collect();
        alike.extend(look_alikes(&mut db, held, look).await?.into_iter().filter(|a| !known.contains(&a.photo)));
    }
    alike.sort_by_key(|a| (a.intake != held.intake, a.bits, a.photo));
    alike.truncate(MOST);
    drop(db);
    let (_, zone, _) = crate::http::shop::facts(app, held.shop).await.unwrap_or_default();
    let mut flags = flags::likeness(&likenesses(held, &intake, kind.as_deref(), &alike));
    flags.extend(flags::flags(&outcome.claims, &what_is_around(held, &intake, &outcome.claims, &zone)));
    Ok(Told { alike, flags })
}

/// Photos with the same bytes that were named before this one.
async fn same_files(db: &mut Connection, held: &Held) -> Result<Vec<Alike>, sqlx::Error> {
    let rows = sqlx::query(
        "SELECT photo, intake FROM named_file WHERE shop = $1 AND file = $2 AND of = 'photo' AND photo <> $3
         AND moved_idx IS NULL AND erased_idx IS NULL AND named_idx <
         (SELECT max(named_idx) FROM named_file WHERE shop = $1 AND photo = $3 AND intake = $4)
         ORDER BY named_idx DESC LIMIT 8",
    )
    .bind(held.shop.to_string())
    .bind(held.file.0.to_vec())
    .bind(held.photo.to_string())
    .bind(held.intake.to_string())
    .fetch_all(db)
    .await?;
    rows.iter()
        .map(|r| Ok(Alike { photo: id(r, "photo")?, intake: id(r, "intake")?, how: "same file".into(), bits: None }))
        .collect()
}

/// Judged photos of the shop whose look is near: found by the four parts of the look, so that no shop is too large.
async fn look_alikes(db: &mut Connection, held: &Held, look: Look) -> Result<Vec<Alike>, sqlx::Error> {
    const PARTS: [&str; 4] = ["look >> 48 & 65535", "look >> 32 & 65535", "look >> 16 & 65535", "look & 65535"];
    let shop = held.shop.to_string();
    let mut out: Vec<Alike> = Vec::new();
    for (part, value) in PARTS.into_iter().zip(look.parts()) {
        let mut query = database::Builder::new("SELECT photo, intake, look FROM photo_look WHERE shop = ");
        query.push_bind(&shop).push(" AND (").push(part).push(") IN (");
        for (n, near) in around(value).into_iter().enumerate() {
            query.push(if n == 0 { "" } else { ", " }).push_bind(i64::from(near));
        }
        query.push(") ORDER BY idx DESC LIMIT ").push_bind(ROWS);
        for row in query.build()?.fetch_all(&mut *db).await? {
            let bits = look.distance(Look(row.try_get::<i64, _>("look")?.cast_unsigned()));
            let photo = id(&row, "photo")?;
            if bits <= NEAR && photo != held.photo && !out.iter().any(|a| a.photo == photo) {
                out.push(Alike { photo, intake: id(&row, "intake")?, how: "alike".into(), bits: Some(bits) });
            }
        }
    }
    Ok(out)
}

fn id(row: &database::Row, column: &str) -> Result<Uuid, sqlx::Error> {
    row.try_get::<String, _>(column)?.parse().map_err(|_| broken(format!("{column} is not a UUID")))
}

fn likenesses(held: &Held, intake: &Intake, kind: Option<&LoadedKind>, alike: &[Alike]) -> Vec<Likeness> {
    let view = |photo: Uuid| intake.photo(photo).and_then(|p| p.taken.view.as_deref());
    let name = |view: &str| kind.and_then(|k| k.kind.view(view)).map(|v| json!(v.name));
    alike
        .iter()
        .map(|a| {
            let here = a.intake == held.intake;
            let theirs = view(a.photo).filter(|_| here);
            Likeness {
                same_file: a.how == "same file",
                here,
                view: theirs.and_then(name),
                same_view: here && theirs.is_some() && theirs == view(held.photo),
            }
        })
        .collect()
}

fn what_is_around(held: &Held, intake: &Intake, claims: &Claims, zone: &str) -> Around {
    let zone = jiff::tz::TimeZone::get(zone).unwrap_or(jiff::tz::TimeZone::UTC);
    let received = intake.photo(held.photo).and_then(|p| p.received.as_ref()).map(|r| r.mark.at);
    let times = received.map(|at| when::when(claims, &zone, None, at)).unwrap_or_default();
    let text = |claims: &serde_json::Map<String, Value>, name: &str| {
        claims.get(name).and_then(Value::as_str).map(|s| s.trim().to_owned())
    };
    let others = intake.photos.iter().filter(|p| p.taken.photo != held.photo && p.taken.file != held.file);
    let others = others.filter(|p| p.moved.is_none() && p.erased.is_none());
    let others = others.filter_map(|p| p.judged.as_ref()).map(|j| {
        let camera = flags::camera(&Claims {
            make: text(&j.what.claims, "make"),
            model: text(&j.what.claims, "model"),
            ..Claims::default()
        });
        Other { taken: text(&j.what.claims, "date_time_original"), camera }
    });
    Around { times, others: others.collect() }
}
