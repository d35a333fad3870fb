// The code on this screen by which a phone is let in.

import { t } from "../core/words.js";
import { h } from "./dom.js";
import { svgElement } from "./svg.js";
import { dayAndTime } from "./times.js";

/** @typedef {{ code: string, url: string, expires: string, qr_svg: string }} Pairing */

/** @param {Pairing} pairing */
export function pairingPaper(pairing) {
  const zone = new Intl.DateTimeFormat().resolvedOptions().timeZone;
  return h("section", { class: "paper stack", role: "status" },
    h("h2", null, t("page.devices.scan")),
    h("div", { class: "qr", role: "img", "aria-label": t("page.devices.qr") }, svgElement(pairing.qr_svg)),
    h("p", null, t("page.devices.or-code"), " ", h("span", { class: "mono" }, pairing.code)),
    h("p", { class: "soft" }, t("page.devices.until", { when: dayAndTime(Date.parse(pairing.expires), zone) })),
    h("p", null, h("a", { class: "link", href: "/trust" }, t("page.devices.trust"))));
}
