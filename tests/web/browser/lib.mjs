// What the browser's suites share: people with a browser each, taps that are counted, pages that are looked at by axe-core
// (WCAG 2.2 A and AA rules), and the faults found on the way.

import { spawnSync } from "node:child_process";
import { mkdirSync, readFileSync, readdirSync, writeFileSync } from "node:fs";
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
      // Networks of containers come and go beside this: the browser drops what it loads then, and the pages ask again.
      page.on("console", (m) => m.type() === "error" && !["net::ERR_NETWORK_CHANGED", ...expected].some((e) => m.text().includes(e)) && faults.push(`console: ${m.text()}`));
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

/** Fills the page that makes a shop and its owner. @param {Page} page @param {{ shop: string, name: string, signIn: string, password: string }} as */
export async function fillSetUp(page, { shop, name, signIn: by, password }) {
  await page.getByLabel("Name of the shop").fill(shop);
  await page.getByLabel("Time zone").selectOption("Europe/Dublin");
  await page.getByLabel("Currency").selectOption("EUR");
  await page.getByLabel("Your name").fill(name);
  await page.getByLabel("Sign-in name").fill(by);
  await page.getByLabel("Password").fill(password);
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

/**
 * The pictures that the demo draws for whoever has no camera, saved as a hand would.
 * @param {Page} page signed in @param {string} href of `/demo/pictures` @param {string} folder
 */
export async function drawnFiles(page, href, folder) {
  const drawn = await page.context().newPage();
  await drawn.goto(href);
  await drawn.locator("figure").first().waitFor();
  const files = [];
  for (const a of await drawn.locator("a[download]").all()) {
    const answer = await page.context().request.get(new URL((await a.getAttribute("href")) ?? "", href).href);
    const file = join(folder, (await a.getAttribute("download")) ?? "");
    writeFileSync(file, await answer.body());
    files.push(file);
  }
  return { drawn, files };
}

/**
 * Hands that work at the bench on one page: what they tap, photograph, hand back, and have checked.
 * @param {{ run: Awaited<ReturnType<typeof begin>>, page: Page, address: string, files: string[], folder: string }} at `files`: what the camera gives; `folder`: for archives
 */
export function atBench({ run, page, address, files, folder }) {
  let next = 0;
  const button = (/** @type {string | RegExp} */ words) => page.getByRole("button", { name: words });
  const link = (/** @type {string | RegExp} */ words) => page.getByRole("link", { name: words });
  const pick = (/** @type {string} */ group, /** @type {string | RegExp} */ words) => page.getByRole("radiogroup", { name: group, exact: true }).getByRole("radio", { name: words, exact: typeof words === "string" });
  const says = async (/** @type {string | RegExp} */ words) => page.getByText(words).first().waitFor();
  const expect = (/** @type {boolean} */ good, /** @type {string} */ fault) => good || run.faults.push(fault);
  const sent = () => page.locator('.bar__net[data-net="safe"]').waitFor();

  /** The app's own door, as pages use it. @param {string} name @param {any[]} given @returns {Promise<any>} */
  const app = (name, ...given) => page.evaluate(async ([of, list]) => {
    const main = /** @type {HTMLScriptElement} */ (document.querySelector('script[type="module"]')).src;
    return (await import(main.replace(/main\.js.*$/, "core/app.js")))[of](...list);
  }, /** @type {const} */ ([name, given]));

  /** Taps what opens the camera, and gives it a picture: that of the view, where one is called so. @param {Locator} what @param {string} [view] */
  async function shoot(what, view) {
    const chooser = page.waitForEvent("filechooser");
    await what.click();
    await (await chooser).setFiles(files.find((f) => view && f.endsWith(`-${view}.jpg`)) ?? files[next++ % files.length]);
  }

  /**
   * Takes an archive by its link, and has the program check it with the shop's key.
   * @param {string} story @param {Locator} what @param {number} code what the program ends with: 0 unchanged, 4 withheld
   * @param {string[]} codes what has to be among what was found
   */
  async function packChecks(story, what, code, codes) {
    await what.waitFor();
    const key = await page.evaluate(async (shop) => (await (await fetch(`/v1/shops/${shop}`)).json()).verifier_key, (await app("session")).shop);
    const coming = page.waitForEvent("download");
    await what.click();
    const zip = join(folder, `${story.replaceAll(" ", "-")}.zip`);
    await (await coming).saveAs(zip);
    const said = spawnSync("../../target/release/verify", [zip, "--lines", "--key", key], { encoding: "utf8" });
    expect(said.status === code, `${story}: verify ended with ${said.status}, not ${code}: ${said.stdout.slice(0, 2000)}${said.stderr}`);
    for (const c of codes) expect(said.stdout.split("\n").some((l) => l.endsWith(`\t${c}`)), `${story}: the pack has no ${c}`);
  }

  /** The same from the machine's page. @param {string} story @param {string} id */
  async function wholePack(story, id) {
    await page.goto(`${address}/machine/${id}`);
    await packChecks(story, page.locator('[data-key="pack"] a[download]').first(), 0, ["entry", "photo"]);
  }

  /** Pins a finding in the middle of a new photo. @param {string} id @param {string} part @param {string} word @param {string} opinion */
  async function find(id, part, word, opinion) {
    await page.goto(`${address}/intake/${id}/findings`);
    await shoot(button("One more photo"));
    const here = page.locator("#pin-here");
    await here.waitFor();
    await here.scrollIntoViewIfNeeded();
    await here.focus();
    await page.keyboard.press("Enter");
    await says("Set. Tap elsewhere to move it.");
    await page.getByLabel("Which part").fill(part);
    await pick("How it looks", word).click();
    await page.getByLabel("What you think of it").fill(opinion);
    await page.locator("#finding-say").click();
    await says(new RegExp(`Finding 1, ${part}`));
  }

  /** Hands a machine back; what stays open is given by `settle`, how it is shown by `shown`. @param {string} id @param {(views: number) => Promise<void>} settle @param {() => Promise<void>} [shown] */
  async function handBack(id, settle, shown) {
    await page.goto(`${address}/intake/${id}/home`);
    await page.locator('button[id^="left-"]').first().waitFor();
    const views = await page.locator('button[id^="left-"]').evaluateAll((all) => all.map((b) => b.id));
    for (const view of views) {
      await shoot(page.locator(`#${view}`), view.replace("left-", ""));
      await page.locator(`#${view}[data-look="taken"]`).waitFor();
    }
    await settle(views.length);
    await pick("Was it tried?", "tried").click();
    await page.getByLabel("How it went, or why it was not tried").fill("ran warm for two minutes outside");
    await page.locator("#trial-say").click();
    await says(/Tried by/);
    await pick("Who is here?", "the owner").click();
    await pick("How was that checked?", "receipt shown").click();
    await page.locator("#collector-say").click();
    await says("I was shown this and took the machine with me");
    await shown?.();
    await run.look(page, "home");
    await sign(page);
    await page.locator("button#sign").click();
    await sent();
    await page.locator("#hand-back").click();
    await says("It went home.");
    await sent();
  }

  return { button, link, pick, says, expect, sent, app, shoot, packChecks, wholePack, find, handBack };
}
