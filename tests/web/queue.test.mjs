// The queue against a server that loses, repeats, refuses and is not there. No test waits for time to pass.
import assert from "node:assert/strict";
import { test } from "node:test";
import * as read from "../../server/web/core/read.js";
import * as sync from "../../server/web/core/sync.js";
import * as write from "../../server/web/core/write.js";
import { BO, FakeServer, KIND_DIGEST, PHONE, device, json, lost, portal, problem } from "./fakes.mjs";

const photo = (bytes = [1, 2, 3]) => new File([new Uint8Array(bytes)], "IMG_1.JPG", { type: "image/jpeg" });
/** A device with an intake, made while there was no network. */
async function opened(more) {
  const dev = await device(more);
  dev.server.open = false;
  const id = await write.openIntake(dev.ctx, KIND_DIGEST, "0417");
  await dev.rest();
  return { ...dev, id };
}
/** The network is back, and everything is tried at once. */
const online = async ({ server, ctx }) => {
  server.open = true;
  await ctx.queue.nudge();
};

test("offline work is kept and goes out in order once there is a network", async () => {
  const dev = await opened();
  await write.say(dev.ctx, dev.id, "machine-described", { field: "make", value: "Alder", from: "typed" });
  await write.takePhoto(dev.ctx, dev.id, photo(), { view: "front" });
  await dev.rest();
  assert.equal((await dev.queue()).length, 4);
  assert.equal((await read.intake(dev.ctx, dev.id)).unsent, 4);
  assert.equal((await read.intake(dev.ctx, dev.id)).state.machine.make.value, "Alder");

  await online(dev);
  assert.deepEqual(dev.server.seen, ["POST entries", "POST entries", "POST entries", "PUT files/…"]);
  assert.deepEqual(dev.server.log.map((e) => e.said.type), ["intake-opened", "machine-described", "photo-taken"]);
  assert.deepEqual(await dev.queue(), []);
  const view = await read.intake(dev.ctx, dev.id);
  assert.deepEqual([view.unsent, view.state.last_index, view.photos[0].status.state], [0, 2, "stored and checked"]);
});

test("requests carry the client, the newest checkpoint and the measured clock", async () => {
  const dev = await opened();
  dev.server.open = true;
  await dev.ctx.transport.about();
  // The fake server's clock is 312 ms ahead of the device's.
  assert.deepEqual(dev.ctx.transport.measured, { offset_ms: 312, round_trip_ms: 0 });
  await dev.ctx.queue.nudge();
  await write.say(dev.ctx, dev.id, "moved", { place: "rack 2" });
  await dev.rest();
  const [first, second] = dev.server.headers;
  assert.equal(first["Counterfoil-Client"], "web/test");
  assert.equal(first["Counterfoil-Checkpoint"], undefined);
  assert.match(Buffer.from(second["Counterfoil-Checkpoint"], "base64url").toString(), /^tarn\/.*\/1\n1\n/);
});

test("an answer that is lost after the server kept the entry: sent again, kept once", async () => {
  const dev = await opened();
  dev.server.next = [(own) => (own(), lost())];
  await online(dev);
  assert.equal((await dev.queue()).length, 1);
  assert.equal(dev.server.log.length, 1);
  await dev.tick(60_000);
  assert.deepEqual(await dev.queue(), []);
  assert.equal(dev.server.log.length, 1);
  assert.deepEqual(dev.server.seen, ["POST entries", "POST entries"]);
});

test("a page that is closed while sending leaves nothing behind that is not tried again", async () => {
  const dev = await opened();
  const [row] = await dev.queue();
  await dev.ctx.store.write(["queue"], (w) => w.put("queue", { ...row, state: "sending" }));
  const later = await device({ server: dev.server, factory: dev.factory });
  later.server.open = true;
  await later.ctx.queue.drain();
  assert.deepEqual(await later.queue(), []);
});

