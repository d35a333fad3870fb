//! Damaged receipts and packs against both checkers, the program and the page's: the same items, and for every check a file
//! that only this check finds.

use std::collections::{BTreeMap, BTreeSet};

use base64::Engine;
use base64::engine::general_purpose::STANDARD as BASE64;
use evidence::canon;
use evidence::digest::Digest;
use evidence::verify::{self, Verdict};
use serde_json::{Value, json};

use crate::checkers::{Case, by_page, by_program, case};
use crate::made::{COPY, INTAKE, Log, ORIGINALS, SHOP, archive, entry, photo, sealed, text};
use crate::stamp::Folder;
use crate::tampered::{central_changed, changed, changed_end, compressed, renamed};
use crate::{rotated, stamped};

pub type Files = BTreeMap<String, Vec<u8>>;

/// The pack of a log whose files were changed before they were listed: whoever holds the key lists what they like.
pub fn listed(log: &Log, change: impl FnOnce(&mut Files)) -> Vec<u8> {
    let mut files = log.files();
    change(&mut files);
    log.pack(files)
}

/// The pack of a log whose files were changed after they were listed.
fn unlisted(log: &Log, change: impl FnOnce(&mut Files)) -> Vec<u8> {
    let files = log.files();
    let manifest = log.manifest(&files);
    let mut files = log.listed(files, &manifest);
    change(&mut files);
    archive(&files)
}

/// The pack with another list, signed.
fn relisted(log: &Log, change: impl FnOnce(&mut Value)) -> Vec<u8> {
    let files = log.files();
    let mut manifest = log.manifest(&files);
    change(&mut manifest);
    archive(&log.listed(files, &manifest))
}

/// The log with one entry that is another, and everything signed over it.
fn retold(index: usize, bytes: Vec<u8>) -> Vec<u8> {
    let mut log = Log::new();
    log.entries[index] = bytes;
    listed(&log, |_| {})
}

const FIRST: &str = "entries/00000001.json";

