// A lost tag: another number hangs on the machine now. The old one stays findable and is never used again.

import { changeTag, say } from "../core/app.js";
import { t } from "../core/words.js";
import { act, field, foot, picks, toggle } from "../parts/act.js";
import { h } from "../parts/dom.js";
import { nextFree } from "../parts/free.js";
import { head, load, meanwhile, needsOtherTag, watching } from "../parts/intake.js";
import { notice } from "../parts/notice.js";

const REASONS = ["fell-off", "not-readable", "wrong-number"];

/** @param {import("../parts/page.js").At} at @returns {import("../parts/page.js").Page} */
export function lostTag(at) {
  const [id] = at.ids;
  const free = nextFree();
  const typed = (/** @type {string} */ field) => /** @type {HTMLInputElement} */ (document.getElementById(field));

  return {
    watch: watching(id),
    async draw() {
      const view = await load(id);
      const number = await free;
      const open = view.state.state === "open";
      if (view.refused.some(needsOtherTag)) return another(view, number);
      return {
        title: t("page.lost-tag.title"),
        content: [
          head(view),
          h("h1", null, t("page.lost-tag.title")),
          ...meanwhile(view),
          h("p", null, t("page.lost-tag.words")),
          number ? toggle({ id: "next-free", words: `${number}, ${t("page.take-in.free")}`, on: false, does: () => (typed("new-tag").value = number) }) : null,
          field({ id: "new-tag", words: t("page.lost-tag.number"), input: { maxlength: "12", autocapitalize: "characters", spellcheck: "false", class: "number" } }),
          picks({
            name: t("page.lost-tag.because", { tag: view.state.tag }), choices: REASONS.map((r) => ({ id: r, words: t(`page.lost-tag.${r}`) })),
            does: (r) => (typed("because").value = t(`page.lost-tag.${r}`)),
          }),
          field({ id: "because", words: t("page.lost-tag.because", { tag: view.state.tag }), input: { maxlength: "400" } }),
          foot(
            act({
              words: t("act.replace-tag"), heavy: true, id: "replace-tag", does: async () => {
                const [tag, because] = [typed("new-tag").value.trim(), typed("because").value.trim()];
                if (!tag || !because) return notice(t("page.lost-tag.needs-both"));
                if (!/^[A-Za-z0-9-]{1,12}$/.test(tag)) return notice(t("page.take-in.tag-shape"));
                await say(id, "tag-replaced", { tag, because });
                return at.go(open ? `/intake/${id}` : `/machine/${id}`, true);
              },
            }),
            h("a", { class: "link", href: open ? `/intake/${id}` : `/machine/${id}` }, t("act.back"))),
        ],
      };
    },
  };

  /** The server knows this number on another machine: nothing was lost, the opening itself gets another one. @param {import("../core/app.js").IntakeView} view @param {string} number */
  function another(view, number) {
    return {
      title: t("act.other-tag"), focus: "new-tag",
      content: [
        head(view),
        h("h1", null, t("act.other-tag")),
        h("p", null, t("page.lost-tag.taken", { tag: view.state.tag })),
        number && number !== view.state.tag ? toggle({ id: "next-free", words: `${number}, ${t("page.take-in.free")}`, on: false, does: () => (typed("new-tag").value = number) }) : null,
        field({ id: "new-tag", words: t("page.lost-tag.number"), input: { maxlength: "12", autocapitalize: "characters", spellcheck: "false", class: "number" } }),
        foot(
          act({
            words: t("act.give-tag"), heavy: true, id: "give-other-tag", does: async () => {
              await changeTag(id, typed("new-tag").value);
              return at.go(`/intake/${id}`, true);
            },
          }),
          h("a", { class: "link", href: `/intake/${id}` }, t("act.back"))),
      ],
    };
  }
}
