// Before opening and at the bench: what the kind asks for once the shop has the machine. Big targets, for gloves: what is
// missing is photographed, answered, measured or left open here; what the counter recorded is not touched.

import { mayLeaveOpen } from "../core/check.js";
import { say, session } from "../core/app.js";
import { holds } from "../core/kind.js";
import { t, text } from "../core/words.js";
import { act, field, picks } from "./act.js";
import { camera } from "./camera.js";
import { h, keep } from "./dom.js";
import { answerOf, gapName, leftOpen } from "./facts.js";
import { camera as cameraIcon, film as filmIcon } from "./icons.js";
import { large } from "./large.js";
import { newestIn } from "./moved.js";
import { notice, say as tell } from "./notice.js";
import { largeUrl } from "./picture.js";
import { questionPart } from "./questions.js";
import { readingsPart } from "./readings.js";
import { servicesPart } from "./services.js";
import { reason, statusWords, viewTile } from "./tile.js";

/** @import {IntakeView, PhotoView, Shop} from "../core/app.js" */
/** @import {View} from "../core/types.js" */

/** As the server takes it until the shop sets it. */
const USUAL = { counter: ["view:*", "!view:machine-plate", "question:*", "reading:*"], bench: ["view:*", "question:*", "reading:*"] };
const LATER = /** @type {const} */ (["before opening", "at bench"]);