fn packs() -> Vec<Case> {
    use Verdict::{Broken, Claimed, Erased, Missing, NotUnderstood, Unchanged, Withheld};
    let log = Log::new();
    let whole = listed(&log, |_| {});
    let own = log.key().verifier().to_string();
    let other = Log::new().with_key([8; 32]);
    let original = format!("originals/{}.jpg", Digest::of(ORIGINALS[0]).hex());
    let mut all = vec![
        case("whole", whole.clone(), &[
            ("archive", Unchanged, "archive"), ("key", Claimed, "key-claimed"), ("checkpoint.txt", Unchanged, "checkpoint"),
            ("manifest.json", Unchanged, "manifest"), ("sheet.json", Unchanged, "sheet"), ("entry 1", Unchanged, "entry"),
            ("details of entry 2", Unchanged, "details"), ("details of entry 3", Withheld, "details-withheld"),
            (FIRST, Unchanged, "file"),
        ]),
        case("key given", whole.clone(), &[("key", Unchanged, "key")]).key(own.clone()),
        case("forged key", listed(&other, |_| {}), &[("key", Broken, "key-other")]).key(own),
        case("no key", listed(&log, |f| drop(f.insert("keys.txt".into(), b"none\n".to_vec()))), &[("key", NotUnderstood, "key-unread")]),
        case("cut off", &whole[..whole.len() - 5], &[("archive", Broken, "archive-end")]),
        case("something hung on", [&whole[..], b"PK"].concat(), &[("archive", Broken, "archive-end")]),
        case("something before", [&b"PK"[..], &whole].concat(), &[("archive", Broken, "archive-directory")]),
        case("a comment", [&whole[..whole.len() - 2], &[4, 0], b"note"].concat(), &[("archive", Broken, "archive-end")]),
        case("another count", changed_end(&whole, 10), &[("archive", Broken, "archive-directory")]),
        case("wrong central directory", central_changed(&whole), &[("archive", Broken, "archive-directory")]),
        case("a local header that differs", changed(&whole, b"PK\x03\x04\x0a\0", b"PK\x03\x04\x0b\0"), &[("archive", Broken, "archive-directory")]),
        case("a bomb", compressed(&whole), &[("archive", Broken, "archive-packed")]),
        case("path tricks", renamed(&whole, b"keys.txt", b"../x.txt"), &[("archive", Broken, "archive-path")]),
        case("duplicate names", renamed(&whole, b"entries/00000002.json", b"entries/00000001.json"), &[("archive", Broken, "archive-twice")]),
        case("checkpoint changed", unlisted(&log, |f| drop(f.insert("checkpoint.txt".into(), changed(log.checkpoint().as_bytes(), b"\n13\n", b"\n14\n")))), &[("checkpoint.txt", Broken, "checkpoint-signature")]),
        case("no list", unlisted(&log, |f| drop(f.remove("manifest.json"))), &[("manifest.json", Missing, "manifest-missing")]),
        case("list changed", unlisted(&log, |f| drop(f.insert("manifest.json".into(), canon::to_bytes(&log.manifest(&Files::new())).unwrap()))), &[("manifest.json", Broken, "manifest-signature")]),
        case("a list of the future", relisted(&log, |m| m["v"] = json!(2)), &[("manifest.json", NotUnderstood, "manifest-form")]),
        case("another shop's list", relisted(&log, |m| m["shop"] = json!(INTAKE)), &[("manifest.json", Broken, "manifest-other-shop")]),
        case("a bit flipped", unlisted(&log, |f| f.get_mut(FIRST).unwrap()[40] ^= 1), &[(FIRST, Broken, "file-changed")]),
        case("removed entry", unlisted(&log, |f| drop(f.remove(FIRST))), &[(FIRST, Missing, "file-missing")]),
        case("extra file", unlisted(&log, |f| drop(f.insert("more.txt".into(), b"more".to_vec()))), &[("more.txt", Broken, "file-extra")]),
        case("an entry told otherwise", listed(&log, |f| drop(f.insert(FIRST.into(), changed(&log.entries[1], b"0417", b"0418")))), &[("entry 1", Broken, "entry-not-in-log")]),
        case("reordered entries", listed(&log, |f| {
            let first = f[FIRST].clone();
            let second = f.insert("entries/00000002.json".into(), first).unwrap();
            f.insert(FIRST.into(), second);
        }), &[("entry 1", Broken, "entry-not-in-log"), ("entry 2", Broken, "entry-not-in-log")]),
        case("doubled entry", listed(&log, |f| {
            f.insert("entries/00000099.json".into(), f[FIRST].clone());
            f.insert("proofs/00000099.tlog-proof".into(), f["proofs/00000001.tlog-proof"].clone());
        }), &[("entry 99", Broken, "proof-other")]),
        case("no proof", listed(&log, |f| drop(f.remove("proofs/00000001.tlog-proof"))), &[("entry 1", Missing, "proof-missing")]),
        case("a proof for another head", {
            let mut longer = Log::new();
            longer.say("left-open", json!({"gap": "x", "reason": "y"}), false);
            listed(&log, |f| drop(f.insert("proofs/00000001.tlog-proof".into(), longer.proof(1).into_bytes())))
        }, &[("entry 1", Broken, "proof-other")]),
        case("an entry's odd name", listed(&log, |f| drop(f.insert("entries/1.json".into(), b"{}".to_vec()))), &[("entries/1.json", NotUnderstood, "entry-name")]),
        case("no entry in the log", retold(5, b"{\"v\":1}".to_vec()), &[("entry 5", NotUnderstood, "entry-form")]),
        case("another shop's entry", retold(5, {
            let mut e = entry(5, "photo-taken", json!({}), false);
            e.said.shop = INTAKE.parse().unwrap();
            e.bytes().unwrap()
        }), &[("entry 5", Broken, "entry-other-shop")]),
        case("a clock set back", retold(5, {
            let mut e = entry(5, "photo-taken", json!({}), false);
            e.kept.at -= 5000;
            e.bytes().unwrap()
        }), &[("entry 5", Broken, "entry-time")]),
        case("an entry of the future", retold(5, {
            let mut e = entry(5, "photo-taken", json!({}), false);
            e.said.v = 2;
            e.bytes().unwrap()
        }), &[("entry 5", NotUnderstood, "entry-version")]),
        case("details changed", listed(&log, |f| drop(f.insert("details/00000002.txt".into(), (text("name", "M. Other") + "\n").into_bytes()))), &[("details of entry 2", Broken, "details-changed")]),
        case("no sheet", listed(&log, |f| drop(f.remove("sheet.json"))), &[("sheet.json", Missing, "sheet-missing")]),
        case("another sheet", listed(&log, |f| drop(f.insert("sheet.json".into(), changed(&log.sheet, b"\"en\"", b"\"de\"")))), &[("sheet.json", Broken, "sheet-changed")]),
        case("a sheet of the future", {
            let mut future = Log::new();
            future.sheet = b"{\"v\":2}".to_vec();
            future.entries[9] = entry(9, "acknowledged", json!({"how": "signed", "sheet": Digest::of(&future.sheet)}), false).bytes().unwrap();
            listed(&future, |_| {})
        }, &[("sheet.json", NotUnderstood, "sheet-form")]),
        case("an original missing", listed(&log, |f| drop(f.remove(&original))), &[("photo 0", Missing, "photo-missing")]),
        case("swapped photo", listed(&log, |f| drop(f.insert(original.clone(), ORIGINALS[2].to_vec()))), &[("photo 0", Missing, "photo-missing")]),
        case("another photo's bytes", listed(&log, |f| drop(f.insert("originals/odd.jpg".into(), b"odd".to_vec()))), &[("originals/odd.jpg", Broken, "original-unnamed")]),
        case("a copy of nothing", listed(&log, |f| drop(f.insert("copies/odd.jpg".into(), b"odd".to_vec()))), &[("copies/odd.jpg", Broken, "copy-unbound")]),
        case("a copy that staff bound", retold(8, entry(8, "photo-judged", json!({"photo": photo(1), "file": Digest::of(ORIGINALS[1]), "renditions": [{"file": Digest::of(COPY)}]}), false).bytes().unwrap()), &[("photo 1", Missing, "photo-missing")]),
        case("withheld without a copy", listed(&log, |f| f.retain(|p, _| !p.starts_with("copies/"))), &[("photo 1", Missing, "photo-missing")]),
        case("not withheld and not there", relisted(&log, |m| m["withheld"] = json!([])), &[("photo 1", Missing, "photo-missing")]),
        case("photos", whole.clone(), &[("photo 0", Unchanged, "photo"), ("photo 1", Withheld, "photo-withheld"), ("photo 2", Erased, "photo-erased"), ("photo 3", Withheld, "photo-moved")]),
        case("a part", {
            let mut files = log.files();
            files.retain(|p, _| !p.contains("00000004"));
            let mut manifest = log.manifest(&files);
            manifest["scope"] = json!("view");
            archive(&log.listed(files, &manifest))
        }, &[("sheet part", Withheld, "sheet-part")]),
        case("entries left out by whoever lists", listed(&log, |f| f.retain(|p, _| !p.contains("00000004"))), &[("sheet entry", Missing, "sheet-entry"), ("sheet photo", Missing, "sheet-photo")]),
        case("a customer erased", erased(3, INTAKE), &[
            ("details of entry 2", Erased, "details-erased"), ("details of entry 3", Erased, "details-erased"),
            ("photo 0", Erased, "photo-erased"), ("entry 13", Unchanged, "entry"),
        ]),
        case("an erasure that reaches less far", erased(2, INTAKE), &[
            ("details of entry 2", Erased, "details-erased"), ("details of entry 3", Withheld, "details-withheld"),
        ]),
        case("an erasure of another intake", erased(3, "0199c0de-0000-7000-8000-000000000003"), &[
            ("details of entry 2", Withheld, "details-withheld"),
        ]),
        case("too much", listed(&log, |f| {
            for n in 0..3 {
                f.insert(format!("details/large-{n}"), vec![b'x'; 45 << 20]);
            }
        }), &[("entries", NotUnderstood, "record-too-large")]),
    ];
    for (name, earlier, finds) in earlier_ones(&log) {
        all.push(case(name, whole.clone(), &[("earlier receipt", finds.0, finds.1)]).earlier(earlier));
    }
    all.extend(other_epochs(&log));
    all
}

