// The app: opens the local store, keeps the bar true, and brings the page of the address onto the screen.

import { openStore, serverInfo, session } from "./core/app.js";
import { trouble } from "./core/trouble.js";
import { t } from "./core/words.js";
import { bar } from "./parts/bar.js";
import { h } from "./parts/dom.js";
import { guide } from "./parts/guide.js";
import { clear, notice, sentenceOf } from "./parts/notice.js";
import { flush, open } from "./parts/page.js";
import { strip } from "./parts/strip.js";
import { nowhere, plain } from "./pages/plain.js";

const ID = "([0-9a-f-]{36})";

/** @typedef {(at: import("./parts/page.js").At) => import("./parts/page.js").Page} Make */

/** Addresses and their pages, each fetched when it is opened first. @type {[RegExp, () => Promise<Make>][]} */
const PAGES = [
  [/^\/$/, () => import("./pages/desk.js").then((m) => m.desk)],
  [/^\/take-in$/, () => import("./pages/take-in.js").then((m) => m.takeIn)],
  [new RegExp(`^/intake/${ID}$`), () => import("./pages/shots.js").then((m) => m.shots)],
  [new RegExp(`^/intake/${ID}/told$`), () => import("./pages/told.js").then((m) => m.told)],
  [new RegExp(`^/intake/${ID}/again$`), () => import("./pages/again.js").then((m) => m.again)],
  [new RegExp(`^/intake/${ID}/asked$`), () => import("./pages/asked.js").then((m) => m.asked)],
  [new RegExp(`^/intake/${ID}/agreed$`), () => import("./pages/agreed.js").then((m) => m.agreed)],
  [new RegExp(`^/intake/${ID}/gaps$`), () => import("./pages/gaps.js").then((m) => m.gaps)],
  [new RegExp(`^/intake/${ID}/sheet$`), () => import("./pages/sheet.js").then((m) => m.sheet)],
  [new RegExp(`^/intake/${ID}/done$`), () => import("./pages/done.js").then((m) => m.done)],
  [new RegExp(`^/intake/${ID}/not-taken-in$`), () => import("./pages/not-taken-in.js").then((m) => m.notTakenIn)],
  [new RegExp(`^/intake/${ID}/tag$`), () => import("./pages/lost-tag.js").then((m) => m.lostTag)],
  [new RegExp(`^/intake/${ID}/found$`), () => import("./pages/found.js").then((m) => m.found)],
  [new RegExp(`^/intake/${ID}/photo/${ID}/move$`), () => import("./pages/move-photo.js").then((m) => m.movePhotoPage)],
  [new RegExp(`^/intake/${ID}/photo/${ID}/erase$`), () => import("./pages/erase-photo.js").then((m) => m.erasePhoto)],
  [new RegExp(`^/intake/${ID}/photo/${ID}/redact$`), () => import("./pages/redact-photo.js").then((m) => m.redactPhoto)],
  [new RegExp(`^/intake/${ID}/erase-customer$`), () => import("./pages/erase-customer.js").then((m) => m.eraseCustomer)],
  [new RegExp(`^/intake/${ID}/care$`), () => import("./pages/care.js").then((m) => m.care)],
  [new RegExp(`^/intake/${ID}/findings$`), () => import("./pages/findings.js").then((m) => m.findings)],
  [new RegExp(`^/intake/${ID}/home$`), () => import("./pages/home.js").then((m) => m.home)],
  [new RegExp(`^/intake/${ID}/parts$`), () => import("./pages/parts.js").then((m) => m.parts)],
  [new RegExp(`^/intake/${ID}/part/${ID}$`), () => import("./pages/part.js").then((m) => m.part)],
  [new RegExp(`^/intake/${ID}/dispute$`), () => import("./pages/dispute.js").then((m) => m.dispute)],
  [/^\/parts$/, () => import("./pages/parts-search.js").then((m) => m.partsSearch)],
  [new RegExp(`^/machine/${ID}$`), () => import("./pages/machine.js").then((m) => m.machine)],
  [/^\/paper$/, () => import("./pages/paper.js").then((m) => m.onPaper)],
  [/^\/unsent$/, () => import("./pages/unsent.js").then((m) => m.unsent)],
  [/^\/devices$/, () => import("./pages/devices.js").then((m) => m.devices)],
  [/^\/code$/, () => import("./pages/code.js").then((m) => m.code)],
  [/^\/staff$/, () => import("./pages/staff.js").then((m) => m.staff)],
  [/^\/settings$/, () => import("./pages/settings.js").then((m) => m.settings)],
  [/^\/kept$/, () => import("./pages/kept.js").then((m) => m.kept)],
  [/^\/due$/, () => import("./pages/due.js").then((m) => m.due)],
  [/^\/log$/, () => import("./pages/log.js").then((m) => m.log)],
  [/^\/kinds$/, () => import("./pages/kinds.js").then((m) => m.kindsPage)],
];

