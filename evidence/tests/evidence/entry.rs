use evidence::canon;
use evidence::digest::Digest;
use evidence::entry::{Author, Entry, Kept, MAX_ENTRY, Said};
use proptest::prelude::*;
use serde_json::{Map, Value, json};
use uuid::Uuid;

fn sample() -> Entry {
    let said = Said {
        author: Author::Staff {
            staff: "0199c0de-0000-7000-8000-000000000010".parse().unwrap(),
            device: "0199c0de-0000-7000-8000-000000000020".parse().unwrap(),
        },
        body: Map::from_iter([("place".to_owned(), json!("shelf B3"))]),
        at: 1_795_611_731_123,
        offset_minutes: 60,
        id: "0199c0de-0000-7000-8000-000000000030".parse().unwrap(),
        intake: Some("0199c0de-0000-7000-8000-000000000040".parse().unwrap()),
        seen: Some(412),
        shop: "0199c0de-0000-7000-8000-000000000001".parse().unwrap(),
        kind: "moved".into(),
        v: 1,
    };
    Entry {
        said,
        kept: Kept { at: 1_795_611_731_500, raw: None, clock_offset_ms: Some(-312), round_trip_ms: Some(80) },
    }
}

#[test]
fn the_bytes_are_these() {
    // Written by hand from FORMATS, "Entry bytes".
    let said = concat!(
        r#"{"author":{"device":"0199c0de-0000-7000-8000-000000000020","staff":"0199c0de-0000-7000-8000-000000000010"},"#,
        r#""body":{"place":"shelf B3"},"clock":{"at":"2026-11-25T13:02:11.123Z","offset_minutes":60},"#,
        r#""id":"0199c0de-0000-7000-8000-000000000030","intake":"0199c0de-0000-7000-8000-000000000040","seen":412,"#,
        r#""shop":"0199c0de-0000-7000-8000-000000000001","type":"moved","v":1}"#
    );
    let whole = format!(
        r#"{{"kept":{{"at":"2026-11-25T13:02:11.500Z","clock_offset_ms":-312,"round_trip_ms":80}},"said":{said},"v":1}}"#
    );
    let entry = sample();
    assert_eq!(String::from_utf8(entry.said.bytes().unwrap()).unwrap(), said);
    assert_eq!(String::from_utf8(entry.bytes().unwrap()).unwrap(), whole);
    assert_eq!(entry.said.digest().unwrap(), Digest::of(said.as_bytes()));
    assert_eq!(Entry::parse(whole.as_bytes()).unwrap(), entry);
}

#[test]
fn the_said_digest_does_not_depend_on_what_the_server_adds() {
    let mut other = sample();
    other.kept = Kept { at: 1_795_700_000_000, raw: Some(5), clock_offset_ms: None, round_trip_ms: None };
    assert_eq!(other.said.digest().unwrap(), sample().said.digest().unwrap());
    assert_ne!(other.bytes().unwrap(), sample().bytes().unwrap());
    assert_eq!(Entry::parse(&other.bytes().unwrap()).unwrap(), other);
}

