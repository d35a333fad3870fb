// How far the device's clock is off, as measured at the last contact. Pure.
// @ts-check

/** From here on a person is told, milliseconds: beyond it times on paper would look wrong to a reader. */
export const TELL = 2 * 60_000;

/**
 * How far off the clock surely is: the measured offset less the half round trip by which it is not known.
 * @param {{offset_ms: number, round_trip_ms: number} | undefined} measured
 * @returns {{way: "behind" | "ahead", ms: number} | null} null when it is near enough, or was not measured
 */
export function clockOff(measured) {
  if (!measured) return null;
  const sure = Math.abs(measured.offset_ms) - measured.round_trip_ms / 2;
  return sure < TELL ? null : { way: measured.offset_ms > 0 ? "behind" : "ahead", ms: Math.abs(measured.offset_ms) };
}

/** A length of time in its largest whole unit. @param {number} ms @returns {{unit: "minutes" | "hours" | "days", count: number}} */
export function lasting(ms) {
  const minutes = Math.round(ms / 60_000);
  if (minutes < 120) return { unit: "minutes", count: minutes };
  return minutes < 48 * 60 ? { unit: "hours", count: Math.round(minutes / 60) } : { unit: "days", count: Math.round(minutes / 1440) };
}

/** Two measurements farther apart than this mean that the clock was set in between, milliseconds; a clock that merely drifts is nearer. */
const SET = 10_000;

/**
 * The measurement to send with an entry. Where the clock was set between saying and sending, nobody knows by which of the two it
 * was said: then the middle, with a round trip so long that the interval covers both.
 * @param {{offset_ms: number, round_trip_ms: number} | undefined} said measured last before it was said
 * @param {{offset_ms: number, round_trip_ms: number} | undefined} sent measured last before it is sent
 * @returns {{offset_ms: number, round_trip_ms: number} | undefined}
 */
export function covering(said, sent) {
  if (!said || !sent) return sent;
  const apart = Math.abs(said.offset_ms - sent.offset_ms);
  if (apart <= SET) return sent;
  return { offset_ms: Math.round((said.offset_ms + sent.offset_ms) / 2), round_trip_ms: Math.round(apart + Math.max(said.round_trip_ms, sent.round_trip_ms)) };
}
