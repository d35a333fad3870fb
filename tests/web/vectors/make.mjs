// Writes the vector files of schema/vectors/ from the cases. Run: node tests/web/vectors/make.mjs
import { writeFileSync } from "node:fs";
import { pathToFileURL } from "node:url";
import bench from "./cases-bench.mjs";
import days from "./cases-days.mjs";
import record from "./cases-record.mjs";
import shipped from "./cases-shipped.mjs";
import signing from "./cases-signing.mjs";
import home from "./cases-home.mjs";
import parts from "./cases-parts.mjs";
import readings from "./cases-readings.mjs";
import { assemble } from "./tools.mjs";
import views from "./cases-views.mjs";

const CASES = { check: [...record, ...views, ...signing], bench, days, shipped };

/** The files, by name. */
export const FILES = Object.keys(CASES);
/** @param {string} name */
export const fileOf = (name) => new URL(`../../../schema/vectors/${name}.json`, import.meta.url);

/** A file's text: one vector a line, so that a change shows as one. @param {string} name */
export function text(name) {
  const vectors = CASES[name].map(assemble);
  const names = new Set(vectors.map((v) => v.name));
  if (names.size !== vectors.length) throw new Error("two vectors have one name");
  return linesOf(vectors);
}

/** @param {object[]} vectors */
export const linesOf = (vectors) => `[\n${vectors.map((v) => JSON.stringify(v)).join(",\n")}\n]\n`;

if (import.meta.url === pathToFileURL(process.argv[1]).href) {
  for (const name of FILES) writeFileSync(fileOf(name), text(name));
  // Their own shapes: readings, parts, and what speaks against handing back.
  writeFileSync(fileOf("readings"), linesOf(readings));
  writeFileSync(fileOf("parts"), linesOf(parts));
  writeFileSync(fileOf("home"), linesOf(home.map(assemble)));
}
