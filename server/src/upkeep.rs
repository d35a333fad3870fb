//! Housekeeping: what a server does by itself once in a while, and `counterfoil sweep`.

pub mod holds;
pub mod orphans;
pub mod rehash;
pub mod renditions;

use std::process::ExitCode;
use std::time::Duration;

use uuid::Uuid;

use crate::app::App;
use crate::config::{Serve, Sweep};
use crate::database::{self, For, mark};
use crate::edge::{Clock, Millis};
use crate::ledger::{Ledger, start};
use crate::operations::{Gauge, escaped};
use crate::serve;

/// How often it is looked at what is due.
const BEAT: Duration = Duration::from_secs(3_600);
/// Days a file that no entry names stands noted before it goes, when nothing is said.
pub const GRACE_DAYS: u32 = 7;
/// Days within which every original is read again, when nothing is said.
pub const REHASH_DAYS: u32 = 30;

/// What a server was told of it.
#[derive(Clone, Copy, Debug)]
pub struct Told {
    /// Days of grace.
    pub grace_days: u32,
    /// Days of a round of reading; 0: nothing is read again.
    pub rehash_days: u32,
}

impl Told {
    /// As flags, environment and file say.
    pub fn of(wanted: &Serve) -> Told {
        Told {
            grace_days: wanted.sweep_grace_days.unwrap_or(GRACE_DAYS),
            rehash_days: wanted.rehash_days.unwrap_or(REHASH_DAYS),
        }
    }
}

/// For as long as the program serves: at every beat the originals that are due, once a day what no entry names. A failure is
/// logged, and tried again at the next beat.
pub async fn keep(app: App, told: Told) {
    let mut beats = 0u32;
    loop {
        tokio::time::sleep(if beats == 0 { BEAT / 12 } else { BEAT }).await;
        match start::shops(app.ledger.pool()).await {
            Ok(shops) => {
                for shop in shops {
                    once(&app, shop, told, beats.is_multiple_of(24)).await;
                }
            }
            Err(e) => tracing::warn!(error = %e, "housekeeping waits for the database"),
        }
        beats = beats.wrapping_add(1);
    }
}

async fn once(app: &App, shop: Uuid, told: Told, sweep: bool) {
    if told.rehash_days > 0
        && let Err(e) = rehash::slice(&app.ledger, shop, told.rehash_days).await
    {
        tracing::warn!(%shop, error = %e, "originals could not be read again now");
    }
    if !sweep {
        return;
    }
    let how = orphans::How {
        dry: false,
        grace: i64::from(told.grace_days) * rehash::DAY,
        parts_kept: millis(app.settled.parts_kept),
        discarding: Some(&app.discarding),
    };
    match orphans::sweep(&app.ledger, shop, how).await {
        Ok(swept) => {
            tracing::info!(%shop, unnamed = swept.orphans.len(), taken = swept.taken.len(), parts = swept.parts, halves = swept.halves,
            "files that no entry names")
        }
        Err(e) => tracing::warn!(%shop, error = %e, "files that no entry names could not be looked for now"),
    }
}

/// Numbers for a monitor.
///
/// # Errors
/// The database's.
pub async fn gauges(ledger: &Ledger) -> Result<Vec<Gauge>, sqlx::Error> {
    let rows: Vec<(String, i64, i64, i64, i64)> = sqlx::query_as(
        "SELECT s.id, COALESCE(r.was_read, 0), COALESCE(r.round_at, 0), (SELECT count(*) FROM broken_file b WHERE b.shop = s.id),
           (SELECT count(*) FROM orphan o WHERE o.shop = s.id) FROM shop s LEFT JOIN rehash r ON r.shop = s.id ORDER BY s.id",
    )
    .fetch_all(ledger.pool())
    .await?;
    let of = |value: fn(&(String, i64, i64, i64, i64)) -> f64| {
        rows.iter().map(|row| (format!("{{shop=\"{}\"}}", escaped(&row.0)), value(row))).collect()
    };
    Ok(vec![
        ("counterfoil_originals_reread", "Originals that were read again and hashed, ever.", of(|r| r.1 as f64)),
        (
            "counterfoil_originals_reread_round_seconds",
            "When every original had been read again, seconds since 1970; 0: not yet.",
            of(|r| (r.2 / 1000) as f64),
        ),
        ("counterfoil_originals_broken", "Originals that are not what they are called.", of(|r| r.3 as f64)),
        ("counterfoil_files_unnamed", "Files that no entry names, noted to be taken away.", of(|r| r.4 as f64)),
    ])
}

