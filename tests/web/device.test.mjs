// The device: its store, photos, signing, signing in and out, what others wrote, the stream, words.
import assert from "node:assert/strict";
import { test } from "node:test";
import { IDBFactory } from "fake-indexeddb";
import { canonText } from "../../server/web/core/canon.js";
import * as catalogue from "../../server/web/core/catalogue.js";
import { disclosure, disclosureDigest } from "../../server/web/core/disclosure.js";
import * as enter from "../../server/web/core/enter.js";
import * as read from "../../server/web/core/read.js";
import { digestOf } from "../../server/web/core/sha256.js";
import { openDatabase } from "../../server/web/core/store.js";
import * as sync from "../../server/web/core/sync.js";
import { newer } from "../../server/web/core/transport.js";
import { Trouble } from "../../server/web/core/trouble.js";
import { speak, spoken, spokenIn, t, text } from "../../server/web/core/words.js";
import * as write from "../../server/web/core/write.js";
import { BO, FakeServer, KIND, KIND_DIGEST, PHONE, RAVI, SHOP, device, json, problem } from "./fakes.mjs";

const photo = (bytes = [1, 2, 3], type = "image/jpeg") => new File([new Uint8Array(bytes)], "IMG_1.JPG", { type });
const slug = (s) => (error) => error instanceof Trouble && error.problem.type === `/problems/device/${s}`;
async function opened(more) {
  const dev = await device(more);
  const id = await write.openIntake(dev.ctx, KIND_DIGEST, "0417");
  await dev.rest();
  return { ...dev, id };
}

/** What stands for the browser's streams: each source that was opened, told things by hand. */
function streams() {
  const sources = [];
  const stream = (url) => {
    const listeners = {};
    const source = { url, readyState: 1, addEventListener: (name, run) => (listeners[name] = run), close: () => {}, emit: (name, data) => listeners[name]({ data: JSON.stringify(data) }) };
    sources.push(source);
    return source;
  };
  return { sources, stream };
}

test("a stream that begins again fetches the shop's settings and kinds: a change nobody heard of shows", async () => {
  const { sources, stream } = streams();
  const dev = await opened({ edge: { stream } });
  sync.start(dev.ctx);
  const asked = new Set();
  const { fetch } = dev.ctx.transport.wire;
  const heard = new Promise((resolve) => {
    dev.ctx.transport.wire.fetch = async (path, init) => {
      asked.add(path);
      if (["/settings", "/kinds"].every((end) => asked.has(`/v1/shops/${SHOP}${end}`))) resolve();
      return fetch(path, init);
    };
  });
  await sources[0].emit("hello", { size: 1 });
  await heard;
});

// ---- lists

test("a search that the server gives in pieces is one page, and says when there may be more", async () => {
  const { ctx, server } = await device();
  const row = (opened) => ({ id: `0193b0e8-0000-7000-8000-${String(opened).padStart(12, "0")}`, tag: String(opened), state: "handed back", opened, revision: opened, summary: { kind_id: "small", opened_at: 0 } });
  const asked = [];
  // Of every hundred intakes one is found, back to none at all or without end.
  const from = (end) => (which) => {
    const after = Number(which.get("after") ?? 10_000);
    asked.push([after, Number(which.get("limit")), which.get("q")]);
    return { intakes: [row(after - 50)], ...(after - 100 > end ? { next: after - 100 } : {}) };
  };
  server.listed = from(9_600);
  const few = await read.list(ctx, { q: "orange violet" });
  assert.deepEqual(few.items.map((i) => i.opened), [9_950, 9_850, 9_750, 9_650]);
  assert.deepEqual([few.from, few.after, asked.at(-1)], ["server", undefined, [9_700, 47, "orange violet"]]);
  server.listed = from(0);
  asked.length = 0;
  const some = await read.list(ctx, { q: "orange violet" });
  assert.deepEqual([some.items.length, some.after, asked.length], [20, "8000", 20]);
});

// ---- the store

test("a write resolves when its transaction is complete; throwing undoes it all", async () => {
  const store = await openDatabase(new IDBFactory());
  await store.write(["meta"], (w) => w.setMeta("a", 1));
  await assert.rejects(store.write(["meta"], async (w) => {
    await w.setMeta("a", 2);
    throw new RangeError("no");
  }), slug("store-failed"));
  assert.equal(await store.read(["meta"], (w) => w.meta("a")), 1);
});

