//! Who may do what: every operation of the API's description, asked by everybody who might. The answers are compared
//! with `authorisation.txt`; `COUNTERFOIL_REWRITE_AUTHORISATION=1` writes that file anew, to be read before it is kept.
//!
//! Each request is one that succeeds for somebody whose role allows it, so that what is refused is refused for who asks.

use std::collections::BTreeMap;
use std::path::PathBuf;

use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use ed25519_dalek::{Signer, SigningKey};
use evidence::digest::Digest;
use serde_json::{Value, json};
use tests::ask::{Actor, Anonymous, Answer, Ask, CookieStaff, TokenStaff, Who};
use tests::counter::{Counter, Step, content_digest};
use tests::one_time;
use tests::picture;
use tests::seeded::Seeded;
use tests::server::{How, Server};
use tests::shop::{NextDoor, PASSWORD, Shop, hire};
use uuid::Uuid;

/// What a path can name, in one shop.
struct Things {
    shop: Uuid,
    intake: Uuid,
    photo: Uuid,
    claim: Uuid,
    file: Vec<u8>,
    /// Named and not sent: it goes in parts.
    large: Vec<u8>,
    kind: String,
    terms: String,
    link: String,
    secret: String,
    device: Uuid,
    staff: Uuid,
    /// An erasure that was made: the same again gives the same.
    erasure: Value,
}

/// Somebody who asks.
struct Caller<'a> {
    name: &'static str,
    actor: Box<dyn Actor + 'a>,
    who: Who,
    /// Whose shop the path names, and whose things.
    shop: &'a Things,
    things: &'a Things,
    /// A header that a browser sends along.
    with: Option<(&'static str, &'static str)>,
}

/// A shop in which there is one of everything, from its owner and somebody at its counter.
async fn furnished(server: &Server, ines: &CookieStaff, counter: &CookieStaff, terms: &str, seed: u64) -> Things {
    let door = server.anonymous();
    let settings = ines.get(&ines.path("/settings")).send().await;
    let etag = settings.expect(200).header("etag").expect("an ETag").to_owned();
    let put = ines.put(&ines.path("/settings")).header("If-Match", &etag);
    let settings = put.json(&json!({"terms": terms})).send().await.expect(200).json();
    let mut ravi = Counter::of(counter.clone(), Seeded::new(seed)).await;
    let mut intake = ravi.intake("0001");
    let bytes = picture::sharp(seed);
    let mut large = picture::sharp(seed + 1);
    large.resize(9 * 1024 * 1024, 0);
    let (steps, mut photo) = (ravi.steps(), None);
    for step in steps {
        if let (Step::Photo(view), None) = (&step, photo) {
            photo = Some(ravi.photo(&mut intake, Some(view), &bytes).await.expect("an answer").0);
            ravi.name(&mut intake, None, &large).await.expect("an answer");
        } else {
            ravi.step(&mut intake, &step).await.expect("an answer");
        }
    }
    let (part, claim) = (ravi.uuid(), ravi.uuid());
    let card = json!({"part": part, "what": "spark plug", "origin": "bought by us"});
    ravi.say(&mut intake, "part-noted", card, &[]).await.expect("an answer");
    let opened = json!({"claim": claim, "part": part, "route": "return", "days": 14, "from": "bought"});
    ravi.say(&mut intake, "claim-opened", opened, &[]).await.expect("an answer");
    let covered = format!("/photos/{}/redaction", photo.expect("a photo"));
    let boxes = json!({"boxes": [{"x": 10, "y": 10, "w": 900, "h": 900}]});
    counter.put(&counter.path(&covered)).json(&boxes).send().await.expect(200);
    let mut sent_home = ravi.intake("0002");
    for step in [Step::Open, Step::Arrange] {
        ravi.step(&mut sent_home, &step).await.expect("an answer");
    }
    ravi.say(&mut sent_home, "person-named", json!({"who": "owner"}), &[("name", "M. Okafor")])
        .await
        .expect("an answer");
    ravi.say(&mut sent_home, "not-taken-in", json!({"because": "no room"}), &[]).await.expect("an answer");
    let erasure = json!({"erasure": ravi.uuid(), "why": "customer asked", "intakes": [{"intake": sent_home.id}]});
    ines.post(&ines.path("/erasures")).json(&erasure).send().await.expect(200);
    let spare = hire(&door, ines, "Spare", "counter").await;
    let made = ines.post(&ines.path(&format!("/intakes/{}/links", intake.id)));
    let made = made.json(&json!({"what": "receipt"})).send().await.expect(201).json();
    let hex = |v: &Value| v.as_str().and_then(|d| d.strip_prefix("sha256:")).expect("a digest").to_owned();
    Things {
        shop: ines.who.shop,
        intake: intake.id,
        photo: photo.expect("a photo"),
        claim,
        file: bytes,
        large,
        kind: hex(&ravi.kind["digest"]),
        terms: hex(&settings["terms_digest"]),
        link: made["link"].as_str().expect("a link").to_owned(),
        secret: made["url"].as_str().and_then(|u| u.rsplit('/').next()).expect("a secret").to_owned(),
        device: spare.who.device,
        staff: spare.who.staff,
        erasure,
    }
}

