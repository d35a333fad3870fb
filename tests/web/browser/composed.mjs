// Several servers behind their proxy, met as a shop meets them: the owner is made by the link, a machine is taken in on a phone,
// its receipt opens for anybody. A second time, with somebody who is there already, it only takes a machine in.
//
//   node browser/composed.mjs ADDRESS SET_UP_LINK|"" [SHOTS_DIR]

import * as counter from "./counter.mjs";
import { PHONE, begin, fillSetUp, signIn } from "./lib.mjs";
import { CHOSEN, NAME, photos } from "./rig.mjs";

const [address, link, shots] = process.argv.slice(2);
// One server may be gone while this runs: the browser tells of each request that was broken by it.
const run = await begin({ shots, expected: ["Failed to load resource", "net::ERR", "EventSource"], args: ["--ignore-certificate-errors"] });
const { faults, look } = run;
const page = await run.someone(PHONE);
const files = await photos(6);

try {
  if (link) {
    await page.goto(link);
    await fillSetUp(page, { shop: "Tarn Street Small Engines", name: "Ines Okafor", signIn: NAME, password: CHOSEN });
    await look(page, "set-up");
    await page.getByRole("button", { name: "Set the shop up" }).click();
    await page.waitForURL(/\/settings$/);
  } else await signIn(page, address, NAME, CHOSEN);
  // What the shop usually agrees, so that it is one tap at the counter.
  await page.evaluate(async () => {
    const { shop } = await (await fetch("/v1/sessions/current")).json();
    const settings = `/v1/shops/${shop}/settings`;
    const seen = (await fetch(settings)).headers.get("ETag") ?? "";
    const usual = { fee: 3500, limit: 12000, deposit: "none", diagnosis_days: 7, over_limit: "ask first", old_parts: "give back" };
    const answer = await fetch(settings, { method: "PUT", headers: { "Content-Type": "application/json", "Counterfoil-Client": "test", "If-Match": seen }, body: JSON.stringify({ usual }) });
    if (!answer.ok) throw new Error(await answer.text());
  });
  // A page reads the settings when it opens.
  await page.goto(address);
  await page.getByRole("link", { name: "Take a machine in" }).last().waitFor();
  await counter.open(page);
  for (let i = 0; (await counter.nextShot(page)) !== null; i += 1) await counter.shoot(page, files[i % files.length]);
  await counter.answer(page, { words: "Bogs when I give it gas.", serial: link ? "450118273" : "450118274", owner: "T. Adeyemi" });
  await counter.takeIn(page);
  await page.getByText(/Taken into our care on/).waitFor();
  await look(page, "done");
  await page.getByRole("button", { name: "Make a link" }).click();
  const receipt = (await page.locator("p.mono").filter({ hasText: "/r/" }).innerText()).trim();
  if (!receipt.startsWith(`${address}/r/`)) faults.push("the receipt's link leads to another address");
  const stranger = await run.someone(PHONE);
  await stranger.goto(receipt);
  await stranger.getByText("How to check this receipt").waitFor();
  await look(stranger, "receipt");
} catch (e) {
  faults.push(String(e));
  console.log((await page.locator("body").innerText()).slice(0, 1_500));
}
process.exit(await run.end());