test("a full phone is named as such", async () => {
  const { ctx } = await device();
  await assert.rejects(ctx.store.write(["meta"], async () => {
    throw new DOMException("full", "QuotaExceededError");
  }), slug("no-space"));
  // IndexedDB also tells it by aborting the transaction with that error.
  await assert.rejects(ctx.store.write(["meta"], async (w) => {
    Object.defineProperty(w.tx, "error", { value: new DOMException("full", "QuotaExceededError") });
    w.tx.abort();
    return new Promise(() => {});
  }), slug("no-space"));
});

test("a browser without a store says so", async () => {
  await assert.rejects(openDatabase(undefined), slug("no-store"));
  await assert.rejects(openDatabase({ open: () => { throw new DOMException("private", "SecurityError"); } }), slug("no-store"));
});

test("a store that another tab took over says so", async () => {
  const { ctx } = await device();
  ctx.store.close();
  await assert.rejects(read.kinds(ctx), slug("store-blocked"));
});

// ---- photos

test("a photo is kept, read back, said and queued", async () => {
  const dev = await opened();
  dev.server.open = false;
  const { file, size } = await write.takePhoto(dev.ctx, dev.id, photo([5, 6]), { view: "front", name: "x.jpg" });
  assert.deepEqual([file, size], [digestOf(new Uint8Array([5, 6])), 2]);
  const entry = (await read.history(dev.ctx, dev.id)).at(-1);
  assert.deepEqual([entry.body.view, entry.body.stage, entry.body.file_name, entry.said.body.file_name], ["front", "received", "x.jpg", undefined]);
  const view = await read.intake(dev.ctx, dev.id);
  assert.deepEqual([view.photos[0].status.state, view.photos[0].number], ["on the phone only", 1]);
  assert.ok(!view.check.gaps.some((g) => g.gap === "view:front"));
});

test("a photo the phone keeps wrongly is not said to be taken", async () => {
  const dev = await opened();
  const { read: readStore } = dev.ctx.store;
  dev.ctx.store.read = function (stores, work) {
    return stores[0] === "file_bytes" ? Promise.resolve({ digest: "x", bytes: new Uint8Array([0]).buffer }) : readStore.call(this, stores, work);
  };
  await assert.rejects(write.takePhoto(dev.ctx, dev.id, photo(), {}), slug("read-back"));
  dev.ctx.store.read = readStore;
  assert.equal((await read.history(dev.ctx, dev.id)).length, 1);
  assert.deepEqual(await dev.ctx.store.read(["file_bytes"], (w) => w.all("file_bytes")), []);
});

test("an empty or oversized photo is refused with a sentence", async () => {
  const dev = await opened();
  await assert.rejects(write.takePhoto(dev.ctx, dev.id, photo([]), {}), slug("photo-empty"));
  await assert.rejects(write.takePhoto(dev.ctx, dev.id, { size: 64 * 1024 * 1024 + 1 }, {}), slug("photo-too-large"));
});

test("a photo for a line notes the line again with it, its note included", async () => {
  const dev = await opened();
  const line = "0193b0e8-0000-7000-8000-0000000000c1";
  await write.say(dev.ctx, dev.id, "condition-noted", { line, part: "hood", word: "cracked", photos: [] }, { note: "by the latch" });
  assert.ok((await read.intake(dev.ctx, dev.id)).check.gaps.some((g) => g.gap === `line-photo:${line}`));
  const taken = await write.takePhoto(dev.ctx, dev.id, photo(), { lines: [line] });
  const view = await read.intake(dev.ctx, dev.id);
  assert.deepEqual([view.state.lines[0].photos, view.state.lines[0].note], [[taken.photo], "by the latch"]);
  assert.ok(!view.check.gaps.some((g) => g.gap === `line-photo:${line}`));
});

test("the judgement that rides in the answer counts at once", async () => {
  const dev = await opened();
  dev.server.next = [undefined, async (own) => {
    const answer = await (await own()).json();
    return json(200, { ...answer, judged: { photo: taken.photo, file: answer.digest, verdict: "poor", reasons: [{ key: "photo.too-soft", with: {} }], by: "1" } });
  }];
  dev.server.open = false;
  const taken = await write.takePhoto(dev.ctx, dev.id, photo(), { view: "front" });
  await dev.rest();
  dev.server.open = true;
  await dev.ctx.queue.nudge();
  const view = await read.intake(dev.ctx, dev.id);
  assert.equal(view.photos[0].status.judged.verdict, "poor");
  assert.equal(view.check.gaps.find((g) => g.gap === "view:front").key, "gap.view.poor");
  assert.equal((await read.photoStatus(dev.ctx, taken.photo)).judged.verdict, "poor");
});

