// Conditions of a kind on earlier answers ("when"), and looking things up in a kind. Pure.
// @ts-check

/** @import {IntakeState, Kind, When, View, Named, Condition} from "./types.js" */

/**
 * What a field of a condition says now, or undefined when it is not answered.
 * `question:<id>` a choice, else why there is none, else the words; `safety:<id>` as seen; `line:<part>` the word of the
 * line noted last on that part; `block:<block>` its sentence.
 * @param {IntakeState} state
 * @param {string} field
 * @returns {string | undefined}
 */
export function fieldOf(state, field) {
  const colon = field.indexOf(":");
  const group = field.slice(0, colon);
  const id = field.slice(colon + 1);
  switch (group) {
    case "question": {
      const answer = own(state.answers, id);
      return answer?.choice ?? answer?.not ?? answer?.text;
    }
    case "safety":
      return own(state.safety, id)?.seen;
    case "line":
      return state.lines.findLast((line) => line.part === id)?.word;
    case "block":
      return own(state.blocks, id)?.sentence;
    default:
      return undefined;
  }
}

/**
 * Whether a condition holds; no condition always does. Every comparison needs an answer, `is-not` too; `at-least` one that is a
 * number.
 * @param {When | undefined} when
 * @param {IntakeState} state
 * @returns {boolean}
 */
export function holds(when, state) {
  if (when === undefined) return true;
  if ("all" in when) return when.all.every((w) => holds(w, state));
  if ("any" in when) return when.any.some((w) => holds(w, state));
  const said = fieldOf(state, when.field);
  if (said === undefined) return false;
  switch (when.op) {
    case "answered":
      return true;
    case "is":
      return said === when.value;
    case "is-not":
      return said !== when.value;
    case "one-of":
      return (when.values ?? []).includes(said);
    case "at-least": {
      const [number, least] = [numberOf(said), numberOf(when.value ?? "")];
      return number !== null && least !== null && number >= least;
    }
    default:
      return false;
  }
}

/**
 * A number as people write it, in thousandths: up to 9 digits, then at most 3 behind a point or a comma; null for anything
 * else. Exact, so that phone and server compare alike.
 * @param {string} text
 * @returns {number | null}
 */
export function numberOf(text) {
  const found = /^([0-9]{1,9})(?:[.,]([0-9]{1,3}))?$/.exec(text);
  return found ? Number(found[1]) * 1000 + Number((found[2] ?? "").padEnd(3, "0")) : null;
}

/** The short service entries a kind takes: those it names, all when it names none. @param {Kind} kind @returns {string[]} */
export function servicesOf(kind) {
  return kind.services ?? ["carburettor", "plug", "oil"];
}

/**
 * A member of a table that is its own, never one of `Object.prototype`: keys come from entries.
 * @template T
 * @param {{[name: string]: T}} table
 * @param {string} name
 * @returns {T | undefined}
 */
export function own(table, name) {
  return Object.hasOwn(table, name) ? table[name] : undefined;
}

/** @param {Kind} kind @param {string} id @returns {View | undefined} */
export function viewOf(kind, id) {
  return kind.view.find((v) => v.id === id);
}

/** @param {Kind} kind @param {string} id @returns {Named | undefined} */
export function partOf(kind, id) {
  return kind.part?.find((p) => p.id === id);
}

/** A word of the condition vocabulary. @param {Kind} kind @param {string} id @returns {Condition | undefined} */
export function wordOf(kind, id) {
  return kind.condition.find((c) => c.id === id);
}