/// What only one request can use.
struct Once {
    code: String,
    refresh: String,
    guest: String,
    etag: String,
    /// A kind that is in no shop, and the digest of one that is offered.
    kind: String,
    offered: String,
}

/// A kind of a shop's own, under an identifier of its own.
fn own_kind(id: &str) -> String {
    include_str!("../../schema/kinds/chainsaw.toml").replacen("id = \"chainsaw\"", &format!("id = \"{id}\""), 1)
}

/// The request of an operation. None: this operation is not covered.
fn request(operation: &str, c: &Caller, counter: &mut Counter, once: &Once) -> Option<Ask> {
    let (a, t) = (&c.actor, c.things);
    let shop = |rest: &str| format!("/v1/shops/{}{rest}", c.shop.shop);
    let intake = |rest: &str| shop(&format!("/intakes/{}{rest}", t.intake));
    let digest = Digest::of(&t.file);
    let sign_in = json!({"sign_in": once.guest, "password": PASSWORD});
    let refresh = json!({"refresh": once.refresh});
    let code = json!({"code": "no code"});
    Some(match operation {
        "health" => a.get("/healthz"),
        "getOpenApi" => a.get("/openapi.json"),
        "about" => a.get("/v1"),
        "getReceiptByLink" => a.get(&format!("/r/{}", t.secret)),
        "claim_pairing" => a.post("/v1/pairings/claim").json(&json!({"code": once.code})),
        "sign_in" => a.post("/v1/sessions").json(&sign_in),
        "make_tokens" => a.post("/v1/tokens").json(&sign_in),
        "refresh_tokens" => a.post("/v1/tokens/refresh").json(&refresh),
        "revoke_tokens" => a.post("/v1/tokens/revoke").json(&json!({"refresh": "none"})),
        "current_session" => a.get("/v1/sessions/current"),
        "sign_out" => a.delete("/v1/sessions/current"),
        "prove_password" => a.post("/v1/sessions/current/proof").json(&json!({"password": PASSWORD})),
        "set_up" => a.post("/v1/set-up").json(&json!({"token": "x", "shop_name": "Other", "zone": "Europe/Vienna",
            "currency": "EUR", "name": "Other", "sign_in": "other", "password": PASSWORD})),
        "getShop" => a.get(&shop("")),
        "getCheckpoint" => a.get(&shop("/checkpoint")),
        "list_devices" => a.get(&shop("/devices")),
        "revoke_device" => a.delete(&shop(&format!("/devices/{}", t.device))),
        "listEntries" => a.get(&shop("/entries?limit=1")),
        "appendEntry" => {
            counter.staff.who = Who { shop: c.shop.shop, ..c.who };
            let mut place = counter.intake("");
            place.id = t.intake;
            a.post(&shop("/entries")).json(&counter.saying(&place, "moved", json!({"place": "Rack A"}), &[]).request)
        }
        "getProof" => a.get(&shop("/entries/0/proof")),
        "getFile" => a.get(&shop(&format!("/files/{}", digest.hex()))),
        "putFile" => {
            let put = a.put(&shop(&format!("/files/{}", digest.hex())));
            put.header("Content-Digest", &content_digest(&digest)).bytes(t.file.clone())
        }
        "getParts" => a.get(&shop(&format!("/files/{}/parts", Digest::of(&t.large).hex()))),
        "putPart" => {
            let (part, whole) = (&t.large[..256 * 1024], Digest::of(&t.large).hex());
            let put = a.put(&shop(&format!("/files/{whole}/parts/0")));
            put.header("Content-Digest", &content_digest(&Digest::of(part))).bytes(part.to_vec())
        }
        "listIntakes" => a.get(&shop("/intakes")),
        "getIntake" => a.get(&intake("")),
        "listIntakeEntries" => a.get(&intake("/entries")),
        "getIntakeStamps" => a.get(&intake("/stamps")),
        "list_links" => a.get(&intake("/links")),
        "make_link" => a.post(&intake("/links")).json(&json!({"what": "receipt"})),
        "redactPhoto" => a
            .put(&shop(&format!("/photos/{}/redaction", t.photo)))
            .json(&json!({"boxes": [{"x": 10, "y": 10, "w": 900, "h": 900}]})),
        "getRedaction" => a.get(&shop(&format!("/photos/{}/redaction", t.photo))),
        "getCustomer" => a.get(&intake("/customer")),
        "eraseCustomer" => a.post(&shop("/erasures")).json(&t.erasure),
        "listErasures" => a.get(&shop("/erasures")),
        "listKeptLongEnough" => a.get(&shop("/kept-long-enough")),
        "eraseKeptLongEnough" => {
            let one = json!({"intake": t.erasure["intakes"][0]["intake"], "personal": true, "photos": true});
            let erasure = json!({"erasure": t.erasure["erasure"], "intakes": [one]});
            a.post(&shop("/kept-long-enough")).json(&erasure)
        }
        "getErasureReceipt" => {
            a.get(&shop(&format!("/erasures/{}/receipt", t.erasure["erasure"].as_str().unwrap_or_default())))
        }
        "getReceipt" => a.get(&intake("/receipt")),
        "getHandBack" => a.get(&intake("/hand-back")),
        "getHandBackSheet" => a.get(&intake("/hand-back-sheet")),
        "getHandBackReceipt" => a.get(&intake("/hand-back-receipt")),
        "comparePhotos" => a.get(&intake(&format!("/compare?first={0}&second={0}", t.photo))),
        "getSheet" => a.get(&intake("/sheet")),
        "getTag" => a.get(&intake("/tag")),
        "getClaimLetter" => a.get(&intake(&format!("/claims/{}/letter", t.claim))),
        "getPack" => a.get(&intake("/pack")),
        "getGoOn" => a.get(&intake("/go-on")),
        "getKindPaper" => a.get(&shop(&format!("/kinds/{}/paper", t.kind))),
        "printTags" => a.get(&shop("/tags/print?from=0100&count=2")),
        "leaseTags" => a.post(&shop("/tags/lease")).json(&json!({"count": 3})),
        "listWords" => a.get(&shop("/words")),
        "exportKey" => a.post(&shop("/key-export")),
        "rotateKey" => a.post(&shop("/key-rotation")).json(&json!({"because": "as every year", "overlap_days": 0})),
        "listKinds" => a.get(&shop("/kinds")),
        "getKind" => a.get(&shop(&format!("/kinds/{}", t.kind))),
        "getKindText" => a.get(&shop(&format!("/kinds/{}/text", t.kind))),
        "tryKind" => a.post(&shop("/kinds/try")).json(&json!({"toml": once.kind})),
        "addKind" => a.post(&shop("/kinds")).json(&json!({"toml": once.kind})),
        "retireKind" => a.delete(&shop(&format!("/kinds/{}", once.offered))),
        "getDue" => a.get(&shop("/due")),
        "findParts" => a.get(&shop("/parts?q=lot")),
        "listLog" => a.get(&shop("/log")),
        "getConsistency" => a.get(&shop("/consistency?from=1")),
        "getWitnessed" => a.get(&shop("/witnessed")),
        "witnessNow" => a.post(&shop("/witnessed")),
        "getStamps" => a.get(&shop("/stamps")),
        "getBrokenOriginals" => a.get(&shop("/broken-originals")),
        "stampNow" => a.post(&shop("/stamps")),
        "revoke_link" => a.delete(&shop(&format!("/links/{}", t.link))),
        "make_pairing" => a.post(&shop("/pairings")).json(&json!({})),
        "getRendition" => a.get(&shop(&format!("/photos/{}/small", t.photo))),
        "getSettings" => a.get(&shop("/settings")),
        "putSettings" => a.put(&shop("/settings")).header("If-Match", &once.etag).json(&json!({"open-limit": 25})),
        "second_factor" => a.get(&shop("/second-factor")),
        "show_second_factor" => a.post(&shop("/second-factor")),
        "turn_on_second_factor" => a.put(&shop("/second-factor")).json(&code),
        "renew_recovery_codes" => a.post(&shop("/second-factor/recovery-codes")).json(&code),
        "remove_second_factor" => a.post(&shop("/second-factor/removal")).json(&code),
        "remove_their_second_factor" => a.delete(&shop(&format!("/staff/{}/second-factor", t.staff))),
        "list_staff" => a.get(&shop("/staff")),
        "add_staff" => a.post(&shop("/staff")).json(
            &json!({"name": "New", "sign_in": format!("new-{}", once.guest), "password": PASSWORD, "roles": ["owner"]}),
        ),
        "change_staff" => a.patch(&shop(&format!("/staff/{}", t.staff))).json(&json!({"roles": ["owner", "counter"]})),
        "stream" => a.get(&shop("/stream")),
        "getTerms" => a.get(&shop(&format!("/terms/{}", t.terms))),
        "getWords" => a.get(&shop("/words/en")),
        _ => return None,
    })
}