/// The pack of a log in which a customer was erased up to an entry, with one photo; nothing of either is in it.
fn erased(upto: u64, intake: &str) -> Vec<u8> {
    let mut log = Log::new();
    let body = json!({"erasure": SHOP, "why": "customer asked", "upto": upto, "details": [], "photos": [photo(0)], "files": []});
    let mut entry = entry(log.entries.len() as u64, "customer-erased", body, false);
    entry.said.intake = Some(crate::made::id(intake));
    log.entries.push(entry.bytes().unwrap());
    log.details.clear();
    listed(&log, |f| f.retain(|p, _| !p.starts_with("originals/")))
}

/// Earlier receipts against the whole pack.
fn earlier_ones(log: &Log) -> Vec<(&'static str, String, (Verdict, &'static str))> {
    let mut retold = Log::new();
    retold.entries[1] = changed(&retold.entries[1], b"0417", b"0999");
    // Nothing the receipt carries differs; what lies beside it does.
    let beside = {
        let mut log = Log::new();
        log.entries[3] = changed(&log.entries[3], b"complaint", b"complainT");
        let receipt = log.receipt(12);
        let block = block_of(&receipt);
        let mut fewer = block.clone();
        fewer["entries"] =
            Value::Array(block["entries"].as_array().unwrap().iter().filter(|e| e["index"] != 3).cloned().collect());
        sealed("<p>", &fewer, &log.key())
    };
    let mut longer = log.clone();
    longer.say("left-open", json!({"gap": "x", "reason": "y"}), false);
    let no_proof = {
        let receipt = longer.receipt(14);
        let mut block = block_of(&receipt);
        block["continues"] = json!([]);
        sealed("<p>", &block, &longer.key())
    };
    vec![
        ("goes on", log.receipt(12), (Verdict::Unchanged, "earlier")),
        ("the same", log.receipt(13), (Verdict::Unchanged, "earlier")),
        ("the later one given as the earlier", longer.receipt(14), (Verdict::Unchanged, "earlier")),
        ("without a proof", no_proof, (Verdict::Missing, "earlier-no-proof")),
        ("history written anew", retold.receipt(12), (Verdict::Broken, "rewritten")),
        ("history written anew beside it", beside, (Verdict::Broken, "rewritten")),
        ("another log", Log::new().with_key([9; 32]).receipt(12), (Verdict::Broken, "earlier-other-log")),
        ("no receipt", "<p>nothing</p>".to_owned(), (Verdict::Broken, "earlier-broken")),
        (
            "a receipt that was changed",
            log.receipt(12).replace("<p>Receipt", "<p>receipt"),
            (Verdict::Broken, "earlier-broken"),
        ),
    ]
}

