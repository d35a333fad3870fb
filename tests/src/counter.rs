//! Somebody at the counter who takes a chainsaw in over HTTP: says, photographs, sends, has it signed.

use base64::Engine;
use base64::engine::general_purpose::{STANDARD, URL_SAFE_NO_PAD};
use evidence::digest::Digest;
use evidence::disclosure::{self, Disclosure};
use evidence::entry::{Author, Said};
use serde_json::{Map, Value, json};
use uuid::Uuid;

use crate::ask::{Actor, Answer, CookieStaff};
use crate::picture;
pub use crate::record::{Acknowledged, Watch};
use crate::seeded::Seeded;

/// The counter: a staff member, and what a page knows before the first intake.
#[derive(Clone, Debug)]
pub struct Counter {
    /// Who.
    pub staff: CookieStaff,
    /// Where its ids, salts and pictures come from.
    pub random: Seeded,
    /// The chainsaw's kind: `{"digest", "kind"}`.
    pub kind: Value,
    /// Language in which sheets are shown.
    pub language: String,
    /// Digest of that language's catalogue.
    pub words: String,
    /// Digest of the shop's terms.
    pub terms: String,
    /// Told of each thing as soon as it is acknowledged.
    pub watch: Watch,
    clock: i64,
}

/// Something said, ready to be posted, and posted again.
#[derive(Clone, Debug)]
pub struct Saying {
    /// Its id.
    pub id: Uuid,
    /// Its said digest, `sha256:…`.
    pub digest: String,
    /// The body of the request.
    pub request: Value,
}

impl Counter {
    /// Somebody at the counter of a shop that is set up.
    ///
    /// # Panics
    /// When the server does not tell the time, the kinds, the words and the terms.
    pub async fn of(staff: CookieStaff, random: Seeded) -> Counter {
        let about = staff.get("/v1").send().await.expect(200).json();
        let clock = evidence::time::parse(about["now"].as_str().expect("a time")).expect("RFC 3339");
        let kinds = staff.get(&staff.path("/kinds")).send().await.expect(200).json();
        let kind = kinds.as_array().into_iter().flatten().find(|k| k["kind"]["id"] == "chainsaw");
        let kind = kind.expect("a kind \"chainsaw\"").clone();
        let words = staff.get(&staff.path("/words/en")).send().await;
        let words = Digest::of(&words.expect(200).body).to_string();
        let settings = staff.get(&staff.path("/settings")).send().await.expect(200).json();
        let terms = settings["terms_digest"].as_str().expect("a digest of the terms").to_owned();
        Counter { staff, random, kind, language: "en".to_owned(), words, terms, watch: Watch::default(), clock }
    }

    /// An intake that is not yet opened.
    pub fn intake(&mut self, tag: &str) -> Intake {
        let id = self.uuid();
        Intake { id, tag: tag.to_owned(), seen: None, sent: Acknowledged::default() }
    }

    /// A fresh id.
    pub fn uuid(&mut self) -> Uuid {
        self.clock += 7;
        self.random.uuid(self.clock)
    }

    /// Puts something into words that can be posted. `personal` members become disclosures.
    ///
    /// # Panics
    /// When it has no canonical bytes.
    pub fn saying(&mut self, intake: &Intake, kind: &str, body: Value, personal: &[(&str, &str)]) -> Saying {
        let Value::Object(mut body) = body else { panic!("a body is an object") };
        let disclosures: Vec<String> = personal
            .iter()
            .map(|(name, value)| {
                let salt = URL_SAFE_NO_PAD.encode(self.random.bytes::<16>());
                Disclosure { salt, name: (*name).to_owned(), value: json!(value) }.encode()
            })
            .collect();
        disclosure::attach(&mut body, &disclosures);
        self.saying_of(intake, kind, body, &disclosures)
    }