/** @param {string} id @param {() => unknown} again */
export function benchPart(id, again) {
  /** @type {IntakeView} */
  let view;
  /** What the next photo shows, when it is no view of the kind. @type {((photo: string) => void) | null} */
  let shows = null;
  const lens = camera(id, ({ photo }, where) => {
    if (!where.view) shows?.(photo);
    shows = null;
    return again();
  });
  /** Opens the camera for a picture that a reading or a service entry then names. @param {(photo: string) => void} then */
  const shootFor = (then) => {
    shows = then;
    lens.shoot({ stage: "opened" });
  };
  const film = () => {
    shows = null;
    lens.film({ stage: "opened" });
  };
  const readings = readingsPart(id, shootFor, again);
  const services = servicesPart(id, shootFor, again);

  /** @param {View} v @param {boolean} next */
  function tile(v, next) {
    const photo = newestIn(view, v.id);
    const left = view.check.left_open.find((l) => l.gap === `view:${v.id}`);
    return viewTile({
      view: v, photo, next, caution: photo ? "" : text(v.caution), leftOpen: left && t("page.bench.left-open"),
      does: () => (photo ? show(v, photo) : lens.shoot({ view: v.id, stage: v.stage })),
    });
  }

  /** @param {View} v @param {PhotoView} photo */
  function show(v, photo) {
    const retake = act({ words: t("act.retake"), icon: cameraIcon(), does: () => lens.shoot({ view: v.id, stage: v.stage }) });
    retake.setAttribute("data-shuts", "");
    return large({ picture: largeUrl(photo.photo), name: text(v.name), under: h("p", null, [reason(photo), statusWords(photo.status)].filter(Boolean).join(" · ")), acts: [retake] });
  }

  /** Views due at one time. @param {typeof LATER[number]} due */
  function views(due) {
    const asked = (view.kind?.view ?? []).filter((v) => v.due === due && holds(v.when, view.state));
    if (asked.length === 0) return null;
    const open = new Set(view.check.gaps.map((g) => g.gap));
    const next = asked.find((v) => open.has(`view:${v.id}`));
    return h("section", { class: "stack stack--close", "data-key": `views-${due}` },
      h("h3", null, t(due === "at bench" ? "page.bench.views-bench" : "page.bench.views-before")),
      h("div", { class: "tiles tiles--two" }, asked.map((v) => tile(v, v === next))));
  }

  /** Notes of the kind, for staff only: a customer sees sheet and receipt, never this page. */
  function notes() {
    const shown = (view.kind?.note ?? []).filter((n) => holds(n.when, view.state));
    return shown.map((n) => h("p", { class: "quote", "data-key": `note-${n.id}` }, h("b", null, `${t("page.bench.note")} `), filled(text(n.text), n.with ?? [])));
  }

  /** @param {string} words @param {string[]} named */
  const filled = (words, named) => words.replace(/\{([^{}]*)\}/g, (whole, name) => (named.includes(name) ? answerOf(view, name) : whole));

  function questions() {
    const asked = (view.kind?.question ?? []).filter((q) => q.due !== "at counter" && holds(q.when, view.state));
    return asked.length === 0 ? null : h("section", { class: "stack", "data-key": "questions" },
      h("h3", null, t("page.bench.questions")),
      asked.map((q) => questionPart(view, q, (body, personal) => say(id, "question-answered", body, personal))));
  }

  /** The engine's numbers may need a cover off, and so are due here. */
  function numbers() {
    const fact = view.state.machine["engine-numbers"];
    const body = (/** @type {{ value: string } | { not: string }} */ said) => say(id, "machine-described", { field: "engine-numbers", ...said, ..."value" in said ? { from: "typed" } : {} });
    return h("div", { class: "question", "data-key": "engine-numbers", id: "machine-engine-numbers" },
      field({ id: "bench-engine-numbers", words: t("page.field.engine-numbers"), value: fact?.value ?? "", input: { maxlength: "200" }, onchange: (typed) => typed && typed !== fact?.value && body({ value: typed }) }),
      picks({
        name: t("page.field.engine-numbers"), three: true, chosen: fact?.not,
        choices: [{ id: "no plate", words: t("page.not.no-plate") }, { id: "not readable", words: t("page.not.not-readable") }, { id: "not known", words: t("page.not.not-known") }],
        does: (not) => body({ not }),
      }));
  }

  /** What cannot be answered is left open by name, with a reason. @param {Shop | null} here */
  function leave(here) {
    const roles = session()?.roles ?? [];
    const table = here?.settings["may-leave-open"] ?? USUAL;
    const patterns = roles.includes("owner") ? ["*"] : roles.flatMap((r) => table[r] ?? []);
    const gaps = view.check.gaps.filter((g) => g.due !== "at counter" && mayLeaveOpen(patterns, g.gap));
    if (gaps.length === 0) return null;
    const value = (/** @type {string} */ of) => /** @type {HTMLInputElement} */ (document.getElementById(of)).value.trim();
    return h("details", { class: "more", "data-key": "leave" },
      h("summary", null, t("page.bench.leave")),
      h("div", { class: "stack" },
        h("div", { class: "field" }, h("label", { for: "bench-gap" }, t("page.bench.leave-what")), h("select", { id: "bench-gap" }, gaps.map((g) => h("option", { value: g.gap }, gapName(view.kind, g.gap))))),
        field({ id: "bench-reason", words: t("page.gaps.reason"), input: { maxlength: "400" } }),
        act({ words: t("act.leave-open-now"), does: async () => {
          const because = value("bench-reason");
          if (!because) return notice(t("page.gaps.needs-reason"));
          await say(id, "left-open", { gap: value("bench-gap"), reason: because });
          if (value("bench-reason") === because) /** @type {HTMLInputElement} */ (document.getElementById("bench-reason")).value = "";
          tell(t("page.bench.noted"));
        } })));
  }

  return {
    /** How much is open, for the head of the part. @param {IntakeView} now */
    under: (now) => LATER.map((due) => [due, now.check.gaps.filter((g) => g.due === due).length]).filter(([, n]) => n).map(([due, n]) => t(due === "at bench" ? "page.bench.open-bench" : "page.bench.open-before", { count: n })).join(", ") || t("page.bench.done"),
    /** @param {IntakeView} now @param {Shop | null} here */
    draw(now, here) {
      view = now;
      const left = view.check.left_open.filter((l) => l.due !== "at counter");
      return [
        ...notes(), views("before opening"), questions(), numbers(), readings.draw(view, here), views("at bench"), services.draw(view),
        left.length ? h("ul", { class: "sheet__list" }, leftOpen(view, left).map((w) => h("li", null, w))) : null, leave(here), h("p", { class: "row" }, act({ words: t("act.film-up-to"), icon: filmIcon(), id: "film", does: film })), keep(lens.element),
      ];
    },
  };
}