/// A new epoch after an older state was restored.
fn other_epochs(log: &Log) -> Vec<Case> {
    let mut restored = log.clone();
    restored.epoch = 2;
    let begins = restored.say("epoch-opened", json!({"epoch": 2, "because": "the disk broke"}), true);
    let with = listed(&restored, |_| {});
    let without =
        listed(&restored, |f| f.retain(|p, _| !p.contains(&format!("{begins:08}")) && !p.contains("00000000")));
    let mut lost = log.clone();
    lost.say("left-open", json!({"gap": "x", "reason": "lost"}), false);
    lost.say("left-open", json!({"gap": "y", "reason": "lost"}), false);
    let found = |code, verdict| [("earlier receipt", verdict, code)];
    vec![
        case("epochs crossed", with.clone(), &found("earlier-crossed", Verdict::Unchanged)).earlier(log.receipt(13)),
        case("entries lost", with, &found("earlier-lost", Verdict::Missing)).earlier(lost.receipt(15)),
        case("an epoch that is not told", without, &found("earlier-epoch", Verdict::Missing)).earlier(lost.receipt(14)),
    ]
}

pub fn block_of(receipt: &str) -> Value {
    let from = receipt.find(verify::receipt::BLOCK.0).unwrap() + verify::receipt::BLOCK.0.len();
    serde_json::from_str(&receipt[from..from + receipt[from..].find("</script>").unwrap()]).unwrap()
}

