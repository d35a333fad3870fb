use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};

use super::*;
use crate::edge::Clock;
use crate::serve;

/// A shop's log in a folder, under a clock that stands until it is moved.
struct Kept {
    folder: tempfile::TempDir,
    hand: Arc<AtomicI64>,
    ledger: Ledger,
    shop: Uuid,
}

impl Kept {
    async fn new() -> Kept {
        let folder = tempfile::Builder::new().prefix("counterfoil-keys-").tempdir().expect("a folder");
        let hand = Arc::new(AtomicI64::new(1_795_600_000_000));
        let ledger = open(folder.path(), &hand).await;
        let shop = ledger.open_shop("Tarn Street", "Europe/London", "GBP").await.expect("a shop");
        Kept { folder, hand, ledger, shop }
    }

    async fn head(&self) -> Head {
        self.ledger.head(self.shop).await.expect("the database").expect("a head")
    }

    /// The public keys that signed the head.
    async fn signing(&self) -> Vec<[u8; 32]> {
        let head = self.head().await;
        let signers = self.ledger.signers(&head.checkpoint(self.shop).origin, &head).expect("keys");
        signers.iter().map(|k| k.verifier().public).collect()
    }

    async fn rotate(&self, days: u32) -> Result<Answer, No> {
        self.ledger.rotate_key(self.shop, "as every year", days, None).await
    }

    async fn say_something(&self) {
        self.ledger.say_opened(self.shop, "Tarn Street", "Europe/London", "GBP").await.expect("it is kept");
    }

    fn file(&self) -> Vec<String> {
        let text = std::fs::read_to_string(self.folder.path().join("keys/log.key")).expect("the key file");
        text.lines().map(str::to_owned).collect()
    }

    fn days_later(&self, days: i64) {
        self.hand.fetch_add(days * DAY, Ordering::SeqCst);
    }

    async fn own(&self, note: &str) -> bool {
        let mut db = self.ledger.reading().await.expect("the database");
        self.ledger.line(&mut db, self.shop).await.expect("the keys").own(note).is_some()
    }
}

async fn open(folder: &Path, hand: &Arc<AtomicI64>) -> Ledger {
    serve::open_at(folder, true, Clock::Set(hand.clone())).await.expect("it opens").ledger
}

fn refused(no: &Result<Answer, No>) -> &str {
    match no {
        Err(No::Refused(Refusal::Refused(s))) => &s.key,
        other => panic!("it is not refused: {other:?}"),
    }
}

#[tokio::test]
async fn both_sign_until_the_time_is_over_and_then_the_new_one_alone() {
    let kept = Kept::new().await;
    let (first, before) = (kept.signing().await, kept.head().await);
    kept.rotate(30).await.expect("it is changed");
    let both = kept.signing().await;
    assert_eq!((first.len(), both.len(), both[1], kept.file().len()), (1, 2, first[0], 2));
    assert_eq!(refused(&kept.rotate(30).await), "refused.key-overlap");
    assert_eq!(kept.file().len(), 2, "a key that was refused is not kept");

    kept.days_later(29);
    kept.ledger.tend_keys().await.expect("they are tended");
    kept.say_something().await;
    assert_eq!(kept.signing().await, both);
    let size = kept.head().await.size;
    kept.days_later(1);
    kept.ledger.tend_keys().await.expect("they are tended");
    assert_eq!(kept.signing().await, both[..1]);
    assert_eq!(
        (kept.head().await.size, kept.file().len()),
        (size + 1, 1),
        "an entry says so, and the file has one key"
    );
    kept.ledger.tend_keys().await.expect("again");
    assert_eq!(kept.head().await.size, size + 1, "it is said once");

    // What was signed before stays the log's own; and it starts again.
    assert!(kept.own(&before.note).await);
    kept.ledger.check_start().await.expect("it starts");
    kept.rotate(30).await.expect("it is changed again");
    assert_eq!(kept.signing().await[1], both[0]);
}

