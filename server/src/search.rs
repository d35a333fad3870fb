//! Finding an intake by what somebody remembers of it. Pure; the phone runs the same rules (`core/search.js`), and
//! `schema/vectors/search.json` holds both to one answer.
//!
//! A record is a set of words. Case, accents and punctuation are folded away. Behind `#` stands every end of a number,
//! so that digits are found inside it. A query is found when each of its terms is.

use std::collections::BTreeSet;

use unicode_normalization::UnicodeNormalization;
use unicode_normalization::char::is_combining_mark;

/// Most terms of a query that count.
const TERMS: usize = 6;
/// Most words of one text that are kept.
const WORDS: usize = 300;
/// Longest word kept, in characters.
const WORD: usize = 40;
/// Shortest run of digits that is found from its middle.
const INSIDE: usize = 3;
/// Longest run of digits that is found from its middle: its end.
const LONG: usize = 20;
/// Fewest digits of a telephone number that a query is read for.
const PHONE: usize = 7;
/// Fewest digits left of a telephone number when the country or the leading zero is taken off.
const SUBSCRIBER: usize = 6;
/// Fewest letters of a word that may have a typo.
const TYPO: usize = 5;

/// Text as it is compared: no case, no accents, letters that keyboards lack written out.
pub fn fold(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.nfkd().filter(|c| !is_combining_mark(*c)).flat_map(char::to_lowercase) {
        match c {
            'ß' => out.push_str("ss"),
            'æ' => out.push_str("ae"),
            'œ' => out.push_str("oe"),
            'þ' => out.push_str("th"),
            'ø' => out.push('o'),
            'đ' | 'ð' => out.push('d'),
            'ł' => out.push('l'),
            'ı' => out.push('i'),
            'ς' => out.push('σ'),
            _ => out.push(c),
        }
    }
    out
}

/// The words of a folded text, split where neither letter nor digit stands.
fn split(folded: &str) -> impl Iterator<Item = &str> {
    folded.split(|c: char| !c.is_alphanumeric()).filter(|w| !w.is_empty())
}

fn compact(folded: &str) -> String {
    folded.chars().filter(|c| c.is_alphanumeric()).collect()
}

fn digits(text: &str) -> String {
    text.chars().filter(char::is_ascii_digit).collect()
}

/// Whether a word can be meant by one with a typo.
pub fn is_plain(word: &str) -> bool {
    word.chars().count() >= TYPO - 1 && word.chars().all(char::is_alphabetic)
}

/// The first and the last two letters of a word: a single typo leaves one of them as it was.
pub fn ends(word: &str) -> (String, String) {
    let all: Vec<char> = word.chars().collect();
    (all.iter().take(2).collect(), all.iter().skip(all.len().saturating_sub(2)).collect())
}

/// The words a record is found by.
#[derive(Debug, Default)]
pub struct Words(BTreeSet<String>);

impl Words {
    /// A tag: also without its leading zeros.
    pub fn tag(&mut self, tag: &str) {
        self.code(tag);
        if tag.bytes().all(|b| b.is_ascii_digit()) {
            self.put(tag.trim_start_matches('0'));
        }
    }

    /// A serial, a model: also written together.
    pub fn code(&mut self, code: &str) {
        self.text(code);
        let whole = compact(&fold(code));
        self.numbers(&whole);
        self.put(&whole);
    }

    /// A name, a sentence.
    pub fn text(&mut self, text: &str) {
        let folded = fold(text);
        for piece in folded.split_whitespace().take(WORDS) {
            let mut count = 0;
            for word in split(piece) {
                count += 1;
                self.numbers(word);
                self.put(word);
            }
            if count > 1 {
                self.put(&compact(piece));
            }
        }
    }

    /// A telephone number: only its digits, however it is written.
    pub fn phone(&mut self, phone: &str) {
        let number = digits(&fold(phone));
        self.numbers(&number);
        self.put(&number);
    }

    /// The words.
    pub fn all(self) -> BTreeSet<String> {
        self.0
    }