test("a picture's address: the bytes here, else the server's copy, else none", async () => {
  const dev = await opened();
  const { photo: id, file } = await write.takePhoto(dev.ctx, dev.id, photo(), { view: "front" });
  await dev.rest();
  assert.equal(await read.photoUrl(dev.ctx, id, "large"), "blob:3");
  dev.ctx.urls.clear();
  await dev.ctx.store.write(["files", "file_bytes"], async (w) => {
    await w.remove("file_bytes", file);
    await w.put("files", { ...(await w.get("files", file)), bytes_here: false });
  });
  assert.equal(await read.photoUrl(dev.ctx, id, "large"), null);
  dev.server.log.push({
    kept: { at: "2026-11-25T13:02:13.000Z" }, disclosures: [],
    said: {
      author: { server: "0" }, clock: { at: "2026-11-25T13:02:13.000Z", offset_minutes: 0 }, id: "0193b0e8-0000-7000-8000-0000000000e1", intake: dev.id, shop: SHOP,
      type: "photo-judged", v: 1, body: { photo: id, file, by: "1", verdict: "usable", reasons: [], measures: {}, claims: {}, renditions: [{ purpose: "large", file, width: 2, height: 2 }] },
    },
  });
  await sync.fetchIntake(dev.ctx, dev.id);
  assert.equal(await read.photoUrl(dev.ctx, id, "large"), `/v1/shops/${SHOP}/photos/${id}/large`);
  assert.equal(await read.photoUrl(dev.ctx, id, "small"), null);
  // Another device's photo is known by the server's list alone.
  assert.equal(await read.photoUrl(dev.ctx, "0193b0e8-0000-7000-8000-0000000000f1", "small"), `/v1/shops/${SHOP}/photos/0193b0e8-0000-7000-8000-0000000000f1/small`);
});

// ---- signing

test("signing binds the sheet as it stands; sheet and strokes follow the entry", async () => {
  const dev = await opened();
  const shown = await read.sheet(dev.ctx, dev.id, {});
  const strokes = { width: 300.4, height: 120, strokes: [[[1.2, 2.6, 0], [3, 4, 16.7]]] };
  await write.acknowledge(dev.ctx, dev.id, { how: "signed", strokes, signer: "M. Okafor", sheet: shown.digest });
  await dev.rest();
  const { state, check } = await read.intake(dev.ctx, dev.id);
  assert.equal(state.acknowledgement.sheet, shown.digest);
  assert.equal(state.acknowledgement.signer, "M. Okafor");
  assert.ok(!check.gaps.some((g) => g.gap === "acknowledgement"));
  const drawn = Buffer.from(dev.server.files.get(state.acknowledgement.strokes.slice(7))).toString();
  assert.equal(drawn, '{"height":120,"strokes":[[[1,3,0],[3,4,17]]],"v":1,"width":300}');
  assert.equal(Buffer.from(dev.server.files.get(shown.digest.slice(7))).toString(), Buffer.from(shown.bytes).toString());

  await write.say(dev.ctx, dev.id, "machine-described", { field: "make", value: "Alder", from: "typed" });
  assert.equal((await read.intake(dev.ctx, dev.id)).check.gaps.at(-1).key, "gap.acknowledgement.stale");
  // What is signed is what was shown: the sheet of before is refused.
  await assert.rejects(write.acknowledge(dev.ctx, dev.id, { how: "signed", strokes, sheet: shown.digest }), slug("sheet-changed"));
  await write.acknowledge(dev.ctx, dev.id, { how: "not now", because: "in a hurry" });
  assert.ok(!(await read.intake(dev.ctx, dev.id)).check.gaps.some((g) => g.gap === "acknowledgement"));
});

// ---- what others wrote

const other = (dev, body, personal = {}, n = 1) => {
  const disclosures = Object.entries(personal).map(([k, v]) => disclosure(new Uint8Array(16).fill(n), k, v));
  const said = {
    author: { staff: BO, device: "0193b0e8-0000-7000-8000-0000000000d2" }, clock: { at: "2026-11-25T13:05:00.000Z", offset_minutes: 60 },
    id: `0193b0e8-0000-7000-8000-0000000000f${n}`, intake: dev.id, shop: SHOP, v: 1,
    type: personal.name ? "person-named" : "machine-described",
    body: { ...body, ...(disclosures.length > 0 ? { _sd: disclosures.map(disclosureDigest).sort() } : {}) },
  };
  dev.server.log.push({ said, digest: digestOf(canonText(said)), disclosures, kept: { at: "2026-11-25T13:05:01.000Z" } });
};

