//! Kinds of machine that a shop adds itself: read whole or not at all, added and retired by entries. What is shipped is
//! offered beside them; a shop's own kind with the same identifier takes its place.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;

use evidence::digest::Digest;
use serde_json::json;
use uuid::Uuid;

use crate::database::Place;
use crate::http::assets;
use crate::intake::kind::{Fault, KindError, LoadedKind};
use crate::ledger::start::{map, shops};
use crate::ledger::{Ledger, No, ServerEntry, load};

/// Most kind files read from one folder.
const FILES: usize = 200;

/// A kind that new intakes may use, or no longer may.
#[derive(Clone, Debug)]
pub struct Offered {
    /// The kind.
    pub kind: Arc<LoadedKind>,
    /// Whether the shop added it.
    pub own: bool,
    /// Log index of the entry that retired it.
    pub retired: Option<u64>,
}

/// Reads a kind: the rules of every kind, and drawings that are there.
///
/// # Errors
/// Every fault with its line.
pub fn read(bytes: &[u8]) -> Result<LoadedKind, KindError> {
    let kind = LoadedKind::parse(bytes)?;
    let text = String::from_utf8_lossy(bytes);
    let line = |drawing: &str| {
        let named = |l: &str| l.trim_start().starts_with("drawing") && l.contains(&format!("\"{drawing}\""));
        text.lines().position(named).map_or(1, |n| n + 1)
    };
    let faults: Vec<Fault> = kind
        .kind
        .views
        .iter()
        .filter(|v| !assets::has_drawing(&v.drawing))
        .map(|v| Fault {
            line: line(&v.drawing),
            reason: format!("view \"{}\": there is no drawing \"{}\"", v.id, v.drawing),
        })
        .collect();
    if faults.is_empty() { Ok(kind) } else { Err(KindError(faults)) }
}

/// Reads every `*.toml` of a folder, in the order of their names.
///
/// # Errors
/// Every fault of every file as `file:line: reason`; then none of them is to be used.
pub fn read_folder(folder: &Path) -> Result<Vec<LoadedKind>, String> {
    let list = std::fs::read_dir(folder).map_err(|e| format!("{}: {e}", folder.display()))?;
    let mut files: Vec<_> =
        list.filter_map(|f| f.ok().map(|f| f.path())).filter(|p| p.extension().is_some_and(|e| e == "toml")).collect();
    files.sort();
    if files.len() > FILES {
        return Err(format!("{}: more than {FILES} kind files", folder.display()));
    }
    let (mut kinds, mut faults, mut names) = (Vec::new(), Vec::new(), BTreeMap::new());
    for file in files {
        let name = file.display().to_string();
        match std::fs::read(&file) {
            Ok(bytes) => match read(&bytes) {
                Ok(kind) => {
                    if let Some(other) = names.insert(kind.kind.id.clone(), name.clone()) {
                        faults.push(format!("{name}:1: \"{}\" is the kind of {other} too", kind.kind.id));
                    }
                    kinds.push(kind);
                }
                Err(e) => faults.push(e.in_file(&name)),
            },
            Err(e) => faults.push(format!("{name}:1: it cannot be read ({e})")),
        }
    }
    if faults.is_empty() { Ok(kinds) } else { Err(faults.join("\n")) }
}

impl Ledger {
    /// The kinds of a shop: those offered in the order of the list, then those retired.
    ///
    /// # Errors
    /// The database's.
    pub async fn kinds_of(&self, shop: Uuid) -> Result<Vec<Offered>, sqlx::Error> {
        let mut db = self.pool().acquire().await?;
        let said = load::own_kinds(&mut *db, shop).await?;
        let newest: BTreeMap<&str, _> = said.iter().map(|k| (k.kind_id.as_str(), k)).collect();
        let shipped = |id: &str| crate::kinds::shipped().iter().find(|k| k.kind.id == id);
        let mut ids: Vec<&str> = crate::kinds::shipped().iter().map(|k| k.kind.id.as_str()).collect();
        for k in &said {
            if !ids.contains(&k.kind_id.as_str()) {
                ids.push(&k.kind_id);
            }
        }
        let mut all = Vec::with_capacity(ids.len());
        for id in ids {
            let now = newest.get(id);
            let digest = match now {
                Some(k) if k.digest.is_some() => k.digest,
                // A retired one is shown as it was last.
                Some(_) => said.iter().rev().filter(|k| k.kind_id == id).find_map(|k| k.digest),
                None => None,
            }
            .or_else(|| shipped(id).map(|k| k.digest));
            let Some(digest) = digest else { continue };
            let Some(kind) = self.kind(&mut db, shop, &digest).await? else { continue };
            let own = shipped(id).is_none_or(|k| k.digest != digest);
            all.push(Offered { kind, own, retired: now.filter(|k| k.digest.is_none()).map(|k| k.index) });
        }
        all.sort_by_key(|k| k.retired.is_some());
        Ok(all)
    }

