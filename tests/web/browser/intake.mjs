// The main job in a real browser: the desk shows a code, a phone is paired with it, a chainsaw is taken in, everything due is
// answered, the customer signs, the shop takes it in, the receipt is read. Every tap of the intake beyond camera and typing is
// counted (budget: at most 24). Every page on the way is checked by axe-core (WCAG 2.2 A and AA rules).
//
//   node browser/intake.mjs ADDRESS SIGN_IN PASSWORD PICTURES_DIR [SHOTS_DIR]

import { DESK, PHONE, begin, cameraFiles, sign, shootAll } from "./lib.mjs";

const [address, signIn, password, pictures, shots] = process.argv.slice(2);
const files = cameraFiles(pictures);
const run = await begin({ shots });
const { faults, tap } = run;
const desk = await run.someone(DESK);
const page = await run.someone(PHONE);
/** Looks at a page: the phone's, unless another is named. @param {string} name @param {import("playwright-core").Page} [of] */
const shot = (name, of = page) => run.look(of, name);
const button = (name, exact = false) => page.getByRole("button", { name, exact });
const link = (name) => page.getByRole("link", { name });
/** The one heavy button of a page that leads on. */
const onward = (words) => page.locator("a.act--heavy").filter({ hasText: words });

try {
  await desk.goto(address);
  await desk.getByLabel("Sign-in name").fill(signIn);
  await desk.getByLabel("Password").fill(password);
  await shot("sign-in", desk);
  await desk.getByRole("button", { name: "Sign in" }).click();
  await desk.getByText("In our care: 0").waitFor();
  await shot("desk-empty", desk);
  await desk.goto(`${address}/devices`);
  const answer = desk.waitForResponse((r) => r.url().endsWith("/pairings"));
  await desk.getByRole("button", { name: "Show a code for a phone" }).click();
  const { url } = await (await answer).json();
  await desk.getByText("Scan this with the phone").waitFor();
  await shot("devices", desk);

  await page.goto(new URL(new URL(url).pathname + new URL(url).hash, address).href);
  await link("Take a machine in").last().waitFor();
  await shot("desk-empty");
  await tap(link("Take a machine in").last(), "Take a machine in");
  await page.getByText("Chainsaw").first().waitFor();
  await shot("kind");
  await tap(button(/Chainsaw/), "Chainsaw");
  await shot("tag");
  await tap(button(/next free/), "the next free tag");

  await page.locator("#shoot").waitFor();
  await shot("shots-first");
  const views = await shootAll(page, files, tap);
  if (views !== 6) faults.push(`${views} views at the counter, not 6`);
  await shot("shots-done");
  // What is not answered yet is named, and nothing can be signed before it is.
  await page.goto(`${page.url()}/gaps`);
  await page.getByRole("heading", { name: /gaps$/ }).waitFor();
  await shot("gaps");
  await page.goBack();
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

  await sign(page);
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
    if (!text.replaceAll("\u00a0", " ").toLowerCase().includes(wanted.toLowerCase())) faults.push(`the receipt does not say: ${wanted}`);
  }
  // The bench goes on at phone size. Told "rebuilt" asks for a reading before running, and what was paid stands beside the kit.
  await page.goto(`${address}/machine/${/intakes\/([^/]+)\//.exec(receipt ?? "")?.[1]}`);
  const bench = page.locator('[data-key="bench"]');
  await bench.getByText("Photos before opening").waitFor();
  await bench.locator("#question-told-rebuilt").getByRole("radio", { name: "yes" }).click();
  await bench.locator("#reading-compression").waitFor();
  await bench.locator("#answer-price-paid").fill("120");
  await bench.locator("#answer-kit-cost").fill("310");
  await page.keyboard.press("Tab");
  await bench.getByText(/Paid for it: 120\. An original cylinder kit: 310/).waitFor();
  await bench.locator("#reading-compression-value").fill("118");
  await bench.locator("#reading-compression-unit").getByRole("radio", { name: "psi", exact: true }).click();
  await bench.locator("#reading-compression-method").fill("cold, 6 pulls");
  await bench.getByRole("button", { name: "Note the reading" }).click();
  await bench.getByText(/118 psi, cold, 6 pulls/).waitFor();
  await bench.getByText(/Not comparable: record engine, compression release, gauge/).waitFor();
  await bench.locator("#service-plug > summary").click();
  await bench.locator("#service-plug").getByRole("radio", { name: "changed" }).click();
  await bench.locator("#service-plug").getByRole("radio", { name: "old one given back" }).click();
  await bench.locator("#fitted-plug").fill("type 7");
  await bench.locator("#service-plug").getByRole("button", { name: "Note it" }).click();
  await bench.getByText(/changed, type 7, old one given back/).first().waitFor();
  const view = page.waitForEvent("filechooser");
  await bench.locator("#view-brake-pushed").click();
  await (await view).setFiles(files[0]);
  await bench.locator("#view-brake-pushed img:not(.drawing)").waitFor();
  const small = await bench.evaluate((lane) => [...lane.querySelectorAll("button, input:not([type=file]), select, summary, textarea")]
    .filter((e) => e.getClientRects().length > 0 && e.getBoundingClientRect().height < 47.5).map((e) => `${e.tagName} ${e.id || e.textContent}`));
  for (const what of small) faults.push(`too small for a glove: ${what}`);
  if (await page.evaluate(() => document.documentElement.scrollWidth > window.innerWidth)) faults.push("the machine page is wider than the phone");
  await page.getByText(/\b(all stored|safe)/).first().waitFor();
  await shot("bench");
  // What the bench said is on no receipt, and the signature stands as it was.
  await page.goto(new URL(receipt ?? "", address).href);
  await page.getByText("How to check this receipt").waitFor();
  const later = await page.locator("body").innerText();
  for (const unwanted of ["118 psi", "Paid for it", "type 7"]) if (later.includes(unwanted)) faults.push(`the receipt says: ${unwanted}`);
  // The desk has it too, by its own stream.
  await desk.goto(address);
  await desk.getByText("In our care: 1").waitFor();
  await shot("desk", desk);
  await desk.getByRole("link", { name: /Alder/ }).first().click();
  await desk.waitForURL(/\/machine\//);
  await desk.getByText("As received").waitFor();
  await desk.waitForFunction(() => [...document.images].length >= 6 && [...document.images].every((i) => i.complete));
  await shot("machine", desk);
  for (const place of ["settings", "staff", "unsent"]) {
    await desk.goto(`${address}/${place}`);
    await desk.locator("h1").waitFor();
    await shot(place, desk);
  }
} catch (e) {
  faults.push(String(e));
  await shot("fault");
  console.log((await page.locator("body").innerText()).slice(0, 1500));
}
const { taps, told } = run.counted();
console.log(told.join("\n"));
if (taps > 23) faults.push(`${taps} taps; it took 23 before`);
console.log(`${taps} taps beyond camera and typing`);
process.exit(await run.end());