/// A token that our own key signed, and that ran out an hour ago.
fn run_out(server: &Server, token: &str) -> String {
    let keys = std::fs::read(server.data().join("keys/token.key")).expect("the token key");
    let keys: Value = serde_json::from_slice(&keys).expect("JSON");
    let seed = URL_SAFE_NO_PAD.decode(keys["keys"][0]["seed"].as_str().expect("a seed")).expect("base64url");
    let key = SigningKey::from_bytes(&seed.try_into().expect("32 bytes"));
    let mut parts = token.split('.');
    let (head, claims) = (parts.next().expect("a header"), parts.next().expect("claims"));
    let mut claims: Value = serde_json::from_slice(&URL_SAFE_NO_PAD.decode(claims).expect("base64url")).expect("JSON");
    for name in ["iat", "nbf", "exp"] {
        claims[name] = json!(claims[name].as_i64().expect("a time") - 3_600);
    }
    let signed = format!("{head}.{}", URL_SAFE_NO_PAD.encode(claims.to_string()));
    let signature = URL_SAFE_NO_PAD.encode(key.sign(signed.as_bytes()).to_bytes());
    format!("{signed}.{signature}")
}

async fn tokens(shop: &Shop, sign_in: &str) -> TokenStaff {
    let door = shop.server.anonymous();
    let asked = json!({"sign_in": sign_in, "password": PASSWORD, "shop": shop.id});
    door.with_tokens(&door.post("/v1/tokens").json(&asked).send().await)
}

