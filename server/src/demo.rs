//! The demo: the same program with an invented shop in a fresh folder, and months of its history.

pub mod pictures;
mod plot;
mod stories;
mod teller;

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::AtomicI64;
use std::time::Duration;

use serde_json::{Value, json};
use uuid::Uuid;

use crate::access::{self, Access, Invented, Role, Wanted};
use crate::app::{App, Settled};
use crate::config::Serve;
use crate::database::Place;
use crate::edge::{Clock, Millis, Random};
use crate::ledger::load::keep_document;
use crate::ledger::start::map;
use crate::ledger::{Ledger, ServerEntry};
use crate::outside::Outside;
use crate::serve;
use teller::{Hand, Hands, Teller};

/// How the invented owner signs in. An invented shop holds nothing worth guarding.
pub const SIGN_IN: (&str, &str) = ("ines", "tarn-street-demo");
/// Her time zone: in it the shop opens at nine.
const ZONE: &str = "Europe/London";
/// The shop was set up so long before its history is told.
const BEFORE: Millis = 215 * 24 * 3_600_000;
/// What the shop promises; invented like the shop.
const TERMS: &str = "We keep your machine dry and locked. Tell us within a week if something on this list is wrong.\nStorage, unclaimed machines and your rights follow local law; ask us for our written terms.\n(Invented terms of an invented shop.)";

/// Serves an invented shop; `empty`: one that never took a machine in.
///
/// # Errors
/// A sentence.
pub async fn run(wanted: crate::config::Serve, empty: bool) -> Result<(), String> {
    let data = match &wanted.data {
        Some(data) => data.clone(),
        None => fresh_folder(),
    };
    println!("An invented shop, kept in {}", data.display());
    fill(wanted.place(&data), Clock::System.now(), empty).await?;
    serve::serve(crate::config::Serve { data: Some(data.clone()), ..wanted }, &data, Some(!empty)).await
}

fn fresh_folder() -> PathBuf {
    let name: String = Random::System.bytes::<6>().iter().map(|b| format!("{b:02x}")).collect();
    std::env::temp_dir().join(format!("counterfoil-demo-{name}"))
}

/// Sets the invented shop up and tells its history up to `now`, unless the folder holds a shop already. Everything goes
/// the way it goes in a real shop: through the ledger, the originals and the judgement; only the clock is ours.
///
/// # Errors
/// A sentence.
pub async fn fill(place: impl Into<Place>, now: Millis, empty: bool) -> Result<(), String> {
    let place = place.into();
    let data = place.data.as_path();
    let hand = Arc::new(AtomicI64::new(if empty { now } else { now - BEFORE }));
    let ledger = serve::open_at(place.clone(), true, Clock::Set(hand.clone())).await?.ledger;
    let app = offline(data, &ledger)?;
    if !app.access.is_set_up().await.map_err(|p| p.detail)? {
        let hands = furnish(&app, empty).await?;
        if !empty {
            println!("Drawing its pictures and telling its history: about twenty machines, some seconds.");
            let moments = plot::moments(stories::all(), now, ZONE)?;
            Teller::new(app.clone(), hand, hands).tell(moments).await?;
        }
    }
    app.background.close();
    app.background.wait().await;
    ledger.close().await;
    Ok(())
}

/// The application over a folder, served to nobody.
fn offline(data: &Path, ledger: &Ledger) -> Result<App, String> {
    let key = data.join("keys").join("token.key");
    let settings = access::Settings::default();
    // Secrets stay the operating system's, also here: a demo may be left running.
    let access = Access::new(
        ledger.pool().clone(),
        Arc::new(ledger.clone()),
        &key,
        ledger.clock().clone(),
        Random::System,
        settings,
    )
    .map_err(|e| format!("the token key {}: {e}", key.display()))?;
    let settled = Settled {
        public_url: None,
        local_url: String::new(),
        body_timeout: Duration::from_secs(30),
        parts_kept: crate::serve::PARTS_KEPT,
        demo: true,
        guided: false,
    };
    let outside = Outside::new(ledger.clone(), &Serve::default())?;
    Ok(App::new(ledger.clone(), Arc::new(access), outside, settled))
}

/// The shop, its settings and, where it has a history, its people and their devices.
async fn furnish(app: &App, empty: bool) -> Result<Hands, String> {
    let owner = Wanted {
        shop_name: "Tarn Street Engines".into(),
        zone: ZONE.into(),
        currency: "EUR".into(),
        name: "Ines".into(),
        sign_in: SIGN_IN.0.into(),
        password: SIGN_IN.1.into(),
    };
    app.access.first_shop(&owner).await.map_err(|p| p.detail)?;
    let found = app.access.who_signs_in(SIGN_IN.0).await.map_err(|p| p.detail)?;
    let (shop, ines) = found.ok_or("the invented owner is not there")?;
    keep_document(app.ledger.pool(), shop, "terms", "", TERMS.as_bytes()).await.map_err(|e| e.to_string())?;
    let usual = json!({"fee": 3500, "limit": 12000, "deposit": "none", "diagnosis_days": 7, "over_limit": "ask first", "old_parts": "give back"});
    for (setting, value) in [("terms", json!(TERMS)), ("usual", usual)] {
        set(app, shop, setting, value).await?;
    }
    let mut hands = Hands { shop, ines: Hand::of(ines, "owner"), bo: Hand::default(), rena: Hand::default() };
    if !empty {
        let people = [("Bo", "bo", Role::Counter), ("Rena", "rena", Role::Bench)];
        for (name, sign_in, role) in people {
            let who = Invented { name, sign_in, password: SIGN_IN.1, role };
            let staff = app.access.invent_staff(shop, who).await.map_err(|p| p.detail)?;
            let hand = if role == Role::Bench { &mut hands.rena } else { &mut hands.bo };
            *hand = Hand::of(staff, role.word());
        }
        for (hand, label) in
            [(&mut hands.ines, "Desk"), (&mut hands.bo, "Counter phone"), (&mut hands.rena, "Bench phone")]
        {
            hand.device = app.access.invent_device(shop, hand.staff, label).await.map_err(|p| p.detail)?;
        }
    }
    Ok(hands)
}

async fn set(app: &App, shop: Uuid, setting: &str, value: Value) -> Result<(), String> {
    let entry = ServerEntry {
        kind: "setting-changed".into(),
        intake: None,
        body: map(json!({"setting": setting, "value": value})),
        personal: Vec::new(),
        author: None,
    };
    app.ledger.say(shop, entry).await.map(|_| ()).map_err(|no| format!("{no:?}"))
}

/// Says how to get in.
pub fn welcome(app: &App) {
    let address = &app.settled.local_url;
    println!("Open {address}");
    println!("Sign in as \"{}\" with the password \"{}\".", SIGN_IN.0, SIGN_IN.1);
    if let Ok(code) = qrcode::QrCode::new(address.as_bytes()) {
        println!(
            "On a phone in the same network, scan this:\n{}",
            code.render::<qrcode::render::unicode::Dense1x2>().build()
        );
    }
}
