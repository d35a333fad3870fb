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

/// The arithmetic of the rasteriser differs by a last bit from one family of processors to the next, and
/// with the features that shared libraries are built with: those of the whole workspace, as the program has them.
#[cfg(target_arch = "x86_64")]
#[test]
fn golden_pictures() {
    let wanted = [
        "edd48dcf63f1d8dddd2b7cc698573ee16617cf681da4c1d0cbc38930d3b4ab5f",
        "42f9518e36df7e94f730067c6b1ad98e6afdb1fcc6c502cb6e4c82ebb4345de9",
        "a5de18a73e9f5f860d8ca1012a4acc466c60ca96638c94a15bfd3a85c3d02329",
        "25164480dd1da12bbbd11239c94f9f02bf5f7d0240f4f9a0d331935a40cf0730",
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
