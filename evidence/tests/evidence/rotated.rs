//! Packs and receipts of a log whose key was changed, and what somebody might make of that: cases for both checkers.

use std::fs;
use std::path::Path;

use evidence::cosignature::Witness;
use evidence::entry::Entry;
use evidence::rotation::{Fault, Keys};
use evidence::stamp;
use evidence::verify::Verdict;
use evidence::verify::outside::{proof_file, stamp_path, witnessed_path};
use serde_json::{Value, json};

use crate::authority::{Authority, Kind};
use crate::checkers::{Case, case};
use crate::damaged::listed;
use crate::made::Log;

/// The keys one after the other.
const FIRST: [u8; 32] = [7; 32];
const SECOND: [u8; 32] = [17; 32];
const THIRD: [u8; 32] = [27; 32];
/// Of somebody who has nothing to do with it.
const STRANGER: [u8; 32] = [99; 32];
/// The index of the entry that changes the key.
const AT: u64 = 13;

/// A log whose key was changed; both sign.
fn both() -> Log {
    let mut log = Log::new();
    log.rotate(SECOND);
    log.say("left-open", json!({"gap": "x", "reason": "y"}), false);
    log
}

/// The same after the old key was let go.
fn alone() -> Log {
    let mut log = both();
    log.retire();
    log.say("left-open", json!({"gap": "z", "reason": "y"}), false);
    log
}

/// A pack without one entry and its proof: its maker left both out.
fn without(log: &Log, index: u64) -> Vec<u8> {
    listed(log, |f| f.retain(|p, _| !p.contains(&format!("{index:08}"))))
}

/// A log that one entry more is said in, signed by these.
fn saying(mut log: Log, kind: &str, body: Value, server: bool) -> Vec<u8> {
    log.say_of_shop(kind, body, server);
    listed(&log, |_| {})
}

/// What both checkers have to find.
pub fn cases(folder: &Path) -> Vec<Case> {
    let mut all = followed();
    all.extend(forged());
    all.extend(overlaps());
    all.extend(earlier());
    all.extend(seen_before(folder));
    all
}

fn key(log: &Log, seed: [u8; 32]) -> String {
    log.key_of(seed).verifier().to_string()
}

fn followed() -> Vec<Case> {
    use Verdict::{Broken, Claimed, Unchanged};
    let (log, over) = (both(), alone());
    let twice = {
        let mut log = alone();
        log.rotate(THIRD);
        log.retire();
        log
    };
    let change = "key of the log at entry 13";
    vec![
        case(
            "both keys sign, the old one is given",
            listed(&log, |_| {}),
            &[("key", Unchanged, "key"), (change, Unchanged, "rotation")],
        )
        .key(key(&log, FIRST)),
        case("both keys sign, the new one is given", listed(&log, |_| {}), &[("key", Unchanged, "key")])
            .key(key(&log, SECOND)),
        case("both keys sign, none is given", listed(&log, |_| {}), &[("key", Claimed, "key-claimed")]),
        case(
            "the new key signs, the old one is given",
            listed(&over, |_| {}),
            &[
                ("key", Unchanged, "key-followed"),
                (change, Unchanged, "rotation"),
                ("key of the log at entry 15", Unchanged, "rotation-ended"),
                ("manifest.json", Unchanged, "manifest"),
            ],
        )
        .key(key(&over, FIRST)),
        case("the new key signs, and is given", listed(&over, |_| {}), &[("key", Unchanged, "key")])
            .key(key(&over, SECOND)),
        case("two changes, the first key is given", listed(&twice, |_| {}), &[("key", Unchanged, "key-followed")])
            .key(key(&twice, FIRST)),
        case(
            "a receipt by the new key, the old one is given",
            over.receipt(17),
            &[("key", Unchanged, "key-followed"), ("page", Unchanged, "page")],
        )
        .key(key(&over, FIRST)),
        case("a receipt of when both signed", log.receipt(15), &[("key", Unchanged, "key")]).key(key(&log, SECOND)),
        case("a stranger's key is given", listed(&over, |_| {}), &[("key", Broken, "key-other")])
            .key(key(&over, STRANGER)),
        // What the new key may say of the old one is nothing: it did not exist yet.
        case("a receipt of before, the new key is given", Log::new().receipt(13), &[("key", Broken, "key-other")])
            .key(key(&over, SECOND)),
    ]
}

