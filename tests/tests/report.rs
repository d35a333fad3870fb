//! `report.pdf` of a pack, over HTTP: everything that was recorded, in order, letter by letter, as other programs read it.

use std::fs;
use std::path::Path;
use std::process::Command;

use evidence::digest::Digest;
use evidence::zip;
use serde_json::json;
use tests::ask::Actor;
use tests::counter::{Counter, Intake};
use tests::picture;
use tests::shop::Shop;

fn tool(program: &str, args: &[&str]) -> String {
    let out = Command::new(program).args(args).output();
    let out = out.unwrap_or_else(|e| panic!("{program} does not run ({e}): tests/run installs it"));
    let said = String::from_utf8_lossy(&out.stdout).into_owned();
    assert!(out.status.success(), "{program}: {said}{}", String::from_utf8_lossy(&out.stderr));
    said
}

/// All spaces and line ends as one space.
fn flat(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// The report out of a pack, as a file.
async fn report(shop: &Shop, intake: &Intake, query: &str, folder: &Path) -> String {
    let path = shop.ravi.path(&format!("/intakes/{}/pack{query}", intake.id));
    let pack = shop.ravi.get(&path).send().await.expect(200).body.to_vec();
    let members = zip::list(&mut &pack[..]).expect("an archive as packs are");
    let member = members.iter().find(|m| m.name == "report.pdf").expect("a report");
    let file = folder.join("report.pdf");
    fs::write(&file, &pack[member.at as usize..member.at as usize + member.size as usize]).expect("a file");
    file.to_str().expect("text").to_owned()
}

const HEARD: &str = "You said ready by Friday – it’s Monday!\nSecond line:  two spaces, “quoted”, naïve, 東京.";
const OPINION: &str = "Cracked from the hexagon up, I think by a socket.";

/// A chainsaw in care with all that a bench says of it.
async fn with_bench(ravi: &mut Counter) -> Intake {
    let mut intake = ravi.take_in("0417").await.expect("answers");
    let staff = ravi.staff.who.staff;
    let (plug, _) = ravi.photo(&mut intake, None, &picture::sharp(500)).await.expect("an answer");
    let finding = json!({"finding": ravi.uuid(), "photo": plug, "x": 5000, "y": 4000, "w": 900, "h": 700, "part": "plug insulator", "word": "cracked"});
    ravi.say(&mut intake, "finding-noted", finding, &[("text", OPINION)]).await.expect("an answer");
    let part = ravi.uuid();
    let card = json!({"part": part, "what": "spark plug", "origin": "bought by us", "supplier": "Reedmere Parts", "lot": "L-2209",
        "on_bag": "P-7", "on_casting": "P-9", "bought": "2026-11-02", "fitted": "2026-11-01", "count": 2});
    ravi.say(&mut intake, "part-noted", card, &[("note", "bag kept")]).await.expect("an answer");
    let pictured = json!({"part": part, "view": "nose-side-light", "photo": plug});
    ravi.say(&mut intake, "part-pictured", pictured, &[]).await.expect("an answer");
    let observed = json!({"part": part, "about": "insulator", "seen": "seen", "photos": [plug]});
    ravi.say(&mut intake, "part-observed", observed, &[]).await.expect("an answer");
    let claim = json!({"claim": ravi.uuid(), "part": part, "route": "warranty", "days": 30, "from": "bought"});
    ravi.say(&mut intake, "claim-opened", claim, &[]).await.expect("an answer");
    let how = json!({"engine": "two-stroke", "release": "closed", "gauge": "G2", "valve": "at the tip", "throttle": "wide open", "pulls": 9,
        "engine_is": "warm", "cylinder": "dry", "altitude": {"value": "0", "unit": "m"}});
    let reading =
        json!({"reading": "compression", "value": "92", "unit": "psi", "how": how, "part": part, "photo": plug});
    ravi.say(&mut intake, "reading-noted", reading, &[]).await.expect("an answer");
    let bare = json!({"reading": "compression", "value": "118", "unit": "psi"});
    ravi.say(&mut intake, "reading-noted", bare, &[]).await.expect("an answer");
    let heard = json!({"heard_by": staff, "how": "by phone", "at": "2026-11-30T09:10"});
    ravi.say(&mut intake, "words-heard", heard, &[("text", HEARD), ("speaker", "M. Okafor’s daughter")])
        .await
        .expect("an answer");
    let price = ravi.uuid();
    let told = json!({"price": price, "amount": {"minor": 26_000, "currency": "EUR"}, "what": "plug and kit", "how": "by phone"});
    ravi.say(&mut intake, "price-told", told, &[]).await.expect("an answer");
    let yes = json!({"answer": "yes", "price": price, "how": "by phone", "at": "2026-11-30T09:12", "total": {"minor": 26_000, "currency": "EUR"}});
    let who = [("who", "M. Okafor"), ("number", "+43 660 0000000")];
    ravi.say(&mut intake, "approval-noted", yes, &who).await.expect("an answer");
    let red = json!({"word": "do not use", "because": "chain brake does not hold"});
    ravi.say(&mut intake, "quarantined", red, &[]).await.expect("an answer");
    let dispute = ravi.uuid();
    let opened = json!({"dispute": dispute, "side": "customer", "how": "in writing", "heard_by": staff});
    ravi.say(&mut intake, "dispute-opened", opened, &[("text", "The guard was whole when I left it.")])
        .await
        .expect("an answer");
    let point = json!({"dispute": dispute, "point": ravi.uuid(), "about": "money"});
    ravi.say(&mut intake, "dispute-point", point, &[("text", "Nobody asked me.")]).await.expect("an answer");
    intake
}

/// Sends it home.
async fn home(shop: &Shop, ravi: &mut Counter, intake: &mut Intake) {
    for view in ravi.views() {
        let bytes = picture::sharp(ravi.random.number());
        let body = json!({"photo": ravi.uuid(), "file": Digest::of(&bytes).to_string(), "size": bytes.len(), "stage": "left", "view": view});
        ravi.say(intake, "photo-taken", body, &[]).await.expect("an answer");
        ravi.send(intake, &bytes).await.expect("an answer");
    }
    let path = |rest: &str| shop.ravi.path(&format!("/intakes/{}{rest}", intake.id));
    let (sheet_at, open_at) = (path("/hand-back-sheet"), path("/hand-back"));
    let trial = json!({"how": "not tried", "what": "the brake does not hold"});
    ravi.say(intake, "trial-noted", trial, &[]).await.expect("an answer");
    let collector = json!({"who": "somebody else", "checked": "receipt shown"});
    ravi.say(intake, "collector-noted", collector, &[("name", "J. Lindqvist")]).await.expect("an answer");
    let told = json!({"word": "do not use", "labelled": true});
    ravi.say(intake, "quarantine-told", told, &[]).await.expect("an answer");
    let found = shop.ravi.get(&open_at).send().await.expect(200).json();
    let gaps = found["gaps"].as_array().cloned().unwrap_or_default();
    for line in gaps.iter().filter_map(|g| g["gap"].as_str()?.strip_prefix("settle:")) {
        let settled = json!({"line": line, "how": "given back"});
        ravi.say(intake, "thing-settled", settled, &[]).await.expect("an answer");
    }
    let sheet = shop.ravi.get(&sheet_at).send().await.expect(200).body.clone();
    let body = json!({"how": "not now", "sheet": Digest::of(&sheet), "because": "in a hurry", "language": "en", "words": ravi.words});
    ravi.say(intake, "hand-back-shown", body, &[]).await.expect("an answer");
    ravi.send(intake, &sheet).await.expect("an answer");
    ravi.say(intake, "handed-back", json!({}), &[]).await.expect("an answer");
}

/// What must stand in the report, in this order.
const IN_ORDER: [&str; 45] = [
    "Report on the machine with tag 0417",
    "Machine",
    "Alder A 260, serial 178302944",
    "Owner",
    "M. Okafor, +43 660 0000000",
    "State",
    "Handed back on",
    "Disputes",
    "1 open, 1 in all",
    "What this shows, and what it does not",
    "Unchanged since",
    "That is for a person to say.",
    "Condition as received",
    "In their own words",
    "Starts, then dies under load. It was fine in spring.",
    "the owner; heard by",
    "You said ready by Friday",
    "M. Okafor’s daughter, by phone, 2026-11-30, 09:10",
    "What was shown and signed",
    "Figure",
    "Photos",
    "1. ",
    "Taken by",
    "clock",
    "Readings",
    "Compression: 92 psi",
    "below the shop’s lower mark here",
    "Compression: 118 psi",
    "Not comparable: record",
    "Findings",
    "plug insulator: cracked",
    OPINION,
    "Suspect parts",
    "“Bought” is later than “Fitted”.",
    "bag: P-7; casting: P-9",
    "What was asked, told and approved",
    "Yes from M. Okafor, up to EUR 260.00 in all",
    "What went home, and how",
    "Dispute",
    "The guard was whole when I left it.",
    "by the device’s clock, measured 0.3 s fast",
    "In the log since",
    "What is not here",
    "Everything in order",
    "How to check this",
];

#[tokio::test]
async fn it_says_everything_once_and_in_order() {
    let (shop, folder) = (Shop::set_up().await, tempfile::tempdir().expect("a folder"));
    let mut ravi = shop.counter(91).await;
    let mut intake = with_bench(&mut ravi).await;
    home(&shop, &mut ravi, &mut intake).await;
    let file = report(&shop, &intake, "", folder.path()).await;
    tool("qpdf", &["--check", &file]);
    let text = flat(&tool("pdftotext", &[&file, "-"]));
    for said in
        [HEARD, OPINION, "Nobody asked me.", "Not tried, says", "J. Lindqvist; receipt shown", "Not signed: in a hurry"]
    {
        assert!(text.contains(&flat(said)), "not in it: {said}\n{text}");
    }
    // The same by its tags, as it is read aloud: each in its place.
    let aloud = tool("pdfinfo", &["-struct-text", &file]);
    let aloud = flat(&aloud.lines().map(|l| l.trim().trim_matches('"')).collect::<Vec<_>>().join(" "));
    let mut rest = aloud.as_str();
    for said in IN_ORDER {
        let at = rest.find(said).unwrap_or_else(|| panic!("“{said}” does not follow: {rest}"));
        rest = &rest[at + said.len()..];
    }
    // Every photo is drawn, and says what it shows to whoever does not see it.
    let pictures = tool("pdfimages", &["-list", &file]).lines().count() - 2;
    let figures = tool("pdfinfo", &["-struct", &file]).matches("Figure").count();
    assert!(
        pictures > 8 && figures == pictures + 1,
        "{pictures} pictures, {figures} figures, one of them the signature"
    );
    assert_eq!(file, report(&shop, &intake, "", folder.path()).await);
}

#[tokio::test]
async fn of_one_view_it_tells_that_view_and_in_the_reader_s_language() {
    let (shop, folder) = (Shop::set_up().await, tempfile::tempdir().expect("a folder"));
    let mut ravi = shop.counter(92).await;
    let intake = with_bench(&mut ravi).await;
    let file = report(&shop, &intake, "?view=bar-side&language=de", folder.path()).await;
    let text = flat(&tool("pdftotext", &[&file, "-"]));
    for said in [
        "Bericht über das Gerät mit Anhänger 0417",
        "Hier sind nur die Fotos einer Ansicht",
        "Seite 1 von",
        "Wie das geprüft wird",
    ] {
        assert!(text.contains(said), "{said}: {text}");
    }
    for not in ["Okafor", "dies under load", "Befund 1", "92 psi"] {
        assert!(!text.contains(not), "{not}: {text}");
    }
    assert_eq!(tool("pdfimages", &["-list", &file]).lines().count(), 3, "one picture");
    let meta = tool("pdfinfo", &["-meta", &file]);
    assert!(meta.contains("<rdf:li>de</rdf:li>") || meta.contains(">de<"), "{meta}");
}
