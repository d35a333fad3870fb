//! Reads what goes into a pack: the chosen entries with their proofs, the originals or their copies, what else a checker needs.

use std::collections::{BTreeMap, BTreeSet};
use std::io;

use base64::Engine;
use base64::engine::general_purpose::STANDARD as BASE64;
use evidence::canon;
use evidence::checkpoint::origin;
use evidence::digest::Digest;
use evidence::note::SignerKey;
use evidence::proof::Proof;
use evidence::verify::pack::entry_path;
use serde_json::json;
use uuid::Uuid;

use super::choose::{self, Customer, Wanted};
use super::write::{Of, Plan, kept};
use super::{Lack, Planned, by_hand, letter, outside, page, printed};
use crate::database::Connection;
use crate::http::{no, receipts, shop};
use crate::intake::check::{Mode, check_facts};
use crate::intake::kind::LoadedKind;
use crate::intake::redaction::{self, PhotoRedacted};
use crate::intake::sheet;
use crate::intake::state::{Intake, Photo, Whose};
use crate::ledger::load::{self, Range, Stored};
use crate::ledger::{LOG_NAME, Ledger, prove};
use crate::originals::Shelf;
use crate::problem::Problem;
use crate::receipt::Input;
use crate::{settings, words};

/// Where a photo stands in the pack.
#[derive(Clone, Debug)]
pub struct Placed {
    /// Its number, from 1.
    pub number: usize,
    /// The photo.
    pub photo: Uuid,
    /// Path of its original.
    pub original: Option<String>,
    /// Path of the copy to be looked at, with its size in pixels.
    pub copy: Option<(String, u32, u32)>,
}

/// The files of the record, and what the page needs of them.
struct Record {
    files: Vec<Planned>,
    checkpoint: String,
    keys: Vec<String>,
    signers: Vec<SignerKey>,
    stored: Vec<Stored>,
    left_out: usize,
    stamps: Vec<outside::Placed>,
    witnessed: Vec<outside::Witnessed>,
}