    fn saying_of(&mut self, intake: &Intake, kind: &str, body: Map<String, Value>, disclosures: &[String]) -> Saying {
        let id = self.uuid();
        let said = Said {
            author: Author::Staff { staff: self.staff.who.staff, device: self.staff.who.device },
            body,
            at: self.clock,
            offset_minutes: 60,
            id,
            intake: Some(intake.id),
            seen: intake.seen,
            shop: self.staff.who.shop,
            kind: kind.to_owned(),
            v: 1,
        };
        let digest = said.digest().expect("canonical bytes").to_string();
        let request = json!({"said": said.to_value(), "digest": digest, "disclosures": disclosures,
            "measured": {"offset_ms": -312, "round_trip_ms": 80}});
        Saying { id, digest, request }
    }

    /// Posts it.
    ///
    /// # Errors
    /// When no whole answer comes back.
    pub async fn post(&self, saying: &Saying) -> Result<Answer, reqwest::Error> {
        self.staff.post(&self.staff.path("/entries")).json(&saying.request).try_send().await
    }

    /// Sends a file under its digest.
    ///
    /// # Errors
    /// When no whole answer comes back.
    pub async fn put(&self, bytes: &[u8]) -> Result<Answer, reqwest::Error> {
        let digest = Digest::of(bytes);
        let put = self.staff.put(&self.staff.path(&format!("/files/{}", digest.hex())));
        put.header("Content-Digest", &content_digest(&digest)).bytes(bytes.to_vec()).try_send().await
    }

    /// Says it and notes it once it is acknowledged.
    ///
    /// # Errors
    /// When no whole answer comes back.
    ///
    /// # Panics
    /// When it is refused.
    pub async fn say(
        &mut self,
        intake: &mut Intake,
        kind: &str,
        body: Value,
        personal: &[(&str, &str)],
    ) -> Result<u64, reqwest::Error> {
        let saying = self.saying(intake, kind, body, personal);
        let answer = self.post(&saying).await?;
        assert!(answer.status.is_success(), "{kind}: {} {}", answer.status, answer.text());
        let index = intake.note(&saying, &answer);
        self.watch.tell(&intake.sent);
        Ok(index)
    }

    /// Sends a file and notes it once it is acknowledged.
    ///
    /// # Errors
    /// When no whole answer comes back.
    ///
    /// # Panics
    /// When it is refused.
    pub async fn send(&self, intake: &mut Intake, bytes: &[u8]) -> Result<Answer, reqwest::Error> {
        let answer = self.put(bytes).await?;
        let repeated = answer.expect(200).json();
        let digest = Digest::of(bytes);
        assert_eq!(repeated["digest"], digest.to_string(), "the answer repeats our digest");
        intake.sent.files.push(digest.hex());
        intake.seen = intake.seen.max(repeated["index"].as_u64());
        self.watch.tell(&intake.sent);
        Ok(answer)
    }

    /// The views of the kind that are due at the counter and always asked for.
    pub fn views(&self) -> Vec<String> {
        let all = self.kind["kind"]["view"].as_array().cloned().unwrap_or_default();
        let due = all.iter().filter(|v| v["due"] == "at counter" && v.get("when").is_none());
        due.filter_map(|v| v["id"].as_str()).map(str::to_owned).collect()
    }

    /// The steps of a whole intake: run them in order with [`Counter::step`].
    pub fn steps(&self) -> Vec<Step> {
        let mut steps = vec![Step::Open, Step::Tell];
        steps.extend(self.views().into_iter().map(Step::Photo));
        steps.extend([Step::Answer, Step::Arrange, Step::Sign, Step::TakeIn]);
        steps
    }

