// Writes schema/vectors/check.json from the cases. Run: node tests/web/vectors/make.mjs
import { writeFileSync } from "node:fs";
import { pathToFileURL } from "node:url";
import record from "./cases-record.mjs";
import signing from "./cases-signing.mjs";
import { assemble } from "./tools.mjs";
import views from "./cases-views.mjs";

export const FILE = new URL("../../../schema/vectors/check.json", import.meta.url);

/** The file's text: one vector a line, so that a change shows as one. */
export function text() {
  const vectors = [...record, ...views, ...signing].map(assemble);
  const names = new Set(vectors.map((v) => v.name));
  if (names.size !== vectors.length) throw new Error("two vectors have one name");
  return `[\n${vectors.map((v) => JSON.stringify(v)).join(",\n")}\n]\n`;
}

if (import.meta.url === pathToFileURL(process.argv[1]).href) writeFileSync(FILE, text());