fn receipts() -> Vec<Case> {
    use Verdict::{Broken, Claimed, NotUnderstood, Unchanged};
    let log = Log::new();
    let whole = log.receipt(13);
    let with = |change: &dyn Fn(&mut Value)| {
        let mut block = block_of(&whole);
        change(&mut block);
        sealed("<p>", &block, &log.key())
    };
    let picture = |bytes: &[u8]| format!("<p><img src=\"data:image/jpeg;base64,{}\">", BASE64.encode(bytes));
    vec![
        case(
            "whole receipt",
            whole.clone(),
            &[("page", Unchanged, "page"), ("picture 1", Unchanged, "copy"), ("entry 1", Unchanged, "entry")],
        ),
        case("a page changed", whole.replace("Receipt", "receipt"), &[("page", Broken, "page-changed")]),
        case(
            "a page whose seal was taken off",
            whole.replace("counterfoil-seal", "was-a-seal"),
            &[("page", Broken, "page-changed")],
        ),
        case("a page of before there were seals", with(&|b| b["v"] = json!(1)), &[("page", Claimed, "page-unsealed")]),
        case(
            "another picture",
            sealed(&picture(b"other"), &block_of(&whole), &log.key()),
            &[("picture 1", Broken, "copy-unbound")],
        ),
        case("no receipt at all", "<p>Receipt</p>", &[("receipt", NotUnderstood, "receipt-unread")]),
        case(
            "doubled entry in a receipt",
            with(&|b| b["entries"][2] = b["entries"][1].clone()),
            &[("receipt", NotUnderstood, "receipt-unread")],
        ),
        case(
            "an entry told otherwise in a receipt",
            with(&|b| {
                b["entries"][1]["entry"] = json!(b["entries"][1]["entry"].as_str().unwrap().replace("0417", "0418"))
            }),
            &[("entry 1", Broken, "entry-not-in-log")],
        ),
        case(
            "another head",
            with(&|b| b["checkpoint"] = json!(b["checkpoint"].as_str().unwrap().replace("\n13\n", "\n14\n"))),
            &[("checkpoint", Broken, "checkpoint-signature")],
        ),
        case("an earlier one beside a receipt", whole.clone(), &[("earlier receipt", Unchanged, "earlier")])
            .earlier(log.receipt(12)),
    ]
}

/// `photo 0`, `sheet entry` and `key stranger` stand for what only the log knows.
fn expected(of: &str, code: &str, lines: &[String]) -> bool {
    let numbered = of.strip_prefix("photo ").map(|n| format!("photo {}", photo(n.parse().unwrap())));
    lines.iter().any(|l| {
        let mut parts = l.split('\t');
        let (what, _, found) = (parts.next().unwrap(), parts.next(), parts.next().unwrap());
        found == code
            && ((of.starts_with("stamp ") || of.starts_with("witnessed ")) && what.starts_with(of)
                || what == numbered.as_deref().unwrap_or(of)
                || of == "key stranger" && what.starts_with("key ") && what.len() == 12
                || of.starts_with("sheet ") && what.starts_with("sha256:"))
    })
}

