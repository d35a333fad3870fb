//! Times. Zone changes: IANA tz, Europe/Berlin 2026 (forward 29 March 01:00 UTC, back 25 October 01:00 UTC; from memory).

use jiff::tz::TimeZone;

use super::*;

fn berlin() -> TimeZone {
    TimeZone::get("Europe/Berlin").unwrap()
}

fn ms(at: &str) -> i64 {
    at.parse::<Timestamp>().unwrap().as_millisecond()
}

fn taken(original: &str) -> Claims {
    Claims { date_time_original: Some(original.into()), ..Claims::default() }
}

/// The first claim, which is the camera's.
fn first(claims: &Claims) -> TimeClaim {
    when(claims, &berlin(), None, 0).remove(0)
}

fn interval(claim: &TimeClaim) -> (i64, i64) {
    (claim.earliest.unwrap(), claim.latest.unwrap())
}

#[test]
fn an_offset_makes_it_an_instant() {
    let mut claims = taken("2026:11:25 13:29:51");
    claims.offset_time_original = Some("+05:30".into());
    let claim = first(&claims);
    let at = ms("2026-11-25T07:59:51Z");
    assert_eq!((claim.key, claim.zone_assumed), ("when.taken.offset", false));
    assert_eq!(interval(&claim), (at - 1000, at + 1000));
    assert_eq!((claim.with["local"].as_str(), claim.with["offset"].as_str()), ("2026-11-25 13:29:51", "+05:30"));
    claims.offset_time_original = Some("-00:30 ".into());
    assert_eq!(interval(&first(&claims)).0, ms("2026-11-25T13:59:50Z"));
}

#[test]
fn digits_after_the_second_make_it_narrower() {
    let mut claims = taken("2026:11:25 13:29:51");
    claims.offset_time_original = Some("+00:00".into());
    let at = ms("2026-11-25T13:29:51Z");
    // Digits of a fraction, not milliseconds (Exif 2.32 4.6.5).
    for (digits, from, to) in
        [("2", 200, 300), ("05", 50, 60), ("234", 234, 235), ("234567", 234, 235), ("5  ", 500, 600)]
    {
        claims.sub_sec_original = Some(digits.into());
        let claim = first(&claims);
        assert_eq!(interval(&claim), (at + from, at + to), "{digits}");
        assert_eq!(claim.with["local"], format!("2026-11-25 13:29:51.{}", digits.trim()));
    }
    for odd in ["", "   ", "x", "-1", "1234567890"] {
        claims.sub_sec_original = Some(odd.into());
        assert_eq!(interval(&first(&claims)), (at - 1000, at + 1000), "{odd:?}");
    }
}

#[test]
fn without_a_zone_the_shops_is_assumed_and_said() {
    for offset in
        [None, Some("   :  "), Some(""), Some("CET"), Some("+0100"), Some("+01:60"), Some("+99:00"), Some("+é:00")]
    {
        let mut claims = taken("2026:07:01 13:29:51");
        claims.offset_time_original = offset.map(Into::into);
        let claim = first(&claims);
        let at = ms("2026-07-01T11:29:51Z");
        assert_eq!((claim.key, claim.zone_assumed), ("when.taken.zone-assumed", true), "{offset:?}");
        assert_eq!(interval(&claim), (at - 1000, at + 1000));
        assert_eq!(claim.with["zone"], "Europe/Berlin");
        assert_eq!(claim.with["utc"], "2026-07-01T11:29:51.000Z");
    }
}

#[test]
fn the_hour_that_comes_twice_is_an_hour_wide() {
    let claim = first(&taken("2026:10:25 02:30:00"));
    assert_eq!(claim.key, "when.taken.zone-assumed-twice");
    assert_eq!(interval(&claim), (ms("2026-10-25T00:29:59Z"), ms("2026-10-25T01:30:01Z")));
    assert_eq!(claim.with["utc"], "2026-10-25T00:30:00.000Z");
    assert_eq!(claim.with["utc_later"], "2026-10-25T01:30:00.000Z");
}

#[test]
fn the_hour_that_never_was_is_said() {
    let claim = first(&taken("2026:03:29 02:30:00"));
    assert_eq!(claim.key, "when.taken.zone-assumed-skipped");
    assert_eq!(interval(&claim), (ms("2026-03-29T00:29:59Z"), ms("2026-03-29T01:30:01Z")));
}

