//! When a picture was taken, as several people's word: the camera's, the satellites', the phone's, ours.
//!
//! Each claim keeps whose it is, how wide it is and a sentence that says so. A time without a zone never becomes an
//! instant silently: the shop's zone is an assumption, and the sentence says it.

use std::collections::BTreeMap;

use jiff::Timestamp;
use jiff::civil::DateTime;
use jiff::tz::{AmbiguousOffset, Offset, TimeZone};

use super::claims::{Claims, three_fractions};

/// How far a camera's clock is believed where it records whole seconds, in milliseconds.
const SECOND: i64 = 1000;

/// How long after the position was fixed the picture may have been taken, in milliseconds: phones write the last fix they
/// had. A quarter of an hour is common practice, no source.
const STALE_FIX: i64 = 15 * 60 * SECOND;

/// Whose word a time is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Whose {
    /// The camera's clock, when the picture was taken.
    CameraTaken,
    /// The camera's clock, when the picture was made into a file.
    CameraDigitised,
    /// The clock of whatever wrote the file last.
    FileChanged,
    /// Satellite time, from the last fix of the position.
    Satellites,
    /// The phone's clock, corrected by its measured offset.
    Phone,
    /// This server's clock, at receipt.
    Server,
}

/// One claim about when.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TimeClaim {
    /// Whose word it is.
    pub whose: Whose,
    /// The earliest instant it allows, in milliseconds since the Unix epoch; `None` where it says no time.
    pub earliest: Option<i64>,
    /// The latest instant it allows; `None` where it says no time.
    pub latest: Option<i64>,
    /// Whether `earliest` and `latest` rest on the shop's zone, which the picture does not name.
    pub zone_assumed: bool,
    /// The message key of its sentence.
    pub key: &'static str,
    /// The sentence's parameters.
    pub with: BTreeMap<&'static str, String>,
}

/// The claims in the order in which a reader meets them: camera, satellites, phone, server.
///
/// `shop_zone` is used only where the camera names no zone. `phone_at` is the phone's own instant, already corrected by
/// its measured offset, and the uncertainty of that offset, both in milliseconds. `received_at` is our clock.
pub fn when(claims: &Claims, shop_zone: &TimeZone, phone_at: Option<(i64, i64)>, received_at: i64) -> Vec<TimeClaim> {
    let mut out = Vec::new();
    let camera = |whose, raw: &Option<String>, offset: &Option<String>, digits: &Option<String>| {
        raw.as_ref()
            .map(|raw| Camera { whose, raw, offset: offset.as_deref(), digits: digits.as_deref() }.claim(shop_zone))
    };
    let taken =
        camera(Whose::CameraTaken, &claims.date_time_original, &claims.offset_time_original, &claims.sub_sec_original);
    // The same moment for a camera; told only where it says something else or stands alone.
    let digitised = (claims.date_time_digitized != claims.date_time_original)
        .then(|| {
            camera(
                Whose::CameraDigitised,
                &claims.date_time_digitized,
                &claims.offset_time_digitized,
                &claims.sub_sec_digitized,
            )
        })
        .flatten();
    let changed = (claims.date_time != claims.date_time_original)
        .then(|| camera(Whose::FileChanged, &claims.date_time, &claims.offset_time, &claims.sub_sec))
        .flatten();
    out.extend([taken, digitised, changed].into_iter().flatten());
    out.extend(satellites(claims));
    if let Some((at, uncertainty)) = phone_at {
        let uncertainty = uncertainty.saturating_abs();
        out.push(TimeClaim {
            whose: Whose::Phone,
            earliest: Some(at.saturating_sub(uncertainty)),
            latest: Some(at.saturating_add(uncertainty)),
            zone_assumed: false,
            key: "when.phone",
            with: BTreeMap::from([("utc", utc(at)), ("uncertainty_ms", uncertainty.to_string())]),
        });
    }
    out.push(TimeClaim {
        whose: Whose::Server,
        earliest: Some(received_at),
        latest: Some(received_at),
        zone_assumed: false,
        key: "when.server",
        with: BTreeMap::from([("utc", utc(received_at))]),
    });
    out
}

/// One clock reading out of the EXIF.
struct Camera<'a> {
    whose: Whose,
    raw: &'a str,
    offset: Option<&'a str>,
    digits: Option<&'a str>,
}

