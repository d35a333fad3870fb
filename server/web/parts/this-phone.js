// What this phone can be relied on for: does the app open without a connection, does what is stored last, how is its clock.

import { t } from "../core/words.js";
import { h } from "./dom.js";
import { clockWords } from "./strip.js";

/** @import {Device} from "../core/app.js" */

const MB = 1_000_000;

/** Whether this is a browser's page on a phone that keeps an app on the home screen longer than a page. */
const pageOnPhone = () => /** @type {any} */ (navigator).standalone === false || (matchMedia("(pointer: coarse)").matches && !matchMedia("(display-mode: standalone)").matches);

/** @param {Device} d */
export function thisPhone(d) {
  const measured = d.measured && { offset: (Math.abs(d.measured.offset_ms) / 1000).toFixed(1), within: (d.measured.round_trip_ms / 2000).toFixed(1) };
  const words = [
    t(d.kept ? "phone.kept" : "phone.not-kept"),
    t(d.lasts ? "phone.lasts" : "phone.may-go"),
    !d.lasts && pageOnPhone() ? t("phone.home-screen") : "",
    d.quota ? t("phone.space", { used: megabytes(d.used ?? 0), free: megabytes(Math.max(0, d.quota - (d.used ?? 0))) }) : "",
    d.clock ? clockWords(d.clock) : measured ? t("phone.clock", measured) : t("phone.clock-not-measured"),
  ];
  return h("section", { class: "section", id: "this-phone" },
    h("h2", null, t("phone.title")),
    h("ul", { class: "sheet__list" }, words.filter(Boolean).map((w) => h("li", null, w))));
}

/** @param {number} bytes */
const megabytes = (bytes) => String(Math.round(bytes / MB));