/// The plan of a pack.
///
/// # Errors
/// `not-found` when there is no such intake or view; what reading said.
pub async fn plan(ledger: &Ledger, of: Whose, wanted: &Wanted) -> Result<Plan, Problem> {
    let mut tx = ledger.reading().await.map_err(no::fault)?;
    let range = Range { intake: Some(of.intake), after: None, limit: u32::MAX };
    let all = load::entries(&mut tx, of.shop, range).await.map_err(no::fault)?;
    let whole = load::fold(of, &all).map_err(no::fault)?;
    let Some(opened) = &whole.opened else { return Err(Problem::not_found("There is no such intake.")) };
    let kind = ledger.kind(&mut tx, of.shop, &opened.what.kind).await.map_err(no::fault)?;
    let kind = kind.ok_or_else(|| no::fault("the kind an intake pins is not stored"))?;
    if wanted.view.as_ref().is_some_and(|v| kind.kind.view(v).is_none()) {
        return Err(Problem::not_found("This kind of machine has no such view."));
    }
    if wanted.claim.is_some_and(|c| !whole.parts.claims.iter().any(|k| k.what.claim == c)) {
        return Err(Problem::not_found("There is no such claim in this intake."));
    }
    let shown = receipts::shown_in(&mut tx, of.shop, &whole).await.map_err(no::fault)?;
    let catalogue = wanted.language.as_deref().and_then(words::find).unwrap_or(&shown);
    let (record, intake) = record(ledger, &mut tx, of, all, wanted).await?;
    let terms = terms(&mut tx, of.shop, &intake).await?;
    let tags = receipts::tags_beside(&mut tx, &intake).await.map_err(no::fault)?;
    let rule = load::settings(&mut *tx, of.shop).await.map_err(no::fault)?.remove("compression-rule").map(|(v, _)| v);
    let rule = serde_json::from_value(rule.unwrap_or_else(|| settings::default("compression-rule"))).ok();
    tx.rollback().await.map_err(no::fault)?;
    let (shop_name, zone, _) = shop::facts_of(ledger.pool(), of.shop).await?;
    let staff = shop::staff_names_of(ledger.pool(), of.shop).await?;

    let mut files = record.files;
    let mut lacks = lacks(&kind, &intake, wanted, record.left_out);
    lacks.extend(no_time(&record.stored, &record.stamps));
    let (placed, withheld) =
        photos(ledger, &kind, &intake, wanted, &mut files, &mut lacks).map_err(Problem::of_file)?;
    files.push(Planned::here("kind.toml", kind.bytes.clone()));
    if wanted.customer == Customer::Shown {
        signed(ledger, &intake, &mut files).map_err(Problem::of_file)?;
        if !terms.is_empty() {
            files.push(Planned::here("terms.txt", terms.clone()));
        }
    }
    let mut phones = BTreeMap::new();
    for stored in &record.stored {
        phones.extend(receipts::phone_clock(&stored.entry().map_err(no::fault)?));
    }
    let input = Input {
        words: catalogue,
        shop_name: &shop_name,
        zone: &zone,
        intake: &intake,
        since: &intake,
        kind: &kind.kind,
        tags: &tags,
        staff: &staff,
        terms: &String::from_utf8_lossy(&terms),
        phones: &phones,
        pictures: &BTreeMap::new(),
        signature: receipts::signature(ledger, of.shop, &intake).map_err(Problem::of_file)?,
        evidence: &[],
        continues: &[],
        witnessed: &[],
        checkpoint: &record.checkpoint,
        keys: &record.keys,
        shown_in: shown.name(),
        sheet: intake.acknowledgement.as_ref().map(|a| a.what.sheet),
    };
    let entries = record.stored.iter().map(|s| s.entry().map(|e| (s.index, e))).collect::<Result<Vec<_>, _>>();
    let entries = entries.map_err(no::fault)?;
    let shown = page::Shown {
        input: &input,
        placed: &placed,
        lacks: &lacks,
        entries: &entries,
        stamps: &record.stamps,
        witnessed: &record.witnessed,
        wanted,
    };
    if let Some(letter) = wanted.claim.and_then(|claim| letter::render(&input, &placed, claim)) {
        files.push(Planned::here(letter::NAME, letter));
    }
    let made = printed::report(ledger, &shown, rule.as_ref());
    if let Err(e) = &made {
        // Everything else is still worth having; what is not here is told.
        tracing::error!(error = %e, "a report could not be made");
        lacks.push(Lack { code: "report", of: String::new() });
    }
    files.extend(made);
    let shown = page::Shown {
        input: &input,
        placed: &placed,
        lacks: &lacks,
        entries: &entries,
        stamps: &record.stamps,
        witnessed: &record.witnessed,
        wanted,
    };
    files.push(Planned::here("index.html", page::render(&shown)));
    files.push(Planned::here("VERIFY.txt", by_hand::text(catalogue, !record.stamps.is_empty(), record.keys.len() > 1)));
    let of = Of {
        shop: of.shop,
        intake: of.intake,
        scope: wanted.scope(),
        language: catalogue.language.clone(),
        withheld,
        lacks,
    };
    Plan::new(&of, files, &record.signers).map_err(Problem::refused)
}