#[test]
fn blanks_are_unknown_and_nonsense_is_quoted() {
    for blank in ["    :  :     :  :  ", "                   ", "0000:00:00 00:00:00"] {
        let claim = first(&taken(blank));
        assert_eq!((claim.key, claim.earliest, claim.zone_assumed), ("when.taken.blank", None, false), "{blank:?}");
    }
    for odd in [
        "Sunday, 11am",
        "2026:13:01 00:00:00",
        "2026:02:29 10:00:00",
        "2026:01:01 24:00:00",
        "2026:1:1 1:1:1",
        "2026:01:01 10:00:00Z",
        "２０26:01:01 1",
    ] {
        let claim = first(&taken(odd));
        assert_eq!((claim.key, claim.latest), ("when.taken.unreadable", None), "{odd:?}");
        assert_eq!(claim.with["raw"], odd);
    }
    assert_eq!(first(&taken("2026-11-25 13:29:51")).key, "when.taken.zone-assumed");
    // The ends of the calendar.
    for edge in ["0001:01:01 00:00:00", "9999:12:31 23:59:59"] {
        let _ = first(&taken(edge));
    }
}

#[test]
fn the_other_readings_are_told_where_they_differ() {
    let mut claims = taken("2026:11:25 13:29:51");
    claims.date_time_digitized = claims.date_time_original.clone();
    claims.date_time = claims.date_time_original.clone();
    let whose = |claims: &Claims| when(claims, &berlin(), None, 0).iter().map(|c| c.whose).collect::<Vec<_>>();
    assert_eq!(whose(&claims), [Whose::CameraTaken, Whose::Server]);
    claims.date_time = Some("2026:11:26 09:00:00".into());
    claims.date_time_digitized = Some("2026:11:25 13:29:52".into());
    claims.offset_time = Some("+01:00".into());
    assert_eq!(whose(&claims), [Whose::CameraTaken, Whose::CameraDigitised, Whose::FileChanged, Whose::Server]);
    let keys: Vec<_> = when(&claims, &berlin(), None, 0).iter().map(|c| c.key).collect();
    assert_eq!(keys, ["when.taken.zone-assumed", "when.digitised.zone-assumed", "when.changed.offset", "when.server"]);
}

#[test]
fn satellite_time_is_utc_but_may_be_stale() {
    let claims = |date: &str, time: &str| Claims {
        gps_date: Some(date.into()),
        gps_time: Some(time.into()),
        ..Claims::default()
    };
    let claim = first(&claims("2026:11:25", "12/1 29/1 512/10"));
    let at = ms("2026-11-25T12:29:51.200Z");
    assert_eq!((claim.whose, claim.key), (Whose::Satellites, "when.satellites"));
    assert_eq!(interval(&claim), (at - 1000, at + 15 * 60_000));
    // A leap second, then nonsense of every kind.
    assert_eq!(first(&claims("2016:12:31", "23/1 59/1 60/1")).with["utc"], "2017-01-01T00:00:00.000Z");
    for (date, time) in [
        ("2026:11:25", "0/0 0/0 0/0"),
        ("2026:11:25", "12/1"),
        ("", "12/1 0/1 0/1"),
        ("2026:11:25", "25/1 0/1 0/1"),
        ("2026:11:25", "4294967295/1 0/1 0/1"),
        ("x", "y"),
    ] {
        let claim = first(&claims(date, time));
        assert_eq!((claim.key, claim.earliest), ("when.satellites.unreadable", None), "{date} {time}");
    }
}

#[test]
fn phone_and_server_say_how_sure_they_are() {
    let told = when(&Claims::default(), &berlin(), Some((1_000_000, -250)), 2_000_000);
    assert_eq!(
        told.iter().map(|c| (c.key, c.earliest, c.latest)).collect::<Vec<_>>(),
        [("when.phone", Some(999_750), Some(1_000_250)), ("when.server", Some(2_000_000), Some(2_000_000)),]
    );
    assert_eq!(told[0].with["uncertainty_ms"], "250");
    when(&Claims::default(), &berlin(), Some((i64::MAX, i64::MIN)), i64::MIN);
}