    /// Does one step.
    ///
    /// # Errors
    /// When no whole answer comes back.
    ///
    /// # Panics
    /// When something is refused.
    pub async fn step(&mut self, intake: &mut Intake, step: &Step) -> Result<(), reqwest::Error> {
        match step {
            Step::Open => self.open(intake).await,
            Step::Tell => self.tell(intake).await,
            Step::Photo(view) => {
                let bytes = picture::sharp(self.random.number());
                self.photo(intake, Some(view), &bytes).await.map(|_| ())
            }
            Step::Answer => self.answer(intake).await,
            Step::Arrange => self.arrange(intake).await,
            Step::Sign => self.sign(intake).await,
            Step::TakeIn => self.say(intake, "taken-in", json!({}), &[]).await.map(|_| ()),
        }
    }

    /// Takes a whole chainsaw in.
    ///
    /// # Errors
    /// When no whole answer comes back.
    ///
    /// # Panics
    /// When something is refused.
    pub async fn take_in(&mut self, tag: &str) -> Result<Intake, reqwest::Error> {
        let mut intake = self.intake(tag);
        for step in self.steps() {
            self.step(&mut intake, &step).await?;
        }
        Ok(intake)
    }

    /// Opens the intake.
    ///
    /// # Errors
    /// When no whole answer comes back.
    pub async fn open(&mut self, intake: &mut Intake) -> Result<(), reqwest::Error> {
        let body = json!({"kind": self.kind["digest"], "kind_id": "chainsaw", "tag": intake.tag, "how": "at counter"});
        self.say(intake, "intake-opened", body, &[]).await.map(|_| ())
    }

    /// The machine, its people, and what is wrong with it.
    async fn tell(&mut self, intake: &mut Intake) -> Result<(), reqwest::Error> {
        for (field, value) in [("make", "Alder"), ("model", "A 260"), ("serial", "178302944")] {
            let body = json!({"field": field, "value": value, "from": "typed"});
            self.say(intake, "machine-described", body, &[]).await?;
        }
        let owner = [("name", "M. Okafor"), ("phone", "+43 660 0000000")];
        self.say(intake, "person-named", json!({"who": "owner"}), &owner).await?;
        self.say(intake, "person-named", json!({"who": "bringer", "same_as_owner": true}), &[]).await?;
        let heard = json!({"topic": "complaint", "heard_by": self.staff.who.staff});
        self.say(intake, "statement-made", heard, &[("text", "Starts, then dies under load. It was fine in spring.")])
            .await?;
        Ok(())
    }

    /// Says that a photo was taken, then sends it. Gives the photo's id and the answer to the upload.
    ///
    /// # Errors
    /// When no whole answer comes back.
    pub async fn photo(
        &mut self,
        intake: &mut Intake,
        view: Option<&str>,
        bytes: &[u8],
    ) -> Result<(Uuid, Answer), reqwest::Error> {
        let photo = self.name(intake, view, bytes).await?;
        let answer = self.send(intake, bytes).await?;
        Ok((photo, answer))
    }

    /// Asks until nothing of an intake is to be judged any more: what comes next does not meet copies being written.
    pub async fn judged(&self, intake: &Intake) {
        loop {
            let path = self.staff.path(&format!("/intakes/{}", intake.id));
            let view = self.staff.get(&path).send().await.expect(200).json();
            let photos = view["intake"]["photos"].as_array().cloned().unwrap_or_default();
            if photos.iter().all(|p| p["judged"].is_object()) {
                return;
            }
        }
    }

    /// Says that a photo was taken, and sends nothing yet.
    ///
    /// # Errors
    /// When no whole answer comes back.
    pub async fn name(
        &mut self,
        intake: &mut Intake,
        view: Option<&str>,
        bytes: &[u8],
    ) -> Result<Uuid, reqwest::Error> {
        let (photo, file) = (self.uuid(), Digest::of(bytes).to_string());
        let mut body = json!({"photo": photo, "file": file, "size": bytes.len(), "stage": "received"});
        if let (Some(view), Some(body)) = (view, body.as_object_mut()) {
            body.insert("view".into(), json!(view));
        }
        self.say(intake, "photo-taken", body, &[("file_name", "IMG_0417.jpg")]).await?;
        Ok(photo)
    }

