use evidence::canon::{MAX_DEPTH, MAX_INT, check, parse, to_bytes};
use proptest::prelude::*;
use serde_json::{Map, Value, json};

#[test]
fn strings_are_escaped_as_rfc_8785_says() {
    // RFC 8785 3.2.2, the sample's "string" member and its canonical form.
    let v = json!({"string": "\u{20ac}$\u{f}\nA'B\"\\\\\"/"});
    assert_eq!(to_bytes(&v).unwrap(), "{\"string\":\"\u{20ac}$\\u000f\\nA'B\\\"\\\\\\\\\\\"/\"}".as_bytes());
    // RFC 8785 3.2.2.2: the short escapes, lower-case \u00xx for other controls, all else as it is, DEL and beyond too.
    let v = json!("\u{8}\t\n\u{c}\r\u{0}\u{1f}\u{7f}\u{80}\u{2028}\u{1f602}/");
    assert_eq!(to_bytes(&v).unwrap(), "\"\\b\\t\\n\\f\\r\\u0000\\u001f\u{7f}\u{80}\u{2028}\u{1f602}/\"".as_bytes());
}

#[test]
fn rfc_8785_samples_with_floats_nulls_and_exotic_keys_are_refused() {
    for (sample, pointer) in [
        // RFC 8785 3.2.2: the sample object (numbers come first in it).
        (
            r#"{"numbers":[333333333.33333329,1E30,4.50,2e-3,0.000000000000000000000000001],"string":"\u20ac$\u000F\u000aA'\u0042\u0022\u005c\\\"\/","literals":[null,true,false]}"#,
            "",
        ),
        (r#"{"numbers":[333333333.33333329]}"#, "/numbers/0"),
        (r#"{"numbers":[1E30]}"#, "/numbers/0"),
        (r#"{"numbers":[4.50]}"#, "/numbers/0"),
        (r#"{"literals":[true,null]}"#, "/literals/1"),
        // RFC 8785 3.2.3: the keys of the sorting sample, one by one.
        ("{\"\u{20ac}\":\"Euro Sign\"}", "/\u{20ac}"),
        (r#"{"\r":"Carriage Return"}"#, "/\r"),
        ("{\"\u{fb33}\":\"Hebrew Letter Dalet With Dagesh\"}", "/\u{fb33}"),
        (r#"{"1":"One"}"#, "/1"),
        ("{\"\u{1f600}\":\"Emoji: Grinning Face\"}", "/\u{1f600}"),
        ("{\"\u{80}\":\"Control\"}", "/\u{80}"),
        ("{\"\u{f6}\":\"Latin Small Letter O With Diaeresis\"}", "/\u{f6}"),
        // cyberphone/json-canonicalization testdata: arrays, french, structures.
        (r#"[56,{"1":[],"10":null,"d":true}]"#, "/1/1"),
        ("{\"p\u{e9}ch\u{e9}\":\"is wrong according to French\"}", "/p\u{e9}ch\u{e9}"),
        (r#"{"":"empty"}"#, "/"),
        (r#"{"A":{}}"#, "/A"),
        // RFC 8785 appendix B: numbers that are no whole numbers, or too large to be one for everybody.
        ("[5e-324]", "/0"),
        ("[9007199254740992]", "/0"),
        ("[-9007199254740992]", "/0"),
        ("[295147905179352830000]", "/0"),
        ("[333333333.3333332]", "/0"),
    ] {
        let e = parse(sample.as_bytes()).unwrap_err();
        if !pointer.is_empty() {
            assert_eq!(e.pointer, pointer, "{sample}");
        }
        let parsed: Value = serde_json::from_str(sample).unwrap();
        assert!(to_bytes(&parsed).is_err() && check(&parsed).is_err(), "{sample}");
    }
}

#[test]
fn the_same_value_otherwise_written_is_refused() {
    for bad in [
        r#"{"b":1,"a":1}"#,
        r#"{"a":1,"a":1}"#,
        r#"{"a":1,"a":2}"#,
        r#"{ "a":1}"#,
        "{\"a\":1}\n",
        "\u{feff}{\"a\":1}",
        r#"{"a":"\u0041"}"#,
        r#"{"a":"\/"}"#,
        r#"{"a":"\u000A"}"#,
        r#"{"a":"\u001F"}"#,
        r#"{"a":1.0}"#,
        r#"{"a":1e0}"#,
        r#"{"a":-0}"#,
        r#"{"a":01}"#,
        r#"{"a":"\ud800"}"#,
        "",
        "{",
        "{}{}",
    ] {
        assert!(parse(bad.as_bytes()).is_err(), "{bad}");
    }
    assert!(parse(b"\"\xff\"").is_err());
    assert!(parse(b"\"a\nb\"").is_err());
    assert!(parse(br#"{"_sd":[],"a":[1,true,"x"],"b":{"c":-5},"b1":""}"#).is_ok());
}

#[test]
fn whole_numbers_end_at_2_to_the_53_minus_1() {
    // RFC 7493 2.2 and RFC 8785 3.2.2.3: what every double holds exactly.
    assert_eq!(to_bytes(&json!([MAX_INT, -MAX_INT, 0])).unwrap(), b"[9007199254740991,-9007199254740991,0]");
    for n in [MAX_INT + 1, -MAX_INT - 1, i64::MAX, i64::MIN] {
        assert!(check(&json!(n)).is_err());
    }
    assert!(check(&json!(u64::MAX)).is_err());
}

#[test]
fn nesting_ends_at_sixteen() {
    let nested = |depth: usize| (0..depth).fold(json!(1), |inner, _| json!([inner]));
    assert!(check(&nested(MAX_DEPTH)).is_ok());
    assert!(check(&nested(MAX_DEPTH + 1)).is_err());
    let text = format!("{}1{}", "[".repeat(100_000), "]".repeat(100_000));
    assert!(parse(text.as_bytes()).is_err());
}

#[test]
fn keys_are_sorted_whatever_order_they_came_in() {
    let mut map = Map::new();
    for key in ["b", "a1", "a_", "aa", "_sd", "a"] {
        map.insert(key.into(), 1.into());
    }
    assert_eq!(to_bytes(&map.into()).unwrap(), br#"{"_sd":1,"a":1,"a1":1,"a_":1,"aa":1,"b":1}"#);
}

#[test]
fn errors_say_where_in_rfc_6901_pointers() {
    let e = check(&json!({"a": [1, {"b": 1.5}]})).unwrap_err();
    assert_eq!(e.to_string(), "at /a/1/b: a number is whole and within plus or minus 2^53 - 1");
    // RFC 6901 3: ~ is ~0 and / is ~1.
    assert_eq!(check(&json!({"m~n/o": 1})).unwrap_err().pointer, "/m~0n~1o");
}

fn value() -> impl Strategy<Value = Value> {
    let leaf = prop_oneof![
        any::<bool>().prop_map(Value::from),
        (-MAX_INT..=MAX_INT).prop_map(Value::from),
        any::<String>().prop_map(Value::from),
    ];
    leaf.prop_recursive(6, 40, 5, |inner| {
        prop_oneof![
            prop::collection::vec(inner.clone(), 0..5).prop_map(Value::from),
            prop::collection::btree_map("[a-z_][a-z0-9_]{0,4}", inner, 0..5)
                .prop_map(|m| Value::Object(m.into_iter().collect())),
        ]
    })
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn what_is_written_is_read_back(v in value()) {
        let bytes = to_bytes(&v).unwrap();
        prop_assert_eq!(parse(&bytes).unwrap(), v.clone());
        // Any JSON reader understands it.
        prop_assert_eq!(serde_json::from_slice::<Value>(&bytes).unwrap(), v);
    }

    #[test]
    fn no_bytes_make_it_panic(bytes in prop::collection::vec(any::<u8>(), 0..200)) {
        if let Ok(v) = parse(&bytes) {
            prop_assert_eq!(to_bytes(&v).unwrap(), bytes);
        }
    }
}
