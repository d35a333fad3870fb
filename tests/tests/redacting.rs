//! Boxes over a photo, over HTTP: what is under them is in no archive that goes without the customer, the original stays, both
//! checkers say *withheld* of the original and bind the copy.

use std::collections::BTreeMap;
use std::path::Path;
use std::process::Command;

use counterfoil::photo;
use counterfoil::photo::rendition::Pixels;
use evidence::digest::Digest;
use evidence::zip;
use serde_json::{Value, json};
use tests::ask::{Actor, Answer};
use tests::counter::{Counter, Intake, Step};
use tests::picture;
use tests::proven::{count, verified};
use tests::seeded::Seeded;
use tests::server;
use tests::shop::Shop;
use uuid::Uuid;

/// A box, in ten thousandths of the upright picture.
const BOX: [u32; 4] = [1_000, 2_000, 3_000, 1_500];

fn boxes(all: &[[u32; 4]]) -> Value {
    json!({"boxes": all.iter().map(|[x, y, w, h]| json!({"x": x, "y": y, "w": w, "h": h})).collect::<Vec<_>>()})
}

/// A photo that a camera held upright stored lying (Exif orientation 6). exiftool is from outside.
fn lying(folder: &Path, seed: u64) -> Vec<u8> {
    let path = folder.join("lying.jpg");
    std::fs::write(&path, picture::sharp(seed)).expect("a file");
    let done = Command::new("exiftool").args(["-q", "-overwrite_original", "-Orientation#=6"]).arg(&path).status();
    assert!(done.expect("exiftool runs: tests/run installs it").success());
    std::fs::read(&path).expect("what exiftool wrote")
}

/// Shares of dark pixels inside the box, and outside it.
fn dark(pixels: &Pixels) -> (f64, f64) {
    let at = |part: u32, side: u32| part * side / 10_000;
    let [x, y, w, h] = BOX;
    let (left, right) = (at(x, pixels.width), at(x + w, pixels.width));
    let (top, bottom) = (at(y, pixels.height), at(y + h, pixels.height));
    let (mut inside, mut outside) = ((0u32, 0u32), (0u32, 0u32));
    for (i, s) in pixels.samples.chunks(3).enumerate() {
        let (px, py) = (i as u32 % pixels.width, i as u32 / pixels.width);
        let counted =
            if (left..right).contains(&px) && (top..bottom).contains(&py) { &mut inside } else { &mut outside };
        counted.0 += u32::from(s.iter().all(|v| *v < 24));
        counted.1 += 1;
    }
    (f64::from(inside.0) / f64::from(inside.1), f64::from(outside.0) / f64::from(outside.1))
}

fn files(pack: &[u8]) -> BTreeMap<String, Vec<u8>> {
    let members = zip::list(&mut &pack[..]).expect("an archive as packs are");
    let bytes = |m: &zip::Member| pack[m.at as usize..m.at as usize + m.size as usize].to_vec();
    members.iter().map(|m| (m.name.clone(), bytes(m))).collect()
}

async fn redact(shop: &Shop, photo: Uuid, wanted: &Value) -> Answer {
    shop.bo.put(&shop.bo.path(&format!("/photos/{photo}/redaction"))).json(wanted).send().await
}

async fn pack(shop: &Shop, intake: &Intake, query: &str) -> Vec<u8> {
    let path = shop.ravi.path(&format!("/intakes/{}/pack?{query}", intake.id));
    shop.ravi.get(&path).send().await.expect(200).body.clone()
}

