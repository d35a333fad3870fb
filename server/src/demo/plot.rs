//! From stories to moments: who says what about which machine, and when by the shop's clock.

use jiff::Timestamp;
use jiff::tz::TimeZone;
use serde_json::{Value, json};

use super::stories::{Bench, End, Story, When};
use crate::edge::Millis;

/// Who does it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Who {
    /// The owner, at the desk.
    Ines,
    /// At the counter.
    Bo,
    /// At the bench.
    Rena,
}

/// A picture to be taken.
#[derive(Clone, Debug)]
pub struct Want {
    /// What is drawn.
    pub draws: &'static str,
    /// Whether it is meant for the view of that name.
    pub for_view: bool,
    /// What goes wrong.
    pub flaw: drawn::Flaw,
}

/// One thing done.
#[derive(Clone, Debug)]
pub enum Act {
    /// The intake is opened; with the earlier story and in which way it goes back to it.
    Open(Option<(usize, &'static str)>),
    /// It was found at this place, now.
    Found(&'static str),
    /// Something is said: type, body, personal members.
    Say(&'static str, Value, Vec<(&'static str, String)>),
    /// Something is said about a photo: the member that names it, and the view it was drawn for.
    SayWithPhoto(&'static str, Value, &'static str, &'static str),
    /// Pictures are taken, sent and judged.
    Photos(Vec<Want>),
    /// The sheet is shown: signed, or not now and why.
    Sheet(Option<&'static str>),
}

/// Things done at one time, sent together.
#[derive(Clone, Debug)]
pub struct Moment {
    /// Which story.
    pub story: usize,
    /// When, by the server's clock.
    pub at: Millis,
    /// The shop's offset from UTC then, minutes.
    pub offset_minutes: i32,
    /// Who.
    pub who: Who,
    /// What.
    pub acts: Vec<Act>,
}

/// All moments of all stories, in the order in which they happened, with the stories.
///
/// # Errors
/// A sentence when a time cannot be.
pub fn moments(stories: Vec<Story>, now: Millis, zone: &str) -> Result<(Vec<Story>, Vec<Moment>), String> {
    let zone = TimeZone::get(zone).map_err(|e| e.to_string())?;
    let mut all = Vec::new();
    for (number, story) in stories.iter().enumerate() {
        let mut plot = Plot { story: number, now, zone: &zone, all: &mut all };
        plot.counter(story)?;
        plot.bench(story)?;
    }
    all.sort_by_key(|m| m.at);
    Ok((stories, all))
}

struct Plot<'a> {
    story: usize,
    now: Millis,
    zone: &'a TimeZone,
    all: &'a mut Vec<Moment>,
}

impl Plot<'_> {
    fn at(&mut self, when: When, seconds: i64, who: Who, acts: Vec<Act>) -> Result<(), String> {
        let start = match when {
            When::Ago(minutes) => self.now - minutes * 60_000,
            When::Day(days, hour, minute) => {
                let now = Timestamp::from_millisecond(self.now).map_err(|e| e.to_string())?;
                let today = self.zone.to_datetime(now).date();
                let date = today.checked_sub(jiff::Span::new().days(days)).map_err(|e| e.to_string())?;
                let local = self.zone.to_timestamp(date.at(hour, minute, 0, 0)).map_err(|e| e.to_string())?;
                local.as_millisecond()
            }
        };
        let at = start + seconds * 1000;
        let moment = Timestamp::from_millisecond(at).map_err(|e| e.to_string())?;
        let offset_minutes = self.zone.to_offset(moment).seconds() / 60;
        self.all.push(Moment { story: self.story, at, offset_minutes, who, acts });
        Ok(())
    }

    /// What happens at the counter, as far as this story goes: eight minutes.
    fn counter(&mut self, s: &Story) -> Result<(), String> {
        let (when, who) = (s.opened, s.who);
        if let End::Found(place) = s.end {
            return self.found(s, place);
        }
        self.at(when, 0, who, vec![Act::Open(s.earlier)])?;
        self.at(when, 55, who, told(s))?;
        let flawed: Vec<Want> = s.views.iter().map(|v| want(v, s)).collect();
        if !flawed.is_empty() {
            self.at(when, 190, who, vec![Act::Photos(flawed)])?;
        }
        let again: Vec<Want> = s.flaws.iter().filter(|f| f.2).map(|f| want(f.0, &Story::default())).collect();
        if !again.is_empty() {
            self.at(when, 245, who, vec![Act::Photos(again)])?;
        }
        if s.end == End::Open(false) {
            return Ok(());
        }
        self.at(when, 330, who, asked(s))?;
        self.at(when, 380, who, vec![arranged(s)])?;
        if s.end == End::Open(true) {
            return Ok(());
        }
        if let End::NotTaken(because) = s.end {
            let no = Act::Say("not-taken-in", json!({"because": because}), Vec::new());
            return self.at(when, 420, who, vec![no]);
        }
        let left = s
            .left_open
            .iter()
            .map(|(gap, reason)| Act::Say("left-open", json!({"gap": gap, "reason": reason}), Vec::new()));
        let left: Vec<Act> = left.collect();
        if !left.is_empty() {
            self.at(when, 410, who, left)?;
        }
        let not_now = if let End::NotNow(because) = s.end { Some(because) } else { None };
        self.at(when, 450, who, vec![Act::Sheet(not_now)])?;
        let mut last = vec![Act::Say("taken-in", json!({}), Vec::new())];
        if let Some(place) = s.place {
            last.push(moved(place));
        }
        self.at(when, 480, who, last)
    }

    /// A machine that stood there when somebody came: photographed where it stood, nobody to be asked.
    fn found(&mut self, s: &Story, place: &'static str) -> Result<(), String> {
        let (when, who) = (s.opened, s.who);
        self.at(when, 0, who, vec![Act::Open(None), Act::Found(place)])?;
        let wants: Vec<Want> = s.views.iter().map(|v| want(v, s)).collect();
        self.at(when, 120, who, vec![Act::Photos(wants)])
    }

    /// What happens afterwards.
    fn bench(&mut self, s: &Story) -> Result<(), String> {
        for (when, what) in s.bench {
            let acts = match what {
                Bench::To(place) => vec![moved(place)],
                Bench::Tag(tag, because) => {
                    vec![Act::Say("tag-replaced", json!({"tag": tag, "because": because}), Vec::new())]
                }
                Bench::Photo(view) => vec![Act::Photos(vec![plain(view, true)])],
                Bench::Answer(question, choice) => {
                    vec![Act::Say("question-answered", json!({"question": question, "choice": choice}), Vec::new())]
                }
                Bench::Engine(number) => {
                    let body = json!({"field": "engine-numbers", "value": number, "from": "typed"});
                    vec![Act::Say("machine-described", body, Vec::new())]
                }
                Bench::Reading(reading, value, unit, method) => {
                    let body = json!({"reading": reading, "value": value, "unit": unit, "method": method});
                    let gauge = Act::Photos(vec![plain("compression", false)]);
                    match *reading {
                        "compression" => {
                            vec![gauge, Act::SayWithPhoto("reading-noted", body, "photo", "compression")]
                        }
                        _ => vec![Act::Say("reading-noted", body, Vec::new())],
                    }
                }
                Bench::NotRead(reading, because) => {
                    let body = json!({"reading": reading, "not": "not taken", "because": because});
                    vec![Act::Say("reading-noted", body, Vec::new())]
                }
                Bench::Service(body, note) => {
                    let body: Value = serde_json::from_str(body).map_err(|e| e.to_string())?;
                    let note = (!note.is_empty()).then(|| ("note", (*note).to_owned()));
                    vec![Act::Say("service-noted", body, note.into_iter().collect())]
                }
                Bench::Say(kind, body) => {
                    vec![Act::Say(kind, serde_json::from_str(body).map_err(|e| e.to_string())?, Vec::new())]
                }
                Bench::Finding(view, body) => {
                    let body = serde_json::from_str(body).map_err(|e| e.to_string())?;
                    vec![Act::SayWithPhoto("finding-noted", body, "photo", view)]
                }
            };
            self.at(*when, 0, Who::Rena, acts)?;
        }
        Ok(())
    }
}

fn plain(draws: &'static str, for_view: bool) -> Want {
    Want { draws, for_view, flaw: drawn::Flaw::None }
}

fn want(view: &'static str, s: &Story) -> Want {
    let flaw = s.flaws.iter().find(|f| f.0 == view).map_or(drawn::Flaw::None, |f| f.1);
    Want { flaw, ..plain(view, true) }
}

fn moved(place: &str) -> Act {
    Act::Say("moved", json!({"place": place}), Vec::new())
}

/// The machine, its people, what is wrong with it.
fn told(s: &Story) -> Vec<Act> {
    let from = if s.earlier.is_some_and(|(_, again)| again != "same customer") { "earlier intake" } else { "typed" };
    let mut acts = Vec::new();
    for (field, value) in [("make", s.make), ("model", s.model), ("serial", s.serial)] {
        let body = match value {
            "" => json!({"field": field, "not": "not readable"}),
            value => json!({"field": field, "value": value, "from": from}),
        };
        acts.push(Act::Say("machine-described", body, Vec::new()));
    }
    let (name, phone, email) = s.owner;
    let mut personal = vec![("name", name.to_owned())];
    let mut none = Vec::new();
    for (member, value) in [("phone", phone), ("email", email)] {
        if value.is_empty() { none.push(member) } else { personal.push((member, value.to_owned())) }
    }
    let body = if none.is_empty() { json!({"who": "owner"}) } else { json!({"who": "owner", "none": none}) };
    acts.push(Act::Say("person-named", body, personal));
    acts.push(match s.bringer {
        "" => Act::Say("person-named", json!({"who": "bringer", "same_as_owner": true}), Vec::new()),
        name => Act::Say("person-named", json!({"who": "bringer"}), vec![("name", name.to_owned())]),
    });
    if !s.complaint.is_empty() {
        acts.push(Act::Say("statement-made", json!({"topic": "complaint"}), vec![("text", s.complaint.to_owned())]));
    }
    acts
}

/// Questions, lines and the sentences for the rest.
fn asked(s: &Story) -> Vec<Act> {
    let mut acts: Vec<Act> = Vec::new();
    for (question, choice) in s.answers {
        let body = match *choice {
            "does not know" => json!({"question": question, "not": choice}),
            choice => json!({"question": question, "choice": choice}),
        };
        acts.push(Act::Say("question-answered", body, Vec::new()));
    }
    for (part, word, view) in s.lines {
        acts.push(Act::SayWithPhoto("condition-noted", json!({"part": part, "word": word}), "photos", view));
    }
    for (item, seen) in s.safety {
        acts.push(Act::Say("safety-noted", json!({"item": item, "seen": seen}), Vec::new()));
    }
    for (item, count) in s.accessories {
        let body = json!({"item": item, "count": count, "stays": "kept here"});
        acts.push(Act::Say("accessory-noted", body, Vec::new()));
    }
    for (block, sentence) in [
        ("walk-round", "block.walk-round.photographed"),
        ("safety", "block.safety.not-tested"),
        ("accessories", "block.accessories.nothing-else"),
    ] {
        acts.push(Act::Say("block-answered", json!({"block": block, "sentence": sentence}), Vec::new()));
    }
    acts
}

fn arranged(s: &Story) -> Act {
    let euro = |minor: u32| json!({"minor": minor, "currency": "EUR"});
    let limit = if s.limit == 0 { json!("none") } else { euro(s.limit) };
    let values = json!({"fee": euro(3500), "limit": limit, "deposit": "none", "diagnosis_by": "no promise",
        "over_limit": "ask first", "old_parts": "give back", "terms": evidence::digest::Digest::of(super::TERMS.as_bytes())});
    Act::Say("arrangement-made", json!({"values": values}), Vec::new())
}
