// Finding an intake by what somebody remembers of it. Pure; the server runs the same rules (`search.rs`), and
// `schema/vectors/search.json` holds both to one answer.
//
// A record is a set of words. Case, accents and punctuation are folded away. Behind `#` stands every end of a number, so
// that digits are found inside it. A query is found when each of its terms is.
// @ts-check

/** Most terms of a query that count. */
const TERMS = 6;
/** Most words of one text that are kept, and longest word kept. */
const WORDS = 300;
const WORD = 40;
/** Shortest and longest run of digits that is found from its middle. */
const INSIDE = 3;
const LONG = 20;
/** Fewest digits of a telephone number, and fewest left without its country or leading zero. */
const PHONE = 7;
const SUBSCRIBER = 6;
/** Fewest letters of a word that may have a typo. */
const TYPO = 5;

/** @type {{[letter: string]: string}} */
const WRITTEN = { ß: "ss", æ: "ae", œ: "oe", þ: "th", ø: "o", đ: "d", ð: "d", ł: "l", ı: "i", ς: "σ" };

/** Text as it is compared: no case, no accents, letters that keyboards lack written out. @param {string} text */
export function fold(text) {
  return text.normalize("NFKD").replace(/\p{M}/gu, "").toLowerCase().replace(/[ßæœþøđðłıς]/g, (c) => WRITTEN[c]);
}

/** @param {string} folded */
const split = (folded) => folded.split(/[^\p{Alphabetic}\p{N}]+/u).filter(Boolean);
/** @param {string} folded */
const compact = (folded) => split(folded).join("");
/** @param {string} text */
const pieces = (text) => fold(text).split(/\s+/u).filter(Boolean);
/** @param {string} word */
const cut = (word) => [...word].slice(0, WORD).join("");
/** @param {string} word */
const isPlain = (word) => [...word].length >= TYPO - 1 && /^\p{Alphabetic}+$/u.test(word);

/**
 * The words a record is found by. `codes` are serials and models, found written together too; of `phones` only digits count.
 * @param {{tag: string, codes?: string[], texts?: string[], phones?: string[]}} record
 * @returns {Set<string>}
 */
export function wordsOf({ tag, codes = [], texts = [], phones = [] }) {
  /** @type {Set<string>} */
  const found = new Set();
  /** @param {string} word */
  const put = (word) => {
    if (word) found.add(cut(word));
  };
  /** @param {string} word */
  const numbers = (word) => {
    for (const [whole] of word.matchAll(/[0-9]+/g)) {
      const run = whole.slice(-LONG);
      for (let from = 0; from + INSIDE <= run.length; from += 1) found.add(`#${run.slice(from)}`);
    }
  };
  /** @param {string} text */
  const read = (text) => {
    for (const piece of pieces(text).slice(0, WORDS)) {
      const words = split(piece);
      for (const word of words) {
        numbers(word);
        put(word);
      }
      if (words.length > 1) put(compact(piece));
    }
  };
  for (const code of [tag, ...codes]) {
    read(code);
    const whole = compact(fold(code));
    numbers(whole);
    put(whole);
  }
  if (/^[0-9]*$/.test(tag)) put(tag.replace(/^0+/, ""));
  texts.forEach(read);
  for (const phone of phones) {
    const number = fold(phone).replace(/[^0-9]/g, "");
    numbers(number);
    put(number);
  }
  return found;
}

/**
 * A word that begins so (digits: also inside a number; a long word: also with one typo), or digits inside a number.
 * @typedef {{word?: string, inside?: string}} Atom
 */

/** What is looked for: every term; of a term one of its ways; of a way each of its atoms. @param {string} text @returns {Atom[][][]} */
export function query(text) {
  const all = pieces(text);
  /** @type {Atom[][][]} */
  const terms = [];
  for (let at = 0; at < all.length && terms.length < TERMS;) {
    const { taken, ways } = telephone(all.slice(at));
    if (ways) {
      terms.push(ways);
      at += taken;
      continue;
    }
    const words = split(all[at]).slice(0, TERMS).map((word) => ({ word: cut(word) }));
    if (words.length === 1) terms.push([words]);
    else if (words.length > 1) terms.push([[{ word: cut(compact(all[at])) }], words]);
    at += 1;
  }
  return terms;
}

/** A telephone number at the beginning: how many pieces it takes, and the ways it may be written down here. @param {string[]} all @returns {{taken: number, ways?: Atom[][]}} */
function telephone(all) {
  const first = all[0].replace(/^\(+/, "");
  if (!/^[+0]/.test(first)) return { taken: 0 };
  const end = all.findIndex((p) => !/^[0-9+()./-]*[0-9][0-9+()./-]*$/.test(p));
  const taken = end < 0 ? all.length : end;
  const number = all.slice(0, taken).join("").replace(/[^0-9]/g, "");
  if (number.length < PHONE) return { taken: 0 };
  const ways = [number];
  const abroad = first.startsWith("+") ? number : number.startsWith("00") ? number.slice(2) : "";
  // A country's own digits are one to three; which, is not ours to know.
  for (const n of [1, 2, 3]) if (abroad.length >= n + SUBSCRIBER) ways.push(abroad.slice(n));
  ways.push(...ways.filter((w) => w.startsWith("0") && w.length > SUBSCRIBER).map((w) => w.slice(1)));
  return { taken, ways: ways.map((inside) => [{ inside }]) };
}

/** Whether a record with these words is found. A query of nothing finds everything. @param {Set<string>} words @param {Atom[][][]} terms */
export function finds(words, terms) {
  return terms.every((ways) => ways.some((way) => way.every((atom) => has(words, atom))));
}

/** @param {Set<string>} words @param {Atom} atom */
function has(words, { word, inside }) {
  /** @param {string} beginning */
  const begins = (beginning) => [...words].some((w) => w.startsWith(beginning));
  if (word === undefined) return begins(`#${inside}`);
  // One letter begins nearly everything: it is looked for as it stands.
  if ([...word].length === 1) return words.has(word);
  if (begins(word)) return true;
  if (/^[0-9]+$/.test(word)) return begins(`#${word}`);
  return isPlain(word) && [...word].length >= TYPO && [...words].some((w) => isPlain(w) && oneTypo(word, w));
}

/** Whether two words differ by at most one typo: a letter more, less or other, or two neighbours swapped. @param {string} one @param {string} other */
export function oneTypo(one, other) {
  const [a, b] = [[...one], [...other]];
  const [short, long] = a.length <= b.length ? [a, b] : [b, a];
  if (long.length > short.length + 1) return false;
  const at = short.findIndex((c, i) => c !== long[i]);
  if (at < 0) return true;
  /** @param {number} i @param {number} j */
  const same = (i, j) => short.slice(i).join("") === long.slice(j).join("");
  if (long.length > short.length) return same(at, at + 1);
  return same(at + 1, at + 1) || (short[at + 1] === long[at] && long[at + 1] === short[at] && same(at + 2, at + 2));
}
