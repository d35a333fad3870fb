//! The state of one intake: the fold of its entries. Pure; the same fold runs on the phone in JavaScript.

use std::collections::{BTreeMap, BTreeSet};

use evidence::digest::Digest;
use serde::Serialize;
use serde_json::Value;
use uuid::Uuid;

use super::bench;
use super::body::{self, Body};
use super::custody::{self, Custody};
use super::days;
use super::dispute;
use super::erasure;
use super::hand_back;
use super::part;
use super::redaction;

/// Which entry said something: where it stands, who, when, and its said digest.
#[derive(Clone, Debug, Serialize, PartialEq)]
pub struct Mark {
    /// Log index; absent for an entry that is still on the phone.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub index: Option<u64>,
    /// The entry's id.
    pub id: Uuid,
    /// Its said digest.
    pub digest: Digest,
    /// The staff member; absent for the server's own entries.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub by: Option<Uuid>,
    /// Log time, milliseconds UTC.
    pub at: i64,
    /// The device's own clock, milliseconds UTC.
    pub device_at: i64,
    /// Order in this fold.
    #[serde(skip)]
    pub order: usize,
}

/// One entry as the fold sees it.
#[derive(Clone, Debug)]
pub struct Fact {
    /// Who, when, where.
    pub mark: Mark,
    /// What.
    pub body: Body,
}

/// Where an intake stands.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
pub enum Standing {
    /// No entry yet.
    #[default]
    #[serde(rename = "none")]
    None,
    /// Left outside hours; its owner was not here yet.
    #[serde(rename = "found")]
    Found,
    /// At the counter; not accepted.
    #[serde(rename = "open")]
    Open,
    /// The shop has custody.
    #[serde(rename = "in care")]
    InCare,
    /// Gone home.
    #[serde(rename = "handed back")]
    HandedBack,
    /// Refused at the counter.
    #[serde(rename = "not taken in")]
    NotTakenIn,
}

impl Standing {
    /// The word shown and stored.
    pub fn word(self) -> &'static str {
        match self {
            Standing::None => "none",
            Standing::Found => "found",
            Standing::Open => "open",
            Standing::InCare => "in care",
            Standing::HandedBack => "handed back",
            Standing::NotTakenIn => "not taken in",
        }
    }
}

/// A value with the entry it comes from.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Said<T> {
    /// The body.
    #[serde(flatten)]
    pub what: T,
    /// Its entry.
    pub mark: Mark,
}

/// One thing arranged: money, a date, a word or the terms' digest.
#[derive(Clone, Debug, Serialize)]
pub struct Arrangement {
    /// What was arranged.
    pub value: Value,
}

/// A condition line with its place in the order of first noting.
#[derive(Clone, Debug, Serialize)]
pub struct NotedLine {
    /// The line as it stands.
    #[serde(flatten)]
    pub what: body::Line,
    /// The entry it stands by.
    pub mark: Mark,
    /// Order of first noting.
    #[serde(skip)]
    pub first: usize,
}

/// A photo: taken, received, judged.
#[derive(Clone, Debug, Serialize)]
pub struct Photo {
    /// What the device said.
    #[serde(flatten)]
    pub taken: body::PhotoTaken,
    /// The entry that said it.
    pub mark: Mark,
    /// When the server had its bytes, and their type.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub received: Option<Said<body::PhotoReceived>>,
    /// The judgement.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub judged: Option<Said<body::PhotoJudged>>,
    /// The intake it came from, when it was taken for another machine.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub from: Option<Uuid>,
    /// When, why and where it was moved away.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub moved: Option<Said<days::PhotoMoved>>,
    /// When and why it was erased.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub erased: Option<Said<days::PhotoErased>>,
    /// The boxes over it, while there are any.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub redacted: Option<Said<redaction::PhotoRedacted>>,
}

impl Photo {
    fn taken(taken: body::PhotoTaken, mark: Mark, from: Option<Uuid>) -> Photo {
        Photo { taken, mark, received: None, judged: None, from, moved: None, erased: None, redacted: None }
    }

    /// The entry that took it away from this intake, if one did. It fills nothing then.
    pub fn gone(&self) -> Option<&Mark> {
        self.moved.as_ref().map(|m| &m.mark).or(self.erased.as_ref().map(|e| &e.mark))
    }
}

