// The bar on every page: whose shop, where everything is that was done here, and the way to the other pages.

import { queueSummary, session, shop, signOut, syncNow, watchQueue } from "../core/app.js";
import { t } from "../core/words.js";
import { h, put } from "./dom.js";
import { mayLeave } from "./leave.js";
import { menu, scan as scanIcon } from "./icons.js";
import { forgetNames } from "./names.js";
import { attempt, say } from "./notice.js";
import { once } from "./once.js";

const place = () => /** @type {HTMLElement} */ (document.getElementById("bar"));
let path = "";
let announced = "";
/** @type {(path: string) => unknown} */
let go = () => undefined;

/**
 * The truth about what was done here: on the phone only, sending, or stored and checked.
 * @param {import("../core/app.js").QueueSummary} q
 * @returns {{ net: string, words: string }}
 */
export function net(q) {
  const left = q.waiting + q.sending;
  if (q.refused > 0) return { net: "stuck", words: t("net.refused", { count: q.refused }) };
  if (left > 0 && q.paused && q.reachable !== false) return { net: "stuck", words: t("net.paused", { count: left }) };
  if (left > 0 && q.sending > 0) return { net: "sending", words: t("net.sending", { count: left }) };
  if (left > 0) return { net: "phone", words: t(q.reachable === false ? "net.offline-waiting" : "net.waiting", { count: left }) };
  return q.reachable === false ? { net: "off", words: t("net.offline") } : { net: "safe", words: t("net.safe") };
}

const draw = once(async () => {
  const who = session();
  if (!who || path === "/set-up" || path === "/sign-in" || path === "/pair") {
    put(place(), h("span", { class: "bar__shop" }, "Counterfoil"));
    return;
  }
  const [q, s] = await Promise.all([queueSummary(), shop()]);
  const { net: look, words } = net(q);
  put(place(), [
    h("a", { class: "bar__shop", href: "/" }, s?.name ?? t("act.desk")),
    h("a", { class: "bar__net", "data-net": look, href: "/unsent" }, words),
    h("div", { class: "bar__acts" },
      h("button", { type: "button", class: "bar__scan", "aria-label": t("act.scan"), title: t("act.scan"), onclick: () => attempt(async () => (await import("./scan.js")).scan(go)) }, scanIcon()),
      pages(who)),
  ]);
  // Only what changes the person's plans is announced, not every step of sending.
  if (words !== announced && look !== "sending") say((announced = words));
});

/** @param {import("../core/app.js").Session} who */
function pages(who) {
  const owner = who.roles.includes("owner");
  const links = [["/", "act.desk"], ["/due", "act.due"], ["/parts", "part.search"], ["/take-in", "act.take-in"], ["/devices", "act.devices"], ["/staff", "act.staff"], ...(owner ? [["/settings", "act.settings"], ["/kinds", "act.kinds"], ["/log", "act.log"]] : []), ["/unsent", "act.unsent"], ["/language", "act.language"]];
  return h("details", { class: "menu" },
    h("summary", { "aria-label": t("act.menu") }, menu()),
    h("nav", { "aria-label": t("act.menu") },
      h("p", { class: "soft menu__who" }, who.name),
      links.map(([href, key]) => h("a", { href, "aria-current": href === path ? "page" : undefined }, t(key))),
      h("button", { type: "button", onclick: () => attempt(leave) }, t("act.sign-out"))));
}

async function leave() {
  if (!(await mayLeave())) return;
  await signOut();
  forgetNames();
  go("/sign-in");
}

export const bar = {
  /** @param {(path: string) => unknown} how goes to a page */
  start(how) {
    go = how;
    watchQueue(() => draw().catch(() => {}));
    addEventListener("online", () => syncNow());
    document.addEventListener("click", (e) => {
      for (const open of document.querySelectorAll("details.menu[open]")) {
        const inside = e.target instanceof Element && open.contains(e.target) && !e.target.closest("nav a, nav button");
        if (!inside) open.removeAttribute("open");
      }
    });
    document.addEventListener("keydown", (e) => {
      if (e.key === "Escape") document.querySelector("details.menu[open]")?.removeAttribute("open");
    });
  },
  /** @param {string} at the page's address */
  draw(at) {
    path = at;
    return draw().catch(() => {});
  },
};
