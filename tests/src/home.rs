//! A machine goes home: photographed as it leaves, settled, signed for, handed back.

use evidence::digest::Digest;
use serde_json::json;

use crate::ask::Actor;
use crate::counter::{Counter, Intake};
use crate::picture;

/// Everything that a hand-back asks for of a machine that was left with nothing beside it, and the hand-back.
///
/// # Errors
/// When no whole answer comes back.
///
/// # Panics
/// When something is refused.
pub async fn go_home(
    counter: &mut Counter,
    intake: &mut Intake,
    collector: &[(&str, &str)],
) -> Result<(), reqwest::Error> {
    for view in counter.views() {
        let bytes = picture::sharp(counter.random.number());
        let (photo, file) = (counter.uuid(), Digest::of(&bytes).to_string());
        let body = json!({"photo": photo, "file": file, "size": bytes.len(), "stage": "left", "view": view});
        counter.say(intake, "photo-taken", body, &[]).await?;
        counter.send(intake, &bytes).await?;
    }
    counter.say(intake, "trial-noted", json!({"how": "tried", "what": "idles and cuts"}), &[]).await?;
    let who = json!({"who": "somebody else", "checked": "receipt shown"});
    counter.say(intake, "collector-noted", who, collector).await?;
    let path = counter.staff.path(&format!("/intakes/{}/hand-back-sheet", intake.id));
    let sheet = counter.staff.get(&path).try_send().await?.expect(200).body.clone();
    let points: Vec<[u64; 3]> = (0..30).map(|i| [10 + i * 9, 40 + counter.random.below(90), i * 16]).collect();
    let strokes = evidence::canon::to_bytes(&json!({"height": 200, "strokes": [points], "v": 1, "width": 400}));
    let strokes = strokes.expect("canonical bytes");
    let body = json!({"how": "signed", "sheet": Digest::of(&sheet), "strokes": Digest::of(&strokes), "language": "en", "words": counter.words});
    counter.say(intake, "hand-back-shown", body, &[]).await?;
    counter.send(intake, &sheet).await?;
    counter.send(intake, &strokes).await?;
    counter.say(intake, "handed-back", json!({}), &[]).await.map(|_| ())
}
