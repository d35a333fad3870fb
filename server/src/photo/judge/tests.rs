//! Every sentence that the code can ask for is in the catalogue, with the parameters it gets.

use std::collections::{BTreeMap, BTreeSet};

/// The message keys that stand in a source text as string literals with these prefixes.
fn keys(source: &str) -> BTreeSet<&str> {
    source.split('"').filter(|s| (s.starts_with("photo.") || s.starts_with("when.")) && !s.contains(' ')).collect()
}

#[test]
fn the_catalogue_has_every_sentence_and_no_other() {
    let words: BTreeMap<String, String> =
        serde_json::from_str(include_str!("../../../../schema/words/en.json")).unwrap();
    let mut asked = keys(include_str!("../judge.rs"));
    asked.extend(keys(include_str!("../mod.rs")));
    asked.extend(keys(include_str!("../when.rs")));
    let ours = words.keys().map(String::as_str).filter(|k| k.starts_with("photo.") || k.starts_with("when."));
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
    assert_eq!(parameters("when.phone"), set(&["utc", "uncertainty_ms"]));
}
