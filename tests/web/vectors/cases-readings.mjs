// Cases of schema/vectors/readings.json: compression readings and what may be said of them. What is expected is worked out by
// hand: bands are 150 and 100 psi times the ratios printed for the U.S. Standard Atmosphere, 1976, and for the table that goes round.

const RULE = { good: "150", low: "100", unit: "psi" };
const m = (value) => ({ value, unit: "m" });
const ft = (value) => ({ value, unit: "ft" });
/** Everything recorded, at sea level. */
const FULL = {
  engine: "two-stroke", release: "closed", gauge: "G2", valve: "at the tip", throttle: "wide open", pulls: 9, engine_is: "warm", cylinder: "dry", altitude: m("0"),
};
const without = (...names) => Object.fromEntries(Object.entries(FULL).filter(([n]) => !names.includes(n)));
const one = (name, value, unit, method, judged, rule = RULE) => ({ name, value, unit, method, rule, judged });
const compared = (against, ways, more = {}) => ({ verdict: "compared", against, compared: ways, ...more });
const way = (by, factor, low, high, sea, stands) => ({ by, factor, ...(low ? { low } : {}), ...(high ? { high } : {}), sea, stands });
const STANDARD = "standard atmosphere";
const TABLE = "circulating table";
const ALL = ["engine", "release", "gauge", "valve", "throttle", "pulls", "engine_is", "cylinder", "altitude"];
const SEA = (low, high, sea, stands) => [way(STANDARD, 10000, low, high, sea, stands), way(TABLE, 10000, low, high, sea, stands)];
const manual = (least, most, unit = "psi") => ({ ...(least ? { least } : {}), ...(most ? { most } : {}), unit, page: "workshop manual, p. 21" });

