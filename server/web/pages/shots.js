// The shot page: what is photographed, what is missing, and one button that opens the camera for the next view.

import { history, shop } from "../core/app.js";
import { t, text } from "../core/words.js";
import { act, actLink, foot } from "../parts/act.js";
import { camera } from "../parts/camera.js";
import { clocks } from "../parts/clocks.js";
import { h, keep } from "../parts/dom.js";
import { atCounter, nextView, onward, openIn, settled, stepOf, STEPS } from "../parts/flow.js";
import { camera as cameraIcon, onward as onwardIcon } from "../parts/icons.js";
import { head, load, meanwhile, toMachine, watching } from "../parts/intake.js";
import { large } from "../parts/large.js";
import { movedPart, newestIn, photosHere, tagsBeside } from "../parts/moved.js";
import { nameOf } from "../parts/names.js";
import { mayUseCamera } from "../parts/outline.js";
import { whole } from "../parts/picture.js";
import { similarPart, similarTo } from "../parts/similar.js";
import { elsewhere, notesList, photoName, photoTile, reason, viewTile, wordsOf } from "../parts/tile.js";

/** @import {IntakeView, PhotoView} from "../core/app.js" */
/** @import {View} from "../core/types.js" */

/** @param {import("../parts/page.js").At} at @returns {import("../parts/page.js").Page} */
export function shots(at) {
  const [id] = at.ids;
  const lens = camera(id);
  const others = similarTo(id, () => at.again());

  return {
    watch: watching(id),
    async draw() {
      const [view, here] = await Promise.all([load(id), shop()]);
      if (settled(view)) return toMachine(view, at);
      const next = nextView(view);
      const beside = await tagsBeside(view);
      const similar = view.photos.length === 0 ? others.ofKind(view) : [];
      const views = (view.kind?.view ?? []).filter((v) => v.due === "at counter");
      const extra = photosHere(view).filter((p) => !p.view);
      return {
        title: t("page.shots.title", { tag: view.state.tag }),
        content: [
          head(view, { level: "h1" }),
          status(view),
          ...meanwhile(view),
          similarPart(similar, t("page.similar.kind", { tag: view.state.tag })),
          h("div", { class: "tiles" },
            views.map((v) => tileOf(view, v, v.id === next?.id)),
            extra.map((p) => photoTile({ photo: p, name: photoName(view, p), under: wordsOf(p), does: () => show(p, photoName(view, p)) })),
            h("button", { type: "button", class: "tile tile--more", "data-key": "more", onclick: () => lens.shoot({}) }, h("span", { class: "tile__words" }, t("act.extra-photo"))),
            h("button", { type: "button", class: "tile tile--more", "data-key": "film", id: "film", onclick: () => lens.film({}) }, h("span", { class: "tile__words" }, t("act.film-up-to"))),
            view.state.opened?.how === "on paper" ? h("button", { type: "button", class: "tile tile--more", "data-key": "of-paper", id: "of-paper", onclick: () => lens.shoot({ of_paper: true }) }, h("span", { class: "tile__words" }, t("act.photo-of-paper"))) : null),
          movedPart(view, beside, here?.zone ?? "UTC"),
          view.state.state === "found" ? null : steps(view),
          h("p", { class: "row" },
            next && mayUseCamera() ? h("button", { type: "button", class: "link", id: "with-outline", onclick: () => lens.outlined(next) }, t("act.with-outline")) : null,
            h("a", { class: "link", href: `/intake/${id}/not-taken-in` }, t("act.not-taking")),
            h("a", { class: "link", href: `/intake/${id}/tag` }, t("act.lost-tag"))),
          theFoot(view, next),
        ],
      };
    },
  };

  /** @param {IntakeView} view @param {View} v @param {boolean} next */
  function tileOf(view, v, next) {
    const photo = newestIn(view, v.id);
    const left = view.check.left_open.find((l) => l.gap === `view:${v.id}`);
    return viewTile({
      view: v, photo, next,
      leftOpen: left && t("page.left-open-short", { reason: left.reason, name: nameOf(left.by) }),
      does: () => (photo ? show(photo, text(v.name), v) : lens.shoot({ view: v.id, stage: v.stage })),
    });
  }

  /** @param {PhotoView} photo @param {string} name @param {View} [v] */
  async function show(photo, name, v) {
    const retake = v && act({ words: t("act.retake"), icon: cameraIcon(), does: () => lens.shoot({ view: v.id, stage: v.stage }) });
    retake?.setAttribute("data-shuts", "");
    const wrong = act({ words: t("act.wrong-machine"), does: () => at.go(`/intake/${id}/photo/${photo.photo}/move`) });
    wrong.setAttribute("data-shuts", "");
    const [view, entries, here] = await Promise.all([load(id), history(id), shop()]);
    const under = [
      h("p", null, [reason(photo), wordsOf(photo)].filter(Boolean).join(" · ")),
      notesList(photo), elsewhere(photo, id),
      clocks({ view, photo, history: entries, shop: here }),
    ];
    return large({ ...whole(photo), name, under, acts: [...(retake ? [retake] : []), wrong] });
  }

  /** @param {IntakeView} view @param {View | undefined} next */
  function theFoot(view, next) {
    const caution = text(next?.caution) || text(view.kind?.caution);
    if (next) {
      const poor = newestIn(view, next.id) !== undefined;
      return foot(
        h("p", { class: "foot__caution" }, caution),
        act({ words: poor ? t("act.retake-view", { view: text(next.name) }) : text(next.name), icon: cameraIcon(), heavy: true, id: "shoot", does: () => lens.shoot({ view: next.id, stage: next.stage }) }),
        keep(lens.element));
    }
    const on = onward(view, "shots");
    return foot(actLink({ words: on.words, href: on.href, icon: onwardIcon(), heavy: true }), keep(lens.element));
  }

  /** @param {IntakeView} view */
  function status(view) {
    const gaps = atCounter(view).length;
    return h("div", { class: "status" },
      h("b", { role: "status" }, summary(view)),
      h("a", { class: gaps ? "link link--gaps" : "link", href: `/intake/${id}/gaps` }, t("page.gaps.count", { count: gaps })));
  }

  /** The other pages of this intake and what is open there. @param {IntakeView} view */
  function steps(view) {
    return h("nav", { "aria-label": t("page.steps") },
      h("ul", { class: "steps" }, STEPS.slice(1).map((s) => {
        const open = openIn(view, s.id).filter((g) => stepOf(g.gap) === s).length;
        return h("li", null, h("a", { href: `/intake/${id}${s.path}` },
          h("span", null, t(`page.step.${s.id}`)),
          h("span", { class: open ? "marked" : "soft" }, open ? t("page.step.open", { count: open }) : t("page.step.done"))));
      })));
  }
}

/** "2 safe, 1 sending, 1 to retake, 2 to take". @param {IntakeView} view */
function summary(view) {
  const due = (view.kind?.view ?? []).filter((v) => v.due === "at counter");
  const missing = openIn(view, "shots").filter((g) => g.key === "gap.view.missing").length;
  const newest = [...due.map((v) => newestIn(view, v.id)), ...photosHere(view).filter((p) => !p.view)].filter((p) => p !== undefined);
  const retake = newest.filter((p) => reason(p) !== "");
  const fine = newest.filter((p) => !retake.includes(p));
  const count = (/** @type {string} */ state) => fine.filter((p) => p.status.state === state).length;
  const parts = /** @type {[string, number][]} */ ([
    ["page.count.safe", count("stored and checked")],
    ["page.count.sending", count("sending")],
    ["page.count.on-phone", count("on the phone only")],
    ["page.count.retake", retake.length],
    ["page.count.take", missing],
  ]);
  return parts.filter(([, n]) => n > 0).map(([key, n]) => t(key, { count: n })).join(", ") || t("page.count.none");
}