async fn again(shop: &Shop, sign_in: &str) -> CookieStaff {
    let door = shop.server.anonymous();
    let asked = json!({"sign_in": sign_in, "password": PASSWORD});
    door.let_in(&door.post("/v1/sessions").json(&asked).send().await)
}

/// A phone of this person's, let in by a code that they made: nobody gave a password for it.
async fn paired(by: &CookieStaff, door: &Anonymous, staff: Option<Uuid>) -> CookieStaff {
    let asked = staff.map_or(json!({}), |staff| json!({"staff": staff}));
    let made = by.post(&by.path("/pairings")).json(&asked).send().await.expect(201).json();
    door.let_in(&door.post("/v1/pairings/claim").json(&json!({"code": made["code"]})).send().await)
}

/// An owner without a password, at a phone whose code they made themselves.
async fn without_password(shop: &Shop) -> CookieStaff {
    let (ines, door) = (&shop.ines, shop.server.anonymous());
    let new = json!({"name": "Kay", "sign_in": "kay", "roles": ["owner"]});
    let kay = ines.post(&ines.path("/staff")).json(&new).send().await.expect(201).json();
    let first = paired(ines, &door, kay["staff"].as_str().and_then(|id| id.parse().ok())).await;
    paired(&first, &door, None).await
}

