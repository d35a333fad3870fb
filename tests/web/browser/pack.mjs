// What leaves the shop, in a real browser: the archive is taken from a machine's page, checked by the page that anybody may open,
// unpacked, and its own page opened from disk, where it checks the archive without any network.
//
//   node browser/pack.mjs ADDRESS SIGN_IN PASSWORD [SHOTS_DIR]

import { execFileSync } from "node:child_process";
import { mkdtempSync, rmSync, writeFileSync, readFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { pathToFileURL } from "node:url";
import { DESK, PHONE, begin, signIn } from "./lib.mjs";

const [address, name, password, shots] = process.argv.slice(2);
const run = await begin({ shots });
const { faults, look } = run;
const folder = mkdtempSync(join(tmpdir(), "pack-"));
const page = await run.someone(DESK, { acceptDownloads: true });

/** The verdict that stands on a page once it is there. @param {import("./lib.mjs").Page} at @param {string} place */
async function verdict(at, place) {
  await at.locator(place).waitFor();
  return (await at.locator(place).textContent())?.trim();
}

try {
  await signIn(page, address, name, password);
  await page.locator("a.hang").first().waitFor();
  const hrefs = await page.locator("a.hang").evaluateAll((all) => all.map((a) => /** @type {HTMLAnchorElement} */ (a).href).filter((h) => h.includes("/machine/")));
  await page.goto(hrefs[0]);
  const lane = page.locator('[data-key="pack"]');
  await lane.waitFor();
  await look(page, "machine-pack");
  const coming = page.waitForEvent("download");
  await lane.locator("a[download]").first().click();
  const zip = join(folder, "whole.zip");
  await (await coming).saveAs(zip);

  // Anybody, without an account.
  const stranger = await run.someone(PHONE);
  const asked = [];
  await stranger.goto(`${address}/verify`);
  await stranger.locator("#verify-file").waitFor();
  await look(stranger, "verify-empty");
  stranger.on("request", (r) => asked.push(r.url()));
  await stranger.context().setOffline(true);
  await stranger.setInputFiles("#verify-file", zip);
  const claimed = await verdict(stranger, "#verify-worst");
  if (claimed !== "claimed") faults.push(`verify: a whole pack is ${claimed}`);
  await look(stranger, "verify-claimed");
  // The desk's suite changed the log's key: that is told even though it is in order.
  await stranger.getByText("The shop changed its log's key here.").waitFor();
  const damaged = readFileSync(zip);
  const at = damaged.indexOf("originals/") + 400;
  damaged[at] ^= 1;
  const broken = join(folder, "broken.zip");
  writeFileSync(broken, damaged);
  await stranger.setInputFiles("#verify-file", broken);
  await stranger.locator('#verify-worst[data-verdict="broken"]').waitFor();
  await look(stranger, "verify-broken");
  if (asked.length) faults.push(`verify: something left the page: ${asked.join(", ")}`);

  // From disk, without any network.
  execFileSync("unzip", ["-q", zip, "-d", join(folder, "unpacked")]);
  for (const [who, viewport] of [["desk", DESK], ["phone", PHONE]]) {
    const judge = await run.someone(/** @type {typeof DESK} */ (viewport), { offline: true });
    await judge.goto(pathToFileURL(join(folder, "unpacked", "index.html")).href);
    const blank = await judge.evaluate(async () => {
      const all = [...document.images];
      for (const i of all) i.loading = "eager";
      await Promise.all(all.map((i) => i.decode().catch(() => {})));
      return all.filter((i) => i.naturalWidth === 0).length + (all.length ? 0 : 1);
    });
    if (blank) faults.push(`index.html: ${blank} pictures do not show from disk`);
    await judge.setInputFiles("#file", zip);
    await judge.locator("#found .verdict").waitFor();
    const found = (await judge.locator("#found .verdict").textContent())?.trim();
    if (found !== "claimed") faults.push(`index.html: the pack it came in is ${found}`);
    await look(judge, `pack-page-${who}`);
  }
} catch (error) {
  faults.push(`the script stopped: ${error instanceof Error ? error.stack : error}`);
} finally {
  rmSync(folder, { recursive: true, force: true });
}
process.exit(await run.end());
