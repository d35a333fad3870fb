// What is not on the server yet: the truth about every piece, and what can be done about what is stuck.

import { device, list, queueSummary, setAside, syncNow, tryAgain, watchDevice, watchQueue } from "../core/app.js";
import { t } from "../core/words.js";
import { act, foot } from "../parts/act.js";
import { net } from "../parts/bar.js";
import { h } from "../parts/dom.js";
import { slug } from "../parts/facts.js";
import { take } from "../parts/strip.js";
import { thisPhone } from "../parts/this-phone.js";

/** @import {QueueItem} from "../core/app.js" */

/** @param {import("../parts/page.js").At} at @returns {import("../parts/page.js").Page} */
export function unsent(at) {
  /** Tags by intake, once they are known: nothing here waits for them. @type {Map<string, string>} */
  let tags = new Map();
  list().then(({ items }) => {
    tags = new Map(items.map((s) => [s.id, s.tag]));
    return at.again();
  }).catch(() => {});
  return {
    watch: (again) => [watchQueue(again), watchDevice(again)],
    async draw() {
      const [q, phone] = await Promise.all([queueSummary(), device()]);
      const order = { refused: 0, sending: 1, waiting: 2 };
      const items = [...q.items].sort((a, b) => order[a.state] - order[b.state]);
      return {
        title: t("net.title"),
        content: [
          h("h1", null, net(q).words),
          q.reachable === false ? h("p", null, q.why?.type === "/problems/device/not-the-server" ? `${q.why.detail} ` : "", t("net.offline-words")) : null,
          q.paused ? h("section", { class: "fault stack stack--close" },
            h("p", null, q.paused.detail),
            q.paused.type === "/problems/device/client-too-old" ? act({ words: t("act.load-newest"), does: take }) : null,
            q.paused.type === "/problems/not-signed-in" ? h("p", null, h("a", { href: "/sign-in?to=/unsent" }, t("act.sign-in"))) : null,
            q.paused.type === "/problems/code-due" ? h("p", null, h("a", { href: "/code?to=/unsent" }, t("page.code.set-up"))) : null) : null,
          items.length === 0 ? h("p", null, t("net.safe-words")) : h("ul", { class: "steps" }, items.map((i) => item(i, tags.get(i.intake)))),
          thisPhone(phone),
          items.length ? foot(act({ words: t("act.try-now"), heavy: true, does: () => syncNow() })) : null,
        ],
      };
    },
  };
}

/** @param {QueueItem} i @param {string | undefined} tag */
function item(i, tag) {
  const what = i.what === "file" ? t(i.type === "film" ? "net.item.film" : i.photo ? "net.item.photo" : "net.item.paper") : t(`lane.type.${slug(i.type ?? "entry")}`);
  const percent = i.percent === undefined ? "" : `${i.percent} %`;
  return h("li", { "data-key": String(i.key) },
    h("div", { class: "step" },
      h("span", null, h("a", { class: "mono", href: `/intake/${i.intake}` }, tag ?? t("net.item.intake")), ` ${what}`),
      h("span", { class: i.state === "refused" ? "marked" : "soft" }, [t(`net.state.${i.state}`), percent].filter(Boolean).join(" "))),
    i.state === "refused" ? h("div", { class: "stack stack--close refused" },
      h("p", { class: "fault" }, i.problem?.detail ?? t("page.unexpected")),
      h("div", { class: "row" },
        i.problem?.retry === "never" ? null : act({ words: t("act.again"), does: () => tryAgain(i.key) }),
        act({ words: t("act.set-aside"), does: () => setAside(i.key) })),
      h("p", { class: "soft" }, t("net.aside-words"))) : null);
}