/// The chosen entries with proofs under a head that covers the whole intake; the head goes on only when the intake does, so
/// the same intake gives the same pack.
async fn record(
    ledger: &Ledger,
    db: &mut Connection,
    of: Whose,
    all: Vec<Stored>,
    wanted: &Wanted,
) -> Result<(Record, Intake), Problem> {
    let head = load::head(&mut *db, of.shop).await.map_err(no::fault)?.ok_or_else(|| no::fault("no head"))?;
    let epochs = prove::of_shop(db, of.shop).await.map_err(no::fault)?;
    let ends: BTreeSet<u64> = all.iter().map(|s| s.index + 1).collect();
    let size = ends.iter().copied().chain(epochs.iter().map(|e| e.index + 1)).max().unwrap_or(1);
    let whole = all.len();
    let chosen = choose::choose(all, wanted).map_err(no::fault)?;
    let left_out = whole - chosen.len();
    let intake = load::fold(of, &chosen).map_err(no::fault)?;
    let mut stored: Vec<Stored> = chosen.into_iter().chain(epochs).collect();
    stored.sort_by_key(|s| s.index);

    let checkpoint = ledger.signed_at(db, of.shop, &head, size).await.map_err(no::fault)?;
    let origin = origin(LOG_NAME, &of.shop.to_string(), head.epoch);
    let keys = ledger.verifiers(db, of.shop, &head).await.map_err(no::fault)?;
    let signers = ledger.signers(&origin, &head).map_err(no::fault)?;
    let mut files = vec![
        Planned::here("checkpoint.txt", checkpoint.clone()),
        Planned::here("keys.txt", keys.join("\n") + "\n"),
        Planned::here("consistency.json", continues(db, of.shop, &ends, size).await?),
    ];
    for s in &stored {
        let hashes = load::inclusion(db, of.shop, s.index, size).await.map_err(no::fault)?;
        let proof = Proof { extra: None, index: s.index, hashes, checkpoint: checkpoint.clone() };
        files.push(Planned::here(entry_path("entries", s.index, "json"), s.bytes.clone()));
        files.push(Planned::here(entry_path("proofs", s.index, "tlog-proof"), proof.to_string()));
        if !s.disclosures.is_empty() {
            let mut lines = s.disclosures.clone();
            lines.sort();
            files.push(Planned::here(entry_path("details", s.index, "txt"), lines.join("\n") + "\n"));
        }
    }
    let indices: Vec<u64> = stored.iter().map(|s| s.index).collect();
    let stamped = outside::stamps(ledger, db, (of.shop, &head), &indices, size).await;
    let (more, stamps) = stamped.map_err(no::fault)?;
    files.extend(more);
    let seen = outside::witnessed(ledger, db, (of.shop, &head), &indices, size).await.map_err(no::fault)?;
    files.extend(seen.iter().flat_map(outside::Witnessed::files));
    Ok((Record { files, checkpoint, keys, signers, stored, left_out, stamps, witnessed: seen }, intake))
}

/// That the log goes on from each size at which something was said of this intake: a receipt was given at one of them.
async fn continues(db: &mut Connection, shop: Uuid, ends: &BTreeSet<u64>, size: u64) -> Result<Vec<u8>, Problem> {
    let mut list = Vec::new();
    for old in ends.iter().filter(|e| **e < size) {
        let hashes = prove::consistency(db, shop, *old, size).await.map_err(no::fault)?;
        let hashes: Vec<String> = hashes.iter().map(|h| BASE64.encode(h)).collect();
        list.push(json!({"size": old, "hashes": hashes}));
    }
    canon::to_bytes(&json!(list)).map_err(no::fault)
}

async fn terms(db: &mut Connection, shop: Uuid, intake: &Intake) -> Result<Vec<u8>, Problem> {
    let named = intake.arrangements.get("terms").and_then(|t| t.what.value.as_str()?.parse::<Digest>().ok());
    let Some(digest) = named else { return Ok(Vec::new()) };
    Ok(load::document(db, shop, "terms", &digest).await.map_err(no::fault)?.unwrap_or_default())
}

/// The sheet that was shown, and the strokes of the signature.
fn signed(ledger: &Ledger, intake: &Intake, files: &mut Vec<Planned>) -> io::Result<()> {
    let Some(ack) = &intake.acknowledgement else { return Ok(()) };
    let mut add = |name: &str, digest: &Digest| {
        files.extend(kept(ledger.originals(), intake.whose.shop, Shelf::Originals, name.to_owned(), *digest)?);
        Ok::<_, io::Error>(())
    };
    add("sheet.json", &ack.what.sheet)?;
    match &ack.what.strokes {
        Some(strokes) => add("signature.json", strokes),
        None => Ok(()),
    }
}

fn lacks(kind: &LoadedKind, intake: &Intake, wanted: &Wanted, left_out: usize) -> Vec<Lack> {
    let mut out = Vec::new();
    let mut add = |code: &'static str, of: String| out.push(Lack { code, of });
    if left_out > 0 {
        add("entries-left-out", left_out.to_string());
    }
    if !intake.erasures.is_empty() {
        add("customer-erased", String::new());
    }
    if wanted.customer == Customer::Withheld {
        add("customer-withheld", String::new());
    } else {
        if intake.acknowledgement.as_ref().is_none_or(|a| a.what.how != "signed") {
            add("not-signed", String::new());
        }
        for left in check_facts(&kind.kind, intake, Mode::Server).left_open {
            add("left-open", left.gap.gap);
        }
    }
    out
}