    /// Adds a kind to a shop: its bytes are kept, then its entry says so.
    ///
    /// # Errors
    /// Why it was not kept.
    pub async fn add_kind(&self, shop: Uuid, kind: &LoadedKind, author: Option<(Uuid, Uuid)>) -> Result<u64, No> {
        let kept = load::keep_document(self.pool(), shop, "kind", &kind.kind.id, &kind.bytes).await;
        kept.map_err(|e| No::Busy(e.to_string()))?;
        let body = json!({"digest": kind.digest.to_string(), "kind_id": kind.kind.id});
        self.say_of_kind(shop, "kind-added", body, author).await
    }

    /// Retires a kind: new intakes no longer use it.
    ///
    /// # Errors
    /// Why it was not kept.
    pub async fn retire_kind(&self, shop: Uuid, kind_id: &str, author: Option<(Uuid, Uuid)>) -> Result<u64, No> {
        self.say_of_kind(shop, "kind-retired", json!({"kind_id": kind_id}), author).await
    }

    async fn say_of_kind(
        &self,
        shop: Uuid,
        kind: &str,
        body: serde_json::Value,
        author: Option<(Uuid, Uuid)>,
    ) -> Result<u64, No> {
        let entry = ServerEntry { kind: kind.to_owned(), intake: None, body: map(body), personal: Vec::new(), author };
        self.say(shop, entry).await.map(|a| a.index)
    }

    /// Adds the kinds of a folder to every shop, or to `only` one. At a start (`again` false) a file whose bytes were added before is left
    /// alone, so that what the owner changed or retired since stays so.
    ///
    /// # Errors
    /// Every fault of every file; then nothing was changed.
    pub async fn import_kinds(
        &self,
        folder: &Path,
        only: Option<Uuid>,
        again: bool,
    ) -> Result<Vec<(Uuid, String)>, String> {
        let kinds = read_folder(folder)?;
        let mut all = shops(self.pool()).await.map_err(|e| e.to_string())?;
        all.retain(|shop| only.is_none_or(|only| only == *shop));
        if let (Some(only), true) = (only, all.is_empty()) {
            return Err(format!("there is no shop {only} here"));
        }
        let mut added = Vec::new();
        for shop in all {
            let offered = self.kinds_of(shop).await.map_err(|e| e.to_string())?;
            let said = load::own_kinds(self.pool(), shop).await.map_err(|e| e.to_string())?;
            let before = |d: &Digest| said.iter().any(|k| k.digest == Some(*d));
            let now = |d: &Digest| offered.iter().any(|k| k.retired.is_none() && k.kind.digest == *d);
            for kind in kinds.iter().filter(|k| !now(&k.digest) && (again || !before(&k.digest))) {
                self.add_kind(shop, kind, None).await.map_err(|no| format!("{}: {no:?}", kind.kind.id))?;
                added.push((shop, kind.kind.id.clone()));
            }
        }
        Ok(added)
    }
}

/// Reads `kinds/` of a data folder at the start. Files with a fault keep no counter from working: they are told, and
/// everything stays as it was.
pub async fn at_start(ledger: &Ledger, data: &Path) {
    let folder = data.join("kinds");
    if !folder.is_dir() {
        return;
    }
    match ledger.import_kinds(&folder, None, false).await {
        Ok(added) => {
            for (shop, kind) in added {
                tracing::info!(%shop, kind, "a kind of the shop's own was added from its folder");
            }
        }
        Err(faults) => eprintln!("counterfoil: no kind of {} was taken over:\n{faults}", folder.display()),
    }
}

/// `counterfoil kinds import`.
///
/// # Errors
/// Every fault of every file, or why the data folder cannot be used.
pub async fn import(folder: &Path, only: Option<Uuid>, place: &Place) -> Result<(), String> {
    read_folder(folder)?;
    place.must_be_there()?;
    let ledger = crate::serve::open(place.clone(), true).await?.ledger;
    let added = ledger.import_kinds(folder, only, true).await;
    for shop in shops(ledger.pool()).await.map_err(|e| e.to_string())? {
        ledger.publish(shop).await;
    }
    ledger.close().await;
    let added = added?;
    for (shop, kind) in &added {
        println!("shop {shop}: {kind} added");
    }
    println!("{} kinds added; intakes keep the kind they were opened with", added.len());
    Ok(())
}
