//! The last days, and what stands at the counter.

use drawn::Flaw;

use super::Bench::{Answer, Finding, Photo, Reading, Say, Service, Tag, To};
use super::When::{Ago, Day};
use super::{End, GENERATOR, MOWER, SAW, SNOW, Story, TRIMMER};
use crate::demo::plot::Who;

pub fn stories() -> Vec<Story> {
    vec![
        Story {
            tag: "0145",
            make: "Corvin",
            model: "K 40",
            serial: "K40-009318",
            about: "42.0 CM3   2.0 KW",
            owner: ("F. Moreau", "+44 20 7946 0171", ""),
            complaint: "Floods every time. I changed the plug myself.",
            opened: Day(12, 9, 40),
            views: SAW,
            accessories: &[("scabbard", 1), ("case", 1)],
            place: Some("Rack B"),
            bench: &[
                (Day(10, 10, 0), Answer("how-runs", "does not start")),
                (Day(10, 10, 12), Photo("plug")),
                (
                    Day(10, 10, 14),
                    Finding(
                        "plug",
                        r#"{"finding": "0193b0e8-0000-7000-8000-00000000f001", "x": 4600, "y": 3200, "w": 900, "h": 1500, "part": "plug insulator, nose", "word": "cracked"}"#,
                    ),
                ),
                (
                    Day(10, 10, 16),
                    Say(
                        "part-noted",
                        r#"{"part": "0193b0e8-0000-7000-8000-00000000f002", "what": "spark plug", "origin": "brought by the customer", "supplier": "Reedmere Parts", "lot": "L-2209", "on_bag": "P-7", "count": 1}"#,
                    ),
                ),
                (
                    Day(10, 10, 20),
                    Service(r#"{"service": "plug", "what": "changed", "fitted": "Corvin K7", "old": "kept here"}"#, ""),
                ),
                (Day(9, 11, 5), Photo("air-filter")),
            ],
            ..Story::default()
        },
        Story {
            tag: "0147",
            kind: "trimmer",
            model: "F 25",
            serial: "250771904",
            about: "25.4 CM3",
            owner: ("M. Okafor", "+44 20 7946 0117", ""),
            complaint: "Does not rev up. Same fuel as the saw.",
            opened: Day(9, 14, 33),
            earlier: Some((2, "same customer")),
            views: TRIMMER,
            place: Some("Rack A"),
            ..Story::default()
        },
        Story {
            tag: "0149",
            kind: "generator",
            make: "Dunmore",
            model: "G 30",
            serial: "G30-4471",
            about: "3.0 KW   230 V",
            owner: ("Harbour Market", "+44 20 7946 0180", "office@example.org"),
            bringer: "S. Amadi",
            complaint: "Stops after a quarter of an hour.",
            opened: Day(7, 8, 20),
            views: GENERATOR,
            flaws: &[("rear", Flaw::Dark, true)],
            answers: &[("bought", "new"), ("last-ran", "this week"), ("stored", "in use")],
            lines: &[("exhaust", "dirty", "rear")],
            limit: 25_000,
            place: Some("Bench 2"),
            bench: &[(
                Day(6, 9, 30),
                Service(r#"{"service": "oil", "what": "as found", "level": "none on the dipstick"}"#, ""),
            )],
            ..Story::default()
        },
        Story {
            tag: "0150",
            kind: "two-stage-snow-thrower",
            make: "Corvin",
            model: "S 800",
            serial: "S8-771260",
            about: "252 CM3   71 CM",
            owner: ("G. Petrov", "+44 20 7946 0188", ""),
            complaint: "Yearly service before the snow comes.",
            opened: Day(5, 10, 55),
            views: SNOW,
            damage: &[("front-left", "put crack 32 37 1 0")],
            answers: &[("bought", "new"), ("last-ran", "longer"), ("stored", "indoors empty")],
            lines: &[("chute", "cracked", "front-left")],
            accessories: &[("key", 1), ("clean-out-stick", 1)],
            place: Some("Shed"),
            bench: &[
                (Day(4, 13, 0), Reading("compression", "88", "psi", "Cold, 5 pulls, release valve shut.")),
                (
                    Day(4, 13, 20),
                    Say("quarantined", r#"{"word": "do not start", "because": "fuel leak under the tank"}"#),
                ),
                (Day(4, 13, 30), To("Bench 1")),
                (Day(4, 17, 5), Tag("0151", "The wire broke, the tag is lost.")),
            ],
            ..Story::default()
        },
        Story {
            tag: "0152",
            model: "A 500",
            serial: "150027761",
            about: "72.2 CM3   3.9 KW",
            owner: ("Lund Forestry", "+44 20 7946 0190", ""),
            bringer: "K. Lund",
            complaint: "Pulls hard, the rope came out.",
            opened: Day(3, 16, 2),
            views: SAW,
            answers: &[("bought", "new"), ("last-ran", "this week"), ("stored", "in use")],
            lines: &[("starter-cover", "broken", "starter-side")],
            limit: 30_000,
            end: End::NotNow("Hands full of resin; signs when it is fetched."),
            place: Some("Bench 2"),
            ..Story::default()
        },
        Story {
            tag: "0153",
            kind: "cut-off-saw",
            make: "Dunmore",
            model: "C 300",
            serial: "C3-55190",
            about: "61.0 CM3   300 MM",
            owner: ("B. Osei", "+44 20 7946 0193", ""),
            complaint: "Water does not come at the wheel.",
            opened: Day(2, 11, 11),
            who: Who::Ines,
            views: &["belt-side", "starter-side", "machine-plate", "guard"],
            left_open: &[("view:wheel-face", "The wheel is off."), ("view:left-with-it", "Nothing was left with it.")],
            place: Some("Counter"),
            ..Story::default()
        },
        // Open for longer than the shop's limit: somebody forgot it.
        Story {
            tag: "0154",
            kind: "walk-behind-mower",
            make: "Brenn",
            model: "M 42",
            serial: "42-881003",
            about: "125 CM3   42 CM",
            owner: ("L. Novak", "+44 20 7946 0195", ""),
            complaint: "Rope stuck.",
            opened: Day(2, 16, 48),
            views: &["front-left", "machine-plate", "bail"],
            end: End::Open(false),
            ..Story::default()
        },
        Story {
            tag: "0155",
            kind: "walk-behind-mower",
            make: "Dunmore",
            model: "M 53",
            serial: "53-004417",
            about: "166 CM3   53 CM",
            owner: ("I. Fuchs", "+44 20 7946 0197", "i.fuchs@example.org"),
            complaint: "Drive does not pull on the slope.",
            opened: Day(1, 10, 15),
            views: MOWER,
            accessories: &[("bag", 1), ("key", 1)],
            place: Some("Counter"),
            ..Story::default()
        },
        // It stood at the door in the morning; nobody knows whose it is.
        Story {
            tag: "0148",
            make: "Corvin",
            model: "K 38",
            serial: "K38-022006",
            about: "38.2 CM3   1.7 KW",
            opened: Day(1, 8, 5),
            views: &["bar-side", "starter-side", "machine-plate"],
            end: End::Found("At the side door, under the roof"),
            ..Story::default()
        },
        // Asked and arranged, one picture too dark and not yet taken again.
        Story {
            tag: "0156",
            make: "Brenn",
            model: "K 36",
            serial: "36-770912",
            about: "38.9 CM3   1.8 KW",
            owner: ("C. Abara", "+44 20 7946 0199", ""),
            complaint: "Chain jumps off.",
            opened: Ago(58),
            views: SAW,
            flaws: &[("underside", Flaw::Dark, false)],
            end: End::Open(true),
            ..Story::default()
        },
        Story {
            tag: "0157",
            kind: "trimmer",
            make: "Corvin",
            model: "L 28",
            serial: "28-31177",
            about: "28.1 CM3",
            owner: ("N. Dlamini", "+44 20 7946 0111", ""),
            opened: Ago(19),
            views: &["whole", "engine-end"],
            end: End::Open(false),
            ..Story::default()
        },
        Story {
            tag: "0158",
            kind: "generator",
            model: "G 20",
            serial: "200119",
            about: "2.0 KW   230 V",
            owner: ("W. Tanaka", "+44 20 7946 0114", ""),
            complaint: "Hard to start when cold.",
            opened: Ago(8),
            end: End::Open(false),
            ..Story::default()
        },
        // Ready and told so; it waits to be fetched.
        Story {
            tag: "0137",
            make: "Brenn",
            model: "K 45",
            serial: "450117002",
            about: "45.0 CM3   2.3 KW",
            owner: ("D. Marsh", "+44 20 7946 0158", ""),
            complaint: "Stalls when it is set down.",
            opened: Day(30, 11, 20),
            views: SAW,
            accessories: &[("scabbard", 1), ("scrench", 1)],
            place: Some("Rack A"),
            bench: &[
                (Day(28, 9, 30), Answer("how-runs", "starts and dies")),
                (Day(28, 9, 50), Service(r#"{"service": "carburettor", "what": "mixture screws"}"#, "")),
                (Day(28, 10, 40), To("Rack C")),
                (
                    Day(27, 16, 30),
                    Say("contact-tried", r#"{"how": "by phone", "result": "reached", "about": "ready to be fetched"}"#),
                ),
            ],
            ..Story::default()
        },
    ]
}
