// Accounts, in a real browser at phone and desk size: the password is asked for once more, in place, where somebody came by a
// code; a wrong one says so, the right one lets what was asked for go on by itself; thinking better of it does nothing.
//
//   node browser/accounts.mjs ADDRESS SIGN_IN PASSWORD [SHOTS_DIR]

import { DESK, PHONE, begin, signIn } from "./lib.mjs";

const [address, name, password, shots] = process.argv.slice(2);
// The browser notes what is refused on purpose.
const run = await begin({ shots, expected: ["status of 403 (Forbidden)", "status of 422 (Unprocessable Entity)"] });
const expect = (/** @type {boolean} */ good, /** @type {string} */ fault) => good || run.faults.push(fault);
/** @typedef {import("./lib.mjs").Page} Page */

/** Lets a new device in by the code that a page shows. @param {Page} from @param {Page} to */
async function scan(from, to) {
  const code = (await from.locator("section.paper .mono").innerText()).trim();
  await to.goto(`${address}/pair#${code}`);
  await to.locator("#search").waitFor();
}

/** What is asked for once more. @param {Page} page @param {string} given */
async function give(page, given) {
  await page.locator("#proof").getByLabel("Password").fill(given);
  await page.locator("#proof").getByRole("button", { name: "Go on" }).click();
}

/** @param {Page} page @param {string} who @param {string} [secret] */
async function add(page, who, secret = "") {
  const form = page.locator("form#add");
  await page.getByRole("group", { name: "What they do" }).getByRole("button", { name: "bench" }).click();
  await form.getByLabel("Name", { exact: true }).fill(who);
  await form.getByLabel("Sign-in name").fill(who.toLowerCase());
  await form.getByLabel("Password").fill(secret);
  await form.getByRole("button", { name: "Add" }).click();
}

const desk = await run.someone(DESK);
try {
  await signIn(desk, address, name, password);
  for (const [size, viewport] of /** @type {const} */ ([["phone", PHONE], ["desk", DESK]])) {
    // Who just signed in is not asked: neither for a code nor for a person.
    await desk.goto(`${address}/devices`);
    await desk.getByRole("button", { name: "Show a code for a phone" }).click();
    const help = await desk.locator('section.paper a[href="/trust"]').boundingBox();
    expect((help?.height ?? 0) >= 47.5, `${size}: the way to help is ${help?.height} px high`);
    const page = await run.someone(viewport);
    await scan(desk, page);

    await page.goto(`${address}/staff`);
    const who = size === "phone" ? "Orla" : "Pelle";
    await add(page, who, "wet rope and a lamp");
    await page.locator("#proof").waitFor();
    await run.look(page, `accounts-asked-${size}`, false);
    await page.getByRole("button", { name: "Cancel" }).click();
    await page.locator("#proof").waitFor({ state: "detached" });
    expect((await page.locator("form#add").getByLabel("Name", { exact: true }).inputValue()) === who, `${size}: what was typed is gone after thinking better of it`);
    expect((await page.locator("ul.steps b").filter({ hasText: who }).count()) === 0, `${size}: somebody was added without the password`);
    await page.locator("form#add").getByRole("button", { name: "Add" }).click();
    await give(page, "not the password");
    await page.locator("#proof .fault").waitFor();
    await run.look(page, `accounts-wrong-${size}`, false);
    await give(page, password);
    await page.locator("ul.steps b").filter({ hasText: who }).waitFor();
    expect((await page.locator("#proof").count()) === 0, `${size}: it is asked again`);
    await run.look(page, `accounts-added-${size}`);

    // Given once, it counts for a while: a code for somebody else, by whom their phone is let in.
    const row = page.locator("ul.steps > li").filter({ hasText: who });
    await row.getByRole("button", { name: "Change" }).click();
    const wide = async (/** @type {string} */ words) => (await row.getByRole("button", { name: words }).boundingBox())?.width ?? 0;
    expect((await wide("Save")) > (await wide("Has left the shop")), `${size}: what puts somebody out is wider than what saves`);
    await row.getByRole("button", { name: `Pair a phone for ${who}` }).click();
    await page.locator("section.paper .mono").waitFor();
    await run.look(page, `accounts-code-${size}`);
    const theirs = await run.someone(viewport);
    await scan(page, theirs);

    // That phone is lost: they put it out from itself no more easily than from elsewhere.
    await theirs.goto(`${address}/devices`);
    await theirs.getByRole("button", { name: "Take its access away" }).click();
    await theirs.getByRole("button", { name: "Yes, take it away now" }).click();
    await theirs.locator("#proof").waitFor();
    await theirs.getByRole("button", { name: "Cancel" }).click();
    await page.goto(`${address}/devices`);
    const phone = page.locator("ul.steps > li").filter({ hasText: `, ${who}` });
    await phone.getByRole("button", { name: "Take its access away" }).click();
    await phone.getByRole("button", { name: "Yes, take it away now" }).click();
    await phone.waitFor({ state: "detached" });
    await run.look(page, `accounts-devices-${size}`);
    await page.context().close();
    await theirs.context().close();
  }

  // Who signed out has no access and is below the fold; of many by one name only the newest stand above it.
  for (const out of [false, true]) {
    await desk.goto(`${address}/devices`);
    await desk.getByRole("button", { name: "Show a code for a phone" }).click();
    const other = await run.someone(PHONE);
    await scan(desk, other);
    if (out) {
      await other.locator("details.menu > summary").click();
      await other.getByRole("button", { name: "Sign out" }).click();
      await other.getByLabel("Password").waitFor();
    }
    await other.context().close();
  }
  await desk.goto(`${address}/devices`);
  const over = desk.locator('[data-key="over"]');
  await over.locator("summary").click();
  await over.getByText(/^Phone \(.*, Ines/).first().waitFor();
  expect((await over.getByRole("button").count()) === 0, "what has no access can be put out");
  const above = desk.locator(".section > ul.steps > li > .step");
  const phones = above.filter({ hasText: /^Phone \(\w+\), Ines/ });
  expect((await phones.count()) === 2, `the newest two by one name stand above the fold: ${await above.allInnerTexts()}`);
  await desk.getByText(/^\d+ more: Phone \(\w+\), Ines$/).waitFor();
  expect(/^Browser, Ines this one/.test(await above.first().innerText()), `this one is first, a space before it: ${await above.first().innerText()}`);
  await run.look(desk, "accounts-devices-over");
} catch (e) {
  run.faults.push(String(e));
  await run.look(desk, "accounts-fault").catch(() => {});
  for (const context of desk.context().browser()?.contexts() ?? []) for (const p of context.pages()) console.log(p.url(), (await p.locator("body").innerText()).slice(0, 1500));
}
process.exit(await run.end());