fn millis(of: Duration) -> Millis {
    Millis::try_from(of.as_millis()).unwrap_or(Millis::MAX)
}

/// `counterfoil sweep`. Exit code 1: an original is not what it is called, or a copy could not be made again.
///
/// # Errors
/// A sentence.
pub async fn command(wanted: &Sweep) -> Result<ExitCode, String> {
    let text = |e: &dyn std::fmt::Display| e.to_string();
    let place = wanted.kept.place();
    place.must_be_there()?;
    // Taking away needs that nobody says meanwhile that bytes are held: over a file nobody else may be there at all.
    let takes = !wanted.dry_run && !wanted.renditions && place.database.is_none();
    let alone = match takes {
        true => Some(mark::alone(&place).await.map_err(|e| format!("{e} A server sweeps by itself, once a day."))?),
        false => None,
    };
    let pool = database::open(&place, if takes { For::Move } else { For::Work }).await.map_err(|e| text(&e))?;
    if takes && let Some(mark) = mark::read(&pool).await.map_err(|e| text(&e))? {
        return Err(mark.sentence());
    }
    let ledger = serve::over(pool, &place, true, Clock::System).await?.ledger;
    let mut good = true;
    for shop in start::shops(ledger.pool()).await.map_err(|e| text(&e))? {
        good &= match wanted.renditions {
            true => remake(&ledger, shop, wanted.dry_run).await.map_err(|e| text(&e))?,
            false => swept(&ledger, shop, wanted).await.map_err(|e| text(&e))?,
        };
        for broken in rehash::broken_list(&ledger, shop).await.map_err(|e| text(&e))? {
            good = false;
            println!("broken: original {} of {} is {}", broken.file, broken.tags.join(", "), broken.what);
        }
    }
    ledger.close().await;
    drop(alone);
    Ok(ExitCode::from(u8::from(!good)))
}

async fn remake(ledger: &Ledger, shop: Uuid, dry: bool) -> Result<bool, sqlx::Error> {
    let made = renditions::make(ledger, shop, dry).await?;
    made.cannot.iter().for_each(|sentence| println!("{sentence}"));
    println!("shop {shop}: {} copies are gone, {} made again", made.missing, made.made);
    Ok(made.cannot.is_empty())
}

async fn swept(ledger: &Ledger, shop: Uuid, wanted: &Sweep) -> Result<bool, sqlx::Error> {
    let how = orphans::How {
        dry: wanted.dry_run,
        grace: i64::from(wanted.grace_days) * rehash::DAY,
        parts_kept: millis(serve::PARTS_KEPT),
        discarding: None,
    };
    let swept = orphans::sweep(ledger, shop, how).await?;
    let now = ledger.clock().now();
    for (shelf, file, since) in &swept.orphans {
        let gone = swept.taken.contains(&(*shelf, *file));
        let days = since.map(|at| now.saturating_sub(at) / rehash::DAY);
        let state = match (days, gone, wanted.dry_run) {
            (_, true, true) => "goes at the next sweep".to_owned(),
            (_, true, false) => "taken away".to_owned(),
            (Some(days), false, _) => format!("noted {days} days ago"),
            (None, false, true) => "not noted yet".to_owned(),
            (None, false, false) => "noted".to_owned(),
        };
        println!("{}/{}: {state}", shelf.word(), file.hex());
    }
    println!(
        "shop {shop}: {} files that no entry names, {} of them {}; {} half written, {} of which only parts came",
        swept.orphans.len(),
        swept.taken.len(),
        if wanted.dry_run { "to go" } else { "taken away" },
        swept.halves,
        swept.parts
    );
    Ok(true)
}