test("entries of others are fetched, hashed here, and fall into log order", async () => {
  const dev = await opened();
  other(dev, { field: "make", value: "Brenn", from: "typed" });
  dev.server.open = false;
  await write.say(dev.ctx, dev.id, "machine-described", { field: "make", value: "Alder", from: "typed" });
  await dev.rest();
  dev.server.open = true;
  await sync.fetchIntake(dev.ctx, dev.id);
  const view = await read.intake(dev.ctx, dev.id);
  // Not sent yet: after everything in the log.
  assert.equal(view.state.machine.make.value, "Alder");
  const history = await read.history(dev.ctx, dev.id);
  assert.deepEqual(history.map((e) => e.index), [0, 1, undefined]);
  assert.equal(history[1].digest, dev.server.log[1].digest);
  assert.equal(history[1].said.author.staff, BO);
  // The next thing said tells that it saw them.
  await write.say(dev.ctx, dev.id, "moved", { place: "rack 2" });
  assert.equal((await read.history(dev.ctx, dev.id)).at(-1).said.seen, 1);
});

test("a disclosure that the entry does not bind is not taken, one that was erased goes", async () => {
  const dev = await opened();
  other(dev, { who: "owner" }, { name: "M. Okafor", phone: "0151" });
  const [name, phone] = dev.server.log[1].disclosures;
  dev.server.log[1].disclosures = [name, phone, disclosure(new Uint8Array(16), "email", "x@y.example")];
  await sync.fetchIntake(dev.ctx, dev.id);
  const owner = async () => (await read.intake(dev.ctx, dev.id)).state.people.owner;
  assert.deepEqual([(await owner()).name, (await owner()).phone, (await owner()).email], ["M. Okafor", "0151", undefined]);
  dev.server.log[1].disclosures = [name];
  await dev.ctx.store.write(["meta"], (w) => w.setMeta(`fetched:${dev.id}`, undefined));
  await sync.fetchIntake(dev.ctx, dev.id);
  assert.equal((await owner()).phone, undefined);
});

test("an entry of another intake in the answer is not taken", async () => {
  const dev = await opened();
  const { fetch } = dev.server;
  dev.ctx.transport.wire.fetch = async (path, init) => {
    const answer = await fetch(path, init);
    return path.includes("/entries?") ? new Response((await answer.text()).replaceAll(dev.id, BO), { headers: { "Content-Type": "application/json" } }) : answer;
  };
  await assert.rejects(sync.fetchIntake(dev.ctx, dev.id), slug("not-the-server"));
});

test("the stream fetches what is known here, once for many notices", async () => {
  const { sources, stream } = streams();
  const dev = await opened({ edge: { stream } });
  sync.start(dev.ctx);
  assert.equal(sources[0].url, `/v1/shops/${SHOP}/stream`);
  const changed = new Promise((resolve) => dev.ctx.bus.on(`intake:${dev.id}`, async () => {
    if ((await read.intake(dev.ctx, dev.id)).state.machine.make?.value === "Brenn") resolve();
  }));
  other(dev, { field: "make", value: "Brenn", from: "typed" });
  await sources[0].emit("entry", { index: 1, intake: dev.id, type: "machine-described" });
  await sources[0].emit("entry", { index: 1, intake: BO, type: "machine-described" });
  while (dev.ctx.soon.size === 0) await new Promise(setImmediate);
  assert.deepEqual([...dev.ctx.soon.keys()], [dev.id]);
  await dev.tick(300);
  await changed;
});

// ---- lists

test("the list: the server's when it answers, the device's when not", async () => {
  const dev = await opened();
  dev.server.open = false;
  const second = await write.openIntake(dev.ctx, KIND_DIGEST, "0500");
  await write.say(dev.ctx, second, "person-named", { who: "owner" }, { name: "Ökafor-Lindt" });
  const { items, from } = await read.list(dev.ctx, {});
  assert.equal(from, "device");
  assert.deepEqual(items.map((i) => [i.tag, i.unsent, i.state]), [["0500", 2, "open"], ["0417", 0, "open"]]);
  assert.deepEqual((await read.list(dev.ctx, { q: "ökafor" })).items.map((i) => i.id), [second]);
  assert.deepEqual((await read.list(dev.ctx, { q: "lindt 05" })).items.map((i) => i.id), [second]);
  assert.deepEqual((await read.list(dev.ctx, { q: "nobody" })).items, []);
  assert.deepEqual((await read.list(dev.ctx, { state: "in care" })).items, []);
  dev.server.open = true;
  const online = await read.list(dev.ctx, {});
  assert.equal(online.from, "server");
  assert.ok(online.items.some((i) => i.tag === "0500" && i.from_device));
});

