// The app without a network: one document and the modules of one build, kept together under that build's name. It answers for
// pages and for files of the app only; the record, the stream and whatever else the server says pass it by.
//
// A new build is fetched beside the old one and waits. It takes over when no page of the old one is open any more, or when a
// page asks for it ("take over"), which then loads itself anew: a page never runs with the modules of two builds.
// @ts-check

const BUILD = "__BUILD__";
const FILES = ["__FILES__"];
const NAME = `counterfoil-${BUILD}`;
/** The one document, under a name that no page has. */
const DOCUMENT = "/app/document";
/** Addresses that the server answers by itself. */
const SERVERS_OWN = /^\/(v1|r|app|trust|demo|openapi\.json|reference|problems|healthz|service-worker\.js|favicon\.ico)(\/|$)/;

/** @typedef {Event & {waitUntil: (work: Promise<unknown>) => void, respondWith: (answer: Promise<Response>) => void, request: Request, data: any,
 *   addRoutes?: (rules: object) => Promise<void>}} WorkerEvent */
const worker = /** @type {any} */ (self);

/** Fetches the whole build, or nothing of it. */
async function install() {
  const cache = await caches.open(NAME);
  const page = await fetch("/", { cache: "no-store", credentials: "same-origin" });
  const text = await page.clone().text();
  // A sign-in page of the network, or a server that was changed meanwhile: the browser tries again later.
  if (!page.ok || page.redirected || !text.includes(`/app/${BUILD}/main.js`)) throw new Error("this is not the document of this build");
  await cache.put(DOCUMENT, page);
  await cache.addAll(FILES.map((name) => new Request(`/app/${BUILD}/${name}`, { cache: "no-cache", credentials: "same-origin" })));
}

/** Lets go of builds before the last one: of that a page may still be open in another tab, and fetch a module of its own. */
async function activate() {
  const others = (await caches.keys()).filter((name) => name.startsWith("counterfoil-") && name !== NAME);
  for (const name of others.slice(0, -1)) await caches.delete(name);
  await worker.clients.claim();
}

/** @param {Request} request @param {string} key @returns {Promise<Response>} */
async function kept(request, key) {
  const cache = await caches.open(NAME);
  return (await cache.match(key, { ignoreVary: true })) ?? (await caches.match(key, { ignoreVary: true })) ?? fetch(request);
}

worker.addEventListener("install", (/** @type {WorkerEvent} */ event) => {
  event.waitUntil(install());
  // Where a browser can take files from the cache without asking this worker for each, a page is there sooner.
  event.addRoutes?.({ condition: { urlPattern: `/app/${BUILD}/*` }, source: { cacheName: NAME } }).catch(() => {});
});
worker.addEventListener("activate", (/** @type {WorkerEvent} */ event) => event.waitUntil(activate()));
worker.addEventListener("message", (/** @type {WorkerEvent} */ event) => {
  if (event.data === "take over") worker.skipWaiting();
});
worker.addEventListener("fetch", (/** @type {WorkerEvent} */ event) => {
  const { request } = event;
  const { origin, pathname } = new URL(request.url);
  if (request.method !== "GET" || origin !== worker.location.origin) return;
  if (request.mode === "navigate" && !SERVERS_OWN.test(pathname) && !pathname.includes(".")) event.respondWith(kept(request, DOCUMENT));
  else if (pathname.startsWith("/app/")) event.respondWith(kept(request, pathname));
});
