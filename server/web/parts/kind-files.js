// Kinds from files, as `counterfoil kinds import` takes a folder: every file is tried first; one fault in one of them, and none is
// added.

import { ask } from "../core/app.js";
import { t } from "../core/words.js";
import { act } from "./act.js";
import { h, keep } from "./dom.js";
import { attempt, say } from "./notice.js";

/** @typedef {{ file: string, line: number, reason: string }} Fault */

/** Most files at once, and the most bytes of one, as the server takes them. */
const MOST = 200;
const MOST_BYTES = 128 * 1024;

/** @param {() => unknown} again draws the page again */
export function kindFiles(again) {
  /** @type {Fault[]} */
  let faults = [];

  /** @param {File} file @returns {Promise<{ toml: string, id: string, digest: string } | Fault[]>} */
  async function tried(file) {
    const fault = (/** @type {string} */ reason) => [{ file: file.name, line: 1, reason }];
    if (file.size > MOST_BYTES) return fault(t("kinds.files.too-large"));
    const toml = await file.text();
    const { json } = await ask("POST", "/kinds/try", { json: { toml } });
    if (json.faults.length) return json.faults.map((/** @type {Fault} */ f) => ({ ...f, file: file.name }));
    return json.kind ? { toml, id: json.kind.id, digest: json.digest } : fault(t("kinds.no-preview"));
  }

  /** @param {File[]} files */
  async function add(files) {
    faults = files.length > MOST ? [{ file: "", line: 1, reason: t("kinds.files.too-many", { count: MOST }) }] : [];
    /** @type {Map<string, { toml: string, digest: string, file: string }>} */
    const found = new Map();
    for (const file of faults.length ? [] : files) {
      const one = await tried(file);
      if (Array.isArray(one)) {
        faults.push(...one);
        continue;
      }
      const other = found.get(one.id);
      if (other) faults.push({ file: file.name, line: 1, reason: t("kinds.files.twice", { id: one.id, file: other.file }) });
      found.set(one.id, { toml: one.toml, digest: one.digest, file: file.name });
    }
    if (faults.length === 0) {
      const fresh = [...found.values()].filter((k) => !offered.has(k.digest));
      for (const { toml } of fresh) await ask("POST", "/kinds", { json: { toml } });
      say(t("kinds.files.added", { count: fresh.length }));
    }
    await again();
  }

  /** Digests of what the list offers now. @type {Set<string>} */
  let offered = new Set();
  // One and the same, however often the page is drawn: it is what is tapped for the person.
  const input = /** @type {HTMLInputElement} */ (h("input", {
    type: "file", accept: ".toml", multiple: true, class: "hide", id: "kind-files", tabindex: "-1", "aria-label": t("kinds.files"), "data-key": "kind-files",
    onchange: () => attempt(async () => {
      const files = [...(input.files ?? [])].sort((a, b) => (a.name < b.name ? -1 : 1));
      // The same files may be chosen again once they are mended: only an emptied input tells of it.
      input.value = "";
      if (files.length) await add(files);
    }),
  }));

  /** @param {Set<string>} now digests of what is offered */
  return (now) => {
    offered = now;
    return [
      h("div", { class: "row" }, act({ words: t("kinds.files"), does: () => input.click() }), keep(input)),
      h("div", { id: "kind-file-faults", role: "status" }, faults.length ? [
        h("p", { class: "fault" }, t("kinds.files.none-added")),
        h("ul", { class: "stack stack--close" }, faults.slice(0, 50).map((f) => h("li", null, [f.file, t("kinds.fault", { line: f.line, reason: f.reason })].filter(Boolean).join(": ")))),
      ] : null),
    ];
  };
}