/// Somebody hired and let in, whose session is over by what was then done.
async fn gone(shop: &Shop, name: &str, done: &str) -> CookieStaff {
    let staff = hire(&shop.server.anonymous(), &shop.ines, name, "owner").await;
    let (ask, status) = match done {
        "signed out" => (staff.delete("/v1/sessions/current"), 204),
        "device" => (shop.ines.delete(&staff.path(&format!("/devices/{}", staff.who.device))), 204),
        _ => {
            let left = shop.ines.patch(&staff.path(&format!("/staff/{}", staff.who.staff)));
            (left.json(&json!({"active": false})), 200)
        }
    };
    ask.send().await.expect(status);
    staff
}

/// The operations of the checked-in document: `(id, "METHOD path")`; what ends a caller's session comes last.
fn operations() -> Vec<(String, String)> {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../openapi/openapi.json");
    let document: Value = serde_json::from_slice(&std::fs::read(path).expect("the document")).expect("JSON");
    let mut all = Vec::new();
    for (path, item) in document["paths"].as_object().expect("paths") {
        for (method, operation) in item.as_object().expect("operations") {
            if let Some(id) = operation["operationId"].as_str() {
                all.push((id.to_owned(), format!("{} {path}", method.to_uppercase())));
            }
        }
    }
    all.sort_by_key(|(id, _)| match id.as_str() {
        "prove_password" => 1, // from here on it counts for who came by a code
        "sign_out" => 2,
        "sign_in" | "claim_pairing" => 3, // these end the session that the browser had before
        _ => 0,
    });
    all
}

/// Every request may come from another address there: nobody runs into a limit.
fn behind_a_proxy() -> Server {
    let how = How::default().env("COUNTERFOIL_PUBLIC_URL", "https://intake.example");
    Server::start_as(&how.env("COUNTERFOIL_BEHIND_PROXY", "true"))
}

