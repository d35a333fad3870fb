// Who it belongs to and who brought it. A card is said as a whole, when the focus leaves it.

import { say, sayAll } from "../core/app.js";
import { t } from "../core/words.js";
import { field, picks, toggle } from "./act.js";
import { h } from "./dom.js";
import { slug } from "./facts.js";
import { attempt } from "./notice.js";

/** @import {IntakeView} from "../core/app.js" */

const STANDING = ["sent by owner", "minor", "not sure"];

/** @param {string} id @param {() => unknown} again */
export function personPart(id, again) {
  /** @type {IntakeView} */
  let view;
  /** Ticked before there is a name to go with it. @type {Set<string>} */
  let none = new Set();
  let other = false;
  /** How the bringer stands to the machine, as tapped last. @type {string | undefined} */
  let standing;
  let card = "";

  /** What is typed and not said yet. @returns {import("../core/journal.js").Fact[]} */
  function facts() {
    /** @type {import("../core/journal.js").Fact[]} */
    const out = [];
    const name = value("owner-name");
    if (name) {
      const personal = filled({ name, phone: value("owner-phone"), email: value("owner-email") });
      // What is given now is no longer "not given".
      const not = [...none].filter((n) => !(n in personal)).sort();
      const next = JSON.stringify([personal, not]);
      if (next !== card) {
        card = next;
        out.push({ type: "person-named", body: { who: "owner", ...(not.length ? { none: not } : {}) }, personal });
      }
    }
    const bringer = value("bringer-name");
    const said = view.state.people.bringer;
    if (bringer && (bringer !== said?.name || (standing !== undefined && standing !== said?.standing))) {
      out.push({ type: "person-named", body: { who: "bringer", ...(standing ? { standing } : {}) }, personal: { name: bringer } });
    }
    return out;
  }

  async function flush() {
    const out = facts();
    if (out.length > 0) await sayAll(id, out);
  }

  /** @param {"phone" | "email"} what */
  async function giveNot(what) {
    if (none.has(what)) none.delete(what);
    else none.add(what);
    await flush();
    again();
  }

  /** @param {IntakeView} now */
  function draw(now) {
    view = now;
    const owner = view.state.people.owner;
    const bringer = view.state.people.bringer;
    if (owner) {
      const personal = filled({ name: owner.name, phone: owner.phone, email: owner.email });
      const held = JSON.stringify([personal, [...(owner.none ?? [])].sort()]);
      if (card !== held) {
        card = held;
        none = new Set(owner.none);
      }
    }
    standing ??= bringer?.standing;
    const chosen = other ? "other" : bringer ? (bringer.same_as_owner ? "owner" : "other") : undefined;
    return h("section", { class: "section", onfocusout: away },
      h("h2", null, t("page.told.person")),
      h("div", { id: "person-owner" }, field({ id: "owner-name", words: t("page.person.name"), value: owner?.name ?? "", input: { autocapitalize: "words", maxlength: "200" } })),
      h("div", { id: "person-owner-contact", class: "stack" },
        contact("phone", owner?.phone, { type: "tel", inputmode: "tel" }),
        contact("email", owner?.email, { type: "email", inputmode: "email", autocapitalize: "none" })),
      h("div", { id: "person-bringer", class: "question" },
        h("h3", null, t("page.person.who-brings")),
        picks({
          name: t("page.person.who-brings"), chosen,
          choices: [{ id: "owner", words: t("page.person.owner-brings") }, { id: "other", words: t("page.person.other-brings") }],
          does: bring,
        }),
        chosen === "other" ? field({ id: "bringer-name", words: t("page.person.bringer-name"), value: bringer?.name ?? "", input: { autocapitalize: "words", maxlength: "200" } }) : null,
        chosen === "other" ? h("h3", null, t("page.person.standing")) : null,
        chosen === "other" ? picks({
          name: t("page.person.standing"), chosen: standing, choices: STANDING.map((s) => ({ id: s, words: t(`page.standing.${slug(s)}`) })),
          does: async (s) => {
            standing = s;
            await flush();
            again();
          },
        }) : null));
  }

  /** @param {string} who */
  async function bring(who) {
    other = who === "other";
    // What is typed above is said first: the tap keeps the focus in this section.
    await flush();
    if (!other) standing = undefined;
    if (!other) await say(id, "person-named", { who: "bringer", same_as_owner: true });
    await again();
    if (other) document.getElementById("bringer-name")?.focus();
  }

  /** @param {"phone" | "email"} what @param {string | undefined} given @param {Record<string, unknown>} input */
  function contact(what, given, input) {
    return h("div", { class: "stack stack--close", "data-key": what },
      field({ id: `owner-${what}`, words: t(`page.person.${what}`), value: given ?? "", input: { ...input, maxlength: "200" } }),
      toggle({ words: t(`page.person.no-${what}`), on: none.has(what), does: () => giveNot(what) }));
  }

  /** @param {Event} e */
  function away(e) {
    const to = /** @type {FocusEvent} */ (e).relatedTarget;
    const section = /** @type {HTMLElement} */ (e.currentTarget ?? e.target);
    if (to instanceof Node && section.closest("section")?.contains(to)) return;
    attempt(flush);
  }

  return { draw, facts, flush };
}

/** @param {string} id */
const value = (id) => /** @type {HTMLInputElement | null} */ (document.getElementById(id))?.value.trim() ?? "";

/** Members that say something. @param {Record<string, string | undefined>} card @returns {Record<string, string>} */
function filled(card) {
  return Object.fromEntries(Object.entries(card).flatMap(([k, v]) => (v ? [[k, v]] : [])));
}
