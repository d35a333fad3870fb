// Staff: who they are, what they may do. The owner adds people and takes them out; what they did stays in the log. Who is asked
// for a code beside the password, and whose phone with it is lost.

import { ask, session } from "../core/app.js";
import { t } from "../core/words.js";
import { act, actLink, picks, toggle } from "../parts/act.js";
import { h } from "../parts/dom.js";
import { form } from "../parts/form.js";
import { pairingPaper } from "../parts/pairing.js";
import { proved } from "../parts/proof.js";
import { stamp } from "../parts/tag.js";

/** @typedef {{ staff: string, name: string, roles: string[], active: boolean, sign_in?: string, second_factor?: boolean }} Member */

const ROLES = ["counter", "bench", "owner"];
/** Of whom a code may be asked. */
const ASKED_OF = ["nobody", "owners", "all"];

/** @param {import("../parts/page.js").At} at @returns {import("../parts/page.js").Page} */
export function staff(at) {
  let open = "";
  /** @type {Set<string>} */
  let roles = new Set();
  /** @type {Record<string, string>} */
  let faults = {};
  /** A code that was made for whoever is open. @type {import("../parts/pairing.js").Pairing | null} */
  let pairing = null;
  /** Whose code is about to be taken away. */
  let sure = "";

  /** @param {Member} m @param {object} change @param {boolean} [shuts] when it is done */
  async function change(m, change, shuts = false) {
    const done = await proved(() => ask("PATCH", `/staff/${m.staff}`, { json: change }));
    if (done && shuts) open = "";
    await at.again();
  }

  /** @param {Member} m */
  async function pair(m) {
    await proved(async () => (pairing = (await ask("POST", "/pairings", { json: { staff: m.staff } })).json));
    await at.again();
  }

  /** @param {Member} m */
  async function takeCodeAway(m) {
    sure = "";
    await proved(() => ask("DELETE", `/staff/${m.staff}/second-factor`));
    await at.again();
  }

  return {
    async draw() {
      const owner = session()?.roles.includes("owner") ?? false;
      const [people, settings] = await Promise.all([ask("GET", "/staff"), owner ? ask("GET", "/settings") : null]);
      const list = /** @type {Member[]} */ (people.json);
      return {
        title: t("page.staff.title"),
        content: [
          h("h1", null, t("page.staff.title")),
          h("ul", { class: "steps" }, list.map((m) => member(m, owner))),
          settings ? asking(settings.json["code-asked-of"], settings.etag) : null,
          owner ? adding() : h("p", { class: "soft" }, t("page.staff.owner-only")),
        ],
      };
    },
  };

  /** @param {Member} m @param {boolean} owner */
  function member(m, owner) {
    const mine = m.staff === session()?.staff;
    const shown = open === m.staff;
    return h("li", { "data-key": m.staff },
      h("div", { class: "step" },
        h("span", null, h("b", null, m.name), h("span", { class: "soft block" }, [m.sign_in, m.roles.map((r) => t(`page.role.${r}`)).join(", ")].filter(Boolean).join(" · "))),
        m.second_factor ? h("span", { class: "badge" }, t("page.staff.code")) : null,
        m.active ? null : stamp("left the shop"),
        owner || mine ? act({ words: t(shown ? "act.close" : "act.change"), does: () => ((open = shown ? "" : m.staff), (faults = {}), (pairing = null), (sure = ""), at.again()) }) : null),
      shown ? h("div", { class: "stack part__open" },
        owner ? h("div", { class: "question" }, h("h3", null, t("page.staff.roles")), h("div", { class: "picks" }, ROLES.map((r) => toggle({
          words: t(`page.role.${r}`), on: m.roles.includes(r),
          does: () => change(m, { roles: m.roles.includes(r) ? m.roles.filter((x) => x !== r) : [...m.roles, r] }),
        })))) : null,
        form({
          id: `change-${m.staff}`, heavy: false, button: t("act.save"), faults, failed: (f) => (faults = f),
          fields: [
            { id: "name", words: t("page.staff.name"), value: m.name, input: { required: true, maxlength: "200" } },
            ...(mine ? [{ id: "current_password", words: t("page.staff.current-password"), input: { type: "password", autocomplete: "current-password" } }] : []),
            { id: "password", words: t("page.staff.new-password"), hint: t("page.set-up.password-hint"), input: { type: "password", minlength: "10", autocomplete: "new-password" } },
          ],
          does: async (f) => {
            const given = Object.entries(f).filter(([k, v]) => v && !(k === "name" && v === m.name));
            await change(m, Object.fromEntries(given.filter(([k]) => k !== "current_password" || f.password)), true);
          },
        }),
        mine ? row(actLink({ words: t(m.second_factor ? "page.code.title" : "page.code.set-up"), href: "/code" })) : null,
        owner && !mine && m.second_factor ? sure === m.staff
          ? h("div", { class: "stack stack--close" }, h("p", null, t("page.staff.code-away-words", { name: m.name })), h("div", { class: "row" }, act({ words: t("page.staff.code-away-now"), mark: true, does: () => takeCodeAway(m) }), act({ words: t("act.cancel"), does: () => ((sure = ""), at.again()) })))
          : row(act({ words: t("page.staff.code-away", { name: m.name }), does: () => ((sure = m.staff), at.again()) })) : null,
        owner && !mine && m.active ? pairing ? pairingPaper(pairing) : row(act({ words: t("page.staff.pair", { name: m.name }), does: () => pair(m) })) : null,
        owner && !mine ? row(act({ words: t(m.active ? "act.take-out" : "act.take-back-in"), mark: m.active, does: () => change(m, { active: !m.active }) })) : null) : null);
  }

  /** @param {HTMLElement} one as wide as its words, as "Save" is */
  function row(one) {
    return h("div", { class: "row" }, one);
  }

  /** Who is asked for a code: the shop's own choice. @param {string} now @param {string | undefined} etag */
  function asking(now, etag) {
    return h("section", { class: "section", id: "code-asked" },
      h("h2", null, t("page.staff.code-asked")), h("p", { class: "soft" }, t("page.staff.code-asked-words")),
      picks({
        name: t("page.staff.code-asked"), chosen: now, choices: ASKED_OF.map((w) => ({ id: w, words: t(`page.staff.code-asked.${w}`) })),
        does: async (w) => {
          if (w !== now) await proved(() => ask("PUT", "/settings", { json: { "code-asked-of": w }, ifMatch: etag }));
          await at.again();
        },
      }),
      h("p", null, h("a", { href: "/code" }, t("page.staff.own-code"))));
  }

  function adding() {
    return h("section", { class: "section" },
      h("h2", null, t("page.staff.add")),
      h("div", { class: "question" }, h("h3", null, t("page.staff.roles")), h("div", { class: "picks", role: "group", "aria-label": t("page.staff.roles") }, ROLES.map((r) => toggle({
        words: t(`page.role.${r}`), on: roles.has(r), does: () => (roles.has(r) ? roles.delete(r) : roles.add(r), at.again()),
      })))),
      form({
        id: "add", heavy: false, button: t("act.add"), faults: open ? {} : faults, failed: (f) => (faults = f),
        fields: [
          { id: "name", words: t("page.staff.name"), input: { required: true, maxlength: "200" } },
          { id: "sign_in", words: t("page.set-up.sign-in"), input: { required: true, maxlength: "100", autocapitalize: "none", spellcheck: "false" } },
          { id: "password", words: t("page.set-up.password"), hint: t("page.staff.password-hint"), input: { type: "password", minlength: "10", autocomplete: "new-password" } },
        ],
        does: async (f) => {
          const json = { name: f.name, sign_in: f.sign_in, roles: [...roles], ...(f.password ? { password: f.password } : {}) };
          if (!(await proved(() => ask("POST", "/staff", { json })))) return;
          roles = new Set();
          /** @type {HTMLFormElement} */ (document.getElementById("add")).reset();
          await at.again();
        },
      }));
  }
}
