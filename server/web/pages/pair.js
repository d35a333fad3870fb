// A phone opened by the QR code on the desk's screen: it is let in by the code and goes on at once.

import { claimPairing } from "../core/app.js";
import { t } from "../core/words.js";
import { act, actLink, field } from "../parts/act.js";
import { h } from "../parts/dom.js";
import { sentenceOf } from "../parts/notice.js";

/** @param {import("../parts/page.js").At} at @returns {import("../parts/page.js").Page} */
export function pair(at) {
  const code = at.hash;
  // The code is worth something until it is claimed: out of the address bar at once.
  if (code) history.replaceState(null, "", "/pair");
  let problem = "";
  let begun = false;

  /** @param {string} given */
  async function claim(given) {
    problem = "";
    try {
      await claimPairing(given, label());
      await at.go("/", true);
    } catch (error) {
      problem = sentenceOf(error);
      await at.again();
    }
  }

  return {
    draw() {
      if (code && !begun) {
        begun = true;
        queueMicrotask(() => claim(code));
      }
      const waits = begun && !problem;
      return {
        title: t("page.pair.title"),
        content: [
          h("h1", null, t("page.pair.title")),
          h("p", { role: "status", "aria-live": "polite" }, waits ? t("page.pair.going") : problem ? "" : t("page.pair.no-code")),
          problem ? h("p", { class: "fault" }, problem) : null,
          problem && code ? act({ words: t("act.again"), does: () => claim(code) }) : null,
          waits ? null : field({ id: "code", words: t("page.pair.code"), input: { autocapitalize: "none", spellcheck: "false", class: "mono", maxlength: "100" } }),
          waits ? null : act({ words: t("act.pair"), heavy: true, does: () => claim(/** @type {HTMLInputElement} */ (document.getElementById("code")).value.trim()) }),
          waits ? null : actLink({ words: t("act.sign-in-instead"), href: "/sign-in" }),
        ],
      };
    },
  };
}

/** What the desk calls this phone, as far as the browser tells. */
function label() {
  const agent = navigator.userAgent;
  const found = /(iPhone|iPad|Android|Macintosh|Windows|Linux)/.exec(agent)?.[1] ?? "";
  return found ? t("page.pair.label", { system: found }) : undefined;
}
