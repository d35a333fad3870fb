// What the app weighs and how soon it can be used on a phone: bytes on the wire of a first load, and the time until the first
// field or button of the page answers, with the network and the processor held back. Prints numbers; fails over the budgets.
//
// Network: 1.6 Mbit/s down, 150 ms a round trip; processor at a quarter (common practice: "slow 4G" and a mid-range phone, as
// browsers' own audits hold them back). Over HTTPS, as shops run it.
//
//   node browser/weight.mjs

import { once } from "node:events";
import { createServer } from "node:http";
import { chromium } from "playwright-core";
import { NAME, PASSWORD, Shop, freePort, until } from "./rig.mjs";

const BUDGET = { bytes: 120_000 }; // times are told, not judged: they are the machine's too
const shop = new Shop(await freePort(), { tls: true });
/** @type {string[]} */
const faults = [];
await shop.start();
const browser = await chromium.launch({ executablePath: process.env.CHROMIUM ?? "/usr/bin/chromium", args: ["--no-sandbox", "--disable-gpu", "--disable-quic", "--ignore-certificate-errors"] });

/** @param {import("playwright-core").Page} page */
async function held(page) {
  const cdp = await page.context().newCDPSession(page);
  await cdp.send("Network.enable");
  await cdp.send("Network.emulateNetworkConditions", { offline: false, latency: 150, downloadThroughput: 1_600_000 / 8, uploadThroughput: 750_000 / 8 });
  await cdp.send("Emulation.setCPUThrottlingRate", { rate: 4 });
  let bytes = 0;
  let count = 0;
  // Bodies as they are packed. Over HTTP/2 a browser tells only bodies and heads together: where the server says how long a body
  // is, that counts.
  /** @type {Map<string, number>} */
  const said = new Map();
  /** What a page waits for: the other languages come behind it. @type {Set<string>} */
  const behind = new Set();
  cdp.on("Network.responseReceived", (e) => {
    const length = Object.entries(e.response.headers).find(([name]) => name.toLowerCase() === "content-length")?.[1];
    if (/\/words\/(?!en$)/.test(e.response.url)) behind.add(e.requestId);
    if (length !== undefined) said.set(e.requestId, Number(length));
    if (process.env.COUNTERFOIL_LIST) console.log(length ?? "?", e.response.url);
  });
  cdp.on("Network.loadingFinished", (e) => behind.has(e.requestId) || ((bytes += said.get(e.requestId) ?? e.encodedDataLength), (count += 1)));
  return { sum: () => ({ bytes, count }) };
}

/** What can be tapped to sign in: off until the app is there. */
const SEND = "#form button:not([disabled])";

/** Opens an address and says when its first field or button is there; a field keeps what is typed from then on. @param {import("playwright-core").Page} page @param {string} wanted @param {string} [address] */
async function usable(page, wanted, address = shop.address) {
  const began = performance.now();
  await page.goto(address, { waitUntil: "commit" });
  await page.locator(wanted).first().waitFor();
  return Math.round(performance.now() - began);
}

/** The app comes late: what was typed into the document's form meanwhile is still there, nothing was sent, and it signs in. */
async function typedEarly() {
  const context = await browser.newContext({ viewport: { width: 390, height: 844 }, ignoreHTTPSErrors: true, locale: "de-AT" });
  const page = await context.newPage();
  /** @type {string[]} */
  const sent = [];
  page.on("request", (r) => r.method() === "GET" || sent.push(`${r.method()} ${new URL(r.url()).pathname}`));
  /** @type {(value?: unknown) => void} */
  let arrives = () => undefined;
  const late = new Promise((go) => (arrives = go));
  await page.route("**/main.js", async (route) => (await late, route.continue()));
  await page.goto(`${shop.address}/due`, { waitUntil: "commit" });
  await page.locator("#sign_in").fill(NAME);
  await page.locator("#password").fill(PASSWORD);
  await page.locator("#password").press("Enter");
  const title = await page.locator("h1").innerText();
  if (title !== "Anmelden") faults.push(`the document's form says "${title}"`);
  if (await page.locator(SEND).count()) faults.push("signing in is offered before the app is there");
  arrives();
  await page.locator(SEND).waitFor();
  const held = await page.evaluate(() => [...document.querySelectorAll("input")].map((i) => i.value).join(" ") + (document.activeElement?.id ?? ""));
  if (held !== `${NAME} ${PASSWORD}password`) faults.push(`of what was typed early is left: ${held}`);
  if (page.url().includes(PASSWORD) || sent.length) faults.push(`sent before the app was there: ${page.url()} ${sent}`);
  await page.locator(SEND).click();
  await page.waitForURL("**/due");
  await context.close();
}

try {
  const context = await browser.newContext({ viewport: { width: 390, height: 844 }, ignoreHTTPSErrors: true });
  const page = await context.newPage();
  const { sum } = await held(page);
  const plain = createServer((_, res) => res.writeHead(200, { "Content-Type": "text/html" }).end("<!doctype html><title>x</title><input>")).listen(0, "127.0.0.1");
  await once(plain, "listening");
  await usable(page, "input", `http://127.0.0.1:${plain.address().port}/`);
  const bare = await usable(page, "input", `http://127.0.0.1:${plain.address().port}/`);
  plain.close();
  const empty = sum();
  const began = performance.now();
  const first = await usable(page, "input");
  await page.locator(SEND).waitFor();
  const whole = Math.round(performance.now() - began);
  const { bytes, count } = Object.fromEntries(Object.entries(sum()).map(([what, n]) => [what, n - empty[what]]));
  console.log(`first load: ${(bytes / 1000).toFixed(0)} kB packed in ${count} requests, usable after ${first} ms, signing in after ${whole} ms; a bare page after ${bare} ms`);
  // The app's own copy, once the browser keeps it.
  await until("the app is kept", () => page.evaluate(async () => Boolean((await navigator.serviceWorker.getRegistration())?.active && navigator.serviceWorker.controller)));
  const second = await usable(page, "input");
  console.log(`again, from what the phone keeps: usable after ${second} ms`);
  await context.close();
  await typedEarly();
  if (bytes > BUDGET.bytes) faults.push(`${bytes} bytes; the budget is ${BUDGET.bytes}`);
} finally {
  await browser.close();
  await shop.stop();
}
for (const f of faults) console.log(`fault: ${f}`);
process.exit(faults.length ? 1 : 0);
