//! What a picture says of itself: its EXIF members, each kept apart and raw.
//!
//! A claim is not a fact. Nothing here is ever a reason to reject a picture: odd or missing EXIF gives fewer claims.
//! Tags after CIPA DC-008 (Exif 2.32).

use std::collections::BTreeMap;

use exif::{Context, Exif, In, Reader, Tag, Value};
use serde::{Deserialize, Serialize};

use super::tiff;

/// The most characters of one text that are kept.
pub const MAX_TEXT: usize = 160;

/// The claims that may stand in an entry. Texts are as recorded up to the first NUL; absent members were not recorded.
///
/// Serialises to strings and whole numbers only, with absent members left out.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Claims {
    /// Members that are not exactly as recorded: `cut` (longer than [`MAX_TEXT`]), `replaced` (control characters or bytes
    /// that are no text stand as U+FFFD), `cut, replaced`; member `exif` is `refused` for a block built to exhaust memory.
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    pub altered: BTreeMap<String, String>,
    /// 0132: in practice the last write.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub date_time: Option<String>,
    /// 9004.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub date_time_digitized: Option<String>,
    /// 9003: when the picture was taken, by the camera's own clock, without a zone.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub date_time_original: Option<String>,
    /// Of a film: `creation_time` of its movie header (ISO/IEC 14496-12 8.2.2.3), UTC by the standard; some cameras write their
    /// own wall time there.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub film_created: Option<String>,
    /// GPS 001D, UTC.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub gps_date: Option<String>,
    /// GPS 0007, UTC: hours, minutes and seconds as recorded, three fractions such as `13/1 29/1 512/10`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub gps_time: Option<String>,
    /// 010F.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub make: Option<String>,
    /// 0110.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub model: Option<String>,
    /// 9010: the zone of `date_time`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub offset_time: Option<String>,
    /// 9012: the zone of `date_time_digitized`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub offset_time_digitized: Option<String>,
    /// 9011: the zone of `date_time_original`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub offset_time_original: Option<String>,
    /// 0112 as recorded; only 1 to 8 mean something.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub orientation: Option<i64>,
    /// 0131: the camera's firmware, or the program that wrote the file last.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub software: Option<String>,
    /// 9290: the digits after the second of `date_time`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub sub_sec: Option<String>,
    /// 9292: the digits after the second of `date_time_digitized`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub sub_sec_digitized: Option<String>,
    /// 9291: the digits after the second of `date_time_original`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub sub_sec_original: Option<String>,
}

impl Claims {
    /// How the picture is to be turned, 1 to 8 as in EXIF; 1 where nothing usable is recorded.
    pub fn turn(&self) -> u8 {
        self.orientation.and_then(|n| u8::try_from(n).ok()).filter(|n| (1..=8).contains(n)).unwrap_or(1)
    }
}

/// Personal data in the EXIF: goes to disclosures, and the position is shown to nobody by default.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Personal {
    /// A431: the camera's serial number.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub body_serial: Option<String>,
    /// GPS 0001 to 0004.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub gps: Option<Gps>,
    /// A420.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub unique_id: Option<String>,
}

/// A position as recorded, and in whole numbers where the record makes sense.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Gps {
    /// Degrees, minutes, seconds as recorded, three fractions such as `44/1 58/1 2712/100`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub latitude: Option<String>,
    /// Millionths of a degree, north positive; absent where a part is no number or out of range.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub latitude_millionths: Option<i64>,
    /// `N` or `S`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub latitude_ref: Option<String>,
    /// As `latitude`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub longitude: Option<String>,
    /// Millionths of a degree, east positive; absent where a part is no number or out of range.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub longitude_millionths: Option<i64>,
    /// `E` or `W`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub longitude_ref: Option<String>,
}

/// Reads the claims from an EXIF block (from its TIFF header on).
pub fn read(block: &[u8]) -> (Claims, Personal) {
    let mut claims = Claims::default();
    if !tiff::modest(block) {
        claims.altered.insert("exif".into(), "refused".into());
        return (claims, Personal::default());
    }
    let read =
        Reader::new().continue_on_error(true).read_raw(block.to_vec()).or_else(|e| e.distill_partial_result(|_| ()));
    let Ok(exif) = read else { return (claims, Personal::default()) };
    let mut texts = Texts { exif: &exif, altered: BTreeMap::new() };
    claims.date_time = texts.text("date_time", Tag::DateTime);
    claims.date_time_digitized = texts.text("date_time_digitized", Tag::DateTimeDigitized);
    claims.date_time_original = texts.text("date_time_original", Tag::DateTimeOriginal);
    claims.gps_date = texts.text("gps_date", Tag::GPSDateStamp);
    claims.gps_time = texts.fractions(Tag::GPSTimeStamp);
    claims.make = texts.text("make", Tag::Make);
    claims.model = texts.text("model", Tag::Model);
    claims.offset_time = texts.text("offset_time", Tag::OffsetTime);
    claims.offset_time_digitized = texts.text("offset_time_digitized", Tag::OffsetTimeDigitized);
    claims.offset_time_original = texts.text("offset_time_original", Tag::OffsetTimeOriginal);
    claims.orientation = texts.number(Tag::Orientation);
    claims.software = texts.text("software", Tag::Software);
    claims.sub_sec = texts.text("sub_sec", Tag::SubSecTime);
    claims.sub_sec_digitized = texts.text("sub_sec_digitized", Tag::SubSecTimeDigitized);
    claims.sub_sec_original = texts.text("sub_sec_original", Tag::SubSecTimeOriginal);
    let gps = Gps {
        latitude: texts.fractions(Tag::GPSLatitude),
        latitude_ref: texts.text("latitude_ref", Tag::GPSLatitudeRef),
        longitude: texts.fractions(Tag::GPSLongitude),
        longitude_ref: texts.text("longitude_ref", Tag::GPSLongitudeRef),
        ..Gps::default()
    };
    let gps = Gps {
        latitude_millionths: millionths(&gps.latitude, &gps.latitude_ref, ["N", "S"], 90),
        longitude_millionths: millionths(&gps.longitude, &gps.longitude_ref, ["E", "W"], 180),
        ..gps
    };
    let personal = Personal {
        body_serial: texts.text("body_serial", Tag::BodySerialNumber),
        gps: (gps != Gps::default()).then_some(gps),
        unique_id: texts.text("unique_id", Tag::ImageUniqueID),
    };
    claims.altered = texts.altered;
    (claims, personal)
}