/** Pages for somebody who is not signed in here, or for anybody. @type {typeof PAGES} */
const OUTSIDE = [
  [/^\/set-up$/, () => import("./pages/set-up.js").then((m) => m.setUp)],
  [/^\/sign-in$/, () => import("./pages/sign-in.js").then((m) => m.signIn)],
  [/^\/pair$/, () => import("./pages/pair.js").then((m) => m.pair)],
  [/^\/language$/, () => import("./pages/language.js").then((m) => m.language)],
  [/^\/verify$/, () => import("./pages/verify.js").then((m) => m.verify)],
];

/** @param {string} path @param {boolean} [replace] @returns {Promise<void>} */
function go(path, replace) {
  const same = path === location.pathname + location.search + location.hash;
  history[replace || same ? "replaceState" : "pushState"](null, "", path);
  return route();
}

/** How often a page was asked for: one that comes late is not opened over a later one. */
let asked = 0;

/** Brings the page of the address onto the screen. @returns {Promise<void>} */
async function route() {
  clear();
  const mine = ++asked;
  const { pathname, search, hash } = location;
  const path = pathname.length > 1 ? pathname.replace(/\/$/, "") : pathname;
  const outside = OUTSIDE.find(([p]) => p.test(path));
  const inside = PAGES.find(([p]) => p.test(path));
  const where = { ids: (outside ?? inside)?.[0].exec(path)?.slice(1) ?? [], query: new URLSearchParams(search), hash: decodeURIComponent(hash.slice(1)), go };
  if (!outside && !session()) return enter(path);
  // A shop that asks for a code waits for it first; without a network work goes on, and waits in the queue.
  if (!outside && session()?.code_due && path !== "/code" && (await serverInfo()) && mine === asked) return go(`/code?to=${encodeURIComponent(path)}`, true);
  const make = await (outside ?? inside)?.[1]().catch(gone);
  if (mine !== asked) return;
  await open(make ?? nowhere, where);
  bar.draw(path);
  guide(path);
}

/** A page's module that does not come: no network and no copy here, or another build is served by now. @param {unknown} cause @returns {Make} */
function gone(cause) {
  return () => {
    throw trouble("page-gone", { cause });
  };
}

/** Nobody is signed in: set-up at first start, signing in otherwise; the way back is kept. @param {string} path @returns {Promise<void>} */
async function enter(path) {
  const info = await serverInfo();
  if (info && !info.set_up) return go("/set-up", true);
  return go(`/sign-in?to=${encodeURIComponent(path)}`, true);
}

/** Links of the app open without loading the document again. @param {MouseEvent} e */
function follow(e) {
  const link = e.target instanceof Element ? e.target.closest("a[href]") : null;
  if (!(link instanceof HTMLAnchorElement) || e.defaultPrevented || e.button !== 0 || e.metaKey || e.ctrlKey || e.shiftKey || e.altKey) return;
  if (link.target || link.hasAttribute("download") || link.origin !== location.origin) return;
  if (/^\/(v1|r|app|trust|demo|openapi\.json|reference|problems)(\/|$)/.test(link.pathname)) return;
  if (link.pathname === location.pathname && link.hash && link.search === location.search) return;
  e.preventDefault();
  go(link.pathname + link.search + link.hash);
}

async function start() {
  document.addEventListener("click", follow);
  addEventListener("popstate", () => route());
  addEventListener("pagehide", () => flush());
  document.addEventListener("visibilitychange", () => document.visibilityState === "hidden" && flush());
  addEventListener("unhandledrejection", (e) => notice(sentenceOf(e.reason)));
  // A phone gives storage that lasts, camera and checks to secure pages only.
  if (!isSecureContext) {
    await openStore().catch(() => {});
    return open(plain, { ids: [], query: new URLSearchParams(), hash: "", go });
  }
  await openStore();
  /** @type {HTMLElement} */ (document.getElementById("skip")).textContent = t("act.skip");
  bar.start(go);
  strip.start();
  await route();
}

start().catch((error) => {
  // Not even the store opened: say why, in the words there are.
  document.getElementById("page")?.replaceChildren(h("h1", null, "Counterfoil"), h("p", { class: "fault" }, sentenceOf(error)));
});
