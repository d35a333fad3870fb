// Accounts, in a real browser at phone and desk size: the password is asked for once more, in place, where somebody came by a
// code; a wrong one says so, the right one lets what was asked for go on by itself; thinking better of it does nothing. A code
// beside the password is set up, asked for, and taken away by an owner; who owes one is led there first.
//
//   node browser/accounts.mjs ADDRESS SIGN_IN PASSWORD [SHOTS_DIR]

import { createHmac } from "node:crypto";
import { DESK, PHONE, begin, signIn } from "./lib.mjs";

const [address, name, password, shots] = process.argv.slice(2);
// The browser notes what is refused on purpose.
const run = await begin({ shots, expected: ["status of 401 (Unauthorized)", "status of 403 (Forbidden)", "status of 409 (Conflict)", "status of 422 (Unprocessable Entity)"] });
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

/** What a program for one-time codes shows (RFC 6238), each of a later step than the one before. @param {string} secret base 32, in groups */
function program(secret) {
  const bits = [...secret.replaceAll(" ", "")].map((c) => "ABCDEFGHIJKLMNOPQRSTUVWXYZ234567".indexOf(c).toString(2).padStart(5, "0")).join("");
  const key = Buffer.from(bits.match(/.{8}/g)?.map((b) => parseInt(b, 2)) ?? []);
  let step = 0;
  return () => {
    const now = Math.floor(Date.now() / 30_000);
    step = Math.max(step + 1, now);
    // The server takes the next step's as well: two without waiting.
    if (step > now + 1) throw new Error("a third code within half a minute");
    const counter = Buffer.alloc(8);
    counter.writeBigUInt64BE(BigInt(step));
    const hash = createHmac("sha1", key).update(counter).digest();
    const at = hash[19] & 15;
    return String((hash.readUInt32BE(at) & 0x7fffffff) % 1_000_000).padStart(6, "0");
  };
}

/** Sets the code up on its page; gives the program and the recovery codes. @param {Page} page @param {string} secretOf for a fault @param {string} [size] */
async function setUp(page, secretOf, size) {
  await page.getByRole("button", { name: "Set up a code" }).click();
  await page.locator(".code-secret").or(page.locator("#proof")).first().waitFor();
  if (await page.locator("#proof").count()) await give(page, secretOf);
  const shows = program(await page.locator(".code-secret").innerText());
  const opens = await page.getByRole("link", { name: "Open the program on this phone" }).getAttribute("href");
  expect(/^otpauth:\/\/totp\/.+[?&]secret=[A-Z2-7]{32}&/.test(opens ?? ""), `the program on this phone is not opened by ${opens?.replace(/secret=\w+/, "secret=…")}`);
  if (size) await run.look(page, `code-shown-${size}`);
  if (size) {
    await page.getByLabel("Code", { exact: true }).fill("000000");
    await page.getByRole("button", { name: "Turn it on" }).click();
    await page.locator("#code-fault").waitFor();
    await run.look(page, `code-wrong-${size}`);
  }
  await page.getByLabel("Code", { exact: true }).fill(shows());
  await page.getByRole("button", { name: "Turn it on" }).click();
  await page.locator("#recovery-codes").waitFor();
  const codes = await page.locator("#recovery-codes li").allInnerTexts();
  expect(codes.length === 10 && new Set(codes).size === 10, "ten recovery codes are shown");
  if (size) await run.look(page, `code-recovery-${size}`);
  await page.getByRole("button", { name: "I have kept them" }).click();
  return { shows, codes };
}

