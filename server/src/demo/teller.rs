//! Tells the stories: the same entries, files and judgements as over the API, at the times of the story.

use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};

use drawn::{Flaw, Machine, Shot, Taken};
use evidence::digest::Digest;
use evidence::disclosure::{self, Disclosure};
use evidence::entry::{Author, Said};
use futures_util::future::join_all;
use jiff::Timestamp;
use jiff::tz::Offset;
use serde_json::{Map, Value, json};
use tokio::sync::mpsc;
use uuid::Uuid;

use super::plot::{Act, Moment, Want, Who};
use super::stories::{End, Story};
use crate::app::App;
use crate::edge::Millis;
use crate::intake::kind::LoadedKind;
use crate::intake::sheet::{self, Shown};
use crate::intake::state::Whose;
use crate::judging::{self, Held};
use crate::kinds;
use crate::ledger::start::map;
use crate::ledger::{Answer, Command, Measured, No, Right, ServerEntry, load};
use crate::originals::Shelf;
use crate::words;

/// So many pictures are drawn ahead of the one that is told.
const AHEAD: usize = 8;
/// From one photo to the next at the counter.
const STEP: Millis = 21_000;

/// Somebody of the shop at their device.
#[derive(Clone, Copy, Debug, Default)]
pub struct Hand {
    /// Who.
    pub staff: Uuid,
    /// Their device.
    pub device: Uuid,
    role: &'static str,
}

impl Hand {
    /// Somebody in a role, whose device is not known yet.
    pub fn of(staff: Uuid, role: &'static str) -> Hand {
        Hand { staff, device: Uuid::nil(), role }
    }
}

/// The people of the shop.
#[derive(Clone, Copy, Debug)]
pub struct Hands {
    /// The shop.
    pub shop: Uuid,
    /// The owner.
    pub ines: Hand,
    /// The counter.
    pub bo: Hand,
    /// The bench.
    pub rena: Hand,
}

impl Hands {
    fn of(&self, who: Who) -> Hand {
        match who {
            Who::Ines => self.ines,
            Who::Bo => self.bo,
            Who::Rena => self.rena,
        }
    }
}

/// A device's clock: what it calls itself, how far it is behind ours, whether its camera writes the offset.
fn device(who: Who) -> (&'static str, Millis, bool) {
    match who {
        Who::Ines => ("Desk 1", 0, true),
        Who::Bo => ("Counter 1", 41_000, true),
        Who::Rena => ("Bench 1", -3_400, false),
    }
}

/// One intake while it is told.
struct Told {
    id: Uuid,
    kind: &'static LoadedKind,
    seen: Option<u64>,
    photos: Vec<(&'static str, Uuid)>,
}

/// Tells stories.
pub struct Teller {
    app: App,
    clock: Arc<AtomicI64>,
    hands: Hands,
    stories: Vec<Story>,
    told: Vec<Told>,
}

impl Teller {
    /// Over an application whose clock is in our hand.
    pub fn new(app: App, clock: Arc<AtomicI64>, hands: Hands) -> Teller {
        Teller { app, clock, hands, stories: Vec::new(), told: Vec::new() }
    }

    /// Tells all moments in their order.
    ///
    /// # Errors
    /// A sentence that names the machine and what was refused.
    pub async fn tell(mut self, (stories, moments): (Vec<Story>, Vec<Moment>)) -> Result<(), String> {
        let random = self.app.ledger.random().clone();
        for s in &stories {
            let kind = kinds::shipped().iter().find(|k| k.kind.id == s.kind).ok_or("no such kind")?;
            let at = moments.first().map_or(0, |m| m.at);
            self.told.push(Told { id: random.uuid(at), kind, seen: None, photos: Vec::new() });
        }
        let shots: Vec<Shot> = moments.iter().flat_map(|m| shots(&stories, m)).collect();
        self.stories = stories;
        let (ready, mut pictures) = mpsc::channel(AHEAD);
        let drawing = tokio::task::spawn_blocking(move || {
            for shot in shots {
                // Nobody waits for it any more: the teller stopped, and says why.
                if ready.blocking_send(drawn::draw(&shot)).is_err() {
                    break;
                }
            }
        });
        for moment in &moments {
            self.clock.store(moment.at, Ordering::SeqCst);
            let done = self.moment(moment, &mut pictures).await;
            done.map_err(|e| format!("{}: {e}", self.stories[moment.story].tag))?;
        }
        drawing.await.map_err(|e| e.to_string())
    }

