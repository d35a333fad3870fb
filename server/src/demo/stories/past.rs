//! From last winter to last week.

use drawn::Flaw;

use super::Bench::{Answer, Engine, NotRead, Photo, Reading, Service, To};
use super::When::Day;
use super::{CUTTER, End, GENERATOR, MOWER, SAW, SNOW, Story, TRIMMER};
use crate::demo::plot::Who;

/// The number of the generator that was sent home, for when it comes back.
const SENT_HOME: usize = 1;

const USED: &[(&str, &str)] = &[("bought", "used"), ("last-ran", "never since bought"), ("stored", "outside")];

pub fn stories() -> Vec<Story> {
    vec![
        Story {
            tag: "0104",
            kind: "two-stage-snow-thrower",
            make: "Brenn",
            model: "S 726",
            serial: "7260118824",
            about: "208 CM3   66 CM",
            owner: ("A. Whitlock", "+44 20 7946 0101", ""),
            complaint: "It will not throw any more, it only pushes. Has stood since March.",
            opened: Day(203, 10, 12),
            views: SNOW,
            lines: &[("auger", "heavy wear", "auger-mouth"), ("chute", "scratched", "front-left")],
            accessories: &[("key", 1), ("shear-bolts", 3)],
            limit: 18_000,
            place: Some("Shed"),
            bench: &[
                (Day(201, 14, 5), Engine("B 208 F, 110422")),
                (
                    Day(201, 14, 20),
                    Service(
                        r#"{"service": "oil", "what": "as found", "level": "below the mark"}"#,
                        "Dark, smells of fuel.",
                    ),
                ),
                (Day(199, 9, 40), Service(r#"{"service": "oil", "what": "changed", "fitted": "5W-30"}"#, "")),
            ],
            ..Story::default()
        },
        Story {
            tag: "0107",
            kind: "generator",
            make: "Corvin",
            model: "G 22",
            serial: "CG22-51907",
            about: "2.2 KW   230 V",
            owner: ("P. Lindqvist", "", "p.lindqvist@example.org"),
            complaint: "Runs, but no power at the sockets.",
            opened: Day(171, 16, 31),
            views: GENERATOR,
            lines: &[("tank", "leaking", "front")],
            end: End::NotTaken("Fuel runs from the tank; the owner drains it and brings it back."),
            ..Story::default()
        },
        Story {
            tag: "0112",
            model: "A 260",
            serial: "178302944",
            about: "50.2 CM3   2.6 KW",
            owner: ("M. Okafor", "+44 20 7946 0117", ""),
            complaint: "Bought used, just rebuilt they said. Starts, then dies under load.",
            opened: Day(148, 9, 22),
            views: SAW,
            answers: USED,
            lines: &[("hand-guard", "cracked", "hand-guard"), ("bar-chain", "light wear", "bar-side")],
            accessories: &[("scabbard", 1)],
            place: Some("Rack A"),
            bench: &[
                (Day(147, 10, 5), Answer("told-rebuilt", "yes")),
                (Day(147, 10, 6), Answer("how-runs", "no power")),
                (Day(147, 10, 30), Photo("cylinder-faces")),
                (Day(147, 10, 41), Reading("compression", "96", "psi", "Cold, plug out, throttle open, 6 pulls.")),
                (Day(147, 10, 50), Photo("exhaust-port")),
                (Day(146, 15, 12), Photo("plug")),
                (
                    Day(146, 15, 20),
                    Service(
                        r#"{"service": "plug", "what": "as found", "fitted": "Alder K5"}"#,
                        "Insulator cracked from the hexagon up.",
                    ),
                ),
                (Day(146, 15, 40), To("Bench 1")),
            ],
            ..Story::default()
        },
        Story {
            tag: "0118",
            kind: "trimmer",
            make: "Dunmore",
            model: "L 31",
            serial: "31-224071",
            about: "27.4 CM3",
            owner: ("Tarn Allotments", "+44 20 7946 0128", "shed@example.org"),
            bringer: "J. Pell",
            complaint: "Line does not feed, and it vibrates.",
            opened: Day(120, 11, 47),
            views: TRIMMER,
            flaws: &[("head-face", Flaw::Blurred, true)],
            lines: &[("head", "broken", "head-face")],
            place: Some("Rack B"),
            bench: &[(Day(118, 13, 30), Answer("use", "commercial")), (Day(117, 9, 10), Photo("muffler-outlet"))],
            ..Story::default()
        },
        Story {
            tag: "0121",
            kind: "walk-behind-mower",
            make: "Dunmore",
            model: "M 46",
            serial: "46-100731",
            about: "139 CM3   46 CM",
            owner: ("R. Haddad", "+44 20 7946 0131", ""),
            complaint: "Surges up and down. Last year's petrol was in it.",
            opened: Day(97, 9, 3),
            views: MOWER,
            lines: &[("deck", "dirty", "front-left")],
            accessories: &[("bag", 1)],
            place: Some("Shed"),
            bench: &[
                (Day(95, 14, 0), Answer("how-runs", "surges")),
                (Day(95, 14, 10), Photo("tank")),
                (Day(95, 14, 25), Service(r#"{"service": "carburettor", "what": "fixed jets"}"#, "")),
                (
                    Day(94, 9, 30),
                    Service(
                        r#"{"service": "oil", "what": "topped up", "fitted": "SAE 30", "level": "below the mark"}"#,
                        "",
                    ),
                ),
            ],
            ..Story::default()
        },
        Story {
            tag: "0126",
            kind: "cut-off-saw",
            make: "Brenn",
            model: "C 350",
            serial: "350-88120",
            about: "66.7 CM3   350 MM",
            owner: ("Kerr Paving", "+44 20 7946 0140", "yard@example.org"),
            bringer: "D. Kerr",
            complaint: "No power in concrete. Needed again by the end of the month.",
            opened: Day(74, 7, 55),
            views: CUTTER,
            answers: &[("bought", "new"), ("last-ran", "this week"), ("stored", "in use")],
            lines: &[("filter-cover", "dirty", "belt-side"), ("wheel", "light wear", "wheel-face")],
            limit: 0,
            place: Some("Bench 2"),
            bench: &[
                (Day(73, 8, 30), Answer("how-runs", "no power")),
                (Day(73, 8, 40), NotRead("compression", "The gauge is away to be checked.")),
                (Day(70, 10, 15), Reading("compression", "121", "psi", "Warm, 8 pulls, throttle open.")),
            ],
            ..Story::default()
        },
        Story {
            tag: "0131",
            model: "A 180",
            serial: "164410027",
            about: "35.8 CM3   1.6 KW",
            owner: ("E. Sandoval", "", "e.sandoval@example.org"),
            complaint: "Chain does not stop turning.",
            opened: Day(52, 15, 26),
            views: &["bar-side", "starter-side", "machine-plate", "hand-guard", "left-with-it"],
            lines: &[("bar-side-cover", "dirty", "bar-side")],
            safety: &[("chain-brake", "not tested here"), ("front-hand-guard", "seen")],
            left_open: &[("view:underside", "Sticks to the tray with oil; on the bench first.")],
            end: End::NotNow("The owner had to go; comes by on Friday to sign."),
            place: Some("Rack A"),
            bench: &[(Day(51, 9, 15), Answer("use", "home"))],
            ..Story::default()
        },
        Story {
            tag: "0134",
            kind: "generator",
            make: "Corvin",
            model: "G 22",
            serial: "CG22-51907",
            about: "2.2 KW   230 V",
            owner: ("P. Lindqvist", "", "p.lindqvist@example.org"),
            complaint: "The same as before: it runs, the sockets are dead. The tank is dry now.",
            opened: Day(38, 10, 8),
            earlier: Some((SENT_HOME, "same machine")),
            views: GENERATOR,
            answers: &[("bought", "new"), ("last-ran", "longer"), ("stored", "indoors empty")],
            accessories: &[("cords", 1), ("key", 1)],
            place: Some("Bench 1"),
            bench: &[
                (Day(36, 11, 0), Answer("how-runs", "no output")),
                (Day(36, 11, 20), Reading("voltage", "3.1", "V", "No load, at the left socket.")),
                (Day(36, 11, 22), Reading("frequency", "51.8", "Hz", "No load.")),
                (Day(36, 11, 40), Photo("muffler-outlet")),
            ],
            ..Story::default()
        },
        Story {
            tag: "0139",
            kind: "two-stage-snow-thrower",
            make: "Brenn",
            model: "S 624",
            serial: "",
            about: "179 CM3   61 CM",
            owner: ("Tarn Street School", "+44 20 7946 0152", ""),
            bringer: "The caretaker, Mr Voss",
            complaint: "Ready for winter, please. Pulls to the left.",
            opened: Day(24, 13, 2),
            who: Who::Ines,
            views: &["front-left", "rear-right", "handle-panel", "auger-mouth"],
            answers: &[("bought", "gift"), ("last-ran", "longer"), ("stored", "outside")],
            lines: &[("wheels", "not checked", "front-left")],
            left_open: &[
                ("view:machine-plate", "Painted over; the owner looks for the papers."),
                ("view:left-with-it", "Nothing was left, the bench was full."),
            ],
            place: Some("Shed"),
            ..Story::default()
        },
        Story {
            tag: "0142",
            kind: "walk-behind-mower",
            make: "Alder",
            model: "W 51",
            serial: "510044218",
            about: "163 CM3   51 CM",
            owner: ("H. Brandt", "+44 20 7946 0166", ""),
            complaint: "Blade hit a stone; it shakes.",
            opened: Day(16, 17, 20),
            views: MOWER,
            lines: &[("deck", "dented", "rear-right"), ("handle", "bent", "bail")],
            end: End::NotTaken("Not worth the repair; taken home again."),
            ..Story::default()
        },
    ]
}
