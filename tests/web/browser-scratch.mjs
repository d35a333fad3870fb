import { chromium } from "playwright-core"; import { readFileSync } from "node:fs";
const b = await chromium.launch({ executablePath: "/usr/bin/chromium", args: ["--no-sandbox"] });
const c = await b.newContext(); const page = await c.newPage();
page.on("console", (m) => console.log("console:", m.text())); page.on("pageerror", (e) => console.log("pageerror", e));
await page.goto("http://127.0.0.1:8918/blank");
const bytes = [...readFileSync("/tmp/p.jpg")];
const run = (fn, arg) => page.evaluate(fn, arg);
console.log(await run(async () => {
  const app = window.app = await import("/app/b/core/app.js");
  await app.openStore(); const s = await app.signIn({ sign_in: "ines", password: "a long workshop pass phrase" });
  return [s.name, !!navigator.locks];
}));
const id = await run(async (bytes) => {
  const app = window.app; const [k] = await app.kinds();
  window.notices = [];
  const id = await app.openIntake(k.digest, String(Math.floor(Math.random() * 9e6)));
  app.watch(id, () => window.notices.push(performance.now() | 0));
  const file = new File([new Uint8Array(bytes), crypto.getRandomValues(new Uint8Array(8))], "a.jpg", { type: "image/jpeg" });
  const p = await app.takePhoto(id, file, { view: "bar-side" });
  window.p = p.photo;
  window.seen = []; for (let i = 0; i < 60; i++) { const st = await app.photoStatus(p.photo); const w = st.state + (st.percent ?? "") + (st.judged?.verdict ?? ""); if (window.seen.at(-1) !== w) window.seen.push(w); await new Promise((r) => setTimeout(r, 25)); }
  return id;
}, bytes);
console.log(id, await run(() => [window.seen, window.notices.length, window.p]));
console.log(await run(async () => [await window.app.photoUrl(window.p, "small"), await window.app.queueSummary()]));
// offline
await c.setOffline(true);
console.log("offline", await run(async (id) => { await window.app.say(id, "moved", { place: "rack 2" }); await new Promise((r) => setTimeout(r, 500)); const q = await window.app.queueSummary(); return [q.waiting, q.reachable, (await window.app.intake(id)).state.place.place, (await window.app.list()).from]; }, id));
const two = await c.newPage(); 
await c.setOffline(false);
await two.goto("http://127.0.0.1:8918/blank");
await new Promise((r) => setTimeout(r, 1500));
console.log("online", await run(async () => (await window.app.queueSummary()).waiting));
// second tab: made there, seen here
console.log("two", await two.evaluate(async (id) => { const app = window.app = await import("/app/b/core/app.js"); await app.openStore(); await app.say(id, "moved", { place: "bench 1" }); await new Promise((r) => setTimeout(r, 1500)); return [app.session().name, (await app.queueSummary()).waiting, (await app.intake(id)).state.place.mark.index]; }, id));
console.log("one sees", await run(async (id) => (await window.app.intake(id)).state.place, id));
// other device through the stream
const c2 = await b.newContext(); const other = await c2.newPage(); await other.goto("http://127.0.0.1:8918/blank");
console.log("other", await other.evaluate(async (id) => { const app = window.app = await import("/app/b/core/app.js"); await app.openStore(); await app.signIn({ sign_in: "ines", password: "a long workshop pass phrase" }); await app.fetchIntake(id); const v = await app.intake(id); await app.say(id, "machine-described", { field: "make", value: "Brenn", from: "typed" }); return [v.photos[0].status, await app.photoUrl(v.photos[0].photo, "small")]; }, id));
await new Promise((r) => setTimeout(r, 2000));
console.log("first hears", await run(async (id) => (await window.app.intake(id)).state.machine.make?.value, id));
console.log(await run(async () => { const { digestOf } = await import("/app/b/core/sha256.js"); const x = new Uint8Array(32 << 20); const t = performance.now(); digestOf(x); return `32 MiB hashed in ${(performance.now() - t) | 0} ms`; }));
await run(() => window.app.signOut()); console.log("out", await run(() => window.app.session()));
await b.close();
