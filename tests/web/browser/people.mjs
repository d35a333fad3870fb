// People who come differently, in a real browser: somebody unsure whether they may sign, who is read to in a language the shop
// added itself, pays a deposit, and does not sign now; and a machine that is said to be back after our repair while it is here.
//
//   node browser/people.mjs ADDRESS SIGN_IN PASSWORD PICTURES_DIR [SHOTS_DIR]
//
// The server's data folder holds `words/pl.json`, a catalogue of a few sentences: what it leaves out is said in English.

import { PHONE, begin, cameraFiles, shootAll, signIn } from "./lib.mjs";

const [address, name, password, pictures, shots] = process.argv.slice(2);
const files = cameraFiles(pictures);
const run = await begin({ shots });
const page = await run.someone(PHONE);
const button = (/** @type {string | RegExp} */ words) => page.getByRole("button", { name: words });
const pick = (/** @type {string | RegExp} */ words) => page.getByRole("radio", { name: words });
const chosen = (/** @type {string | RegExp} */ words) => page.locator("[aria-checked=true]").filter({ hasText: words }).first().waitFor();
const expect = (/** @type {boolean} */ good, /** @type {string} */ fault) => good || run.faults.push(fault);
const plain = (/** @type {string} */ text) => text.replaceAll("\u00a0", " ");
const sent = () => page.locator('.bar__net[data-net="safe"]').waitFor();

/** What is said of the machine and of its people. @param {string} intake @param {Record<string, string>} fields */
async function tell(intake, fields) {
  await page.goto(`${address}${intake}/told`);
  for (const [field, words] of Object.entries(fields)) await page.getByLabel(field, { exact: !field.startsWith("What") && !field.startsWith("Owner") }).fill(words);
}

/** Questions and blocks, each by one tap. */
async function answer() {
  for (const choice of ["used", "longer", "fuel in"]) {
    const one = page.locator("section .pick").filter({ hasText: new RegExp(choice, "i") }).first();
    await one.click();
    await chosen(new RegExp(choice, "i"));
  }
  for (const sentence of [/looked at the photographed sides/, /None tested here/, /Nothing else was left/]) {
    await button(sentence).click();
    await page.locator("[aria-pressed=true]").filter({ hasText: sentence }).waitFor();
  }
}

try {
  await signIn(page, address, name, password);
  await page.goto(`${address}/take-in`);
  await button("Chainsaw").click();
  const free = page.locator("#next-free");
  const tag = (await free.locator(".tag__number").innerText()).trim();
  await free.click();
  await shootAll(page, files, (what) => what.click());
  const intake = new URL(page.url()).pathname;

  // Who brings it is not sure whether they may sign.
  await tell(intake, { "What do they say is wrong?": "My uncle says the chain does not stop.", Make: "Alder", Model: "46", Serial: "2M-40417", "Owner's name": "R. Haverkamp", Phone: "0151 555 0188" });
  await pick("Somebody else brings it").click();
  await page.getByLabel("Name of who brings it").fill("Levke");
  await pick("not sure whether they may sign").click();
  await page.locator('[role=radio][data-choice="not sure"][aria-checked=true]').waitFor();
  await run.look(page, "people-not-sure");
  await page.goto(`${address}${intake}/asked`);
  await answer();

  // A deposit is paid now: typed, beside the shop's usual.
  await page.goto(`${address}${intake}/agreed`);
  await page.locator("#usual").click();
  await page.locator("#usual[aria-pressed=true]").waitFor();
  await page.locator("#arrangement-deposit-typed").fill("50");
  await page.keyboard.press("Tab");
  await page.waitForFunction(() => document.querySelector("#usual")?.getAttribute("aria-pressed") === "false");
  await run.look(page, "people-deposit");

  // Shown in the language of a file the shop put there, read out by somebody who is named.
  await page.goto(`${address}${intake}/sheet`);
  await page.getByText("The customer's language").click();
  await page.locator(".pick[data-choice=pl]").click();
  await page.locator("article.paper[lang=pl]").waitFor();
  expect((await page.locator("article.paper").innerText()).includes("Podpisem potwierdza się, że tę listę pokazano"), "the sheet does not speak the shop's own catalogue");
  await page.getByLabel(/reads or translates it/).fill("Ana Lindqvist");
  await page.getByLabel(/reads or translates it/).blur();
  await page.locator("article.paper").getByText(/Ana Lindqvist/).waitFor();
  const paper = plain(await page.locator("article.paper").innerText());
  for (const wanted of ["Levke", "not sure whether they may sign", "50,00 EUR", "Ana Lindqvist"]) expect(paper.includes(wanted), `the sheet does not say: ${wanted}`);
  await run.look(page, "people-sheet");

  // They do not sign now: as easy as signing, and with a reason.
  await button("Not signing now").click();
  await button("Note the reason").waitFor();
  await run.look(page, "people-not-now");
  await button("Note the reason").click();
  expect((await page.locator("#take").count()) === 0, "nobody signed, no reason is given, and the shop may take it");
  await button(/Back to signing/i).click();
  await page.locator("#sign").waitFor();
  await button("Not signing now").click();
  await pick("wants to read it at home first").click();
  await page.getByText(/Not signed on .*wants to read it at home first/).waitFor();
  expect((await page.locator("#notice .notice").count()) === 0, "what asked for a reason stays when it was given");
  await run.look(page, "people-not-signed");
  await page.locator("#take").click();
  await page.waitForURL(/\/done$/);
  await page.getByText(/Taken into our care on/).waitFor();
  await sent();
  const receipt = new URL((await page.getByRole("link", { name: "Open the receipt" }).getAttribute("href")) ?? "", address).href;
  await page.goto(`${receipt}?language=en`);
  const said = plain(await page.locator("main").innerText());
  for (const wanted of ["Not signed: wants to read it at home first", "Ana Lindqvist", "polski", "not sure whether they may sign", "Levke", "Deposit paid now: EUR 50.00"]) {
    expect(said.includes(wanted), `the receipt does not say: ${wanted}`);
  }
  expect(!/signed by|Signed on/.test(said), "the receipt says that somebody signed");
  await run.look(page, "people-receipt");

  // Back after our repair is offered once a machine went home, not while it is here; who says so all the same is told.
  const earlier = intake.split("/").at(-1) ?? "";
  await page.goto(`${address}/machine/${earlier}`);
  await page.getByRole("link", { name: "Another machine of this customer" }).waitFor();
  expect((await page.getByRole("link", { name: "Back after our repair" }).count()) === 0, "a machine that is here is offered as one that is back");
  await page.goto(`${address}/take-in?${new URLSearchParams({ earlier, tag, again: "after our repair" })}`);
  await page.getByText(`Back after our repair, tag ${tag}`).waitFor();
  await button("Chainsaw").click();
  await page.locator("#next-free").click();
  await page.getByText(`The machine with tag ${tag} is still here.`).waitFor();
  await run.look(page, "people-still-here");
} catch (e) {
  run.faults.push(String(e));
  // What cannot be drawn cannot be looked at either: the first fault is the one to be told.
  await run.look(page, "people-fault").catch(() => {});
  console.log(page.url(), (await page.locator("body").innerText()).slice(0, 2500));
}
// The browser notes the refusal of the machine that is still here.
const refused = run.faults.filter((f) => f.includes("status of 409 (Conflict)"));
run.faults.splice(0, run.faults.length, ...run.faults.filter((f) => !refused.includes(f)));
process.exit(await run.end());
