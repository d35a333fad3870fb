// A machine that was here before: it went home from the counter once, is found by its owner's name, and is taken in again.
// Every tap beyond camera and typing is counted (budget: at most 18). Then another machine of the same customer.
//
//   node browser/again.mjs ADDRESS SIGN_IN PASSWORD PICTURES_DIR [SHOTS_DIR]

import { PHONE, begin, cameraFiles, shootAll, sign, signIn } from "./lib.mjs";

const BUDGET = 18;
const [address, name, password, pictures, shots] = process.argv.slice(2);
const files = cameraFiles(pictures);
const run = await begin({ shots });
const page = await run.someone(PHONE);
const link = (/** @type {string | RegExp} */ words) => page.getByRole("link", { name: words });
const button = (/** @type {string | RegExp} */ words) => page.getByRole("button", { name: words });
const onward = (/** @type {string} */ words) => page.locator("a.act--heavy").filter({ hasText: words });

try {
  await signIn(page, address, name, password);
  // The first visit ends at the counter.
  await link("Take a machine in").last().click();
  await button(/Chainsaw/).click();
  await button(/next free/).click();
  await page.locator("#shoot").waitFor();
  const intake = new URL(page.url()).pathname;
  await page.goto(`${address}${intake}/told`);
  for (const [field, words] of [["What do they say is wrong?", "Does not start."], ["Make", "Alder"], ["Model", "46"], ["Serial", "9Q-11873"], ["Owner's name", "T. Brandvold"], ["Phone", "0151 555 0177"]]) {
    await page.getByLabel(field, { exact: field !== "What do they say is wrong?" && field !== "Owner's name" }).fill(words);
  }
  await page.locator(".pick").filter({ hasText: "The owner brings it" }).click();
  await page.locator(".pick[aria-checked=true]").filter({ hasText: "The owner brings it" }).waitFor();
  await page.goto(`${address}${intake}/asked`);
  const used = page.locator("section .pick").filter({ hasText: "bought used" });
  await used.click();
  await page.locator("section .pick[aria-checked=true]").filter({ hasText: "bought used" }).waitFor();
  await page.goto(`${address}${intake}/not-taken-in`);
  await page.locator("textarea, input[type=text]").first().fill("The owner wants to try a new plug first.");
  await page.locator("button.act--heavy").click();
  await page.waitForURL(/\/machine\/|\/done$|\/$/);

  // The second visit.
  await page.goto(address);
  await page.locator("#search").fill("brandvold");
  const found = page.locator("a.hang").filter({ hasText: "Alder 46" }).first();
  await found.waitFor();
  await run.look(page, "again-found");
  run.counted();
  await run.tap(found, "its tag on the desk");
  await page.locator("#same-machine").waitFor();
  await run.look(page, "again-machine");
  await run.tap(page.locator("#same-machine"), "Same machine again, with the next free tag");
  await shootAll(page, files, run.tap);
  await run.look(page, "again-shots");
  await run.tap(onward("Words, and what is new"), "Words, and what is new");
  await run.type(page.getByLabel("What do they say is wrong?"), "New plug, still does not start.");
  await run.look(page, "again-page");
  await run.tap(page.locator("#as-before"), "as last time, read out");
  await page.locator("#as-before[aria-pressed=true]").waitFor();
  for (const choice of ["longer", "fuel in"]) {
    await run.tap(page.locator("section .pick").filter({ hasText: new RegExp(choice, "i") }).first(), choice);
    await page.locator("section .pick[aria-checked=true]").filter({ hasText: new RegExp(choice, "i") }).first().waitFor();
  }
  await run.tap(button(/looked at the photographed sides/), "walk-round by one sentence");
  await run.tap(button(/None tested here/), "safety devices by one sentence");
  await run.tap(button(/Nothing else was left/), "things left with it by one sentence");
  await run.look(page, "again-done");
  await run.tap(onward("Show it to the customer"), "Show it to the customer");
  await sign(page);
  await run.look(page, "again-sheet");
  await run.tap(page.locator("#sign"), "sign");
  await page.locator("#take").waitFor();
  await run.tap(page.locator("#take"), "Take it into our care");
  await page.waitForURL(/\/done$/);
  const { taps, typed, told } = run.counted();
  console.log(told.join("\n"));
  console.log(`${taps} taps beyond camera and typing, ${typed} characters typed`);
  if (taps > BUDGET) run.faults.push(`${taps} taps; the budget is ${BUDGET}`);

  await page.getByText(/Taken into our care on/).waitFor();
  const receipt = await page.getByRole("link", { name: "Open the receipt" }).getAttribute("href");
  await page.goto(new URL(receipt ?? "", address).href);
  const text = await page.locator("body").innerText();
  for (const wanted of ["T. Brandvold", "9Q-11873", "here before, with tag", "still does not start"]) {
    if (!text.includes(wanted)) run.faults.push(`the receipt does not say: ${wanted}`);
  }

  // Another machine of the same customer: the name is read out and confirmed, the machine is not.
  const care = /intakes\/([^/]+)\//.exec(receipt ?? "")?.[1];
  await page.goto(`${address}/machine/${care}`);
  await link("Another machine of this customer").click();
  await button(/Chainsaw/).click();
  await button(/next free/).click();
  await page.locator("#shoot").waitFor();
  await page.goto(`${page.url()}/told`);
  await page.locator("#as-before").click();
  await page.locator("#as-before[aria-pressed=true]").waitFor();
  if ((await page.getByLabel("Owner's name").inputValue()) !== "T. Brandvold") run.faults.push("the owner's name was not taken over");
  if ((await page.getByLabel("Serial", { exact: true }).inputValue()) !== "") run.faults.push("the other machine's serial was taken over");
  await run.look(page, "again-other-machine");
} catch (e) {
  run.faults.push(String(e));
  // What cannot be drawn cannot be looked at either: the first fault is the one to be told.
  await run.look(page, "again-fault").catch(() => {});
  console.log((await page.locator("body").innerText()).slice(0, 1500));
}
process.exit(await run.end());
