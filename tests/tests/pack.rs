//! What leaves the shop, over HTTP: a pack checked by the program, by the page's checker and by hand; a pack without the customer
//! that has nothing of them; the same pack twice; an earlier receipt beside a later one.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use base64::Engine;
use base64::engine::general_purpose::STANDARD as BASE64;
use evidence::zip;
use serde_json::json;
use tests::ask::Actor;
use tests::checking::{by_hand, by_page, files, tool, verify};
use tests::counter::{Counter, Intake, Step};
use tests::picture;
use tests::shop::Shop;
use uuid::Uuid;

/// What the camera wrote into the photos: a place, a serial, an owner's name. exiftool is from outside.
const SECRETS: [&str; 6] = ["M. Okafor", "660 0000000", "SN-99887766", "Okafor's phone", "IMG_0417", "fine in spring"];

/// A photo that says where it was taken, by which camera, whose it is, and carries a small picture of itself.
fn telling(folder: &Path, seed: u64) -> Vec<u8> {
    let (path, small) = (folder.join(format!("{seed}.jpg")), folder.join(format!("{seed}-small.jpg")));
    fs::write(&path, picture::sharp(seed)).expect("a file");
    fs::write(&small, picture::sharp_of(seed, 160, 120)).expect("a file");
    let secrets = [
        "-GPSLatitude=48.2082",
        "-GPSLatitudeRef=N",
        "-GPSLongitude=16.3738",
        "-GPSLongitudeRef=E",
        "-ExifIFD:SerialNumber=SN-99887766",
        "-OwnerName=Okafor's phone",
        "-Artist=M. Okafor",
        "-DateTimeOriginal=2026:11:25 09:00:00",
        "-OffsetTimeOriginal=+01:00",
    ];
    tool(
        Command::new("exiftool")
            .args(["-q", "-overwrite_original"])
            .args(secrets)
            .arg(format!("-ThumbnailImage<={}", small.display()))
            .arg(&path),
    );
    fs::read(&path).expect("what exiftool wrote")
}

/// A chainsaw taken in with photos that tell too much.
async fn taken_in(counter: &mut Counter, folder: &Path, tag: &str) -> Intake {
    let mut intake = counter.intake(tag);
    for (i, step) in counter.steps().into_iter().enumerate() {
        match &step {
            Step::Photo(view) => {
                counter.photo(&mut intake, Some(view), &telling(folder, 40 + i as u64)).await.expect("an answer");
            }
            _ => counter.step(&mut intake, &step).await.expect("an answer"),
        }
    }
    intake
}

/// A claim for a plug found cracked in that saw: its card, a photo that tells too much, what was looked for, a reading.
async fn claimed(counter: &mut Counter, intake: &mut Intake, folder: &Path) -> Uuid {
    let (part, finding, claim) = (counter.uuid(), counter.uuid(), counter.uuid());
    let (photo, _) = counter.photo(intake, None, &telling(folder, 90)).await.expect("an answer");
    let card = json!({"part": part, "what": "spark plug", "origin": "bought by us", "supplier": "Reedmere Parts",
        "on_bag": "P-7", "on_casting": "P-9", "bought": "2026-11-03", "fitted": "2026-11-20"});
    let how = json!({"engine": "two-stroke", "throttle": "wide open", "gauge": "G2"});
    let said = [
        ("part-noted", card, vec![("note", "M. Okafor brought it")]),
        ("part-pictured", json!({"part": part, "view": "body", "photo": photo}), vec![]),
        ("part-observed", json!({"part": part, "about": "makers-mark", "seen": "not seen", "photos": [photo]}), vec![]),
        (
            "reading-noted",
            json!({"reading": "compression", "value": "92", "unit": "psi", "how": how, "part": part}),
            vec![],
        ),
        (
            "finding-noted",
            json!({"finding": finding, "photo": photo, "x": 10, "y": 10, "part": "air filter", "word": "cracked"}),
            vec![("text", "M. Okafor's phone rang")],
        ),
        (
            "claim-opened",
            json!({"claim": claim, "part": part, "route": "warranty", "days": 30, "from": "bought"}),
            vec![],
        ),
    ];
    for (kind, body, personal) in said {
        counter.say(intake, kind, body, &personal).await.expect("an answer");
    }
    claim
}