test("a sign-in page of the network is no success, whatever its status", async () => {
  const dev = await opened();
  dev.server.next = [portal, () => json(200, { digest: `sha256:${"0".repeat(64)}`, index: 5 }), () => new Response("", { status: 204 })];
  for (let i = 0; i < 3; i++) {
    await online(dev);
    const [row] = await dev.queue();
    assert.equal(row.state, "waiting");
    assert.equal(dev.server.log.length, 0);
  }
  assert.equal((await read.intake(dev.ctx, dev.id)).state.opened.mark.index, undefined);
  await online(dev);
  assert.deepEqual(await dev.queue(), []);
});

test("without a network waits grow, and nothing is tried before they are over", async () => {
  const dev = await opened();
  const tries = [];
  dev.server.open = true;
  dev.server.next = Array(4).fill(lost);
  for (let at = 0; at < 60; at++) {
    const before = dev.server.seen.length;
    await dev.tick(1000);
    if (dev.server.seen.length > before) tries.push(at + 1);
  }
  // chance() is 0.5: waits of 0.75 × 1, 2, 4, 8 s, never looked at sooner than after 2 s.
  assert.equal(tries.length, 5);
  const waits = tries.slice(1).map((t, i) => t - tries[i]);
  assert.ok(waits.every((w, i) => i === 0 || w >= waits[i - 1]), String(waits));
  assert.deepEqual(await dev.queue(), []);
});

test("refused for good: kept, shown with its sentence, and the rest moves on", async () => {
  const dev = await opened();
  await write.say(dev.ctx, dev.id, "moved", { place: "rack 2" });
  await write.say(dev.ctx, dev.id, "machine-described", { field: "make", value: "Alder", from: "typed" });
  dev.server.next = [undefined, () => problem(409, "id-used", "never")];
  await online(dev);
  const view = await read.intake(dev.ctx, dev.id);
  assert.deepEqual(view.refused.map((r) => [r.type, r.problem.type, r.problem.detail]), [["moved", "/problems/id-used", "A sentence about id-used."]]);
  // What the server refused is no fact: the page shows it as refused, not as said.
  assert.equal(view.state.place, undefined);
  assert.equal(view.state.machine.make.mark.index, 1);
  const summary = await sync.summary(dev.ctx);
  assert.deepEqual([summary.waiting, summary.refused], [0, 1]);

  await sync.tryAgain(dev.ctx, view.refused[0].key);
  assert.deepEqual(await dev.queue(), []);
  assert.equal((await read.intake(dev.ctx, dev.id)).state.place.place, "rack 2");
});

test("a refused file is terminal for itself alone; set aside it is out of the way", async () => {
  const dev = await opened();
  const first = await write.takePhoto(dev.ctx, dev.id, photo([1]), { view: "front" });
  const second = await write.takePhoto(dev.ctx, dev.id, photo([2]), { view: "front" });
  dev.server.next = [undefined, undefined, undefined, () => problem(413, "too-large", "never")];
  await online(dev);
  assert.equal(dev.server.files.size, 1);
  const status = await read.photoStatus(dev.ctx, first.photo);
  assert.deepEqual([status.state, status.problem.type], ["refused", "/problems/too-large"]);
  assert.equal((await read.photoStatus(dev.ctx, second.photo)).state, "stored and checked");
  // Its bytes are still here.
  assert.equal(await read.photoUrl(dev.ctx, first.photo, "small"), "blob:1");
  const [row] = await dev.queue();
  await sync.setAside(dev.ctx, row.key);
  assert.equal((await sync.summary(dev.ctx)).refused, 0);
  assert.equal((await read.intake(dev.ctx, dev.id)).unsent, 0);
});

test("wrong bytes on the way: the file is sent again after a while", async () => {
  const dev = await opened();
  await write.takePhoto(dev.ctx, dev.id, photo(), {});
  dev.server.next = [undefined, undefined, () => problem(400, "wrong-bytes", "same")];
  await online(dev);
  assert.equal((await dev.queue()).length, 1);
  await dev.tick(2_500);
  assert.deepEqual(await dev.queue(), []);
  assert.equal(dev.server.files.size, 1);
});