fn forged() -> Vec<Case> {
    use Verdict::{Broken, NotUnderstood};
    let (log, over) = (both(), alone());
    let change = |from, to| over.change(from, to);
    let with = |mut body: Value, member: &str, value: Value| {
        body[member] = value;
        body
    };
    let by_stranger = {
        let mut log = Log::new();
        let mut body = log.change(STRANGER, SECOND);
        body["old"] = json!(key(&log, FIRST));
        log.say_of_shop("key-rotated", body, true);
        log.before.push(FIRST);
        log.with_key(SECOND)
    };
    let not_held = {
        let mut log = Log::new();
        let mut body = log.change(FIRST, STRANGER);
        body["note"] = json!(
            evidence::note::sign(&format!("counterfoil next log key\n{}\n", key(&log, STRANGER)), &[&log.key()])
                .unwrap()
        );
        log.say_of_shop("key-rotated", body, true);
        log
    };
    let of_another = "counterfoil/0199c0de-0000-7000-8000-000000000009/1";
    let elsewhere = {
        let (a, b) =
            (evidence::note::SignerKey::new(of_another, SECOND), evidence::note::SignerKey::new(of_another, THIRD));
        json!({"old": a.verifier().to_string(), "new": b.verifier().to_string(), "note": evidence::rotation::announce(&a, &b).unwrap()})
    };
    let (signature, theirs, form) = ("rotation-signature", "rotation-key", "rotation-form");
    let end = "key of the log at entry 17";
    vec![
        case(
            "a forged change of key",
            listed(&by_stranger, |_| {}),
            &[("key of the log at entry 13", Broken, signature), ("key", Broken, "key-unannounced")],
        )
        .key(key(&by_stranger, FIRST)),
        case(
            "a key announced that nobody held",
            listed(&not_held, |_| {}),
            &[("key of the log at entry 13", Broken, signature)],
        ),
        case(
            "a key that is not announced",
            {
                let mut log = Log::new();
                log.before.push(FIRST);
                listed(&log.with_key(SECOND), |_| {})
            },
            &[("key", Broken, "key-unannounced")],
        )
        .key(key(&log, FIRST)),
        case(
            "a key beside that is not announced",
            listed(&Log::new(), |f| {
                let both = format!("{}\n{}\n", key(&log, FIRST), key(&log, STRANGER));
                f.insert("keys.txt".into(), both.into_bytes());
            }),
            &[("key", Verdict::Unchanged, "key"), ("key stranger", Broken, "key-unannounced")],
        )
        .key(key(&log, FIRST)),
        case(
            "the change is left out",
            without(&over, AT),
            &[("key", Broken, "key-unannounced"), ("key of the log at entry 15", Broken, theirs)],
        )
        .key(key(&over, FIRST)),
        case(
            "the change is left out while both sign",
            without(&log, AT),
            &[("key stranger", Broken, "key-unannounced")],
        )
        .key(key(&log, FIRST)),
        case(
            "the old key announces another one later",
            saying(alone(), "key-rotated", change(FIRST, STRANGER), true),
            &[(end, Broken, theirs)],
        ),
        case(
            "the old key is to come back",
            saying(alone(), "key-rotated", change(SECOND, FIRST), true),
            &[(end, Broken, theirs)],
        ),
        case(
            "a key announces itself",
            saying(alone(), "key-rotated", change(SECOND, SECOND), true),
            &[(end, Broken, theirs)],
        ),
        case(
            "a key announces itself first of all",
            saying(Log::new(), "key-rotated", change(FIRST, FIRST), true),
            &[("key of the log at entry 13", Broken, theirs)],
        ),
        case(
            "a key let go twice",
            saying(alone(), "key-retired", json!({"old": key(&over, FIRST)}), true),
            &[(end, Broken, theirs)],
        ),
        case(
            "another key let go",
            saying(both(), "key-retired", json!({"old": key(&over, SECOND)}), true),
            &[("key of the log at entry 15", Broken, theirs)],
        ),
        case(
            "staff change the key",
            saying(alone(), "key-rotated", change(SECOND, THIRD), false),
            &[(end, NotUnderstood, form)],
        ),
        case(
            "staff let a key go",
            saying(both(), "key-retired", json!({"old": key(&over, FIRST)}), false),
            &[("key of the log at entry 15", NotUnderstood, form)],
        ),
        case(
            "a change without a note",
            saying(alone(), "key-rotated", with(change(SECOND, THIRD), "note", json!(1)), true),
            &[(end, NotUnderstood, form)],
        ),
        case(
            "a change to no key",
            saying(alone(), "key-rotated", with(change(SECOND, THIRD), "new", json!("none")), true),
            &[(end, NotUnderstood, form)],
        ),
        case(
            "another log's change of key",
            saying(alone(), "key-rotated", elsewhere, true),
            &[(end, NotUnderstood, form)],
        ),
        case(
            "no key let go",
            saying(both(), "key-retired", json!({}), true),
            &[("key of the log at entry 15", NotUnderstood, form)],
        ),
    ]
}