#[tokio::test]
async fn every_operation_answers_everybody_as_written_down() {
    let (here, elsewhere) = (Shop::on(behind_a_proxy()).await, Shop::on(behind_a_proxy()).await);
    // The neighbour is in the same installation, and all that is asked for is there.
    let there = NextDoor::open(&here.server).await;
    let ours = furnished(&here.server, &here.ines, &here.ravi, "Ours.", 301).await;
    let theirs = furnished(&here.server, &there.nora, &there.jo, "Theirs.", 302).await;
    let door = here.server.anonymous();
    let (owner, program) = (tokens(&here, "ines").await, tokens(&here, "ravi").await);
    // Each with a session of its own, so that signing out is seen for each.
    let owners = [again(&here, "ines").await, again(&here, "ines").await, again(&here, "ines").await];
    let (signed_out, put_out, left) =
        (gone(&here, "Una", "signed out").await, gone(&here, "Pia", "device").await, gone(&here, "Leo", "left").await);
    let (phone, no_password) = (paired(&here.ines, &door, None).await, without_password(&here).await);
    // Another signature: its first letter differs, which stands for six of its bits.
    let (said, signature) = owner.token().rsplit_once('.').expect("a signature");
    let forged = format!("{said}.{}{}", if signature.starts_with('A') { 'B' } else { 'A' }, &signature[1..]);
    // What the requests need is made by somebody else, so that nobody runs into a limit of their own.
    let (who, keeper) = (here.ines.who, hire(&door, &here.ines, "Keeper", "owner").await);
    let caller = |name, actor: Box<dyn Actor>, who| Caller { name, actor, who, shop: &ours, things: &ours, with: None };
    let callers = [
        caller("nobody", Box::new(door.clone()), who),
        caller("signed out", Box::new(signed_out.clone()), signed_out.who),
        caller("device put out", Box::new(put_out.clone()), put_out.who),
        caller("left the shop", Box::new(left.clone()), left.who),
        caller("token run out", Box::new(door.bearing(&run_out(&here.server, owner.token()), owner.who)), owner.who),
        caller("token forged", Box::new(door.bearing(&forged, owner.who)), owner.who),
        caller("link as token", Box::new(door.bearing(&ours.secret, who)), who),
        caller("link as cookie", Box::new(here.ines.with_cookie(&ours.secret)), who),
        caller("owner elsewhere", Box::new(elsewhere.ines.at(&here.server.address)), who),
        caller("bench", Box::new(here.bo.clone()), here.bo.who),
        caller("counter", Box::new(here.ravi.clone()), here.ravi.who),
        caller("owner", Box::new(here.ines.clone()), who),
        caller("owner's program", Box::new(owner.clone()), owner.who),
        caller("counter's program", Box::new(program.clone()), program.who),
        caller("owner's paired phone", Box::new(phone.clone()), phone.who),
        caller("owner without password", Box::new(no_password.clone()), no_password.who),
        caller("owner next door", Box::new(there.nora.clone()), there.nora.who),
        Caller {
            shop: &theirs,
            things: &theirs,
            ..caller("owner, other shop", Box::new(owners[0].clone()), owners[0].who)
        },
        Caller { things: &theirs, ..caller("owner, other's things", Box::new(owners[1].clone()), owners[1].who) },
        Caller {
            with: Some(("Sec-Fetch-Site", "cross-site")),
            ..caller("owner, by another site", Box::new(owners[2].clone()), owners[2].who)
        },
    ];

    let mut counter = Counter::of(here.ines.clone(), Seeded::new(303)).await;
    let mut refresh = tokens(&here, "spare").await.refresh;
    let mut table = String::new();
    let mut address = 0u32;
    for (n, _) in callers.iter().enumerate() {
        let guest = json!({"name": "Guest", "sign_in": format!("guest-{n}"), "password": PASSWORD, "roles": ["bench"]});
        keeper.post(&keeper.path("/staff")).json(&guest).send().await.expect(201);
    }
    for (operation, route) in operations() {
        let mut answers: BTreeMap<String, Vec<&str>> = BTreeMap::new();
        for (n, c) in callers.iter().enumerate() {
            let (mut code, mut etag) = (String::new(), String::new());
            if operation == "claim_pairing" {
                let made = keeper.post(&keeper.path("/pairings")).json(&json!({})).send().await;
                code = made.expect(201).json()["code"].as_str().expect("a code").to_owned();
            }
            if operation == "putSettings" {
                let settings = keeper.get(&keeper.path("/settings")).send().await;
                etag = settings.expect(200).header("etag").expect("an ETag").to_owned();
            }
            let (kind, mut offered) = (own_kind(&format!("own-{n}")), String::new());
            if operation == "retireKind" {
                let toml = own_kind(&format!("spare-{n}"));
                let owner = if c.things.shop == theirs.shop { &there.nora } else { &keeper };
                owner.post(&owner.path("/kinds")).json(&json!({"toml": toml})).send().await.expect(201);
                offered = Digest::of(toml.as_bytes()).hex();
            }
            let guest = format!("guest-{n}");
            let once = Once { code, refresh: refresh.clone(), guest, etag, kind, offered };
            let Some(ask) = request(&operation, c, &mut counter, &once) else {
                panic!("{operation} ({route}) is described and not covered here");
            };
            address += 1;
            let ask = ask.header("X-Forwarded-For", &format!("10.0.{}.{}", address / 250, address % 250));
            let ask = if let Some((name, value)) = c.with { ask.header(name, value) } else { ask };
            let answer: Answer = ask.send().await;
            if operation == "refresh_tokens" && answer.status.is_success() {
                refresh = answer.json()["refresh"].as_str().expect("a token").to_owned();
            }
            answers.entry(answer.gist()).or_default().push(c.name);
        }
        table += &format!("{route} ({operation})\n");
        for (gist, names) in answers {
            table += &format!("    {gist:<18} {}\n", names.join("; "));
        }
    }

    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/authorisation.txt");
    if std::env::var_os("COUNTERFOIL_REWRITE_AUTHORISATION").is_some_and(|v| v == "1") {
        std::fs::write(&path, &table).expect("write the table");
    }
    let kept = std::fs::read_to_string(&path).unwrap_or_default();
    let differ: Vec<String> = differences(&kept, &table);
    assert!(differ.is_empty(), "answers differ from authorisation.txt:\n{}", differ.join("\n"));
}

/// Lines that only one of both has, each under its operation.
fn differences(kept: &str, now: &str) -> Vec<String> {
    fn lines(text: &str) -> Vec<(&str, &str)> {
        let mut operation = "";
        let mut out = Vec::new();
        for line in text.lines() {
            if !line.starts_with(' ') {
                operation = line;
            }
            out.push((operation, line));
        }
        out
    }
    let (kept, now) = (lines(kept), lines(now));
    let gone = kept.iter().filter(|l| !now.contains(l)).map(|(o, l)| format!("- {o}: {}", l.trim()));
    let come = now.iter().filter(|l| !kept.contains(l)).map(|(o, l)| format!("+ {o}: {}", l.trim()));
    gone.chain(come).collect()
}

