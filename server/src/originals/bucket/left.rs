//! Uploads in parts that a kill left half done: a store keeps their parts, and asks money for them, until somebody ends them.

use std::collections::HashMap;

use super::client::{Client, Failed, of};
use super::erase::text;
use crate::edge::Millis;

/// How often the list is asked for: a store gives at most a thousand at once.
const ROUNDS: u32 = 16;

/// One of them.
#[derive(Debug, PartialEq, Eq)]
struct Upload {
    key: String,
    id: String,
    begun: Option<Millis>,
}

impl Client {
    /// Ends those below a prefix: all, or those begun before `older`. Gives their number.
    pub(super) async fn abort_left(&self, prefix: &str, older: Option<Millis>) -> Result<usize, Failed> {
        let query = HashMap::from([("uploads".to_owned(), String::new()), ("prefix".to_owned(), prefix.to_owned())]);
        let mut swept = 0;
        for _ in 0..ROUNDS {
            // Not the library's own list: it wants members that not every store gives.
            let listed = self.bucket_query(&query).await?;
            let due = |u: &Upload| older.is_none_or(|older| u.begun.is_some_and(|at| at < older));
            let all: Vec<Upload> = read(&listed).into_iter().filter(|u| u.key.starts_with(prefix) && due(u)).collect();
            if all.is_empty() {
                break;
            }
            for upload in &all {
                match self.within(0).abort_upload(&upload.key, &upload.id).await.map_err(|e| of(&e, false)) {
                    Ok(()) => swept += 1,
                    // Another process did the same.
                    Err(Failed::Absent) => {}
                    Err(failed) => return Err(failed),
                }
            }
        }
        Ok(swept)
    }
}

fn read(list: &str) -> Vec<Upload> {
    let of = |u: &str| {
        let begun = text(u, "Initiated").and_then(|at| at.parse::<jiff::Timestamp>().ok()).map(|t| t.as_millisecond());
        Some(Upload { key: text(u, "Key")?, id: text(u, "UploadId")?, begun })
    };
    list.split("<Upload>").skip(1).filter_map(of).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_list_is_read_whatever_else_stands_in_it() {
        let list = "<ListMultipartUploadsResult><Bucket>b</Bucket><Upload><Key>a/b</Key><UploadId>u1</UploadId>\
            <Initiated>1970-01-01T00:00:01Z</Initiated></Upload><Upload><Initiated>soon</Initiated><UploadId>u2</UploadId>\
            <Key>a/c</Key><Owner/></Upload></ListMultipartUploadsResult>";
        let upload = |key: &str, id: &str, begun| Upload { key: key.into(), id: id.into(), begun };
        assert_eq!(read(list), [upload("a/b", "u1", Some(1000)), upload("a/c", "u2", None)]);
    }
}