#[test]
fn both_checkers_find_the_same_and_every_check_finds_something() {
    let folder = Folder::new("damaged");
    let cases: Vec<Case> = packs()
        .into_iter()
        .chain(receipts())
        .chain(stamped::cases(&folder.0))
        .chain(stamped::witnessed())
        .chain(rotated::cases(&folder.0))
        .collect();
    let page = by_page(&folder.0, &cases);
    assert_eq!(page.len(), cases.len());
    let (mut found, mut faults) = (BTreeSet::new(), Vec::new());
    for (case, (worst, lines)) in cases.iter().zip(&page) {
        let (verdict, program) = by_program(case);
        if &program != lines || &verdict.to_string() != worst {
            let differ: Vec<_> = program.iter().zip(lines).filter(|(a, b)| a != b).take(3).collect();
            faults.push(format!(
                "{}: the two differ: {differ:?}, {} and {} items, {verdict} and {worst}",
                case.name,
                program.len(),
                lines.len()
            ));
        }
        for (of, verdict, code) in &case.finds {
            if !expected(of, code, &program) || !program.iter().any(|l| l.ends_with(&format!("\t{verdict}\t{code}"))) {
                let bad: Vec<_> = program.iter().filter(|l| !l.contains("\tunchanged\t")).collect();
                faults.push(format!("{}: {of} {verdict} {code} is not found in {bad:?}", case.name));
            }
        }
        found.extend(program.iter().map(|l| l.rsplit('\t').next().unwrap().to_owned()));
    }
    assert!(faults.is_empty(), "{}", faults.join("\n"));
    // A check that is taken away finds nothing any more. What only a failing disk shows is left to it.
    let words: Value = serde_json::from_str(include_str!("../../../schema/words/en.json")).unwrap();
    let known: BTreeSet<String> =
        words.as_object().unwrap().keys().filter_map(|k| k.strip_prefix("verify.code.")).map(str::to_owned).collect();
    let unseen: Vec<_> = known.difference(&found).filter(|c| *c != "archive-unread").collect();
    assert!(unseen.is_empty(), "no file shows {unseen:?}");
    assert!(found.is_subset(&known), "no words for {:?}", found.difference(&known));
}

#[test]
fn both_checkers_find_the_same_of_a_stamp_changed_anywhere() {
    let folder = Folder::new("flipped");
    let cases = stamped::flipped(&folder.0);
    for (i, (case, (worst, lines))) in cases.iter().zip(&by_page(&folder.0, &cases)).enumerate() {
        let (verdict, program) = by_program(case);
        assert!(&program == lines && &verdict.to_string() == worst, "case {i}: {program:?} {lines:?}");
    }
}

#[test]
fn any_flipped_bit_of_a_pack_or_receipt_is_found() {
    let log = Log::new();
    for (whole, step) in [(listed(&log, |_| {}), 97), (log.receipt(13).into_bytes(), 61)] {
        let good = by_program(&case("", whole.clone(), &[])).1;
        for at in (0..whole.len()).step_by(step) {
            let mut bytes = whole.clone();
            bytes[at] ^= 1 << (at % 8);
            let (worst, lines) = by_program(&case("", bytes, &[]));
            assert!(lines != good, "a bit flipped at {at} is not found");
            assert!(worst > Verdict::Erased, "a bit flipped at {at}: {worst}");
        }
    }
}

#[test]
fn a_pack_names_the_shop_of_its_log() {
    assert_eq!(Log::new().key().name(), format!("counterfoil/{SHOP}/1"));
}
