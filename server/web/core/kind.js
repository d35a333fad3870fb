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
 * Whether a condition holds; no condition always does. Every comparison needs an answer, `is-not` too.
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
    default:
      return false;
  }
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
