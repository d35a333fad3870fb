//! `counterfoil pack`: makes a pack out of a data folder.

use std::fs::File;
use std::io::BufWriter;
use std::path::Path;

use uuid::Uuid;

use super::choose::Wanted;
use super::gather;
use crate::database::Place;
use crate::intake::state::Whose;
use crate::problem::Problem;
use crate::serve;

/// Writes the pack of an intake, named by its id or its tag, to a file.
///
/// # Errors
/// A sentence.
pub async fn run(place: &Place, intake: &str, out: &Path, wanted: &Wanted) -> Result<(), String> {
    place.must_be_there()?;
    let ledger = serve::open(place.clone(), false).await?.ledger;
    let found: Vec<(String, String)> =
        sqlx::query_as("SELECT shop, id FROM intake WHERE id = $1 OR tag = $2 ORDER BY id DESC")
            .bind(intake)
            .bind(intake)
            .fetch_all(ledger.pool())
            .await
            .map_err(|e| e.to_string())?;
    let [(shop, id)] = &found[..] else {
        return Err(format!("{} intakes are called {intake}", found.len()));
    };
    let (Ok(shop), Ok(id)) = (shop.parse::<Uuid>(), id.parse::<Uuid>()) else {
        return Err("an intake's id is not a UUID".to_owned());
    };
    let said = |p: Problem| p.to_string();
    let plan = gather::plan(&ledger, Whose { shop, intake: id }, wanted).await.map_err(said)?;
    let file = File::create(out).map_err(|e| format!("{}: {e}", out.display()))?;
    plan.write(BufWriter::new(&file)).and_then(|()| file.sync_all()).map_err(|e| format!("{}: {e}", out.display()))?;
    println!("{}: {} bytes", out.display(), plan.length());
    ledger.close().await;
    Ok(())
}