/** Name and password; then, where it is asked for, a code. @param {Page} page @param {string} who @param {string} secret */
async function begins(page, who, secret) {
  await page.goto(`${address}/sign-in`);
  await page.getByLabel("Sign-in name").fill(who);
  await page.getByLabel("Password").fill(secret);
  await page.getByRole("button", { name: "Sign in" }).click();
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

    // A code beside the password, by whoever wants one.
    const own = await run.someone(viewport);
    await begins(own, who.toLowerCase(), "wet rope and a lamp");
    await own.locator("#search").waitFor();
    await own.goto(`${address}/staff`);
    await own.locator("ul.steps > li").filter({ hasText: who }).getByRole("button", { name: "Change" }).click();
    await own.getByRole("link", { name: "Set up a code" }).click();
    await run.look(own, `code-off-${size}`);
    const { shows, codes } = await setUp(own, "wet rope and a lamp", size);
    await own.locator("#search").waitFor();
    await own.goto(`${address}/code`);
    await own.getByText("10 recovery codes are left").waitFor();
    await own.getByRole("button", { name: "Take the code away" }).click();
    await run.look(own, `code-on-${size}`);
    await own.context().close();

    // Signing in asks for it next, in the same form.
    const again = await run.someone(viewport);
    await begins(again, who.toLowerCase(), "wet rope and a lamp");
    const field = again.getByLabel("Code", { exact: true });
    await field.waitFor();
    expect((await field.getAttribute("inputmode")) === "numeric" && (await field.getAttribute("autocomplete")) === "one-time-code", `${size}: the phone offers no digits`);
    expect(await field.evaluate((e) => e === document.activeElement), `${size}: the code has no focus`);
    await run.look(again, `sign-in-code-${size}`, false);
    await field.fill("000000");
    await again.getByRole("button", { name: "Sign in" }).click();
    await again.locator("#code-fault").waitFor();
    await run.look(again, `sign-in-wrong-${size}`, false);
    await field.fill(shows());
    await again.getByRole("button", { name: "Sign in" }).click();
    await again.locator("#search").waitFor();
    await again.context().close();
    const lost = await run.someone(viewport);
    await begins(lost, who.toLowerCase(), "wet rope and a lamp");
    await lost.getByRole("button", { name: "Use a recovery code" }).click();
    await run.look(lost, `sign-in-recovery-${size}`, false);
    await lost.getByLabel("Recovery code").fill(codes[0].toUpperCase());
    await lost.getByRole("button", { name: "Sign in" }).click();
    await lost.locator("#search").waitFor();
    await lost.context().close();

    // The phone with it is lost for good: the owner takes it away.
    await desk.goto(`${address}/staff`);
    const theirRow = desk.locator("ul.steps > li").filter({ hasText: who });
    await theirRow.getByRole("button", { name: "Change" }).click();
    await theirRow.getByRole("button", { name: "take the code away" }).click();
    await run.look(desk, `code-away-${size}`);
    await theirRow.getByRole("button", { name: "Yes, take it away now" }).click();
    await desk.locator("#proof").or(desk.locator("ul.steps:not(:has(.badge))")).first().waitFor();
    if (await desk.locator("#proof").count()) await give(desk, password);
    await theirRow.locator(".badge").waitFor({ state: "detached" });
  }

  // The owner asks it of everybody, and has one first.
  await desk.goto(`${address}/staff`);
  await desk.getByRole("radio", { name: "everybody" }).click();
  await desk.locator("#notice .notice").waitFor();
  await desk.goto(`${address}/code`);
  const owners = await setUp(desk, password);
  await desk.locator("#search").waitFor();
  await desk.goto(`${address}/staff`);
  await desk.getByRole("radio", { name: "everybody" }).click();
  await desk.locator("[role=radio][aria-checked=true]", { hasText: "everybody" }).waitFor();
  await run.look(desk, "code-asked-desk");
  const due = await run.someone(PHONE);
  await begins(due, "orla", "wet rope and a lamp");
  await due.getByText("This shop asks for a code beside the password").waitFor();
  expect(new URL(due.url()).pathname === "/code", `who owes a code is at ${due.url()}`);
  await run.look(due, "code-due-phone");
  await due.goto(`${address}/staff`);
  await due.getByText("This shop asks for a code beside the password").waitFor();
  await setUp(due, "wet rope and a lamp");
  await due.locator("ul.steps b").filter({ hasText: "Orla" }).waitFor();
  // As it was, for whoever looks at this shop next.
  await desk.getByRole("radio", { name: "whoever wants" }).click();
  await desk.locator("[role=radio][aria-checked=true]", { hasText: "whoever wants" }).waitFor();
  await desk.goto(`${address}/code`);
  await desk.getByRole("button", { name: "Take the code away" }).click();
  await desk.getByLabel("Code", { exact: true }).fill(owners.shows());
  await desk.getByRole("button", { name: "Take the code away" }).click();
  await desk.getByRole("button", { name: "Set up a code" }).waitFor();

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
