//! How sure a time is, as one line: by whose clock, between when and when, since when it is in the log, and who outside the shop
//! signed that it was. The page of a dispute says the same of each fact.

use evidence::entry::Author;
use serde_json::json;

use super::Tell;
use crate::intake::state::Mark;

const SECOND: i64 = 1000;

/// What can be said of the time of a fact; nothing where its entry is not in this pack.
pub(super) fn sure(tell: &Tell<'_>, mark: &Mark) -> Option<String> {
    let (index, entry) = tell.of.shown.entries.iter().find(|(_, e)| e.said.id == mark.id)?;
    let kept = stamp(tell, entry.kept.at);
    if let Author::Server { .. } = entry.said.author {
        return Some(with_stamp(tell, *index, tell.say("time.server", &json!({"time": kept}))));
    }
    let log = tell.say("time.log", &json!({"time": kept}));
    let by_device = match (entry.kept.clock_offset_ms, entry.kept.round_trip_ms) {
        (Some(offset), trip) => between(tell, entry.said.at, offset, trip.unwrap_or(0)),
        _ => tell.say("time.unmeasured", &json!({"time": stamp(tell, entry.said.at)})),
    };
    Some(with_stamp(tell, *index, format!("{by_device} {log}")))
}

/// By a device's clock that was measured: as wide as the round trip leaves open. Whole seconds are shown: the earlier one before,
/// the later one after.
fn between(tell: &Tell<'_>, said: i64, offset: i64, trip: u64) -> String {
    let about = i64::try_from(trip.div_ceil(2)).unwrap_or(i64::MAX);
    let first = said.saturating_add(offset).saturating_sub(about).div_euclid(SECOND).saturating_mul(SECOND);
    let last = said
        .saturating_add(offset)
        .saturating_add(about)
        .saturating_add(SECOND - 1)
        .div_euclid(SECOND)
        .saturating_mul(SECOND);
    let tenths = offset.unsigned_abs().saturating_add(50) / 100;
    let seconds =
        if tenths.is_multiple_of(10) { (tenths / 10).to_string() } else { format!("{}.{}", tenths / 10, tenths % 10) };
    let way = tell.w(if offset > 0 { "time.slow" } else { "time.fast" });
    let with = json!({"from": stamp(tell, first), "to": stamp(tell, last), "seconds": seconds, "way": way});
    tell.say(if tenths == 0 { "time.between-right" } else { "time.between" }, &with)
}

/// The first stamp from outside that covers an entry says when it was there at the latest.
fn with_stamp(tell: &Tell<'_>, index: u64, told: String) -> String {
    match tell.of.shown.stamps.iter().find(|s| s.size > index) {
        Some(s) => {
            let with = json!({"authority": s.stamp.authority, "time": stamp(tell, s.stamp.at)});
            format!("{told} {}", tell.say("time.stamped", &with))
        }
        None => told,
    }
}

/// A time to the second, on the shop's wall clock, with its zone.
fn stamp(tell: &Tell<'_>, millis: i64) -> String {
    let at = jiff::Timestamp::from_millisecond(millis).unwrap_or(jiff::Timestamp::UNIX_EPOCH);
    let zone = jiff::tz::TimeZone::get(tell.input.zone).unwrap_or(jiff::tz::TimeZone::UTC);
    let there = at.to_zoned_datetime(zone);
    tell.input.words.day(there.date(), Some(&there.strftime("%H:%M:%S %Z").to_string()))
}