#[tokio::test]
async fn what_is_under_a_box_goes_nowhere_and_the_original_stays() {
    let mut shop = Shop::set_up().await;
    let folder = tempfile::tempdir().expect("a folder");
    let mut ravi = shop.counter(91).await;
    let mut intake = ravi.intake("0910");
    let original = lying(folder.path(), 911);
    let mut photo = Uuid::nil();
    for step in ravi.steps() {
        if let (Step::Photo(view), true) = (&step, photo.is_nil()) {
            photo = ravi.photo(&mut intake, Some(view), &original).await.expect("an answer").0;
        } else {
            ravi.step(&mut intake, &step).await.expect("an answer");
        }
    }
    let bare = files(&pack(&shop, &intake, "customer=withheld").await);
    let state = shop.ravi.get(&shop.ravi.path(&format!("/intakes/{}", intake.id))).send().await.expect(200).json();
    let fact = state["intake"]["photos"].as_array().into_iter().flatten().find(|p| p["photo"] == photo.to_string());
    let large =
        fact.and_then(|p| p["judged"]["renditions"].as_array()?.iter().find(|r| r["purpose"] == "large").cloned());
    let large = large.expect("a large copy")["file"].as_str().expect("a digest").replace("sha256:", "");
    assert!(bare.contains_key(&format!("copies/{large}.jpg")), "without boxes the copy goes out");

    let kept = redact(&shop, photo, &boxes(&[BOX])).await.expect(200).json();
    let shown =
        shop.ravi.get(&shop.ravi.path(&format!("/photos/{photo}/redaction"))).send().await.expect(200).body.clone();
    let renditions = shop.server.data().join("shops").join(shop.id.to_string()).join("renditions");
    for (made, purpose) in kept["renditions"].as_array().expect("copies").iter().zip(["small", "large"]) {
        assert_eq!(made["purpose"], purpose);
        let hex = made["file"].as_str().expect("a digest").replace("sha256:", "");
        let bytes = std::fs::read(renditions.join(&hex[..2]).join(&hex)).expect("the copy");
        assert_eq!(
            (Digest::of(&bytes).hex(), bytes.len() as u64),
            (hex.clone(), made["size"].as_u64().expect("a size"))
        );
        assert!(!bytes.windows(4).any(|w| w == b"Exif"), "no metadata");
        let pixels = photo::upright(&bytes).expect("a picture");
        assert!(pixels.height > pixels.width, "it stands upright");
        let (inside, outside) = dark(&pixels);
        assert!(inside > 0.99 && outside < 0.5, "{purpose}: {inside} dark inside, {outside} outside");
        if purpose == "large" {
            assert_eq!(bytes, shown);
        }
    }
    let covered = kept["renditions"][1]["file"].as_str().expect("a digest").replace("sha256:", "");
    let (copy, uncovered) = (format!("copies/{covered}.jpg"), format!("copies/{large}.jpg"));
    let hex = Digest::of(&original).hex();
    for (query, originals) in [("customer=withheld", 0), ("customer=shown&covered=true", ravi.views().len() - 1)] {
        let bytes = pack(&shop, &intake, query).await;
        let inside = files(&bytes);
        assert!(inside.contains_key(&copy) && !inside.contains_key(&uncovered), "{query}: {:?}", inside.keys());
        assert!(inside.values().all(|b| ![&hex, &large].contains(&&Digest::of(b).hex())), "{query}: by another name");
        assert_eq!(inside.keys().filter(|n| n.starts_with("originals/")).count(), originals, "{query}");
        // The report prints pictures as they are: a stretch out of the middle tells which copy it took.
        let printed = |jpeg: &[u8]| {
            let stretch = &jpeg[jpeg.len() / 2..jpeg.len() / 2 + 200];
            inside["report.pdf"].windows(stretch.len()).any(|w| w == stretch)
        };
        assert!(printed(&inside[&copy]) && !printed(&bare[&uncovered]), "{query}: what is covered is printed");
        let (code, lines) = verified(folder.path(), &bytes, None);
        assert!(lines.contains(&format!("photo {photo}\twithheld\tphoto-withheld")), "{query}: {lines:#?}");
        assert!(lines.contains(&format!("{copy}\tunchanged\tfile")), "{query}: {lines:#?}");
        assert_eq!((code, count(&lines, "copy-unbound")), (4, 0), "{query}");
    }
    let whole = files(&pack(&shop, &intake, "customer=shown").await);
    assert!(whole.keys().any(|n| n.contains(&hex)), "asked for whole, the original is in it");
    let there = shop.ravi.get(&shop.ravi.path(&format!("/files/{hex}"))).send().await.expect(200).body.clone();
    assert_eq!(there, original, "the original stays as it was");

    // A later one replaces; one without boxes takes it back.
    let other = redact(&shop, photo, &boxes(&[[5_000, 5_000, 2_000, 2_000], BOX])).await.expect(200).json();
    assert_ne!(other["renditions"], kept["renditions"]);
    assert!(!files(&pack(&shop, &intake, "customer=withheld").await).contains_key(&copy));
    redact(&shop, photo, &boxes(&[])).await.expect(200);
    assert!(files(&pack(&shop, &intake, "customer=withheld").await).contains_key(&uncovered));
    let none = shop.ravi.get(&shop.ravi.path(&format!("/photos/{photo}/redaction"))).send().await;
    assert_eq!(none.gist(), "404 not-found");

    // An erased photo takes its covered copies with it.
    redact(&shop, photo, &boxes(&[BOX])).await.expect(200);
    let mut ines = Counter::of(shop.ines.clone(), Seeded::new(92)).await;
    ines.say(&mut intake, "photo-erased", json!({"photo": photo, "because": "a face"}), &[]).await.expect("an answer");
    assert!(!renditions.join(&covered[..2]).join(&covered).exists());
    assert_eq!(redact(&shop, photo, &boxes(&[BOX])).await.gist(), "410 erased");
    assert!(shop.server.stop().success(), "{}", shop.server.log());
    let checked = server::check(shop.server.data());
    assert!(checked.sound, "{}", checked.said);
}

#[tokio::test]
async fn boxes_that_are_none_are_refused() {
    let shop = Shop::set_up().await;
    let mut ravi = shop.counter(93).await;
    let mut intake = ravi.intake("0930");
    ravi.open(&mut intake).await.expect("an answer");
    let (photo, _) = ravi.photo(&mut intake, Some("bar-side"), &picture::sharp(93)).await.expect("an answer");
    let many = vec![BOX; 41];
    let bad = [vec![[0, 0, 49, 500]], vec![[9_000, 0, 1_001, 500]], vec![[u32::MAX, 1, u32::MAX, 500]], many];
    for all in bad {
        assert_eq!(redact(&shop, photo, &boxes(&all)).await.gist(), "422 not-valid", "{all:?}");
    }
    redact(&shop, photo, &boxes(&[BOX; 40])).await.expect(200);
    assert_eq!(redact(&shop, Uuid::nil(), &boxes(&[BOX])).await.gist(), "404 not-found");
    let waiting = ravi.name(&mut intake, None, &picture::sharp(94)).await.expect("an answer");
    assert_eq!(redact(&shop, waiting, &boxes(&[BOX])).await.gist(), "409 refused", "its bytes are not here yet");
    let saying = ravi.saying(&intake, "photo-redacted", json!({"photo": photo, "boxes": []}), &[]);
    assert_eq!(ravi.post(&saying).await.expect("an answer").gist(), "422 not-valid", "only the operation says it");
}
