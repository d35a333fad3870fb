// The shop's own kinds, for its owner: a shipped one is copied as a start, its text is tried by the server while it is typed,
// and what the counter would be asked for stands beside it. Intakes keep the kind they were opened with.

import { ask, session } from "../core/app.js";
import { asked } from "../core/example.js";
import { t, text } from "../core/words.js";
import { act, foot, footBack } from "../parts/act.js";
import { h } from "../parts/dom.js";
import { attempt, notice, say } from "../parts/notice.js";
import { kindFiles } from "../parts/kind-files.js";
import { drawing } from "../parts/picture.js";
import { stamp } from "../parts/tag.js";

/** @import {Kind} from "../core/types.js" */
/** @typedef {{ digest: string, kind: Kind, own: boolean, retired?: number }} Offered */
/** @typedef {{ faults: { line: number, reason: string }[], digest?: string, kind?: Kind, examples: { name: string, asks: string[] }[] }} Trial */

const PAUSE = 400;
const hex = (/** @type {string} */ digest) => digest.replace(/^sha256:/, "");

/** @param {import("../parts/page.js").At} at @returns {import("../parts/page.js").Page} */
export function kindsPage(at) {
  /** @type {{ from: Offered, copy: boolean, toml: string } | null} */
  let open = null;
  /** @type {Trial | null} */
  let trial = null;
  /** @type {ReturnType<typeof setTimeout> | undefined} */
  let soon;
  let sure = "";
  const fromFiles = kindFiles(() => at.again());

  async function tryIt() {
    const toml = open?.toml ?? "";
    const { json } = await ask("POST", "/kinds/try", { json: { toml } });
    if (open?.toml !== toml) return;
    trial = json;
    await at.again();
  }

  /** @param {Offered} from @param {boolean} copy */
  async function edit(from, copy) {
    const { text: toml } = await ask("GET", `/kinds/${hex(from.digest)}/text`, { accept: "text/plain" });
    // A copy has an identifier of its own from the start, so that it takes nobody's place.
    open = { from, copy, toml: copy ? toml.replace(/^id = "([^"]*)"/m, 'id = "own-$1"') : toml };
    trial = null;
    await tryIt();
    document.getElementById("toml")?.focus();
  }

  async function save() {
    if (!open) return;
    const replaces = trial?.kind?.id === open.from.kind.id && open.from.retired === undefined;
    await ask("POST", "/kinds", { json: { toml: open.toml }, ...(replaces ? { ifMatch: `"${open.from.digest}"` } : {}) });
    say(t("kinds.saved"));
    open = null;
    await at.again();
  }

  return {
    leave: () => clearTimeout(soon),
    async draw() {
      if (!session()?.roles.includes("owner")) return { title: t("kinds.title"), content: [h("h1", null, t("kinds.title")), h("p", { class: "fault" }, t("kinds.owner-only"))] };
      const list = open ? [] : /** @type {Offered[]} */ ((await ask("GET", "/kinds?retired=true")).json);
      return { title: t("kinds.title"), wide: open !== null, content: open ? editor(open) : overview(list) };
    },
  };

  /** @param {Offered[]} list */
  function overview(list) {
    return [
      h("h1", null, t("kinds.title")),
      h("p", { class: "soft" }, t("kinds.words")),
      ...fromFiles(new Set(list.filter((k) => k.retired === undefined).map((k) => k.digest))),
      h("ul", { class: "steps" }, list.map((k) => {
        const name = text(k.kind.name) || k.kind.id;
        return h("li", { "data-key": k.digest },
          h("div", { class: "step" },
            h("span", null, h("b", null, name), h("span", { class: "soft block" }, h("span", { class: "mono" }, k.kind.id), ` · ${t(k.own ? "kinds.own" : "kinds.shipped")}`)),
            k.retired === undefined ? null : stamp("retired"),
            h("span", { class: "row" },
              act({ words: t(k.retired === undefined ? "kinds.edit" : "kinds.offer-again"), does: () => edit(k, false) }),
              act({ words: t("kinds.copy"), does: () => edit(k, true) }),
              k.retired !== undefined ? null : sure === k.digest
                ? act({ words: t("kinds.retire-now", { kind: name }), mark: true, does: async () => ((sure = ""), await ask("DELETE", `/kinds/${hex(k.digest)}`), at.again()) })
                : act({ words: t("kinds.retire"), does: () => ((sure = k.digest), at.again()) }))));
      })),
      footBack({ words: t("act.desk"), href: "/" }),
    ];
  }

  /** @param {{ from: Offered, copy: boolean, toml: string }} now */
  function editor(now) {
    const faults = trial?.faults ?? [];
    const takesPlace = trial?.kind?.id === now.from.kind.id && now.from.retired === undefined;
    return [
      h("h1", null, t("kinds.editing", { kind: text(now.from.kind.name) || now.from.kind.id })),
      h("p", { class: "soft" }, t(takesPlace ? "kinds.takes-place" : "kinds.stands-beside")),
      h("div", { class: "kind-editor" },
        h("div", { class: "stack stack--close" },
          h("label", { for: "toml" }, h("b", null, t("kinds.text"))),
          h("div", { id: "kind-faults", role: "status" },
            trial && faults.length === 0 ? h("p", null, t("kinds.no-faults")) : null,
            faults.length ? h("ul", { class: "stack stack--close" }, faults.slice(0, 50).map((f) => h("li", null, h("button", { type: "button", class: "link fault", onclick: () => goTo(f.line) }, t("kinds.fault", { line: f.line, reason: f.reason }))))) : null),
          h("textarea", {
            id: "toml", class: "box mono toml", "data-key": "toml", spellcheck: "false", autocapitalize: "off", autocomplete: "off", maxlength: "131072", value: now.toml, "aria-describedby": "kind-faults",
            oninput: (/** @type {Event} */ e) => {
              now.toml = /** @type {HTMLTextAreaElement} */ (e.target).value;
              clearTimeout(soon);
              soon = setTimeout(() => attempt(tryIt), PAUSE);
            },
          })),
        h("div", { class: "stack" }, trial?.kind ? preview(trial.kind, trial.examples) : h("p", { class: "empty" }, t("kinds.no-preview")))),
      foot(h("div", { class: "two-acts" },
        act({ words: t("act.cancel"), does: () => ((open = null), at.again()) }),
        act({ words: t("act.save"), heavy: true, ...(trial?.kind ? {} : { off: t("kinds.mend-first") }), does: () => (trial?.kind ? save() : notice(t("kinds.mend-first"))) }))),
    ];
  }

  /** @param {Kind} kind @param {{ name: string, asks: string[] }[]} served */
  function preview(kind, served) {
    const counter = kind.view.filter((v) => v.due === "at counter");
    const questions = (kind.question ?? []).filter((q) => q.due === "at counter");
    return [
      h("h2", null, t("kinds.counter")),
      h("ol", { class: "tiles tiles--two" }, counter.map((v) => h("li", { class: "tile", "data-look": "missing", "data-key": `view-${v.id}` },
        h("span", { class: "tile__picture" }, drawing(v.drawing)), h("span", { class: "tile__words" }, h("b", null, text(v.short)), h("span", { class: "soft" }, v.when ? t("kinds.sometimes") : text(v.stand)))))),
      h("ul", { class: "sheet__list" }, questions.map((q) => h("li", null, text(q.name), q.choices?.length ? h("span", { class: "soft block" }, q.choices.map((c) => text(c.name)).join(" · ")) : null))),
      h("h2", null, t("kinds.examples")),
      kind.example?.length ? null : h("p", { class: "soft" }, t("kinds.no-examples")),
      (kind.example ?? []).map((e, i) => {
        const here = asked(kind, e.answers);
        const same = JSON.stringify(here) === JSON.stringify(served[i]?.asks);
        return h("div", { class: "line", "data-key": `example-${i}` },
          h("b", null, e.name),
          h("p", { class: "soft mono" }, Object.entries(e.answers).map(([field, said]) => `${field} = ${said}`).join(", ")),
          h("p", null, here.length ? t("kinds.asks", { list: here.join(", ") }) : t("kinds.asks-nothing")),
          h("p", { class: same ? "soft" : "marked" }, t(same ? "kinds.same" : "kinds.differs")));
      }),
    ].flat();
  }

  /** Puts the cursor at the line of a fault. @param {number} line */
  function goTo(line) {
    const area = /** @type {HTMLTextAreaElement | null} */ (document.getElementById("toml"));
    if (!area) return;
    const lines = area.value.split("\n");
    const from = lines.slice(0, line - 1).join("\n").length + (line > 1 ? 1 : 0);
    area.focus();
    area.setSelectionRange(from, from + (lines[line - 1]?.length ?? 0));
    area.scrollTop = Math.max(0, (line - 4) * (area.scrollHeight / lines.length));
  }
}
