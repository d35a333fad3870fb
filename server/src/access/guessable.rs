//! Passwords that are tried first: those that many people use, and those made of names that everybody here knows. Of
//! what kinds of characters a password is made is nobody's business.

use std::collections::HashSet;
use std::sync::LazyLock;

/// The most used ones; its head says where they are from.
static COMMON: LazyLock<HashSet<&'static str>> = LazyLock::new(|| {
    let text = include_str!("common_passwords.txt");
    text.lines().filter(|l| !l.starts_with('#') && !l.is_empty()).collect()
});

/// Words of this place that are no secret; names of the person and the shop come with each password.
const WORDS: [&str; 20] = [
    "counterfoil",
    "password",
    "passwort",
    "welcome",
    "willkommen",
    "secret",
    "admin",
    "owner",
    "bench",
    "counter",
    "staff",
    "shop",
    "repair",
    "workshop",
    "werkstatt",
    "engine",
    "motor",
    "chainsaw",
    "mower",
    "trimmer",
];

/// Digits and signs around a common word that make it no better.
const AROUND: usize = 4;
/// Letters and digits that have to be left of a password once such words and names are taken out of it.
const LEFT: usize = 6;

/// Why this password would be tried early, as a sentence; `names` are those of the person and the shop.
pub(crate) fn guessable(password: &str, names: &[&str]) -> Option<&'static str> {
    let lower = password.to_lowercase();
    if common(&lower) {
        return Some("Very many people use this password, so it is tried first. Four or five words are easy to keep.");
    }
    made_of_names(&lower, names).then_some(
        "This password is made of names and words that anybody would try here. Four or five other words are easy to keep.",
    )
}

fn common(lower: &str) -> bool {
    let core = lower.trim_matches(|c: char| !c.is_alphabetic());
    let around = lower.chars().count() - core.chars().count();
    COMMON.contains(lower) || (around <= AROUND && COMMON.contains(core))
}

fn made_of_names(lower: &str, names: &[&str]) -> bool {
    let names: Vec<String> = names.iter().map(|n| n.to_lowercase()).collect();
    let mut words: Vec<&str> =
        names.iter().flat_map(|n| n.split(|c: char| !c.is_alphanumeric())).chain(WORDS).collect();
    words.retain(|w| w.chars().count() >= 3);
    // The longest first: "shop" must not break up "workshop".
    words.sort_by_key(|w| std::cmp::Reverse(w.len()));
    let rest = words.iter().fold(lower.to_owned(), |rest, word| rest.replace(word, " "));
    rest != lower && rest.chars().filter(|c| c.is_alphanumeric()).count() < LEFT
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_list_is_what_its_head_says() {
        let text = include_str!("common_passwords.txt");
        let lines: Vec<&str> = text.lines().filter(|l| !l.starts_with('#')).collect();
        assert!(lines.is_sorted() && lines.iter().all(|l| *l == l.to_lowercase() && l.len() >= 6));
        assert!(COMMON.len() == lines.len() && lines.len() > 4_000, "{}", lines.len());
        assert!(lines.iter().filter(|l| l.len() >= 10).count() > 1_500);
    }

    #[test]
    fn what_many_use_is_refused_whatever_stands_around_it() {
        for password in ["qwertyuiop", "1234567890", "QwertyUIOP", "password2026", "!!basketball", "1mustang123"] {
            assert!(guessable(password, &[]).is_some(), "{password}");
        }
        for password in
            ["four words and rope", "mustang 20260724 k", "correct horse, tarn street", "ß".repeat(64).as_str()]
        {
            assert_eq!(guessable(password, &[]), None, "{password}");
        }
    }

    #[test]
    fn names_of_the_person_the_shop_and_the_program_make_no_password() {
        let names = ["ines.k", "Ines Kolb", "Tarn Street Engines"];
        for password in
            ["InesKolb1234", "tarn street engines", "counterfoil-ines", "Tarn-Street-2026", "workshop owner 1"]
        {
            assert!(guessable(password, &names).is_some(), "{password}");
        }
        for password in ["correct horse, tarn street", "ines likes wet rope", "four words and rope"] {
            assert_eq!(guessable(password, &names), None, "{password}");
        }
    }
}
