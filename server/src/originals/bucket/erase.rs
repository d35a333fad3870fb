//! Taking objects away so that nothing of them stays: where the store keeps versions, each of them.

use std::collections::HashMap;

use s3::serde_types::ObjectIdentifier;

use super::client::{Client, Failed, of};

/// How often what is left is looked for: a store gives at most a thousand versions at once.
const ROUNDS: u32 = 16;
/// The version that a store without versions names.
const NO_VERSION: &str = "null";

impl Client {
    /// Takes away all that stands or stood under a key. Says whether anything did.
    pub(super) async fn erase(&self, key: &str) -> Result<bool, Failed> {
        let mut was = false;
        for _ in 0..ROUNDS {
            match self.versions(key).await? {
                Some(none) if none.is_empty() => return Ok(was),
                Some(versions) if versions.iter().any(|v| v != NO_VERSION) => {
                    was = true;
                    self.erase_versions(key, versions).await?;
                }
                // One that the store knows no versions of, or a store that tells none.
                _ => break,
            }
        }
        was |= self.size(key).await.map(|_| true).or_else(|e| if e == Failed::Absent { Ok(false) } else { Err(e) })?;
        self.delete(key).await?;
        match self.size(key).await {
            Err(Failed::Absent) => Ok(was),
            Ok(_) => Err(Failed::Refused("it says that an object was taken away and still has it".to_owned())),
            Err(failed) => Err(failed),
        }
    }

    /// What the bucket itself answers to a question.
    pub(super) async fn bucket_query(&self, query: &HashMap<String, String>) -> Result<String, Failed> {
        self.again(|| async {
            let bucket = self.within(0).with_extra_query(query.clone()).map_err(|e| of(&e, false))?;
            let answer = bucket.get_object("/").await.map_err(|e| of(&e, false))?;
            answer.to_string().map_err(|e| Failed::Away(e.to_string()))
        })
        .await
    }

    async fn erase_versions(&self, key: &str, versions: Vec<String>) -> Result<(), Failed> {
        let all: Vec<_> = versions.into_iter().map(|v| ObjectIdentifier::with_version(key, v)).collect();
        let done = self
            .again(|| async { self.within(0).delete_objects(all.clone()).await.map_err(|e| of(&e, false)) })
            .await?;
        match done.errors.first() {
            None => Ok(()),
            Some(e) => Err(Failed::Refused(format!("a version of an object cannot be taken away: {e:?}"))),
        }
    }

    /// Every version of an object, and every mark that it was deleted. `None` where the store cannot tell.
    pub(super) async fn versions(&self, key: &str) -> Result<Option<Vec<String>>, Failed> {
        let query = HashMap::from([("versions".to_owned(), String::new()), ("prefix".to_owned(), key.to_owned())]);
        let listed = self.bucket_query(&query).await;
        match listed {
            Ok(text) if text.contains("<ListVersionsResult") => Ok(Some(read(&text, key))),
            Err(Failed::Away(why)) => Err(Failed::Away(why)),
            _ => Ok(None),
        }
    }
}

/// What stands in an element of an answer.
pub(super) fn text(of: &str, tag: &str) -> Option<String> {
    Some(of.split_once(&format!("<{tag}>"))?.1.split_once(&format!("</{tag}>"))?.0.to_owned())
}

/// The versions of one key in a list. Keys are made of letters, digits and `-_./`: nothing in them is escaped.
fn read(list: &str, key: &str) -> Vec<String> {
    let begins = |tag: &str| list.split(&format!("<{tag}>")).skip(1).map(str::to_owned).collect::<Vec<_>>();
    let all = begins("Version").into_iter().chain(begins("DeleteMarker"));
    all.filter(|v| text(v, "Key").as_deref() == Some(key)).filter_map(|v| text(&v, "VersionId")).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn versions_and_marks_of_the_very_key_are_found() {
        let list = "<ListVersionsResult><Prefix>a/b</Prefix>\
            <DeleteMarker><Key>a/b</Key><VersionId>v3</VersionId></DeleteMarker>\
            <Version><Key>a/b</Key><VersionId>v2</VersionId><IsLatest>false</IsLatest></Version>\
            <Version><Key>a/b</Key><VersionId>null</VersionId></Version>\
            <Version><Key>a/bc</Key><VersionId>v9</VersionId></Version></ListVersionsResult>";
        assert_eq!(read(list, "a/b"), ["v2", "null", "v3"]);
        assert!(read("<html>", "a/b").is_empty());
    }
}
