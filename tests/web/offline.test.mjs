// What keeps work from being lost beside the queue: notes of taps, clocks that are set, tags of a device, versions, the app kept
// on the device.
import assert from "node:assert/strict";
import { test } from "node:test";
import { clockOff, covering, lasting } from "../../server/web/core/clock.js";
import { device as describe } from "../../server/web/core/device.js";
import { about } from "../../server/web/core/enter.js";
import { Journal } from "../../server/web/core/journal.js";
import { keeper } from "../../server/web/core/keeper.js";
import * as read from "../../server/web/core/read.js";
import * as sync from "../../server/web/core/sync.js";
import { freeTags, leaseTags } from "../../server/web/core/tags.js";
import { otherBuild, tooOld } from "../../server/web/core/versions.js";
import * as write from "../../server/web/core/write.js";
import { BO, FakeServer, KIND_DIGEST, RAVI, SHOP, device, json, lost, problem } from "./fakes.mjs";

const STROKES = `sha256:${"5".repeat(64)}`;
/** A shelf as browsers have it. */
function shelf() {
  const rows = new Map();
  return {
    rows, get length() { return rows.size; },
    key: (i) => [...rows.keys()][i] ?? null, getItem: (k) => rows.get(k) ?? null, setItem: (k, v) => void rows.set(k, v), removeItem: (k) => void rows.delete(k),
  };
}
async function opened(more) {
  const dev = await device(more);
  const id = await write.openIntake(dev.ctx, KIND_DIGEST, "0417");
  await dev.rest();
  return { ...dev, id };
}
const moved = [{ type: "moved", body: { place: "rack 2" } }];
/** A store whose transactions never end, as when the tab is closed in the middle of one. */
const closing = (ctx) => {
  ctx.store.write = () => new Promise(() => {});
};

test("a tap is noted before anything is waited for, and the note is gone once it is kept", async () => {
  const kept = shelf();
  const dev = await opened({ edge: { shelf: kept } });
  const saying = write.sayAll(dev.ctx, dev.id, moved);
  assert.equal(kept.rows.size, 1);
  await saying;
  assert.equal(kept.rows.size, 0);
});

test("what a closed tab had noted is said at the next start, with the time of the tap, once", async () => {
  const kept = shelf();
  const dev = await opened({ edge: { shelf: kept } });
  const at = new Date(dev.now()).toISOString();
  closing(dev.ctx);
  write.sayAll(dev.ctx, dev.id, [...moved, { type: "statement-made", body: { topic: "complaint", heard_by: RAVI }, personal: { text: "Dies." } }]);
  const later = await device({ server: dev.server, factory: dev.factory, edge: { shelf: kept } });
  await later.tick(60_000);
  await write.sayWhatWasNoted(later.ctx);
  await write.sayWhatWasNoted(later.ctx);
  await later.rest();
  const { state } = await read.intake(later.ctx, dev.id);
  assert.deepEqual([state.place.place, state.statements.complaint.text, state.place.mark.device_at], ["rack 2", "Dies.", at]);
  assert.deepEqual(dev.server.log.map((e) => e.said.type), ["intake-opened", "moved", "statement-made"]);
  assert.equal(kept.rows.size, 0);
});

test("a note that was kept after all is not said again", async () => {
  const kept = shelf();
  const dev = await opened({ edge: { shelf: kept } });
  kept.removeItem = () => {};
  await write.sayAll(dev.ctx, dev.id, [{ type: "statement-made", body: { topic: "complaint", heard_by: RAVI }, personal: { text: "Dies." } }]);
  await dev.rest();
  const before = dev.server.seen.length;
  await write.sayWhatWasNoted(dev.ctx);
  await dev.rest();
  const { refused, state } = await read.intake(dev.ctx, dev.id);
  assert.deepEqual([dev.server.seen.length, refused, state.statements.complaint.mark.index], [before, [], 1]);
});

