// Short service entries: carburettor, plug, oil. A few words to tap, and the type or grade as it is printed.

import { say } from "../core/app.js";
import { servicesOf } from "../core/kind.js";
import { t } from "../core/words.js";
import { act, field, picks } from "./act.js";
import { h } from "./dom.js";
import { serviceWords, slug } from "./facts.js";
import { camera as cameraIcon } from "./icons.js";
import { notice, say as tell } from "./notice.js";
import { picture } from "./picture.js";

/** @import {IntakeView} from "../core/app.js" */

/** Words the server takes, by service. */
const WHAT = /** @type {Record<string, string[]>} */ ({
  carburettor: ["mixture screws", "fixed jets", "not seen"], plug: ["as found", "cleaned", "changed"], oil: ["as found", "topped up", "changed"],
});
const OLD = ["kept here", "given back"];
const LEVEL = ["above the mark", "at the mark", "below the mark", "none on the dipstick"];

/** @typedef {{ what?: string, old?: string, level?: string, photo?: string }} Draft */

/**
 * @param {string} id
 * @param {(then: (photo: string) => void) => void} shootFor
 * @param {() => unknown} again
 */
export function servicesPart(id, shootFor, again) {
  /** @type {Map<string, Draft>} */
  const drafts = new Map();

  /** @param {string} service @param {Draft} change */
  function choose(service, change) {
    drafts.set(service, { ...drafts.get(service), ...change });
    return again();
  }

  /** @param {string} of */
  const typed = (of) => /** @type {HTMLInputElement | null} */ (document.getElementById(of))?.value.trim() ?? "";

  /** @param {string} service */
  async function note(service) {
    const { what, old, level, photo } = drafts.get(service) ?? {};
    const [fitted, words] = [typed(`fitted-${service}`), typed(`service-note-${service}`)];
    if (!what) return notice(t("page.service.needs-what"));
    if (service === "plug" && what === "changed" && (!fitted || !old)) return notice(t("page.service.needs-plug"));
    if (service === "oil" && what !== "as found" && !fitted) return notice(t("page.service.needs-grade"));
    const told = { ...(fitted ? { fitted } : {}), ...(old && what === "changed" ? { old } : {}), ...(level ? { level } : {}), ...(photo ? { photo } : {}) };
    await say(id, "service-noted", { service, what, ...told }, words ? { note: words } : undefined);
    drafts.delete(service);
    for (const [of, said] of [["fitted", fitted], ["service-note", words]]) {
      const input = /** @type {HTMLInputElement | null} */ (document.getElementById(`${of}-${service}`));
      if (input?.value.trim() === said) input.value = "";
    }
    tell(t("page.bench.noted"));
    return again();
  }

  /** @param {string} service @param {"what" | "old" | "level"} of @param {string[]} words */
  const words = (service, of, words) => picks({
    name: t(`page.service.ask-${of}`), three: true, chosen: drafts.get(service)?.[of], choices: words.map((w) => ({ id: w, words: t(`page.service.${of}.${slug(w)}`) })),
    does: (w) => choose(service, { [of]: w }),
  });

  /** @param {IntakeView} view @param {string} service */
  function one(view, service) {
    const draft = drafts.get(service) ?? {};
    const noted = view.state.services.filter((s) => s.service === service);
    return h("details", { class: "more", "data-key": service, id: `service-${service}` },
      h("summary", null, [t(`page.service.${service}`), noted.length ? serviceWords(noted[noted.length - 1]) : ""].filter(Boolean).join(": ")),
      h("div", { class: "stack stack--close" },
        noted.length > 1 ? h("ul", { class: "sheet__list" }, noted.map((s) => h("li", { "data-key": s.mark.id }, serviceWords(s)))) : null,
        words(service, "what", WHAT[service] ?? []),
        service === "oil" ? words(service, "level", LEVEL) : null,
        service === "carburettor" ? null : field({ id: `fitted-${service}`, words: t(`page.service.fitted-${service}`), input: { maxlength: "200", autocapitalize: "characters" } }),
        service === "plug" && draft.what === "changed" ? words(service, "old", OLD) : null,
        field({ id: `service-note-${service}`, words: t("page.line.note"), input: { maxlength: "400" } }),
        draft.photo ? h("span", { class: "thumb" }, picture(draft.photo, t(`page.service.${service}`))) : null,
        h("div", { class: "row" },
          act({ words: t(draft.photo ? "act.another-photo" : "act.line-photo"), icon: cameraIcon(), does: () => shootFor((photo) => drafts.set(service, { ...drafts.get(service), photo })) }),
          act({ words: t("act.note-service"), does: () => note(service) }))));
  }

  return {
    /** @param {IntakeView} view */
    draw(view) {
      const taken = view.kind ? servicesOf(view.kind) : [];
      return taken.length === 0 ? null : h("section", { class: "stack stack--close", "data-key": "services" }, h("h3", null, t("page.service.title")), taken.map((s) => one(view, s)));
    },
  };
}
