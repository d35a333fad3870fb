// Films beside photos, and large files in parts: resumed after every kind of stop, whole in the end. No test waits for time to pass.
import assert from "node:assert/strict";
import { test } from "node:test";
import { filmLength } from "../../server/web/core/film.js";
import { PIECE } from "../../server/web/core/kept.js";
import { WHOLE } from "../../server/web/core/parts.js";
import * as read from "../../server/web/core/read.js";
import * as sync from "../../server/web/core/sync.js";
import * as write from "../../server/web/core/write.js";
import { digestOf } from "../../server/web/core/sha256.js";
import { KIND_DIGEST, device, json, lost, portal, problem } from "./fakes.mjs";
import { box, film, header, joined } from "./made-film.mjs";

const MB = 1024 * 1024;
const LARGE = film({ bytes: 9 * MB + 77 });
const file = (/** @type {Uint8Array<ArrayBuffer>} */ bytes, name = "VID_1.MP4") => new File([bytes], name, { type: "video/mp4" });
const photo = (/** @type {number[]} */ bytes) => new File([new Uint8Array(bytes)], "IMG_1.JPG", { type: "image/jpeg" });
const slug = (/** @type {string} */ s) => (/** @type {any} */ e) => e.problem?.type === `/problems/device/${s}`;
const held = (/** @type {any} */ dev) => dev.ctx.store.read(["file_bytes"], (/** @type {any} */ w) => w.keys("file_bytes"));
/** Requests with a part, by where it begins. */
const offsets = (/** @type {any} */ dev) => dev.server.seen.flatMap((/** @type {string} */ s) => /parts\/(\d+)$/.exec(s)?.[1] ?? []).map(Number);

/** A device with an intake that the server knows, and no network. @param {any} [more] */
async function opened(more) {
  const dev = await device(more);
  const id = await write.openIntake(dev.ctx, KIND_DIGEST, "0417");
  await dev.rest();
  dev.server.open = false;
  dev.server.seen = [];
  return { ...dev, id };
}
const online = async (/** @type {any} */ { server, ctx, rest }) => {
  // What was tried when it was said is over.
  await rest();
  server.open = true;
  await ctx.queue.nudge();
};

// ---- what a film says of itself

test("a film's header says how long it is, wherever it stands and however it counts", async () => {
  const long = box("moov", joined(header(7_500, { scale: 600, long: true })));
  for (const [bytes, ms] of /** @type {[Uint8Array<ArrayBuffer>, number | null][]} */ ([
    [film(), 12_500], [film({ first: true }), 12_500], [film({ brand: "qt  " }), 12_500], [film({ brand: "3gp5" }), 12_500], [film({ moov: long }), 12_500],
    [film({ moov: box("moov", header(0)) }), null], [film({ moov: box("moov", header(0xffff_ffff)) }), null],
    [film({ moov: box("moov", header(9, { scale: 0 })) }), null], [film({ moov: box("moov", box("mvhd", new Uint8Array(9))) }), null],
  ])) assert.equal(await filmLength(new Blob([bytes])), ms);
});

test("what is no film is told apart from one that is cut off", async () => {
  const whole = film();
  for (const bytes of [[], [0xff, 0xd8, 0xff, 0xe0], [...film({ brand: "heic" })], [...film({ brand: "avif" })], [0, 0, 0, 0], [...whole.slice(8)]]) {
    assert.equal(await filmLength(new Blob([new Uint8Array(bytes)])), undefined);
  }
  for (let cut = 20; cut < whole.length; cut += 1) {
    const ms = await filmLength(new Blob([whole.slice(0, cut)]));
    assert.ok(ms === null || ms === 12_500, `${cut}: ${ms}`);
  }
});

test("box lengths that make no sense end the walk", async () => {
  for (const size of [0, 1, 2, 7, 0xffff_ffff]) {
    const bytes = film();
    new DataView(bytes.buffer).setUint32(20, size);
    assert.equal(await filmLength(new Blob([bytes])), null, String(size));
  }
});

// ---- kept, and refused before it is kept

test("a film is kept beside the photos, fills no view, and says how long it is", async () => {
  const dev = await opened();
  const bytes = film();
  const { photo: id, file: digest } = await write.takeFilm(dev.ctx, dev.id, file(bytes), {});
  assert.equal(digest, digestOf(bytes));
  const view = await read.intake(dev.ctx, dev.id);
  const [fact] = view.photos;
  assert.deepEqual([fact.film, fact.film_ms, fact.view, fact.number, fact.status.state], [true, 12_500, undefined, 1, "on the phone only"]);
  assert.ok(view.check.gaps.some((g) => g.gap === "view:front"));
  const entry = (await read.history(dev.ctx, dev.id)).at(-1);
  assert.deepEqual([entry.said.body.film, entry.body.file_name], [true, "VID_1.MP4"]);
  // There is no picture of it; it plays from the phone, and from the server once its bytes are gone here.
  assert.equal(await read.photoUrl(dev.ctx, id, "small"), null);
  assert.equal(await read.filmUrl(dev.ctx, id), `blob:${bytes.length}`);
});

