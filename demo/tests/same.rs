//! The same shot gives the same bytes, everything that is asked for is drawn, and the block says what it is.

use drawn::{Flaw, Machine, Shot, Taken};
use evidence::digest::Digest;

fn shot(kind: &'static str, view: &str) -> Shot {
    Shot {
        machine: Machine {
            kind,
            make: "Alder",
            model: "A 260",
            serial: "178302944".into(),
            about: "50.2 CM3   2.6 KW",
        },
        view: view.into(),
        tag: "A-1041".into(),
        taken: Taken {
            wall: "2026:03:14 09:26:53".into(),
            offset: Some("+00:00".into()),
            sub_seconds: Some("417".into()),
        },
        phone: "Counter 1".into(),
        damage: "",
        flaw: Flaw::None,
        seed: 7,
    }
}

#[test]
fn every_view_is_drawn() {
    let views = drawn::views();
    assert!(views.len() > 60, "{}", views.len());
    let blank = drawn::draw(&Shot { tag: "B-2".into(), ..shot("chainsaw", "plug") }).expect("a plug");
    for (kind, view) in views {
        let bytes = drawn::draw(&shot(kind, view)).unwrap_or_else(|| panic!("{kind} {view} is not drawn"));
        assert!(bytes.starts_with(b"\xff\xd8") && bytes.ends_with(b"\xff\xd9"), "{kind} {view}");
        assert!(bytes.len() > 60_000 && bytes != blank, "{kind} {view}: {}", bytes.len());
        let head = String::from_utf8_lossy(&bytes[..1024]).into_owned();
        assert!(head.contains("drawn, not photographed") && head.contains("2026:03:14 09:26:53"), "{kind} {view}");
    }
    assert_eq!(drawn::draw(&shot("chainsaw", "no such view")), None);
}

#[test]
fn the_same_shot_is_the_same_picture() {
    for (kind, view) in [("chainsaw", "bar-side"), ("generator", "front"), ("trimmer", "plug")] {
        assert_eq!(drawn::draw(&shot(kind, view)), drawn::draw(&shot(kind, view)));
    }
    let other = Shot { seed: 8, ..shot("chainsaw", "bar-side") };
    assert_ne!(drawn::draw(&other), drawn::draw(&shot("chainsaw", "bar-side")), "another hand, another picture");
    let whole = shot("two-stage-snow-thrower", "front-left");
    let cracked = Shot { damage: "put crack 32 37 1 0", ..whole.clone() };
    assert_ne!(drawn::draw(&cracked), drawn::draw(&whole), "what is broken is drawn");
}

/// The arithmetic of the rasteriser differs by a last bit from one family of processors to the next.
#[cfg(target_arch = "x86_64")]
#[test]
fn golden_pictures() {
    let wanted = [
        "4b0359ba692bf4b469bbcab0331282211f8977424927f15a064d1e95e5b5ec54",
        "56e91050c9ffe2cf851e03a3fa7ccbe5cc40db983cd3039a3040bd6683a42887",
        "eeb95ee96ba2e8deecf627fb49adcd7b40a8d780b88d69fbb1660de5ed04e311",
        "f53a312c3ae0f27ee7b9a466cebe9069e7022a438ee6dfa776149836292aed28",
    ];
    let views = [
        ("chainsaw", "bar-side"),
        ("two-stage-snow-thrower", "front-left"),
        ("generator", "machine-plate"),
        ("trimmer", "plug"),
    ];
    let found = views.map(|(kind, view)| Digest::of(&drawn::draw(&shot(kind, view)).expect("a picture")).hex());
    assert_eq!(found, wanted);
}
