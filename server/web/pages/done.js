// After the second act: the stamp, what the customer takes home, and where the machine goes now.

import { say, session, shop } from "../core/app.js";
import { t } from "../core/words.js";
import { act, actLink, foot, picks } from "../parts/act.js";
import { h } from "../parts/dom.js";
import { onward as onwardIcon, paper, share as shareIcon } from "../parts/icons.js";
import { head, load, meanwhile, watching } from "../parts/intake.js";
import { machineName } from "../parts/facts.js";
import { nameOf } from "../parts/names.js";
import { receiptFile, shareReceipt, shareText } from "../parts/receipt.js";
import { linkPart } from "../parts/links.js";
import { stamp } from "../parts/tag.js";
import { dayAndTime } from "../parts/times.js";

/** @param {import("../parts/page.js").At} at @returns {import("../parts/page.js").Page} */
export function done(at) {
  const [id] = at.ids;
  const links = linkPart(id, () => at.again());
  /** @type {File | null} */
  let file = null;
  let asked = -1;

  return {
    watch: watching(id),
    async draw() {
      const [view, here] = await Promise.all([load(id), shop()]);
      const taken = view.state.taken_in;
      const accepted = taken?.index !== undefined;
      // What the server knows better leads back to what is open.
      const refused = !accepted && view.refused.length > 0;
      const zone = here?.zone ?? "UTC";
      // Sharing needs the file at hand in the moment of the tap.
      const newest = view.state.last_index ?? 0;
      if (accepted && asked !== newest && view.unsent === 0) {
        asked = newest;
        receiptFile(id, view.state.tag ?? "").then((f) => ((file = f), at.again()), () => (asked = -1));
      }
      const places = /** @type {string[]} */ (here?.settings.places ?? []);
      const base = `/v1/shops/${session()?.shop}/intakes/${id}`;
      return {
        title: t(accepted ? "page.done.title" : "page.done.held"),
        content: [
          head(view),
          h("div", { class: "done" },
            stamp(accepted ? "in care" : "held", true),
            h("h1", null, accepted
              ? t("page.done.words", { when: dayAndTime(Date.parse(taken.at ?? taken.device_at), zone), name: nameOf(taken.by) })
              : t("page.done.held-words"))),
          ...meanwhile(view),
          accepted ? h("p", { class: "soft" }, t("page.done.entry", { index: taken.index }))
            : refused ? null : h("p", { role: "status" }, t("page.done.unsent", { count: view.unsent })),
          accepted ? h("section", { class: "section" },
            h("h2", null, t("page.done.customer")),
            h("div", { class: "stack stack--close" },
              actLink({ words: t("act.open-receipt"), href: `${base}/receipt`, icon: paper() }),
              actLink({ words: t("act.print-tag"), href: `${base}/tag` }),
              links.draw(here))) : null,
          accepted || refused ? null : slip(view, here, zone),
          places.length ? h("section", { class: "section" },
            h("h2", null, t("page.done.place")),
            picks({ name: t("page.done.place"), chosen: view.state.place?.place, choices: places.map((p) => ({ id: p, words: p })), does: (place) => say(id, "moved", { place }) })) : null,
          h("ul", { class: "steps" },
            h("li", null, h("a", { href: "/take-in" }, h("span", null, t("act.next-machine")))),
            h("li", null, h("a", { href: `/machine/${id}` }, h("span", null, t("act.to-machine")))),
            h("li", null, h("a", { href: "/" }, h("span", null, t("act.desk"))))),
          accepted
            ? foot(act({ words: t(file ? "act.share-receipt" : "act.receipt-coming"), icon: shareIcon(), heavy: true, off: file ? undefined : t("act.receipt-coming"), does: () => shareReceipt(file) }))
            : refused ? foot(actLink({ words: t("act.go-on"), href: `/intake/${id}/gaps`, icon: onwardIcon(), heavy: true }))
            : foot(actLink({ words: t("act.next-machine"), href: "/take-in", icon: onwardIcon(), heavy: true })),
        ],
      };
    },
  };
}

/** What the customer may take along before the receipt is there. @param {import("../core/app.js").IntakeView} view @param {import("../core/app.js").Shop | null} here @param {string} zone */
function slip(view, here, zone) {
  const ack = view.state.acknowledgement;
  const when = ack ? dayAndTime(Date.parse(ack.mark.device_at), zone) : "";
  const words = [
    t("page.slip.held", { tag: view.state.tag, shop: here?.name ?? "", machine: machineName(view) }),
    ack ? t(ack.how === "signed" ? "page.slip.signed" : "page.slip.not-signed", { when }) : "",
    t("page.slip.not-accepted"),
  ].filter(Boolean);
  return h("section", { class: "section paper", id: "slip" },
    h("h2", null, t("page.slip.title")),
    words.map((w) => h("p", null, w)),
    typeof navigator.share === "function" ? act({ words: t("act.share-slip"), icon: shareIcon(), does: () => shareText(words.join("\n")) }) : null);
}
