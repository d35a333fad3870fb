// Take a machine in, note one that was left outside hours (`?how=found`), or enter what was written by hand (`?how=on paper`):
// which kind, which tag. The next free number is offered as a choice to tap, never filled in. The address
// may name an earlier intake (`?earlier=…&tag=…&again=…`) that this one goes back to.

import { kinds, openIntake, watchQueue } from "../core/app.js";
import { t, text } from "../core/words.js";
import { act, field, foot, once } from "../parts/act.js";
import { h } from "../parts/dom.js";
import { nextFree } from "../parts/free.js";
import { attempt, notice } from "../parts/notice.js";
import { slug } from "../parts/facts.js";
import { drawing } from "../parts/picture.js";

/** @import {LoadedKind} from "../core/types.js" */

const HOW = /** @type {const} */ (["at counter", "found", "on paper"]);
/** Where each goes on. */
const AFTER = {
  "at counter": (/** @type {string} */ id) => `/intake/${id}`,
  found: (/** @type {string} */ id) => `/intake/${id}/found`,
  "on paper": (/** @type {string} */ id) => `/intake/${id}`,
};

/** @param {import("../parts/page.js").At} at @returns {import("../parts/page.js").Page} */
export function takeIn(at) {
  /** @type {LoadedKind | null} */
  let chosen = null;
  /** @type {Promise<string>} */
  let free = Promise.resolve("");
  let typed = "";
  const earlier = earlierOf(at.query);
  const how = HOW.find((w) => w === at.query.get("how")) ?? "at counter";
  /** @type {import("../core/types.js").Written | undefined} */
  let written;

  /** @param {LoadedKind} kind */
  async function choose(kind) {
    chosen = kind;
    await at.again();
    document.querySelector("h1")?.focus({ preventScroll: true });
    window.scrollTo({ top: 0, behavior: "instant" });
  }

  /** @param {string} tag */
  async function give(tag) {
    if (!chosen) return;
    if (!/^[A-Za-z0-9-]{1,12}$/.test(tag)) return notice(t("page.take-in.tag-shape"));
    const id = await openIntake(chosen.digest, tag, { how, written, earlier });
    at.go(AFTER[how](id), true);
  }

  /** Who wrote it and when comes first: it stands on the paper. */
  async function fromPaper() {
    const value = (/** @type {string} */ field) => /** @type {HTMLInputElement} */ (document.getElementById(field)).value.trim();
    return {
      title: t("page.paper.title"), focus: "written-at",
      content: [
        h("h1", null, t("page.paper.title")),
        h("p", null, t("page.paper.words")),
        field({ id: "written-at", words: t("page.paper.at"), hint: t("page.found.wall"), input: { type: "datetime-local" } }),
        field({ id: "written-by", words: t("page.paper.by"), input: { maxlength: "200", autocapitalize: "words" } }),
        foot(act({
          words: t("act.which-machine"), heavy: true, id: "written", does: () => {
            const [at_, by] = [value("written-at").slice(0, 16), value("written-by")];
            if (!at_ || !by) return notice(t("page.paper.needs-both"));
            written = { at: at_, by };
            return at.again();
          },
        })),
      ],
    };
  }

  /** @param {string} key */
  function press(key) {
    typed = key === "back" ? typed.slice(0, -1) : `${typed}${key}`.slice(0, 12);
    /** @type {HTMLInputElement} */ (document.getElementById("tag")).value = typed;
  }

  return {
    // The kinds may still be on their way to a device that was just signed in.
    watch: (again) => [watchQueue(() => !chosen && again())],
    async draw() {
      if (how === "on paper" && !written) return fromPaper();
      if (!chosen) {
        free = nextFree();
        return { title: t("page.take-in.title"), content: [h("h1", null, t("page.take-in.kind")), earlier ? h("p", { class: "soft" }, t(`page.again.${slug(earlier.again)}`, { tag: earlier.tag })) : null, how === "found" ? h("p", { class: "soft" }, t("page.take-in.found")) : null, ...(await kindButtons(choose)), ...otherWays(how, earlier !== undefined)] };
      }
      const number = await free;
      return {
        title: t("page.take-in.title"),
        content: [
          h("h1", null, t("page.take-in.tag")),
          h("p", { class: "soft" }, t("page.take-in.tag-words")),
          number ? h("button", { type: "button", class: "tag tag--choice", id: "next-free", onclick: once(() => give(number)) },
            h("span", { class: "tag__face" },
              h("span", { class: "tag__number" }, h("span", null, number)),
              h("span", { class: "tag__words" }, t("page.take-in.free")))) : null,
          h("div", { class: "field" },
            h("label", { for: "tag" }, t(number ? "page.take-in.other" : "page.take-in.number")),
            h("input", {
              id: "tag", class: "number", inputmode: "none", autocomplete: "off", maxlength: "12", autocapitalize: "characters", spellcheck: "false",
              oninput: (/** @type {Event} */ e) => (typed = /** @type {HTMLInputElement} */ (e.target).value.trim()),
              onkeydown: (/** @type {Event} */ e) => /** @type {KeyboardEvent} */ (e).key === "Enter" && attempt(() => give(typed)),
            })),
          h("div", { class: "pad-keys" },
            [..."123456789", "-", "0"].map((k) => h("button", { type: "button", class: "key", "data-key": `key-${k}`, onclick: () => press(k) }, k)),
            h("button", { type: "button", class: "key", "aria-label": t("act.delete"), "data-key": "key-back", onclick: () => press("back") }, "⌫")),
          act({ words: t("act.give-tag"), heavy: true, does: () => give(typed) }),
        ],
      };
    },
  };
}

/** How else a machine gets here. @param {string} how @param {boolean} known */
function otherWays(how, known) {
  if (known || how !== "at counter") return [];
  return [h("p", { class: "row" },
    h("a", { class: "link", href: "/take-in?how=found" }, t("act.was-found")),
    h("a", { class: "link", href: "/take-in?how=on+paper" }, t("act.was-on-paper")),
    h("a", { class: "link", href: "/paper" }, t("act.paper")))];
}

/** @param {URLSearchParams} query @returns {import("../core/types.js").Earlier | undefined} */
function earlierOf(query) {
  const [intake, tag, again] = ["earlier", "tag", "again"].map((n) => query.get(n) ?? "");
  const known = again === "same machine" || again === "same customer" || again === "after our repair";
  return intake && tag && known ? { intake, tag, again } : undefined;
}

/** @param {(kind: LoadedKind) => unknown} choose */
async function kindButtons(choose) {
  const known = await kinds();
  if (known.length === 0) return [h("p", { class: "fault" }, t("page.take-in.no-kinds"))];
  return [h("div", { class: "kinds" }, known.map((k) => h("button", { type: "button", class: "kind", "data-key": k.digest, onclick: () => attempt(() => choose(k)) },
    drawing(k.kind.view[0].drawing), h("span", null, text(k.kind.name)))))];
}