// ---- coming in and going out

test("signing in brings kinds, shop and words along; the device keeps its id", async () => {
  const dev = await device({ signedIn: false });
  await assert.rejects(write.openIntake(dev.ctx, KIND_DIGEST, "0417"), slug("signed-out"));
  const session = await enter.signIn(dev.ctx, { sign_in: "ravi", password: "correct horse" });
  assert.deepEqual(session, { shop: SHOP, staff: RAVI, device: PHONE, roles: ["counter"], name: "Ravi" });
  assert.deepEqual((await read.kinds(dev.ctx)).map((k) => k.kind.id), [KIND.id]);
  assert.equal((await enter.shop(dev.ctx)).name, "Tarn Street Engines");
  assert.equal(await dev.meta("device"), PHONE);
  const later = await device({ server: dev.server, factory: dev.factory, signedIn: false });
  assert.equal(later.ctx.session.name, "Ravi");
});

test("signing out takes customers' data off the device, but for what is not sent", async () => {
  const dev = await opened();
  await write.takePhoto(dev.ctx, dev.id, photo(), {});
  await dev.rest();
  dev.server.open = false;
  const unsent = await write.openIntake(dev.ctx, KIND_DIGEST, "0500");
  await write.takePhoto(dev.ctx, unsent, photo([9]), {});
  await dev.rest();
  await enter.signOut(dev.ctx);
  assert.equal(dev.ctx.session, null);
  const rows = await dev.ctx.store.read(["entries", "file_bytes"], async (w) => [await w.all("entries"), await w.all("file_bytes")]);
  assert.deepEqual([...new Set(rows[0].map((r) => r.intake))], [unsent]);
  assert.equal(rows[1].length, 1);
  // Without a network the session on the server is ended at the next contact.
  assert.equal(await dev.meta("leave"), true);
  dev.server.open = true;
  await enter.leave(dev.ctx);
  assert.equal(await dev.meta("leave"), undefined);
  // The same shop signs in again: what was left goes out.
  await enter.signIn(dev.ctx, { sign_in: "ravi", password: "correct horse" });
  while ((await dev.queue()).length > 0) await new Promise(setImmediate);
  assert.equal(dev.server.log.filter((e) => e.said.intake === unsent).length, 2);
});

test("an online call: its answer, its ETag, its problem; an online page of a stranger is none", async () => {
  const dev = await device();
  assert.deepEqual((await enter.ask(dev.ctx, "GET", "/settings", {})).json, { may_leave_open: {} });
  dev.server.next = [() => json(200, { ok: true }, { ETag: '"7"' }), () => problem(403, "may-not", "never"), () => new Response("terms", { headers: { "Content-Type": "text/plain; charset=utf-8" } })];
  assert.equal((await enter.ask(dev.ctx, "PUT", "/settings", { json: {}, ifMatch: '"6"' })).etag, '"7"');
  assert.equal(dev.server.headers[0]["If-Match"], '"6"');
  await assert.rejects(enter.ask(dev.ctx, "POST", "/staff", { json: {} }), (e) => e.problem.type === "/problems/may-not" && e.problem.status === 403);
  assert.equal((await enter.ask(dev.ctx, "POST", "/x", { accept: "text/plain" })).text, "terms");
});

test("a request that takes too long is given up and told", async () => {
  const dev = await device();
  dev.ctx.transport.wire.fetch = (_path, { signal }) => new Promise((_, reject) => signal.addEventListener("abort", () => reject(signal.reason)));
  const asked = dev.ctx.transport.send("GET", "/v1");
  await dev.tick(20_000);
  await assert.rejects(asked, slug("too-slow"));
  assert.equal(dev.ctx.transport.reachable, false);
});

test("of two checkpoints the later epoch, then the larger tree is kept", () => {
  const note = (epoch, size) => `tarn/${SHOP}/${epoch}\n${size}\nroot\n`;
  assert.equal(newer(undefined, note(1, 5)), note(1, 5));
  assert.equal(newer(note(1, 5), note(1, 4)), note(1, 5));
  assert.equal(newer(note(1, 5), note(1, 6)), note(1, 6));
  assert.equal(newer(note(1, 50), note(2, 3)), note(2, 3));
  assert.equal(newer(note(2, 3), note(1, 50)), note(2, 3));
});