impl Camera<'_> {
    fn claim(&self, shop_zone: &TimeZone) -> TimeClaim {
        let Some(local) = reading(self.raw) else {
            return if blank(self.raw) {
                self.told(Saying::Blank, None, false, BTreeMap::new())
            } else {
                self.told(Saying::Unreadable, None, false, BTreeMap::from([("raw", self.raw.to_owned())]))
            };
        };
        let digits = self.digits.map(|d| d.trim_end_matches([' ', '\0'])).filter(|d| fraction(d).is_some());
        let shown = match digits {
            Some(d) => format!("{} {}.{d}", local.date(), local.time()),
            None => format!("{} {}", local.date(), local.time()),
        };
        let (from, to) = match digits.and_then(fraction) {
            Some((from, width)) => (from, from + width),
            None => (-SECOND, SECOND),
        };
        if let Some((offset, text)) = self.offset.and_then(zone_offset) {
            let at = offset.to_timestamp(local).ok().map(|t| t.as_millisecond());
            let with = BTreeMap::from([("local", shown), ("offset", text.to_owned())]);
            return self.told(Saying::Offset, at.map(|t| (t + from, t + to)), false, with);
        }
        let zone = shop_zone.iana_name().unwrap_or("UTC").to_owned();
        let mut with = BTreeMap::from([("local", shown), ("zone", zone)]);
        let instant = |offset: Offset| offset.to_timestamp(local).ok().map(|t| t.as_millisecond());
        let (saying, first, last) = match shop_zone.to_ambiguous_timestamp(local).offset() {
            AmbiguousOffset::Unambiguous { offset } => (Saying::Assumed, instant(offset), instant(offset)),
            // The clock went back: the earlier instant has the offset from before.
            AmbiguousOffset::Fold { before, after } => (Saying::Twice, instant(before), instant(after)),
            // The clock went forward over it: read by the offset after, it is the earlier instant.
            AmbiguousOffset::Gap { before, after } => (Saying::Skipped, instant(after), instant(before)),
        };
        let interval = first.zip(last).map(|(a, b)| (a.min(b) + from, a.max(b) + to));
        if let Some((first, last)) = first.zip(last) {
            with.insert("utc", utc(first));
            if saying != Saying::Assumed {
                with.insert("utc_later", utc(last));
            }
        }
        self.told(saying, interval, true, with)
    }

    fn told(
        &self,
        saying: Saying,
        interval: Option<(i64, i64)>,
        zone_assumed: bool,
        with: BTreeMap<&'static str, String>,
    ) -> TimeClaim {
        TimeClaim {
            whose: self.whose,
            earliest: interval.map(|i| i.0),
            latest: interval.map(|i| i.1),
            zone_assumed: zone_assumed && interval.is_some(),
            key: key(self.whose, saying),
            with,
        }
    }
}

/// What a camera's reading comes to.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Saying {
    /// It names its offset from UTC.
    Offset,
    /// No zone; the shop's is assumed.
    Assumed,
    /// No zone, and in the shop's zone this hour came twice.
    Twice,
    /// No zone, and in the shop's zone the clock skipped this hour.
    Skipped,
    /// Left blank or zero: not known.
    Blank,
    /// Recorded, and no time.
    Unreadable,
}

fn key(whose: Whose, saying: Saying) -> &'static str {
    use Saying::{Assumed, Blank, Offset, Skipped, Twice, Unreadable};
    match (whose, saying) {
        (Whose::CameraDigitised, Offset) => "when.digitised.offset",
        (Whose::CameraDigitised, Assumed) => "when.digitised.zone-assumed",
        (Whose::CameraDigitised, Twice) => "when.digitised.zone-assumed-twice",
        (Whose::CameraDigitised, Skipped) => "when.digitised.zone-assumed-skipped",
        (Whose::CameraDigitised, Blank) => "when.digitised.blank",
        (Whose::CameraDigitised, Unreadable) => "when.digitised.unreadable",
        (Whose::FileChanged, Offset) => "when.changed.offset",
        (Whose::FileChanged, Assumed) => "when.changed.zone-assumed",
        (Whose::FileChanged, Twice) => "when.changed.zone-assumed-twice",
        (Whose::FileChanged, Skipped) => "when.changed.zone-assumed-skipped",
        (Whose::FileChanged, Blank) => "when.changed.blank",
        (Whose::FileChanged, Unreadable) => "when.changed.unreadable",
        (_, Offset) => "when.taken.offset",
        (_, Assumed) => "when.taken.zone-assumed",
        (_, Twice) => "when.taken.zone-assumed-twice",
        (_, Skipped) => "when.taken.zone-assumed-skipped",
        (_, Blank) => "when.taken.blank",
        (_, Unreadable) => "when.taken.unreadable",
    }
}