/// Where an intake belongs.
#[derive(Clone, Copy, Debug, Default, Serialize)]
pub struct Whose {
    /// The shop.
    pub shop: Uuid,
    /// The intake.
    pub intake: Uuid,
}

/// The state of an intake.
#[derive(Clone, Debug, Default, Serialize)]
pub struct Intake {
    /// Its shop and its id.
    #[serde(flatten)]
    pub whose: Whose,
    /// Where it stands.
    pub state: Standing,
    /// How it was opened.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub opened: Option<Said<body::Opened>>,
    /// The machine's fields.
    pub machine: BTreeMap<String, Said<body::Machine>>,
    /// The people's cards.
    pub people: BTreeMap<String, Said<body::Person>>,
    /// Statements by topic.
    pub statements: BTreeMap<String, Said<body::Statement>>,
    /// Answers by question.
    pub answers: BTreeMap<String, Said<body::Answer>>,
    /// Condition lines, in the order they were first noted.
    pub lines: Vec<NotedLine>,
    /// Safety devices.
    pub safety: BTreeMap<String, Said<body::Safety>>,
    /// Accessories.
    pub accessories: BTreeMap<String, Said<body::Accessory>>,
    /// Blocks answered by a sentence.
    pub blocks: BTreeMap<String, Said<body::Block>>,
    /// Money, dates, terms.
    pub arrangements: BTreeMap<String, Said<Arrangement>>,
    /// Photos, in order.
    pub photos: Vec<Photo>,
    /// Gaps left open, by gap.
    pub left_open: BTreeMap<String, Said<body::LeftOpen>>,
    /// The newest acknowledgement.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub acknowledgement: Option<Said<body::Acknowledged>>,
    /// Sheets and strokes whose bytes the server holds.
    pub files_received: BTreeSet<Digest>,
    /// When the shop took it in.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub taken_in: Option<Mark>,
    /// When and why it was not taken in.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub not_taken_in: Option<Said<body::NotTakenIn>>,
    /// Where it stands in the shop.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub place: Option<Said<body::Moved>>,
    /// Where and when it was found, when it was left outside hours.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub found: Option<Said<days::FoundNoted>>,
    /// What the owner of a found machine answered, in order.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub owner_answers: Vec<Said<days::OwnerAnswered>>,
    /// Tags given after the first one was lost, in order.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub tags: Vec<Said<days::TagReplaced>>,
    /// Readings, each as noted, in order; none replaces another.
    pub readings: Vec<Said<bench::ReadingNoted>>,
    /// Short service entries, in order.
    pub services: Vec<Said<bench::ServiceNoted>>,
    /// What happened to it in the shop's care.
    #[serde(skip_serializing_if = "custody::Kept::is_empty")]
    pub custody: custody::Kept,
    /// What was said when it went home.
    #[serde(skip_serializing_if = "hand_back::Home::is_empty")]
    pub home: hand_back::Home,
    /// Suspect parts and their claims.
    #[serde(skip_serializing_if = "part::Parts::is_empty")]
    pub parts: part::Parts,
    /// Disputes.
    #[serde(skip_serializing_if = "dispute::Disputes::is_empty")]
    pub disputes: dispute::Disputes,
    /// When the customer's personal data was erased, in order.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub erasures: Vec<Said<erasure::CustomerErased>>,
    /// Receipt links made and not revoked.
    pub links: BTreeMap<Uuid, Said<body::LinkMade>>,
    /// Highest log index seen.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub last_index: Option<u64>,
    /// Entries of a type or version that is not known here: nothing more is written until they are.
    pub not_understood: u64,
}

