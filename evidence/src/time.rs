//! Times as the log writes them: RFC 3339, UTC `Z`, milliseconds; in memory milliseconds since the Unix epoch.

/// Writes a time. Times before 1970 or after 9999 are held at those ends.
///
/// ```
/// assert_eq!(evidence::time::format(1_795_612_931_123), "2026-11-25T13:22:11.123Z");
/// ```
pub fn format(millis: i64) -> String {
    let millis = millis.clamp(0, 253_402_300_799_999);
    let (days, rest) = (millis.div_euclid(86_400_000), millis.rem_euclid(86_400_000));
    let (y, m, d) = civil(days);
    let (s, ms) = (rest / 1000, rest % 1000);
    format!("{y:04}-{m:02}-{d:02}T{:02}:{:02}:{:02}.{ms:03}Z", s / 3600, s / 60 % 60, s % 60)
}

/// Reads a time as [`format()`] writes it, and nothing else: no other offset, no fewer digits, no leap second, no date that
/// is not in the calendar.
///
/// ```
/// assert_eq!(evidence::time::parse("1970-01-02T00:00:00.001Z"), Some(86_400_001));
/// assert_eq!(evidence::time::parse("2026-02-29T00:00:00.000Z"), None);
/// ```
pub fn parse(text: &str) -> Option<i64> {
    let b = text.as_bytes();
    if b.len() != 24
        || b[4] != b'-'
        || b[7] != b'-'
        || b[10] != b'T'
        || b[13] != b':'
        || b[16] != b':'
        || b[19] != b'.'
        || b[23] != b'Z'
    {
        return None;
    }
    let number = |from: usize, to: usize| {
        let digits = text.get(from..to)?;
        digits.bytes().all(|c| c.is_ascii_digit()).then(|| digits.parse::<i64>().ok()).flatten()
    };
    let (y, m, d) = (number(0, 4)?, number(5, 7)?, number(8, 10)?);
    let (h, min, s, ms) = (number(11, 13)?, number(14, 16)?, number(17, 19)?, number(20, 23)?);
    if y < 1970 || h > 23 || min > 59 || s > 59 {
        return None;
    }
    let days = days_from_civil(y, m, d);
    (civil(days) == (y, m, d)).then_some(days * 86_400_000 + ((h * 60 + min) * 60 + s) * 1000 + ms)
}

/// Days since 1970-01-01 to year, month, day (proleptic Gregorian calendar, 400-year eras beginning in March).
fn civil(days: i64) -> (i64, i64, i64) {
    let z = days + 719_468;
    let era = z.div_euclid(146_097);
    let doe = z.rem_euclid(146_097);
    let yoe = (doe - doe / 1460 + doe / 36_524 - doe / 146_096) / 365;
    let doy = doe - (365 * yoe + yoe / 4 - yoe / 100);
    let mp = (5 * doy + 2) / 153;
    let month = if mp < 10 { mp + 3 } else { mp - 9 };
    (yoe + era * 400 + i64::from(month <= 2), month, doy - (153 * mp + 2) / 5 + 1)
}

fn days_from_civil(y: i64, m: i64, d: i64) -> i64 {
    let y = if m <= 2 { y - 1 } else { y };
    let era = y.div_euclid(400);
    let yoe = y.rem_euclid(400);
    let doy = (153 * (if m > 2 { m - 3 } else { m + 9 }) + 2) / 5 + d - 1;
    era * 146_097 + yoe * 365 + yoe / 4 - yoe / 100 + doy - 719_468
}
