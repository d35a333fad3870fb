//! Witnesses (C2SP tlog-witness, <https://c2sp.org/tlog-witness>): each is sent the newest published checkpoint with the proof that
//! the log goes on from the last one it signed, and its cosignature is kept beside the checkpoint.

use evidence::cosignature::{WitnessKey, cosignatures};
use evidence::witness::Request;
use hyper::Uri;
use uuid::Uuid;

use super::{Outside, State, Why, send};
use crate::hidden::shown;
use crate::ledger::prove;
use crate::originals::outside::{Published, named};

/// The folder of cosignatures; a file's ending is its key's id.
pub const FOLDER: &str = "witnessed";
/// Most bytes of a witness's answer.
const MOST: usize = 16 * 1024;

/// A witness that is asked.
#[derive(Clone, Debug)]
pub struct Asked {
    /// Its key.
    pub key: WitnessKey,
    /// Where checkpoints are sent.
    url: Uri,
}

impl Asked {
    /// Reads `KEY@ADDRESS`: the address is the submission prefix.
    ///
    /// # Errors
    /// A sentence.
    pub fn of(text: &str) -> Result<Asked, String> {
        let bad = || format!("{} is no witness of the form KEY@http://host/path", shown(text));
        let at = text.find("@http").ok_or_else(bad)?;
        let key = text[..at].parse().map_err(|e| format!("{}: {e}", shown(text)))?;
        let url = send::address(&format!("{}/add-checkpoint", text[at + 1..].trim_end_matches('/')))?;
        Ok(Asked { key, url })
    }

    /// Ending of its files.
    pub fn id(&self) -> String {
        format!("{:08x}", u32::from_be_bytes(self.key.id()))
    }

    /// The name of its errand.
    pub fn errand(&self) -> String {
        format!("{FOLDER}-{}", self.id())
    }
}

/// A published checkpoint with the cosignatures kept for it. Blocking.
///
/// # Errors
/// The disk's, as a sentence.
pub fn cosigned(originals: &crate::originals::Originals, shop: Uuid, of: Published) -> Result<Option<String>, String> {
    let Some(mut note) = originals.published(shop, of).map_err(|e| e.to_string())? else { return Ok(None) };
    let mut any = false;
    for (published, ending) in originals.outside_names(shop, FOLDER).map_err(|e| e.to_string())? {
        if published == of
            && let Some(line) = originals.outside_file(shop, FOLDER, &named(of, &ending)).map_err(|e| e.to_string())?
        {
            note.push_str(&String::from_utf8_lossy(&line));
            any = true;
        }
    }
    Ok(any.then_some(note))
}

impl Outside {
    /// Has one witness see the newest checkpoint, where it has not; gives the state after it.
    ///
    /// # Errors
    /// A sentence when the disk or the database does not do what it should.
    pub async fn be_witnessed(&self, shop: Uuid, by: &Asked) -> Result<State, String> {
        let _one = self.busy.lock().await;
        let (errand, clock) = (by.errand(), self.ledger.clock());
        let before = self.state(shop, &errand).await?;
        let Some((of, note)) = self.newest(shop).await? else { return Ok(before) };
        let (originals, id) = (self.ledger.originals().clone(), by.id());
        let list = tokio::task::spawn_blocking(move || originals.outside_list(shop, FOLDER, &id));
        let list = list.await.map_err(|e| e.to_string())?.map_err(|e| e.to_string())?;
        let mut after = State { done: Some(clock.now()), waiting: None };
        if !list.contains(&of) {
            self.set_state(shop, &errand, &before.trying(clock.now())).await?;
            let seen = list.iter().filter(|(epoch, _)| *epoch == of.0).map(|(_, size)| *size).max().unwrap_or(0);
            match self.ask(shop, by, (of, &note), seen).await? {
                Ok(line) => {
                    self.put(shop, FOLDER, named(of, &by.id()), line.into_bytes()).await?;
                    tracing::info!(%shop, size = of.1, witness = %by.key.name, "a checkpoint was cosigned");
                    after.done = Some(clock.now());
                }
                Err((why, said)) => {
                    tracing::warn!(%shop, size = of.1, witness = %by.key.name, error = %said, "a checkpoint was not cosigned; it is tried again");
                    after = before.in_vain(clock.now(), why, said);
                }
            }
        }
        self.set_state(shop, &errand, &after).await?;
        Ok(after)
    }

    /// The signature line, or why there is none.
    async fn ask(
        &self,
        shop: Uuid,
        by: &Asked,
        (of, note): (Published, &str),
        seen: u64,
    ) -> Result<Result<String, (Why, String)>, String> {
        let mut old = seen;
        // The witness may have signed one whose answer never came: it says its size, and is asked once more.
        for again in [true, false] {
            let proof = match (1..of.1).contains(&old) {
                true => {
                    let mut db = self.ledger.pool().acquire().await.map_err(|e| e.to_string())?;
                    prove::consistency(&mut db, shop, old, of.1).await.map_err(|e| e.to_string())?
                }
                false => Vec::new(),
            };
            let body = Request { old, proof, note: note.to_owned() }.to_string().into_bytes();
            let answer = match send::post(&by.url, "text/plain; charset=utf-8", body, (MOST, self.within)).await {
                Ok(answer) => answer,
                Err(e) => return Ok(Err((Why::NotReached, e.to_string()))),
            };
            let text = String::from_utf8_lossy(&answer.bytes).into_owned();
            match answer.status.as_u16() {
                200 => return Ok(signed(by, note, &text).ok_or_else(no_signature)),
                409 if answer.media_type == "text/x.tlog.size" => match text.trim_end().parse::<u64>() {
                    Ok(size) if size > of.1 => return Ok(Err((Why::Disagrees, longer(size, of.1)))),
                    Ok(size) if again && size != old => old = size,
                    _ => {
                        return Ok(Err((
                            Why::BadAnswer,
                            "the witness names no size that could be gone on from".into(),
                        )));
                    }
                },
                409 | 422 => {
                    return Ok(Err((Why::Disagrees, format!("the witness refuses: {:.200}", text.trim_end()))));
                }
                // After a change of key whoever runs it has to be told the new one.
                403 => {
                    return Ok(Err((
                        Why::UnknownKey,
                        "the witness does not know the key that signs this log now".into(),
                    )));
                }
                404 => return Ok(Err((Why::UnknownKey, "the witness does not watch this log".into()))),
                status => {
                    return Ok(Err((
                        Why::BadAnswer,
                        format!("the witness answered {status}: {:.200}", text.trim_end()),
                    )));
                }
            }
        }
        Ok(Err((Why::BadAnswer, "the witness names another size each time".into())))
    }
}

fn no_signature() -> (Why, String) {
    (Why::BadAnswer, "the witness's answer has no signature of its key over this checkpoint".into())
}

fn longer(seen: u64, ours: u64) -> String {
    format!("the witness has seen {seen} entries of this log, and here are only {ours}: an older state was put back")
}

/// The line of an answer by which this witness's key signed the checkpoint.
fn signed(by: &Asked, note: &str, answer: &str) -> Option<String> {
    let holds = |line: &str| {
        let found = cosignatures(&format!("{note}{line}\n"), std::slice::from_ref(&by.key));
        found.is_ok_and(|f| f.last().is_some_and(|c| c.holds == Some(true)))
    };
    answer.split('\n').take(16).find(|l| holds(l)).map(|l| format!("{l}\n"))
}
