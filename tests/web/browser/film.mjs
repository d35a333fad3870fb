// A film beside the photos, in a real browser: filmed while there is no signal, sent in parts over a line that breaks, the browser
// killed on the way and then the server; every part that was acknowledged is sent once, and the bytes are those that were filmed.
// It plays from the phone, and on the desk by ranges. What no server would keep is told at once.
//
//   node browser/film.mjs [SHOTS_DIR]
//
// The film is the browser's own recording, made larger by a box of free space (ISO/IEC 14496-12 8.1.2), which no player looks into.

import { mkdirSync, writeFileSync } from "node:fs";
import { join } from "node:path";
import { box, film, joined } from "../made-film.mjs";
import * as counter from "./counter.mjs";
import { DESK, PHONE, begin, signIn } from "./lib.mjs";
import { NAME, PASSWORD, Phone, Shop, folder, freePort, photos, sha256, until } from "./rig.mjs";
import { Wire } from "./wire.mjs";

const MB = 1024 * 1024;
const [shots] = process.argv.slice(2);
const run = await begin({ shots });
const { faults } = run;
const must = (/** @type {unknown} */ so, /** @type {string} */ what) => so || faults.push(what);
const shop = await new Shop(await freePort()).start();
const wire = await new Wire(shop.port).start();
const phone = new Phone(faults, ["Failed to load resource", "net::ERR", "EventSource"]);
const [picture] = await photos(1);
const made = folder();
let number = 0;
async function look(/** @type {string} */ name) {
  number += 1;
  if (!shots) return;
  mkdirSync(shots, { recursive: true });
  await phone.page.screenshot({ path: join(shots, `phone-${number}-${name}.png`), fullPage: true });
}
/** A file as a phone hands it over. @param {string} name @param {Uint8Array} bytes */
function file(name, bytes) {
  const path = join(made, name);
  writeFileSync(path, bytes);
  return path;
}
/** @param {string} path */
async function choose(path) {
  const chooser = phone.page.waitForEvent("filechooser");
  await phone.page.locator("#film").click();
  await (await chooser).setFiles(path);
}
/** The browser records what is drawn, for some frames. @returns {Promise<Uint8Array>} */
async function recorded() {
  const bytes = await phone.page.evaluate(async () => {
    const canvas = Object.assign(document.createElement("canvas"), { width: 320, height: 240 });
    const pen = /** @type {CanvasRenderingContext2D} */ (canvas.getContext("2d"));
    const recorder = new MediaRecorder(canvas.captureStream(30), { mimeType: "video/mp4" });
    /** @type {Blob[]} */
    const pieces = [];
    recorder.ondataavailable = (e) => pieces.push(e.data);
    const over = new Promise((done) => (recorder.onstop = done));
    recorder.start();
    for (let i = 0; i < 45; i += 1) {
      pen.fillStyle = `hsl(${i * 8} 70% 45%)`;
      pen.fillRect(0, 0, 320, 240);
      await new Promise((next) => requestAnimationFrame(next));
    }
    recorder.stop();
    await over;
    return [...new Uint8Array(await new Blob(pieces).arrayBuffer())];
  });
  return new Uint8Array(bytes);
}
/** Where parts begin that came by. @type {number[]} */
let parts = [];
wire.path = (path) => {
  const at = /\/parts\/(\d+)$/.exec(path)?.[1];
  if (at !== undefined) parts.push(Number(at));
  return path;
};
/** @param {number} nth @returns {Promise<unknown>} */
const part = (nth) => until(`part ${nth} of a film comes by; so far ${parts}`, async () => parts.length >= nth, 60_000, 5);
/** A film in the large view, until it shows something. @param {import("playwright-core").Page} page @returns {Promise<{ src: string, width: number, length: number }>} */
async function plays(page) {
  const video = page.locator("dialog video");
  await video.waitFor();
  await page.waitForFunction(() => (/** @type {HTMLVideoElement | null} */ (document.querySelector("dialog video"))?.readyState ?? 0) >= 2);
  await video.evaluate((v) => /** @type {HTMLVideoElement} */ (v).play());
  await page.waitForFunction(() => (/** @type {HTMLVideoElement | null} */ (document.querySelector("dialog video"))?.currentTime ?? 0) > 0);
  return video.evaluate((v) => {
    const { src, videoWidth: width, duration: length } = /** @type {HTMLVideoElement} */ (v);
    return { src, width, length };
  });
}

