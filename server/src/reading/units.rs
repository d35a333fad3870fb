//! Units of readings. A value stays as read; it is converted to be compared and shown. Pure.

/// Pascals in a unit of gauge or station pressure. Factors: NIST SP 811 (2008), Appendix B.8: bar and kilogram-force per square
/// centimetre exact; pound-force per square inch 6.894 757 E+03, here from its exact definition (0.453 592 37 kg × 9.806 65 m/s²
/// over (0.0254 m)²); inch of mercury, conventional, 3.386 389 E+03.
pub fn pascals(unit: &str) -> Option<f64> {
    Some(match unit {
        "psi" => 0.453_592_37 * 9.806_65 / (0.0254 * 0.0254),
        "kPa" => 1_000.0,
        "bar" => 100_000.0,
        "kgf/cm²" => 98_066.5,
        "hPa" => 100.0,
        "inHg" => 3_386.389,
        _ => return None,
    })
}

/// Metres in a unit of height or length: the international foot and inch, exact (NIST SP 811, B.8).
pub fn metres(unit: &str) -> Option<f64> {
    Some(match unit {
        "m" => 1.0,
        "mm" => 0.001,
        "ft" => 0.3048,
        "in" => 0.0254,
        _ => return None,
    })
}

/// Units in which a gauge of an engine's pressure is read.
pub const PRESSURE: [&str; 4] = ["psi", "kPa", "bar", "kgf/cm²"];

/// A decimal number as people write it down: at most 9 digits, then at most 6 behind a point or a comma.
pub fn number(text: &str) -> Option<f64> {
    let digits = |s: &str, most: usize| (1..=most).contains(&s.len()) && s.bytes().all(|b| b.is_ascii_digit());
    let plain = text.strip_prefix('-').unwrap_or(text);
    let fits = plain.split_once(['.', ',']).map_or(digits(plain, 9), |(w, p)| digits(w, 9) && digits(p, 6));
    if fits { text.replace(',', ".").parse().ok() } else { None }
}

/// Digits behind the point or comma of a number as written.
pub fn places(text: &str) -> usize {
    text.split_once(['.', ',']).map_or(0, |(_, part)| part.len())
}

/// A value to the nearest division of an instrument, with no more digits than the division has. `division` is above 0.
pub fn rounded(value: f64, division: f64, places: usize) -> String {
    // Half up, as the phone does; a trace of binary fractions must not decide a half.
    let steps = (value / division + 1e-9 + 0.5).floor();
    format!("{:.places$}", steps * division)
}