    /// The questions one by one, the rest by their printed sentences.
    async fn answer(&mut self, intake: &mut Intake) -> Result<(), reqwest::Error> {
        for (question, choice) in [("bought", "new"), ("last-ran", "this season"), ("stored", "indoors fuel in")] {
            self.say(intake, "question-answered", json!({"question": question, "choice": choice}), &[]).await?;
        }
        for (block, sentence) in BLOCKS {
            self.say(intake, "block-answered", json!({"block": block, "sentence": sentence}), &[]).await?;
        }
        Ok(())
    }

    async fn arrange(&mut self, intake: &mut Intake) -> Result<(), reqwest::Error> {
        let euro = |minor: u32| json!({"minor": minor, "currency": "EUR"});
        let values = json!({"fee": euro(4500), "limit": euro(20_000), "deposit": "none", "diagnosis_by": "no promise", "terms": self.terms});
        self.say(intake, "arrangement-made", json!({"values": values}), &[]).await.map(|_| ())
    }

    /// Shows the sheet, has it signed, sends sheet and strokes.
    async fn sign(&mut self, intake: &mut Intake) -> Result<(), reqwest::Error> {
        let path = format!("/intakes/{}/sheet?language={}", intake.id, self.language);
        let sheet = self.staff.get(&self.staff.path(&path)).try_send().await?;
        let sheet = sheet.expect(200).body.clone();
        let strokes = self.strokes();
        let body = json!({"how": "signed", "sheet": Digest::of(&sheet), "strokes": Digest::of(&strokes), "language": self.language, "words": self.words});
        self.say(intake, "acknowledged", body, &[]).await?;
        self.send(intake, &sheet).await?;
        self.send(intake, &strokes).await?;
        Ok(())
    }

    /// A signature.
    fn strokes(&mut self) -> Vec<u8> {
        let points: Vec<[u64; 3]> = (0..40).map(|i| [20 + i * 8, 60 + self.random.below(80), i * 16]).collect();
        let strokes = json!({"height": 200, "strokes": [points], "v": 1, "width": 400});
        evidence::canon::to_bytes(&strokes).expect("canonical bytes")
    }
}

/// The sentences that answer a block.
const BLOCKS: [(&str, &str); 3] = [
    ("walk-round", "block.walk-round.nothing-more"),
    ("safety", "block.safety.none-tested"),
    ("accessories", "block.accessories.nothing-else"),
];

/// A part of an intake.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Step {
    /// Tag and kind.
    Open,
    /// The machine, its people, the complaint.
    Tell,
    /// One photo for a view.
    Photo(String),
    /// Questions and blocks.
    Answer,
    /// Fee, limit, deposit, terms.
    Arrange,
    /// The sheet and the signature.
    Sign,
    /// The machine is taken into care.
    TakeIn,
}

/// One intake as its author knows it.
#[derive(Clone, Debug)]
pub struct Intake {
    /// Its id.
    pub id: Uuid,
    /// Its tag.
    pub tag: String,
    /// Highest log index seen.
    pub seen: Option<u64>,
    /// What the server acknowledged of it.
    pub sent: Acknowledged,
}

impl Intake {
    /// Notes an entry that was acknowledged; gives its log index.
    ///
    /// # Panics
    /// When the answer does not repeat our digest.
    pub fn note(&mut self, saying: &Saying, answer: &Answer) -> u64 {
        let kept = answer.json();
        assert_eq!(kept["digest"], saying.digest, "the answer repeats our digest");
        let index = kept["index"].as_u64().expect("a log index");
        self.sent.entries.push((index, saying.digest.clone()));
        self.seen = self.seen.max(Some(index));
        index
    }
}

/// RFC 9530 `Content-Digest`.
pub fn content_digest(digest: &Digest) -> String {
    format!("sha-256=:{}:", STANDARD.encode(digest.0))
}
