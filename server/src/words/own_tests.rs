//! What a shop's own catalogue may be, and what is made of it.

use super::*;
use serde_json::{Value, json};

fn of(texts: &Value) -> Result<Own, Vec<String>> {
    read("pl", texts.to_string().as_bytes())
}

#[test]
fn what_is_missing_is_said_in_english_and_counted() {
    let own = of(&json!({"language.name": "polski", "act.close": "Zamknij"})).unwrap();
    let all = shipped()[0].texts.len();
    assert_eq!((own.missing, own.falls_back), (all - 2, "en"));
    assert_eq!(own.catalogue.plain("act.close"), "Zamknij");
    assert_eq!(own.catalogue.plain("act.cancel"), "Cancel");
    assert_eq!(own.catalogue.name(), "polski");
    // The same file gives the same bytes; another file another digest.
    let again = of(&json!({"act.close": "Zamknij", "language.name": "polski"})).unwrap();
    assert_eq!(again.catalogue.digest, own.catalogue.digest);
    assert_ne!(of(&json!({})).unwrap().catalogue.digest, own.catalogue.digest);
    assert_eq!(of(&json!({})).unwrap().catalogue.name(), "pl");
}

#[test]
fn a_region_falls_back_to_its_language() {
    let own = read("de-AT", br#"{"act.close":"Zumachen"}"#).unwrap();
    assert_eq!(own.falls_back, "de");
    assert_eq!(own.catalogue.plain("act.cancel"), "Abbrechen");
}

#[test]
fn keys_are_known_and_names_are_those_of_the_english_sentence() {
    for (texts, told) in [
        (json!({"act.unheard-of": "x"}), "no such key"),
        (json!({"act.one-less": "Mniej"}), "should name thing"),
        (json!({"act.one-less": "Mniej: {rzecz}"}), "should name thing"),
        (json!({"act.close": "Zamknij {x}"}), "should name nothing"),
        (json!({"act.close": "Zamknij {"}), "no sentence"),
        (json!({"act.close": "a } b"}), "no sentence"),
        (json!({"act.close": " "}), "no sentence"),
        (json!({"act.close": "a\u{7}b"}), "no sentence"),
        (json!({"act.close": "x".repeat(MAX_TEXT + 1)}), "no sentence"),
        (json!({"act.close.few": "x {count}"}), "should name nothing"),
    ] {
        let faults = of(&texts).unwrap_err();
        assert!(faults.len() == 1 && faults[0].contains(told), "{texts}: {faults:?}");
    }
    assert!(of(&json!(["act.close"])).is_err());
    assert!(of(&json!({"act.close": 3})).is_err());
}

#[test]
fn a_language_has_its_own_plural_forms() {
    let own = of(&json!({
        "desk.machines": "{count} maszyn", "desk.machines.few": "{count} maszyny", "desk.machines.one": "jedna maszyna",
        "page.sheet.photo-numbers": "zdjęcia {list}",
    }))
    .unwrap();
    let say = |key: &str, n: i64| own.catalogue.say(key, json!({"count": n}).as_object().unwrap());
    assert_eq!((say("desk.machines", 1), say("desk.machines", 7)), ("jedna maszyna".into(), "7 maszyn".into()));
    assert!(own.catalogue.has("desk.machines.few"));
    // The English form for one does not speak for the language's own sentence.
    assert!(!own.catalogue.has("page.sheet.photo-numbers.one"));
    assert!(of(&json!({"desk.machines.few": "{anzahl} maszyny"})).is_err());
}

#[test]
fn a_folder_is_read_in_bounds() {
    assert!(load(Path::new("/nowhere/at/all")).is_empty());
    let folder = std::env::temp_dir().join(format!("counterfoil-words-{}", std::process::id()));
    std::fs::create_dir_all(folder.join("fr.json")).unwrap();
    for (name, text) in [
        ("pl.json", r#"{"act.close":"Zamknij"}"#),
        ("PL.json", r#"{"act.close":"Zamknij"}"#),
        ("de.json", r#"{"act.close":"Zu"}"#),
        ("cs.json", r#"{"act.close":"Zavřít","act.what":"?"}"#),
        ("read me.txt", "no catalogue"),
    ] {
        std::fs::write(folder.join(name), text).unwrap();
    }
    std::fs::write(folder.join("da.json"), vec![b' '; 1 + (1 << 20)]).unwrap();
    let read = load(&folder);
    std::fs::remove_dir_all(&folder).unwrap();
    assert_eq!(read.iter().map(|c| c.language.to_lowercase()).collect::<Vec<_>>(), ["pl"]);
}

#[test]
fn words_of_an_older_version_stay_readable() {
    let old = pinned("pl", br#"{"act.close":"Zamknij","act.gone-since":"?"}"#);
    assert_eq!((old.plain("act.close"), old.plain("act.cancel")), ("Zamknij".into(), "Cancel".into()));
    assert_eq!(old.name(), "pl");
    assert!(pinned("pl", b"no catalogue").has("act.close"));
}

#[test]
fn tags_have_the_form_of_bcp_47() {
    for good in ["pl", "de-AT", "zh-Hant-TW", "sr-Latn", "ast"] {
        assert!(is_tag(good), "{good}");
    }
    for bad in ["", "p", "x-private", "de_AT", "de-", "deutsch", "..", "en-aaaa-bbbb", "en-a-b-c-d-e", "pl/../de", "pö"]
    {
        assert!(!is_tag(bad), "{bad}");
    }
}