/// From which entry on nobody outside vouches for the time.
fn no_time(stored: &[Stored], stamps: &[outside::Placed]) -> Option<Lack> {
    let covered = stamps.last().map_or(0, |s| s.size);
    let first = stored.iter().find(|s| s.index >= covered)?;
    let code = if stamps.is_empty() { "no-outside-time" } else { "no-outside-time-since" };
    Some(Lack { code, of: first.index.to_string() })
}

fn ending(photo: &Photo) -> &'static str {
    match photo.received.as_ref().map(|r| r.what.media_type.as_str()) {
        Some("image/jpeg") => "jpg",
        Some("image/png") => "png",
        Some("image/webp") => "webp",
        Some("image/heic" | "image/heif") => "heic",
        _ => "bin",
    }
}

/// The boxes that this reader sees a photo with.
pub(super) fn covered<'a>(intake: &'a Intake, photo: &Photo, wanted: &Wanted) -> Option<&'a PhotoRedacted> {
    redaction::of(intake, photo).filter(|_| wanted.customer == Customer::Withheld || wanted.covered)
}

/// Every photo's original, or in its place the copy; copies to look at. Gives where each stands and which originals stay out.
fn photos(
    ledger: &Ledger,
    kind: &LoadedKind,
    intake: &Intake,
    wanted: &Wanted,
    files: &mut Vec<Planned>,
    lacks: &mut Vec<Lack>,
) -> io::Result<(Vec<Placed>, Vec<Digest>)> {
    let (mut placed, mut withheld) = (Vec::new(), BTreeSet::new());
    let numbered = sheet::shown_photos(&kind.kind, intake);
    let rest = intake.photos.iter().filter(|p| !numbered.iter().any(|n| n.taken.photo == p.taken.photo));
    for (i, photo) in numbered.iter().copied().chain(rest).enumerate() {
        let number = i + 1;
        let mut place = Placed { number, photo: photo.taken.photo, original: None, copy: None };
        let mut lack = |code| lacks.push(Lack { code, of: number.to_string() });
        if photo.erased.is_some() {
            lack("photo-erased");
        } else if photo.moved.is_some() {
            lack("photo-moved");
        } else if photo.received.is_none() {
            lack("photo-not-received");
        } else {
            let file = photo.taken.file;
            let without = wanted.customer == Customer::Withheld;
            let covered = covered(intake, photo, wanted);
            if without || covered.is_some() {
                withheld.insert(file);
            } else {
                let name = format!("originals/{}.{}", file.hex(), ending(photo));
                match kept(ledger.originals(), intake.whose.shop, Shelf::Originals, name, file)? {
                    Some(planned) => {
                        place.original = Some(planned.path.clone());
                        files.push(planned);
                    }
                    None => lack("photo-lost"),
                }
            }
            let made = photo.judged.as_ref().map(|j| j.what.renditions.as_slice()).unwrap_or_default();
            // Where there are boxes, never the copy without them.
            let large = match covered {
                Some(c) => c.renditions.iter().find(|r| r.purpose == "large").map(|r| (r.file, r.width, r.height)),
                None => made.iter().find(|r| r.purpose == "large").map(|r| (r.file, r.width, r.height)),
            };
            let copy = match large {
                Some((file, width, height)) => {
                    let name = format!("copies/{}.jpg", file.hex());
                    let planned = kept(ledger.originals(), intake.whose.shop, Shelf::Renditions, name, file)?;
                    planned.map(|p| (p, width, height))
                }
                None => None,
            };
            match copy {
                Some((planned, width, height)) => {
                    place.copy = Some((planned.path.clone(), width, height));
                    files.push(planned);
                }
                None => lack("photo-no-copy"),
            }
        }
        placed.push(place);
    }
    Ok((placed, withheld.into_iter().collect()))
}