test("what no server would keep is told at once, and nothing of it stays", async () => {
  const dev = await opened();
  const refused = /** @type {[any, string][]} */ ([
    [file(film({ ms: 31_001 })), "film-long"], [photo([0xff, 0xd8, 0xff]), "film-kind"], [new File([], "x.mp4"), "film-kind"], [{ size: 256 * MB + 1 }, "film-too-large"],
  ]);
  for (const [what, why] of refused) await assert.rejects(write.takeFilm(dev.ctx, dev.id, what, {}), slug(why));
  assert.deepEqual([await held(dev), (await read.history(dev.ctx, dev.id)).length], [[], 1]);
  await write.takeFilm(dev.ctx, dev.id, file(film({ ms: 31_000 })), {});
  await write.takeFilm(dev.ctx, dev.id, file(film({ moov: box("moov", header(0)) })), {});
  assert.equal((await read.intake(dev.ctx, dev.id)).photos[1].film_ms, undefined);
});

test("a large file lies in pieces, comes back whole, and goes as a whole", async () => {
  const dev = await opened();
  const { photo: id, file: digest } = await write.takeFilm(dev.ctx, dev.id, file(LARGE), {});
  assert.deepEqual(await held(dev), [digest, `${digest}/${PIECE}`, `${digest}/${2 * PIECE}`]);
  assert.equal(await read.filmUrl(dev.ctx, id), `blob:${LARGE.length}`);
  await online(dev);
  dev.server.log.push({
    kept: { at: "2026-11-25T13:02:13.000Z" }, disclosures: [],
    said: {
      author: { server: "0" }, clock: { at: "2026-11-25T13:02:13.000Z", offset_minutes: 0 }, id: "0193b0e8-0000-7000-8000-0000000000e1", intake: dev.id, shop: dev.ctx.session.shop,
      type: "photo-erased", v: 1, body: { photo: id, because: "asked for" },
    },
  });
  await sync.fetchIntake(dev.ctx, dev.id);
  assert.deepEqual(await held(dev), []);
  assert.equal(await read.filmUrl(dev.ctx, id), null);
});

test("pieces that a killed page left go at the next start; what is named stays", async () => {
  const dev = await opened();
  const { file: digest } = await write.takeFilm(dev.ctx, dev.id, file(LARGE), {});
  const stray = `sha256:${"5".repeat(64)}`;
  await dev.ctx.store.write(["file_bytes"], (w) => w.put("file_bytes", { digest: `${stray}/${PIECE}`, bytes: new ArrayBuffer(4) }));
  const later = await device({ server: dev.server, factory: dev.factory });
  sync.start(later.ctx);
  // The tidying is its own transaction: a later one sees it done.
  await later.ctx.store.write(["files", "file_bytes", "queue"], async () => {});
  assert.deepEqual(await held(later), [digest, `${digest}/${PIECE}`, `${digest}/${2 * PIECE}`]);
});

test("a phone that is full in the middle of a film keeps nothing of it, and all of what it had", async () => {
  const dev = await opened();
  const kept = await write.takeFilm(dev.ctx, dev.id, file(LARGE), {});
  const { write: real } = dev.ctx.store;
  let writes = 0;
  dev.ctx.store.write = function (stores, work) {
    if (stores.length === 1 && stores[0] === "file_bytes" && ++writes === 2) return Promise.reject(Object.assign(new Error("full"), { problem: { type: "/problems/device/no-space" } }));
    return real.call(this, stores, work);
  };
  await assert.rejects(write.takeFilm(dev.ctx, dev.id, file(film({ bytes: 9 * MB, seed: 3 })), {}), slug("no-space"));
  assert.equal((await held(dev)).length, 3);
  // The same film once more is not written again: nothing can go wrong with what stands.
  writes = 1;
  await write.takeFilm(dev.ctx, dev.id, file(LARGE), {});
  dev.ctx.store.write = real;
  await online(dev);
  assert.deepEqual([...dev.server.files.keys()], [kept.file.slice(7)]);
});

// ---- in parts

