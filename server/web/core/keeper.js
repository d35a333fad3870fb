// The app kept on the device (service worker): whether it is, whether a newer one waits, and taking that over. Part of the edge.
// @ts-check

/**
 * @typedef {{
 *   kept: () => boolean, newer: () => boolean,
 *   look: () => Promise<void>, take: () => Promise<void>,
 *   on: (changed: () => void) => void,
 * }} Keeper
 *   `kept`: a page opens without a network; `newer`: another build is here and waits; `look` asks the server for one; `take`
 *   loads the page anew with the newest there is.
 */

/** How long a newer build may take to be fetched once somebody asked for it, milliseconds. */
const PATIENCE = 30_000;
/** How often it is asked for then. */
const TRIES = 4;

/** @param {ServiceWorkerContainer | undefined} workers @param {() => void} reload @returns {Keeper} */
export function keeper(workers, reload) {
  /** @type {ServiceWorkerRegistration | null} */
  let registration = null;
  /** @type {Set<() => void>} */
  const listeners = new Set();
  const tell = () => listeners.forEach((l) => l());
  const registering = workers?.register("/service-worker.js", { scope: "/", updateViaCache: "none" }).then((found) => {
    registration = found;
    found.addEventListener("updatefound", () => found.installing?.addEventListener("statechange", tell));
    tell();
    // The first one takes over at once: from then on the app opens without a network.
    return workers.ready.then(tell);
  }).catch(() => {
    // A certificate that is not trusted, or private browsing: the app works, but only while the server answers.
  });
  workers?.addEventListener("controllerchange", tell);
  /** Asks the server for a newer build; whether it answered. */
  const asked = async () => {
    await registering;
    return registration ? registration.update().then(() => true, () => false) : true;
  };

  return {
    kept: () => Boolean(registration?.active),
    newer: () => Boolean(registration?.waiting && registration.active),
    on: (changed) => listeners.add(changed),
    async look() {
      await asked();
    },
    async take() {
      // On a bad line a build may not come whole the first time; to load the page anew with the old one would change nothing.
      for (let tries = 0; tries < TRIES; tries += 1) {
        const came = await asked();
        const next = registration?.waiting ?? registration?.installing;
        if (!next || !workers) {
          if (came) break;
          continue;
        }
        await until(next, (state) => state !== "installing");
        if (next.state !== "installed") continue;
        next.postMessage("take over");
        await until(next, (state) => state === "activated" || state === "redundant");
        break;
      }
      reload();
    },
  };
}

/** @param {ServiceWorker} worker @param {(state: ServiceWorkerState) => boolean} so @returns {Promise<void>} */
function until(worker, so) {
  return new Promise((resolve) => {
    if (so(worker.state)) return resolve();
    const timer = setTimeout(resolve, PATIENCE);
    worker.addEventListener("statechange", () => {
      if (!so(worker.state)) return;
      clearTimeout(timer);
      resolve();
    });
  });
}
