// The edge: clock, randomness, network, browser. The only module of the core that reaches for them; everything else takes
// them as arguments.
// @ts-check

/**
 * @typedef {{
 *   indexedDB?: IDBFactory, database?: string,
 *   now: () => number, offsetMinutes: () => number,
 *   random: (bytes: number) => Uint8Array<ArrayBuffer>, chance: () => number,
 *   after: (ms: number, run: () => void) => () => void,
 *   fetch: typeof fetch,
 *   upload?: import("./transport.js").Wire["upload"],
 *   locks?: LockManager,
 *   channel?: () => BroadcastChannel,
 *   stream?: (url: string) => EventSource,
 *   languages: () => readonly string[],
 *   urlOf?: (blob: Blob) => string,
 *   client: string,
 *   shelf?: import("./journal.js").Shelf,
 *   page?: {on: (what: "online" | "visible", run: () => void) => void, persist: () => Promise<boolean | undefined>,
 *     space: () => Promise<{usage?: number, quota?: number} | undefined>, keeper: () => import("./keeper.js").Keeper},
 * }} Edge
 *   `shelf` answers at once (localStorage); `persist` asks for storage that lasts; `space` says how full it is.
 */

import { keeper } from "./keeper.js";

/** This browser. @returns {Edge} */
export function browser() {
  const global = /** @type {any} */ (globalThis);
  return {
    indexedDB: global.indexedDB,
    now: () => Date.now(),
    offsetMinutes: () => -new Date().getTimezoneOffset(),
    random: (bytes) => crypto.getRandomValues(new Uint8Array(bytes)),
    chance: () => Math.random(),
    after: (ms, run) => {
      const timer = setTimeout(run, ms);
      return () => clearTimeout(timer);
    },
    fetch: (...args) => globalThis.fetch(...args),
    upload: global.XMLHttpRequest ? upload : undefined,
    // Web Locks are there on secure pages only.
    locks: global.navigator?.locks,
    channel: global.BroadcastChannel ? () => new BroadcastChannel("counterfoil") : undefined,
    stream: global.EventSource ? (url) => new EventSource(url) : undefined,
    languages: () => global.navigator?.languages ?? [],
    urlOf: (blob) => URL.createObjectURL(blob),
    client: `web/${/\/app\/([^/]+)\//.exec(import.meta.url)?.[1] ?? "source"}`,
    shelf: shelf(),
    page: {
      on: (what, run) => {
        if (what === "online") addEventListener("online", run);
        else document.addEventListener("visibilitychange", () => document.visibilityState === "visible" && run());
      },
      persist: async () => navigator.storage?.persist?.(),
      space: async () => navigator.storage?.estimate?.(),
      keeper: () => keeper(global.navigator?.serviceWorker, () => location.reload()),
    },
  };
}

/** @returns {Storage | undefined} */
function shelf() {
  try {
    return globalThis.localStorage;
  } catch {
    return undefined;
  }
}

/**
 * A PUT that tells its progress, which fetch cannot. Gives up when nothing moves for `patience`.
 * @param {string} url @param {{[name: string]: string}} headers @param {ArrayBuffer} bytes @param {number} patience @param {(share: number) => void} progress
 * @returns {Promise<Response>}
 */
function upload(url, headers, bytes, patience, progress) {
  return new Promise((resolve, reject) => {
    const request = new XMLHttpRequest();
    request.open("PUT", url);
    request.timeout = patience;
    request.responseType = "text";
    for (const [name, value] of Object.entries(headers)) request.setRequestHeader(name, value);
    request.upload.onprogress = (event) => event.lengthComputable && progress(event.loaded / event.total);
    request.onload = () => {
      // XMLHttpRequest follows redirects silently; one means that somebody else answered.
      if (request.responseURL && new URL(request.responseURL).pathname !== new URL(url, location.href).pathname) {
        reject(new TypeError("redirected"));
        return;
      }
      const fields = request.getAllResponseHeaders().trim().split(/\r?\n/).filter(Boolean).map((line) => {
        const colon = line.indexOf(":");
        return /** @type {[string, string]} */ ([line.slice(0, colon), line.slice(colon + 1).trim()]);
      });
      resolve(new Response(request.status === 204 ? null : request.responseText, { status: request.status, headers: fields }));
    };
    request.onerror = () => reject(new TypeError("the network failed"));
    request.ontimeout = () => reject(new TypeError("the network stood still"));
    request.onabort = () => reject(new TypeError("the upload was broken off"));
    request.send(bytes);
  });
}