async fn pack(shop: &Shop, intake: &Intake, query: &str) -> Vec<u8> {
    let path = shop.ravi.path(&format!("/intakes/{}/pack{query}", intake.id));
    shop.ravi.get(&path).send().await.expect(200).body.to_vec()
}

async fn receipt(shop: &Shop, intake: &Intake) -> Vec<u8> {
    let path = shop.ravi.path(&format!("/intakes/{}/receipt", intake.id));
    shop.ravi.get(&path).send().await.expect(200).body.to_vec()
}

/// Whether bytes hold a text: as it is, in UTF-16, in base64 at any offset; each also backwards through base64 runs.
fn holds(bytes: &[u8], secret: &str) -> bool {
    let utf16 = |little: bool| -> Vec<u8> {
        secret.encode_utf16().flat_map(|u| if little { u.to_le_bytes() } else { u.to_be_bytes() }).collect()
    };
    let in_base64 = (0..3).map(|pad| {
        let text = BASE64.encode([vec![b' '; pad], secret.as_bytes().to_vec()].concat());
        // The characters that hang on what stands before and after are left off.
        text[[0, 2, 3][pad]..text.trim_end_matches('=').len() - 1].replace('+', "-").replace('/', "_").into_bytes()
    });
    let url: Vec<u8> = bytes
        .iter()
        .map(|b| match b {
            b'+' => b'-',
            b'/' => b'_',
            b => *b,
        })
        .collect();
    let has = |needle: &[u8], hay: &[u8]| hay.windows(needle.len()).any(|w| w == needle);
    has(secret.as_bytes(), bytes)
        || has(&utf16(true), bytes)
        || has(&utf16(false), bytes)
        || in_base64.into_iter().any(|n| has(&n, &url))
}

/// A report as other programs see it: its objects with every stream inflated, its words as drawn and as read aloud; and what
/// exiftool says of its pictures.
fn read(report: &Path) -> (Vec<Vec<u8>>, String) {
    let folder = folder();
    let (inflated, pictures) = (folder.path().join("inflated.pdf"), folder.path().join("pictures"));
    tool(Command::new("qpdf").args(["--qdf", "--object-streams=disable"]).arg(report).arg(&inflated));
    let flat = |text: String| text.split_whitespace().collect::<Vec<_>>().join(" ").into_bytes();
    let drawn = tool(Command::new("pdftotext").arg(report).arg("-"));
    let aloud = tool(Command::new("pdfinfo").arg("-struct-text").arg(report));
    fs::create_dir(&pictures).expect("a folder");
    tool(Command::new("pdfimages").arg("-all").arg(report).arg(pictures.join("p")));
    let told = tool(Command::new("exiftool").args(["-a", "-G1", "-s", "-r"]).arg(&pictures));
    (vec![fs::read(&inflated).expect("what qpdf wrote"), flat(drawn), flat(aloud)], told)
}

fn folder() -> tempfile::TempDir {
    tempfile::tempdir().expect("a folder")
}

