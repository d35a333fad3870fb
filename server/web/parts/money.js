// Money as the log holds it: whole numbers of a currency's smallest unit.

/** @typedef {{ minor: number, currency: string }} Money */

/**
 * Digits after the point of a currency.
 * @param {string} currency ISO 4217
 */
export function digits(currency) {
  try {
    return new Intl.NumberFormat("en", { style: "currency", currency }).resolvedOptions().maximumFractionDigits ?? 2;
  } catch {
    return 2;
  }
}

/**
 * "EUR 35.00": the code, never a sign that several countries share.
 * @param {Money} money
 */
export function shownMoney({ minor, currency }) {
  const after = digits(currency);
  return `${currency}\u00a0${(minor / 10 ** after).toFixed(after)}`;
}

/**
 * What somebody typed, as money; `null` when it is no amount. A comma is a point; nothing is guessed beyond that.
 * @param {string} typed
 * @param {string} currency
 * @returns {Money | null}
 */
export function readMoney(typed, currency) {
  const after = digits(currency);
  const found = /^(\d{1,9})(?:[.,](\d+))?$/.exec(typed.trim());
  if (!found || (found[2] ?? "").length > after) return null;
  return { minor: Number(found[1]) * 10 ** after + Number((found[2] ?? "").padEnd(after, "0") || 0), currency };
}
