//! Three devices say things about one machine over lines that lose, double and delay: in the end every device has one state,
//! nothing is lost and nothing stands twice, and the phone's own check says what the server's says.
//!
//! Everything follows from the seed: who sends when, and what the line does to it. 15 seeds, 200 with `COUNTERFOIL_LONG=1`.
//! That the test can fail is shown by devices that do not repeat an entry's id when they send it again.

use std::collections::{BTreeMap, BTreeSet};
use std::process::Command;

use counterfoil::intake::state::Whose;
use counterfoil::ledger::load::{Stored, fold};
use evidence::digest::Digest;
use evidence::entry::{Author, Entry};
use serde_json::{Value, json};
use tests::ask::Actor;
use tests::counter::{Counter, Intake, Saying};
use tests::seeded::Seeded;
use tests::shop::{Shop, hire};
use uuid::Uuid;

/// What one device says while it hears of nothing.
const SAYINGS: u64 = 7;

/// Whether a device sends an entry again under its id.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Again {
    SameId,
    OtherId,
}

struct Device {
    counter: Counter,
    intake: Intake,
    /// Not acknowledged yet, in order.
    outbox: Vec<Saying>,
    /// Acknowledged, with the log index; sent again now and then, late.
    sent: Vec<(Saying, u64)>,
    /// What came from the server, by log index.
    heard: BTreeMap<u64, Stored>,
    after: Option<u64>,
}

impl Device {
    /// Says something: it waits in the outbox.
    fn say(&mut self, kind: &str, body: Value, personal: &[(&str, &str)]) {
        let saying = self.counter.saying(&self.intake, kind, body, personal);
        self.outbox.push(saying);
    }

    /// Something a counter says about a machine, drawn; on a few fields, so that devices meet there.
    fn anything(&mut self, n: u64, random: &mut Seeded) {
        let word = format!("{}-{n}", self.counter.random.below(10_000));
        match random.below(9) {
            0 | 1 => {
                let field = ["make", "model", "serial"][usize::try_from(random.below(3)).unwrap_or(0)];
                self.say("machine-described", json!({"field": field, "value": word, "from": "typed"}), &[]);
            }
            2 => {
                let heard = json!({"topic": "complaint", "heard_by": self.counter.staff.who.staff});
                self.say("statement-made", heard, &[("text", &word)]);
            }
            3 => self.say("person-named", json!({"who": "owner"}), &[("name", &word), ("phone", "0151 555 0142")]),
            4 => {
                let choice = ["new", "used"][usize::try_from(random.below(2)).unwrap_or(0)];
                self.say("question-answered", json!({"question": "bought", "choice": choice}), &[]);
            }
            5 => {
                let part = self.counter.kind["kind"]["part"][0]["id"].clone();
                let vocabulary = &self.counter.kind["kind"]["condition"];
                let word = vocabulary[usize::try_from(random.below(2)).unwrap_or(0)]["id"].clone();
                // Two lines that every device may mean.
                let line = Uuid::from_u128(0x0193_b0e8_0000_7000_8000_0000_0000_0000 + u128::from(random.below(2)));
                self.say("condition-noted", json!({"line": line, "part": part, "word": word, "photos": []}), &[]);
            }
            6 => {
                let sentence = ["block.accessories.nothing-else", "block.accessories.rest-not-asked"];
                let sentence = sentence[usize::try_from(random.below(2)).unwrap_or(0)];
                self.say("block-answered", json!({"block": "accessories", "sentence": sentence}), &[]);
            }
            7 => {
                let (photo, file) = (self.counter.uuid(), Digest::of(word.as_bytes()).to_string());
                let view = self.counter.views()[usize::try_from(random.below(3)).unwrap_or(0)].clone();
                let body = json!({"photo": photo, "file": file, "size": word.len(), "stage": "received", "view": view});
                self.say("photo-taken", body, &[("file_name", "IMG_0417.jpg")]);
            }
            _ => {
                let value = json!({"fee": {"minor": 100 * random.below(90), "currency": "EUR"}});
                self.say("arrangement-made", json!({"values": value}), &[]);
            }
        }
    }

    /// Sends what waits longest; the line may lose it, lose the answer, or carry it twice.
    async fn send(&mut self, random: &mut Seeded, again: Again) -> Result<(), String> {
        let Some(saying) = self.outbox.first().cloned() else { return Ok(()) };
        let fate = random.below(6);
        if fate == 0 {
            return Ok(());
        }
        let answer = self.counter.post(&saying).await.map_err(|e| e.to_string())?;
        if answer.status.as_u16() == 404 {
            // The entry that opens the intake is on another phone still.
            return Ok(());
        }
        if !answer.status.is_success() {
            return Err(format!("refused: {}", answer.text()));
        }
        if fate == 1 {
            // Kept, and the device does not know it: it sends it again.
            if again == Again::OtherId {
                let (body, kind) = (saying.request["said"]["body"].clone(), saying.request["said"]["type"].clone());
                let mut other = self.counter.saying(&self.intake, kind.as_str().unwrap_or_default(), body, &[]);
                other.request["disclosures"] = saying.request["disclosures"].clone();
                self.outbox[0] = other;
            }
            return Ok(());
        }
        let index = answer.json()["index"].as_u64().ok_or("no log index")?;
        if fate == 2 {
            self.repeat(&saying, index).await?;
        }
        self.outbox.remove(0);
        self.intake.note(&saying, &answer);
        self.sent.push((saying, index));
        Ok(())
    }

