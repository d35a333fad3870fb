// Not taking it in: a complete answer, with its reason, as easy as taking it in.

import { say } from "../core/app.js";
import { t } from "../core/words.js";
import { act, field, foot, picks } from "../parts/act.js";
import { h } from "../parts/dom.js";
import { settled } from "../parts/flow.js";
import { head, load, meanwhile, toMachine, watching } from "../parts/intake.js";
import { notice } from "../parts/notice.js";

const REASONS = ["customer-takes-it", "not-our-kind", "no-room", "unsafe", "no-agreement", "wrong-tag"];

/** @param {import("../parts/page.js").At} at @returns {import("../parts/page.js").Page} */
export function notTakenIn(at) {
  const [id] = at.ids;
  const typed = () => /** @type {HTMLInputElement} */ (document.getElementById("because"));

  return {
    watch: watching(id),
    async draw() {
      const view = await load(id);
      if (settled(view)) return toMachine(view, at);
      return {
        title: t("page.not-taken.title"),
        content: [
          head(view),
          h("h1", null, t("page.not-taken.title")),
          ...meanwhile(view),
          h("p", null, t("page.not-taken.words")),
          picks({
            name: t("page.not-taken.because"), choices: REASONS.map((r) => ({ id: r, words: t(`page.reason.${r}`) })),
            does: (r) => {
              typed().value = t(`page.reason.${r}`);
              document.getElementById("not-taking")?.focus({ preventScroll: true });
            },
          }),
          field({ id: "because", words: t("page.not-taken.because"), long: true, input: { maxlength: "1000" } }),
          foot(
            act({
              words: t("act.not-taking-now"), heavy: true, id: "not-taking", does: async () => {
                const because = typed().value.trim();
                if (!because) {
                  typed().focus();
                  return notice(t("page.not-taken.needs-reason"));
                }
                await say(id, "not-taken-in", { because });
                return at.go(`/machine/${id}`, true);
              },
            }),
            h("a", { class: "link", href: `/intake/${id}` }, t("act.back"))),
        ],
      };
    },
  };
}
