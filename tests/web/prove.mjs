// Checks files with the page's checker and prints what the program prints with `--lines`: node prove.mjs JOBS, a JSON list of
// `[file, [key…], earlier or null, roots or null]`; a line of JSON a job.
import { openAsBlob, readFileSync } from "node:fs";
import { worstOf } from "../../server/web/core/proof/entries.js";
import { keysTyped } from "../../server/web/core/proof/entries.js";
import { checkFile } from "../../server/web/core/proof/pack.js";
import { rootsOf } from "../../server/web/core/proof/stamp.js";

for (const [file, keys, earlier, pem] of JSON.parse(readFileSync(process.argv[2], "utf8"))) {
  const given = keysTyped(keys.join(" "));
  if (!given) throw new TypeError("this is no key");
  const roots = pem ? rootsOf(readFileSync(pem, "utf8")) : [];
  if (!roots) throw new TypeError("these are no roots");
  const items = await checkFile(await openAsBlob(file), { ...given, roots }, earlier ? await openAsBlob(earlier) : null);
  console.log(JSON.stringify({ worst: worstOf(items), lines: items.map((i) => `${i.of}\t${i.verdict}\t${i.code}`) }));
}