    /// The same once more: it stands where it stood.
    async fn repeat(&self, saying: &Saying, index: u64) -> Result<(), String> {
        let answer = self.counter.post(saying).await.map_err(|e| e.to_string())?;
        if answer.status.as_u16() != 200 || answer.json()["index"].as_u64() != Some(index) {
            return Err(format!("the same again is another: {} {}", answer.status, answer.text()));
        }
        Ok(())
    }

    /// Asks for what is new, sometimes from further back; the answer may be lost.
    async fn hear(&mut self, random: &mut Seeded) -> Result<(), String> {
        let after = if random.below(3) == 0 { None } else { self.after };
        let limit = 1 + random.below(6);
        let page = match self.page(after, limit).await? {
            Some(page) if random.below(5) > 0 => page,
            _ => return Ok(()),
        };
        for stored in page {
            self.after = self.after.max(Some(stored.index));
            self.heard.insert(stored.index, stored);
        }
        Ok(())
    }

    async fn page(&self, after: Option<u64>, limit: u64) -> Result<Option<Vec<Stored>>, String> {
        let after = after.map(|a| format!("&after={a}")).unwrap_or_default();
        let staff = &self.counter.staff;
        let path = staff.path(&format!("/intakes/{}/entries?limit={limit}{after}", self.intake.id));
        let answer = staff.get(&path).try_send().await.map_err(|e| e.to_string())?;
        if answer.status.as_u16() == 404 {
            return Ok(None);
        }
        let page = answer.json();
        let list = page["entries"].as_array().ok_or_else(|| answer.text())?;
        Ok(Some(list.iter().map(stored).collect()))
    }

    /// Hears everything, from where it is.
    async fn hear_all(&mut self) -> Result<(), String> {
        while let Some(page) = self.page(self.after, 100).await? {
            if page.is_empty() {
                break;
            }
            for stored in page {
                self.after = self.after.max(Some(stored.index));
                self.heard.insert(stored.index, stored);
            }
        }
        Ok(())
    }

    /// The state as this device folds it.
    fn state(&self) -> Result<Value, String> {
        let whose = Whose { shop: self.counter.staff.who.shop, intake: self.intake.id };
        let all: Vec<Stored> = self.heard.values().cloned().collect();
        Ok(json!(fold(whose, &all)?))
    }
}

fn stored(of: &Value) -> Stored {
    let texts = of["disclosures"].as_array().into_iter().flatten().filter_map(Value::as_str);
    Stored {
        index: of["index"].as_u64().expect("a log index"),
        bytes: of["bytes"].as_str().expect("an entry's bytes").as_bytes().to_vec(),
        disclosures: texts.map(str::to_owned).collect(),
    }
}

/// One machine, three devices, one seed. Gives a vector of what the log holds and what the server's check says of it.
async fn one(shop: &Shop, devices: &[Counter; 3], seed: u64, again: Again) -> Result<Value, String> {
    let mut random = Seeded::new(seed);
    let tag = format!("{}{seed:04}", if again == Again::SameId { "S" } else { "O" });
    let mut first = devices[0].clone();
    first.random = Seeded::new(random.number());
    let intake = first.intake(&tag);
    let mut all: Vec<Device> = devices
        .iter()
        .map(|c| Device {
            counter: c.clone(),
            intake: intake.clone(),
            outbox: Vec::new(),
            sent: Vec::new(),
            heard: BTreeMap::new(),
            after: None,
        })
        .collect();
    // Ids of their own in every seed.
    for device in &mut all {
        device.counter.random = Seeded::new(random.number());
    }
    let opening = json!({"kind": first.kind["digest"], "kind_id": "chainsaw", "tag": tag, "how": "at counter"});
    all[0].say("intake-opened", opening, &[]);
    for n in 0..SAYINGS {
        for device in &mut all {
            device.anything(n, &mut random);
        }
    }
    let said: BTreeSet<Uuid> = all.iter().flat_map(|d| d.outbox.iter().map(|s| s.id)).collect();
    let mut steps = 0;
    while all.iter().any(|d| !d.outbox.is_empty()) {
        steps += 1;
        if steps > 5_000 {
            return Err("it does not come to an end".into());
        }
        let which = usize::try_from(random.below(3)).unwrap_or(0);
        let device = &mut all[which];
        match random.below(5) {
            0 => device.hear(&mut random).await?,
            1 if !device.sent.is_empty() => {
                let old = usize::try_from(random.below(device.sent.len() as u64)).unwrap_or(0);
                let (saying, index) = device.sent[old].clone();
                device.repeat(&saying, index).await?;
            }
            _ => device.send(&mut random, again).await?,
        }
    }
    for device in &mut all {
        device.hear_all().await?;
    }
    // Nothing lost, nothing twice, nothing else.
    let kept: Vec<Entry> = all[0].heard.values().map(|s| s.entry()).collect::<Result<_, _>>()?;
    let ids: BTreeSet<Uuid> = kept.iter().map(|e| e.said.id).collect();
    if kept.len() != said.len() || ids != said {
        return Err(format!("{} things were said, {} entries stand in the log", said.len(), kept.len()));
    }
    // One state everywhere, the server's.
    let path = shop.ines.path(&format!("/intakes/{}", intake.id));
    let view = shop.ines.get(&path).send().await.expect(200).json();
    for device in &all {
        if device.state()? != view["intake"] {
            return Err("a device's state is not the server's".into());
        }
    }
    later_shows(&kept, &all[0], &view["intake"])?;
    vector(seed, &all[0], &intake, &view)
}

