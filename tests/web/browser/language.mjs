// The customer's language: the device's pages in one, an intake shown and signed in another, the receipt in the one that was
// signed; long words and a long name at twice the text size stay within the screen.
//
//   node browser/language.mjs ADDRESS SIGN_IN PASSWORD PICTURES_DIR [SHOTS_DIR]

import { PHONE, begin, cameraFiles, shootAll, sign, signIn } from "./lib.mjs";

const OWNER = "Maximiliane-Charlotte Freifrau von Donaudampfschifffahrtsgesellschaft-Oberweiler";
const NARROW = { width: 320, height: 640 };
const [address, name, password, pictures, shots] = process.argv.slice(2);
const files = cameraFiles(pictures);
const run = await begin({ shots });
const page = await run.someone(PHONE);
const button = (/** @type {string | RegExp} */ words) => page.getByRole("button", { name: words });
const onward = (/** @type {string} */ words) => page.locator("a.act--heavy").filter({ hasText: words }).click();
const spoken = (/** @type {import("./lib.mjs").Page} */ on) => on.evaluate(() => document.documentElement.lang);

/** Looks at a page as it is, then whether it stays within the screen with text of twice the size and on the narrowest phone. @param {string} what */
async function looks(what) {
  await run.look(page, what);
  await page.evaluate(() => document.documentElement.style.setProperty("font-size", "200%"));
  await fits(`${what}-200`);
  await page.evaluate(() => document.documentElement.style.removeProperty("font-size"));
  await page.setViewportSize(NARROW);
  await fits(`${what}-narrow`);
  await page.setViewportSize(PHONE);
}

/** @param {string} what */
async function fits(what) {
  const wide = await page.evaluate(() => (document.documentElement.scrollWidth > window.innerWidth ? [...document.querySelectorAll("body *")].filter((e) => e.getBoundingClientRect().right > window.innerWidth + 1).slice(-4).map((e) => `${e.tagName}.${e.className}`) : null));
  if (wide) run.faults.push(`${what}: the page is wider than the screen: ${wide.join(", ")}`);
  // A long word leaves no answer. The shop's name in the bar may be cut: it stands whole on the desk.
  const cut = await page.evaluate(() => [...document.querySelectorAll("main :is(.pick, .act, .tile, .field, h1, h2, h3, p, li):not(.hide)")].filter((e) => e.clientWidth > 0 && e.scrollWidth > e.clientWidth + 1).slice(0, 4).map((e) => e.textContent));
  if (cut.length) run.faults.push(`${what}: cut or beyond its border: ${cut.join(", ")}`);
  if (shots) await page.screenshot({ path: `${shots}/${what}.png`, fullPage: true });
}

/** @param {boolean} holds @param {string} sentence */
const expect = (holds, sentence) => {
  if (!holds) run.faults.push(sentence);
};

