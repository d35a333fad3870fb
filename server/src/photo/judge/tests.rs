//! Every sentence that the code can ask for is in the catalogue, with the parameters it gets.

use std::collections::{BTreeMap, BTreeSet};

const PREFIXES: [&str; 3] = ["flag.", "photo.", "when."];

/// The message keys that stand in a source text as string literals with these prefixes.
fn keys(source: &str) -> BTreeSet<&str> {
    source.split('"').filter(|s| PREFIXES.iter().any(|p| s.starts_with(p)) && !s.contains(' ')).collect()
}

#[test]
fn the_catalogue_has_every_sentence_and_no_other() {
    let words: BTreeMap<String, String> =
        serde_json::from_str(include_str!("../../../../schema/words/en.json")).unwrap();
    let mut asked = keys(include_str!("../judge.rs"));
    asked.extend(keys(include_str!("../flags.rs")));
    asked.extend(keys(include_str!("../mod.rs")));
    asked.extend(keys(include_str!("../when.rs")));
    asked.extend(keys(include_str!("../film.rs")));
    let ours = words.keys().map(String::as_str).filter(|k| PREFIXES.iter().any(|p| k.starts_with(p)));
    let ours = ours.filter(|k| !k.ends_with(".one"));
    assert_eq!(asked, ours.collect());
    let parameters = |key: &str| -> BTreeSet<String> {
        words[key].split('{').skip(1).filter_map(|part| part.split('}').next()).map(Into::into).collect()
    };
    let set = |names: &[&str]| names.iter().map(|n| (*n).into()).collect::<BTreeSet<String>>();
    assert_eq!(parameters("photo.too-small"), set(&["width", "height", "long", "short"]));
    for of in ["taken", "digitised", "changed"] {
        assert_eq!(parameters(&format!("when.{of}.offset")), set(&["local", "offset"]));
        assert_eq!(parameters(&format!("when.{of}.zone-assumed")), set(&["local", "utc", "zone"]));
        for both in ["twice", "skipped"] {
            let key = format!("when.{of}.zone-assumed-{both}");
            assert_eq!(parameters(&key), set(&["local", "utc", "utc_later", "zone"]));
        }
        assert_eq!(parameters(&format!("when.{of}.unreadable")), set(&["raw"]));
    }
    for key in ["flag.after-receipt", "flag.after-receipt-zone-assumed"] {
        assert_eq!(parameters(key), set(&["taken"]));
    }
    assert_eq!(parameters("flag.long-before"), set(&["taken", "days"]));
    assert_eq!(parameters("flag.same-second"), set(&["taken", "count"]));
    assert_eq!(parameters("flag.other-camera"), set(&["camera", "earlier"]));
    assert_eq!(parameters("flag.same-file-view"), set(&["view"]));
    assert_eq!(parameters("when.phone"), set(&["utc", "uncertainty_ms"]));
}
