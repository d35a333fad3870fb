use evidence::canon;
use evidence::digest::Digest;
use evidence::sheet::{MAX_SHEET, Sheet};
use serde_json::{Value, json};
use uuid::Uuid;

fn sample() -> Sheet {
    Sheet {
        entries: vec![Digest([1; 32]), Digest([2; 32])],
        files: vec![Digest([9; 32]), Digest([8; 32])],
        intake: Uuid::from_u128(1),
        kind: Digest([3; 32]),
        language: "en".into(),
        reader: Some("Ravi, read aloud".into()),
        shop: Uuid::from_u128(2),
        terms: Some(Digest([4; 32])),
        words: Digest([5; 32]),
    }
}

#[test]
fn the_bytes_are_these() {
    // Written by hand from the format's members.
    let d = |n: u8| Digest([n; 32]).to_string();
    let text = format!(
        r#"{{"entries":["{}","{}"],"files":["{}","{}"],"intake":"00000000-0000-0000-0000-000000000001","kind":"{}","language":"en","reader":"Ravi, read aloud","shop":"00000000-0000-0000-0000-000000000002","terms":"{}","v":1,"words":"{}"}}"#,
        d(1),
        d(2),
        d(9),
        d(8),
        d(3),
        d(4),
        d(5)
    );
    assert_eq!(String::from_utf8(sample().bytes().unwrap()).unwrap(), text);
    assert_eq!(sample().digest(), Digest::of(text.as_bytes()));
    assert_eq!(Sheet::parse(text.as_bytes()).unwrap(), sample());
    let short = Sheet { reader: None, terms: None, files: Vec::new(), ..sample() };
    assert_eq!(Sheet::parse(&short.bytes().unwrap()).unwrap(), short);
}

#[test]
fn entries_are_written_sorted_and_files_stay_in_their_order() {
    let odd = Sheet { entries: vec![Digest([2; 32]), Digest([1; 32]), Digest([2; 32])], ..sample() };
    assert_eq!(odd.bytes().unwrap(), sample().bytes().unwrap());
    assert_eq!(odd.digest(), sample().digest());
    let other = Sheet { files: vec![Digest([8; 32]), Digest([9; 32])], ..sample() };
    assert_ne!(other.digest(), sample().digest());
}

#[test]
fn what_is_no_sheet_is_refused() {
    let good = canon::parse(&sample().bytes().unwrap()).unwrap();
    let d = |n: u8| Digest([n; 32]).to_string();
    let changed = |name: &str, value: Value| {
        let mut bad = good.clone();
        bad[name] = value;
        canon::to_bytes(&bad).unwrap()
    };
    for bad in [
        changed("v", json!(2)),
        changed("more", json!(1)),
        changed("entries", json!([d(2), d(1)])),
        changed("entries", json!([d(1), d(1)])),
        changed("entries", json!(d(1))),
        changed("kind", json!(d(3).to_uppercase())),
        changed("intake", json!("{00000000-0000-0000-0000-000000000001}")),
        changed("shop", json!("00000000000000000000000000000002")),
        changed("language", json!("")),
        changed("reader", json!(" ")),
        sample().bytes().unwrap()[1..].to_vec(),
        [sample().bytes().unwrap(), b"\n".to_vec()].concat(),
        vec![b' '; MAX_SHEET + 1],
    ] {
        assert!(Sheet::parse(&bad).is_err(), "{}", String::from_utf8_lossy(&bad[..bad.len().min(400)]));
    }
    for missing in ["entries", "files", "intake", "kind", "language", "shop", "v", "words"] {
        let mut bad = good.clone();
        bad.as_object_mut().unwrap().remove(missing);
        assert!(Sheet::parse(&canon::to_bytes(&bad).unwrap()).is_err(), "{missing}");
    }
    let large = Sheet { files: vec![Digest([1; 32]); 20_000], ..sample() };
    assert!(large.bytes().is_err());
}