#[tokio::test]
async fn an_old_key_says_nothing_after_it_was_let_go() {
    let kept = Kept::new().await;
    let origin = kept.head().await.checkpoint(kept.shop).origin;
    let stolen = SignerKey::new(&origin, kept.ledger.ring().newest().expect("a key"));
    let forged =
        |size: u64| Checkpoint { origin: origin.clone(), size, root: [9; 32] }.sign(&[&stolen]).expect("signed");
    kept.rotate(0).await.expect("it is changed");
    let head = kept.head().await;
    assert_eq!(kept.signing().await.len(), 1);
    // Up to the entry that lets it go a head may be its own; the log then tells whether it is.
    assert!(kept.own(&forged(head.size - 1)).await && !kept.own(&forged(head.size)).await);
    kept.ledger.seen(kept.shop, &forged(9_999)).await.expect("it is looked at");
    assert_eq!(kept.head().await.ahead, None, "whoever finds an old key stops nobody");
    kept.say_something().await;

    // Nor does it change the key, whoever may write.
    let new = SignerKey::new(&origin, [3; 32]);
    let body = map(
        json!({"old": stolen.verifier().to_string(), "new": new.verifier().to_string(), "note": "", "because": "x"}),
    );
    let entry = ServerEntry { kind: ROTATED.into(), intake: None, body, personal: Vec::new(), author: None };
    assert_eq!(refused(&kept.ledger.say(kept.shop, entry).await), "refused.key-changed");
    let body = map(json!({"old": stolen.verifier().to_string()}));
    let entry = ServerEntry { kind: RETIRED.into(), intake: None, body, personal: Vec::new(), author: None };
    assert_eq!(refused(&kept.ledger.say(kept.shop, entry).await), "refused.key-changed");
}

#[tokio::test]
async fn another_process_changes_the_key_and_this_one_goes_on() {
    let kept = Kept::new().await;
    let other = open(kept.folder.path(), &kept.hand).await;
    other.rotate_key(kept.shop, "as every year", 30, None).await.expect("it is changed");
    other.close().await;
    kept.say_something().await;
    assert_eq!(kept.signing().await.len(), 2, "the new key is read from the file");
    let other = open(kept.folder.path(), &kept.hand).await;
    other.retire_key(kept.shop).await.expect("the old one is let go");
    other.close().await;
    kept.say_something().await;
    assert_eq!(kept.signing().await.len(), 1);
    kept.ledger.check_start().await.expect("it starts");
}

#[tokio::test]
async fn a_crash_before_the_entry_leaves_a_key_that_signs_nothing() {
    let kept = Kept::new().await;
    let before = kept.signing().await;
    kept.ledger.change_ring(|seeds| seeds.insert(0, [5; 32])).await.expect("the file is written");
    kept.say_something().await;
    assert_eq!(kept.signing().await, before);
    let old = kept.ledger.ring().seeds()[1];
    kept.rotate(0).await.expect("it is changed");
    assert_ne!(kept.signing().await[0], public(&[5; 32]));
    assert!(!kept.ledger.ring().seeds().contains(&old));
    // A crash after the old one was let go leaves it in the file: it goes at the next look.
    kept.ledger.change_ring(move |seeds| seeds.push(old)).await.expect("the file is written");
    kept.ledger.tend_keys().await.expect("they are tended");
    assert_eq!((kept.file().len(), kept.ledger.ring().seeds().contains(&old)), (2, false));
}

#[tokio::test]
async fn a_log_without_its_keys_does_not_start() {
    let kept = Kept::new().await;
    let old = kept.file()[0].clone();
    kept.rotate(30).await.expect("it is changed");
    let path = kept.folder.path().join("keys/log.key");
    let both = std::fs::read_to_string(&path).expect("the file");
    kept.ledger.close().await;
    let tried = async |text: &str| {
        std::fs::write(&path, text).expect("a file");
        match serve::open_at(kept.folder.path(), true, Clock::Set(kept.hand.clone())).await {
            Ok(opened) => {
                opened.ledger.close().await;
                String::new()
            }
            Err(said) => said,
        }
    };
    let said = tried(&old).await;
    assert!(said.contains("Put the right key back") && said.contains("It was changed on 2026-11-25T"), "{said}");
    let new = both.lines().next().expect("the new key").to_owned();
    assert!(tried(&new).await.contains("was not signed by the key"));
    assert_eq!(tried(&both).await, "");
    let turned = format!("{old}\n{new}\n");
    assert_eq!(tried(&turned).await, "", "the order in the file says nothing");
}
