//! The receipt: what the customer takes home, as one self-contained file. Pure: the same input gives the same bytes.

pub mod erased;
pub mod home;
pub mod lines;
pub mod page;
pub mod paper;
mod proofs;
pub mod since;
pub mod tag;

use std::collections::BTreeMap;

use evidence::digest::Digest;
use uuid::Uuid;

use crate::intake::kind::Kind;
use crate::intake::state::Intake;
use crate::words::Catalogue;

/// One entry as the receipt carries it.
#[derive(Clone, Debug)]
pub struct Evidence {
    /// Log index.
    pub index: u64,
    /// The bytes that were hashed.
    pub bytes: String,
    /// Disclosures for this reader.
    pub disclosures: Vec<String>,
    /// The `.tlog-proof` text, without the checkpoint they all share.
    pub hashes: Vec<[u8; 32]>,
}

/// A picture as the receipt carries it.
#[derive(Clone, Debug)]
pub struct Picture {
    /// JPEG bytes of a rendition.
    pub jpeg: Vec<u8>,
    /// Pixels across.
    pub width: u32,
    /// Pixels down.
    pub height: u32,
}

/// All that a receipt is made from.
#[derive(Debug)]
pub struct Input<'a> {
    /// The catalogue of the customer's language.
    pub words: &'a Catalogue,
    /// The shop's name.
    pub shop_name: &'a str,
    /// The shop's zone (IANA).
    pub zone: &'a str,
    /// The intake, folded up to its acceptance.
    pub intake: &'a Intake,
    /// The same as it stands now: what was said after the acceptance is told apart.
    pub since: &'a Intake,
    /// Its kind.
    pub kind: &'a Kind,
    /// Tags of the intakes that photos came from or were moved to.
    pub tags: &'a BTreeMap<Uuid, String>,
    /// Names of staff.
    pub staff: &'a BTreeMap<Uuid, String>,
    /// The terms as shown.
    pub terms: &'a str,
    /// By photo, what the phone's clock said once corrected by its measured error, and how sure that is; milliseconds.
    pub phones: &'a BTreeMap<Uuid, (i64, i64)>,
    /// Pictures by photo.
    pub pictures: &'a BTreeMap<Uuid, Picture>,
    /// Outline of the signature: width, height, SVG path data.
    pub signature: Option<(i64, i64, String)>,
    /// Entries with their proofs.
    pub evidence: &'a [Evidence],
    /// Sizes at which earlier receipts were given, each with the proof that the log goes on from there.
    pub continues: &'a [(u64, Vec<[u8; 32]>)],
    /// Heads that witnesses cosigned and that cover this.
    pub witnessed: &'a [crate::pack::outside::Witnessed],
    /// The checkpoint that the proofs lead to.
    pub checkpoint: &'a str,
    /// The keys that check it, the one that signs first, then those that were the log's before.
    pub keys: &'a [String],
    /// What the language in which the sheet was shown calls itself.
    pub shown_in: &'a str,
    /// Digest of the sheet that was signed.
    pub sheet: Option<Digest>,
}

impl Input<'_> {
    /// The key that signs.
    pub fn verifier_key(&self) -> &str {
        self.keys.first().map_or("", String::as_str)
    }

    /// What stands where something personal is not shown: withheld, or erased.
    pub fn hidden(&self) -> String {
        let erased = !self.since.erasures.is_empty();
        self.words.plain(if erased { "receipt.name-erased" } else { "receipt.name-withheld" })
    }

    /// The name of a staff member.
    pub fn name(&self, staff: Option<Uuid>) -> String {
        match staff {
            Some(id) => self.staff.get(&id).cloned().unwrap_or_else(|| self.words.plain("receipt.staff-unknown")),
            None => self.words.plain("receipt.the-server"),
        }
    }

    /// The tag of another intake.
    pub fn tag_of(&self, intake: Uuid) -> &str {
        self.tags.get(&intake).map_or("?", String::as_str)
    }

    /// A time on the shop's wall clock, with the zone said.
    pub fn wall(&self, millis: i64) -> String {
        self.words.wall(millis, self.zone)
    }
}

/// Money as people of a language read it: the currency's code and its ordinary number of decimals (ISO 4217).
pub fn money(words: &Catalogue, value: &serde_json::Value) -> Option<String> {
    let minor = value.get("minor")?.as_i64()?;
    let currency = value.get("currency")?.as_str()?;
    let decimals = match currency {
        // ISO 4217 list one: minor unit 0, and 3. All others used by shops have 2.
        "BIF" | "CLP" | "DJF" | "GNF" | "ISK" | "JPY" | "KMF" | "KRW" | "PYG" | "RWF" | "UGX" | "UYI" | "VND"
        | "VUV" | "XAF" | "XOF" | "XPF" => 0u32,
        "BHD" | "IQD" | "JOD" | "KWD" | "LYD" | "OMR" | "TND" => 3,
        _ => 2,
    };
    let unit = 10i64.pow(decimals);
    let amount = if decimals == 0 {
        minor.to_string()
    } else {
        let point = words.plain("money.decimal");
        format!("{}{point}{:0width$}", minor / unit, minor % unit, width = decimals as usize)
    };
    let with = serde_json::json!({"currency": currency, "amount": amount});
    Some(words.say("money.shown", with.as_object()?))
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn money_is_written_with_its_currency_s_decimals() {
        // ISO 4217 minor units: EUR 2, JPY 0, KWD 3 (from memory).
        let shown = |language: &str, value| money(crate::words::language(language), &value);
        let of = |minor, currency| json!({"minor": minor, "currency": currency});
        for (minor, currency, en, de) in [
            (3500, "EUR", "EUR\u{a0}35.00", "35,00\u{a0}EUR"),
            (5, "EUR", "EUR\u{a0}0.05", "0,05\u{a0}EUR"),
            (900, "JPY", "JPY\u{a0}900", "900\u{a0}JPY"),
            (1234, "KWD", "KWD\u{a0}1.234", "1,234\u{a0}KWD"),
        ] {
            assert_eq!(shown("en", of(minor, currency)).as_deref(), Some(en));
            assert_eq!(shown("de", of(minor, currency)).as_deref(), Some(de));
        }
        assert_eq!(shown("en", json!("none")), None);
    }
}
