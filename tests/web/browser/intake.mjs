// The main job in a real browser at phone size: sign in, take a chainsaw in, answer everything due, sign, take it into care.
// Every tap beyond camera and typing is counted (DESIGN budget: at most 24).
//
//   node browser/intake.mjs ADDRESS SIGN_IN PASSWORD PICTURES_DIR [SHOTS_DIR]

import { mkdirSync, readdirSync } from "node:fs";
import { join } from "node:path";
import { chromium } from "playwright-core";

const [address, signIn, password, pictures, shots] = process.argv.slice(2);
const files = readdirSync(pictures).filter((f) => f.endsWith(".jpg")).sort().map((f) => join(pictures, f));
const browser = await chromium.launch({
  executablePath: process.env.CHROMIUM ?? "/usr/bin/chromium",
  args: ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking", "--disable-component-update", "--disable-sync"],
});
const page = await browser.newPage({ viewport: { width: 390, height: 844 }, hasTouch: true, ignoreHTTPSErrors: true });
page.setDefaultTimeout(15_000);
const faults = [];
page.on("pageerror", (e) => faults.push(`error on the page: ${e.message}`));
page.on("console", (m) => m.type() === "error" && faults.push(`console: ${m.text()}`));

let taps = 0;
const told = [];
/** @param {import("playwright-core").Locator} what @param {string} why */
async function tap(what, why) {
  await what.click();
  taps += 1;
  told.push(`${String(taps).padStart(2)}  ${why}`);
}
let picture = 0;
async function shot(name) {
  if (!shots) return;
  mkdirSync(shots, { recursive: true });
  picture += 1;
  await page.screenshot({ path: join(shots, `${String(picture).padStart(2, "0")}-${name}.png`), fullPage: true });
}
const button = (name, exact = false) => page.getByRole("button", { name, exact });
const link = (name) => page.getByRole("link", { name });
/** The one heavy button of a page that leads on. */
const onward = (words) => page.locator("a.act--heavy").filter({ hasText: words });

try {
  await page.goto(address);
  await page.getByLabel("Sign-in name").fill(signIn);
  await page.getByLabel("Password").fill(password);
  await shot("sign-in");
  await button("Sign in").click();

  await link("Take a machine in").last().waitFor();
  await shot("desk-empty");
  await tap(link("Take a machine in").last(), "Take a machine in");
  await page.getByText("Chainsaw").first().waitFor();
  await shot("kind");
  await tap(button(/Chainsaw/), "Chainsaw");
  await shot("tag");
  await tap(button(/next free/), "the next free tag");

  for (let i = 0; i < 6; i += 1) {
    const shoot = page.locator("#shoot");
    await shoot.waitFor();
    const name = (await shoot.innerText()).trim();
    if (i === 0) await shot("shots-first");
    const chooser = page.waitForEvent("filechooser");
    await tap(shoot, name);
    await (await chooser).setFiles(files[i % files.length]);
    await page.waitForFunction((was) => {
      const now = document.querySelector("#shoot");
      return !now || now.textContent?.trim() !== was;
    }, name);
  }
  await shot("shots-done");
  await tap(onward("Words, machine, name"), "Words, machine, name");

  await page.getByLabel("What do they say is wrong?").fill("Ran fine last winter, now it dies when I give it gas.");
  await page.getByLabel("Make", { exact: true }).fill("Alder");
  await page.getByLabel("Model", { exact: true }).fill("46");
  await page.getByLabel("Serial", { exact: true }).fill("7K-20931");
  await page.getByLabel("Owner's name").fill("M. Okafor");
  await page.getByLabel("Phone", { exact: true }).fill("0151 555 0142");
  await shot("told");
  await tap(page.locator(".pick").filter({ hasText: "The owner brings it" }), "The owner brings it");
  await tap(onward("Three questions"), "Three questions");

  await shot("asked");
  for (const choice of ["used", "longer", "fuel in"]) {
    await tap(page.locator("section .pick, section button").filter({ hasText: new RegExp(choice, "i") }).first(), choice);
  }
  await tap(button(/looked at the photographed sides/), "walk-round by one sentence");
  await tap(button(/None tested here/), "safety devices by one sentence");
  await tap(button(/Nothing else was left/), "things left with it by one sentence");
  await shot("asked-done");
  await tap(onward("Money and dates"), "Money and dates");
  await shot("agreed");
  await tap(page.locator("#usual"), "the shop's usual");
  await tap(onward("Show it to the customer"), "Show it to the customer");

  const pad = page.locator("canvas, svg.pad, .pad").first();
  await pad.waitFor();
  await pad.scrollIntoViewIfNeeded();
  const box = await pad.boundingBox();
  if (!box) throw new Error("there is no box to sign in");
  await page.mouse.move(box.x + 40, box.y + 40);
  await page.mouse.down();
  for (let i = 0; i < 20; i += 1) await page.mouse.move(box.x + 40 + i * 8, box.y + 40 + (i % 2 ? 18 : -12));
  await page.mouse.up();
  await shot("sheet");
  await tap(page.locator("#sign"), "I was shown this: sign");
  await page.locator("#take").waitFor();
  await shot("signed");
  await tap(page.locator("#take"), "Take it into our care");
  await page.waitForURL(/\/done$/);
  await page.getByText("In our care").first().waitFor();
  await page.getByText(/Taken into our care on/).waitFor();
  await shot("done");

  const receipt = await page.getByRole("link", { name: "Open the receipt" }).getAttribute("href");
  await page.goto(new URL(receipt ?? "", address).href);
  await page.getByText("How to check this receipt").waitFor();
  await shot("receipt");
  const text = await page.locator("body").innerText();
  for (const wanted of ["M. Okafor", "dies when I give it gas", "7K-20931", "None tested here", "EUR 120.00", "In our care"]) {
    if (!text.toLowerCase().includes(wanted.toLowerCase())) faults.push(`the receipt does not say: ${wanted}`);
  }
  await page.setViewportSize({ width: 1280, height: 800 });
  await page.goto(address);
  await page.getByText("In our care: 1").waitFor();
  await shot("desk");
  await page.getByRole("link", { name: /0*1|Alder/ }).first().click();
  await page.waitForURL(/\/machine\//);
  await page.getByText("As received").waitFor();
  await shot("machine");
} catch (e) {
  faults.push(String(e));
  await shot("fault");
  console.log((await page.locator("body").innerText()).slice(0, 1500));
} finally {
  await browser.close();
}
console.log(told.join("\n"));
if (taps > 24) faults.push(`${taps} taps; the budget is 24`);
for (const f of faults) console.log(`fault: ${f}`);
console.log(`${taps} taps beyond camera and typing`);
process.exit(faults.length ? 1 : 0);