/// Of two who said something of one field, the later by log order shows; told without the fold.
fn later_shows(kept: &[Entry], device: &Device, state: &Value) -> Result<(), String> {
    let mut last: BTreeMap<String, String> = BTreeMap::new();
    for (entry, _) in kept.iter().zip(&device.heard).filter(|(e, _)| e.said.kind == "machine-described") {
        let text = |m: &str| entry.said.body.get(m).and_then(Value::as_str).unwrap_or_default().to_owned();
        last.insert(text("field"), text("value"));
    }
    for (field, value) in &last {
        if state["machine"][field]["value"] != json!(value) {
            return Err(format!("{field} is not what was said of it last: {value}"));
        }
    }
    Ok(())
}

/// The log as a vector of the check (`schema/vectors/README.md`), with the server's verdict.
fn vector(seed: u64, device: &Device, intake: &Intake, view: &Value) -> Result<Value, String> {
    let mut entries = Vec::new();
    for stored in device.heard.values() {
        let entry = stored.entry()?;
        let by = match entry.said.author {
            Author::Staff { staff, .. } => json!(staff),
            Author::Server { .. } => Value::Null,
        };
        let digest = entry.said.digest().map_err(|e| e.to_string())?.to_string();
        let mut body = stored.disclosed(&entry)?;
        body.remove("_sd");
        entries.push(json!({"index": stored.index, "type": entry.said.kind, "body": body, "digest": digest, "by": by}));
    }
    let mut gaps = view["gaps"].clone();
    for gap in gaps.as_array_mut().into_iter().flatten().filter_map(Value::as_object_mut) {
        gap.remove("sentence");
    }
    let expect = json!({"gaps": gaps, "left_open": view["left_open"]});
    Ok(json!({"name": format!("three devices, seed {seed}"), "kind": "chainsaw", "mode": "server",
        "shop": device.counter.staff.who.shop, "intake": intake.id, "entries": entries, "expect": expect}))
}

async fn three(shop: &Shop) -> [Counter; 3] {
    let spare = hire(&shop.server.anonymous(), &shop.ines, "Spare", "counter").await;
    let of = async |staff, seed| Counter::of(staff, Seeded::new(seed)).await;
    [of(shop.ravi.clone(), 1).await, of(shop.ines.clone(), 2).await, of(spare, 3).await]
}

#[tokio::test(flavor = "multi_thread")]
async fn three_devices_come_to_one_state_and_nothing_is_lost() {
    let seeds = if tests::long() { 200 } else { 15 };
    let shop = Shop::set_up().await;
    let devices = three(&shop).await;
    let mut vectors = Vec::new();
    for seed in 0..seeds {
        match one(&shop, &devices, seed, Again::SameId).await {
            Ok(vector) => vectors.push(vector),
            Err(fault) => panic!("seed {seed}: {fault}"),
        }
    }
    // The phone's own fold and check over the same logs.
    let file = tests::scratch().join("three-devices.json");
    std::fs::write(&file, json!(vectors).to_string()).expect("a file in target/");
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/web/agree.mjs");
    let node = Command::new("node").arg(script).arg(&file).output().expect("node");
    let said = format!("{}{}", String::from_utf8_lossy(&node.stdout), String::from_utf8_lossy(&node.stderr));
    assert!(node.status.success(), "{said}");
    assert!(said.contains(&format!("{seeds} agree")), "{said}");
}

#[tokio::test(flavor = "multi_thread")]
async fn devices_that_do_not_repeat_an_entry_s_id_are_found_out() {
    let shop = Shop::set_up().await;
    let devices = three(&shop).await;
    for seed in 0..100 {
        if let Err(fault) = one(&shop, &devices, seed, Again::OtherId).await {
            println!("found at seed {seed}: {fault}");
            return;
        }
    }
    panic!("100 seeds, and nobody noticed");
}
