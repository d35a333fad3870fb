// One photo erased, by the owner, with a reason: its bytes go everywhere, the entry that says so stays.

import { say, session } from "../core/app.js";
import { t } from "../core/words.js";
import { act, field, foot } from "../parts/act.js";
import { h } from "../parts/dom.js";
import { head, load, meanwhile, watching } from "../parts/intake.js";
import { notice } from "../parts/notice.js";
import { picture } from "../parts/picture.js";
import { photoName } from "../parts/tile.js";

/** @param {import("../parts/page.js").At} at @returns {import("../parts/page.js").Page} */
export function erasePhoto(at) {
  const [id, photo] = at.ids;

  return {
    watch: watching(id),
    async draw() {
      const view = await load(id);
      const fact = view.photos.find((p) => p.photo === photo);
      const name = fact ? [fact.number, photoName(view, fact)].filter(Boolean).join(". ") : "";
      const may = session()?.roles.includes("owner") && fact && !fact.erased && !fact.moved;
      return {
        title: t("page.erase.title"),
        content: [
          head(view),
          h("h1", null, t("page.erase.title")),
          ...meanwhile(view),
          may ? h("div", { class: "thumbs" }, h("span", { class: "thumb thumb--whole" }, picture(photo, name, "large"))) : null,
          h("p", null, t(may ? "page.erase.words" : "page.erase.may-not", { photo: name })),
          may ? field({ id: "because", words: t("page.erase.because"), input: { maxlength: "400" } }) : null,
          foot(
            may ? act({
              words: t("act.erase-for-ever"), mark: true, id: "erase", does: async () => {
                const because = /** @type {HTMLInputElement} */ (document.getElementById("because")).value.trim();
                if (!because) return notice(t("page.erase.needs-reason"));
                await say(id, "photo-erased", { photo, because });
                return at.go(`/machine/${id}`, true);
              },
            }) : null,
            h("a", { class: "link", href: `/machine/${id}` }, t("act.back"))),
        ],
      };
    },
  };
}
