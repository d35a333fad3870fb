// What the browser's suites share: people with a browser each, taps that are counted, pages that are looked at by axe-core
// (WCAG 2.2 A and AA rules), and the faults found on the way.

import { mkdirSync, readFileSync, readdirSync } from "node:fs";
import { createRequire } from "node:module";
import { join } from "node:path";
import { chromium } from "playwright-core";

const RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"];
const axe = readFileSync(createRequire(import.meta.url).resolve("axe-core/axe.min.js"), "utf8");

/** @typedef {import("playwright-core").Page} Page */
/** @typedef {import("playwright-core").Locator} Locator */

export const PHONE = { width: 390, height: 844 };
export const DESK = { width: 1280, height: 800 };

/**
 * A browser, and everything found wrong.
 * @param {{ shots?: string, expected?: string[], args?: string[] }} how `shots`: a folder for screenshots; `expected`: console errors that belong to the test; `args`: for the browser
 */
export async function begin({ shots, expected = [], args = [] }) {
  const browser = await chromium.launch({
    executablePath: process.env.CHROMIUM ?? "/usr/bin/chromium",
    args: ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking", "--disable-component-update", "--disable-sync", ...args],
  });
  /** @type {string[]} */
  const faults = [];
  /** @type {string[]} */
  const told = [];
  let taps = 0;
  let typed = 0;
  let picture = 0;

  return {
    faults,
    /** Somebody with a store and a session of their own, as a device has. @param {{width: number, height: number}} viewport @param {object} [more] */
    async someone(viewport, more = {}) {
      const context = await browser.newContext({ viewport, hasTouch: viewport.width < 600, ignoreHTTPSErrors: true, reducedMotion: "reduce", ...more });
      const page = await context.newPage();
      page.setDefaultTimeout(45_000);
      page.on("pageerror", (e) => faults.push(`error on the page: ${e.message}`));
      page.on("console", (m) => m.type() === "error" && !expected.some((e) => m.text().includes(e)) && faults.push(`console: ${m.text()}`));
      return page;
    },
    /** Taps and counts. @param {Locator} what @param {string} why */
    async tap(what, why) {
      await what.click();
      taps += 1;
      told.push(`${String(taps).padStart(2)}  ${why}`);
    },
    /** Types and counts the characters. @param {Locator} where @param {string} words */
    async type(where, words) {
      await where.fill(words);
      typed += [...words].length;
    },
    /** What was counted since the last time it was asked for. */
    counted() {
      const counted = { taps, typed, told: told.splice(0) };
      taps = 0;
      typed = 0;
      return counted;
    },
    /** Looks at a page: axe-core, its width, and a screenshot where somebody wants to see it. @param {Page} page @param {string} name @param {boolean} [whole] */
    async look(page, name, whole = true) {
      // Not before something is drawn: words and pages come a moment after the document.
      await page.waitForFunction(() => !document.getElementById("skip") || (document.getElementById("skip")?.textContent && (document.getElementById("page")?.childElementCount ?? 0) > 0));
      await page.evaluate(axe);
      const found = await page.evaluate((rules) => /** @type {any} */ (window).axe.run(document, { runOnly: rules }), RULES);
      // What lies under the foot now is not small: it is looked at again where somebody scrolls it to.
      for (const v of found.violations.filter((/** @type {any} */ v) => v.id === "target-size")) {
        const small = [];
        for (const node of v.nodes) if (await tooSmall(page, node.target)) small.push(node);
        v.nodes = small;
      }
      await page.evaluate(() => window.scrollTo(0, 0));
      for (const v of found.violations.filter((/** @type {any} */ v) => v.nodes.length > 0)) faults.push(`axe, ${name}: ${v.id}: ${v.help}: ${v.nodes.slice(0, 3).map((/** @type {any} */ n) => n.target.join(" ")).join(", ")}`);
      if (await page.evaluate(() => document.documentElement.scrollWidth > window.innerWidth)) faults.push(`${name}: the page is wider than the screen`);
      if (!shots) return;
      mkdirSync(shots, { recursive: true });
      picture += 1;
      await page.screenshot({ path: join(shots, `${String(picture).padStart(2, "0")}-${name}.png`), fullPage: whole });
    },
    /** Ends the run: prints faults, gives the exit status. */
    async end() {
      await browser.close();
      for (const f of faults) console.log(`fault: ${f}`);
      return faults.length ? 1 : 0;
    },
  };
}

/** Whether a target is too small in the middle of the screen. @param {Page} page @param {string[]} target */
async function tooSmall(page, target) {
  if (target.length !== 1) return true;
  await page.locator(target[0]).evaluate((e) => e.scrollIntoView({ block: "center" }));
  const again = await page.evaluate((it) => /** @type {any} */ (window).axe.run(it, { runOnly: { type: "rule", values: ["target-size"] } }), target[0]);
  return again.violations.length > 0;
}

/** Signs somebody in and waits for the desk. @param {Page} page @param {string} address @param {string} name @param {string} password */
export async function signIn(page, address, name, password) {
  await page.goto(address);
  await page.getByLabel("Sign-in name").fill(name);
  await page.getByLabel("Password").fill(password);
  await page.getByRole("button", { name: "Sign in" }).click();
  await page.locator("#search").waitFor();
}

/** Photographs the next view, as often as there is one at the counter. @param {Page} page @param {string[]} files @param {(what: Locator, why: string) => Promise<void>} tap */
export async function shootAll(page, files, tap) {
  for (let i = 0; ; i += 1) {
    const shoot = page.locator("#shoot");
    await shoot.or(page.locator("a.act--heavy")).first().waitFor();
    if ((await shoot.count()) === 0) return i;
    const name = (await shoot.innerText()).trim();
    const chooser = page.waitForEvent("filechooser");
    await tap(shoot, name);
    await (await chooser).setFiles(files[i % files.length]);
    await page.waitForFunction((was) => {
      const now = document.querySelector("#shoot");
      return !now || now.textContent?.trim() !== was;
    }, name);
  }
}

/** Signs with a finger. @param {Page} page */
export async function sign(page) {
  const pad = page.locator("canvas, svg.pad, .pad").first();
  await pad.waitFor();
  await pad.scrollIntoViewIfNeeded();
  const box = await pad.boundingBox();
  if (!box) throw new Error("there is no box to sign in");
  await page.mouse.move(box.x + 40, box.y + 40);
  await page.mouse.down();
  for (let i = 0; i < 20; i += 1) await page.mouse.move(box.x + 40 + i * 8, box.y + 40 + (i % 2 ? 18 : -12));
  await page.mouse.up();
}

/** Camera files of a folder. @param {string} folder */
export const cameraFiles = (folder) => readdirSync(folder).filter((f) => f.endsWith(".jpg")).sort().map((f) => join(folder, f));
