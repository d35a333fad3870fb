// One photo's parts covered: boxes are drawn, the server makes a copy in which they are filled, and the original stays as it was.

import { ask, fetchIntake } from "../core/app.js";
import { t } from "../core/words.js";
import { act, foot } from "../parts/act.js";
import { MOST, covered } from "../parts/boxes.js";
import { h } from "../parts/dom.js";
import { head, load, meanwhile, watching } from "../parts/intake.js";
import { notice, say } from "../parts/notice.js";
import { photoName } from "../parts/tile.js";

/** @import {Box} from "../core/types.js" */

/** @param {import("../parts/page.js").At} at @returns {import("../parts/page.js").Page} */
export function redactPhoto(at) {
  const [id, photo] = at.ids;
  /** What is drawn and not kept yet. @type {Box[] | null} */
  let drawn = null;

  const set = (/** @type {Box[]} */ boxes) => {
    if (boxes.length > MOST) return notice(t("page.redact.most", { count: MOST }));
    drawn = boxes;
    return at.again();
  };
  const keep = async (/** @type {Box[]} */ boxes) => {
    await ask("PUT", `/photos/${photo}/redaction`, { json: { boxes } });
    drawn = null;
    await fetchIntake(id);
    say(t(boxes.length ? "page.redact.kept" : "page.redact.taken-back"));
    await at.again();
  };

  return {
    watch: watching(id),
    async draw() {
      const view = await load(id);
      const fact = view.photos.find((p) => p.photo === photo);
      const may = fact && !fact.erased && !fact.moved && !fact.film && fact.received;
      const name = fact ? [fact.number, photoName(view, fact)].filter(Boolean).join(". ") : "";
      const kept = fact?.redacted?.boxes ?? [];
      const boxes = drawn ?? kept;
      return {
        title: t("page.redact.title"),
        content: [
          head(view),
          h("h1", null, t("page.redact.title")),
          ...meanwhile(view),
          ...(may ? [
            h("p", null, t("page.redact.words")),
            covered({ photo, name, boxes, does: set }),
            h("p", { class: "soft" }, t("page.redact.how")),
            boxes.length ? h("ul", { class: "sheet__list" }, boxes.map((b, i) => h("li", { "data-key": `box-${i}`, class: "row" },
              h("span", { class: "grow" }, t("page.redact.box", { number: String(i + 1), left: Math.round(b.x / 100), top: Math.round(b.y / 100) })),
              act({ words: t("act.remove-box", { number: String(i + 1) }), does: () => set(boxes.filter((_, j) => j !== i)) })))) : null,
            h("div", { class: "row" },
              drawn ? act({ words: t("act.keep-boxes"), id: "keep-boxes", heavy: true, does: () => keep(boxes) }) : null,
              drawn ? act({ words: t("act.as-before"), does: () => { drawn = null; return at.again(); } }) : null,
              kept.length && !drawn ? act({ words: t("act.uncover"), does: () => keep([]) }) : null),
          ] : [h("p", null, t("refused.no-picture"))]),
          foot(h("a", { class: "link", href: `/machine/${id}` }, t("act.back"))),
        ],
      };
    },
  };
}
