// Settings of the shop, for its owner. Every change is an entry; nobody's wording, rule or number is shipped.

import { ask, session } from "../core/app.js";
import { number, PRESSURE } from "../core/reading.js";
import { t } from "../core/words.js";
import { act, actLink, field, footBack, picks } from "../parts/act.js";
import { askedForm, choicesOf } from "../parts/asked-form.js";
import { h } from "../parts/dom.js";
import { digits, readMoney, typedMoney } from "../parts/money.js";
import { notice, say } from "../parts/notice.js";
import { placeList } from "../parts/place-list.js";
import { save } from "../parts/receipt.js";
import { dayAndTime } from "../parts/times.js";

/** Gaps the owner may let others leave open, as groups a person understands. */
const GROUPS = ["view:*", "view:machine-plate", "question:*", "line-photo:*", "reading:*", "left-view:*", "machine:*", "person:*", "walk-round", "safety", "accessories", "arrangement:*"];
const ROLES = ["counter", "bench"];
/** What has a rule of its own for how long it is kept. */
const KEEP = ["personal", "photos", "refused", "disputed"];

/** @param {import("../parts/page.js").At} at @returns {import("../parts/page.js").Page} */
export function settings(at) {
  /** @type {Record<string, any>} */
  let s = {};
  let etag = "";

  const step = askedForm({ id: "clock", submit: t("act.add-step"), again: () => at.again(), does: (g) => change({ clocks: [...(s.clocks ?? []), { name: g.name, from: g.from, days: g.days }] }) });

  const changing = askedForm({
    id: "key-change", submit: t("act.change-key"), again: () => at.again(), does: async (g) => {
      await ask("POST", "/key-rotation", { json: { because: g.because, ...(g.old === "gone" ? { overlap_days: 0 } : {}) } });
      say(t("page.settings.key-changed"));
    },
  });

  /** @param {Record<string, any>} changes */
  async function change(changes) {
    const { json, etag: next } = await ask("PUT", "/settings", { json: changes, ifMatch: etag });
    s = json;
    etag = next ?? "";
    say(t("page.settings.saved"));
    await at.again();
  }

  return {
    async draw() {
      // What is outside is for the owner; whoever else looks in here sees the rest.
      const owner = session()?.roles.includes("owner");
      // As the server has it now: what was just done here, a key saved or changed, stands in it.
      const [read, { json: here }, stamps, seen, reread] = await Promise.all([ask("GET", "/settings"), ask("GET", ""), ...["/stamps", "/witnessed", "/broken-originals"].map((of) => owner ? ask("GET", of) : null)]);
      s = read.json;
      etag = read.etag ?? "";
      const currency = here?.currency ?? "EUR";
      return {
        title: t("page.settings.title"),
        content: [
          h("h1", null, t("page.settings.title")),
          here && !here.key_exported ? key() : null,
          placeList(s, change), usual(currency), terms(), leaving(), limit(), clocks(), owner ? keeping() : null, readings(), stamps && outside(stamps.json, here?.zone ?? "UTC"), seen && witnesses(seen.json, here?.zone ?? "UTC"), reread && originals(reread.json, here?.zone ?? "UTC"),
          here?.key_exported ? key() : null,
          here && owner ? keyChange(here) : null,
          footBack({ words: t("act.desk"), href: "/" }),
        ],
      };
    },
  };

  function key() {
    return h("section", { class: "section", id: "key" },
      h("h2", null, t("page.settings.key")),
      h("p", null, t("page.settings.key-words")),
      h("div", { class: "row" }, act({
        words: t("act.export-key"), does: async () => {
          const { text } = await ask("POST", "/key-export", { json: {}, accept: "text/plain" });
          save(new File([text], "log.key", { type: "text/plain" }));
          await at.again();
        },
      })));
  }

  /** The key that signs now, and changing it. @param {import("../core/app.js").Shop} here */
  function keyChange(here) {
    const both = here.both_sign, when = (/** @type {string} */ text) => dayAndTime(Date.parse(text), here.zone);
    return h("section", { class: "section", id: "key-change" },
      h("h2", null, t("page.settings.key-change")),
      h("p", null, t("page.settings.key-new"), " ", h("code", null, here.verifier_key)),
      both ? h("p", null, t("page.settings.key-both", { since: when(both.since), until: when(both.until) })) : h("p", { class: "soft" }, t("page.settings.key-change-words")),
      both ? null : changing.draw([
        { id: "because", words: t("page.settings.key-because"), most: 500, need: true },
        { id: "old", words: t("page.settings.key-old"), kind: "pick", need: true, choices: [{ id: "both", words: t("page.settings.key-old.both", { days: here.key_overlap_days }) }, { id: "gone", words: t("page.settings.key-old.gone") }] },
      ]));
  }

  /** Time stamps: how far they are. @param {any} s @param {string} zone */
  function outside(s, zone) {
    const when = (/** @type {string} */ text) => dayAndTime(Date.parse(text), zone);
    const last = s.last && t("page.settings.outside-last", { when: when(s.last.at), authority: s.last.authority, size: s.last.size });
    return h("section", { class: "section", id: "outside" },
      h("h2", null, t("page.settings.outside")), h("p", { class: "soft" }, t("page.settings.outside-words")),
      last ? h("p", null, last) : h("p", null, s.authority ? t("page.settings.outside-not-yet", { host: s.authority }) : t("page.settings.outside-none")),
      waits(s.waiting, zone),
      s.authority ? h("div", { class: "row" }, act({ words: t("act.stamp-now"), does: async () => (await ask("POST", "/stamps", { json: {} }), at.again()) })) : null);
  }

  /** What is under way since when, and why. @param {any} w @param {string} zone */
  function waits(w, zone) {
    if (!w) return null;
    const when = (/** @type {string} */ text) => dayAndTime(Date.parse(text), zone);
    const words = t("page.settings.outside-waiting", { since: when(w.since), tries: w.tries, next: when(w.next) });
    return h("p", null, words, w.why ? ` ${t(`page.settings.outside-why.${w.why}`)}` : "");
  }

  /** Who saw how much of the log. @param {any} s @param {string} zone */
  function witnesses(s, zone) {
    if (s.witnesses.length === 0) return null;
    return h("section", { class: "section", id: "witnesses" },
      h("h2", null, t("page.settings.witnesses")), h("p", { class: "soft" }, t("page.settings.witnesses-words")),
      s.witnesses.map((/** @type {any} */ w) => h("div", { "data-key": w.key },
        h("p", null, w.size === undefined ? t("page.settings.witness-not-yet", { name: w.name }) : t("page.settings.witness", { name: w.name, size: w.size })), waits(w.waiting, zone))),
      h("div", { class: "row" }, act({ words: t("act.witness-now"), does: async () => (await ask("POST", "/witnessed", { json: {} }), at.again()) })));
  }

  /** Originals: whether each was read again, and which are broken. @param {any} s @param {string} zone */
  function originals(s, zone) {
    const when = (/** @type {string} */ text) => dayAndTime(Date.parse(text), zone);
    return h("section", { class: "section", id: "originals" },
      h("h2", null, t("page.settings.originals")), h("p", { class: "soft" }, t("page.settings.originals-words")),
      s.broken.map((/** @type {any} */ b) => h("p", { "data-file": b.file },
        t(`page.settings.originals-broken.${b.what}`, { tags: b.tags.join(", "), since: when(b.since), file: b.file }))),
      h("p", null, s.round_at ? t("page.settings.originals-round", { when: when(s.round_at) }) : t("page.settings.originals-not-yet")));
  }

  /** @param {string} currency */
  function usual(currency) {
    const now = s.usual ?? {};
    /** @param {string} k @param {any} value */
    const set = (k, value) => {
      const { [k]: _, ...rest } = now;
      return change({ usual: value === undefined ? rest : { ...rest, [k]: value } });
    };
    /** @param {string} k */
    const money = (k) => field({
      id: `usual-${k}`, words: `${t(`page.field.${k}`)}, ${currency}`, hint: t("page.settings.none-hint"),
      value: now[k] === "none" ? t("page.settings.none") : now[k] === undefined ? "" : typedMoney({ minor: now[k], currency }),
      onchange: (typed) => {
        if (!typed) return set(k, undefined);
        if (typed.toLowerCase() === t("page.settings.none")) return set(k, "none");
        const read = readMoney(typed, currency);
        return read ? set(k, read.minor) : notice(t("page.agreed.no-amount", { typed }));
      },
      input: { maxlength: String(12 + digits(currency)) },
    });
    /** @param {string} k */
    const days = (k) => field({
      id: `usual-${k}`, words: t(`page.settings.${k.replace("_", "-")}`), value: now[k] ?? "", input: { type: "number", min: "0", max: "365", inputmode: "numeric" },
      onchange: (typed) => set(k, typed === "" ? undefined : Number(typed)),
    });
    /** @param {string} k @param {string[]} words */
    const one = (k, words) => h("div", { class: "question", "data-key": k }, h("h3", null, t(`page.field.${k.replace("_", "-")}`)), picks({
      name: t(`page.field.${k.replace("_", "-")}`), chosen: now[k], choices: words.map((w) => ({ id: w, words: t(`page.arranged.${k.replace("_", "-")}.${w.replaceAll(" ", "-")}`) })), does: (w) => set(k, w),
    }));
    return h("section", { class: "section" },
      h("h2", null, t("page.settings.usual")), h("p", { class: "soft" }, t("page.settings.usual-words")),
      money("fee"), money("limit"), one("over_limit", ["ask first", "do not go over"]), money("deposit"),
      days("diagnosis_days"), days("ready_days"), one("old_parts", ["give back", "dispose", "keep for supplier"]));
  }

  function terms() {
    return h("section", { class: "section" },
      h("h2", null, t("page.field.terms")),
      field({ id: "terms", words: t("page.settings.terms"), hint: t("page.settings.terms-hint"), long: true, value: s.terms, input: { rows: "8", maxlength: "4000" }, onchange: (typed) => change({ terms: typed }) }));
  }

  function leaving() {
    const table = /** @type {Record<string, string[]>} */ (s["may-leave-open"]);
    const lets = (/** @type {string} */ role, /** @type {string} */ g) => !(table[role] ?? []).includes(`!${g}`) && ((table[role] ?? []).includes(g) || (g === "view:machine-plate" && (table[role] ?? []).includes("view:*")));
    /** @param {string} role @param {string} g */
    const flip = (role, g) => {
      const on = lets(role, g);
      const rest = (table[role] ?? []).filter((p) => p !== g && p !== `!${g}`);
      // Taking one view out of all of them is said; taking a whole group out is leaving it away.
      const next = on ? (g === "view:machine-plate" && rest.includes("view:*") ? [...rest, `!${g}`] : rest) : g === "view:machine-plate" && rest.includes("view:*") ? rest : [...rest, g];
      return change({ "may-leave-open": { ...table, [role]: next } });
    };
    return h("section", { class: "section" },
      h("h2", null, t("page.settings.leaving")), h("p", { class: "soft" }, t("page.settings.leaving-words")),
      ROLES.map((role) => h("div", { class: "question", "data-key": role },
        h("h3", null, t(`page.role.${role}`)),
        h("div", { class: "picks", role: "group", "aria-label": t(`page.role.${role}`) }, GROUPS.map((g) => h("button", {
          type: "button", class: "pick", "data-key": g, "aria-pressed": lets(role, g) ? "true" : "false", onclick: () => flip(role, g).catch((e) => notice(e.message)),
        }, t(`page.leaving.${g.replace(":*", "").replace(":", "-")}`)))))));
  }

  /** Steps of storage and of what nobody collects: local law, entered by the shop. */
  function clocks() {
    const all = /** @type {{ name: string, from: string, days: number }[]} */ (s.clocks ?? []);
    return h("section", { class: "section", id: "clocks" },
      h("h2", null, t("page.settings.clocks")), h("p", { class: "soft" }, t("page.settings.clocks-words")),
      all.length ? h("ul", { class: "sheet__list" }, all.map((c, i) => h("li", { "data-key": `${i}-${c.name}` }, t("page.settings.clock", { name: c.name, days: c.days, from: t(`page.settings.from.${c.from.replaceAll(" ", "-")}`) }), " ",
        h("button", { type: "button", class: "link", onclick: () => change({ clocks: all.filter((_, j) => j !== i) }).catch((e) => notice(e.message)) }, t("act.delete"))))) : null,
      step.draw([
        { id: "name", words: t("page.settings.clock-name"), most: 80, need: true }, { id: "days", words: t("page.settings.clock-days"), kind: "count", need: true },
        { id: "from", words: t("page.settings.clock-from"), kind: "pick", choices: choicesOf(["taken in", "ready by", "reached"], (w) => `page.settings.from.${w}`), need: true },
      ]));
  }

  /** How long what is kept: local law, entered by the shop. */
  function keeping() {
    const all = /** @type {Record<string, number>} */ (s.keep ?? {});
    /** @param {string} k */
    const days = (k) => field({
      id: `keep-${k}`, words: t(`page.settings.keep.${k}`), hint: t(`page.settings.keep-hint.${k}`), value: String(all[k] ?? ""), input: { type: "number", min: "0", max: "36500", inputmode: "numeric" },
      onchange: (typed) => {
        const { [k]: _, ...rest } = all;
        return change({ keep: typed === "" ? rest : { ...rest, [k]: Number(typed) } });
      },
    });
    return h("section", { class: "section", id: "keep" },
      h("h2", null, t("page.settings.keep")), h("p", { class: "soft" }, t("page.settings.keep-words")),
      KEEP.map(days),
      Object.keys(all).length ? h("div", { class: "row" }, actLink({ words: t("act.kept-long-enough"), href: "/kept" })) : null);
  }

  /** The shop's rule for a compression reading, and how high it stands. */
  function readings() {
    const rule = s["compression-rule"];
    const height = s.height;
    /** @param {"good" | "low"} end */
    const mark = (end) => field({
      id: `rule-${end}`, words: t(`page.settings.rule-${end}`, { unit: rule.unit }), value: rule[end], input: { inputmode: "decimal", maxlength: "8", required: true },
      onchange: (typed) => (number(typed) === undefined ? notice(t("page.bench.no-number", { typed })) : change({ "compression-rule": { ...rule, [end]: typed } })),
    });
    return h("section", { class: "section", id: "readings" },
      h("h2", null, t("page.settings.readings")), h("p", { class: "soft" }, t("page.settings.readings-words")),
      mark("good"), mark("low"),
      picks({ name: t("page.bench.unit"), chosen: rule.unit, choices: PRESSURE.map((u) => ({ id: u, words: u })), does: (unit) => change({ "compression-rule": { ...rule, unit } }) }),
      field({
        id: "height", words: t("page.settings.height"), hint: t("page.settings.height-hint"), value: height?.value ?? "", input: { inputmode: "decimal", maxlength: "8" },
        onchange: (typed) => (typed && number(typed) === undefined ? notice(t("page.bench.no-number", { typed })) : change({ height: typed ? { value: typed, unit: height?.unit ?? "m" } : null })),
      }),
      height ? picks({ name: t("page.settings.height-unit"), chosen: height.unit, choices: ["m", "ft"].map((u) => ({ id: u, words: u })), does: (unit) => change({ height: { ...height, unit } }) }) : null);
  }

  function limit() {
    return h("section", { class: "section" },
      h("h2", null, t("page.settings.open-limit")),
      field({
        id: "open-limit", words: t("page.settings.open-limit-hours"), value: String(s["open-limit"]), input: { type: "number", min: "1", max: "8760", inputmode: "numeric", required: true },
        onchange: (typed) => typed && change({ "open-limit": Number(typed) }),
      }));
  }
}
