// A photo that is too poor, found out after the signature: the machine is taken in without a signal and signed, one photo was shot
// in the dark. When the signal is back the server looks at it and takes nothing in; the phone says what is missing and where to
// tap; it is taken again, signed again, or the customer is gone and "not now" is noted; then the machine is taken in. Twice, so
// that both ends are seen.
//
//   node browser/poor.mjs [SHOTS_DIR]

import { mkdirSync, writeFileSync } from "node:fs";
import { join } from "node:path";
import * as counter from "./counter.mjs";
import { sign } from "./lib.mjs";
import { conclude, folder, freePort, Phone, photos, Shop, until } from "./rig.mjs";

const [shots] = process.argv.slice(2);
/** @type {string[]} */
const faults = [];
const must = (/** @type {unknown} */ so, /** @type {string} */ what) => so || faults.push(what);
const shop = await new Shop(await freePort()).start();
const phone = new Phone(faults, ["Failed to load resource", "ERR_CONNECTION_REFUSED"]);
const files = await photos(14);
let number = 0;
async function look(/** @type {string} */ name) {
  number += 1;
  if (!shots) return;
  mkdirSync(shots, { recursive: true });
  await phone.page.screenshot({ path: join(shots, `${String(number).padStart(2, "0")}-${name}.png`), fullPage: true });
}
/** A picture of a dark room, as the camera would hand it over. */
async function dark() {
  const url = await phone.page.evaluate(() => {
    const canvas = Object.assign(document.createElement("canvas"), { width: 1600, height: 1200 });
    const pen = /** @type {CanvasRenderingContext2D} */ (canvas.getContext("2d"));
    pen.fillRect(0, 0, 1600, 1200);
    return canvas.toDataURL("image/jpeg", 0.9);
  });
  const path = join(folder(), "dark.jpg");
  writeFileSync(path, Buffer.from(url.split(",")[1], "base64"));
  return path;
}
/** @param {string} intake @returns {Promise<string[]>} */
const said = async (intake) => (await shop.entries(intake)).filter((e) => e.said.author.staff).map((e) => e.said.type);

/** @param {{ serial: string, from: number, again: (page: import("playwright-core").Page) => Promise<void>, end: RegExp }} how */
async function once({ serial, from, again, end }) {
  const { page } = phone;
  await shop.stop();
  await page.goto(`${shop.address}/`);
  const intake = await counter.open(page);
  const bad = (await counter.nextShot(page)) ?? "";
  await counter.shoot(page, await dark());
  for (const file of files.slice(from, from + 5)) await counter.shoot(page, file);
  await counter.answer(page, { words: "Dies when I give it gas.", serial, owner: "M. Okafor" });
  await counter.takeIn(page);
  await page.getByText("Not yet accepted").waitFor();

  // The signal is back: nothing is taken in, and the page says what to do, in a sentence that leads there.
  await shop.start();
  await page.evaluate(() => dispatchEvent(new Event("online")));
  await page.getByText("The server did not take it in").waitFor();
  const gap = page.locator(".fault a[href*='#view-']");
  await gap.waitFor();
  must((await gap.count()) === 1 && (await gap.innerText()).startsWith(`${bad}:`), `one gap, the dark one: ${await page.locator(".fault").innerText()}`);
  must((await page.locator("#slip").count()) === 0, "no slip says that it will be accepted");
  await look("refused");
  must((await (await shop.get(`/intakes/${intake}`)).json()).intake.state === "open", "nothing was taken in");
  must(!(await said(intake)).includes("taken-in"), "no entry says that it was");
  await page.goto(`${shop.address}/intake/${intake}/gaps`);
  await page.locator("li.gap").filter({ hasText: bad }).waitFor();
  await look("gaps");
  await page.locator("li.gap").filter({ hasText: bad }).getByRole("link").first().click();
  await page.locator("#shoot").filter({ hasText: bad }).waitFor();
  await look("to-retake");
  await counter.shoot(page, files[from + 5]);

  // What was signed showed another photo: it is shown and signed once more, or it is noted why not.
  await page.goto(`${shop.address}/intake/${intake}/sheet`);
  await page.locator("#sign").waitFor();
  must((await page.locator("#take:not([aria-disabled=true])").count()) === 0, "before that the shop cannot take it in");
  await look("sign-again");
  await again(page);
  await page.getByText(end).waitFor();
  await page.locator("#take:not([aria-disabled=true])").waitFor();
  await counter.takeIn(page);
  await page.getByText(/Taken into our care on/).waitFor();
  await look("accepted");
  await until("everything is stored", async () => (await phone.store()).queue.every((/** @type {any} */ r) => r.state === "aside"));
  const types = await said(intake);
  must(types.filter((x) => x === "taken-in").length === 1 && types.at(-1) === "taken-in", `it was taken in once, at the end: ${types.slice(-4)}`);
  must(types.filter((x) => x === "acknowledged").length === 2, "both acknowledgements stand in the history");
  must(types.filter((x) => x === "photo-taken").length === 7, "the poor photo stays: it is kept and fills nothing");
  console.log(`${end.source}: nothing lost, taken in once`);
}

try {
  await phone.start();
  await phone.page.goto(await shop.pairing());
  await phone.page.getByRole("link", { name: "Take a machine in" }).last().waitFor();
  await phone.ready();
  await once({ serial: "7K-20931", from: 0, end: /Signed on/, again: async (page) => {
    await sign(page);
    await page.locator("#sign").click();
  } });
  await once({ serial: "7K-20944", from: 7, end: /Not signed on/, again: async (page) => {
    await page.getByRole("button", { name: "Not signing now" }).click();
    await page.getByRole("radio", { name: "wants to read it at home first" }).click();
  } });
} catch (e) {
  faults.push(String(e));
  await look("fault").catch(() => {});
  console.log((await phone.page?.locator("body").innerText().catch(() => ""))?.slice(0, 1500));
} finally {
  await phone.kill();
  await shop.stop();
}
await conclude(shop, faults);