#[tokio::test]
async fn a_pack_checks_by_program_by_page_and_by_hand() {
    let (shop, folder) = (Shop::set_up().await, folder());
    let mut counter = shop.counter(71).await;
    let intake = taken_in(&mut counter, folder.path(), "0417").await;
    let bytes = pack(&shop, &intake, "").await;
    assert_eq!(bytes, pack(&shop, &intake, "").await, "the same again");
    counter.take_in("0418").await.expect("answers");
    assert_eq!(bytes, pack(&shop, &intake, "").await, "another machine changes nothing in it");
    let file: PathBuf = folder.path().join("pack.zip");
    fs::write(&file, &bytes).expect("a file");

    let here = shop.ravi.get(&shop.ravi.path("")).send().await.expect(200).json();
    let key = here["verifier_key"].as_str().expect("the log's key").to_owned();
    let (code, lines) = verify(&file, &["--key", &key]);
    let not: Vec<_> = lines.iter().filter(|l| !l.contains("\tunchanged\t")).collect();
    assert_eq!((code, not.len()), (0, 0), "{not:?}");
    assert!(lines.iter().filter(|l| l.starts_with("photo ")).count() >= 4, "{lines:?}");
    assert_eq!(by_page(folder.path(), &file, &key, None, None), lines);
    let (held, said) = by_hand(&file, folder.path());
    assert!(held, "{said}");
    assert_eq!(
        said.matches("is in the log").count(),
        lines.iter().filter(|l| l.ends_with("\tentry")).count(),
        "{said}"
    );

    // Changed by hand, the same commands stop.
    let mut files = files(&bytes);
    let name = files.keys().find(|n| n.starts_with("entries/")).expect("an entry").clone();
    files.get_mut(&name).expect("an entry")[30] ^= 1;
    let mut archive = zip::Writer::new(Vec::new());
    files.iter().for_each(|(n, b)| archive.whole(n, b).expect("memory takes it"));
    fs::write(&file, archive.finish().expect("memory takes it")).expect("a file");
    assert!(!by_hand(&file, folder.path()).0, "a changed entry is not found by hand");
    assert_eq!(verify(&file, &["--key", &key]).0, 1);
}

#[tokio::test]
async fn a_pack_without_the_customer_has_nothing_of_them_and_checks() {
    let (shop, folder) = (Shop::set_up().await, folder());
    let mut counter = shop.counter(72).await;
    let mut intake = taken_in(&mut counter, folder.path(), "0417").await;
    let claim = claimed(&mut counter, &mut intake, folder.path()).await;
    let whole = files(&pack(&shop, &intake, "").await);
    for secret in SECRETS {
        assert!(whole.values().any(|b| holds(b, secret)), "the whole pack has {secret}: the search finds it");
    }
    let report = folder.path().join("whole.pdf");
    fs::write(&report, &whole["report.pdf"]).expect("a file");
    let (found, pictures) = read(&report);
    for secret in ["M. Okafor", "660 0000000", "fine in spring"] {
        assert!(found.iter().any(|b| holds(b, secret)), "the whole report has {secret}: the search finds it");
    }
    assert!(
        !pictures.contains("GPS") && !pictures.contains("[IFD0]"),
        "renditions are printed, no originals: {pictures}"
    );
    let of_claim = format!("?claim={claim}");
    for query in ["?customer=withheld", "?customer=withheld&view=bar-side", &of_claim] {
        let bytes = pack(&shop, &intake, query).await;
        let (file, unpacked) = (folder.path().join("withheld.zip"), folder.path().join("unpacked"));
        fs::write(&file, &bytes).expect("a file");
        for secret in SECRETS {
            assert!(!holds(&bytes, secret), "{query}: {secret}");
        }
        let members = files(&bytes);
        assert!(
            members.keys().all(|n| !n.starts_with("originals/") && !n.starts_with("details/")),
            "{:?}",
            members.keys()
        );
        assert!(!members.contains_key("signature.json") && !members.contains_key("sheet.json"));
        // The pictures, by a reader from outside: no place, no serial, no picture inside the picture.
        tool(Command::new("unzip").arg("-q").arg(&file).arg("-d").arg(&unpacked));
        let found = tool(Command::new("exiftool").args(["-a", "-G1", "-s", "-r"]).arg(unpacked.join("copies")));
        for tag in ["GPS", "Serial", "Thumbnail", "Artist", "OwnerName", "[ExifIFD]", "[IFD0]"] {
            assert!(!found.contains(tag), "{query}: {tag} in {found}");
        }
        // The report: no word of them drawn, hidden or described, and its pictures carry nothing either.
        let (found, pictures) = read(&unpacked.join("report.pdf"));
        for secret in SECRETS {
            assert!(!found.iter().any(|b| holds(b, secret)), "{query}: the report has {secret}");
        }
        for tag in ["GPS", "Serial", "Thumbnail", "Artist", "OwnerName", "[ExifIFD]", "[IFD0]"] {
            assert!(pictures.contains("ImageWidth") && !pictures.contains(tag), "{query}: {tag} in {pictures}");
        }
        fs::remove_dir_all(&unpacked).expect("the folder goes");
        let (code, lines) = verify(&file, &[]);
        assert_eq!(code, 4, "{lines:?}");
        assert!(lines.iter().any(|l| l.ends_with("\twithheld\tphoto-withheld")), "{lines:?}");
    }
}

