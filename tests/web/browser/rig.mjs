// What the suites share that stop the server and kill the browser: a server that can be stopped and started on its address, a
// phone whose whole browser can be killed and started on what it kept, and a second way to the record, past the app.

import { spawn } from "node:child_process";
import { createHash } from "node:crypto";
import { once } from "node:events";
import { mkdtempSync, readFileSync, rmSync, writeFileSync } from "node:fs";
import { createServer } from "node:net";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { createInterface } from "node:readline";
import { chromium } from "playwright-core";
import { cameraFiles } from "./lib.mjs";

export const PROGRAM = new URL("../../../target/release/counterfoil", import.meta.url).pathname;
const PICTURES = new URL("../../../target/release/pictures", import.meta.url).pathname;
export const NAME = "ines";
export const PASSWORD = "tarn-street-demo";
/** That one is made of the shop's name, which nobody may choose for a shop of their own. */
export const CHOSEN = "a kettle under the bench";

/** A folder that is gone when the run ends. */
export function folder() {
  const made = mkdtempSync(join(tmpdir(), "counterfoil-test-"));
  process.on("exit", () => rmSync(made, { recursive: true, force: true, maxRetries: 5 }));
  return made;
}

export const sha256 = (/** @type {Uint8Array} */ bytes) => createHash("sha256").update(bytes).digest("hex");

/** A port that nobody listens on. @returns {Promise<number>} */
export async function freePort() {
  const server = createServer().listen(0, "127.0.0.1");
  await once(server, "listening");
  const { port } = /** @type {import("node:net").AddressInfo} */ (server.address());
  await new Promise((done) => server.close(done));
  return port;
}

/** An invented shop on an address that it keeps. */
export class Shop {
  /** @param {number} port @param {{ tls?: boolean }} [how] `tls`: by a local authority that this browser is told to trust */
  constructor(port, { tls = false } = {}) {
    this.port = port;
    // The authority is made for this run, on this machine: what asks past the app need not know it.
    if (tls) process.env.NODE_TLS_REJECT_UNAUTHORIZED = "0";
    this.more = tls ? ["--tls", "local"] : [];
    this.address = `${tls ? "https" : "http"}://127.0.0.1:${port}`;
    this.data = join(folder(), "data");
    /** @type {import("node:child_process").ChildProcess | null} */
    this.child = null;
    this.cookie = "";
    this.begun = false;
  }

  /** Starts it, the first time with its people; resolves when it is ready. */
  async start() {
    const how = this.begun ? ["serve"] : ["demo", "--empty"];
    this.begun = true;
    const child = spawn(PROGRAM, [...how, "--data", this.data, "--listen", `127.0.0.1:${this.port}`, ...this.more], { stdio: ["ignore", "pipe", "pipe"] });
    this.child = child;
    process.on("exit", () => child.kill("SIGKILL"));
    let said = "";
    child.stderr.on("data", (d) => (said = (said + d).slice(-4_000)));
    for await (const line of createInterface({ input: child.stdout })) if (line.startsWith("ready ")) return this;
    throw new Error(`the server did not start: ${said}`);
  }

  /** Stops it for good: no process listens any more. @param {NodeJS.Signals} [how] */
  async stop(how = "SIGTERM") {
    const { child } = this;
    if (!child) return;
    this.child = null;
    const over = once(child, "exit");
    child.kill(how);
    await over;
  }

  /** Asks past the app, signed in as the owner. @param {string} method @param {string} path @param {unknown} [json] @param {Record<string, string>} [more] headers */
  async ask(method, path, json, more = {}) {
    const send = () => fetch(this.address + path, {
      method, body: json === undefined ? undefined : JSON.stringify(json),
      headers: { "Content-Type": "application/json", "Counterfoil-Client": "test/1", ...more, ...(this.cookie ? { Cookie: this.cookie } : {}) },
    });
    if (!this.cookie) {
      const answer = await fetch(`${this.address}/v1/sessions`, {
        method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify({ sign_in: NAME, password: PASSWORD }),
      });
      this.cookie = (answer.headers.get("set-cookie") ?? "").split(";")[0];
      this.shop = (await answer.json()).shop;
    }
    const answer = await send();
    if (!answer.ok) throw new Error(`${method} ${path}: ${answer.status} ${await answer.text()}`);
    return answer;
  }

