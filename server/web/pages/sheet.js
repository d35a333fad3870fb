// The sheet: exactly what is signed, in the customer's language, then two acts by two people. First the customer, then the shop.

import { acknowledge, languages, say, session, sheet as sheetOf, shop, wordsIn } from "../core/app.js";
import { spoken, spokenIn, t } from "../core/words.js";
import { act, actLink, field, foot, picks } from "../parts/act.js";
import { h, keep } from "../parts/dom.js";
import { atCounter, beforeSheet } from "../parts/flow.js";
import { howShown } from "../parts/how-shown.js";
import { pen } from "../parts/icons.js";
import { head, load, meanwhile, watching } from "../parts/intake.js";
import { nameOf } from "../parts/names.js";
import { clear, notice } from "../parts/notice.js";
import { pad } from "../parts/pad.js";
import { paper } from "../parts/sheet-paper.js";
import { stamp } from "../parts/tag.js";
import { dayAndTime } from "../parts/times.js";

/** @import {IntakeView, Shop} from "../core/app.js" */

const NOT_NOW = ["in-a-hurry", "reads-at-home", "does-not-want", "not-the-owner"];

/** @param {import("../parts/page.js").At} at @returns {import("../parts/page.js").Page} */
export function sheet(at) {
  const [id] = at.ids;
  let drawn = false;
  let refusing = false;
  /** Digest of the sheet on the screen: it is signed, or nothing is. */
  let seen = "";
  const signature = pad((signed) => {
    drawn = signed;
    at.again();
  });
  signature.element.dataset.key = "pad";
  const how = howShown(() => at.again());

  return {
    watch: watching(id),
    async draw() {
      const view = await load(id);
      if (view.state.state === "found") {
        queueMicrotask(() => at.go(`/intake/${id}/found`, true));
        return { title: view.state.tag ?? "", content: head(view, { level: "h1" }) };
      }
      const acknowledged = !atCounter(view).some((g) => g.gap === "acknowledgement");
      const before = acknowledged ? view.state.acknowledgement : undefined;
      // What was signed stays on the screen in the words it was signed in.
      const words = (await wordsIn(before?.language ?? how.language())) ?? spoken();
      const read = before?.reader ?? how.reader();
      const [shown, here, all] = await Promise.all([sheetOf(id, { language: words.language, ...(read ? { reader: read } : {}) }), shop(), languages()]);
      seen = shown.digest;
      const open = beforeSheet(view).length;
      const unjudged = shown.photos.filter((p) => !p.judged && !p.status.judged).length;
      return {
        title: t("page.sheet.title"),
        content: [
          ...meanwhile(view),
          acknowledged || open ? null : how.draw(all, words.language),
          spokenIn(words, () => h("article", { class: "paper", lang: words.language },
            paper({ view, sheet: shown, shop: here }),
            h("hr", { class: "perforation" }),
            acknowledged ? said(view, here) : open ? h("p", { class: "fault" }, t("page.sheet.gaps-first", { count: open })) : below(view, unjudged))),
          acknowledged ? shopsAct(view, open, here) : open ? foot(actLink({ words: t("act.next.gaps", { count: open }), href: `/intake/${id}/gaps`, heavy: true })) : null,
        ],
      };
    },
  };

  /** Below the line: what signing means, the pad, and the two answers, equally easy. @param {IntakeView} view @param {number} unjudged */
  function below(view, unjudged) {
    const stale = view.state.acknowledgement !== undefined;
    signature.element.setAttribute("aria-label", t("sheet.pad"));
    return h("div", { class: "stack" },
      stale ? h("p", { class: "fault" }, t("page.sheet.stale")) : null,
      unjudged ? h("p", { class: "soft" }, t("page.sheet.unjudged", { count: unjudged })) : null,
      h("p", { id: "what-you-sign" }, t("sheet.what-you-sign")),
      refusing ? null : keep(signature.element),
      refusing ? reasons() : h("div", { class: "two-acts" },
        act({ words: t("act.not-signing"), does: () => refuse(true) }),
        act({ words: t("act.sign"), icon: pen(), heavy: true, id: "sign", does: sign, off: drawn ? undefined : t("page.sheet.sign-first") })),
      refusing ? null : h("div", { class: "row" },
        drawn ? h("button", { type: "button", class: "link", onclick: () => signature.wipe() }, t("act.wipe")) : h("p", { class: "soft" }, t("page.sheet.sign-first"))));
  }

  function reasons() {
    // Taken in the words they are shown in: a tap comes later, when the device speaks its own again.
    const needsReason = t("page.sheet.needs-reason");
    const reasonWords = Object.fromEntries(NOT_NOW.map((r) => [r, t(`page.reason.${r}`)]));
    return h("section", { class: "stack stack--close" },
      h("h2", null, t("page.sheet.not-now")),
      picks({ name: t("page.sheet.not-now"), choices: NOT_NOW.map((r) => ({ id: r, words: reasonWords[r] })), does: (r) => notNow(reasonWords[r]) }),
      field({ id: "because", words: t("page.sheet.other-reason"), input: { maxlength: "400" } }),
      h("div", { class: "two-acts" },
        act({ words: t("act.back-to-signing"), does: () => refuse(false) }),
        act({
          words: t("act.not-signing-because"), does: () => {
            const because = /** @type {HTMLInputElement} */ (document.getElementById("because")).value.trim();
            return because ? notNow(because) : notice(needsReason);
          },
        })));
  }

  /** @param {boolean} on */
  function refuse(on) {
    refusing = on;
    return at.again();
  }

  async function sign() {
    const strokes = signature.strokes();
    if (!strokes) return;
    await acknowledge(id, { how: "signed", strokes, ...(await asShown()) });
    await at.again();
    document.getElementById("take")?.focus({ preventScroll: true });
  }

  /** @param {string} because */
  async function notNow(because) {
    await acknowledge(id, { how: "not now", because, ...(await asShown()) });
    refusing = false;
    // A sentence that asked for the reason is answered.
    clear();
    await at.again();
  }

  /** The sheet on the screen, its language, who read it, and who signs where it is not the owner. */
  async function asShown() {
    await how.settle();
    const reader = how.reader();
    const { bringer } = (await load(id)).state.people;
    return {
      sheet: seen, language: how.language() || spoken().language, ...(reader ? { reader } : {}),
      ...(bringer && !bringer.same_as_owner && bringer.name ? { signer: bringer.name } : {}),
    };
  }

  /** @param {IntakeView} view @param {Shop | null} here */
  function said(view, here) {
    const ack = view.state.acknowledgement;
    if (!ack) return null;
    const when = dayAndTime(Date.parse(ack.mark.device_at), here?.zone ?? "UTC");
    return h("div", { class: "stack stack--close" },
      stamp(ack.how === "signed" ? "signed" : "not signed"),
      h("p", { role: "status" }, ack.how === "signed" ? t("page.sheet.signed", { when }) : t("page.sheet.not-signed", { when, because: ack.because ?? "" })));
  }

  /** The second act, by the second person. @param {IntakeView} view @param {number} open @param {Shop | null} here */
  function shopsAct(view, open, here) {
    if (view.state.taken_in) return foot(actLink({ words: t("act.to-receipt"), href: `/intake/${id}/done`, heavy: true }));
    return foot(
      h("p", { class: "soft" }, t("page.sheet.shops-act", { name: nameOf(session()?.staff), shop: here?.name ?? "" })),
      act({
        words: t("act.take-into-care"), heavy: true, id: "take", off: open ? t("page.sheet.gaps-first", { count: open }) : undefined,
        does: async () => {
          await say(id, "taken-in", {});
          return at.go(`/intake/${id}/done`, true);
        },
      }),
      h("a", { class: "link", href: `/intake/${id}/not-taken-in` }, t("act.not-taking")));
  }
}