#[tokio::test]
async fn an_earlier_receipt_tells_whether_the_log_goes_on() {
    let (shop, folder) = (Shop::set_up().await, folder());
    let mut counter = shop.counter(73).await;
    let mut intake = counter.take_in("0031").await.expect("answers");
    let first = receipt(&shop, &intake).await;
    counter.take_in("0032").await.expect("answers");
    assert_eq!(first, receipt(&shop, &intake).await, "made again, it is the same");
    let lost = json!({"tag": "0033", "because": "fell off in the yard"});
    counter.say(&mut intake, "tag-replaced", lost, &[]).await.expect("an answer");
    let second = receipt(&shop, &intake).await;
    let (early, later) = (folder.path().join("first.html"), folder.path().join("second.html"));
    fs::write(&early, &first).expect("a file");
    fs::write(&later, &second).expect("a file");
    let zip = folder.path().join("pack.zip");
    fs::write(&zip, pack(&shop, &intake, "").await).expect("a file");
    let early_path = early.to_str().expect("text").to_owned();
    for file in [&later, &zip] {
        let (_, lines) = verify(file, &["--earlier", &early_path]);
        assert!(lines.contains(&"earlier receipt\tunchanged\tearlier".to_owned()), "{lines:?}");
        assert!(lines.iter().all(|l| !l.contains("\tbroken\t") && !l.contains("\tmissing\t")), "{lines:?}");
    }
    fs::write(&early, String::from_utf8(first).expect("text").replace("0031", "0931")).expect("a file");
    let (code, lines) = verify(&later, &["--earlier", &early_path]);
    assert!(code == 1 && lines.contains(&"earlier receipt\tbroken\tearlier-broken".to_owned()), "{lines:?}");
}

#[tokio::test]
async fn a_claims_pack_is_of_its_part_and_its_letter_says_what_was_seen() {
    let (shop, folder) = (Shop::set_up().await, folder());
    let mut counter = shop.counter(75).await;
    let mut intake = taken_in(&mut counter, folder.path(), "0417").await;
    let claim = claimed(&mut counter, &mut intake, folder.path()).await;
    let members = files(&pack(&shop, &intake, &format!("?claim={claim}")).await);
    assert_eq!(members.keys().filter(|n| n.starts_with("copies/")).count(), 1, "the part's photo and no other");
    let letter = String::from_utf8(members["letter.html"].clone()).expect("text");
    let said = [
        "To: Reedmere Parts",
        "Part number on the bag: P-7",
        "bag: P-7; casting: P-9.",
        "none seen on 1 photo (",
        "Compression: 92 psi",
        "Not recorded, so not to be compared: ",
        "air filter: cracked",
        "Photo 1: Insulator and shell",
        "a photo from before it was fitted",
        "nothing about anybody’s fault",
    ];
    said.iter().for_each(|words| assert!(letter.contains(words), "{words} is not in {letter}"));
    let here = format!("/intakes/{}/claims/{claim}/letter", intake.id);
    let printed = shop.ravi.get(&shop.ravi.path(&here)).send().await.expect(200).body.to_vec();
    assert_eq!(printed, members["letter.html"]);
    let german = shop.ravi.get(&shop.ravi.path(&format!("{here}?language=de"))).send().await.expect(200).body.to_vec();
    assert!(String::from_utf8_lossy(&german).contains("An: Reedmere Parts"));

    let other = counter.take_in("0418").await.expect("answers");
    for path in
        [format!("/intakes/{}/claims/{claim}/letter", other.id), format!("/intakes/{}/pack?claim={claim}", other.id)]
    {
        assert_eq!(
            shop.ravi.get(&shop.ravi.path(&path)).send().await.expect(404).json()["type"],
            "/problems/not-found"
        );
    }
}
