//! The demo: the same program with an invented shop in a fresh folder.

use std::path::PathBuf;

use serde_json::json;

use crate::access::Wanted;
use crate::app::App;
use crate::config::Serve;
use crate::edge::Random;
use crate::ledger::ServerEntry;
use crate::ledger::start::{map, shops};
use crate::serve;

/// How the invented owner signs in. An invented shop holds nothing worth guarding.
pub const SIGN_IN: (&str, &str) = ("ines", "tarn-street-demo");

/// Serves an invented shop.
///
/// # Errors
/// A sentence.
pub async fn run(wanted: Serve) -> Result<(), String> {
    let data = match &wanted.data {
        Some(data) => data.clone(),
        None => fresh_folder(),
    };
    println!("An invented shop, kept in {}", data.display());
    serve::serve(Serve { data: Some(data.clone()), ..wanted }, &data, true).await
}

fn fresh_folder() -> PathBuf {
    let name: String = Random::System.bytes::<6>().iter().map(|b| format!("{b:02x}")).collect();
    std::env::temp_dir().join(format!("counterfoil-demo-{name}"))
}

/// Sets the invented shop up, unless the folder holds one already, and says how to get in.
///
/// # Errors
/// A sentence.
pub async fn furnish(app: &App) -> Result<(), String> {
    if !app.access.is_set_up().await.map_err(|p| p.detail)? {
        app.access
            .first_shop(&Wanted {
                shop_name: "Tarn Street Engines".into(),
                zone: "Europe/London".into(),
                currency: "EUR".into(),
                name: "Ines".into(),
                sign_in: SIGN_IN.0.into(),
                password: SIGN_IN.1.into(),
            })
            .await
            .map_err(|p| p.detail)?;
        for shop in shops(app.ledger.pool()).await.map_err(|e| e.to_string())? {
            let terms = "We keep your machine dry and locked. Tell us within a week if something on this list is wrong.\nStorage, unclaimed machines and your rights follow local law; ask us for our written terms.\n(Invented terms of an invented shop.)";
            let usual = json!({"fee": 3500, "limit": 12000, "deposit": "none", "diagnosis_days": 7, "over_limit": "ask first", "old_parts": "give back"});
            for (setting, value) in [("terms", json!(terms)), ("usual", usual)] {
                let entry = ServerEntry {
                    kind: "setting-changed".into(),
                    intake: None,
                    body: map(json!({"setting": setting, "value": value})),
                    personal: Vec::new(),
                    author: None,
                };
                app.ledger.say(shop, entry).await.map_err(|no| format!("{no:?}"))?;
            }
        }
    }
    let address = &app.settled.local_url;
    println!("Open {address}");
    println!("Sign in as \"{}\" with the password \"{}\".", SIGN_IN.0, SIGN_IN.1);
    if let Ok(code) = qrcode::QrCode::new(address.as_bytes()) {
        println!(
            "On a phone in the same network, scan this:\n{}",
            code.render::<qrcode::render::unicode::Dense1x2>().build()
        );
    }
    Ok(())
}
