// Bad networks in a real browser: slow, lossy, cut in the middle of a photo, a sign-in page that answers 200 to everything, a proxy
// that answers 413 or 502. What the page says is true throughout: nothing is called stored that the server does not have, and when
// the network is good again everything is there. Ends with an app update while the phone holds unsent work.
//
//   node browser/network.mjs [SHOTS_DIR]

import { mkdirSync, readFileSync } from "node:fs";
import { join } from "node:path";
import { chances } from "../model.mjs";
import * as counter from "./counter.mjs";
import { conclude, freePort, Phone, photos, sha256, Shop, until } from "./rig.mjs";
import { Wire } from "./wire.mjs";

const [shots] = process.argv.slice(2);
/** @type {string[]} */
const faults = [];
const must = (/** @type {unknown} */ so, /** @type {string} */ what) => so || faults.push(what);
const shop = new Shop(await freePort());
const phone = new Phone(faults, ["Failed to load resource", "net::ERR", "EventSource"]);
const files = await photos(8);
const chance = chances(7).next;
let number = 0;
async function look(/** @type {string} */ name) {
  number += 1;
  if (!shots) return;
  mkdirSync(shots, { recursive: true });
  await phone.page.screenshot({ path: join(shots, `${String(number).padStart(2, "0")}-${name}.png`), fullPage: true });
}

await shop.start();
const wire = await new Wire(shop.port).start();
/** The page's own word on where everything is. */
const shown = async () => ({ net: await phone.page.locator(".bar__net").getAttribute("data-net"), words: (await phone.page.locator(".bar__net").innerText()).trim() });
const nudge = () => phone.page.evaluate(() => dispatchEvent(new Event("online")));
/** Nothing is called stored that the server does not have: asked past the network in between. @param {string} when @param {string} intake */
async function truth(when, intake) {
  // The bar first, then the phone, then the server: what comes in between two looks is there, and no fault.
  const bar = await shown();
  const { entries, queue } = await phone.store();
  const status = await phone.page.evaluate(async (id) => {
    const door = document.querySelector("script[type=module]")?.getAttribute("src")?.replace("main.js", "core/app.js") ?? "";
    const view = await (await import(door)).intake(id);
    return view.photos.map((p) => ({ file: p.file, state: p.status.state }));
  }, intake);
  const there = new Set((await shop.entries(intake).catch(() => [])).map((e) => e.said.id));
  for (const e of entries.filter((e) => e.intake === intake && e.index !== undefined)) must(there.has(e.id), `${when}: an entry is called kept that the server does not have`);
  for (const p of status.filter((p) => p.state === "stored and checked")) {
    must(await shop.get(`/files/${p.file.slice(7)}`).then(() => true, () => false), `${when}: a photo is called stored that the server does not have`);
  }
  must(queue.length === 0 || bar.net !== "safe", `${when}: "${bar.words}" while ${queue.length} wait`);
  return { queue };
}

/** One photo on a bad network; then the network is good and the photo arrives. @param {string} name @param {import("./wire.mjs").How} how @param {string} intake @param {string} file @param {{ stuck: boolean, words?: RegExp }} expect */
async function profile(name, how, intake, file, { stuck, words }) {
  const began = Date.now();
  wire.set(how);
  await counter.shoot(phone.page, file);
  await nudge();
  if (stuck) {
    await until(`${name}: the page says that something is not sent`, async () => ["off", "phone", "stuck"].includes((await shown()).net ?? ""));
    for (let i = 0; i < 3; i += 1) {
      await nudge();
      const { queue } = await truth(name, intake);
      must(queue.length > 0, `${name}: the photo still waits`);
      // It tries again in between, and says that it does.
      if (i === 2 && words) await until(`${name}: the bar says ${words}`, async () => words.test((await shown()).words ?? ""));
    }
    await look(name);
    await phone.page.goto(`${wire.address}/unsent`);
    await phone.page.locator("h1").waitFor();
    if (how.kind !== "cut") await phone.page.getByText("Something else answered in the server's place").waitFor();
    await look(`${name}-unsent`);
    await phone.page.goto(`${wire.address}/intake/${intake}`);
    wire.set({ kind: "pass" });
  }
  await until(`${name}: everything is stored`, async () => {
    const { queue } = await truth(name, intake);
    if (queue.length > 0) await nudge();
    return queue.length === 0;
  }, 120_000, 1_000);
  const digest = sha256(readFileSync(file));
  must(sha256(new Uint8Array(await (await shop.get(`/files/${digest}`)).arrayBuffer())) === digest, `${name}: the photo's bytes`);
  console.log(`${name}: stored after ${((Date.now() - began) / 1000).toFixed(1)} s`);
  wire.set({ kind: "pass" });
}

