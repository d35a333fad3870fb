// Findings: something seen on the bench, pinned on a photo as a point or a box, with a word, and what the author thinks of it. An
// opinion has its author and its time, and stands apart from what was measured and photographed.

import { say, shop } from "../core/app.js";
import { goneOf } from "../core/fold.js";
import { t, text } from "../core/words.js";
import { act, footBack } from "../parts/act.js";
import { askedForm, only } from "../parts/asked-form.js";
import { camera } from "../parts/camera.js";
import { careWords, keptFrom } from "../parts/care-words.js";
import { h, keep } from "../parts/dom.js";
import { camera as cameraIcon } from "../parts/icons.js";
import { head, load, meanwhile, watching } from "../parts/intake.js";
import { newId } from "../parts/new-id.js";
import { notice } from "../parts/notice.js";
import { pinned } from "../parts/pin.js";
import { picture } from "../parts/picture.js";
import { photoName } from "../parts/tile.js";

/** @import {IntakeView, PhotoView} from "../core/app.js" */
/** @typedef {{ x: number, y: number, w?: number, h?: number }} Pin */

/** @param {import("../parts/page.js").At} at @returns {import("../parts/page.js").Page} */
export function findings(at) {
  const [id] = at.ids;
  let chosen = at.query.get("photo") ?? "";
  /** @type {Pin | null} */
  let pin = null;
  /** @type {IntakeView} */
  let view;
  const lens = camera(id, ({ photo }) => {
    chosen = photo;
    pin = null;
    return at.again();
  });
  const form = askedForm({
    id: "finding", submit: t("care.say.finding"), again: () => at.again(),
    does: async (given) => {
      if (!chosen || !pin) return notice(t("care.needs-pin"));
      await say(id, "finding-noted", { finding: newId(), photo: chosen, ...pin, ...only(given, ["part", "word"]) }, /** @type {any} */ (only(given, ["text"])));
      pin = null;
    },
  });

  return {
    watch: watching(id),
    async draw() {
      const here = await shop();
      view = await load(id);
      const photos = view.photos.filter((p) => !goneOf(p)).reverse();
      const photo = photos.find((p) => p.photo === chosen);
      const words = careWords(view, here?.zone ?? "UTC").findings;
      const inCare = view.state.state === "in care";
      return {
        title: t("care.findings"),
        content: [
          head(view),
          h("h1", null, t("care.findings")),
          ...meanwhile(view),
          keptFrom(view),
          h("p", { class: "soft" }, t("care.findings-are")),
          words.length ? h("ol", { class: "stack" }, view.state.custody.findings.map((f, i) => {
            const on = view.photos.find((p) => p.photo === f.photo);
            return h("li", { class: "question", "data-key": f.finding }, pinned({ photo: f.photo, name: on ? photoName(view, on) : "", pins: [f] }), h("p", null, words[i]),
              inCare ? act({ words: t("care.take-back"), does: () => say(id, "finding-withdrawn", { finding: f.finding, because: t("care.taken-back") }) }) : null);
          })) : null,
          inCare ? h("section", { class: "section" },
            h("h2", null, t("care.new-finding")),
            h("div", { class: "row" }, act({ words: t("act.extra-photo"), icon: cameraIcon(), does: () => lens.shoot({ stage: "opened" }) })),
            h("div", { class: "thumbs", role: "group", "aria-label": t("care.which-photo") }, photos.map((p) => thumb(p))),
            photo ? pinned({
              photo: photo.photo, name: photoName(view, photo), pins: pin ? [pin] : [],
              does: (made) => {
                pin = made;
                return at.again();
              },
            }) : null,
            photo ? h("p", { class: "soft" }, t(pin ? "care.pin-set" : "care.pin-how")) : h("p", { class: "soft" }, t("care.choose-photo")),
            form.draw([
              { id: "part", words: t("care.ask.part"), most: 80, need: true },
              { id: "word", words: t("care.ask.condition"), kind: "pick", choices: (view.kind?.condition ?? []).map((c) => ({ id: c.id, words: text(c.name) })), need: true },
              { id: "text", words: t("care.ask.opinion"), kind: "long" },
            ])) : null,
          keep(lens.element),
          footBack({ words: t("act.to-machine"), href: `/machine/${id}` }),
        ],
      };
    },
  };

  /** @param {PhotoView} p */
  function thumb(p) {
    return h("button", {
      type: "button", class: "thumb", "data-key": p.photo, "aria-pressed": String(p.photo === chosen), "aria-label": photoName(view, p),
      onclick: () => {
        chosen = p.photo;
        pin = null;
        return at.again();
      },
    }, picture(p.photo, ""));
  }
}