test("a person who was told that something was not kept does not find it said later", async () => {
  const kept = shelf();
  const dev = await opened({ edge: { shelf: kept } });
  dev.ctx.store.write = () => Promise.reject(new DOMException("full", "QuotaExceededError"));
  await assert.rejects(write.sayAll(dev.ctx, dev.id, moved));
  assert.equal(kept.rows.size, 0);
});

test("another person's notes wait for that person; a shelf that is full or torn is no harm", async () => {
  const kept = shelf();
  const dev = await opened({ edge: { shelf: kept } });
  dev.ctx.journal.note({ shop: SHOP, staff: BO }, dev.id, moved);
  kept.rows.set("counterfoil-said:x", "{torn");
  await write.sayWhatWasNoted(dev.ctx);
  assert.deepEqual([...kept.rows.values()].map((v) => JSON.parse(v).staff), [BO]);
  const full = new Journal({ ...kept, setItem: () => { throw new DOMException("full", "QuotaExceededError"); } }, () => 0, (n) => new Uint8Array(n));
  assert.equal(full.note({ shop: SHOP, staff: RAVI }, dev.id, moved).facts.length, 1);
});

test("a clock that is set back two days holds nothing up", async () => {
  const dev = await opened();
  dev.server.next = [lost, () => problem(400, "wrong-bytes", "same"), () => problem(429, "too-many", "later", { "Retry-After": "30" })];
  await write.say(dev.ctx, dev.id, "moved", { place: "rack 2" });
  await dev.rest();
  for (const wrong of [1, 2, 3]) {
    const [row] = await dev.queue();
    // As it stands on the device once its clock was set: a moment two days ahead.
    await dev.ctx.store.write(["queue"], (w) => w.put("queue", { ...row, not_before: dev.now() + 2 * 86_400_000 }));
    dev.ctx.queue.holdUntil = dev.now() + 2 * 86_400_000;
    await dev.ctx.store.write(["meta"], (w) => w.setMeta("lease", { holder: "a tab of two days on", until: dev.now() + 2 * 86_400_000 }));
    await dev.ctx.queue.drain();
    assert.equal(dev.server.seen.length, 1 + 1 + wrong, `try ${wrong}`);
  }
  await dev.tick(60_000);
  assert.deepEqual(await dev.queue(), []);
});

test("a clock far off is named, one within the round trip is not", () => {
  assert.equal(clockOff(undefined), null);
  assert.equal(clockOff({ offset_ms: 119_000, round_trip_ms: 10 }), null);
  assert.equal(clockOff({ offset_ms: 150_000, round_trip_ms: 120_000 }), null);
  assert.deepEqual(clockOff({ offset_ms: 2 * 86_400_000, round_trip_ms: 80 }), { way: "behind", ms: 2 * 86_400_000 });
  assert.deepEqual(clockOff({ offset_ms: -3_600_000, round_trip_ms: 80 }), { way: "ahead", ms: 3_600_000 });
  assert.deepEqual([lasting(150_000), lasting(7_200_000), lasting(2 * 86_400_000)], [{ unit: "minutes", count: 3 }, { unit: "hours", count: 2 }, { unit: "days", count: 2 }]);
});

test("every entry goes out with the clock as measured at the last contact, and a phone two days wrong is told", async () => {
  const dev = await opened();
  dev.server.now = () => dev.now() + 2 * 86_400_000;
  await sync.start(dev.ctx);
  await dev.rest();
  await write.say(dev.ctx, dev.id, "moved", { place: "rack 2" });
  await dev.rest();
  assert.deepEqual((await describe(dev.ctx)).clock, { way: "behind", ms: 2 * 86_400_000 + 312 });
});

