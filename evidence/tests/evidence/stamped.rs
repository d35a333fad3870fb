//! Packs with time stamps, damaged in every way: cases for both checkers.

use std::fs;
use std::path::Path;

use evidence::cosignature::Witness;
use evidence::stamp;
use evidence::verify::Verdict;
use evidence::verify::outside::{proof_file, stamp_path, witnessed_path};

use crate::authority::{Authority, Kind};
use crate::checkers::{Case, case};
use crate::damaged::{Files, block_of, listed};
use crate::made::{Log, sealed};

/// A head of a log, as it was published when the log had this size, and what binds it to the newest.
fn head_and_proof(log: &Log, size: usize) -> (String, Vec<u8>) {
    let mut then = log.clone();
    then.entries.truncate(size);
    let proof = log.consistency(size as u64);
    (then.checkpoint(), proof_file(&proof))
}

/// Puts a stamp into a pack.
fn put(files: &mut Files, size: u64, note: &str, proof: Vec<u8>, answer: Vec<u8>) {
    files.insert(stamp_path(size, "txt"), note.as_bytes().to_vec());
    files.insert(stamp_path(size, "json"), proof);
    files.insert(stamp_path(size, "tsr"), answer);
}

/// The same log, and in another it is told otherwise.
fn forked() -> Log {
    let mut log = Log::new();
    log.entries[1] = crate::tampered::changed(&log.entries[1], b"0417", b"0999");
    log
}

pub fn cases(folder: &Path) -> Vec<Case> {
    use Verdict::{Broken, Claimed, Missing, NotUnderstood, Unchanged};
    let make = |kind| {
        let authority = Authority::new(&folder.join(format!("{kind:?}")), kind);
        let pem = fs::read_to_string(authority.root()).unwrap();
        (authority, pem)
    };
    let ((curve, pem), (rsa, rsa_pem), (expired, expired_pem), (old, _)) =
        (make(Kind::Curve), make(Kind::Rsa), make(Kind::Expired), make(Kind::Sha1));
    let log = Log::new();
    let (note, proof) = head_and_proof(&log, 11);
    let asks = |note: &str| stamp::question(note.as_bytes(), [9; 8]);
    let good = curve.answer(&asks(&note));
    let with = |answer: &[u8]| listed(&log, |f| put(f, 11, &note, proof.clone(), answer.to_vec()));
    let whole = with(&good);
    let mut altered = good.clone();
    *altered.last_mut().unwrap() ^= 1;
    let other = "counterfoil/another\n1\nAAAA\n\n";
    let fork = head_and_proof(&forked(), 11);
    let longer = {
        let mut log = Log::new();
        log.say("left-open", serde_json::json!({"gap": "x", "reason": "y"}), false);
        log
    };
    let (later, back) = (longer.checkpoint(), proof_file(&longer.consistency(13)));
    vec![
        case("a stamp", whole.clone(), &[("stamp 11: ", Unchanged, "stamp")]).roots(&pem),
        case(
            "a stamp over another certificate, of a later head",
            listed(&log, |f| put(f, 14, &later, back, rsa.answer(&asks(&later)))),
            &[("stamp 14: ", Unchanged, "stamp")],
        )
        .roots(&rsa_pem),
        case(
            "a stamp of the very head",
            listed(&log, |f| put(f, 13, &log.checkpoint(), b"[]".to_vec(), curve.answer(&asks(&log.checkpoint())))),
            &[("stamp 13: ", Unchanged, "stamp")],
        )
        .roots(&pem),
        case("a stamp without a root", whole.clone(), &[("stamp 11: ", Claimed, "stamp-claimed")]),
        case("a stamp with another's root", whole.clone(), &[("stamp 11: ", Claimed, "stamp-claimed")]).roots(&rsa_pem),
        case("a stamp of other bytes", with(&curve.answer(&asks("other\n"))), &[("stamp 11", Broken, "stamp-imprint")])
            .roots(&pem),
        case("a stamp that was altered", with(&altered), &[("stamp 11", Broken, "stamp-signature")]).roots(&pem),
        case(
            "a stamp by an expired authority",
            with(&expired.answer(&asks(&note))),
            &[("stamp 11", Broken, "stamp-authority")],
        )
        .roots(&expired_pem),
        case(
            "a stamp signed in an old way",
            with(&old.answer(&asks(&note))),
            &[("stamp 11", NotUnderstood, "stamp-way")],
        )
        .roots(&pem),
        case("no stamp at all", with(b"0"), &[("stamp 11", NotUnderstood, "stamp-form")]).roots(&pem),
        case(
            "a stamp that is too large",
            with(&vec![0x30; stamp::MAX_ANSWER + 1]),
            &[("stamp 11", NotUnderstood, "stamp-form")],
        )
        .roots(&pem),
        case(
            "a stamp with an odd name",
            listed(&log, |f| drop(f.insert("stamps/odd.tsr".into(), good.clone()))),
            &[("stamps/odd.tsr", NotUnderstood, "stamp-form")],
        ),
        case(
            "a stamp alone",
            listed(&log, |f| drop(f.insert(stamp_path(11, "tsr"), good.clone()))),
            &[("stamp 11", Missing, "stamp-missing")],
        ),
        case(
            "a stamp of no head",
            listed(&log, |f| put(f, 11, other, proof.clone(), curve.answer(&asks(other)))),
            &[("stamp 11", Broken, "stamp-other-log")],
        )
        .roots(&pem),
        case(
            "a stamp of another history",
            listed(&log, |f| put(f, 11, &fork.0, fork.1.clone(), curve.answer(&asks(&fork.0)))),
            &[("stamp 11", Broken, "stamp-other-log")],
        )
        .roots(&pem),
        case(
            "a stamp of another size",
            listed(&log, |f| put(f, 12, &note, proof.clone(), good.clone())),
            &[("stamp 12", Broken, "stamp-other-log")],
        )
        .roots(&pem),
        case(
            "too many stamps",
            listed(&log, |f| (0..300).for_each(|n| drop(f.insert(stamp_path(n, "tsr"), b"0".to_vec())))),
            &[("stamps", NotUnderstood, "record-too-large")],
        ),
    ]
}