test("bytes that changed on the phone are never sent", async () => {
  const dev = await opened();
  const { file } = await write.takePhoto(dev.ctx, dev.id, photo(), {});
  await dev.rest();
  await dev.ctx.store.write(["file_bytes"], (w) => w.put("file_bytes", { digest: file, bytes: new Uint8Array([9]).buffer }));
  await online(dev);
  const [row] = await dev.queue();
  assert.deepEqual([row.state, row.problem.type], ["refused", "/problems/device/file-changed"]);
  assert.ok(!dev.server.seen.includes("PUT files/…"));
});

test("a refused opening holds its intake back until it is given another tag", async () => {
  const dev = await opened();
  await write.say(dev.ctx, dev.id, "moved", { place: "rack 2" });
  dev.server.next = [() => problem(409, "tag-used", "changed")];
  await online(dev);
  assert.deepEqual(dev.server.seen, ["POST entries"]);
  assert.equal((await read.intake(dev.ctx, dev.id)).refused[0].problem.type, "/problems/tag-used");
  await write.changeTag(dev.ctx, dev.id, "0418");
  await dev.rest();
  assert.deepEqual(dev.server.log.map((e) => [e.said.type, e.said.body.tag ?? e.said.body.place]), [["intake-opened", "0418"], ["moved", "rack 2"]]);
  assert.equal((await read.intake(dev.ctx, dev.id)).state.tag, "0418");
  assert.deepEqual(await dev.queue(), []);
});

test("a photo whose entry is refused is not sent", async () => {
  const dev = await opened();
  await write.takePhoto(dev.ctx, dev.id, photo(), { view: "nowhere" });
  dev.server.next = [undefined, () => problem(422, "not-valid", "changed")];
  await online(dev);
  assert.deepEqual(dev.server.seen, ["POST entries", "POST entries"]);
  const rows = await dev.queue();
  await sync.setAside(dev.ctx, rows[0].key);
  assert.deepEqual((await dev.queue()).map((r) => r.state), ["aside", "aside"]);
});

for (const type of ["taken-in", "opened-up", "handed-back"]) test(`${type} waits for every file before it; typing does not`, async () => {
  const dev = await opened();
  await write.takePhoto(dev.ctx, dev.id, photo(), { view: "front" });
  await write.say(dev.ctx, dev.id, "moved", { place: "counter" });
  await write.say(dev.ctx, dev.id, type, {});
  dev.server.next = [undefined, undefined, undefined, lost];
  await online(dev);
  assert.ok(!dev.server.log.some((e) => e.said.type === type));
  await online(dev);
  assert.deepEqual(await dev.queue(), []);
  assert.equal(dev.server.log.at(-1).said.type, type);
});

test("an acceptance that only waits for the server to look at a photo goes again by itself; any other gap is a person's", async () => {
  const gaps = (/** @type {string[]} */ keys) => () => json(409, { type: "/problems/gaps", title: "gaps", status: 409, detail: "Not complete.", retry: "changed", gaps: keys.map((key) => ({ gap: "view:front", due: "at counter", key, with: {} })) }, { "Content-Type": "application/problem+json" });
  const dev = await opened();
  await write.say(dev.ctx, dev.id, "taken-in", {});
  dev.server.next = [undefined, gaps(["gap.view.waiting"])];
  await online(dev);
  assert.deepEqual((await dev.queue()).map((r) => [r.type, r.state]), [["taken-in", "waiting"]]);
  await dev.tick(2_500);
  assert.deepEqual(await dev.queue(), []);
  dev.server.next = [gaps(["gap.view.waiting", "gap.view.poor"])];
  await write.say(dev.ctx, dev.id, "taken-in", {});
  await dev.rest();
  assert.deepEqual((await dev.queue()).map((r) => r.state), ["refused"]);
});