fn overlaps() -> Vec<Case> {
    use Verdict::{Broken, Unchanged};
    let head = ("checkpoint.txt", Broken, "checkpoint-keys");
    let too_early = {
        let mut log = both();
        log.beside = None;
        log
    };
    let old_alone = {
        let mut log = both();
        log.beside = None;
        log.before = vec![SECOND];
        log.with_key(FIRST)
    };
    let too_long = {
        let mut log = alone();
        log.beside = Some(FIRST);
        log
    };
    let stolen = {
        let mut log = alone();
        log.before = vec![SECOND];
        log.with_key(FIRST)
    };
    let receipt = {
        let mut log = both();
        log.beside = None;
        log.receipt(15)
    };
    vec![
        case("the old key signs no more too early", listed(&too_early, |_| {}), &[head]).key(key(&too_early, SECOND)),
        case("only the old key signs", listed(&old_alone, |_| {}), &[("key", Unchanged, "key"), head])
            .key(key(&old_alone, FIRST)),
        case("the old key signs for too long", listed(&too_long, |_| {}), &[head]).key(key(&too_long, SECOND)),
        case(
            "the old key signs alone after it was let go",
            listed(&stolen, |_| {}),
            &[("key", Unchanged, "key"), head],
        )
        .key(key(&stolen, FIRST)),
        case("the end of the overlap is left out", without(&alone(), 15), &[head]).key(key(&stolen, SECOND)),
        case("the old key signs no more too early in a receipt", receipt, &[("checkpoint", Broken, "checkpoint-keys")]),
    ]
}

/// Earlier receipts across a change of key.
fn earlier() -> Vec<Case> {
    use Verdict::{Broken, Missing, Unchanged};
    let (log, over) = (both(), alone());
    let restored = {
        let mut log = Log::new();
        log.epoch = 2;
        let body = json!({"epoch": 2, "because": "the disk broke"});
        log.say_of_shop("epoch-opened", body, true);
        log
    };
    let found = |verdict, code| [("earlier receipt", verdict, code)];
    vec![
        case("a receipt of before the change", listed(&over, |_| {}), &found(Unchanged, "earlier"))
            .earlier(Log::new().receipt(12))
            .key(key(&over, SECOND)),
        case("a receipt of before the change, the old key given", listed(&over, |_| {}), &found(Unchanged, "earlier"))
            .earlier(Log::new().receipt(12))
            .key(key(&over, FIRST)),
        case("a receipt of the overlap", over.receipt(17), &found(Unchanged, "earlier")).earlier(log.receipt(15)),
        case(
            "the later one given as the earlier, across the change",
            Log::new().receipt(13),
            &found(Unchanged, "earlier"),
        )
        .earlier(over.receipt(17)),
        case(
            "a receipt of before the change, and the change is left out",
            without(&over, AT),
            &found(Broken, "earlier-other-log"),
        )
        .earlier(Log::new().receipt(12)),
        case("a receipt by a stranger's key", listed(&over, |_| {}), &found(Broken, "earlier-other-log"))
            .earlier(Log::new().with_key(STRANGER).receipt(12)),
        case("a state of before the change was put back", listed(&restored, |_| {}), &found(Missing, "earlier-lost"))
            .earlier(over.receipt(17)),
        case(
            "an earlier receipt with a key that is not announced",
            listed(&over, |_| {}),
            &found(Broken, "earlier-broken"),
        )
        .earlier({
            let mut log = Log::new();
            log.before.push(STRANGER);
            log.receipt(12)
        }),
    ]
}