/// Packs and receipts with witnessed heads.
pub fn witnessed() -> Vec<Case> {
    use Verdict::{Broken, Claimed, Missing, NotUnderstood, Unchanged};
    let log = Log::new();
    let witness = Witness::new("witness.example/w1", [8; 32]).unwrap();
    let (key, other) = (witness.verifier().to_string(), Witness::new("witness.example/w1", [9; 32]).unwrap());
    let (note, proof) = head_and_proof(&log, 11);
    let text = note.split("\n\n").next().unwrap().to_owned() + "\n";
    let signed = |w: &Witness| note.clone() + &w.cosign(&text, 1_795_612_931);
    let with = |note: String, proof: Option<&[u8]>| {
        listed(&log, |f| {
            f.insert(witnessed_path(11, "txt"), note.clone().into_bytes());
            proof.into_iter().for_each(|p| drop(f.insert(witnessed_path(11, "json"), p.to_vec())));
        })
    };
    let good = signed(&witness);
    let said = "witnessed 11: 2026-11-25T13:22:11Z, witness.example/w1";
    let wrong = note.clone() + &witness.cosign(&text.replace("\n11\n", "\n12\n"), 1_795_612_931);
    let fork = head_and_proof(&forked(), 11);
    let forged = fork.0.clone() + &witness.cosign(&(fork.0.split("\n\n").next().unwrap().to_owned() + "\n"), 5);
    let in_receipt = |keys: &[&str], finds: &[(&'static str, Verdict, &'static str)]| {
        let hashes: serde_json::Value = serde_json::from_slice(&proof).unwrap();
        let mut block = block_of(&log.receipt(13));
        block["witnessed"] = serde_json::json!([{"checkpoint": good, "hashes": hashes}]);
        let made = case("a witnessed receipt", sealed("<p>", &block, &log.key()), finds);
        keys.iter().fold(made, |c, k| c.key((*k).to_owned()))
    };
    let own = log.key().verifier().to_string();
    vec![
        case("witnessed", with(good.clone(), Some(&proof)), &[(said, Unchanged, "witness")]).key(key.clone()),
        case(
            "witnessed, the log's key given too",
            with(good.clone(), Some(&proof)),
            &[(said, Unchanged, "witness"), ("key", Unchanged, "key")],
        )
        .key(key.clone())
        .key(own.clone()),
        case("witnessed by nobody known", with(good.clone(), Some(&proof)), &[(said, Claimed, "witness-claimed")]),
        case(
            "witnessed by another key of that name",
            with(signed(&other), Some(&proof)),
            &[(said, Claimed, "witness-claimed")],
        )
        .key(key.clone()),
        case("witnessed wrongly", with(wrong, Some(&proof)), &[("witnessed 11", Broken, "witness-signature")])
            .key(key.clone()),
        case("witnessed without a proof", with(good.clone(), None), &[("witnessed 11", Missing, "witness-missing")])
            .key(key.clone()),
        case(
            "witnessed and no witness",
            with(note.clone(), Some(&proof)),
            &[("witnessed 11", NotUnderstood, "witness-form")],
        )
        .key(key.clone()),
        case(
            "witnessed nonsense",
            with("nonsense\r\n12\r\n".into(), Some(&proof)),
            &[("witnessed", NotUnderstood, "witness-form")],
        ),
        case(
            "another history witnessed",
            with(forged, Some(&fork.1)),
            &[("witnessed 11", Broken, "witness-other-log")],
        )
        .key(key.clone()),
        in_receipt(&[&key], &[(said, Unchanged, "witness")]),
        in_receipt(&[&own], &[(said, Claimed, "witness-claimed")]),
    ]
}

/// Every answer that is changed in one place gives the same items in both; the cases for that.
pub fn flipped(folder: &Path) -> Vec<Case> {
    let authority = Authority::new(&folder.join("flipped"), Kind::Curve);
    let pem = fs::read_to_string(authority.root()).unwrap();
    let log = Log::new();
    let (note, proof) = head_and_proof(&log, 11);
    let good = authority.answer(&stamp::question(note.as_bytes(), [9; 8]));
    let one = |at: usize| {
        let mut bad = good.clone();
        bad[at] ^= 1 << (at % 8);
        case("a bit of a stamp", listed(&log, |f| put(f, 11, &note, proof.clone(), bad)), &[]).roots(&pem)
    };
    (0..good.len()).step_by(5).map(one).collect()
}