// ---- words

test("sentences: names, tables, sentences in sentences, plurals, unknown keys", () => {
  const before = spoken();
  speak({ language: "de", digest: "sha256:x", texts: { a: "{x} und {y}", "n": "{count} Teile", "n.one": "ein Teil", why: "{reasons}", soft: "unscharf" } });
  assert.equal(t("a", { x: { en: "bar side", de: "Schienenseite" }, y: 3 }), "Schienenseite und 3");
  assert.equal(t("a", { x: { en: "bar side" } }), "bar side und {y}");
  assert.deepEqual([t("n", { count: 1 }), t("n", { count: 2 })], ["ein Teil", "2 Teile"]);
  assert.equal(t("why", { reasons: [{ key: "soft", with: {} }, { key: "soft" }] }), "unscharf; unscharf");
  assert.equal(t("missing"), "missing");
  assert.equal(t("constructor"), "constructor");
  assert.equal(text({ en: "hood" }), "hood");
  speak(before);
});

test("every catalogue of the server is kept on the device; a language is chosen here, and a sheet is signed in another", async () => {
  const before = spoken();
  const server = new FakeServer();
  server.words.de = { "gap.owner": "Name des Eigentümers", "language.name": "Deutsch" };
  const dev = await opened({ server });
  assert.equal(spoken().language, "en");
  // The first page waits for its own language only; the others come after it.
  assert.deepEqual((await catalogue.languages(dev.ctx)).map((l) => l.language), ["en"]);
  await catalogue.fetchWords(dev.ctx);
  assert.deepEqual(await catalogue.languages(dev.ctx), [{ language: "de", name: "Deutsch" }, { language: "en", name: "English" }]);
  // Nothing is fetched twice that did not change.
  const sent = server.wordsSent;
  await catalogue.fetchWords(dev.ctx);
  assert.equal(server.wordsSent, sent);

  // No signal: the customer's language is here all the same, and the sheet names its digest.
  server.open = false;
  const german = (await catalogue.wordsOf(dev.ctx, "de")).digest;
  const shown = await read.sheet(dev.ctx, dev.id, { language: "de", reader: "Ana" });
  assert.deepEqual([shown.language, shown.words, shown.reader], ["de", german, "Ana"]);
  await write.acknowledge(dev.ctx, dev.id, { how: "signed", strokes: { width: 9, height: 9, strokes: [[[1, 1, 0]]] }, language: "de", reader: "Ana", sheet: shown.digest });
  const { acknowledgement } = (await read.intake(dev.ctx, dev.id)).state;
  assert.deepEqual([acknowledgement.language, acknowledgement.words, acknowledgement.reader, acknowledgement.sheet], ["de", german, "Ana", shown.digest]);
  assert.equal(t("gap.owner"), "The owner's name");
  // What was on the screen in one language is not signed in another.
  await assert.rejects(write.acknowledge(dev.ctx, dev.id, { how: "not now", because: "in a hurry", sheet: shown.digest }), slug("sheet-changed"));
  await assert.rejects(read.sheet(dev.ctx, dev.id, { language: "pl" }), slug("no-words"));

  await assert.rejects(catalogue.useLanguage(dev.ctx, "pl"), slug("no-words"));
  await catalogue.useLanguage(dev.ctx, "de");
  assert.equal(t("gap.owner"), "Name des Eigentümers");
  assert.equal(dev.ctx.transport.headers({})["Accept-Language"], "de");
  // It stays chosen, and a language that the server has no more goes.
  speak(before);
  await device({ server, factory: dev.factory, signedIn: false });
  assert.equal(spoken().language, "de");
  server.open = true;
  delete server.words.de;
  await catalogue.fetchWords(dev.ctx);
  assert.deepEqual(await catalogue.languages(dev.ctx), [{ language: "en", name: "English" }]);
  speak(before);
});

test("another language speaks only while something is drawn in it", () => {
  const before = spoken();
  const german = { language: "de-AT", digest: "", texts: { a: "Zu" } };
  assert.equal(spokenIn(german, () => `${t("a")} ${text({ en: "hood", de: "Haube" })}`), "Zu Haube");
  assert.throws(() => spokenIn(german, () => {
    throw new RangeError("no");
  }), RangeError);
  assert.equal(spoken(), before);
});
