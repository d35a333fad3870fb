// Gaps: what is still asked for, why, and where to tap. Who may can leave one open with a reason; it is printed.

import { mayLeaveOpen } from "../core/check.js";
import { say, session, shop } from "../core/app.js";
import { t } from "../core/words.js";
import { act, actLink, field, foot, picks } from "../parts/act.js";
import { h } from "../parts/dom.js";
import { leftOpen } from "../parts/facts.js";
import { atCounter, beforeSheet, gapSentence, gapWhy, settled, where } from "../parts/flow.js";
import { onward as onwardIcon } from "../parts/icons.js";
import { head, load, meanwhile, toMachine, watching } from "../parts/intake.js";
import { clear, notice } from "../parts/notice.js";

/** @import {IntakeView} from "../core/app.js" */
/** @import {Gap} from "../core/types.js" */

/** Reasons that come up again and again; a tap puts one into the field, where it can be changed. */
const REASONS = ["dirty", "no-time", "not-reachable", "customer"];
/** As the server takes it until the shop sets it. */
const USUAL = { counter: ["view:*", "!view:machine-plate", "question:*", "line-photo:*", "reading:*"], bench: ["view:*", "question:*", "reading:*"] };

/** @param {import("../parts/page.js").At} at @returns {import("../parts/page.js").Page} */
export function gaps(at) {
  const [id] = at.ids;
  let open = "";
  /** @type {IntakeView} */
  let view;
  /** @type {string[]} */
  let patterns = [];

  return {
    watch: watching(id),
    async draw() {
      const [loaded, s] = await Promise.all([load(id), shop()]);
      view = loaded;
      if (settled(view)) return toMachine(view, at);
      const roles = session()?.roles ?? [];
      const table = s?.settings["may-leave-open"] ?? USUAL;
      patterns = roles.includes("owner") ? ["*"] : roles.flatMap((r) => table[r] ?? []);
      const due = atCounter(view);
      const later = view.check.gaps.filter((g) => g.due !== "at counter");
      const left = view.check.left_open;
      const first = beforeSheet(view)[0];
      return {
        title: t("page.gaps.title"),
        content: [
          head(view),
          h("h1", null, due.length ? t("page.gaps.count", { count: due.length }) : t("page.gaps.none")),
          ...meanwhile(view),
          due.length ? h("ul", { class: "steps" }, due.map((g) => item(g))) : h("p", null, t("page.gaps.none-words")),
          left.length ? h("section", { class: "section" }, h("h2", null, t("page.gaps.left-open")), h("ul", { class: "sheet__list" }, leftOpen(view, left).map((w) => h("li", null, w)))) : null,
          later.length ? h("details", { class: "more" },
            h("summary", null, t("page.gaps.later", { count: later.length })),
            h("ul", { class: "sheet__list" }, later.map((g) => h("li", null, gapSentence(g))))) : null,
          h("p", null, h("a", { class: "link", href: `/intake/${id}/not-taken-in` }, t("act.not-taking"))),
          foot(first
            ? actLink({ words: t("act.first-gap"), href: where(id, first.gap), icon: onwardIcon(), heavy: true })
            : actLink({ words: t("act.next.sheet"), href: `/intake/${id}/sheet`, icon: onwardIcon(), heavy: true })),
        ],
      };
    },
  };

  /** @param {Gap} g */
  function item(g) {
    const may = mayLeaveOpen(patterns, g.gap);
    const never = g.gap === "acknowledgement";
    return h("li", { class: "gap", "data-key": g.gap },
      h("p", null, h("b", null, gapSentence(g))),
      h("p", { class: "soft" }, gapWhy(g, view)),
      h("div", { class: "row" },
        actLink({ words: t("act.go-there"), href: where(id, g.gap) }),
        may && open !== g.gap ? act({ words: t("act.leave-open"), does: () => show(g.gap) }) : null,
        !may && !never ? h("p", { class: "soft" }, t("page.gaps.owner-may")) : null),
      may && open === g.gap ? form(g) : null);
  }

  /** @param {string} gap */
  async function show(gap) {
    open = gap;
    await at.again();
    document.getElementById("reason")?.focus();
  }

  /** @param {Gap} g */
  function form(g) {
    return h("div", { class: "stack stack--close" },
      field({ id: "reason", words: t("page.gaps.reason"), hint: t("page.gaps.reason-hint"), input: { maxlength: "400" } }),
      picks({
        name: t("page.gaps.reason"), choices: REASONS.map((r) => ({ id: r, words: t(`page.reason.${r}`) })),
        does: (r) => {
          const input = /** @type {HTMLInputElement} */ (document.getElementById("reason"));
          input.value = t(`page.reason.${r}`);
          input.focus();
        },
      }),
      h("div", { class: "row" },
        act({
          words: t("act.leave-open-now"), does: async () => {
            const reason = /** @type {HTMLInputElement} */ (document.getElementById("reason")).value.trim();
            if (!reason) return notice(t("page.gaps.needs-reason"));
            open = "";
            clear();
            return say(id, "left-open", { gap: g.gap, reason });
          },
        }),
        act({ words: t("act.cancel"), does: () => show("") })));
  }
}
