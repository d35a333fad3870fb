// The demo as somebody new meets it: a shop with a history, and a first intake that says on each page what the page is for.
// The pictures are those the demo draws for whoever has no camera. README's pictures are made by this run (tests/tour).
//
//   node browser/first.mjs ADDRESS SIGN_IN PASSWORD [SHOTS_DIR]

import { mkdtempSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { DESK, PHONE, begin, drawnFiles, shootAll, sign, signIn } from "./lib.mjs";

const [address, name, password, shots] = process.argv.slice(2);
const run = await begin({ shots });
const { faults, look, tap, type } = run;
const desk = await run.someone(DESK);
const page = await run.someone(PHONE);
const saved = mkdtempSync(join(tmpdir(), "drawn-"));
const link = (words) => page.getByRole("link", { name: words });
const button = (words) => page.getByRole("button", { name: words });
const onward = (words) => page.locator("a.act--heavy").filter({ hasText: words });
/** The strip says what this page is for. @param {string | RegExp} words */
const guided = (words) => page.locator("#guide").getByText(words).waitFor();
/** Every picture on the page has come. @param {import("./lib.mjs").Page} at */
const pictured = (at) => at.waitForFunction(() => [...document.images].every((i) => i.complete && i.naturalWidth > 0));

try {
  await signIn(desk, address, name, password);
  await desk.locator(".hang").first().waitFor();
  const held = await desk.locator("a.hang").count();
  if (held < 12) faults.push(`the demo's desk shows only ${held} machines`);
  await desk.waitForFunction(() => document.querySelectorAll(".hang__picture img[src]").length >= 12);
  await pictured(desk);
  await look(desk, "history", false);
  await desk.locator("a.hang").filter({ hasText: "0112" }).click();
  await desk.getByText("As received").waitFor();
  await pictured(desk);
  await look(desk, "history-machine", false);

  await signIn(page, address, name, password);
  await guided(/Every tag here is a machine/);
  await pictured(page);
  await look(page, "first-desk", false);
  await tap(page.locator("#guide").getByRole("link", { name: "Begin" }), "Begin");
  await guided(/Choose the chainsaw/);
  await look(page, "first-kind", false);
  await tap(button(/Chainsaw/), "Chainsaw");
  await tap(button(/next free/), "the next free tag");
  await guided(/Six pictures show/);
  await look(page, "first-shots", false);

  // The drawn pictures, saved as a hand would.
  const { drawn, files } = await drawnFiles(page, new URL((await link(/Save drawn pictures/).getAttribute("href")) ?? "", address).href, saved);
  await drawn.waitForFunction(() => (document.images[0]?.naturalWidth ?? 0) > 0);
  await look(drawn, "first-pictures", false);
  await drawn.close();
  await shootAll(page, files, tap);
  await page.waitForFunction((n) => document.querySelectorAll(".tile img:not(.drawing)").length >= n, files.length);
  await pictured(page);
  await page.evaluate(() => window.scrollTo(0, 0));
  await look(page, "first-shot", false);
  await page.goto(`${page.url()}/gaps`);
  await guided(/What is still missing/);
  await look(page, "first-gaps", false);
  await page.goBack();
  await tap(onward("Words, machine, name"), "Words, machine, name");
  await guided(/Whose machine it is/);
  await type(page.getByLabel("What do they say is wrong?"), "Bogs when I give it gas, only after it is warm.");
  await type(page.getByLabel("Make", { exact: true }), "Brenn");
  await type(page.getByLabel("Model", { exact: true }), "K 45");
  await type(page.getByLabel("Serial", { exact: true }), "450118273");
  await type(page.getByLabel("Owner's name"), "T. Adeyemi");
  await type(page.getByLabel("Phone", { exact: true }), "0151 555 0177");
  await tap(page.locator(".pick").filter({ hasText: "The owner brings it" }), "The owner brings it");
  await tap(onward("Three questions"), "Three questions");
  await guided(/Nothing is ticked beforehand/);
  for (const choice of ["bought new", "longer", "fuel in"]) await tap(page.locator("section .pick, section button").filter({ hasText: new RegExp(choice, "i") }).first(), choice);
  await tap(button(/looked at the photographed sides/), "walk-round by one sentence");
  await tap(button(/None tested here/), "safety devices by one sentence");
  await tap(button(/Nothing else was left/), "things left with it by one sentence");
  await look(page, "first-asked", false);
  await tap(onward("Money and dates"), "Money and dates");
  await guided(/how far the shop may go/);
  await tap(page.locator("#usual"), "the shop's usual");
  await tap(onward("Show it to the customer"), "Show it to the customer");
  await guided(/signs it/);
  await pictured(page);
  await look(page, "first-sheet", false);
  await sign(page);
  await tap(page.locator("#sign"), "sign");
  await tap(page.locator("#take"), "Take it into our care");
  await page.waitForURL(/\/done$/);
  await guided(/other half of the counterfoil/);
  await page.getByText(/Taken into our care on/).waitFor();
  await look(page, "first-done", false);
  await page.goto(new URL((await link("Open the receipt").getAttribute("href")) ?? "", address).href);
  await page.getByText("How to check this receipt").waitFor();
  await look(page, "first-receipt", false);

  // Shut, it stays shut.
  await page.goto(address);
  await button("Do not show this again").click();
  await page.reload();
  await page.locator(".hang").first().waitFor();
  if ((await page.locator("#guide").innerText()).trim()) faults.push("the guide came back after it was shut");
} catch (e) {
  faults.push(String(e));
  await look(page, "fault");
  console.log((await page.locator("body").innerText()).slice(0, 1500));
} finally {
  rmSync(saved, { recursive: true, force: true });
}
const { taps, told } = run.counted();
console.log(told.join("\n"));
console.log(`${taps} taps beyond camera and typing`);
process.exit(await run.end());