/// What somebody gets of whom the shop waits for a second factor: the way to it, and out.
const THE_WAY: [(&str, &str); 6] = [
    ("current_session", "200"),
    ("prove_password", "204"),
    ("second_factor", "200"),
    ("show_second_factor", "201"),
    ("turn_on_second_factor", "422 not-valid"),
    ("sign_out", "204"),
];

#[tokio::test]
async fn of_whom_the_shop_waits_for_a_second_factor_gets_the_way_to_it_and_nothing_else() {
    let shop = Shop::on(behind_a_proxy()).await;
    let things = furnished(&shop.server, &shop.ines, &shop.ravi, "Ours.", 304).await;
    let (door, ines, bo) = (shop.server.anonymous(), &shop.ines, &shop.bo);
    let settings = ines.path("/settings");
    let mut counter = Counter::of(bo.clone(), Seeded::new(305)).await;
    let ask = async |whom: &str| {
        let etag = ines.get(&settings).send().await.expect(200).header("etag").expect("an ETag").to_owned();
        ines.put(&settings).header("If-Match", &etag).json(&json!({"code-asked-of": whom})).send().await
    };
    assert_eq!(ask("all").await.gist(), "409 refused", "not before the owner has one");
    one_time::set_up(ines).await;
    assert_eq!(ask("everybody").await.gist(), "422 not-valid");
    ask("all").await.expect(200);
    assert_eq!(shop.ravi.get(&shop.ravi.path("/staff")).send().await.gist(), "403 code-due");

    let caller =
        |actor: Box<dyn Actor>| Caller { name: "", actor, who: bo.who, shop: &things, things: &things, with: None };
    let (due, nobody) = (caller(Box::new(bo.clone())), caller(Box::new(door.clone())));
    let empty = || Once {
        code: String::new(),
        refresh: String::new(),
        guest: String::new(),
        etag: String::new(),
        kind: String::new(),
        offered: "0".repeat(64),
    };
    let (mut refused, mut way) = (0, Vec::new());
    let mut operations = operations();
    operations.sort_by_key(|(id, _)| match id.as_str() {
        "prove_password" => 0,
        "show_second_factor" => 1,
        "turn_on_second_factor" => 3,
        "sign_out" => 4,
        _ => 2,
    });
    for (operation, route) in operations {
        let ask = request(&operation, &nobody, &mut counter, &empty()).expect("covered");
        // What is for everybody, or has proofs of its own.
        if ask.send().await.gist() != "401 not-signed-in" || operation.ends_with("_tokens") || operation == "sign_in" {
            continue;
        }
        let gist = request(&operation, &due, &mut counter, &empty()).expect("covered").send().await.gist();
        match THE_WAY.iter().find(|(id, _)| *id == operation) {
            Some((id, wanted)) => {
                assert_eq!(gist, *wanted, "{route}");
                way.push(*id);
            }
            None => {
                assert_eq!(gist, "403 code-due", "{route}");
                refused += 1;
            }
        }
    }
    assert_eq!(way.len(), THE_WAY.len(), "{way:?}");
    assert!(refused > 60, "{refused}");
}

#[tokio::test]
async fn a_method_that_is_not_described_is_answered_with_those_that_are() {
    let server = Server::start();
    let door = server.anonymous();
    for (path, allow) in [
        ("/v1", "GET"),
        ("/v1/tokens", "POST"),
        ("/v1/sessions/current", "GET, DELETE"),
        ("/v1/shops/0190f3c1-0000-7000-8000-000000000000/staff/0190f3c1-0000-7000-8000-000000000001", "PATCH"),
    ] {
        let answer = door.put(path).send().await;
        assert_eq!(answer.gist(), "405 no-such-method", "{path}");
        let named: std::collections::BTreeSet<_> = answer.header("allow").unwrap_or_default().split(", ").collect();
        assert_eq!(named, allow.split(", ").collect(), "{path}");
    }
    assert_eq!(door.put("/v1/nothing").send().await.gist(), "404 not-found");
}