#[test]
fn the_server_speaks_by_its_version_and_optional_members_are_absent() {
    let mut entry = sample();
    entry.said = Said { author: Author::Server { version: "0.1.0".into() }, intake: None, seen: None, ..entry.said };
    let text = String::from_utf8(entry.said.bytes().unwrap()).unwrap();
    assert!(text.starts_with(r#"{"author":{"server":"0.1.0"},"body""#) && !text.contains("intake"));
    assert_eq!(Entry::parse(&entry.bytes().unwrap()).unwrap(), entry);
}

#[test]
fn what_is_not_as_it_is_written_is_refused_with_its_place() {
    let good = sample().said.to_value();
    let sd = |list: Value| json!({"body": {"_sd": list}});
    let digest = "X9yH0Ajrdm1Oij4tWso9UzzKJvPoDxwmuEcO3XAdRC0";
    for (pointer, change) in [
        ("/extra", json!({"extra": 1})),
        ("/Extra", json!({"Extra": 1})),
        ("/id", json!({"id": "0199C0DE-0000-7000-8000-000000000030"})),
        ("/id", json!({"id": "{0199c0de-0000-7000-8000-000000000030}"})),
        ("/id", json!({"id": "0199c0de000070008000000000000030"})),
        // RFC 9562 appendix A: the version 1 and version 4 samples.
        ("/id", json!({"id": "c232ab00-9414-11ec-b3c8-9f6bdeced846"})),
        ("/intake", json!({"intake": "919108f7-52d1-4320-9bac-f847db4148a8"})),
        ("/intake", json!({"intake": 1})),
        ("/shop", json!({"shop": "tarn-street"})),
        ("/author/staff", json!({"author": {"staff": "x", "device": "0199c0de-0000-7000-8000-000000000020"}})),
        ("/author/device", json!({"author": {"staff": "0199c0de-0000-7000-8000-000000000010"}})),
        ("/author/staff", json!({"author": {"server": "0.1.0", "staff": "0199c0de-0000-7000-8000-000000000010"}})),
        ("/author/server", json!({"author": {"server": "0.1.0 beta"}})),
        ("/author/server", json!({"author": {"server": ""}})),
        ("/author", json!({"author": "Ines"})),
        ("/body", json!({"body": []})),
        ("/body/a", json!({"body": {"a": null}})),
        ("/body/a", json!({"body": {"a": 1.5}})),
        ("/body/_sd", sd(json!("x"))),
        ("/body/_sd", sd(json!([]))),
        ("/body/_sd", sd(json!(["x"]))),
        ("/body/_sd", sd(json!([1]))),
        ("/body/_sd", sd(json!([digest, digest]))),
        ("/body/_sd", sd(json!(["Y9yH0Ajrdm1Oij4tWso9UzzKJvPoDxwmuEcO3XAdRC0", digest]))),
        ("/body/_sd", sd(json!([digest.replace('j', "+")]))),
        ("/clock/at", json!({"clock": {"at": "2026-11-25", "offset_minutes": 0}})),
        ("/clock/zone", json!({"clock": {"at": "2026-11-25T00:00:00.000Z", "offset_minutes": 0, "zone": "Z"}})),
        ("/clock/offset_minutes", json!({"clock": {"at": "2026-11-25T00:00:00.000Z", "offset_minutes": 9999}})),
        ("/clock/offset_minutes", json!({"clock": {"at": "2026-11-25T00:00:00.000Z"}})),
        ("/seen", json!({"seen": -1})),
        ("/seen", json!({"seen": "412"})),
        ("/type", json!({"type": "Moved"})),
        ("/type", json!({"type": ""})),
        ("/v", json!({"v": 0})),
    ] {
        let mut bad = good.clone();
        for (k, v) in change.as_object().unwrap() {
            bad[k] = v.clone();
        }
        let e = Said::parse(&bad).unwrap_err();
        assert_eq!(e.pointer, pointer, "{change}: {e}");
    }
    for missing in ["author", "body", "clock", "id", "shop", "type", "v"] {
        let mut bad = good.clone();
        bad.as_object_mut().unwrap().remove(missing);
        assert_eq!(Said::parse(&bad).unwrap_err().pointer, format!("/{missing}"));
    }
    assert!(Said::parse(&json!([])).is_err());
}

#[test]
fn the_servers_part_is_as_strict() {
    let good = canon::parse(&sample().bytes().unwrap()).unwrap();
    for (pointer, kept) in [
        ("/kept/at", json!({})),
        ("/kept/who", json!({"at": "2026-11-25T13:02:11.500Z", "who": "x"})),
        ("/kept/raw", json!({"at": "2026-11-25T13:02:11.500Z", "raw": "2026-11-25T13:02:11.500Z"})),
        ("/kept/round_trip_ms", json!({"at": "2026-11-25T13:02:11.500Z", "round_trip_ms": -1})),
        ("/kept", json!([])),
    ] {
        let mut bad = good.clone();
        bad["kept"] = kept;
        assert_eq!(Entry::parse(&canon::to_bytes(&bad).unwrap()).unwrap_err().pointer, pointer);
    }
    for (pointer, change) in
        [("/v", json!({"v": 2})), ("/more", json!({"more": 1})), ("/said/type", json!({"said": {}}))]
    {
        let mut bad = good.clone();
        for (k, v) in change.as_object().unwrap() {
            bad[k] = v.clone();
        }
        let e = Entry::parse(&canon::to_bytes(&bad).unwrap()).unwrap_err();
        assert!(e.pointer == pointer || e.pointer == "/said/author", "{e}");
    }
}

#[test]
fn the_same_entry_otherwise_written_is_refused() {
    let text = String::from_utf8(sample().bytes().unwrap()).unwrap();
    for bad in [
        format!("{text}\n"),
        text.replace(":412", ": 412"),
        text.replace("shelf", "\\u0073helf"),
        text.replace(r#""v":1}"#, r#""v":1,"v":1}"#),
        text.replacen(r#"{"kept""#, r#"{"a":1,"kept""#, 1),
        text[1..].to_owned(),
    ] {
        assert!(Entry::parse(bad.as_bytes()).is_err(), "{bad}");
    }
}

#[test]
fn nothing_is_written_that_would_not_be_read() {
    let broken: [fn(&mut Entry); 9] = [
        |e| e.said.at = -1,
        |e| e.said.at = i64::MAX,
        |e| e.said.id = Uuid::from_u128(1),
        |e| e.said.kind = "Moved!".into(),
        |e| e.said.v = 0,
        |e| e.said.seen = Some(u64::MAX),
        |e| e.said.offset_minutes = 2_000,
        |e| e.kept.at = -1,
        |e| e.kept.raw = Some(e.kept.at),
    ];
    for change in broken {
        let mut entry = sample();
        change(&mut entry);
        assert!(entry.bytes().is_err(), "{entry:?}");
    }
}

#[test]
fn an_entry_too_large_for_a_tile_is_refused_and_the_largest_is_not() {
    let mut entry = sample();
    let empty = entry.bytes().unwrap().len() + r#","text":"""#.len();
    entry.said.body.insert("text".into(), json!("x".repeat(MAX_ENTRY - empty)));
    let bytes = entry.bytes().unwrap();
    assert_eq!(bytes.len(), 65_535);
    assert_eq!(Entry::parse(&bytes).unwrap(), entry);
    entry.said.body.insert("text".into(), json!("x".repeat(MAX_ENTRY - empty + 1)));
    assert!(entry.bytes().is_err());
    assert!(Entry::parse(&vec![b' '; MAX_ENTRY + 1]).is_err());
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn one_changed_byte_is_another_entry_or_none(at in 0..600_usize, to in any::<u8>()) {
        let good = sample().bytes().unwrap();
        let mut bytes = good.clone();
        let at = at % bytes.len();
        bytes[at] = to;
        match Entry::parse(&bytes) {
            Ok(entry) => prop_assert_eq!(entry.bytes().unwrap(), bytes),
            Err(_) => prop_assert_ne!(bytes, good),
        }
    }
}
