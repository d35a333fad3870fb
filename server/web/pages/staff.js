// Staff: who they are, what they may do. The owner adds people and takes them out; what they did stays in the log.

import { ask, session } from "../core/app.js";
import { t } from "../core/words.js";
import { act, toggle } from "../parts/act.js";
import { h } from "../parts/dom.js";
import { form } from "../parts/form.js";
import { pairingPaper } from "../parts/pairing.js";
import { proved } from "../parts/proof.js";
import { stamp } from "../parts/tag.js";

/** @typedef {{ staff: string, name: string, roles: string[], active: boolean, sign_in?: string }} Member */

const ROLES = ["counter", "bench", "owner"];

/** @param {import("../parts/page.js").At} at @returns {import("../parts/page.js").Page} */
export function staff(at) {
  let open = "";
  /** @type {Set<string>} */
  let roles = new Set();
  /** @type {Record<string, string>} */
  let faults = {};
  /** A code that was made for whoever is open. @type {import("../parts/pairing.js").Pairing | null} */
  let pairing = null;

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

  return {
    async draw() {
      const list = /** @type {Member[]} */ ((await ask("GET", "/staff")).json);
      const owner = session()?.roles.includes("owner") ?? false;
      return {
        title: t("page.staff.title"),
        content: [
          h("h1", null, t("page.staff.title")),
          h("ul", { class: "steps" }, list.map((m) => member(m, owner))),
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
        m.active ? null : stamp("left the shop"),
        owner || mine ? act({ words: t(shown ? "act.close" : "act.change"), does: () => ((open = shown ? "" : m.staff), (faults = {}), (pairing = null), at.again()) }) : null),
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
        owner && !mine && m.active ? pairing ? pairingPaper(pairing) : row(act({ words: t("page.staff.pair", { name: m.name }), does: () => pair(m) })) : null,
        owner && !mine ? row(act({ words: t(m.active ? "act.take-out" : "act.take-back-in"), mark: m.active, does: () => change(m, { active: !m.active }) })) : null) : null);
  }

  /** @param {HTMLElement} one as wide as its words, as "Save" is */
  function row(one) {
    return h("div", { class: "row" }, one);
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