/// Satellite time: UTC, but of the last fix, which may be older than the picture.
fn satellites(claims: &Claims) -> Option<TimeClaim> {
    let (date, time) = (claims.gps_date.as_deref()?, claims.gps_time.as_deref()?);
    let at = satellite_instant(date, time);
    let (key, with) = match at {
        Some(at) => ("when.satellites", BTreeMap::from([("utc", utc(at))])),
        None => ("when.satellites.unreadable", BTreeMap::from([("raw", format!("{date} {time}"))])),
    };
    Some(TimeClaim {
        whose: Whose::Satellites,
        earliest: at.map(|t| t - SECOND),
        latest: at.map(|t| t + STALE_FIX),
        zone_assumed: false,
        key,
        with,
    })
}

fn satellite_instant(date: &str, time: &str) -> Option<i64> {
    let date = reading(&format!("{} 00:00:00", date.trim_end()))?;
    let mut ms = 0i64;
    for ((num, denom), unit) in three_fractions(time)?.into_iter().zip([3_600_000, 60_000, 1000]) {
        ms = ms.checked_add(num.checked_mul(unit)?.checked_div(denom)?)?;
    }
    // A leap second is the last of a day.
    let start = Offset::UTC.to_timestamp(date).ok()?.as_millisecond();
    (0..=86_400_999).contains(&ms).then(|| start + ms)
}

/// `YYYY:MM:DD HH:MM:SS`, also with dashes in the date; `None` where it is no time of the calendar.
fn reading(raw: &str) -> Option<DateTime> {
    let raw = raw.trim_end_matches([' ', '\0']);
    let bytes = raw.as_bytes();
    let marks = [(4, b":-"), (7, b":-"), (10, b" T"), (13, b"::"), (16, b"::")];
    if bytes.len() != 19 || marks.iter().any(|(at, mark)| !mark.contains(&bytes[*at])) {
        return None;
    }
    let number = |from: usize, to: usize| {
        let part = &bytes[from..to];
        part.iter().all(u8::is_ascii_digit).then(|| part.iter().fold(0i16, |n, d| n * 10 + i16::from(d - b'0')))
    };
    let small = |from: usize| number(from, from + 2).and_then(|n| i8::try_from(n).ok());
    let year = number(0, 4).filter(|y| *y > 0)?;
    DateTime::new(year, small(5)?, small(8)?, small(11)?, small(14)?, small(17)?, 0).ok()
}

/// Spaces or zeros between the marks: the standard's way to say unknown, and a common one (Exif 2.32, 4.6.5).
fn blank(raw: &str) -> bool {
    raw.chars().all(|c| matches!(c, ' ' | ':' | '-' | '0' | '/'))
}

/// `+HH:MM` or `-HH:MM`, within a day's half and a bit.
fn zone_offset(raw: &str) -> Option<(Offset, &str)> {
    let text = raw.trim_end_matches([' ', '\0']);
    let sign = match text.as_bytes() {
        [b'+', _, _, b':', _, _] => 1,
        [b'-', _, _, b':', _, _] => -1,
        _ => return None,
    };
    let two = |from: usize| {
        text.get(from..from + 2)?.bytes().all(|b| b.is_ascii_digit()).then(|| text[from..from + 2].parse().ok())?
    };
    let (hours, minutes): (i32, i32) = (two(1)?, two(4)?);
    if hours > 15 || minutes > 59 {
        return None;
    }
    Some((Offset::from_seconds(sign * (hours * 3600 + minutes * 60)).ok()?, text))
}

/// The digits after the second, as milliseconds, and the width of what they leave open.
fn fraction(digits: &str) -> Option<(i64, i64)> {
    if digits.is_empty() || digits.len() > 9 || !digits.bytes().all(|b| b.is_ascii_digit()) {
        return None;
    }
    let shown: String = digits.chars().chain("00".chars()).take(3).collect();
    let width = match digits.len() {
        1 => 100,
        2 => 10,
        _ => 1,
    };
    Some((shown.parse().ok()?, width))
}

/// An instant as RFC 3339 in UTC with milliseconds; outside the calendar, the bare number.
fn utc(ms: i64) -> String {
    match Timestamp::from_millisecond(ms) {
        Ok(t) => format!("{t:.3}"),
        Err(_) => ms.to_string(),
    }
}

#[cfg(test)]
mod tests;