    async fn moment(&mut self, m: &Moment, pictures: &mut mpsc::Receiver<Option<Vec<u8>>>) -> Result<(), String> {
        let mut together = Vec::new();
        let count = m.acts.len();
        for (i, act) in m.acts.iter().enumerate() {
            let at = m.at - (count - 1 - i) as Millis * 3_000;
            match act {
                Act::Open(earlier) => {
                    let s = &self.stories[m.story];
                    let kind = self.told[m.story].kind;
                    let how = if matches!(s.end, End::Found(_)) { "found" } else { "at counter" };
                    let mut body = map(json!({"kind": kind.digest, "kind_id": s.kind, "tag": s.tag, "how": how}));
                    if let Some((story, again)) = earlier {
                        let (id, tag) = (self.told[*story].id, self.stories[*story].tag);
                        body.insert("earlier".into(), json!({"intake": id, "tag": tag, "again": again}));
                    }
                    together.push(self.command(m, at, "intake-opened", body, &[]));
                }
                Act::Found(place) => {
                    let seen = local(at, m.offset_minutes).strftime("%Y-%m-%dT%H:%M").to_string();
                    let body = map(json!({"place": place, "seen_at": seen}));
                    together.push(self.command(m, at, "found-noted", body, &[]));
                }
                Act::Say(kind, body, personal) => {
                    let mut body = map(body.clone());
                    if *kind == "statement-made" {
                        body.insert("heard_by".into(), json!(self.hands.of(m.who).staff));
                    }
                    together.push(self.command(m, at, kind, body, personal));
                }
                Act::SayWithPhoto(kind, body, member, view) => {
                    let mut body = map(body.clone());
                    let photo = self.told[m.story].photos.iter().rfind(|(v, _)| v == view).map(|(_, id)| *id);
                    match (*member, photo) {
                        ("photos", photo) => {
                            body.insert("line".into(), json!(self.app.ledger.random().uuid(at)));
                            body.insert("photos".into(), json!(photo.into_iter().collect::<Vec<_>>()));
                        }
                        (member, Some(photo)) => {
                            body.insert(member.into(), json!(photo));
                        }
                        _ => {}
                    }
                    together.push(self.command(m, at, kind, body, &[]));
                }
                Act::Photos(wants) => {
                    self.keep(m.story, std::mem::take(&mut together)).await?;
                    self.photos(m, wants, pictures).await?;
                }
                Act::Sheet(not_now) => self.sheet(m, *not_now).await?,
            }
        }
        self.keep(m.story, together).await
    }