test("a clock that is set between saying and sending: the interval covers both", async () => {
  const hour = 3_600_000;
  assert.equal(covering(undefined, undefined), undefined);
  assert.deepEqual(covering({ offset_ms: 300, round_trip_ms: 80 }, { offset_ms: 9_000, round_trip_ms: 20 }), { offset_ms: 9_000, round_trip_ms: 20 });
  assert.deepEqual(covering({ offset_ms: hour, round_trip_ms: 80 }, { offset_ms: 0, round_trip_ms: 20 }), { offset_ms: hour / 2, round_trip_ms: hour + 80 });
  // In the app: measured right, said without a network, then the clock is set an hour ahead, then sent.
  const bodies = [];
  const server = new FakeServer();
  const own = server.fetch;
  server.fetch = (path, init) => {
    if (server.open && init.method === "POST" && path.endsWith("/entries")) bodies.push(JSON.parse(init.body).measured);
    return own(path, init);
  };
  const dev = await device({ server });
  await about(dev.ctx);
  server.open = false;
  await write.openIntake(dev.ctx, KIND_DIGEST, "0417");
  await dev.rest();
  const now = dev.ctx.edge.now;
  dev.ctx.edge.now = dev.ctx.transport.wire.now = () => now() + hour;
  dev.ctx.queue.parts.now = dev.ctx.edge.now;
  server.open = true;
  await about(dev.ctx);
  await dev.ctx.queue.nudge();
  assert.deepEqual([server.log.length, bodies.at(-1)], [1, { offset_ms: 312 - hour / 2, round_trip_ms: hour }]);
});

test("tags are set apart, offered one after the other, and asked for again when few are left", async () => {
  const server = new FakeServer();
  const given = [];
  const own = server.fetch;
  server.fetch = async (path, init) => {
    if (!path.endsWith("/tags/lease")) return own(path, init);
    if (!server.open) throw new TypeError("no network");
    given.push(JSON.parse(init.body).count);
    return json(200, { tags: Array.from({ length: 20 }, (_, i) => String(21 + i).padStart(4, "0")) });
  };
  const dev = await device({ server });
  assert.deepEqual(await freeTags(dev.ctx), []);
  await leaseTags(dev.ctx);
  await leaseTags(dev.ctx);
  assert.deepEqual(given, [20]);
  server.open = false;
  for (let i = 0; i < 9; i += 1) await write.openIntake(dev.ctx, KIND_DIGEST, (await freeTags(dev.ctx))[0]);
  await dev.rest();
  assert.equal((await freeTags(dev.ctx))[0], "0030");
  // Nobody answers: what is left is offered.
  await assert.rejects(leaseTags(dev.ctx));
  assert.equal((await freeTags(dev.ctx)).length, 11);
  server.open = true;
  await leaseTags(dev.ctx);
  assert.deepEqual(given, [20, 20]);
});

test("a tag whose intake the server took, before the list names it, is not offered again", async () => {
  const dev = await device();
  const { shop } = dev.ctx.session ?? {};
  await dev.ctx.store.write(["meta"], (w) => w.setMeta(`tags:${shop}`, ["0021", "0022"]));
  await write.openIntake(dev.ctx, KIND_DIGEST, "0021");
  await dev.rest();
  await dev.ctx.store.write(["queue", "intakes"], async (w) => {
    for (const row of await w.all("queue")) await w.remove("queue", row.key);
    for (const row of await w.all("intakes")) await w.remove("intakes", row.id);
  });
  assert.deepEqual(await freeTags(dev.ctx), ["0022"]);
});

test("versions: a server that needs a newer client stops the queue and loses nothing", async () => {
  assert.deepEqual([tooOld({ client_minimum: 1 }), tooOld({ client_minimum: 2 }), tooOld(null), tooOld({ client_minimum: "9" })], [false, true, false, false]);
  assert.deepEqual([otherBuild({ client_build: "b" }, "web/a"), otherBuild({ client_build: "a" }, "web/a"), otherBuild({}, "web/a"), otherBuild({ client_build: "a" }, "web/source")], [true, false, false, false]);
  const dev = await opened();
  dev.ctx.about = { client_minimum: 2 };
  const before = dev.server.seen.length;
  await write.say(dev.ctx, dev.id, "moved", { place: "rack 2" });
  await dev.rest();
  const summary = await sync.summary(dev.ctx);
  assert.deepEqual([dev.server.seen.length, summary.waiting, summary.paused.type], [before, 1, "/problems/device/client-too-old"]);
  dev.ctx.about = { client_minimum: 1 };
  await dev.ctx.queue.nudge();
  assert.deepEqual(await dev.queue(), []);
});

