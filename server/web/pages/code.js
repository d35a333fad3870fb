// One's own code beside the password: set up by a QR code, proved by a first code, kept company by ten recovery codes.

import { ask, refreshSession, shop, syncNow } from "../core/app.js";
import { t } from "../core/words.js";
import { act, actLink, footBack, toggle } from "../parts/act.js";
import { codeField } from "../parts/code-field.js";
import { h } from "../parts/dom.js";
import { form } from "../parts/form.js";
import { proved } from "../parts/proof.js";
import { save } from "../parts/receipt.js";
import { svgElement } from "../parts/svg.js";
import { dayAndTime } from "../parts/times.js";

/** @typedef {{ on: boolean, since?: string, recovery_left: number, due: boolean, has_password: boolean }} Second */
/** @typedef {{ secret: string, uri: string, qr_svg: string, expires: string }} Shown */

/** @param {import("../parts/page.js").At} at @returns {import("../parts/page.js").Page} */
export function code(at) {
  const to = at.query.get("to") ?? "/";
  const back = /^\/(?!\/)/.test(to) && !to.includes("\\") ? to : "/";
  /** @type {Shown | null} */
  let shown = null;
  /** Recovery codes as they were just made: they are seen once. @type {string[] | null} */
  let codes = null;
  /** What is done by a code: new recovery codes, or taking the code away. @type {"" | "renew" | "remove"} */
  let doing = "";
  let recovery = false;
  /** Signs out everything else of theirs with it. */
  let others = false;
  /** @type {Record<string, string>} */
  let faults = {};

  /** @param {() => void} change */
  function fresh(change) {
    change();
    recovery = others = false;
    faults = {};
    return at.again();
  }

  async function show() {
    await proved(async () => (shown = (await ask("POST", "/second-factor")).json));
    await fresh(() => {});
    document.getElementById("code-shown")?.scrollIntoView({ block: "start" });
  }

  /** @param {"PUT" | "POST"} method @param {string} path @param {string} given */
  async function give(method, path, given) {
    /** @type {any} */
    let answer;
    const done = await proved(async () => (answer = (await ask(method, path, { json: { code: given, end_others: others } })).json));
    if (!done) return;
    await refreshSession();
    syncNow();
    await fresh(() => {
      shown = null;
      doing = "";
      codes = answer?.recovery_codes ?? null;
    });
    window.scrollTo({ top: 0 });
  }

  return {
    async draw() {
      const now = /** @type {Second} */ ((await ask("GET", "/second-factor")).json);
      return {
        title: t("page.code.title"),
        content: [
          h("h1", null, t("page.code.title")),
          now.due ? h("p", { class: "fault", role: "status" }, t("page.code.due")) : null,
          ...(codes ? once(codes) : now.on ? on(now) : now.has_password ? off() : [h("p", null, t("page.code.no-password"))]),
          codes || shown || now.due ? null : footBack({ words: t("act.staff"), href: "/staff" }),
        ],
      };
    },
  };

  function off() {
    return [
      h("p", null, t("page.code.words")),
      h("p", { class: "soft" }, t("page.code.phones")),
      shown ? setUp(shown) : h("p", null, act({ words: t("page.code.set-up"), heavy: true, does: show })),
    ];
  }

  /** @param {Shown} now */
  function setUp(now) {
    return h("section", { class: "stack", id: "code-shown" },
      h("section", { class: "paper stack" },
        h("h2", null, t("page.code.scan")),
        h("p", { class: "soft" }, t("page.code.scan-words")),
        h("div", { class: "qr", role: "img", "aria-label": t("page.code.qr") }, svgElement(now.qr_svg)),
        h("div", { class: "row" }, actLink({ words: t("page.code.open"), href: now.uri })),
        h("p", null, t("page.code.or-type")),
        h("p", { class: "mono code-secret", translate: "no" }, now.secret)),
      h("h2", null, t("page.code.first")),
      othersToggle(),
      form({
        id: "turn-on", button: t("page.code.turn-on"), faults, failed: (f) => (faults = f),
        fields: [codeField(false)], does: (f) => give("PUT", "/second-factor", f.code),
      }));
  }

  /** @param {string[]} list */
  function once(list) {
    return [
      h("section", { class: "paper stack", id: "recovery-codes" },
        h("h2", null, t("page.code.recovery-title")),
        h("p", null, t("page.code.recovery-words")),
        h("ol", { class: "mono codes", translate: "no" }, list.map((c) => h("li", null, c)))),
      h("div", { class: "row" }, act({ words: t("page.code.save"), does: () => keep(list) })),
      h("div", { class: "foot" }, act({ words: t("page.code.kept"), heavy: true, does: async () => {
        codes = null;
        await at.go(back, true);
      } })),
    ];
  }

  /** @param {string[]} list */
  async function keep(list) {
    const name = (await shop())?.name ?? "";
    save(new File([`${[t("page.code.recovery-title"), name].filter(Boolean).join(" · ")}\n\n${list.join("\n")}\n`], "recovery-codes.txt", { type: "text/plain" }));
  }

  /** @param {Second} now */
  function on(now) {
    const zone = new Intl.DateTimeFormat().resolvedOptions().timeZone;
    return [
      h("p", null, t("page.code.on", { when: dayAndTime(Date.parse(now.since ?? ""), zone) })),
      h("p", { class: now.recovery_left < 3 ? "fault" : "soft" }, t("page.code.left", { count: now.recovery_left })),
      doing ? byCode(doing) : h("div", { class: "row" },
        act({ words: t("page.code.renew"), does: () => fresh(() => (doing = "renew")) }),
        act({ words: t("page.code.remove"), mark: true, does: () => fresh(() => (doing = "remove")) })),
      doing ? null : h("p", { class: "soft" }, t("page.code.phones")),
    ];
  }

  /** @param {"renew" | "remove"} what */
  function byCode(what) {
    return h("section", { class: "stack", "data-key": what },
      h("h2", null, t(`page.code.${what}`)),
      h("p", null, t(`page.code.${what}-words`)),
      othersToggle(),
      form({
        id: `code-${what}`, heavy: false, button: t(`page.code.${what}`), faults, failed: (f) => (faults = f),
        fields: [codeField(recovery)],
        does: (f) => give("POST", what === "renew" ? "/second-factor/recovery-codes" : "/second-factor/removal", f.code),
      }),
      h("div", { class: "row" },
        act({ words: t(recovery ? "page.code.use-program" : "page.code.use-recovery"), does: () => { recovery = !recovery; faults = {}; return at.again(); } }),
        act({ words: t("act.cancel"), does: () => fresh(() => (doing = "")) })));
  }

  function othersToggle() {
    return toggle({ words: t("page.code.others"), on: others, sentence: true, does: () => ((others = !others), at.again()) });
  }
}