try {
  await phone.start();
  await phone.page.goto((await shop.pairing()).replace(shop.address, wire.address));
  await phone.page.getByRole("link", { name: "Take a machine in" }).last().waitFor();
  await phone.ready();
  const intake = await counter.open(phone.page);

  await profile("3 s latency", { kind: "slow", ms: 3_000 }, intake, files[0], { stuck: false });
  await profile("lossy, 20 kB a second", { kind: "lossy", share: 0.35, ms: 300, bytes: 20_000, chance }, intake, files[1], { stuck: false });
  await profile("cut in the middle of a photo", { kind: "cut", after: 4_000 }, intake, files[2], { stuck: true });
  must(wire.broken > 0, "some connections did break");
  await profile("a sign-in page answers", { kind: "portal" }, intake, files[3], { stuck: true, words: /no connection|on this phone/ });
  await profile("a proxy answers 413", { kind: "answer", status: 413, methods: ["PUT", "POST"] }, intake, files[4], { stuck: true });
  await profile("a proxy answers 502", { kind: "answer", status: 502, methods: ["GET", "PUT", "POST"] }, intake, files[5], { stuck: true });

  // Another version of the app is served while the phone holds what was not sent, and the server no longer works with the old one.
  wire.set({ kind: "down" });
  await phone.page.goto(`${wire.address}/`);
  const second = await counter.open(phone.page);
  await counter.shoot(phone.page, files[6]);
  await phone.page.goto(`${wire.address}/intake/${second}/told`);
  await phone.page.getByLabel("What do they say is wrong?").fill("Half typed when the");
  const held = await phone.store();
  const waiting = held.queue.length;
  const mine = held.entries.filter((e) => e.intake === second).map((e) => e.id);
  const { client_build: old } = await (await shop.ask("GET", "/v1")).json();
  const fresh = [...old].reverse().join("");
  wire.path = (path) => path.replaceAll(fresh, old);
  wire.rewrite = (path, text) => {
    const renamed = text.replaceAll(old, fresh).replace('"client_minimum":1', '"client_minimum":2');
    return path.endsWith("/core/versions.js") ? renamed.replace("CLIENT = 1", "CLIENT = 2") : renamed;
  };
  wire.set({ kind: "pass" });
  await nudge();
  await phone.page.getByText("needs a newer version of the app").waitFor();
  await look("too-old");
  must((await phone.store()).queue.length >= waiting, "nothing of the old version goes out");
  must((await shop.entries(second).catch(() => [])).length === 0, "the server has nothing of it");
  await phone.page.getByRole("button", { name: "Load it now" }).first().click();
  await phone.page.locator(`script[type=module][src*="${fresh}"]`).waitFor({ state: "attached" });
  await phone.page.getByLabel("What do they say is wrong?").waitFor();
  must((await phone.page.getByLabel("What do they say is wrong?").inputValue()) === "Half typed when the", "what was half typed is there after the update");
  await until("everything goes out after the update", async () => (await phone.store()).queue.length === 0);
  const entries = (await shop.entries(second)).filter((e) => e.said.author.staff);
  const ids = entries.map((e) => e.said.id);
  must(new Set(ids).size === ids.length && mine.every((id) => ids.includes(id)), `after the update every entry stands once: ${ids.length} for ${mine.length} and what was half typed`);
  await phone.ready();
  wire.set({ kind: "down" });
  await phone.page.reload();
  await phone.page.locator(`script[type=module][src*="${fresh}"]`).waitFor({ state: "attached" });
  await phone.page.locator("h1").waitFor();
  must((await phone.page.evaluate(() => caches.keys())).length <= 2, "old builds are let go");
  console.log(`an update while ${waiting} waited: nothing lost, nothing twice`);
} catch (e) {
  faults.push(String(e));
  await look("fault").catch(() => {});
  console.log((await phone.page?.locator("body").innerText().catch(() => ""))?.slice(0, 1500));
} finally {
  await phone.kill();
  await wire.stop();
  await shop.stop();
}
await conclude(shop, faults);
