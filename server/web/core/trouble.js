// What goes wrong, as a problem (RFC 9457) that can be shown and acted on. The device's own have types under
// `/problems/device/`; their titles and details are the catalogue's sentences when there is one.
// @ts-check

import { has, t } from "./words.js";

/** @import {Problem} from "./types.js" */

/** An error that carries its problem; `message` is its sentence. */
export class Trouble extends Error {
  /** @param {Problem} problem @param {unknown} [cause] */
  constructor(problem, cause) {
    super(problem.detail, { cause });
    this.name = "Trouble";
    this.problem = problem;
  }
}

// Used when the catalogue has no `device.<slug>` yet (first start without a network).
const PLAIN = /** @type {{[slug: string]: [Problem["retry"], string]}} */ ({
  "no-network": ["same", "The server cannot be reached. What you do stays on this phone and is sent later."],
  "not-the-server": ["same", "Something else answered in the server's place, perhaps a sign-in page of this network."],
  "too-slow": ["same", "The server did not answer in time."],
  "no-store": ["changed", "This browser does not let the app keep anything on the phone. Leave private browsing, or use another browser."],
  "no-space": ["changed", "There is no space left on this phone for the photo. Nothing was kept; make space and take it again."],
  "store-failed": ["same", "The phone could not keep this. Try once more."],
  "store-blocked": ["same", "Another tab holds an older version of the app. Close it, then load this page again."],
  "store-newer": ["same", "A newer version of the app was used on this phone. Load the page again."],
  "client-too-old": ["changed", "This version of the app is too old for the server. What is not sent stays on this phone; load the newer version."],
  "read-back": ["same", "The phone kept other bytes than the camera gave. Take the photo again."],
  "file-gone": ["never", "The photo's bytes are no longer on this phone."],
  "file-changed": ["never", "The photo's bytes on this phone are no longer the ones that were taken."],
  "page-gone": ["same", "This page is not on the phone, or another version of the app is served by now. Load it again."],
  "no-camera": ["changed", "The camera cannot be used here. Use the other button."],
  "photo-too-large": ["changed", "A photo may have at most 64 MB."],
  "photo-empty": ["changed", "The camera gave an empty photo. Take it again."],
  "film-kind": ["changed", "This file is no film that can be kept. MP4, QuickTime and 3GP can, as phones record them."],
  "film-long": ["changed", "A film may last 30 seconds. This one is longer and was not kept; cut it on the phone, or film again."],
  "film-too-large": ["changed", "A film may have at most 256 MB. Film again with a lower resolution."],
  "tag-shape": ["changed", "A tag has up to 12 letters, digits and -."],
  "tag-used-here": ["changed", "This tag is on another machine. Take the next one."],
  "no-words": ["changed", "The words of this language are not on this device. It needs the network once."],
  "sheet-changed": ["changed", "Something was changed while this was being read. Look at it once more, then sign."],
  "signed-out": ["changed", "Nobody is signed in here."],
  "not-here": ["changed", "This intake is not on this device. It needs the network once."],
  "no-kind": ["changed", "The list of this kind of machine is not on this device. It needs the network once."],
});

/**
 * A problem of this device.
 * @param {string} slug one of the above
 * @param {{cause?: unknown, retry?: Problem["retry"]}} [more]
 * @returns {Trouble}
 */
export function trouble(slug, { cause, retry } = {}) {
  const [plainRetry, plainText] = PLAIN[slug] ?? ["same", slug];
  const detail = has(`device.${slug}`) ? t(`device.${slug}`) : plainText;
  return new Trouble({ type: `/problems/device/${slug}`, title: detail, status: 0, detail, retry: retry ?? plainRetry }, cause);
}

/** Whether something thrown is a problem of this slug (`id-used`, `device/no-network`). @param {unknown} error @param {string} slug */
export function isTrouble(error, slug) {
  return error instanceof Trouble && error.problem.type === `/problems/${slug}`;
}