  /** Below the shop. @param {string} path */
  async get(path) {
    if (!this.cookie) await this.ask("GET", "/v1");
    return this.ask("GET", `/v1/shops/${this.shop}${path}`);
  }

  /** An address that pairs a phone. */
  async pairing() {
    await this.ask("GET", "/v1");
    const { url } = await (await this.ask("POST", `/v1/shops/${this.shop}/pairings`, {})).json();
    return this.address + new URL(url).pathname + new URL(url).hash;
  }

  /** Every entry of an intake as the log has it. @param {string} intake @returns {Promise<any[]>} */
  async entries(intake) {
    const { entries } = await (await this.get(`/intakes/${intake}/entries?limit=500`)).json();
    return entries.map((/** @type {any} */ e) => ({ index: e.index, ...JSON.parse(e.bytes) }));
  }

  /** Rebuilds and compares everything. The server has to be stopped. @returns {Promise<{ok: boolean, said: string}>} */
  async check() {
    const child = spawn(PROGRAM, ["check", "--data", this.data], { stdio: ["ignore", "pipe", "pipe"] });
    let said = "";
    for (const stream of [child.stdout, child.stderr]) stream.on("data", (d) => (said += d));
    const [code] = await once(child, "exit");
    return { ok: code === 0, said };
  }
}

/** A phone: a browser of its own on a folder that outlives it. */
export class Phone {
  /** @param {string[]} faults what goes wrong on its pages @param {string[]} [expected] beginnings of console errors that belong to the test */
  constructor(faults, expected = []) {
    this.faults = faults;
    this.expected = expected;
    this.kept = folder();
    /** Space its browser may give to an origin, bytes, by origin. @type {{ origin: string, quotaSize: number } | null} */
    this.space = null;
  }

  /** @returns {Promise<import("playwright-core").Page>} */
  async start() {
    const child = spawn(process.env.CHROMIUM ?? "/usr/bin/chromium", [
      "--headless=new", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking", "--disable-component-update", "--disable-sync",
      "--force-prefers-reduced-motion", "--ignore-certificate-errors", "--remote-debugging-port=0", `--user-data-dir=${this.kept}`, "about:blank",
    ], { stdio: ["ignore", "ignore", "pipe"] });
    this.child = child;
    process.on("exit", () => child.kill("SIGKILL"));
    let at = "";
    for await (const line of createInterface({ input: child.stderr })) {
      at = /DevTools listening on (ws:\S+)/.exec(line)?.[1] ?? "";
      if (at) break;
    }
    child.stderr.resume();
    this.browser = await chromium.connectOverCDP(at);
    const [context] = this.browser.contexts();
    return this.#open(context.pages()[0] ?? (await context.newPage()));
  }

  /** The page's process dies, as on a phone that runs out of memory; the person opens the app again. */
  async crash() {
    const cdp = await this.page.context().newCDPSession(this.page);
    const gone = this.page.waitForEvent("crash");
    cdp.send("Page.crash").catch(() => {});
    await gone;
    const dead = this.page;
    await this.#open(await dead.context().newPage());
    await dead.close();
  }

