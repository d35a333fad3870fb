// Two shops in one installation, in a real browser at phone and desk size: the further one is opened by its link on the set-up
// page; whoever has the same name and password in both says in which; a device shows what is its shop's, and nothing of the other.
//
//   node browser/shops.mjs [SHOTS_DIR]

import { spawnSync } from "node:child_process";
import { DESK, PHONE, begin, fillSetUp } from "./lib.mjs";
import { NAME, PASSWORD, PROGRAM, Shop, freePort } from "./rig.mjs";

const HERE = "Tarn Street";
const NEXT = "Alder Row Repairs and Sharpening, the shop behind the old dairy";
const shop = await new Shop(await freePort()).start();
// The browser notes what is refused on purpose.
const run = await begin({ shots: process.argv[2], expected: ["status of 409 (Conflict)", "status of 401 (Unauthorized)"] });
const expect = (/** @type {boolean} */ good, /** @type {string} */ fault) => good || run.faults.push(fault);

/** @param {import("./lib.mjs").Page} page @param {string} [password] */
async function enter(page, password = PASSWORD) {
  await page.goto(`${shop.address}/sign-in`);
  await page.getByLabel("Sign-in name").fill(NAME);
  await page.getByLabel("Password").fill(password);
  await page.getByRole("button", { name: "Sign in" }).click();
}

/** The device that a page is in its shop. @param {import("./lib.mjs").Page} page @returns {Promise<string>} */
const deviceOf = (page) => page.evaluate(async () => (await (await fetch("/v1/sessions/current")).json()).device);

/** The shop that a page's session is of. @param {import("./lib.mjs").Page} page @returns {Promise<string>} */
const shopOf = (page) => page.evaluate(async () => {
  const { shop: id } = await (await fetch("/v1/sessions/current")).json();
  return (await (await fetch(`/v1/shops/${id}`)).json()).name;
});

try {
  // While one phone is signed in where there is one shop.
  const phone = await run.someone(PHONE);
  await enter(phone);
  await phone.locator("#search").waitFor();
  const here = await shopOf(phone);
  expect(here.startsWith(HERE), `the first shop is called ${here}`);

  const opened = spawnSync(PROGRAM, ["open-shop", "--data", shop.data, "--public-url", shop.address], { encoding: "utf8" });
  const link = opened.stdout.trim();
  expect(opened.status === 0 && link.startsWith(`${shop.address}/set-up#`), `open-shop: ${opened.stdout}${opened.stderr}`);
  const desk = await run.someone(DESK);
  await desk.goto(link);
  await fillSetUp(desk, { shop: NEXT, name: "Ines Okafor", signIn: NAME, password: PASSWORD });
  await run.look(desk, "set-up-desk");
  await desk.getByRole("button", { name: "Set the shop up" }).click();
  await desk.waitForURL(/\/settings$/);
  expect((await shopOf(desk)) === NEXT, "the desk that opened it is signed in to it");
  // Used up.
  const late = await run.someone(PHONE);
  await late.goto(link);
  await late.locator("#page h1").waitFor();
  await fillSetUp(late, { shop: "Once more", name: "Ines", signIn: NAME, password: PASSWORD });
  await late.getByRole("button", { name: "Set the shop up" }).click();
  await late.getByText("set up already").waitFor();

  for (const [size, viewport] of /** @type {const} */ ([["phone", PHONE], ["desk", DESK]])) {
    const page = await run.someone(viewport);
    await enter(page);
    const which = page.getByLabel("Where do you sign in?");
    await which.waitFor();
    const offered = await which.locator("option").allInnerTexts();
    expect(offered.includes(here) && offered.includes(NEXT), `shops offered: ${offered.join(", ")}`);
    expect((await page.getByLabel("Password").count()) === 0, "the password is asked for once");
    await run.look(page, `which-shop-${size}`, false);
    // Nothing chosen: the form stays, and says so in the browser's own words.
    await page.getByRole("button", { name: "Sign in" }).click();
    expect(await which.isVisible(), "without a choice nobody is let in");
    await which.selectOption({ label: NEXT });
    await page.getByRole("button", { name: "Sign in" }).click();
    await page.locator("#search").waitFor();
    expect((await shopOf(page)) === NEXT, `${size}: signed in to the one that was chosen`);
    await run.look(page, `next-${size}`, false);
    const device = await deviceOf(page);
    // A name may be tried ten times in a row.
    if (size === "desk") continue;
    // The same device, in the other shop.
    await page.evaluate(() => fetch("/v1/sessions/current", { method: "DELETE", headers: { "Counterfoil-Client": "test" } }));
    await enter(page);
    await which.selectOption({ label: here });
    await page.getByRole("button", { name: "Sign in" }).click();
    await page.locator("#search").waitFor();
    expect((await shopOf(page)) === here, `${size}: signed in to the other`);
    // Somebody else after all.
    await page.evaluate(() => fetch("/v1/sessions/current", { method: "DELETE", headers: { "Counterfoil-Client": "test" } }));
    await enter(page);
    await which.waitFor();
    await page.getByRole("button", { name: "Somebody else signs in" }).click();
    await page.getByLabel("Sign-in name").waitFor();
    // Back where it was before it is the device that it was there.
    await enter(page);
    await which.selectOption({ label: NEXT });
    await page.getByRole("button", { name: "Sign in" }).click();
    await page.locator("#search").waitFor();
    expect((await deviceOf(page)) === device, `${size}: a device is another one each time it comes back to a shop`);
  }
  // Whoever was in all along noticed nothing.
  await phone.goto(shop.address);
  await phone.locator("#search").waitFor();
  expect((await shopOf(phone)) === here, "the phone is where it was");
} catch (e) {
  run.faults.push(String(e));
}
const done = await run.end();
await shop.stop();
const checked = await shop.check();
if (!checked.ok) console.log(`fault: ${checked.said}`);
process.exit(done || !checked.ok ? 1 : 0);
