//! The sheet: the list of what was shown to the customer. Its digest stands in the acknowledgement.

use serde::{Deserialize, Serialize};
use serde_json::Value;
use uuid::Uuid;

use crate::canon::{self, CanonError};
use crate::digest::Digest;

/// What was shown.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Sheet {
    /// Said digests of the facts shown, sorted.
    pub entries: Vec<Digest>,
    /// Digests of the photos, in the order they are numbered.
    pub files: Vec<Digest>,
    /// The intake.
    pub intake: Uuid,
    /// Digest of the kind.
    pub kind: Digest,
    /// Language it was shown in.
    pub language: String,
    /// Who read or translated it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reader: Option<String>,
    /// The shop.
    pub shop: Uuid,
    /// Digest of the terms shown.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub terms: Option<Digest>,
    /// Digest of the catalogue of words.
    pub words: Digest,
}

impl Sheet {
    /// The canonical bytes.
    ///
    /// # Errors
    /// Where and why it has none.
    pub fn bytes(&self) -> Result<Vec<u8>, CanonError> {
        let not = |_| CanonError { pointer: String::new(), sentence: "this sheet cannot be written" };
        let mut value = serde_json::to_value(self).map_err(not)?;
        if let Value::Object(map) = &mut value {
            map.insert("v".into(), Value::from(1));
        }
        canon::to_bytes(&value)
    }

    /// The digest of the bytes; of nothing, where there are none.
    pub fn digest(&self) -> Digest {
        Digest::of(&self.bytes().unwrap_or_default())
    }

    /// Reads a sheet.
    ///
    /// # Errors
    /// Where and why the bytes are not a sheet.
    pub fn parse(bytes: &[u8]) -> Result<Sheet, CanonError> {
        let wrong = |sentence| CanonError { pointer: String::new(), sentence };
        let mut value = canon::parse(bytes)?;
        if value.as_object_mut().and_then(|m| m.remove("v")) != Some(Value::from(1)) {
            return Err(wrong("this is not a sheet of version 1"));
        }
        let sheet: Sheet = serde_json::from_value(value).map_err(|_| wrong("this is not a sheet"))?;
        if sheet.entries.windows(2).any(|w| w[0] >= w[1]) {
            return Err(wrong("a sheet's entries are sorted, each once"));
        }
        Ok(sheet)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sheet_comes_back_from_its_bytes() {
        let sheet = Sheet {
            entries: vec![Digest([1; 32]), Digest([2; 32])],
            files: vec![Digest([9; 32])],
            intake: Uuid::from_u128(1),
            kind: Digest([3; 32]),
            language: "en".into(),
            reader: None,
            shop: Uuid::from_u128(2),
            terms: Some(Digest([4; 32])),
            words: Digest([5; 32]),
        };
        let bytes = sheet.bytes().unwrap();
        assert_eq!(Sheet::parse(&bytes).unwrap(), sheet);
        assert!(String::from_utf8(bytes).unwrap().starts_with("{\"entries\":[\"sha256:0101"));
        let unsorted = Sheet { entries: vec![Digest([2; 32]), Digest([1; 32])], ..sheet };
        assert!(Sheet::parse(&unsorted.bytes().unwrap()).is_err());
    }
}
