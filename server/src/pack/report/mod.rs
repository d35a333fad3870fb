//! The report of a pack: what a judge reads. Says what the record says, by whom and by whose clock, and what it lacks; takes no
//! side. Pure: the package `report` sets what is put together here.

mod bench;
mod care;
mod outside;
mod photos;
mod summary;
mod sure;
mod timeline;

use std::collections::BTreeMap;
use std::sync::Arc;

use ::report::{Block, Report, Words};
use serde_json::{Map, Value, json};
use uuid::Uuid;

use super::choose::Customer;
use super::page::Shown;
use crate::intake::state::Mark;
use crate::intake::strokes::Strokes;
use crate::reading::Rule;
use crate::receipt::Input;
use crate::receipt::lines;

/// A picture to print.
#[derive(Clone, Debug)]
pub struct Print {
    /// A rendition's bytes.
    pub jpeg: Arc<Vec<u8>>,
    /// Pixels across.
    pub width: u32,
    /// Pixels down.
    pub height: u32,
    /// Whether it is the small rendition, because there are too many photos for one file.
    pub small: bool,
}

/// All that the report is made from.
#[derive(Debug)]
pub struct Of<'a> {
    /// What the pack's page shows.
    pub shown: &'a Shown<'a>,
    /// Pictures by photo.
    pub prints: &'a BTreeMap<Uuid, Print>,
    /// The shop's own rule for a compression reading.
    pub rule: Option<&'a Rule>,
    /// The signature of the sheet.
    pub signature: Option<&'a Strokes>,
    /// The signature of the hand-back.
    pub signature_home: Option<&'a Strokes>,
}

/// The report on its way.
struct Tell<'a> {
    of: &'a Of<'a>,
    input: &'a Input<'a>,
    out: Vec<Block>,
}

/// The words of the log as they stand in keys.
fn slug(word: &str) -> String {
    word.replace([' ', '_'], "-")
}

impl Tell<'_> {
    fn w(&self, key: &str) -> String {
        self.input.words.plain(key)
    }

    fn say(&self, key: &str, with: &Value) -> String {
        self.input.words.say(key, with.as_object().unwrap_or(&Map::new()))
    }

    /// Who and when, by our clock.
    fn by(&self, mark: &Mark) -> (String, String) {
        (self.input.name(mark.by), self.input.wall(mark.at))
    }

    /// A sentence that names who and when beside what it is given.
    fn said(&self, key: &str, mark: &Mark, with: Value) -> String {
        let (name, when) = self.by(mark);
        let mut all = with.as_object().cloned().unwrap_or_default();
        all.insert("name".into(), json!(name));
        all.insert("when".into(), json!(when));
        self.input.words.say(key, &all)
    }

    /// What a personal member says, or that it is withheld or erased.
    fn told(&self, text: Option<&String>) -> String {
        text.cloned().unwrap_or_else(|| self.input.hidden())
    }

    /// The number a photo has in this pack.
    fn number(&self, photo: Uuid) -> Option<usize> {
        self.of.shown.placed.iter().find(|p| p.photo == photo).map(|p| p.number)
    }

    /// " (photo 1, 4)"; nothing when none of them is here.
    fn numbers(&self, photos: &[Uuid]) -> String {
        let list: Vec<String> = photos.iter().filter_map(|p| self.number(*p)).map(|n| n.to_string()).collect();
        if list.is_empty() {
            return String::new();
        }
        format!(" ({})", self.say("receipt.photos", &json!({"list": list.join(", ")})))
    }

    fn head(&mut self, key: &str) {
        let text = self.w(key);
        self.out.push(Block::Heading(text));
    }

    /// A heading and a list, if there is anything in it.
    fn section(&mut self, key: &str, items: Vec<String>) {
        if !items.is_empty() {
            self.head(key);
            self.out.push(Block::List(items));
        }
    }

    fn soft(&mut self, key: &str) {
        let text = self.w(key);
        self.out.push(Block::Soft(text));
    }
}

/// The report.
pub fn report(of: &Of<'_>) -> Report {
    let input = of.shown.input;
    let mut tell = Tell { of, input, out: Vec::new() };
    // Of one view its photos; of one claim what the bench says of its part, too.
    let wanted = of.shown.wanted;
    let (whole, bench) = (wanted.view.is_none() && wanted.claim.is_none(), wanted.view.is_none());
    summary::first_page(&mut tell);
    if whole {
        tell.out.push(Block::NewPage);
        let number = |id: Uuid| of.shown.placed.iter().find(|p| p.photo == id).map(|p| p.number);
        let (left, later) = lines::open(input);
        tell.section("receipt.condition", lines::condition(input, &number));
        tell.section("receipt.left-open-title", left);
        care::statements(&mut tell);
        tell.section("receipt.answers", lines::answers(input));
        tell.section("receipt.safety-title", lines::safety(input));
        tell.section("receipt.accessories", lines::accessories(input));
        if of.shown.wanted.customer == Customer::Shown {
            tell.section("receipt.later", later);
        }
        summary::signed(&mut tell);
    }
    photos::photos(&mut tell);
    if bench {
        bench::readings(&mut tell);
        bench::findings(&mut tell);
        bench::parts(&mut tell);
    }
    if whole {
        care::money(&mut tell);
        care::custody(&mut tell);
        care::home(&mut tell);
        care::disputes(&mut tell);
    }
    summary::lacks(&mut tell);
    timeline::timeline(&mut tell);
    outside::outside(&mut tell);
    summary::check(&mut tell);

    let tag = input.since.tag().unwrap_or_default();
    let words = Words { page: tell.w("report.page"), lacking: tell.w("report.lacking") };
    Report {
        language: input.words.language.clone(),
        title: tell.say("report.title", &json!({"tag": tag})),
        foot: tell.say("report.foot", &json!({"tag": tag, "shop": input.shop_name})),
        at: of.shown.entries.iter().map(|(_, e)| e.kept.at).max().unwrap_or(0),
        words,
        blocks: tell.out,
    }
}