  /** @param {import("playwright-core").Page} page */
  async #open(page) {
    this.page = page;
    const context = page.context();
    if (this.space) {
      // Before the page writes anything: a browser asks how much space there is now and then only.
      this.cdp = await context.newCDPSession(this.page);
      await this.cdp.send("Storage.overrideQuotaForOrigin", this.space);
    }
    await this.page.setViewportSize({ width: 390, height: 844 });
    this.page.setDefaultTimeout(90_000);
    this.page.on("pageerror", (e) => this.faults.push(`error on the page: ${e.message}`));
    this.page.on("console", (m) => {
      if (m.type() === "error" && !this.expected.some((e) => m.text().includes(e))) this.faults.push(`console: ${m.text()}`);
    });
    return this.page;
  }

  /** Killed as a phone kills what takes too much memory: nothing is told beforehand. */
  async kill() {
    const { child } = this;
    if (!child) return;
    this.child = undefined;
    const over = once(child, "exit");
    child.kill("SIGKILL");
    await over;
    await this.browser?.close().catch(() => {});
  }

  /** Its queue and what it keeps, read past the app. */
  async store() {
    return this.page.evaluate(async () => {
      const db = await new Promise((resolve, reject) => {
        const request = indexedDB.open("counterfoil");
        request.onsuccess = () => resolve(request.result);
        request.onerror = () => reject(request.error);
      });
      const all = (name) => new Promise((resolve) => {
        const request = db.transaction(name).objectStore(name).getAll();
        request.onsuccess = () => resolve(request.result);
      });
      const [queue, entries] = await Promise.all([all("queue"), all("entries")]);
      db.close();
      return { queue, entries: entries.map(({ id, intake, seq, index, said, digest, refused, aside }) => ({ id, intake, seq, index, type: said.type, said, digest, refused, aside })) };
    });
  }

  /** Fills what space there is with something else of the same origin, really; `empty` makes space again. */
  async fill() {
    await this.page.evaluate(async () => {
      const db = await new Promise((resolve) => {
        const request = indexedDB.open("ballast", 1);
        request.onupgradeneeded = () => request.result.createObjectStore("rows", { autoIncrement: true });
        request.onsuccess = () => resolve(request.result);
      });
      const put = (bytes) => new Promise((resolve) => {
        const tx = db.transaction("rows", "readwrite", { durability: "strict" });
        tx.oncomplete = () => resolve(true);
        tx.onabort = () => resolve(false);
        // Other bytes in every block, so that nothing is saved by packing them.
        const block = new Uint8Array(bytes);
        for (let at = 0; at < bytes; at += 65_536) crypto.getRandomValues(block.subarray(at, Math.min(bytes, at + 65_536)));
        tx.objectStore("rows").put(block.buffer);
      });
      for (const size of [1_000_000, 100_000, 10_000]) while (await put(size));
      db.close();
    });
  }

  async empty() {
    await this.page.evaluate(() => new Promise((resolve) => {
      indexedDB.deleteDatabase("ballast").onsuccess = resolve;
    }));
    if (this.space) await this.cdp?.send("Storage.overrideQuotaForOrigin", { origin: this.space.origin, quotaSize: 10 * this.space.quotaSize });
  }

  /** Waits until the app opens without a network. */
  async ready() {
    await this.page.evaluate(async () => {
      await navigator.serviceWorker.ready;
      if (!navigator.serviceWorker.controller) await new Promise((done) => navigator.serviceWorker.addEventListener("controllerchange", done, { once: true }));
    });
  }
}

/** Photos as a camera makes them, each with bytes of its own. @param {number} count @returns {string[]} */
export async function photos(count) {
  const into = folder();
  await once(spawn(PICTURES, [join(into, "drawn")], { stdio: "ignore" }), "exit");
  const drawn = cameraFiles(join(into, "drawn"));
  return Array.from({ length: count }, (_, i) => {
    const bytes = readFileSync(drawn[i % drawn.length]);
    const words = Buffer.from(`shot ${String(i).padStart(3, "0")}`);
    // A comment segment after the start of the image (JPEG, T.81 B.2.4.5): other bytes, the same picture.
    const comment = Buffer.concat([Buffer.from([0xff, 0xfe, 0, words.length + 2]), words]);
    const path = join(into, `${String(i).padStart(3, "0")}.jpg`);
    writeFileSync(path, Buffer.concat([bytes.subarray(0, 2), comment, bytes.subarray(2)]));
    return path;
  });
}

/** Waits until something holds, looking again and again; says what it waited for. @param {string} what @param {() => Promise<unknown>} so @param {number} [patience] milliseconds @param {number} [pause] between two looks, milliseconds */
export async function until(what, so, patience = 60_000, pause = 50) {
  const end = Date.now() + patience;
  for (;;) {
    const held = await so();
    if (held) return held;
    if (Date.now() > end) throw new Error(`waited ${patience / 1000} s: ${what}`);
    await new Promise((next) => setTimeout(next, pause));
  }
}

/** After the server stopped: its record is checked, what is wrong is said, and the run ends. @param {Shop} shop @param {string[]} faults @returns {Promise<never>} */
export async function conclude(shop, faults) {
  const checked = await shop.check();
  if (!checked.ok) faults.push(`check: ${checked.said}`);
  console.log(checked.said.trim().split("\n").at(-1));
  for (const f of faults) console.log(`fault: ${f}`);
  process.exit(faults.length ? 1 : 0);
}