    fn put(&mut self, word: &str) {
        if !word.is_empty() {
            self.0.insert(word.chars().take(WORD).collect());
        }
    }

    /// Every end of every run of digits.
    fn numbers(&mut self, word: &str) {
        for run in word.split(|c: char| !c.is_ascii_digit()).filter(|r| r.len() >= INSIDE) {
            let run = &run[run.len().saturating_sub(LONG)..];
            for start in 0..=run.len() - INSIDE {
                self.0.insert(format!("#{}", &run[start..]));
            }
        }
    }
}

/// One thing looked for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Atom {
    /// A word that begins so; digits also inside a number; a long word also with one typo.
    Word(String),
    /// Digits inside a number.
    Inside(String),
}

/// A stretch of words: from the first, up to the second and not it.
pub type Stretch = (String, String);

impl Atom {
    /// The stretches of words, in byte order, that this finds without a typo.
    pub fn stretches(&self) -> Vec<Stretch> {
        let begins = |p: &str| (p.to_owned(), format!("{p}\u{10FFFF}"));
        match self {
            // One letter begins nearly everything: it is looked for as it stands.
            Atom::Word(w) if w.chars().nth(1).is_none() => vec![(w.clone(), format!("{w}\u{1}"))],
            Atom::Word(w) if w.bytes().all(|b| b.is_ascii_digit()) => vec![begins(w), begins(&format!("#{w}"))],
            Atom::Word(w) => vec![begins(w)],
            Atom::Inside(d) => vec![begins(&format!("#{d}"))],
        }
    }

    /// The word whose neighbours by one typo are found too.
    pub fn forgiving(&self) -> Option<&str> {
        match self {
            Atom::Word(w) if w.chars().count() >= TYPO && is_plain(w) => Some(w),
            _ => None,
        }
    }

    fn finds(&self, words: &BTreeSet<String>) -> bool {
        let straight = self.stretches().into_iter().any(|(from, to)| words.range(from..to).next().is_some());
        straight || self.forgiving().is_some_and(|w| words.iter().any(|x| is_plain(x) && one_typo(w, x)))
    }
}

/// What is looked for: every term; of a term one of its ways; of a way each of its atoms.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Query(pub Vec<Vec<Vec<Atom>>>);

impl Query {
    /// Reads what somebody typed.
    pub fn parse(text: &str) -> Query {
        let folded = fold(text);
        let pieces: Vec<&str> = folded.split_whitespace().collect();
        let mut terms = Vec::new();
        let mut at = 0;
        while at < pieces.len() && terms.len() < TERMS {
            let (taken, number) = telephone(&pieces[at..]);
            if let Some(ways) = number {
                terms.push(ways);
                at += taken;
                continue;
            }
            let words: Vec<Atom> = split(pieces[at]).take(TERMS).map(|w| Atom::Word(cut(w))).collect();
            match words.len() {
                0 => {}
                1 => terms.push(vec![words]),
                _ => terms.push(vec![vec![Atom::Word(cut(&compact(pieces[at])))], words]),
            }
            at += 1;
        }
        Query(terms)
    }

    /// Whether a record with these words is found. A query of nothing finds everything.
    pub fn finds(&self, words: &BTreeSet<String>) -> bool {
        self.0.iter().all(|ways| ways.iter().any(|way| way.iter().all(|atom| atom.finds(words))))
    }
}

fn cut(word: &str) -> String {
    word.chars().take(WORD).collect()
}