export default [
  one("no method: a number only", "118", "psi", {}, { verdict: "not comparable", why: "reading.why.method", record: ALL, notes: ["reading.note.dead-volume"] }),
  one("pulls and gauge missing", "118", "psi", without("pulls", "gauge"), { verdict: "not comparable", why: "reading.why.method", record: ["gauge", "pulls"] }),
  one("a release not known of a two-stroke has to be recorded", "118", "psi", { ...FULL, release: "not known" }, { verdict: "not comparable", why: "reading.why.method", record: ["release"] }),
  one("the release was pulled open: void, whatever else", "40", "psi", { release: "pulled open", valve: "at the tip" }, { verdict: "void", why: "reading.why.release-open" }),
  one("throttle closed", "118", "psi", { ...FULL, throttle: "closed" }, { verdict: "not comparable", why: "reading.why.throttle" }),
  one("a wet reading is compared with the dry one only", "140", "psi", { ...FULL, cylinder: "wet" }, { verdict: "not comparable", why: "reading.why.wet" }),
  one("a unit that no gauge has", "118", "kg", FULL, { verdict: "not comparable", why: "reading.why.unit" }),
  one("a four-stroke without a manual's value has no pass or fail", "40", "psi", { ...FULL, engine: "four-stroke", release: "not known" }, { verdict: "not judged", why: "reading.why.four-stroke" }),
  one("a four-stroke with a manual's value: 196 kPa at least", "34", "psi", { ...FULL, engine: "four-stroke", release: "automatic", manual: manual("196", null, "kPa") },
    compared("manual", SEA("28", null, "34", "within"))),
  one("a two-stroke whose release opens by itself", "60", "psi", { ...FULL, release: "automatic" }, { verdict: "not judged", why: "reading.why.release" }),
  one("a rule in no unit of pressure judges nothing", "118", "psi", FULL, { verdict: "not judged", why: "reading.why.rule" }, { ...RULE, unit: "kg" }),
  one("sea level, between", "118", "psi", FULL, compared("shop rule", SEA("100", "150", "118", "within"))),
  one("sea level, at the upper end of the shop's rule", "150", "psi", FULL, compared("shop rule", SEA("100", "150", "150", "above"))),
  one("sea level, just below the lower end", "99", "psi", FULL, compared("shop rule", SEA("100", "150", "99", "below"))),
  one("1500 m: 125 and 83", "118", "psi", { ...FULL, altitude: m("1500") },
    compared("shop rule", [way(STANDARD, 8345, "83", "125", "141", "within"), way(TABLE, 8648, "86", "130", "136", "within")])),
  one("2000 m, 120 psi: what is 118 here would be 150 at sea level", "120", "psi", { ...FULL, altitude: m("2000") },
    compared("shop rule", [way(STANDARD, 7846, "78", "118", "153", "above")])),
  one("5000 ft: the two ways disagree about a manual's 150", "127", "psi", { ...FULL, altitude: ft("5000"), manual: manual("150") },
    compared("manual", [way(STANDARD, 8320, "125", null, "153", "within"), way(TABLE, 8620, "129", null, "147", "below")], { notes: ["reading.note.disagree"] })),
  one("3000 ft, the table's row", "134", "psi", { ...FULL, altitude: ft("3000"), manual: manual("150", "170") },
    compared("manual", [way(STANDARD, 8962, "134", "152", "150", "within"), way(TABLE, 9150, "137", "156", "146", "below")], { notes: ["reading.note.disagree"] })),
  one("7000 ft: the table ends at 6000", "118", "psi", { ...FULL, altitude: ft("7000") }, compared("shop rule", [way(STANDARD, 7716, "77", "116", "153", "above")])),
  one("station pressure goes before the height, 845.56 hPa", "118", "psi", { ...FULL, altitude: m("1500"), station: { value: "845.56", unit: "hPa" } },
    compared("shop rule", [way("station pressure", 8345, "83", "125", "141", "within"), way(TABLE, 8648, "86", "130", "136", "within")])),
  one("a forecast's pressure at 1500 m is not the station's", "118", "psi", { ...FULL, altitude: m("1500"), station: { value: "1013", unit: "hPa" } },
    compared("shop rule", [way("station pressure", 9998, "100", "150", "118", "within"), way(TABLE, 8648, "86", "130", "136", "within")], { notes: ["reading.note.reduced"] })),
  one("station pressure alone", "118", "psi", { ...without("altitude"), station: { value: "29,92", unit: "inHg" } },
    compared("shop rule", [way("station pressure", 10000, "100", "150", "118", "within")])),
  one("in bar, to a tenth: 150 psi are 10.3 bar, 100 are 6.9", "8.1", "bar", FULL, compared("shop rule", SEA("6.9", "10.3", "8.1", "within"))),
  one("in kPa, the gauge marked in 20: 689 and 1034", "814", "kPa", { ...FULL, division: "20" }, compared("shop rule", SEA("680", "1040", "820", "within"))),
  one("in kgf/cm², a manual's 6.5 at least: a comma", "6,4", "kgf/cm²", { ...FULL, manual: manual("6.5", null, "kgf/cm²") }, compared("manual", SEA("6.5", null, "6.4", "below"))),
  one("92 psi against 6.5 kgf/cm²: 92.45 psi, rounded to the gauge", "92", "psi", { ...FULL, manual: manual("6,5", null, "kgf/cm²") }, compared("manual", SEA("92", null, "92", "within"))),
  one("above a manual's most", "205", "psi", { ...FULL, manual: manual("150", "200") }, compared("manual", SEA("150", "200", "205", "above"))),
  one("repeats and their spread, cold, the valve at the gauge", "118", "psi", { ...FULL, repeats: ["121", "116.5"], engine_is: "cold", valve: "at the gauge" },
    compared("shop rule", SEA("100", "150", "118", "within"), { spread: "4.5", notes: ["reading.note.dead-volume", "reading.note.cold"] })),
  one("a height that no place has is none", "118", "psi", { ...FULL, altitude: m("8848") }, { verdict: "not comparable", why: "reading.why.method", record: ["altitude"] }),
  one("a place below the sea: the table has no row", "118", "psi", { ...FULL, altitude: m("-400") }, compared("shop rule", [way(STANDARD, 10483, "105", "157", "113", "within")])),
];
