//! `sheet DIR [KIND [SEED]]`: draws every view of every kind into a folder, to be looked at.

use drawn::{Flaw, Machine, Shot, Taken};

fn main() -> std::io::Result<()> {
    let mut args = std::env::args().skip(1);
    let folder = args.next().ok_or_else(|| std::io::Error::other("say which folder"))?;
    let only = args.next();
    let seed: u64 = args.next().and_then(|s| s.parse().ok()).unwrap_or(0);
    std::fs::create_dir_all(&folder)?;
    let makes = ["Alder", "Brenn", "Corvin", "Dunmore"];
    for (i, (kind, view)) in drawn::views().into_iter().enumerate() {
        if only.as_ref().is_some_and(|o| o != kind) {
            continue;
        }
        let machine = Machine {
            kind,
            make: makes[i / 8 % 4],
            model: "A 260",
            serial: "178302944".into(),
            about: "50.2 CM3   2.6 KW",
        };
        let taken = Taken { wall: "2026:03:14 09:26:53".into(), offset: Some("+00:00".into()), sub_seconds: None };
        let shot = Shot {
            machine,
            view: view.into(),
            tag: "A-1041".into(),
            taken,
            phone: "P 1".into(),
            damage: "",
            flaw: Flaw::None,
            seed: seed + i as u64,
        };
        if let Some(bytes) = drawn::draw(&shot) {
            std::fs::write(format!("{folder}/{kind}-{view}.jpg"), bytes)?;
        }
    }
    Ok(())
}