test("an acceptance that was refused is over once it is said again", async () => {
  const dev = await opened();
  dev.server.next = [() => problem(409, "gaps", "changed")];
  await write.say(dev.ctx, dev.id, "taken-in", {});
  await dev.rest();
  assert.equal((await read.intake(dev.ctx, dev.id)).refused.length, 1);
  await write.say(dev.ctx, dev.id, "taken-in", {});
  await dev.rest();
  const view = await read.intake(dev.ctx, dev.id);
  assert.deepEqual([view.refused, view.state.state, view.unsent], [[], "in care", 0]);
});

test("an erased photo leaves the phone: its bytes, what waits to be sent of it, its picture", async () => {
  const dev = await opened();
  await dev.ctx.queue.nudge();
  dev.server.next = [undefined, lost];
  const taken = await write.takePhoto(dev.ctx, dev.id, new File([new Uint8Array([4, 2])], "a.jpg", { type: "image/jpeg" }), { view: "front" });
  await dev.rest();
  assert.deepEqual((await dev.queue()).map((r) => r.what), ["file"]);
  assert.equal(await read.photoUrl(dev.ctx, taken.photo, "small"), "blob:2");
  const said = { ...dev.server.log[0].said, id: "0193b0e8-0000-7000-8000-0000000000ee", type: "photo-erased", body: { photo: taken.photo, because: "a bystander" } };
  dev.server.log.push({ said, digest: "", disclosures: [], kept: { at: "2026-11-25T13:05:00.000Z" } });
  await sync.fetchIntake(dev.ctx, dev.id);
  assert.deepEqual(await dev.queue(), []);
  assert.deepEqual(await dev.ctx.store.read(["file_bytes"], (w) => w.all("file_bytes")), []);
  assert.equal(await read.photoUrl(dev.ctx, taken.photo, "small"), null);
});

/** Says by the server that a customer was erased up to the newest entry; gives its index. */
function erasedBy(server, id, more = {}) {
  const upto = server.log.length - 1;
  const said = { ...server.log[0].said, id: `0193b0e8-0000-7000-8000-0000000000e${upto % 10}`, intake: id, type: "customer-erased", body: { erasure: SHOP, why: "customer asked", upto, details: [], photos: [], files: [], ...more } };
  server.log.push({ said, digest: "", disclosures: [], kept: { at: "2026-11-25T13:05:00.000Z" } });
  return server.log.length - 1;
}
/** Every byte the phone keeps, as text: what is personal lies in disclosures, and on the shelf of noted taps. */
async function everything(dev, kept) {
  const stores = ["entries", "files", "queue", "meta", "intakes"];
  const rows = await dev.ctx.store.read(stores, async (w) => Promise.all(stores.map((s) => w.all(s))));
  const plain = rows.flat().map((r) => JSON.stringify(r)).join("\n");
  const disclosed = rows[0].flatMap((r) => r.disclosures).map((d) => Buffer.from(d, "base64url").toString());
  const cached = [...dev.ctx.entries.values()].map((e) => JSON.stringify(e.body));
  return [plain, ...disclosed, ...cached, ...(kept?.rows.values() ?? [])].join("\n");
}