/// A telephone number at the beginning of these pieces: how many it takes, and the ways it may be written down here.
fn telephone(pieces: &[&str]) -> (usize, Option<Vec<Vec<Atom>>>) {
    let numeral = |p: &&&str| {
        p.chars().all(|c| c.is_ascii_digit() || "+()./-".contains(c)) && p.bytes().any(|b| b.is_ascii_digit())
    };
    let first = pieces.first().map_or("", |p| p.trim_start_matches('('));
    if !first.starts_with(['+', '0']) {
        return (0, None);
    }
    let taken = pieces.iter().take_while(numeral).count();
    let number = digits(&pieces[..taken].concat());
    if number.len() < PHONE {
        return (0, None);
    }
    let mut ways = vec![number.as_str()];
    let abroad = if first.starts_with('+') { Some(number.as_str()) } else { number.strip_prefix("00") };
    if let Some(rest) = abroad {
        // A country's own digits are one to three; which, is not ours to know.
        ways.extend((1..=3).filter(|n| rest.len() >= n + SUBSCRIBER).map(|n| &rest[n..]));
    }
    let without: Vec<&str> =
        ways.iter().filter_map(|w| w.strip_prefix('0')).filter(|w| w.len() >= SUBSCRIBER).collect();
    ways.extend(without);
    (taken, Some(ways.into_iter().map(|w| vec![Atom::Inside(w.to_owned())]).collect()))
}

/// Whether two words differ by at most one typo: a letter more, less or other, or two neighbours swapped.
pub fn one_typo(a: &str, b: &str) -> bool {
    let (a, b): (Vec<char>, Vec<char>) = (a.chars().collect(), b.chars().collect());
    let (short, long) = if a.len() <= b.len() { (&a, &b) } else { (&b, &a) };
    if long.len() > short.len() + 1 {
        return false;
    }
    let Some(at) = short.iter().zip(long.iter()).position(|(x, y)| x != y) else { return true };
    if long.len() > short.len() {
        return short[at..] == long[at + 1..];
    }
    let swapped = short.get(at + 1).is_some_and(|next| *next == long[at] && long[at + 1] == short[at])
        && short[at + 2..] == long[at + 2..];
    short[at + 1..] == long[at + 1..] || swapped
}

#[cfg(test)]
mod tests {
    use serde_json::Value;

    use super::*;

    #[test]
    fn the_vectors_hold() {
        let file: Value = serde_json::from_str(include_str!("../../schema/vectors/search.json")).unwrap();
        let texts = |r: &Value, k: &str| -> Vec<String> {
            r[k].as_array().into_iter().flatten().map(|v| v.as_str().unwrap().to_owned()).collect()
        };
        let records: Vec<(String, BTreeSet<String>)> = file["records"]
            .as_array()
            .unwrap()
            .iter()
            .map(|r| {
                let mut words = Words::default();
                words.tag(r["tag"].as_str().unwrap());
                texts(r, "codes").iter().for_each(|t| words.code(t));
                texts(r, "texts").iter().for_each(|t| words.text(t));
                texts(r, "phones").iter().for_each(|t| words.phone(t));
                (r["tag"].as_str().unwrap().to_owned(), words.all())
            })
            .collect();
        for case in file["cases"].as_array().unwrap() {
            let query = Query::parse(case["q"].as_str().unwrap());
            let found: Vec<String> = records.iter().filter(|(_, w)| query.finds(w)).map(|(t, _)| t.clone()).collect();
            assert_eq!(found, texts(case, "found"), "{}", case["q"]);
        }
    }

    #[test]
    fn a_single_typo_leaves_one_end_of_a_word_as_it_was() {
        let word = "okafor";
        let letters: Vec<char> = word.chars().collect();
        let mut typos = Vec::new();
        for at in 0..=letters.len() {
            let mut more = letters.clone();
            more.insert(at, 'x');
            typos.push(more);
            if at < letters.len() {
                let (mut less, mut other) = (letters.clone(), letters.clone());
                less.remove(at);
                other[at] = 'x';
                typos.extend([less, other]);
            }
            if at + 1 < letters.len() {
                let mut swapped = letters.clone();
                swapped.swap(at, at + 1);
                typos.push(swapped);
            }
        }
        for typo in typos {
            let typo: String = typo.into_iter().collect();
            assert!(one_typo(&typo, word) && one_typo(word, &typo), "{typo}");
            let (typed, meant) = (ends(&typo), ends(word));
            assert!(typed.0 == meant.0 || typed.1 == meant.1, "{typo}");
        }
        assert!(!one_typo("okafor", "oakfro") && !one_typo("okafor", "okaforxx"));
    }
}