    fn command(
        &self,
        m: &Moment,
        at: Millis,
        kind: &str,
        mut body: Map<String, Value>,
        personal: &[(&'static str, String)],
    ) -> Command {
        use base64::Engine;
        let random = self.app.ledger.random();
        let hand = self.hands.of(m.who);
        let behind = device(m.who).1;
        let disclosures: Vec<String> = personal
            .iter()
            .map(|(name, value)| {
                let salt = base64::engine::general_purpose::URL_SAFE_NO_PAD.encode(random.bytes::<16>());
                Disclosure { salt, name: (*name).to_owned(), value: json!(value) }.encode()
            })
            .collect();
        disclosure::attach(&mut body, &disclosures);
        let said = Said {
            author: Author::Staff { staff: hand.staff, device: hand.device },
            body,
            at: at - behind,
            offset_minutes: m.offset_minutes as _,
            id: random.uuid(at - behind),
            intake: Some(self.told[m.story].id),
            seen: self.told[m.story].seen,
            shop: self.hands.shop,
            kind: kind.to_owned(),
            v: 1,
        };
        Command {
            said,
            disclosures,
            measured: Some(Measured { offset_ms: behind, round_trip_ms: 46 }),
            right: Right { staff: Some(hand.staff), roles: vec![hand.role.to_owned()] },
        }
    }

    /// Appends commands together, as a phone's queue sends them.
    async fn keep(&mut self, story: usize, commands: Vec<Command>) -> Result<(), String> {
        let kinds: Vec<String> = commands.iter().map(|c| c.said.kind.clone()).collect();
        let answers = join_all(commands.into_iter().map(|c| self.app.ledger.append(c))).await;
        for (kind, answer) in kinds.iter().zip(answers) {
            self.note(story, kind, answer)?;
        }
        Ok(())
    }

    fn note(&mut self, story: usize, kind: &str, answer: Result<Answer, No>) -> Result<(), String> {
        let answer = answer.map_err(|no| format!("{kind} was refused: {no:?}"))?;
        let seen = &mut self.told[story].seen;
        *seen = (*seen).max(Some(answer.index));
        Ok(())
    }

    /// Says that pictures were taken, keeps them, has each judged.
    async fn photos(
        &mut self,
        m: &Moment,
        wants: &[Want],
        pictures: &mut mpsc::Receiver<Option<Vec<u8>>>,
    ) -> Result<(), String> {
        let (shop, intake) = (self.hands.shop, self.told[m.story].id);
        let (mut taken, mut held, mut received) = (Vec::new(), Vec::new(), Vec::new());
        for (i, want) in wants.iter().enumerate() {
            let bytes = pictures.recv().await.flatten().ok_or_else(|| format!("nobody drew {}", want.draws))?;
            let at = photo_at(m, i, wants.len());
            let (photo, file, size) = (self.app.ledger.random().uuid(at), Digest::of(&bytes), bytes.len() as u64);
            let stage = self.told[m.story].kind.kind.view(want.draws).map_or("received", |v| v.stage.as_str());
            let mut body = map(json!({"photo": photo, "file": file, "size": size, "stage": stage}));
            if want.for_view {
                body.insert("view".into(), json!(want.draws));
            }
            let number = 400 + m.story * 17 + self.told[m.story].photos.len();
            taken.push(self.command(m, at, "photo-taken", body, &[("file_name", format!("IMG_{number:04}.jpg"))]));
            self.told[m.story].photos.push((want.draws, photo));
            held.push((Held { shop, intake, photo, file }, size));
            let (originals, nonce) = (self.app.ledger.originals().clone(), self.app.ledger.nonce());
            received.push(tokio::task::spawn_blocking(move || {
                originals.keep(shop, Shelf::Originals, &bytes, nonce).map_err(|e| e.to_string())
            }));
        }
        self.keep(m.story, taken).await?;
        for kept in received {
            kept.await.map_err(|e| e.to_string())??;
        }
        let said = held.iter().map(|(h, size)| {
            let body = json!({"photo": h.photo, "file": h.file, "size": size, "media_type": "image/jpeg"});
            self.app.ledger.say(shop, by_server("photo-received", intake, body))
        });
        let said = join_all(said).await;
        for answer in said {
            self.note(m.story, "photo-received", answer)?;
        }
        for (held, size) in held {
            let weighed = judging::weigh(&self.app, shop, held.file, size, false).await.map_err(|e| e.to_string())?;
            judging::judge(self.app.clone(), held, weighed).await?;
        }
        Ok(())
    }

    /// Shows the sheet as it stands, and has it signed or not.
    async fn sheet(&mut self, m: &Moment, not_now: Option<&str>) -> Result<(), String> {
        let told = &self.told[m.story];
        let (shop, intake, kind) = (self.hands.shop, told.id, told.kind);
        let mut db = self.app.ledger.pool().acquire().await.map_err(|e| e.to_string())?;
        let state = load::intake(&mut db, Whose { shop, intake }).await.map_err(|e| e.to_string())?;
        drop(db);
        let words = words::language(words::FIRST);
        let shown = Shown { language: &words.language, words: words.digest, reader: None };
        let sheet = sheet::build(&kind.kind, &state, &shown).ok_or("there is no sheet")?;
        let sheet = sheet.bytes().map_err(|e| e.to_string())?;
        let mut files = vec![("sheet", sheet.clone())];
        let mut body = map(json!({"how": if not_now.is_some() { "not now" } else { "signed" },
            "sheet": Digest::of(&sheet), "language": words.language, "words": words.digest}));
        if let Some(because) = not_now {
            body.insert("because".into(), json!(because));
        } else {
            let strokes = signature(m.story as i64)?;
            body.insert("strokes".into(), json!(Digest::of(&strokes)));
            files.push(("strokes", strokes));
        }
        let said = self.command(m, m.at, "acknowledged", body, &[]);
        self.keep(m.story, vec![said]).await?;
        for (of, bytes) in files {
            let (originals, nonce) = (self.app.ledger.originals().clone(), self.app.ledger.nonce());
            let (file, size) = (Digest::of(&bytes), bytes.len());
            let kept = tokio::task::spawn_blocking(move || originals.keep(shop, Shelf::Originals, &bytes, nonce)).await;
            kept.map_err(|e| e.to_string())?.map_err(|e| e.to_string())?;
            let body = json!({"file": file, "size": size, "of": of});
            let answer = self.app.ledger.say(shop, by_server("file-received", intake, body)).await;
            self.note(m.story, "file-received", answer)?;
        }
        Ok(())
    }
}

fn by_server(kind: &str, intake: Uuid, body: Value) -> ServerEntry {
    ServerEntry { kind: kind.into(), intake: Some(intake), body: map(body), personal: Vec::new(), author: None }
}

/// When the nth of so many photos was taken, by our clock.
fn photo_at(m: &Moment, i: usize, count: usize) -> Millis {
    m.at - (count - i) as Millis * STEP
}

/// The pictures of a moment, as they are to be drawn.
fn shots(stories: &[Story], m: &Moment) -> Vec<Shot> {
    let s = &stories[m.story];
    let (phone, behind, writes_offset) = device(m.who);
    let mut shots = Vec::new();
    for (n, act) in m.acts.iter().enumerate() {
        let Act::Photos(wants) = act else { continue };
        for (i, want) in wants.iter().enumerate() {
            let wall = photo_at(m, i, wants.len()) - behind;
            let serial = if s.serial.is_empty() { "- - - - -" } else { s.serial };
            let machine = Machine { kind: s.kind, make: s.make, model: s.model, serial: serial.into(), about: s.about };
            shots.push(Shot {
                machine,
                view: want.draws.into(),
                tag: s.tag.into(),
                taken: taken(wall, m.offset_minutes, writes_offset),
                phone: phone.into(),
                damage: s.damage.iter().find(|(view, _)| *view == want.draws).map_or("", |(_, lines)| lines),
                flaw: if want.flaw == Flaw::None { Flaw::None } else { want.flaw },
                // What differs from picture to picture; the day does not, so that two demos look the same.
                seed: (m.story * 1009 + m.acts.len() * 31 + n * 7 + i) as u64 + u64::from(m.who == Who::Rena) * 500,
            });
        }
    }
    shots
}

/// What a camera writes whose clock stands at `wall`.
pub fn taken(wall: Millis, offset_minutes: i32, writes_offset: bool) -> Taken {
    let local = local(wall, offset_minutes);
    let (sign, minutes) = (if offset_minutes < 0 { '-' } else { '+' }, offset_minutes.abs());
    Taken {
        wall: local.strftime("%Y:%m:%d %H:%M:%S").to_string(),
        offset: writes_offset.then(|| format!("{sign}{:02}:{:02}", minutes / 60, minutes % 60)),
        sub_seconds: writes_offset.then(|| format!("{:03}", wall.rem_euclid(1000))),
    }
}

/// A time as a wall clock there shows it.
fn local(at: Millis, offset_minutes: i32) -> jiff::civil::DateTime {
    let offset = Offset::from_seconds(offset_minutes * 60).unwrap_or(Offset::UTC);
    offset.to_datetime(Timestamp::from_millisecond(at).unwrap_or_default())
}

/// A signature: loops along a line, each person's a little other.
fn signature(person: i64) -> Result<Vec<u8>, String> {
    let points: Vec<[i64; 3]> = (0..60)
        .map(|i| {
            let swing = [0, 30, 48, 40, 12, -18, -34, -26][((i + person) % 8) as usize];
            [24 + i * 6, 96 + swing * (60 - i) / 60 + (person * i) % 9, i * 21]
        })
        .collect();
    let strokes = json!({"height": 200, "strokes": [points], "v": 1, "width": 400});
    evidence::canon::to_bytes(&strokes).map_err(|e| e.to_string())
}
