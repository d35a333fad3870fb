// The shop's log for its owner, newest first: who said something of which type, when, about which machine. What was said
// stands with the machine.

import { ask, session, shop } from "../core/app.js";
import { t } from "../core/words.js";
import { act } from "../parts/act.js";
import { h } from "../parts/dom.js";
import { freshNames, nameOf } from "../parts/names.js";
import { dayAndTime } from "../parts/times.js";

/** @typedef {{ index: number, type: string, by?: string, device?: string, at: string, intake?: string, tag?: string, state?: string }} Line */

/** @param {import("../parts/page.js").At} at @returns {import("../parts/page.js").Page} */
export function log(at) {
  /** @type {Line[]} */
  let lines = [];
  /** @type {number | undefined} */
  let next;
  /** @type {Record<string, string> | null} */
  let devices = null;

  async function more() {
    const { json } = await ask("GET", `/log${next === undefined ? "" : `?before=${next}`}`);
    lines = [...lines, ...json.entries];
    next = json.next;
  }

  return {
    watch(again) {
      freshNames(again);
      return [];
    },
    async draw() {
      if (!session()?.roles.includes("owner")) return { title: t("log.title"), content: [h("h1", null, t("log.title")), h("p", { class: "fault" }, t("log.owner-only"))] };
      const here = await shop();
      if (!devices) {
        const [, { json }] = await Promise.all([more(), ask("GET", "/devices")]);
        devices = Object.fromEntries(json.map((/** @type {{ device: string, label: string }} */ d) => [d.device, d.label]));
      }
      const labels = devices;
      return {
        title: t("log.title"),
        wide: true,
        content: [
          h("h1", null, t("log.title")),
          h("p", { class: "soft" }, t("log.words")),
          h("ol", { class: "entries log" }, lines.map((e) => h("li", { "data-key": `e${e.index}` },
            h("span", { class: "mono" }, e.index),
            h("span", { class: "soft" }, dayAndTime(Date.parse(e.at), here?.zone ?? "UTC")),
            h("span", null, h("b", null, typeWords(e.type)), h("span", { class: "soft block" }, [nameOf(e.by), e.device ? labels[e.device] : ""].filter(Boolean).join(", "))),
            e.intake ? h("a", { class: "link mono", href: `/${e.state === "open" ? "intake" : "machine"}/${e.intake}` }, t("log.tag", { tag: e.tag ?? "" })) : null))),
          next === undefined ? h("p", { class: "soft" }, t("log.end")) : h("div", { class: "row" }, act({ words: t("log.older"), does: async () => (await more(), at.again()) })),
        ],
      };
    },
  };
}

/** A type as a person reads it; one without words of its own stands as it is. @param {string} type */
function typeWords(type) {
  const key = `lane.type.${type}`;
  const words = t(key);
  return words === key ? type.replaceAll("-", " ") : words;
}
