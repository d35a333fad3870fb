use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD as BASE64URL;
use evidence::disclosure::{Disclosure, MAX_ENCODED, attach, digest_of, disclose};
use serde_json::{Map, Value, json};

// RFC 9901 4.2.1 and 4.2.3: the disclosure and its digest. Its JSON has a space after each comma.
const RFC: &str = "WyJfMjZiYzRMVC1hYzZxMktJNmNCVzVlcyIsICJmYW1pbHlfbmFtZSIsICJNw7ZiaXVzIl0";
const RFC_DIGEST: &str = "X9yH0Ajrdm1Oij4tWso9UzzKJvPoDxwmuEcO3XAdRC0";

fn one(name: &str, value: Value) -> String {
    Disclosure { salt: "AAAAAAAAAAAAAAAAAAAAAA".into(), name: name.into(), value }.encode()
}

#[test]
fn the_rfcs_disclosure_is_read_and_its_digest_is_over_the_text_as_it_stands() {
    let d = Disclosure::decode(RFC).unwrap();
    assert_eq!(
        (d.salt.as_str(), d.name.as_str(), &d.value),
        ("_26bc4LT-ac6q2KI6cBW5es", "family_name", &json!("Möbius"))
    );
    assert_eq!(digest_of(RFC), RFC_DIGEST);
    // Written anew it has no spaces: the same content, another text, another digest.
    assert_eq!(Disclosure::decode(&d.encode()).unwrap(), d);
    assert_ne!(digest_of(&d.encode()), RFC_DIGEST);
}

#[test]
fn any_valid_json_array_of_three_is_read() {
    let spaced = BASE64URL.encode("[\n  \"AAAAAAAAAAAAAAAAAAAAAA\",\n  \"na\\u006de\",\n  {\"b\": 1, \"a\": [2]}\n]");
    let d = Disclosure::decode(&spaced).unwrap();
    assert_eq!((d.name.as_str(), d.value), ("name", json!({"a": [2], "b": 1})));
}

#[test]
fn odd_shapes_are_refused() {
    let encoded = |v: Value| BASE64URL.encode(v.to_string());
    for bad in [
        encoded(json!(["short", "a", 1])),
        encoded(json!(["AAAAAAAAAAAAAAAAAAAAA", "a", 1])),
        encoded(json!(["AAAAAAAAAAAAAAAAAAAAA+", "a", 1])),
        encoded(json!(["AAAAAAAAAAAAAAAAAAAAAA==", "a", 1])),
        encoded(json!(["AAAAAAAAAAAAAAAAAAAAAA", "a"])),
        encoded(json!(["AAAAAAAAAAAAAAAAAAAAAA", "a", 1, 2])),
        encoded(json!(["AAAAAAAAAAAAAAAAAAAAAA", 1, 2])),
        encoded(json!([1, "a", 2])),
        encoded(json!({"a": 1})),
        // RFC 9901 4.2.2: a disclosure of an array element has two parts; we have none of those.
        "WyJsa2x4RjVqTVlsR1RQVW92TU5JdkNBIiwgIkZSIl0".to_owned(),
        format!("{RFC}="),
        format!("{RFC} "),
        RFC.replace('W', "+"),
        String::new(),
        encoded(json!(["AAAAAAAAAAAAAAAAAAAAAA", "a", "x".repeat(MAX_ENCODED)])),
        BASE64URL.encode(b"[\"AAAAAAAAAAAAAAAAAAAAAA\",\"a\",\"\xff\"]"),
    ] {
        assert!(Disclosure::decode(&bad).is_err(), "{bad:.80}");
    }
}

#[test]
fn digests_are_attached_sorted_and_only_where_there_are_some() {
    let mut body = Map::new();
    attach(&mut body, &[]);
    assert!(body.is_empty());
    let given: Vec<String> = (0..20).map(|i| one("name", json!(i))).collect();
    attach(&mut body, &given);
    let digests: Vec<&str> = body["_sd"].as_array().unwrap().iter().map(|d| d.as_str().unwrap()).collect();
    assert_eq!(digests.len(), 20);
    assert!(digests.windows(2).all(|w| w[0] < w[1]));
    assert!(digests.contains(&digest_of(&given[7]).as_str()));
}

#[test]
fn members_come_back_only_with_their_disclosure() {
    let (a, b) = (one("name", json!("M. Okafor")), one("phone", json!("01632 960 417")));
    let mut body = Map::from_iter([("who".to_owned(), json!("owner"))]);
    attach(&mut body, &[a.clone(), b.clone()]);

    let withheld = disclose(&body, &[]).unwrap();
    assert_eq!(withheld, body);
    let some = disclose(&body, std::slice::from_ref(&a)).unwrap();
    assert_eq!((some.get("name"), some.get("phone")), (Some(&json!("M. Okafor")), None));
    // In whatever order they are given.
    assert_eq!(disclose(&body, &[b.clone(), a.clone()]), disclose(&body, &[a, b]));
}

#[test]
fn what_was_not_bound_cannot_be_slipped_in() {
    let a = one("name", json!("M. Okafor"));
    let mut body = Map::new();
    attach(&mut body, std::slice::from_ref(&a));
    assert!(disclose(&body, &[one("name", json!("Somebody else"))]).is_err());
    assert!(disclose(&body, &[a.clone(), a.clone()]).is_err());
    assert!(disclose(&Map::new(), std::slice::from_ref(&a)).is_err());
    assert!(disclose(&Map::from_iter([("_sd".to_owned(), json!(digest_of(&a)))]), std::slice::from_ref(&a)).is_err());

    // Bound, but under a name that is taken or none a member may have.
    let twice = [a.clone(), one("name", json!("Second"))];
    let mut both = Map::new();
    attach(&mut both, &twice);
    assert!(disclose(&both, &twice).is_err());
    let mut clash = Map::from_iter([("name".to_owned(), json!("Y"))]);
    attach(&mut clash, std::slice::from_ref(&a));
    assert!(disclose(&clash, &[a]).is_err());
    for name in ["_sd", "...", "", "Name", "a b"] {
        let odd = one(name, json!(["X"]));
        let mut body = Map::new();
        attach(&mut body, std::slice::from_ref(&odd));
        assert!(disclose(&body, &[odd]).is_err(), "{name}");
    }
}
