// Every page of an intake under the conditions a counter has: 360 pixels wide, text at twice its size, names of sixty
// characters, dark surroundings. No page is wider than the screen, and axe-core finds nothing.
//
//   node browser/narrow.mjs ADDRESS SIGN_IN PASSWORD PICTURES_DIR [SHOTS_DIR]

import { begin, cameraFiles, shootAll, signIn } from "./lib.mjs";

const LONG = "Bartholomew-Featherstonehaugh von Krummensteiner-Oberdorfsky";
const [address, name, password, pictures, shots] = process.argv.slice(2);
const files = cameraFiles(pictures);
const run = await begin({ shots });

/** @param {string} how @param {{width: number, height: number}} screen @param {object} more @param {string} style */
async function walk(how, screen, more, style) {
  const page = await run.someone(screen, more);
  if (style) await page.addInitScript((css) => addEventListener("DOMContentLoaded", () => {
    // The page's own policy forbids style elements; a constructed sheet is the tester's, as a browser's text size is.
    const sheet = new CSSStyleSheet();
    sheet.replaceSync(css);
    document.adoptedStyleSheets.push(sheet);
  }), style);
  try {
    await signIn(page, address, name, password);
    await run.look(page, `${how}-desk`);
    await page.getByRole("link", { name: "Take a machine in" }).last().click();
    await page.getByRole("button", { name: /Chainsaw/ }).waitFor();
    await run.look(page, `${how}-kinds`);
    await page.getByRole("button", { name: /Chainsaw/ }).click();
    await page.getByRole("button", { name: /next free/ }).click();
    await page.locator("#shoot").waitFor();
    const intake = new URL(page.url()).pathname;
    await shootAll(page, files.slice(0, 2), async (what) => what.click());
    await run.look(page, `${how}-shots`);
    await page.goto(`${address}${intake}/told`);
    await page.getByLabel("What do they say is wrong?").fill("It was fine when I lent it to my neighbour. ".repeat(8));
    for (const [field, words] of [["Make", LONG], ["Model", "A-260-Professional-Extended-Reach-Edition"], ["Serial", "178302944-00000000000000-XXXXXXXX-77"], ["Owner's name", LONG], ["Phone", "+43 660 0000000 ext. 4711"]]) {
      await page.getByLabel(field, { exact: field !== "Owner's name" }).fill(words);
    }
    await page.locator(".pick").filter({ hasText: "The owner brings it" }).click();
    await page.locator(".pick[aria-checked=true]").filter({ hasText: "The owner brings it" }).waitFor();
    await run.look(page, `${how}-told`);
    for (const step of ["asked", "agreed", "gaps", "sheet", "not-taken-in"]) {
      await page.goto(`${address}${intake}/${step}`);
      await page.locator("h1").waitFor();
      await run.look(page, `${how}-${step}`);
      // Whoever is shown the sheet sees the machine under their name, also where that has sixty characters.
      const head = step === "sheet" && how === "narrow" ? await page.locator(".paper h1").evaluate((e) => e.getBoundingClientRect().height / parseFloat(getComputedStyle(e).lineHeight)) : 0;
      if (head > 4.1) run.faults.push(`${how}: the sheet's title has ${head.toFixed(1)} lines`);
    }
    for (const place of ["", "settings", "staff", "devices", "unsent"]) {
      await page.goto(`${address}/${place}`);
      await page.locator("h1").waitFor();
      await run.look(page, `${how}-${place || "desk-long"}`);
    }
  } catch (e) {
    run.faults.push(`${how}, ${page.url()}: ${e}`);
    // What cannot be drawn cannot be looked at either: the first fault is the one to be told.
    await run.look(page, `${how}-fault`).catch(() => {});
  }
  await page.context().close();
}

await walk("narrow", { width: 360, height: 740 }, {}, "");
await walk("large-text", { width: 390, height: 844 }, {}, ":root{font-size:200% !important}");
await walk("dark", { width: 390, height: 844 }, { colorScheme: "dark" }, "");
process.exit(await run.end());