try {
  await signIn(page, address, name, password);
  expect((await spoken(page)) === "en", "an English browser does not begin in English");
  await page.getByRole("link", { name: "Take a machine in" }).last().click();
  await button(/Chainsaw/).click();
  await button(/next free/).click();
  await shootAll(page, files, (what) => what.click());
  const intake = new URL(page.url()).pathname;
  await onward("Words, machine, name");
  for (const [field, words] of [["What do they say is wrong?", "Geht aus, wenn ich Gas gebe."], ["Make", "Alder"], ["Model", "46"], ["Serial", "7K-20931"], ["Owner's name", OWNER], ["Phone", "0151 555 0142"]]) {
    await page.getByLabel(field, { exact: field !== "What do they say is wrong?" && field !== "Owner's name" }).fill(words);
  }
  await page.locator(".pick").filter({ hasText: "The owner brings it" }).click();
  await page.locator(".pick[aria-checked=true]").filter({ hasText: "The owner brings it" }).waitFor();
  await onward("Three questions");
  for (const choice of ["used", "longer", "fuel in"]) {
    await page.locator("section .pick, section button").filter({ hasText: new RegExp(choice, "i") }).first().click();
  }
  for (const sentence of [/looked at the photographed sides/, /None tested here/, /Nothing else was left/]) {
    await button(sentence).click();
    await page.locator("[aria-pressed=true]").filter({ hasText: sentence }).waitFor();
  }
  await onward("Money and dates");
  await page.locator("#usual").click();
  await page.locator("#usual[aria-pressed=true]").waitFor();

  // The sheet, first in the device's language, then in the customer's.
  await onward("Show it to the customer");
  await page.locator("#sign").waitFor();
  expect((await page.locator("article.paper").getAttribute("lang")) === "en", "the sheet does not begin in the device's language");
  await page.getByText("The customer's language").click();
  await page.locator(".pick[data-choice=de]").click();
  await page.locator("article.paper[lang=de]").waitFor();
  const paper = await page.locator("article.paper").innerText();
  for (const wanted of ["Sie unterschreiben, dass Ihnen diese Liste", "Motorsäge", "Wie wir es sehen", "Nichts über 120,00\u00a0EUR", OWNER, "Das wurde mir gezeigt"]) {
    expect(paper.includes(wanted), `the sheet does not say: ${wanted}`);
  }
  for (const english of ["You sign", "Chainsaw", "Left with it", "Money and dates", "Photos"]) expect(!paper.includes(english), `the German sheet says: ${english}`);
  expect((await spoken(page)) === "en", "the device's own language changed with the sheet's");
  await page.getByLabel(/reads or translates it/).fill("Ana Lindqvist");
  await page.getByLabel(/reads or translates it/).blur();
  await page.getByText("Vorgelesen oder übersetzt von Ana Lindqvist.").waitFor();
  await looks("sheet-de");
  await sign(page);
  await page.locator("#sign").click();
  await page.locator("#take").waitFor();
  expect((await page.locator("article.paper").innerText()).includes("Unterschrieben am"), "what was signed does not stay in its language");
  // After loading again too.
  await page.reload();
  await page.locator("article.paper[lang=de]").waitFor();
  await looks("signed-de");
  await page.locator("#take").click();
  await page.waitForURL(/\/done$/);
  await page.getByText(/Taken into our care on/).waitFor();
  const receipt = await page.getByRole("link", { name: "Open the receipt" }).getAttribute("href");

  // The device in German: every page on the way.
  await page.goto(`${address}/language`);
  await page.locator(".pick[data-choice=de]").click();
  await page.getByRole("heading", { name: "Sprache auf diesem Gerät" }).waitFor();
  expect((await spoken(page)) === "de", "the page does not say that it speaks German");
  await looks("language");
  const machine = intake.replace("/intake/", "/machine/");
  for (const path of ["/", "/take-in", intake, `${intake}/told`, `${intake}/asked`, `${intake}/agreed`, `${intake}/gaps`, `${intake}/done`, machine, "/devices", "/staff", "/settings", "/unsent"]) {
    await page.goto(address + path);
    // What was asked for at the counter is over: it leads to the machine, not to a sheet that nobody can change.
    if (path.endsWith("/gaps")) await page.waitForURL(address + machine);
    await page.locator("main:not([aria-busy]) h1, main:not([aria-busy]) h2").first().waitFor();
    await looks(`de-${path === "/" ? "desk" : path.split("/").at(-1)?.replace(/^[0-9a-f-]{36}$/, path === machine ? "machine" : "shots")}`);
    const words = await page.locator("main").innerText();
    for (const english of [" the ", " and ", "Save", "{"]) expect(!words.includes(english), `the German page ${path} says: ${english}`);
  }

  // The receipt, in the language that was signed; in another one for who asks for it.
  const paperAt = new URL(receipt ?? "", address).href;
  await page.goto(paperAt);
  expect((await spoken(page)) === "de", "the receipt is not in the language that was signed");
  const text = await page.locator("main").innerText();
  for (const wanted of ["In unsere Obhut genommen", OWNER, "Sprache: Deutsch", "Vorgelesen oder übersetzt von Ana Lindqvist", "120,00\u00a0EUR", "Motorsäge", "„Geht aus, wenn ich Gas gebe.“"]) {
    expect(text.includes(wanted), `the receipt does not say: ${wanted}`);
  }
  await looks("receipt-de");
  await page.goto(`${paperAt}?language=en`);
  expect((await spoken(page)) === "en" && (await page.locator("main").innerText()).includes("Taken into our care"), "the receipt cannot be had in English");
  expect((await page.locator("main").innerText()).includes("Deutsch"), "the English receipt does not say in which language the sheet was shown");
} catch (e) {
  run.faults.push(String(e));
  // What cannot be drawn cannot be looked at either: the first fault is the one to be told.
  await run.look(page, "language-fault").catch(() => {});
  console.log((await page.locator("body").innerText()).slice(0, 1500));
}
process.exit(await run.end());
