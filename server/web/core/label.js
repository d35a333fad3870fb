// What the emission label's family name says of the engine: its model year and its displacement. Pure.
// Source: U.S. EPA, "Information about Family Naming Conventions for Vehicles and Engines" (epa.gov/ve-certification): position 1 model
// year, 2 to 4 the maker, 5 the industry sector, 6 to 9 displacement, 10 to 12 the maker's own; with a decimal point litres. Only
// names with a decimal point are read: without one it may be cubic inches or cubic centimetres.
// @ts-check

/** Position 1: 1 is 2001, A 2010, Y 2030. Letters that look like digits are left out; from 2031 on the digits come again. */
const YEARS = "123456789ABCDEFGHJKLMNPRSTVWXY";
const FIRST = 2001;
const FAMILY = new RegExp(`(?<![A-Z0-9.])([${YEARS}])([A-Z0-9]{3})([A-Z])(\\d\\.\\d\\d|\\.\\d{3}|\\d{2}\\.\\d)([A-Z0-9]{3})(?![A-Z0-9]|\\.[A-Z0-9])`);

/**
 * The first family name in a text, as it stands on a label; undefined when there is none.
 * @param {string | undefined} text
 * @param {number} thisYear by which a name of two possible years is decided: engines of the future are not brought in
 * @returns {{ family: string, year: number, cc: number } | undefined}
 */
export function familyIn(text, thisYear) {
  const found = FAMILY.exec((text ?? "").toUpperCase().replace(/,(?=\d)/g, "."));
  if (!found) return undefined;
  const [family, code, , , displacement] = found;
  // Thirty codes: the newest year that is not ahead of next year's models. W, X and Y were 1998 to 2000 before.
  const ahead = FIRST + YEARS.indexOf(code) - (thisYear + 1);
  const year = thisYear + 1 + ahead - YEARS.length * Math.ceil(ahead / YEARS.length);
  return { family, year, cc: Math.round(Number(displacement) * 1000) };
}