/// The EXIF members by tag, and which of them could not be kept as recorded.
struct Texts<'a> {
    exif: &'a Exif,
    altered: BTreeMap<String, String>,
}

impl Texts<'_> {
    /// The member of the main picture. Some writers put a member into the other directory; the right place goes first.
    fn value(&self, tag: Tag) -> Option<&Value> {
        let other = match tag.context() {
            Context::Tiff => Context::Exif,
            Context::Exif => Context::Tiff,
            _ => return Some(&self.exif.get_field(tag, In::PRIMARY)?.value),
        };
        let field = self.exif.get_field(tag, In::PRIMARY);
        Some(&field.or_else(|| self.exif.get_field(Tag(other, tag.number()), In::PRIMARY))?.value)
    }

    fn text(&mut self, member: &str, tag: Tag) -> Option<String> {
        let raw: Vec<u8> = match self.value(tag)? {
            Value::Ascii(parts) => parts.first()?.clone(),
            // Text under another type, as far as the first NUL.
            Value::Byte(bytes) | Value::Undefined(bytes, _) => bytes.clone(),
            Value::Short(n) => n.first()?.to_string().into_bytes(),
            Value::Long(n) => n.first()?.to_string().into_bytes(),
            _ => return None,
        };
        let (text, altered) = clean(raw.split(|b| *b == 0).next().unwrap_or_default());
        if let Some(how) = altered {
            self.altered.insert(member.into(), how.into());
        }
        (!text.is_empty()).then_some(text)
    }

    fn number(&self, tag: Tag) -> Option<i64> {
        match self.value(tag)? {
            Value::Byte(n) => n.first().map(|n| i64::from(*n)),
            Value::Short(n) => n.first().map(|n| i64::from(*n)),
            Value::Long(n) => n.first().map(|n| i64::from(*n)),
            Value::SByte(n) => n.first().map(|n| i64::from(*n)),
            Value::SShort(n) => n.first().map(|n| i64::from(*n)),
            Value::SLong(n) => n.first().map(|n| i64::from(*n)),
            _ => None,
        }
    }

    /// At most three fractions as they stand, a space between.
    fn fractions(&self, tag: Tag) -> Option<String> {
        let parts: Vec<String> = match self.value(tag)? {
            Value::Rational(n) => n.iter().take(3).map(|f| format!("{}/{}", f.num, f.denom)).collect(),
            Value::SRational(n) => n.iter().take(3).map(|f| format!("{}/{}", f.num, f.denom)).collect(),
            _ => return None,
        };
        (!parts.is_empty()).then(|| parts.join(" "))
    }
}

/// Bounds a text and replaces what is no text; says what was done.
fn clean(raw: &[u8]) -> (String, Option<&'static str>) {
    // Eight bytes a character leave room for any encoding before the cut.
    let raw = &raw[..raw.len().min(MAX_TEXT * 8)];
    let whole = String::from_utf8_lossy(raw);
    let cut = whole.chars().nth(MAX_TEXT).is_some();
    let text: String =
        whole.chars().take(MAX_TEXT).map(|c| if c.is_control() { char::REPLACEMENT_CHARACTER } else { c }).collect();
    let replaced = text.contains(char::REPLACEMENT_CHARACTER);
    let how = match (cut, replaced) {
        (false, false) => None,
        (true, false) => Some("cut"),
        (false, true) => Some("replaced"),
        (true, true) => Some("cut, replaced"),
    };
    (text, how)
}

/// Three fractions as numerator and denominator; `None` unless each has a denominator.
pub(super) fn three_fractions(text: &str) -> Option<[(i64, i64); 3]> {
    let mut out = [(0, 1); 3];
    let mut parts = text.split(' ');
    for slot in &mut out {
        let (num, denom) = parts.next()?.split_once('/')?;
        *slot = (num.parse().ok()?, denom.parse().ok().filter(|d| *d != 0)?);
    }
    Some(out)
}

/// Degrees, minutes and seconds in millionths of a degree, rounded to the nearest.
fn millionths(dms: &Option<String>, reference: &Option<String>, [plus, minus]: [&str; 2], most: i64) -> Option<i64> {
    let sign = match reference.as_deref()?.trim() {
        r if r == plus => 1,
        r if r == minus => -1,
        _ => return None,
    };
    let mut sum = 0i128;
    for ((num, denom), unit) in three_fractions(dms.as_deref()?)?.into_iter().zip([3600, 60, 1]) {
        // In thousandths of a millionth of a degree: 10⁹ / 3600 a second.
        sum += i128::from(num) * unit * 1_000_000_000 / (i128::from(denom) * 3600);
    }
    let millionths = i64::try_from((sum + 500).div_euclid(1000)).ok()?;
    (0..=most * 1_000_000).contains(&millionths).then_some(sign * millionths)
}

#[cfg(test)]
mod tests;
