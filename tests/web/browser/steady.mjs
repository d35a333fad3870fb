// Asks the shop without a pause, in several lines, until a file is there; says how many requests failed. Fails when one did.
//
//   node browser/steady.mjs ADDRESS UNTIL_FILE

import { existsSync } from "node:fs";
import { CHOSEN, NAME } from "./rig.mjs";

const [address, end] = process.argv.slice(2);
process.env.NODE_TLS_REJECT_UNAUTHORIZED = "0";
const session = await fetch(`${address}/v1/sessions`, {
  method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify({ sign_in: NAME, password: CHOSEN }),
});
if (!session.ok) throw new Error(`signing in: ${session.status}`);
const cookie = (session.headers.get("set-cookie") ?? "").split(";")[0];
const { shop } = await session.json();
let asked = 0;
/** @type {string[]} */
const failed = [];

async function line() {
  for (let turn = 0; !existsSync(end); turn += 1) {
    // A list in one turn of sixteen: a session that asks for lists without end is told to wait (docs/ASVS.md, 2.4.1).
    for (const [method, path, json] of [["GET", turn % 16 ? "settings" : "intakes?limit=1"], ["POST", "tags/lease", { count: 1 }]]) {
      asked += 1;
      try {
        const answer = await fetch(`${address}/v1/shops/${shop}/${path}`, {
          method, headers: { Cookie: cookie, "Counterfoil-Client": "test", ...(json ? { "Content-Type": "application/json" } : {}) }, body: json && JSON.stringify(json),
        });
        const text = await answer.text();
        if (!answer.ok) failed.push(`${method} ${path}: ${answer.status} ${text.slice(0, 200)}`);
      } catch (e) {
        failed.push(`${method} ${path}: ${e} ${e.cause ?? ""}`);
      }
    }
  }
}
await Promise.all([line(), line(), line()]);
for (const f of failed.slice(0, 10)) console.log(`fault: ${f}`);
console.log(`${asked} requests while servers were exchanged, ${failed.length} failed: nothing lost`.replace(/: nothing lost$/, failed.length ? "" : ": nothing lost"));
process.exit(failed.length || asked < 20 ? 1 : 0);
