// The app: opens the local store, keeps the bar true, and brings the page of the address onto the screen.

import { openStore, serverInfo, session } from "./core/app.js";
import { t } from "./core/words.js";
import { bar } from "./parts/bar.js";
import { h } from "./parts/dom.js";
import { guide } from "./parts/guide.js";
import { clear, notice, sentenceOf } from "./parts/notice.js";
import { flush, open } from "./parts/page.js";
import { again } from "./pages/again.js";
import { agreed } from "./pages/agreed.js";
import { asked } from "./pages/asked.js";
import { care } from "./pages/care.js";
import { desk } from "./pages/desk.js";
import { devices } from "./pages/devices.js";
import { dispute } from "./pages/dispute.js";
import { done } from "./pages/done.js";
import { due } from "./pages/due.js";
import { erasePhoto } from "./pages/erase-photo.js";
import { findings } from "./pages/findings.js";
import { found } from "./pages/found.js";
import { gaps } from "./pages/gaps.js";
import { home } from "./pages/home.js";
import { kindsPage } from "./pages/kinds.js";
import { language } from "./pages/language.js";
import { log } from "./pages/log.js";
import { lostTag } from "./pages/lost-tag.js";
import { machine } from "./pages/machine.js";
import { movePhotoPage } from "./pages/move-photo.js";
import { notTakenIn } from "./pages/not-taken-in.js";
import { onPaper } from "./pages/paper.js";
import { part } from "./pages/part.js";
import { parts } from "./pages/parts.js";
import { partsSearch } from "./pages/parts-search.js";
import { nowhere, plain } from "./pages/plain.js";
import { pair } from "./pages/pair.js";
import { settings } from "./pages/settings.js";
import { setUp } from "./pages/set-up.js";
import { sheet } from "./pages/sheet.js";
import { shots } from "./pages/shots.js";
import { signIn } from "./pages/sign-in.js";
import { staff } from "./pages/staff.js";
import { takeIn } from "./pages/take-in.js";
import { told } from "./pages/told.js";
import { unsent } from "./pages/unsent.js";

const ID = "([0-9a-f-]{36})";

/** Addresses and their pages. @type {[RegExp, (at: import("./parts/page.js").At) => import("./parts/page.js").Page][]} */
const PAGES = [
  [/^\/$/, desk],
  [/^\/take-in$/, takeIn],
  [new RegExp(`^/intake/${ID}$`), shots],
  [new RegExp(`^/intake/${ID}/told$`), told],
  [new RegExp(`^/intake/${ID}/again$`), again],
  [new RegExp(`^/intake/${ID}/asked$`), asked],
  [new RegExp(`^/intake/${ID}/agreed$`), agreed],
  [new RegExp(`^/intake/${ID}/gaps$`), gaps],
  [new RegExp(`^/intake/${ID}/sheet$`), sheet],
  [new RegExp(`^/intake/${ID}/done$`), done],
  [new RegExp(`^/intake/${ID}/not-taken-in$`), notTakenIn],
  [new RegExp(`^/intake/${ID}/tag$`), lostTag],
  [new RegExp(`^/intake/${ID}/found$`), found],
  [new RegExp(`^/intake/${ID}/photo/${ID}/move$`), movePhotoPage],
  [new RegExp(`^/intake/${ID}/photo/${ID}/erase$`), erasePhoto],
  [new RegExp(`^/intake/${ID}/care$`), care],
  [new RegExp(`^/intake/${ID}/findings$`), findings],
  [new RegExp(`^/intake/${ID}/home$`), home],
  [new RegExp(`^/intake/${ID}/parts$`), parts],
  [new RegExp(`^/intake/${ID}/part/${ID}$`), part],
  [new RegExp(`^/intake/${ID}/dispute$`), dispute],
  [/^\/parts$/, partsSearch],
  [new RegExp(`^/machine/${ID}$`), machine],
  [/^\/paper$/, onPaper],
  [/^\/unsent$/, unsent],
  [/^\/devices$/, devices],
  [/^\/staff$/, staff],
  [/^\/settings$/, settings],
  [/^\/due$/, due],
  [/^\/log$/, log],
  [/^\/kinds$/, kindsPage],
];

/** Pages for somebody who is not signed in here, or for anybody. @type {typeof PAGES} */
const OUTSIDE = [
  [/^\/set-up$/, setUp],
  [/^\/sign-in$/, signIn],
  [/^\/pair$/, pair],
  [/^\/language$/, language],
];

/** @param {string} path @param {boolean} [replace] @returns {Promise<void>} */
function go(path, replace) {
  const same = path === location.pathname + location.search + location.hash;
  history[replace || same ? "replaceState" : "pushState"](null, "", path);
  return route();
}

/** Brings the page of the address onto the screen. @returns {Promise<void>} */
async function route() {
  clear();
  const { pathname, search, hash } = location;
  const path = pathname.length > 1 ? pathname.replace(/\/$/, "") : pathname;
  const outside = OUTSIDE.find(([p]) => p.test(path));
  const inside = PAGES.find(([p]) => p.test(path));
  const where = { ids: (outside ?? inside)?.[0].exec(path)?.slice(1) ?? [], query: new URLSearchParams(search), hash: decodeURIComponent(hash.slice(1)), go };
  if (outside) await open(outside[1], where);
  else if (!session()) return enter(path);
  else await open(inside?.[1] ?? nowhere, where);
  bar.draw(path);
  guide(path);
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
  await route();
}

start().catch((error) => {
  // Not even the store opened: say why, in the words there are.
  document.getElementById("page")?.replaceChildren(h("h1", null, "Counterfoil"), h("p", { class: "fault" }, sentenceOf(error)));
});