test("up to 8 MB a file goes whole, above it in parts that grow", async () => {
  const dev = await opened();
  const small = film({ bytes: 100 });
  await write.takeFilm(dev.ctx, dev.id, file(joined(small, box("free", new Uint8Array(WHOLE - small.length - 8)))), {});
  await write.takeFilm(dev.ctx, dev.id, file(LARGE), {});
  await online(dev);
  assert.deepEqual(dev.server.seen, ["POST entries", "POST entries", "PUT files/…", "PUT files/…/parts/0", `PUT files/…/parts/${MB}`, `PUT files/…/parts/${3 * MB}`, `PUT files/…/parts/${7 * MB}`]
    .sort((a, b) => dev.server.seen.indexOf(a) - dev.server.seen.indexOf(b)));
  assert.deepEqual(dev.server.files.get(digestOf(LARGE).slice(7)), LARGE);
  assert.deepEqual(await dev.queue(), []);
  assert.equal((await read.intake(dev.ctx, dev.id)).photos[1].status.state, "stored and checked");
});

test("a photo of more than 8 MB goes in parts too", async () => {
  const dev = await opened();
  const bytes = joined(new Uint8Array([0xff, 0xd8]), LARGE);
  await write.takePhoto(dev.ctx, dev.id, new File([bytes], "IMG.JPG", { type: "image/jpeg" }), { view: "front" });
  await online(dev);
  assert.ok(offsets(dev).length > 1);
  assert.deepEqual(dev.server.files.get(digestOf(bytes).slice(7)), bytes);
});

test("after a kill of the page it goes on where the server's parts end", async () => {
  const dev = await opened();
  await write.takeFilm(dev.ctx, dev.id, file(LARGE), {});
  // The page dies with the third part under way: nothing of it runs any more.
  let died = () => {};
  const death = new Promise((done) => (died = () => done(undefined)));
  dev.server.next = [undefined, undefined, undefined, () => (died(), new Promise(() => {}))];
  dev.server.open = true;
  dev.ctx.queue.nudge();
  await death;
  dev.server.seen = [];
  const later = await device({ server: dev.server, factory: dev.factory });
  await later.tick(3_600_000 * 5);
  await later.ctx.queue.nudge();
  assert.deepEqual(offsets(later), [3 * MB, 4 * MB, 6 * MB]);
  assert.deepEqual(dev.server.files.get(digestOf(LARGE).slice(7)), LARGE);
  assert.deepEqual(await later.queue(), []);
});

test("a server that lost its parts, or has more of them, says where to go on", async () => {
  const dev = await opened();
  await write.takeFilm(dev.ctx, dev.id, file(LARGE), {});
  const hex = digestOf(LARGE).slice(7);
  dev.server.next = [undefined, undefined, undefined, (own) => (dev.server.unfinished.delete(hex), own()), undefined, (own) => (dev.server.unfinished.set(hex, LARGE.slice(0, 6 * MB)), own())];
  await online(dev);
  assert.deepEqual(offsets(dev).slice(0, 5), [0, MB, 3 * MB, 0, 2 * MB]);
  assert.ok(offsets(dev).includes(6 * MB));
  assert.deepEqual(dev.server.files.get(hex), LARGE);
});

test("an answer that is lost after the last part: an empty part hears it again", async () => {
  const dev = await opened();
  await write.takeFilm(dev.ctx, dev.id, file(LARGE), {});
  dev.server.next = [undefined, undefined, undefined, undefined, (own) => (own(), lost())];
  await online(dev);
  assert.deepEqual((await dev.queue()).map((r) => [r.type, r.state]), [["film", "waiting"]]);
  dev.server.seen = [];
  await online(dev);
  assert.deepEqual(offsets(dev), [LARGE.length]);
  assert.deepEqual(await dev.queue(), []);
});

test("nothing but 200 with the file's own digest ends it", async () => {
  const dev = await opened();
  const { file: digest } = await write.takeFilm(dev.ctx, dev.id, file(LARGE), {});
  const wrong = [
    portal, () => json(200, { digest: `sha256:${"0".repeat(64)}`, index: 5 }), () => new Response(null, { status: 204 }), () => json(201, { digest }),
    () => json(202, { digest, offset: 0 }), () => json(202, { digest, offset: LARGE.length + 1 }), () => json(202, { digest }),
  ];
  dev.server.next = [undefined];
  for (const answer of wrong) {
    dev.server.next.push(answer);
    await online(dev);
    assert.deepEqual((await dev.queue()).map((r) => [r.type, r.state]), [["film", "waiting"]]);
  }
  await online(dev);
  assert.deepEqual(await dev.queue(), []);
});