test("a customer who was erased leaves the phone: what was said, what waits, signatures, the list's row, what was noted", async () => {
  const kept = shelf();
  const dev = await opened({ edge: { shelf: kept } });
  const { ctx, server, id } = dev;
  await write.say(ctx, id, "person-named", { who: "owner" }, { name: "Q. Quillfeather", phone: "6699741" });
  await write.say(ctx, id, "moved", { place: "rack 2" });
  await dev.rest();
  await ctx.store.write(["intakes", "files", "file_bytes"], async (w) => {
    await w.put("intakes", { id, shop: SHOP, revision: 1, opened: 0, tag: "0417", state: "handed back", summary: { owner: "Q. Quillfeather", complaint: "a rattle for Quillfeather", make: "Alder" } });
    await w.put("files", { digest: STROKES, shop: SHOP, intake: id, size: 3, mime: "", of: "strokes", photos: [], bytes_here: true, taken_at: 0 });
    await w.put("file_bytes", { digest: STROKES, bytes: new Uint8Array([1, 2, 3]).buffer });
  });
  // Said without a network, and not said any more: it would bring the number back.
  server.open = false;
  await write.say(ctx, id, "contact-tried", { how: "by phone", result: "no answer", about: "ready" }, { number: "Quillfeather 6699741" });
  await write.say(ctx, id, "moved", { place: "rack 3" });
  ctx.journal.note(ctx.session, id, [{ type: "words-heard", body: { how: "by phone" }, personal: { text: "Quillfeather again" } }]);
  await dev.rest();
  await read.intake(ctx, id);
  assert.match(await everything(dev, kept), /Quillfeather/);
  erasedBy(server, id, { files: [STROKES] });
  server.open = true;
  await sync.fetchIntake(ctx, id);
  await dev.rest();
  assert.doesNotMatch(await everything(dev, kept), /Quillfeather|6699741/);
  assert.deepEqual(await ctx.store.read(["file_bytes"], (w) => w.all("file_bytes")), []);
  const view = await read.intake(ctx, id);
  assert.deepEqual([view.state.people.owner.name, view.state.erasures.length, view.state.place.place], [undefined, 1, "rack 3"]);
  assert.deepEqual((await read.list(ctx, {})).items.map((i) => [i.owner, i.make]), [[undefined, "Alder"]]);
  // What names nobody still goes.
  await ctx.queue.nudge();
  assert.deepEqual([await dev.queue(), server.log.at(-1).said.body.place], [[], "rack 3"]);
});

test("a phone that was away, or closed in the middle, lets go when it is back; what is said afterwards stays", async () => {
  const dev = await opened();
  const { ctx, server, id } = dev;
  await write.say(ctx, id, "person-named", { who: "owner" }, { name: "Q. Quillfeather" });
  await dev.rest();
  const other = "0193b0e8-0000-7000-8000-0000000000c9";
  await ctx.store.write(["intakes"], (w) => w.put("intakes", { id: other, shop: SHOP, revision: 1, opened: 0, tag: "0009", state: "handed back", summary: { owner: "Old Quillfeather" } }));
  const index = erasedBy(server, id);
  // Fetched, and closed before it let go.
  ctx.store.write(["entries", "meta"], async (w) => {
    const row = server.log[index];
    await w.put("entries", { id: row.said.id, shop: SHOP, intake: id, seq: 0, said: row.said, text: "", digest: "", disclosures: [], index });
    await w.setMeta(`fetched:${id}`, index);
  });
  server.erasures = [{ intake: id, index }, { intake: other, index: index + 7 }];
  await sync.catchUp(ctx);
  assert.doesNotMatch(await everything(dev), /Quillfeather/);
  assert.equal(await dev.meta(`erasures:${SHOP}`), index + 7);
  await write.say(ctx, id, "contact-tried", { how: "by phone", result: "reached", about: "a new claim" }, { number: "4440808" });
  await dev.rest();
  assert.equal(server.log.at(-1).said.seen, index);
  await sync.catchUp(ctx);
  assert.match(await everything(dev), /4440808/);
  // The server does not take what was said before: it is not kept for another try either.
  server.next = [() => problem(410, "erased", "never")];
  const late = write.say(ctx, id, "contact-tried", { how: "by phone", result: "reached", about: "x" }, { number: "5550909" });
  await late;
  await dev.rest();
  assert.equal((await read.intake(ctx, id)).refused.length, 1);
});

test("what the server told is told until it was read", async () => {
  const dev = await opened();
  const told = [{ key: "told.changed", with: { who: BO } }];
  dev.server.next = [async (own) => json(201, { ...(await (await own()).json()), told })];
  await write.say(dev.ctx, dev.id, "moved", { place: "rack 2" });
  await dev.rest();
  assert.deepEqual((await read.intake(dev.ctx, dev.id)).told, told);
  await write.heard(dev.ctx, dev.id);
  assert.deepEqual((await read.intake(dev.ctx, dev.id)).told, []);
});

