// No signal, no loss, in a real browser against a real server that is really stopped: a phone is paired, two machines are taken
// in with twelve photos and two signatures while nothing answers. The browser is killed between two photos, the storage is full
// once, the session runs out, the page is killed while it sends. When the server is back everything arrives, once, in order, with
// the bytes that were photographed; then `counterfoil check` finds nothing.
//
//   node browser/offline.mjs [SHOTS_DIR]

import { mkdirSync, readFileSync } from "node:fs";
import { join } from "node:path";
import * as counter from "./counter.mjs";
import { conclude, freePort, NAME, PASSWORD, Phone, photos, sha256, Shop, until } from "./rig.mjs";

const [shots] = process.argv.slice(2);
/** @type {string[]} */
const faults = [];
const must = (/** @type {unknown} */ so, /** @type {string} */ what) => so || faults.push(what);
// As shops run it: over HTTPS, and so over HTTP/2.
const shop = new Shop(await freePort(), { tls: true });
// A server that is not there is what this is about; the browser says it too.
const phone = new Phone(faults, ["Failed to load resource", "ERR_CONNECTION_REFUSED"]);
const files = await photos(12);
let number = 0;
async function look(/** @type {string} */ name) {
  number += 1;
  if (!shots) return;
  mkdirSync(shots, { recursive: true });
  await phone.page.screenshot({ path: join(shots, `${String(number).padStart(2, "0")}-${name}.png`), fullPage: true });
}

try {
  await shop.start();
  phone.space = { origin: shop.address, quotaSize: 40_000_000 };
  await phone.start();
  await phone.page.goto(await shop.pairing());
  await phone.page.getByRole("link", { name: "Take a machine in" }).last().waitFor();
  await phone.ready();
  await phone.page.goto(`${shop.address}/unsent`);
  await phone.page.getByText("opens here without a connection").waitFor();
  await look("this-phone");

  await shop.stop();

  // The first machine. The phone kills the browser between two photos.
  await phone.page.goto(`${shop.address}/`);
  const first = await counter.open(phone.page);
  for (const file of files.slice(0, 3)) await counter.shoot(phone.page, file);
  await phone.kill();
  await phone.start();
  await phone.page.goto(`${shop.address}/intake/${first}`);
  await phone.page.getByText(/3 on this phone only|3 on the phone/).first().waitFor();
  await look("after-the-kill");
  for (const file of files.slice(3, 6)) await counter.shoot(phone.page, file);
  await counter.answer(phone.page, { words: "Dies when I give it gas.", serial: "7K-20931", owner: "M. Okafor" });
  await counter.takeIn(phone.page);
  await phone.page.getByText("Not yet accepted").waitFor();
  await look("held-signed");

  // The second one. Its second photo finds the phone full: nothing is said to be taken that is not.
  await phone.page.goto(`${shop.address}/`);
  const second = await counter.open(phone.page);
  await counter.shoot(phone.page, files[6]);
  await phone.fill();
  const wanted = await counter.nextShot(phone.page);
  const chooser = phone.page.waitForEvent("filechooser");
  await phone.page.locator("#shoot").click();
  await (await chooser).setFiles(files[7]);
  await phone.page.getByText("no space left on this phone").waitFor();
  await look("full");
  must((await counter.nextShot(phone.page)) === wanted, "a photo that was not kept is still asked for");
  await phone.empty();
  for (const file of files.slice(7)) await counter.shoot(phone.page, file);
  await counter.answer(phone.page, { words: "Chain will not stop.", serial: "7K-20944", owner: "R. Lindqvist" });
  await counter.takeIn(phone.page);
  await phone.page.getByText("Not yet accepted").waitFor();

  // Offline the record is whole: both stand on the desk, and a reload shows them.
  await phone.page.goto(`${shop.address}/`);
  await phone.page.getByText("7K-20931").or(phone.page.getByText("Alder 46")).first().waitFor();
  await look("desk-offline");
  await phone.page.locator("details.menu > summary").click();
  await phone.page.getByRole("button", { name: "Sign out" }).click();
  await phone.page.locator("#leave").getByText("on this phone only").waitFor();
  await look("sign-out");
  await phone.page.getByRole("button", { name: "Stay signed in" }).click();
  const before = await phone.store();
  must(before.entries.every((/** @type {any} */ e) => e.index === undefined), "nothing was sent while nothing answered");
  const waiting = before.queue.length;

  // Back, but the session ran out meanwhile: everything waits until the same person is in again.
  await phone.page.context().clearCookies();
  await shop.start();
  await phone.page.goto(`${shop.address}/unsent`);
  await phone.page.locator("a[href='/sign-in?to=/unsent']").click();
  must((await phone.store()).queue.length === waiting, "nothing goes out, and nothing is lost, while nobody is signed in");
  await phone.page.getByLabel("Sign-in name").fill(NAME);
  await phone.page.getByLabel("Password").fill(PASSWORD);
  await phone.page.getByRole("button", { name: "Sign in" }).click();

  // The page is killed while the queue is going out.
  await until("the queue begins to go out", async () => {
    const { queue } = await phone.store();
    return queue.length < waiting - 3;
  });
  await phone.crash();
  await phone.page.goto(`${shop.address}/unsent`);
  const left = (await phone.store()).queue.length;
  console.log(`${waiting} waited; the page was killed when at most ${left} were left`);
  await phone.page.getByText("Everything on this phone is stored").waitFor({ timeout: 120_000 });
  await look("all-sent");
  await phone.page.goto(`${shop.address}/intake/${first}/done`);
  await phone.page.getByText(/Taken into our care on/).waitFor();
  await look("accepted");

  // What the server has is what the phone said: each once, in its order, byte for byte.
  let sent = 0;
  /** @type {string[]} */
  const tags = [];
  for (const intake of [first, second]) {
    const here = before.entries.filter((/** @type {any} */ e) => e.intake === intake).sort((/** @type {any} */ a, /** @type {any} */ b) => a.seq - b.seq);
    const there = (await shop.entries(intake)).filter((e) => e.said.author.staff);
    must(JSON.stringify(there.map((e) => e.said.id)) === JSON.stringify(here.map((/** @type {any} */ e) => e.id)), `the entries of ${intake} are the phone's, each once, in order: ${there.length} for ${here.length}`);
    sent += there.length;
    const taken = there.filter((e) => e.said.type === "photo-taken");
    const mine = files.slice(intake === first ? 0 : 6, intake === first ? 6 : 12).map((f) => sha256(readFileSync(f)));
    must(JSON.stringify(taken.map((e) => e.said.body.file)) === JSON.stringify(mine.map((d) => `sha256:${d}`)), `the photos of ${intake} in the order they were taken`);
    for (const digest of mine) {
      const bytes = new Uint8Array(await (await shop.get(`/files/${digest}`)).arrayBuffer());
      must(sha256(bytes) === digest, `the bytes of ${digest}`);
    }
    const view = await (await shop.get(`/intakes/${intake}`)).json();
    must(view.intake.state === "in care", `${intake} is ${view.intake.state}`);
    tags.push(there[0].said.body.tag);
  }
  must(tags[0] !== tags[1], `two tags: ${tags}`);
  console.log(`${sent} entries and 12 photos arrived once, in order, digests equal; tags ${tags.join(", ")}`);
} catch (e) {
  faults.push(String(e));
  await look("fault").catch(() => {});
  console.log((await phone.page?.locator("body").innerText().catch(() => ""))?.slice(0, 1500));
} finally {
  await phone.kill();
  await shop.stop();
}
await conclude(shop, faults);