try {
  await phone.start();
  await phone.page.goto((await shop.pairing()).replace(shop.address, wire.address));
  await phone.page.getByRole("link", { name: "Take a machine in" }).last().waitFor();
  await phone.ready();
  const small = await recorded();
  const noise = film({ bytes: 22 * MB, seed: 11 }).subarray(32);
  const large = joined(small, box("free", noise));
  const intake = await counter.open(phone.page);
  await counter.shoot(phone.page, picture);
  await phone.page.locator('.bar__net[data-net="safe"]').waitFor();

  // Told at once: too long, no film. Nothing of it is kept.
  wire.set({ kind: "down" });
  await choose(file("long.mp4", film({ ms: 41_000 })));
  await phone.page.locator("#notice").getByText("may last 30 seconds").waitFor();
  await look("too-long");
  await choose(picture);
  await phone.page.locator("#notice").getByText("no film that can be kept").waitFor();
  must((await phone.store()).queue.length === 0, "what is refused on the phone waits nowhere");

  // No signal: both films are kept, with what their headers say.
  await choose(file("short.mp4", film({ ms: 12_500, bytes: 200_000 })));
  await phone.page.locator(".tile__film").filter({ hasText: "0:13" }).waitFor();
  await choose(file("large.mp4", large));
  await phone.page.waitForFunction(() => document.querySelectorAll(".tile__film").length === 2);
  await look("two-films");
  await phone.page.locator(".tile").filter({ has: phone.page.locator(".tile__film") }).last().click();
  const here = await plays(phone.page);
  must(here.src.startsWith("blob:") && here.width === 320, `it plays from the phone: ${JSON.stringify(here)}`);
  await look("plays-from-the-phone");
  await phone.page.locator("dialog").getByRole("button", { name: "Close" }).click();
  await phone.page.locator(".tile").filter({ hasText: "0:13" }).click();
  await phone.page.locator("dialog").getByText("This browser does not play the film").waitFor();
  await phone.page.locator("dialog").getByRole("button", { name: "Close" }).click();

  // Over a line, and the browser dies with the third part under way.
  wire.set({ kind: "pass" });
  await phone.page.evaluate(() => dispatchEvent(new Event("online")));
  await part(3);
  wire.set({ kind: "down" });
  await phone.kill();
  const first = parts;
  parts = [];
  // And the server with the second of those that follow.
  wire.set({ kind: "pass" });
  await phone.start();
  // A browser that is killed may lose its session: then somebody signs in again.
  await phone.page.goto(`${wire.address}/sign-in?to=/intake/${intake}`);
  await phone.page.getByLabel("Sign-in name").fill(NAME);
  await phone.page.getByLabel("Password").fill(PASSWORD);
  await phone.page.getByRole("button", { name: "Sign in" }).click();
  await phone.page.waitForURL(/\/intake\//);
  await part(2);
  await shop.stop("SIGKILL");
  const then = parts;
  parts = [];
  await phone.page.locator('.bar__net[data-net="phone"]').filter({ hasText: "no connection" }).waitFor();
  await look("server-gone");
  await shop.start();
  await until("everything is stored", async () => {
    await phone.page.evaluate(() => dispatchEvent(new Event("online")));
    return (await phone.store()).queue.length === 0;
  }, 120_000, 500);
  await phone.page.locator(".tile").filter({ hasText: "stored as it came" }).nth(1).waitFor();
  await look("stored");
  must(first.length >= 3 && first[0] === 0, `parts before the kill: ${first}`);
  must(then[0] >= first[1], `after the kill of the browser it goes on: ${first} then ${then}`);
  must(parts[0] >= then[0] && parts.every((at, i) => i === 0 || at >= parts[i - 1]), `after the kill of the server it goes on: ${then} then ${parts}`);
  const taken = (await shop.entries(intake)).filter((e) => e.said.body.film);
  must(JSON.stringify(taken.map((e) => e.said.body.size)) === JSON.stringify([film({ bytes: 200_000 }).length, large.length]), "two films, each said once");
  const digest = sha256(large);
  must(sha256(new Uint8Array(await (await shop.get(`/files/${digest}`)).arrayBuffer())) === digest, "the film's bytes");
  console.log(`a film of ${(large.length / MB).toFixed(1)} MB arrived once, in parts at ${[first, then, parts].map((p) => p.map((at) => (at / MB).toFixed(1)).join(" ")).join(" | kill | ")} MB`);

  // The desk plays it by ranges.
  const desk = await run.someone(DESK);
  await signIn(desk, shop.address, NAME, PASSWORD);
  await desk.goto(`${shop.address}/machine/${intake}`);
  await desk.getByText("2 films").waitFor();
  await run.look(desk, "machine");
  const ranged = desk.waitForResponse((r) => r.url().endsWith(digest) && r.status() === 206);
  await desk.locator(".tile").filter({ has: desk.locator(".tile__film") }).last().click();
  const there = await plays(desk);
  await ranged;
  must(there.src.endsWith(`/files/${digest}`) && there.width === 320, `it plays on the desk: ${JSON.stringify(there)}`);
  await run.look(desk, "plays-on-the-desk", false);

  // At phone size, by the rules of accessibility; and on what the customer signs.
  const other = await run.someone(PHONE);
  await signIn(other, shop.address, NAME, PASSWORD);
  await other.goto(`${shop.address}/intake/${intake}`);
  await other.locator(".tile__film").nth(1).waitFor();
  await run.look(other, "shots");
  await other.goto(`${shop.address}/intake/${intake}/sheet`);
  await other.locator(".sheet__photo .tile__film").nth(1).waitFor();
  await run.look(other, "sheet");
} catch (e) {
  faults.push(String(e));
  await look("fault").catch(() => {});
  console.log((await phone.page?.locator("body").innerText().catch(() => ""))?.slice(0, 1500));
}
await phone.kill();
const status = await run.end();
await wire.stop();
await shop.stop();
const checked = await shop.check();
if (!checked.ok) console.log(`fault: check: ${checked.said}`);
console.log(checked.said.trim().split("\n").at(-1));
process.exit(status || !checked.ok ? 1 : 0);
