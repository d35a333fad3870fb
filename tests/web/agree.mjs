// Whether the phone's fold and check give what the server's gave, for logs that a server kept: vectors as in
// schema/vectors/README.md, of the kinds as shipped.
//
//   node agree.mjs FILE

import { readFileSync } from "node:fs";
import { isDeepStrictEqual } from "node:util";
import { parse } from "smol-toml";
import { check } from "../../server/web/core/check.js";
import { fold } from "../../server/web/core/fold.js";

const vectors = JSON.parse(readFileSync(process.argv[2], "utf8"));
let agree = 0;
for (const { name, kind, mode, shop, intake, entries, expect } of vectors) {
  const file = parse(readFileSync(new URL(`../../schema/kinds/${kind}.toml`, import.meta.url), "utf8"));
  const state = fold(entries.map(({ index, type, body, digest, by }, i) => ({
    index, digest, body,
    said: { id: `entry ${i}`, shop, intake, type, v: 1, body, author: by ? { staff: by, device: "d" } : { server: "1" }, clock: { at: "2026-11-25T13:02:11.123Z", offset_minutes: 60 } },
  })));
  const told = JSON.parse(JSON.stringify(check(/** @type {any} */ (file), state, mode)));
  if (state.not_understood === 0 && isDeepStrictEqual(told, expect)) agree += 1;
  else console.error(`${name}: the phone says ${JSON.stringify(told)}, the server ${JSON.stringify(expect)}`);
}
console.log(`${agree} agree`);
process.exit(agree === vectors.length && agree > 0 ? 0 : 1);