/// Heads that were stamped and witnessed before the change.
fn seen_before(folder: &Path) -> Vec<Case> {
    let over = alone();
    let (then, proof) = (Log::new().checkpoint(), proof_file(&over.consistency(13)));
    let witness = Witness::new("witness.example/w1", [8; 32]).unwrap();
    let text = then.split("\n\n").next().unwrap().to_owned() + "\n";
    let authority = Authority::new(&folder.join("rotated"), Kind::Curve);
    let pem = fs::read_to_string(authority.root()).unwrap();
    let put = |then: &str, over: &Log| {
        listed(over, |f| {
            f.insert(witnessed_path(13, "txt"), (then.to_owned() + &witness.cosign(&text, 1_795_612_931)).into_bytes());
            f.insert(witnessed_path(13, "json"), proof.clone());
            f.insert(stamp_path(13, "txt"), then.as_bytes().to_vec());
            f.insert(stamp_path(13, "json"), proof.clone());
            f.insert(stamp_path(13, "tsr"), authority.answer(&stamp::question(then.as_bytes(), [9; 8])));
        })
    };
    let stranger = Log::new().with_key(STRANGER).checkpoint();
    let (stamped, seen) = ("stamp 13: ", "witnessed 13: 2026-11-25T13:22:11Z, witness.example/w1");
    vec![
        case(
            "seen before the change",
            put(&then, &over),
            &[(stamped, Verdict::Unchanged, "stamp"), (seen, Verdict::Unchanged, "witness")],
        )
        .roots(&pem)
        .key(witness.verifier().to_string())
        .key(key(&over, FIRST)),
        case(
            "seen under a stranger's key",
            put(&stranger, &over),
            &[("stamp 13", Verdict::Broken, "stamp-other-log"), ("witnessed 13", Verdict::Broken, "witness-other-log")],
        )
        .roots(&pem),
    ]
}

#[test]
fn the_keys_that_sign_follow_from_the_entries() {
    let [first, second, third] = [FIRST, SECOND, THIRD].map(|seed| Log::new().key_of(seed).verifier().public);
    let mut log = Log::new();
    let mut keys = Keys::default();
    let mut upto = 0;
    let mut take = |keys: &mut Keys, log: &Log| {
        for bytes in &log.entries[upto..] {
            let entry = Entry::parse(bytes).unwrap();
            assert!(keys.take(log.key().name(), &entry).is_none_or(|r| r.is_ok()));
        }
        upto = log.entries.len();
    };
    take(&mut keys, &log);
    assert!(keys.is_empty() && keys.signing().is_empty());
    log.rotate(SECOND);
    take(&mut keys, &log);
    assert_eq!((keys.signing(), keys.gone()), (vec![second, first], vec![]));
    log.retire();
    take(&mut keys, &log);
    assert_eq!((keys.signing(), keys.gone()), (vec![second], vec![first]));
    log.rotate(THIRD);
    take(&mut keys, &log);
    assert_eq!((keys.signing(), keys.all()), (vec![third, second], vec![first, second, third]));
    assert!(keys.leads(&first, &third) && !keys.leads(&third, &first) && !keys.leads(&first, &first));
    let stolen = Entry::parse(&{
        let mut other = log.clone();
        other.say_of_shop("key-rotated", other.change(FIRST, STRANGER), true);
        other.entries.pop().unwrap()
    })
    .unwrap();
    assert_eq!(keys.take(log.key().name(), &stolen), Some(Err(Fault::NotTheirs)));
}