test("a connection that the system took away is opened again, and nothing that waits for it fails", async () => {
  const dev = await opened();
  dev.ctx.store.db.close();
  const [view, said] = await Promise.all([read.intake(dev.ctx, dev.id), write.say(dev.ctx, dev.id, "moved", { place: "rack 2" })]);
  assert.equal(view.state.tag, "0417");
  assert.equal((await read.history(dev.ctx, dev.id)).at(-1).said.id, said.id);
  // A newer version in another tab is no such thing: it stays closed and is said.
  dev.ctx.store.db.onversionchange();
  await assert.rejects(read.intake(dev.ctx, dev.id), { message: /Another tab/ });
});

// ---- the app kept on the device

/** A service worker's registration as browsers have it, moved by hand. */
function workers({ active = true } = {}) {
  const registration = new EventTarget();
  const container = new EventTarget();
  const fresh = () => Object.assign(new EventTarget(), { state: "installing", said: [], postMessage(what) { this.said.push(what); this.to("activated"); }, to(state) { this.state = state; this.dispatchEvent(new Event("statechange")); } });
  Object.assign(registration, { active: active ? {} : null, waiting: null, installing: null, update: async () => {} });
  Object.assign(container, { register: async () => registration, ready: Promise.resolve(registration) });
  return { registration, container, fresh };
}

test("the app: kept or not, a newer one waits until somebody wants it", async () => {
  const w = workers();
  let loaded = 0;
  const kept = keeper(/** @type {any} */ (w.container), () => (loaded += 1));
  let told = 0;
  kept.on(() => (told += 1));
  assert.equal(kept.kept(), false);
  await kept.look();
  assert.deepEqual([kept.kept(), kept.newer()], [true, false]);
  const next = w.fresh();
  w.registration.installing = next;
  w.registration.dispatchEvent(new Event("updatefound"));
  const before = told;
  next.to("installed");
  assert.ok(told > before);
  Object.assign(w.registration, { installing: null, waiting: next });
  assert.equal(kept.newer(), true);
  assert.deepEqual([loaded, next.said], [0, []]);
  await kept.take();
  assert.deepEqual([loaded, next.said], [1, ["take over"]]);
});

test("without a service worker, or without a newer one, the page is loaded anew all the same", async () => {
  let loaded = 0;
  await keeper(undefined, () => (loaded += 1)).take();
  const w = workers();
  await keeper(/** @type {any} */ (w.container), () => (loaded += 1)).take();
  w.container.register = async () => { throw new DOMException("no", "SecurityError"); };
  const none = keeper(/** @type {any} */ (w.container), () => (loaded += 1));
  await none.take();
  assert.deepEqual([loaded, none.kept()], [3, false]);
});

test("a newer build that does not come whole the first time is asked for again before the page is loaded anew", async () => {
  const w = workers();
  let loaded = 0;
  let asked = 0;
  const whole = w.fresh();
  w.registration.update = async () => {
    asked += 1;
    // The line breaks; then a build that breaks off while it is fetched; then a whole one.
    if (asked === 1) throw new TypeError("the network failed");
    const next = asked === 2 ? w.fresh() : whole;
    Object.assign(w.registration, { installing: next, waiting: null });
    setImmediate(() => {
      Object.assign(w.registration, { installing: null, waiting: asked === 2 ? null : next });
      next.to(asked === 2 ? "redundant" : "installed");
    });
  };
  await keeper(/** @type {any} */ (w.container), () => (loaded += 1)).take();
  assert.deepEqual([asked, loaded, whole.said], [3, 1, ["take over"]]);
  // A line that never bears it ends somewhere.
  w.registration.update = async () => { throw new TypeError("the network failed"); };
  Object.assign(w.registration, { installing: null, waiting: null });
  await keeper(/** @type {any} */ (w.container), () => (loaded += 1)).take();
  assert.equal(loaded, 2);
});
