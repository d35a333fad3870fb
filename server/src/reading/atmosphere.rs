//! How thin the air is: what an engine's gauge pressure follows. Pure.

/// Standard pressure at sea level, pascals (U.S. Standard Atmosphere, 1976, NOAA-S/T 76-1562).
pub const SEA_LEVEL: f64 = 101_325.0;

/// The pressure ratio of the U.S. Standard Atmosphere, 1976, in its lowest layer, for a geopotential height in metres:
/// (1 - L h / T0) ^ (g0 M / (R* L)) with L = 6.5 K/km, T0 = 288.15 K, g0 = 9.80665 m/s², M = 28.9644 kg/kmol and
/// R* = 8.31432 N m/(mol K), all of that standard.
pub fn ratio(height: f64) -> f64 {
    let exponent = 9.806_65 * 28.964_4 / (8.314_32 * 6.5);
    (1.0 - 0.0065 * height / 288.15).powf(exponent)
}

/// A table that goes round among enthusiasts, by feet: its service manual was not found. Whole thousands are the ratio of
/// densities, half thousands a straight line; it expects more than the pressure allows. Offered beside the standard because
/// people ask for it.
pub const TABLE: [(f64, f64); 13] = [
    (0.0, 1.0),
    (500.0, 0.987),
    (1_000.0, 0.971),
    (1_500.0, 0.960),
    (2_000.0, 0.943),
    (2_500.0, 0.933),
    (3_000.0, 0.915),
    (3_500.0, 0.907),
    (4_000.0, 0.888),
    (4_500.0, 0.880),
    (5_000.0, 0.862),
    (5_500.0, 0.853),
    (6_000.0, 0.836),
];

/// The table's factor, in a straight line between its rows; none outside them.
pub fn tabled(height: f64) -> Option<f64> {
    let feet = height / 0.3048;
    let mut rows = TABLE.iter().zip(TABLE.iter().skip(1));
    rows.find(|((low, _), (high, _))| (*low..=*high).contains(&feet))
        .map(|((low, a), (high, b))| a + (b - a) * (feet - low) / (high - low))
}
