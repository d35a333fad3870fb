// Found outside hours: photographed where it stands, where and when it was seen, where it was put, and what its owner
// answers. Silence is never agreement: only an owner who comes in lets the intake go on.

import { say, session, shop } from "../core/app.js";
import { t } from "../core/words.js";
import { act, actLink, field, foot, footBack, picks } from "../parts/act.js";
import { h } from "../parts/dom.js";
import { foundWords, slug } from "../parts/facts.js";
import { onward as onwardIcon, paper } from "../parts/icons.js";
import { head, load, meanwhile, watching } from "../parts/intake.js";
import { photosHere } from "../parts/moved.js";
import { notice } from "../parts/notice.js";
import { wallIn } from "../parts/times.js";

const ANSWERS = ["came in", "by phone", "by message", "no answer"];

/** @param {import("../parts/page.js").At} at @returns {import("../parts/page.js").Page} */
export function found(at) {
  const [id] = at.ids;
  const typed = (/** @type {string} */ field) => /** @type {HTMLInputElement} */ (document.getElementById(field)).value.trim();

  return {
    watch: watching(id),
    async draw() {
      const [view, here] = await Promise.all([load(id), shop()]);
      const zone = here?.zone ?? "UTC";
      const waits = view.state.state === "found";
      const places = /** @type {string[]} */ (here?.settings.places ?? []);
      return {
        title: t("page.found.title"),
        content: [
          head(view),
          h("h1", null, t("page.found.title")),
          ...meanwhile(view),
          h("p", null, t("page.found.photos-first", { count: photosHere(view).length })),
          waits ? actLink({ words: t("act.photograph-it"), href: `/intake/${id}` }) : null,
          h("section", { class: "section" },
            h("h2", null, t("page.found.where")),
            h("ul", { class: "sheet__list" }, foundWords(view, zone).map((w) => h("li", null, w))),
            view.state.found ? null : noteFind(zone)),
          waits ? h("section", { class: "section" },
            h("h2", null, t("page.found.put")),
            places.length ? picks({ name: t("page.found.put"), chosen: view.state.place?.place, choices: places.map((p) => ({ id: p, words: p })), does: (place) => say(id, "moved", { place }) }) : null,
            field({ id: "put", words: t("page.found.put-words"), value: view.state.place?.place ?? "", input: { maxlength: "80" }, onchange: (place) => (place ? say(id, "moved", { place }) : undefined) })) : null,
          waits ? h("section", { class: "section" },
            h("h2", null, t("page.found.owner")),
            h("p", { class: "soft" }, t("page.found.silence")),
            field({ id: "answer-note", words: t("page.found.note"), input: { maxlength: "1000" } }),
            picks({ name: t("page.found.owner"), choices: ANSWERS.map((a) => ({ id: a, words: t(`page.answered.${slug(a)}`) })), does: answered })) : null,
          actLink({ words: t("act.open-list"), href: `/v1/shops/${session()?.shop}/intakes/${id}/receipt`, icon: paper() }),
          waits ? footBack({ words: t("act.desk"), href: "/" }) : foot(actLink({ words: t("act.go-on"), href: `/intake/${id}`, icon: onwardIcon(), heavy: true })),
        ],
      };
    },
  };

  /** @param {string} zone */
  function noteFind(zone) {
    return h("div", { class: "stack" },
      field({ id: "found-place", words: t("page.found.place"), input: { maxlength: "200", autocapitalize: "sentences" } }),
      field({ id: "found-at", words: t("page.found.seen-at"), hint: t("page.found.wall"), input: { type: "datetime-local", max: wallIn(Date.now(), zone) } }),
      field({ id: "found-note", words: t("page.found.note"), input: { maxlength: "1000" } }),
      act({
        words: t("act.note-find"), id: "note-find", does: () => {
          const [place, seen, note] = [typed("found-place"), typed("found-at").slice(0, 16), typed("found-note")];
          if (!place || !seen) return notice(t("page.found.needs-both"));
          return say(id, "found-noted", { place, seen_at: seen }, note ? { note } : undefined);
        },
      }));
  }

  /** @param {string} how */
  async function answered(how) {
    const note = typed("answer-note");
    await say(id, "owner-answered", { how }, note ? { note } : undefined);
    if (how === "came in") at.go(`/intake/${id}`, true);
  }
}
