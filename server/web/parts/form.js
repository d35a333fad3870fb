// A page that is one form: fields, one heavy button, and each problem beside the field it names.

import { Trouble } from "../core/trouble.js";
import { t } from "../core/words.js";
import { field, foot } from "./act.js";
import { h } from "./dom.js";
import { notice, sentenceOf } from "./notice.js";
import { redraw } from "./page.js";

/** @typedef {{ id: string, words: string, hint?: string, value?: string, long?: boolean, input?: Record<string, unknown>, choices?: { id: string, words: string }[] }} Field */

/**
 * @param {{ title: string, words?: string, before?: () => Promise<Node | null> | Node | null, fields: Field[] | (() => Field[]), button: string,
 *   after?: Node | null | (() => Node | null), does: (form: Record<string, string>) => unknown }} what
 * @returns {import("./page.js").Page}
 */
export function formPage({ title, words, before, fields, button, after, does }) {
  /** @type {Record<string, string>} */
  let faults = {};
  return {
    async draw() {
      const first = await before?.();
      const list = typeof fields === "function" ? fields() : fields;
      return {
        title,
        focus: list[0]?.id,
        content: [
          h("h1", null, title),
          words ? h("p", null, words) : null,
          first ?? null,
          form({ fields: list, faults, button, does, failed: (f) => (faults = f) }),
          typeof after === "function" ? after() : after ?? null,
        ],
      };
    },
  };
}

/**
 * @param {{ id?: string, fields: Field[], faults: Record<string, string>, button: string, heavy?: boolean, does: (form: Record<string, string>) => unknown, failed: (faults: Record<string, string>) => void }} what
 */
export function form({ id = "form", fields, faults, button, heavy = true, does, failed }) {
  let busy = false;
  /** @param {Event} e */
  async function submit(e) {
    e.preventDefault();
    if (busy) return;
    busy = true;
    const el = /** @type {HTMLFormElement} */ (e.target);
    const given = /** @type {Record<string, string>} */ (Object.fromEntries([...new FormData(el)].map(([k, v]) => [k, String(v)])));
    try {
      failed({});
      await does(given);
    } catch (error) {
      const found = named(error, fields);
      failed(found);
      if (Object.keys(found).length === 0) notice(sentenceOf(error));
      await redraw();
      /** @type {HTMLElement | null} */ (el.querySelector("[aria-invalid=true]"))?.focus();
    } finally {
      busy = false;
    }
  }
  const button_ = h("button", { class: heavy ? "act act--heavy" : "act" }, button);
  return h("form", { class: "stack", id, onsubmit: submit, "data-key": id },
    fields.map((f) => (f.choices ? select(f) : field({ ...f, fault: faults[f.id] }))),
    heavy ? foot(button_) : h("div", { class: "row" }, button_));
}

/** @param {Field} f */
function select(f) {
  return h("div", { class: "field", "data-key": `field-${f.id}` },
    h("label", { for: f.id }, f.words),
    f.hint ? h("p", { class: "soft" }, f.hint) : null,
    h("select", { id: f.id, name: f.id, required: true, value: f.value ?? "" },
      f.value === undefined ? h("option", { value: "" }, t("page.choose")) : null,
      (f.choices ?? []).map((c) => h("option", { value: c.id, selected: c.id === f.value }, c.words))));
}

/** Problems by field: the API names them by pointer. @param {unknown} error @param {Field[]} fields @returns {Record<string, string>} */
function named(error, fields) {
  if (!(error instanceof Trouble)) return {};
  const { errors, pointer, detail } = error.problem;
  const all = /** @type {{ pointer?: string, detail?: string, sentence?: string }[]} */ (errors?.length ? errors : pointer ? [{ pointer, detail }] : []);
  return Object.fromEntries(all.flatMap((e) => {
    const id = (e.pointer ?? "").replace(/^.*\//, "");
    return fields.some((f) => f.id === id) ? [[id, e.detail ?? e.sentence ?? detail]] : [];
  }));
}