test("signed out: everything waits, nothing is refused, until somebody signs in", async () => {
  const dev = await opened();
  dev.server.next = [() => problem(401, "not-signed-in", "changed")];
  await online(dev);
  const summary = await sync.summary(dev.ctx);
  assert.deepEqual([summary.waiting, summary.refused, summary.paused.type], [1, 0, "/problems/not-signed-in"]);
  assert.equal(dev.timers.size, 0);
  await dev.ctx.queue.nudge();
  assert.deepEqual(await dev.queue(), []);
});

test("the shop waits for a code first: everything waits, nothing is refused, and goes once it is there", async () => {
  const dev = await opened();
  dev.server.next = [() => problem(403, "code-due", "changed")];
  await online(dev);
  const summary = await sync.summary(dev.ctx);
  assert.deepEqual([summary.waiting, summary.refused, summary.paused.type], [1, 0, "/problems/code-due"]);
  await dev.ctx.queue.nudge();
  assert.deepEqual(await dev.queue(), []);
});

test("a server behind its own history: nothing more is sent, nothing is lost", async () => {
  const dev = await opened();
  await write.say(dev.ctx, dev.id, "moved", { place: "rack 2" });
  dev.server.next = [() => problem(503, "history-behind", "never")];
  await online(dev);
  const summary = await sync.summary(dev.ctx);
  assert.deepEqual([summary.waiting, summary.refused, summary.paused.type], [2, 0, "/problems/history-behind"]);
  assert.equal(dev.server.seen.length, 1);
});

test("later: the server's own wait is kept", async () => {
  const dev = await opened();
  dev.server.next = [() => problem(429, "too-many", "later", { "Retry-After": "30" })];
  await online(dev);
  await dev.tick(29_000);
  assert.equal(dev.server.seen.length, 1);
  await dev.tick(1_000);
  assert.equal(dev.server.seen.length, 2);
  assert.deepEqual(await dev.queue(), []);
});

test("what another person said waits for that person; their photos do not", async () => {
  const dev = await opened();
  await online(dev);
  dev.server.open = false;
  dev.server.seen = [];
  await write.takePhoto(dev.ctx, dev.id, photo(), { view: "front" });
  await write.say(dev.ctx, dev.id, "moved", { place: "rack 2" });
  await dev.rest();
  dev.ctx.session = { ...dev.ctx.session, staff: BO, name: "Bo" };
  await write.say(dev.ctx, dev.id, "machine-described", { field: "make", value: "Alder", from: "typed" });
  await online(dev);
  assert.deepEqual(dev.server.log.map((e) => e.said.type), ["intake-opened", "machine-described"]);
  assert.equal((await dev.queue()).length, 3);
});

test("one tab sends: the lease of another is respected, and taken over when it ends", async () => {
  const dev = await opened();
  await dev.ctx.store.write(["meta"], (w) => w.setMeta("lease", { holder: "another tab", until: dev.now() + 10_000 }));
  await online(dev);
  assert.deepEqual(dev.server.seen, []);
  await dev.tick(10_001);
  assert.deepEqual(await dev.queue(), []);
  assert.equal(await dev.meta("lease"), undefined);
});

test("one tab sends: with Web Locks the lock decides", async () => {
  let free = false;
  const locks = { request: async (_name, _options, work) => work(free ? {} : null) };
  const dev = await opened({ edge: { locks } });
  await online(dev);
  assert.deepEqual(dev.server.seen, []);
  free = true;
  await dev.tick(2_000);
  assert.deepEqual(await dev.queue(), []);
});

test("the same tag is not given out twice on one device", async () => {
  const dev = await opened();
  await assert.rejects(write.openIntake(dev.ctx, KIND_DIGEST, " 0417 "), { message: /another machine/ });
  await assert.rejects(write.openIntake(dev.ctx, KIND_DIGEST, "no tag!"), { message: /12 letters/ });
});

test("a duplicate drain sends once", async () => {
  const dev = await opened();
  dev.server.open = true;
  await Promise.all([dev.ctx.queue.nudge(), dev.ctx.queue.drain(), dev.ctx.queue.drain()]);
  assert.deepEqual(dev.server.seen, ["POST entries"]);
  assert.equal(PHONE.length, 36);
});
