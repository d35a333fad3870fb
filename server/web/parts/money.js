// Money as the log holds it: whole numbers of a currency's smallest unit.

import { language } from "../core/words.js";

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
 * "EUR 35.00", "35,00 EUR": the code, never a sign that several countries share. No thousands are set apart, since a point and a
 * comma change places between languages.
 * @param {Money} money
 */
export function shownMoney({ minor, currency }) {
  const after = digits(currency);
  try {
    const format = new Intl.NumberFormat(language(), { style: "currency", currency, currencyDisplay: "code", useGrouping: false });
    return format.format(minor / 10 ** after);
  } catch {
    return `${currency}\u00a0${(minor / 10 ** after).toFixed(after)}`;
  }
}

/**
 * "35.00": an amount to be typed over, in a field that names the currency beside it.
 * @param {Money} money
 */
export function typedMoney({ minor, currency }) {
  const after = digits(currency);
  return new Intl.NumberFormat(language(), { minimumFractionDigits: after, maximumFractionDigits: after, useGrouping: false, numberingSystem: "latn" }).format(minor / 10 ** after);
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