test("a line that breaks gets smaller parts, never below what the server takes", async () => {
  const dev = await opened();
  await write.takeFilm(dev.ctx, dev.id, file(LARGE), {});
  dev.server.next = [undefined, lost, lost, lost];
  for (let i = 0; i < 3; i += 1) await online(dev);
  await online(dev);
  const at = offsets(dev);
  assert.deepEqual(at.slice(0, 5), [0, 0, 0, 0, MB / 4]);
  assert.deepEqual(await dev.queue(), []);
});

test("a server that sends us round in circles is left for later, and never for good", async () => {
  const dev = await opened();
  await write.takeFilm(dev.ctx, dev.id, file(LARGE), {});
  const elsewhere = (/** @type {unknown} */ offset) => () => json(409, { type: "/problems/parts-elsewhere", title: "", status: 409, detail: "Elsewhere.", retry: "changed", offset }, { "Content-Type": "application/problem+json" });
  dev.server.next = [undefined, ...[5, 6, 5, 6, 5, 6, 5, 6, 5].map(elsewhere)];
  await online(dev);
  assert.deepEqual((await dev.queue()).map((r) => r.state), ["waiting"]);
  for (const offset of [0, -1, 1.5, "7", undefined, LARGE.length + 1]) {
    dev.server.next = [elsewhere(offset)];
    await online(dev);
    assert.deepEqual((await dev.queue()).map((r) => r.state), ["waiting"], String(offset));
  }
  await online(dev);
  assert.deepEqual(await dev.queue(), []);
});

test("refused for what it is: it stays on the phone with the server's sentence, and the rest moves on", async () => {
  const dev = await opened();
  await write.takeFilm(dev.ctx, dev.id, file(LARGE), {});
  await write.takePhoto(dev.ctx, dev.id, photo([1, 2]), { view: "front" });
  dev.server.next = [undefined, undefined, undefined, undefined, () => problem(415, "refused-type", "never")];
  await online(dev);
  assert.deepEqual((await dev.queue()).map((r) => [r.type, r.state]), [["film", "refused"]]);
  const [fact] = (await read.intake(dev.ctx, dev.id)).photos;
  assert.deepEqual([fact.status.state, fact.status.problem.detail], ["refused", "A sentence about refused-type."]);
  assert.ok((await held(dev)).length > 2);
});

test("a film waits for photos, even between two of its parts, and an acceptance waits for no film", async () => {
  const dev = await opened();
  await write.takeFilm(dev.ctx, dev.id, file(LARGE), {});
  await write.takePhoto(dev.ctx, dev.id, photo([1]), { view: "front" });
  await write.say(dev.ctx, dev.id, "taken-in", {});
  let second;
  dev.server.next = Array(4).fill(undefined);
  // While the first part is under way somebody takes another photo.
  dev.server.fetch = ((real) => async (path, request) => {
    if (/parts\/0$/.test(path) && request.method === "PUT") second ??= await write.takePhoto(dev.ctx, dev.id, photo([2]), {});
    return real(path, request);
  })(dev.server.fetch);
  dev.ctx.transport.wire.fetch = dev.server.fetch;
  await online(dev);
  const at = (/** @type {string} */ s) => dev.server.seen.indexOf(s);
  assert.ok(at("PUT files/…") < at("PUT files/…/parts/0"), String(dev.server.seen));
  // What names it goes first, beside one more part.
  assert.ok(dev.server.seen.lastIndexOf("POST entries") < at(`PUT files/…/parts/${MB}`), String(dev.server.seen));
  assert.ok(dev.server.seen.lastIndexOf("PUT files/…") < at(`PUT files/…/parts/${3 * MB}`), String(dev.server.seen));
  assert.equal(dev.server.files.size, 3);
  assert.deepEqual(await dev.queue(), []);

  const offline = await opened();
  await write.takeFilm(offline.ctx, offline.id, file(LARGE), {});
  await write.say(offline.ctx, offline.id, "taken-in", {});
  offline.server.next = [undefined, undefined, undefined, lost];
  await online(offline);
  assert.ok(offline.server.log.some((e) => e.said.type === "taken-in"));
  assert.deepEqual((await offline.queue()).map((r) => r.type), ["film"]);
});

test("a film that is erased while it is sent is not sent on", async () => {
  const dev = await opened();
  await write.takeFilm(dev.ctx, dev.id, file(LARGE), {});
  dev.server.next = [undefined, async (own) => {
    await dev.ctx.store.write(["queue"], async (w) => {
      for (const row of await w.all("queue")) await w.remove("queue", row.key);
    });
    return own();
  }];
  await online(dev);
  assert.deepEqual(offsets(dev), [0]);
  assert.deepEqual(await dev.queue(), []);
});
