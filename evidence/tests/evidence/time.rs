use evidence::time::{format, parse};
use proptest::prelude::*;

#[test]
fn known_instants_are_written_and_read() {
    for (ms, text) in [
        (0, "1970-01-01T00:00:00.000Z"),
        // RFC 3339 5.8, the first example, with a millisecond more of digits: 1985-04-12T23:20:50.52Z.
        (482_196_050_520, "1985-04-12T23:20:50.520Z"),
        // RFC 3339 5.8, 1996-12-19T16:39:57-08:00 is the same as 1996-12-20T00:39:57Z.
        (851_042_397_000, "1996-12-20T00:39:57.000Z"),
        // RFC 7519 4.1.4's sample "exp" 1300819380 (appendix A.1): 2011-03-22T18:43:00Z.
        (1_300_819_380_000, "2011-03-22T18:43:00.000Z"),
        // POSIX: the largest 32-bit time, and the one after.
        (2_147_483_647_000, "2038-01-19T03:14:07.000Z"),
        (2_147_483_648_000, "2038-01-19T03:14:08.000Z"),
        // `date -u -d @…` of GNU coreutils.
        (951_782_400_000, "2000-02-29T00:00:00.000Z"),
        (4_107_542_399_999, "2100-02-28T23:59:59.999Z"),
        (4_107_542_400_000, "2100-03-01T00:00:00.000Z"),
        (253_402_300_799_999, "9999-12-31T23:59:59.999Z"),
    ] {
        assert_eq!(format(ms), text);
        assert_eq!(parse(text), Some(ms));
    }
}

#[test]
fn every_day_from_1970_to_9999_is_the_calendars() {
    // The Gregorian rule itself, day by day, against the arithmetic.
    let leap = |y: i64| y % 4 == 0 && (y % 100 != 0 || y % 400 == 0);
    let mut day = 0;
    for y in 1970..=9999 {
        let february = if leap(y) { 29 } else { 28 };
        for (m, length) in [31, february, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31].into_iter().enumerate() {
            for d in 1..=length {
                let text = format!("{y:04}-{:02}-{d:02}T12:00:00.001Z", m + 1);
                let ms = day * 86_400_000 + 43_200_001;
                assert_eq!(parse(&text), Some(ms));
                assert_eq!(format(ms), text);
                day += 1;
            }
            assert_eq!(parse(&format!("{y:04}-{:02}-{:02}T12:00:00.001Z", m + 1, length + 1)), None);
        }
    }
    assert_eq!(day, 2_932_897);
}

#[test]
fn every_second_of_a_day_comes_back() {
    for s in 0..86_400 {
        let ms = 1_795_564_800_000 + s * 1000 + s % 1000;
        let text = format(ms);
        assert_eq!(text, format!("2026-11-25T{:02}:{:02}:{:02}.{:03}Z", s / 3600, s / 60 % 60, s % 60, s % 1000));
        assert_eq!(parse(&text), Some(ms));
    }
}

#[test]
fn what_is_no_time_in_our_form_is_refused() {
    for bad in [
        "2026-02-29T00:00:00.000Z",
        "2100-02-29T00:00:00.000Z",
        "2026-13-01T00:00:00.000Z",
        "2026-00-10T00:00:00.000Z",
        "2026-01-00T00:00:00.000Z",
        "2026-04-31T00:00:00.000Z",
        "2026-01-01T24:00:00.000Z",
        "2026-01-01T23:60:00.000Z",
        // RFC 3339 5.8's leap second: a time of its own that UTC milliseconds cannot name.
        "1990-12-31T23:59:60.000Z",
        "2026-01-01 00:00:00.000Z",
        "2026-01-01t00:00:00.000z",
        "2026-01-01T00:00:00Z",
        "2026-01-01T00:00:00.00Z",
        "2026-01-01T00:00:00.0000Z",
        "2026-01-01T00:00:00,000Z",
        "2026-01-01T00:00:00.000+00:00",
        "2026-01-01T00:00:00.000",
        "1969-12-31T23:59:59.999Z",
        "0000-01-01T00:00:00.000Z",
        "10000-01-01T00:00:00.00Z",
        "2026-01-+1T00:00:00.000Z",
        "2026-01- 1T00:00:00.000Z",
        "2026-01-01T00:00:00.000\u{ff3a}",
        "\u{0662}26-01-01T00:00:00.000Z",
        "",
    ] {
        assert_eq!(parse(bad), None, "{bad}");
    }
}

#[test]
fn times_outside_the_years_are_held_at_the_ends() {
    assert_eq!(format(-1), "1970-01-01T00:00:00.000Z");
    assert_eq!(format(i64::MIN), "1970-01-01T00:00:00.000Z");
    assert_eq!(format(i64::MAX), "9999-12-31T23:59:59.999Z");
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn texts_sort_as_their_times(a in 0..253_402_300_800_000_i64, b in 0..253_402_300_800_000_i64) {
        prop_assert_eq!(format(a).cmp(&format(b)), a.cmp(&b));
        prop_assert_eq!(parse(&format(a)), Some(a));
    }

    #[test]
    fn no_text_makes_it_panic(text in "\\PC{0,30}") {
        if let Some(ms) = parse(&text) {
            prop_assert_eq!(format(ms), text);
        }
    }
}
