// Devices: a phone is let in by a QR code on the desk's screen; a lost one is put out.

import { ask } from "../core/app.js";
import { t } from "../core/words.js";
import { act } from "../parts/act.js";
import { h } from "../parts/dom.js";
import { freshNames, nameOf } from "../parts/names.js";
import { pairingPaper } from "../parts/pairing.js";
import { proved } from "../parts/proof.js";
import { dayAndTime } from "../parts/times.js";

/** @typedef {{ device: string, staff: string, label: string, paired: string, revoked?: string, signed_in: boolean, this_one: boolean }} Device */

/** Of one name and one person so many are shown; the older ones are folded. */
const SHOWN = 2;

/** @param {import("../parts/page.js").At} at @returns {import("../parts/page.js").Page} */
export function devices(at) {
  /** @type {import("../parts/pairing.js").Pairing | null} */
  let pairing = null;
  /** @type {ReturnType<typeof setTimeout> | undefined} */
  let over;
  let sure = "";

  async function make() {
    const made = (await ask("POST", "/pairings", { json: {} })).json;
    pairing = made;
    clearTimeout(over);
    over = setTimeout(() => {
      pairing = null;
      at.again();
    }, Math.max(0, Date.parse(made.expires) - Date.now()));
    await at.again();
  }

  /** @param {string} device */
  async function revoke(device) {
    sure = "";
    await proved(() => ask("DELETE", `/devices/${device}`));
    await at.again();
  }

  return {
    watch: (again) => {
      freshNames(again);
      return [];
    },
    leave: () => clearTimeout(over),
    async draw() {
      const list = /** @type {Device[]} */ ((await ask("GET", "/devices")).json);
      const zone = new Intl.DateTimeFormat().resolvedOptions().timeZone;
      const live = list.filter((d) => d.signed_in);
      const over = list.filter((d) => !d.signed_in && !d.revoked);
      return {
        title: t("page.devices.title"),
        content: [
          h("h1", null, t("page.devices.title")),
          pairing ? pairingPaper(pairing) : act({ words: t("act.pair-phone"), heavy: true, does: make }),
          h("section", { class: "section" },
            h("h2", null, t("page.devices.list", { count: live.length })),
            h("ul", { class: "steps" }, alike(live).flatMap((all) => [
              ...all.slice(0, SHOWN).map((d) => row(d, zone)),
              all.length > SHOWN ? h("li", { "data-key": `more-${all[0].device}` }, h("details", { class: "more" },
                h("summary", null, t("page.devices.more", { count: all.length - SHOWN, label: all[0].label, name: nameOf(all[0].staff) })),
                h("ul", { class: "steps" }, all.slice(SHOWN).map((d) => row(d, zone))))) : null,
            ])),
            over.length ? h("details", { class: "more", "data-key": "over" },
              h("summary", null, t("page.devices.over", { count: over.length })),
              h("ul", { class: "sheet__list" }, alike(over).map((all) => h("li", null, t("page.devices.over-one", { label: all[0].label, name: nameOf(all[0].staff), count: all.length, when: dayAndTime(Date.parse(all[0].paired), zone) }))))) : null),
          h("p", null, h("a", { href: "/code" }, t("page.staff.own-code"))),
        ],
      };
    },
  };

  /** One that has access. @param {Device} d @param {string} zone */
  function row(d, zone) {
    return h("li", { "data-key": d.device },
      h("div", { class: "step" },
        h("span", null, h("b", null, d.label), `, ${nameOf(d.staff)}`, d.this_one ? [" ", h("span", { class: "badge" }, t("page.devices.this"))] : null,
          h("span", { class: "soft block" }, t("page.devices.since", { when: dayAndTime(Date.parse(d.paired), zone) }))),
        sure === d.device
          ? act({ words: t("act.put-out-now"), mark: true, does: () => revoke(d.device) })
          : act({ words: t("act.put-out"), does: () => ((sure = d.device), at.again()) })));
  }
}

/** Devices of one name and one person together, the newest first; this one before all others. @param {Device[]} list @returns {Device[][]} */
function alike(list) {
  /** @type {Map<string, Device[]>} */
  const groups = new Map();
  for (const d of [...list].sort((a, b) => Number(b.this_one) - Number(a.this_one))) {
    const key = JSON.stringify([d.label, d.staff]);
    groups.set(key, [...(groups.get(key) ?? []), d]);
  }
  return [...groups.values()];
}