impl Intake {
    /// Folds entries in log order.
    pub fn fold<'a>(whose: Whose, facts: impl IntoIterator<Item = &'a Fact>) -> Intake {
        let mut intake = Intake { whose, ..Intake::default() };
        for fact in facts {
            intake.apply(fact);
        }
        intake
    }

    /// Applies one entry.
    pub fn apply(&mut self, fact: &Fact) {
        let mark = fact.mark.clone();
        self.last_index = self.last_index.max(mark.index);
        match &fact.body {
            Body::Opened(b) => {
                if self.opened.is_none() {
                    self.state = if b.how == "found" { Standing::Found } else { Standing::Open };
                    self.opened = said(b, mark);
                }
            }
            Body::Machine(b) => put(&mut self.machine, &b.field, b, mark),
            Body::Person(b) => put(&mut self.people, &b.who, b, mark),
            Body::Statement(b) => put(&mut self.statements, &b.topic, b, mark),
            Body::Answer(b) => put(&mut self.answers, &b.question, b, mark),
            Body::Line(b) => self.line(b, mark),
            Body::LineWithdrawn(b) => self.lines.retain(|l| l.what.line != b.line),
            Body::Safety(b) => put(&mut self.safety, &b.item, b, mark),
            Body::Accessory(b) => put(&mut self.accessories, &b.item, b, mark),
            Body::Block(b) => put(&mut self.blocks, &b.block, b, mark),
            Body::Arranged(b) => {
                for (field, value) in &b.values {
                    put(&mut self.arrangements, field, &Arrangement { value: value.clone() }, mark.clone());
                }
            }
            Body::PhotoTaken(b) => {
                if !self.photos.iter().any(|p| p.taken.photo == b.photo) {
                    self.photos.push(Photo::taken(b.clone(), mark, None));
                }
            }
            Body::PhotoReceived(b) => {
                if let Some(p) = self.photos.iter_mut().find(|p| p.taken.photo == b.photo && p.received.is_none()) {
                    p.received = said(b, mark);
                }
            }
            Body::PhotoJudged(b) => {
                if let Some(p) = self.photos.iter_mut().find(|p| p.taken.photo == b.photo) {
                    p.judged = said(b.as_ref(), mark);
                }
            }
            Body::FileReceived(b) => {
                self.files_received.insert(b.file);
            }
            Body::LeftOpen(b) => put(&mut self.left_open, &b.gap, b, mark),
            Body::Acknowledged(b) => self.acknowledgement = said(b, mark),
            Body::TakenIn(_) => {
                self.state = Standing::InCare;
                self.taken_in = Some(mark);
            }
            Body::NotTakenIn(b) => {
                self.state = Standing::NotTakenIn;
                self.not_taken_in = said(b, mark);
            }
            Body::Moved(b) => self.place = said(b, mark),
            Body::PhotoMoved(b) => {
                if let Some(p) = self.photos.iter_mut().find(|p| p.taken.photo == b.photo && p.moved.is_none()) {
                    p.moved = said(b, mark);
                }
            }
            Body::PhotoErased(b) => {
                if let Some(p) = self.photos.iter_mut().find(|p| p.taken.photo == b.photo && p.erased.is_none()) {
                    p.erased = said(b, mark);
                }
            }
            Body::PhotoCame(b) => {
                // One that was moved away from here and comes back is received and judged anew, as any that comes.
                self.photos.retain(|p| p.taken.photo != b.photo || p.moved.is_none());
                if self.photo(b.photo).is_none() {
                    self.photos.push(Photo::taken(b.taken(), mark, Some(b.from)));
                }
            }
            Body::FoundNoted(b) => self.found = said(b, mark),
            Body::OwnerAnswered(b) => {
                // Who answers from afar has seen nothing yet, and silence is no agreement.
                if self.state == Standing::Found && b.how == "came in" {
                    self.state = Standing::Open;
                }
                self.owner_answers.push(Said { what: b.clone(), mark });
            }
            Body::TagReplaced(b) => self.tags.push(Said { what: b.clone(), mark }),
            Body::ReadingNoted(b) => self.readings.push(Said { what: b.as_ref().clone(), mark }),
            Body::ServiceNoted(b) => self.services.push(Said { what: b.clone(), mark }),
            Body::Custody(b) => {
                // Kept from it again: what was told before is not told of this.
                if let Custody::Quarantined(q) = b.as_ref() {
                    self.home.told.remove(&q.word);
                }
                self.custody.apply(b, mark);
            }
            Body::HandBack(b) => {
                if self.home.apply(b, mark) {
                    self.state = Standing::HandedBack;
                }
            }
            Body::Part(b) => self.parts.apply(b, mark),
            Body::Dispute(b) => self.disputes.apply(b, mark),
            Body::CustomerErased(b) => {
                for photo in &b.photos {
                    let erased = days::PhotoErased { photo: *photo, because: b.why.clone() };
                    if let Some(p) = self.photos.iter_mut().find(|p| p.taken.photo == *photo && p.erased.is_none()) {
                        p.erased = said(&erased, mark.clone());
                    }
                }
                self.erasures.push(Said { what: b.as_ref().clone(), mark });
            }
            Body::PhotoRedacted(b) => {
                if let Some(p) = self.photos.iter_mut().find(|p| p.taken.photo == b.photo) {
                    p.redacted = if b.boxes.is_empty() { None } else { said(b.as_ref(), mark) };
                }
            }
            Body::LinkMade(b) => {
                self.links.insert(b.link, Said { what: b.clone(), mark });
            }
            Body::LinkRevoked(b) => {
                self.links.remove(&b.link);
            }
        }
    }

    fn line(&mut self, b: &body::Line, mark: Mark) {
        match self.lines.iter_mut().find(|l| l.what.line == b.line) {
            Some(line) => {
                line.what = b.clone();
                line.mark = mark;
            }
            None => self.lines.push(NotedLine { what: b.clone(), first: mark.order, mark }),
        }
    }

    /// What a field of a kind's condition says now.
    pub fn field(&self, field: &str) -> Option<String> {
        let (group, id) = field.split_once(':')?;
        match group {
            "question" => {
                let a = &self.answers.get(id)?.what;
                a.choice.clone().or_else(|| a.not.clone()).or_else(|| a.text.clone())
            }
            "safety" => self.safety.get(id).map(|s| s.what.seen.clone()),
            "line" => self.lines.iter().rev().find(|l| l.what.part == id).map(|l| l.what.word.clone()),
            "block" => self.blocks.get(id).map(|b| b.what.sentence.clone()),
            _ => None,
        }
    }

    /// The newest photo taken for a view that shows this machine; one of how it left shows nothing of how it came.
    pub fn newest(&self, view: &str) -> Option<&Photo> {
        let is = |p: &&Photo| p.gone().is_none() && p.taken.stage != "left" && p.taken.view.as_deref() == Some(view);
        self.photos.iter().rev().find(is)
    }

    /// Whether a photo was taken away before the customer could have signed for it: it is on no sheet.
    pub fn off_sheet(&self, photo: &Photo) -> bool {
        photo.gone().is_some_and(|m| !self.after_acceptance(m))
    }

    /// Whether an entry came after the shop took the machine in: the customer was not shown it.
    pub fn after_acceptance(&self, mark: &Mark) -> bool {
        let taken_in = self.taken_in.as_ref().and_then(|m| m.index);
        taken_in.is_some_and(|end| mark.index.is_none_or(|i| i > end))
    }

    /// The tag that hangs on it now.
    pub fn tag(&self) -> Option<&str> {
        let first = self.opened.as_ref().map(|o| o.what.tag.as_str());
        self.tags.last().map(|t| t.what.tag.as_str()).or(first)
    }

    /// Tags it had before and that were lost, oldest first, each with the entry that replaced it.
    pub fn lost_tags(&self) -> Vec<(&str, &Mark)> {
        let first = self.opened.as_ref().map(|o| o.what.tag.as_str());
        let had = first.into_iter().chain(self.tags.iter().map(|t| t.what.tag.as_str()));
        had.zip(self.tags.iter().map(|t| &t.mark)).collect()
    }

    /// The photo with this id.
    pub fn photo(&self, id: Uuid) -> Option<&Photo> {
        self.photos.iter().find(|p| p.taken.photo == id)
    }

    /// The name to call the customer by: the owner's, where it is known and not withheld.
    pub fn owner_name(&self) -> Option<&str> {
        self.people.get("owner").and_then(|p| p.what.name.as_deref())
    }
}

fn said<T: Clone>(what: &T, mark: Mark) -> Option<Said<T>> {
    Some(Said { what: what.clone(), mark })
}

fn put<T: Clone>(map: &mut BTreeMap<String, Said<T>>, key: &str, what: &T, mark: Mark) {
    map.insert(key.to_owned(), Said { what: what.clone(), mark });
}
